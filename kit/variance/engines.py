"""One face for every form of the model: solve, differentiate, draw; theta holds variances, the burns' last.

With one random term and one burn SD the model is diagonal (kit.variance.rotation); any other is handled in the space
that its means and terms span (kit.variance.residual_space).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from kit.errors import KitError
from kit.variance.burn_arrays import Array, Codes, Levels, stacked
from kit.variance.design import Design, Term
from kit.variance.optimise import EXACT, Derivatives, Mask, minimise
from kit.variance.residual_space import Residuals, Restricted, Space, inverse_of, space_of
from kit.variance.rotation import (
    Criterion,
    Method,
    Rotated,
    Rotation,
    blups,
    criterion_of,
    means_at,
    rotate,
    rotation_of,
    solve,
)

LARGEST = 2500
BESIDES = (1, 3, 5)
"""Ratios of the grid that are polished beside its minima where burn SDs differ by group."""

AT_ONCE = 50_000
"""Elements of the matrices of one pass: what fits a processor's cache."""


@dataclass(frozen=True)
class Estimate:
    """Estimates of every response.

    Attributes
    ----------
    theta
        (responses, components) variances in the engine's order.
    beta
        (responses, p).
    criterion, converged
        (responses,).
    evaluations
        Evaluations of the criterion a response.
    """

    theta: Array
    beta: Array
    criterion: Array
    converged: npt.NDArray[np.bool_]
    evaluations: int


@dataclass(frozen=True)
class Pieces:
    """What small-sample inference needs of V = sum theta_i V_i (Kenward & Roger 1997).

    Attributes
    ----------
    phi
        (responses, p, p) inverse of X'V^-1X.
    P
        (responses, c, p, p) X'V^-1 V_i V^-1X.
    Q
        (responses, c, c, p, p) X'V^-1 V_i V^-1 V_j V^-1X.
    t
        (responses, c, c) tr(V^-1 V_i V^-1 V_j).
    """

    phi: Array
    P: Array
    Q: Array
    t: Array


class Engine(Protocol):
    """A form of the model for one design."""

    @property
    def design(self) -> Design:
        """The design."""

    @property
    def names(self) -> tuple[str, ...]:
        """Components in theta's order: 'bag', 'day', 'fuel', then 'burn' or 'burn:GROUP'."""

    @property
    def method(self) -> Method:
        """REML or ML."""

    def rotate(self, values: Array) -> Any:
        """Responses (responses, burns) in the engine's own space."""

    def residual(self, data: Any) -> Array:
        """Residual sum of squares of ordinary least squares (responses,)."""

    def within(self, data: Any) -> tuple[Array, float]:
        """Return sums of squares within the terms' levels (responses,), and their degrees of freedom."""

    def solve(self, data: Any, enough: float = EXACT) -> Estimate:
        """Return the estimates; `enough` as in kit.variance.optimise.minimise, for engines that search."""

    def deviance(self, data: Any, theta: Array, of: Codes) -> Derivatives:
        """Return the criterion at theta (rows, c) for the responses `of` (rows,)."""

    def beta(self, data: Any, theta: Array) -> Array:
        """Generalised least squares (responses, p) at theta (responses, c)."""

    def pieces(self, theta: Array) -> Pieces:
        """Return the pieces of small-sample inference at theta (responses, c)."""

    def draw(self, theta: Array, beta: Array, trials: int, rng: np.random.Generator) -> Any:
        """Simulated responses in the engine's own space, at theta (c,) and beta (p,)."""

    def effects(self, values: Array, theta: Array, beta: Array) -> dict[str, tuple[Array, Array]]:
        """Predicted effects of each random term's levels (responses, levels), and their SDs given the means."""


@dataclass(frozen=True)
class Borrowed:
    """A repeatability SD from elsewhere: it enters as df further degrees of freedom of the burn variance."""

    sd: float
    df: float


@dataclass(frozen=True)
class NestedEngine:
    """No random term, or one: the rotation of kit.variance.rotation."""

    design: Design
    rotation: Rotation
    levels: Levels | None
    names: tuple[str, ...]
    method: Method
    borrowed: Borrowed | None = None

    def rotate(self, values: Array) -> Rotated:
        """Responses in the rotated space; a borrowed SD adds df sd² to S0."""
        data = rotate(self.design, self.rotation, self.levels, values)
        return (
            data if self.borrowed is None else replace(data, s0=data.s0 + self._extra * self.borrowed.sd**2)
        )

    @property
    def _extra(self) -> float:
        return 0.0 if self.borrowed is None else self.borrowed.df

    def residual(self, data: Rotated) -> Array:
        """Residual sum of squares of ordinary least squares."""
        return data.total

    def within(self, data: Rotated) -> tuple[Array, float]:
        """Return sums of squares within the term's levels (responses,), and their degrees of freedom."""
        return data.s0, self.rotation.within_df + self._extra

    def criterion(self, data: Rotated) -> Criterion:
        """Return the sums of the profiled criterion."""
        c = criterion_of(self.rotation, data, self.method)
        return c if self.borrowed is None else replace(c, dof=c.dof + self._extra)

    def solve(self, data: Rotated, enough: float = EXACT) -> Estimate:
        """Return the estimates, always to rounding."""
        found = solve(self.criterion(data))
        parts = [] if self.levels is None else [found.ratio * found.s]
        theta = np.stack([*parts, found.s], axis=1)
        return Estimate(
            theta,
            means_at(self.rotation, data, found.ratio),
            found.criterion,
            found.converged,
            found.evaluations,
        )

    def _ratio(self, theta: Array) -> Array:
        return np.zeros(len(theta)) if self.levels is None else theta[:, 0] / theta[:, 1]

    def deviance(self, data: Rotated, theta: Array, of: Codes) -> Derivatives:
        """Return the criterion and its derivatives in the variances."""
        c, s, K = self.criterion(data), theta[:, -1:], theta.shape[1] - 1
        term = theta[:, :1] if K else 0 * s
        d, det = (np.stack([each, np.ones(len(each))])[1 - K :] for each in (c.d, c.det))
        zz, s0, free = c.zz[of], c.s0[of][:, None], c.dof - c.det_count.sum()
        u, v = 1 / (s + term * c.d), 1 / (s + term * c.det)
        trace = (v * c.det_count) @ det.T
        expected = ((v * v * c.det_count)[:, None] * det) @ det.T
        expected[:, K, K] += free / s[:, 0] ** 2
        gradient = trace - (u * u * zz) @ d.T
        gradient[:, K:] += free / s - s0 / s**2
        hessian = 2 * ((u**3 * zz)[:, None] * d) @ d.T - expected
        hessian[:, K:, K] += 2 * s0 / s**3
        value = np.vecdot(u, zz) - np.log(v) @ c.det_count + (free * np.log(s) + s0 / s)[:, 0]
        return Derivatives(value + c.dof * np.log(2 * np.pi) + c.constant, gradient, hessian, expected)

    def beta(self, data: Rotated, theta: Array) -> Array:
        """Generalised least squares at theta."""
        return means_at(self.rotation, data, self._ratio(theta))

    def pieces(self, theta: Array) -> Pieces:
        """Sums over bag sizes n: V is s + n s_bag along a bag's mean and s within bags."""
        r, R, p, c = self.rotation, len(theta), self.design.p, theta.shape[1]
        s, d = theta[:, -1], np.stack([r.sizes, np.ones(len(r.sizes))])[2 - c :]
        u, means = 1 / (theta @ d), (r.class_xx.T / r.sizes).T.reshape(len(r.sizes), p * p)
        P = ((u * u)[:, None] * d @ means).reshape(R, c, p, p)
        Q = ((u**3)[:, None, None] * (d[:, None] * d) @ means).reshape(R, c, c, p, p)
        t = ((u * u * r.class_count)[:, None] * d) @ d.T
        P[:, -1] += r.within_xx / s[:, None, None] ** 2
        Q[:, -1, -1] += r.within_xx / s[:, None, None] ** 3
        t[:, -1, -1] += (self.design.n + self._extra - r.class_count.sum()) / s**2
        xvx = (u @ means).reshape(R, p, p) + r.within_xx / s[:, None, None]
        return Pieces(np.asarray(np.linalg.inv(xvx), dtype=np.float64), P, Q, t)

    def draw(self, theta: Array, beta: Array, trials: int, rng: np.random.Generator) -> Rotated:
        """Independent coordinates, S0 and GLS means at the generating ratio: no burns are simulated."""
        r, s = self.rotation, theta[-1]
        ratio = float(self._ratio(theta[None])[0])
        z = rng.standard_normal((trials, len(r.d))) * np.sqrt(s * (1 + ratio * r.d))
        idle = rng.standard_gamma(np.broadcast_to(r.idle_count / 2, (trials, len(r.idle_d))))
        s0 = 2 * s * rng.standard_gamma((r.within_df + self._extra) / 2, trials)
        phi = self.pieces(theta[None]).phi[0]
        gls = beta + rng.standard_normal((trials, self.design.p)) @ np.linalg.cholesky(phi).T
        back = (ratio * z / (1 + ratio * r.d)) @ r.G.T
        return Rotated(z, 2 * s * (1 + ratio * r.idle_d) * idle, s0, gls + back)

    def effects(self, values: Array, theta: Array, beta: Array) -> dict[str, tuple[Array, Array]]:
        """Predicted effects of the term's levels, and their standard deviations given the means."""
        if self.levels is None:
            return {}
        ratio = self._ratio(theta)
        sd = np.sqrt(theta[:, :1] / (1 + ratio[:, None] * self.levels.sizes))
        return {self.names[0]: (blups(self.levels, values - beta @ self.design.X.T, ratio), sd)}


def nested_engine(design: Design, method: Method, borrowed: Borrowed | None = None) -> NestedEngine:
    """Return the engine of a design with at most one random term."""
    term = design.terms[0] if design.terms else None
    levels = None if term is None else term.levels
    names = ("burn",) if term is None else (term.name, "burn")
    return NestedEngine(design, rotation_of(design, term), levels, names, method, borrowed)


@dataclass(frozen=True)
class GeneralEngine:
    """Any random terms, any groups of burns."""

    design: Design
    space: Space
    names: tuple[str, ...]
    method: Method
    borrowed: Borrowed | None = None

    @property
    def terms(self) -> tuple[Term, ...]:
        """The random terms in the order of the variances."""
        return terms_in_order(self.design)

    @property
    def groups(self) -> int:
        """Burn SDs."""
        return len(self.space.free)

    @property
    def saturated(self) -> bool:
        """Whether nothing but the terms' levels tells of the burn variance."""
        return not self.space.free.any()

    @property
    def dof(self) -> float:
        """ν for REML, n for ML, and the degrees of freedom of borrowed SDs."""
        return float(self.space.k + self.space.free.sum() + (self.space.p if self.method == "ML" else 0))

    def rotate(self, values: Array) -> Residuals:
        """Responses in the space; a borrowed SD adds df sd² to each group's sum of squares."""
        level = values[:, :1] + (values - values[:, :1]).mean(axis=1, keepdims=True)
        data = self.space.rotate(values - level)
        data.b_ols[:, : len(self.design.labels)] += level
        if self.borrowed is None:
            return data
        return replace(data, rss=data.rss + self.borrowed.df * self.borrowed.sd**2)

    def residual(self, data: Residuals) -> Array:
        """Residual sum of squares of ordinary least squares."""
        return np.asarray(np.vecdot(data.z, data.z) + data.rss.sum(axis=1))

    def within(self, data: Residuals) -> tuple[Array, float]:
        """Return sums of squares within the terms' levels (responses,), and their degrees of freedom."""
        return data.rss.sum(axis=1), float(self.space.free.sum())

    def deviance(self, data: Residuals, theta: Array, of: Codes) -> Derivatives:
        """Return the criterion and its derivatives in the variances, some rows at a time."""
        return stacked([
            self._deviance(theta[some], data.z[of[some]], data.rss[of[some]]) for some in self._passes(len(theta))
        ])  # fmt: skip

    def _passes(self, rows: int) -> list[slice]:
        size = max(1, AT_ONCE // max(1, self.space.V[0].size))
        return [slice(start, start + size) for start in range(0, max(rows, 1), size)]

    def _deviance(self, theta: Array, z: Array, rss: Array) -> Derivatives:
        V, K = self.space.residual, self.space.terms
        M = np.tensordot(theta, V, axes=1)
        inverse = inverse_of(M)
        e = (inverse @ z[:, :, None])[:, :, 0]
        Ve = (e @ V).transpose(1, 0, 2)  # (rows, c, k)
        if self.method == "ML":
            V = self.space.V
            M = np.tensordot(theta, V, axes=1)
            trace, expected = _traces(inverse_of(M), V)
        else:
            trace, expected = _traces(inverse, V)
        s, free = theta[:, K:], self.space.free
        burns = range(K, theta.shape[1])
        gradient, hessian = (
            trace - (Ve @ e[:, :, None])[:, :, 0],
            2 * (Ve @ inverse @ Ve.transpose(0, 2, 1)) - expected,
        )
        gradient[:, K:] += free / s - rss / s**2
        hessian[:, burns, burns] += 2 * rss / s**3 - free / s**2
        expected[:, burns, burns] += free / s**2
        value = np.linalg.slogdet(M)[1] + np.vecdot(z, e) + (rss / s).sum(axis=1) + np.log(s) @ free
        value += self.dof * np.log(2 * np.pi) + (self.space.logdet_xx if self.method == "REML" else 0.0)
        return Derivatives(value, gradient, hessian, expected)

    def restricted(self, data: Residuals) -> Restricted:
        """Return the restricted likelihood of the responses over the ratios of their variances."""
        return Restricted(self.space, data)

    def solve(self, data: Residuals, enough: float = EXACT) -> Estimate:
        """Polish every local minimum of a grid within 3 units of the best (roughly: the best), keep the lowest."""
        start, of, count = self._starts(data, enough > EXACT)
        found = minimise(
            lambda theta, rows: self.deviance(data, theta, rows), start, of, burns=self.groups, enough=enough
        )
        order = np.lexsort((found.value, of))
        best = order[np.concatenate([[True], np.diff(of[order]) > 0])]
        theta = found.theta[best]
        return Estimate(
            theta, self.beta(data, theta), found.value[best], found.converged[best], count + found.steps
        )

    def _starts(self, data: Residuals, rough: bool) -> tuple[Array, Codes, int]:
        """Variances (rows, c) to start from, the response of each, and how many points were tried.

        Ratios of terms to the first group's burns are tried on a grid; those of groups are as ordinary residuals are.
        """
        space, R = self.space, len(data.z)
        within = np.array([V.diagonal() for V in space.residual[space.terms :]])
        own = (data.z**2 @ within.T + data.rss) / np.maximum(np.bincount(space.codes) - 1.0, 1.0)
        burns = np.exp(np.log(np.maximum(own, 1e-6 * own.max(axis=1, keepdims=True))).mean(axis=0))
        axes = [_ratios(term, space.terms) for term in self.terms]
        mesh = np.array(list(product(*axes[:-1], *([each] for each in burns / burns[0]))))
        points = np.insert(mesh, max(space.terms - 1, 0), 0.0, axis=1) if axes else mesh
        inner = axes[-1] if axes else np.zeros(1)
        line = space.along(points)
        Q = line.quadratic(data, inner[None]).reshape(R, -1)
        theta = np.repeat(points, len(inner), axis=0)
        if axes:
            theta[:, space.terms - 1] = np.tile(inner, len(points))
        logdet = line.determinant(inner[None]).ravel()
        if self.method == "ML":
            logdet = (
                np.linalg.slogdet(np.tensordot(theta, space.V, axes=1))[1]
                + np.log(theta[:, space.terms :]) @ self.space.free
            )
        table = self.dof * np.log(Q) + logdet
        if rough:
            of, place = np.arange(R), table.argmin(axis=1)
        else:
            shape = tuple(map(len, axes))
            low = _local_minima(table.reshape(R, *shape))
            if self.groups > 1:  # there may be several more, the groups' variances being no axis of the grid
                besides = np.zeros(shape, dtype=np.bool_)
                besides[np.ix_(*[BESIDES] * len(axes))] = True
                low |= besides
            of, place = np.nonzero(low.reshape(table.shape))
        return theta[place] * (Q[of, place] / self.dof)[:, None], of, table.shape[1]

    def beta(self, data: Residuals, theta: Array) -> Array:
        """Generalised least squares at theta."""
        p, moved = self.space.p, []
        for some in self._passes(len(theta)):
            M = np.tensordot(theta[some], self.space.residual, axes=1)
            e = inverse_of(M) @ data.z[some, :, None]
            moved.append(np.tensordot(theta[some], self.space.V[:, :p, p:], axes=1) @ e)
        return np.asarray(data.b_ols - np.concatenate(moved)[:, :, 0] @ self.space.back.T)

    def pieces(self, theta: Array) -> Pieces:
        """P_i = X'V^-1V_iV^-1X and its fellows, component by component, some rows at a time."""
        return stacked([self._pieces(theta[some]) for some in self._passes(len(theta))])

    def _pieces(self, theta: Array) -> Pieces:
        p, V, K = self.space.p, self.space.V, self.space.terms
        R, c, r = len(theta), *V.shape[:2]
        inverse = self.space.inverse(theta)
        x = np.linalg.inv(self.space.back)  # X in the space: R above zeros
        A = inverse[:, :, :p] @ x
        VA = V @ A[:, None]  # (rows, c, r, p)
        P = A.transpose(0, 2, 1)[:, None] @ VA
        side = VA.transpose(0, 2, 1, 3).reshape(R, r, c * p)
        Q = (side.transpose(0, 2, 1) @ inverse @ side).reshape(R, c, p, c, p).transpose(0, 1, 3, 2, 4)
        t = _traces(inverse, V)[1]
        burns = range(K, c)
        t[:, burns, burns] += self.space.free / theta[:, K:] ** 2
        phi = np.linalg.inv(x.T @ A[:, :p])
        return Pieces(np.asarray(phi, dtype=np.float64), P, Q, t)

    def draw(self, theta: Array, beta: Array, trials: int, rng: np.random.Generator) -> Residuals:
        """Independent coordinates, sums of squares and GLS means: no burns are simulated."""
        space = self.space
        z = (
            rng.standard_normal((trials, space.k))
            @ np.linalg.cholesky(np.tensordot(theta, space.residual, axes=1)).T
        )
        rss = (
            2
            * theta[space.terms :]
            * rng.standard_gamma(np.broadcast_to(self.space.free / 2, (trials, self.groups)))
        )
        phi = self.pieces(theta[None]).phi[0]
        gls = beta + rng.standard_normal((trials, space.p)) @ np.linalg.cholesky(phi).T
        level = Residuals(z, rss, np.zeros_like(gls))
        return replace(level, b_ols=gls - self.beta(level, np.broadcast_to(theta, (trials, len(theta)))))

    def effects(self, values: Array, theta: Array, beta: Array) -> dict[str, tuple[Array, Array]]:
        """Predicted effects of each term's levels, and their standard deviations given the means."""
        inverse = self.space.inverse(theta)
        left = (values - beta @ self.design.X.T) @ self.space.basis
        found = {}
        for i, (name, half) in enumerate(zip(self.names, self.space.halves, strict=False)):
            solved, var = inverse @ half, theta[:, i, None]
            spare = var - var**2 * np.einsum("ab,rab->rb", half, solved)
            found[name] = var * np.einsum("rab,ra->rb", solved, left), np.sqrt(np.maximum(spare, 0.0))
        return found


def _traces(inverse: Array, V: Array) -> tuple[Array, Array]:
    """Return tr(V^-1 V_i) (rows, c) and tr(V^-1 V_i V^-1 V_j) (rows, c, c)."""
    R, c, k = len(inverse), *V.shape[:2]
    along = inverse[:, None] @ V
    flat, turned = along.reshape(R, c, k * k), along.transpose(0, 1, 3, 2).reshape(R, c, k * k)
    return np.einsum("rikk->ri", along), flat @ turned.transpose(0, 2, 1)


def _ratios(term: Term, terms: int) -> Array:
    """Ratios at which a term is tried."""
    size = len(term.levels.codes) / term.levels.count
    return np.concatenate([[0.0], np.logspace(-1.5, 4, 10 if terms < 3 else 6) / size])


def _local_minima(table: Array) -> Mask:
    """Points no higher than their neighbours, and the best without each term, if within 3 units of the lowest."""
    low, axes = np.ones(table.shape, dtype=np.bool_), range(1, table.ndim)
    for axis in axes:
        rise = np.diff(table, axis=axis)
        edge = np.full_like(np.take(table, [0], axis), np.inf)
        low &= (np.concatenate([rise, edge], axis) >= 0) & (np.concatenate([-edge, rise], axis) <= 0)
    for axis in axes:
        on_edge = np.take(table, [0], axis)
        first = np.zeros(table.shape, dtype=np.bool_)
        np.moveaxis(first, axis, 0)[0] = True
        low |= first & (table == on_edge.min(axis=tuple(axes), keepdims=True))
    return np.asarray(low & (table <= table.min(axis=tuple(axes), keepdims=True) + 3))


def terms_in_order(design: Design) -> tuple[Term, ...]:
    """Return the random terms in the order of the variances: most levels first; with spread by group as designed."""
    return design.terms if design.spread.count > 1 else design.by_size


def general_engine(design: Design, method: Method, borrowed: Borrowed | None = None) -> GeneralEngine:
    """Return the engine of a design with several random terms, or with burn SDs by group.

    Raises
    ------
    KitError
        Where the space is too large.
    """
    terms, groups = terms_in_order(design), design.spread
    _check_size(design.p + sum(term.levels.count for term in terms))
    halves = [term.levels.indicators for term in terms]
    burns = [f"burn:{label}" for label in groups.labels] if groups.count > 1 else ["burn"]
    space = space_of(design.X, halves, groups.codes, groups.count)
    if borrowed is not None:
        space = replace(space, free=space.free + borrowed.df)
    return GeneralEngine(design, space, (*(term.name for term in terms), *burns), method, borrowed)


def _check_size(size: int) -> None:
    if size > LARGEST:
        raise KitError.refuse(
            "table", f"{size} means, bags and days together", f"at most {LARGEST} of them",
            "Leave the days out and use spread='common' (then any number of bags will do), or fit part of the burns.",
        )  # fmt: skip


def explained(engine: Engine) -> tuple[str, ...]:
    """Say where random terms leave no burns of their own, in a tester's words."""
    if not (isinstance(engine, GeneralEngine) and engine.groups == 1 and engine.saturated):
        return ()
    terms = " and ".join(f"{name}s" for name in engine.names[:-1])
    return (f"{terms} together explain every burn: little is known of how burns differ beside them",)


def engine_of(design: Design, method: Method, borrowed: Borrowed | None = None) -> Engine:
    """Return the engine that suits the design."""
    grouped = design.spread.count > 1 and design.nu > 0
    engine = general_engine if grouped or len(design.terms) > 1 else nested_engine
    return engine(design, method, borrowed)
