"""The model of a design: rotate responses, solve, differentiate, draw; theta holds variances, the burns' last.

With one random term and one burn SD REML is diagonal (kit.variance.rotation); any other is handled in the space that
its means and terms span (kit.variance.residual_space).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from scipy import ndimage

from kit.variance.burn_arrays import Array, Codes, Mask, noted, refused, rows_of
from kit.variance.design import Design, Method, Term
from kit.variance.optimise import EXACT, Derivatives, lowest, minimise
from kit.variance.residual_space import Pieces, Residuals, Space, grid_of, space_of
from kit.variance.rotation import Rotation, rotation_of, solve

LARGEST = 2500
BESIDES = (1, 3, 5)
"""Ratios of the grid that are polished beside its minima where burn SDs differ by group."""


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
    converged: Mask
    evaluations: int


@dataclass(frozen=True)
class Borrowed:
    """A repeatability SD from elsewhere: it enters as df further degrees of freedom of the burn variance."""

    sd: float
    df: float


@dataclass(frozen=True)
class Restricted:
    """A restricted likelihood: a design and its responses."""

    space: Space | Rotation
    data: Residuals

    def of(self, rows: Codes | slice) -> Residuals:
        """Return some of the responses, or the one that stands beside all."""
        return rows_of(self.data, rows) if len(self.data.rss) > 1 else self.data

    def without(self, term: int) -> Restricted:
        """Return the likelihood as if the levels of one term did not differ."""
        assert isinstance(self.space, Space)
        return replace(self, space=self.space.without(term))


@dataclass(frozen=True)
class Engine:
    """The model of one design.

    Attributes
    ----------
    space
        The design in coordinates; the degrees of freedom of a borrowed SD are among those of its groups.
    names
        Components in theta's order: 'bag', 'day', 'fuel', then 'burn' or 'burn:GROUP'.
    """

    design: Design
    space: Space | Rotation
    names: tuple[str, ...]
    method: Method
    borrowed: Borrowed | None = None

    @property
    def saturated(self) -> bool:
        """Whether the levels of several random terms leave nothing that tells of the one burn variance alone."""
        return self.space.terms > 1 and self.space.groups == 1 and not self.space.free.any()

    @property
    def dof(self) -> float:
        """ν for REML, n for ML, and the degrees of freedom of borrowed SDs."""
        return self.space.dof + (self.space.p if self.method == "ML" else 0)

    def rotate(self, values: Array) -> Residuals:
        """Responses (responses, burns) in the space; a borrowed SD adds df sd² to each group's sum of squares.

        They are centred first, on one of their own, so that many equal leading digits are not lost.
        """
        level = values[:, :1] + (values - values[:, :1]).mean(axis=1, keepdims=True)
        data = self.space.rotate(values - level)
        data.b_ols[:, : len(self.design.labels)] += level
        if self.borrowed is None:
            return data
        return replace(data, rss=data.rss + self.borrowed.df * self.borrowed.sd**2)

    def deviance(self, data: Residuals, theta: Array, of: Codes) -> Derivatives:
        """Return the criterion and its derivatives at theta (rows, c) for the responses `of` (rows,)."""
        found = self.space.deviance(theta, data.z[of], data.rss[of], self.method)
        constant = self.space.logdet_xx if self.method == "REML" else 0.0
        return replace(found, value=found.value + self.dof * np.log(2 * np.pi) + constant)

    def beta(self, data: Residuals, theta: Array) -> Array:
        """Generalised least squares (responses, p) at theta (responses, c)."""
        return data.b_ols - self.space.moved(theta, data.z)

    def pieces(self, theta: Array) -> Pieces:
        """Return the pieces of small-sample inference at theta (responses, c)."""
        return self.space.pieces(theta)

    def solve(self, data: Residuals, enough: float = EXACT) -> Estimate:
        """Return the estimates; `enough` as in kit.variance.optimise.minimise, where there is more than one ratio."""
        if isinstance(self.space, Rotation):
            found, count, rest = solve(self.space, data), 0, self.space.logdet_xx
        else:
            (start, of, count), rest = self._starts(data, enough > EXACT), 0.0
            deviance = partial(self.deviance, data)
            found = minimise(deviance, start, of, None, self.space.groups, enough=enough)
            found = lowest(found, of)
        beta = self.beta(data, found.theta)
        return Estimate(found.theta, beta, found.value + rest, found.converged, count + found.steps)

    def _starts(self, data: Residuals, rough: bool) -> tuple[Array, Codes, int]:
        """Variances (rows, c) to start from, the response of each, and how many points were tried.

        Every local minimum of a grid within 3 units of the best (roughly: the best). Ratios of terms to the first
        group's burns are tried; those of groups are as ordinary residuals are.
        """
        space, R = self.space, len(data.z)
        assert isinstance(space, Space)
        within = np.array([V.diagonal() for V in space.residual[space.terms :]])
        own = (data.z**2 @ within.T + data.rss) / np.maximum(np.bincount(space.codes) - 1.0, 1.0)
        burns = np.exp(np.log(np.maximum(own, 1e-6 * own.max(axis=1, keepdims=True))).mean(axis=0))
        tried, axes = np.logspace(-1.5, 4, 10 if space.terms < 3 else 6), []
        for term in terms_in_order(self.design):
            axes.append(np.concatenate([[0.0], tried / (len(term.levels.codes) / term.levels.count)]))
        points, inner = grid_of(axes, burns / burns[0])
        line = space.along(points)
        Q = line.quadratic(data, inner).reshape(R, -1)
        theta = np.repeat(points, inner.size, axis=0)
        if axes:
            theta[:, space.terms - 1] = np.tile(inner[0], len(points))
        logdet = line.determinant(inner).ravel()
        if self.method == "ML":
            whole = np.linalg.slogdet(np.tensordot(theta, space.V, axes=1))[1]
            logdet = whole + np.log(theta[:, space.terms :]) @ space.free
        table = self.dof * np.log(Q) + logdet
        if rough:
            of, place = np.arange(R), table.argmin(axis=1)
        else:
            shape = tuple(map(len, axes))
            low = _local_minima(table.reshape(R, *shape))
            if space.groups > 1:  # there may be several more, the groups' variances being no axis of the grid
                besides = np.zeros(shape, dtype=np.bool_)
                besides[np.ix_(*[BESIDES] * len(axes))] = True
                low |= besides
            of, place = np.nonzero(low.reshape(table.shape))
        return theta[place] * (Q[of, place] / self.dof)[:, None], of, table.shape[1]

    def draw(self, theta: Array, beta: Array, trials: int, rng: np.random.Generator) -> Residuals:
        """Simulate responses at theta (c,) and beta (p,): coordinates, sums of squares and GLS means, no burns."""
        space = self.space
        z = space.drawn(theta, rng.standard_normal((trials, space.k)))
        gamma = rng.standard_gamma(np.broadcast_to(space.free / 2, (trials, space.groups)))
        phi = self.pieces(theta[None]).phi[0]
        gls = beta + rng.standard_normal((trials, space.p)) @ np.linalg.cholesky(phi).T
        ols = gls + space.moved(np.broadcast_to(theta, (trials, len(theta))), z)
        return Residuals(z, 2 * theta[space.terms :] * gamma, ols)

    def effects(self, values: Array, theta: Array, beta: Array) -> tuple[Array, Array]:
        """Predicted effects of the random terms' levels (responses, levels of all), and their SDs given the means.

        With Z of all terms, D the variances of its columns and S those of burns, they are
        D½(I + D½Z'S⁻¹ZD½)⁻¹D½Z'S⁻¹(y − Xβ) (Henderson 1975).
        """
        terms = [term.levels for term in terms_in_order(self.design)]
        if not terms:
            return np.zeros((len(theta), 0)), np.zeros((len(theta), 0))
        Z, counts = np.hstack([levels.indicators for levels in terms]), [levels.count for levels in terms]
        root = np.repeat(np.sqrt(theta[:, : len(terms)]), counts, axis=1)
        weighted = Z.T / theta[:, len(terms) :][:, None, self.design.spread.codes]
        roots = root[:, :, None] * root[:, None]
        spare = roots * np.linalg.inv(np.eye(len(Z.T)) + roots * (weighted @ Z))
        left = values - beta @ self.design.X.T
        effect = (spare @ weighted @ left[:, :, None])[:, :, 0]
        return effect, np.sqrt(np.diagonal(spare, axis1=1, axis2=2))


def _local_minima(table: Array) -> Mask:
    """Points no higher than their neighbours, and the best without each term, if within 3 units of the lowest."""
    axes = tuple(range(1, table.ndim))
    cross = ndimage.generate_binary_structure(len(axes), 1)[None]
    low = np.asarray(table <= ndimage.minimum_filter(table, footprint=cross, mode="nearest"))
    for axis in axes:
        edge = np.moveaxis(table, axis, 0)[0]
        np.moveaxis(low, axis, 0)[0] |= edge == edge.min(axis=axes[:-1], keepdims=True)
    return np.asarray(low & (table <= table.min(axis=axes, keepdims=True) + 3))


def terms_in_order(design: Design) -> tuple[Term, ...]:
    """Return the random terms in the order of the variances: most levels first; with spread by group as designed."""
    if design.spread.count > 1:
        return design.terms
    return tuple(sorted(design.terms, key=lambda term: -term.levels.count))


def explained(engine: Engine) -> tuple[str, ...]:
    """Say where random terms leave no burns of their own, in a tester's words."""
    if not engine.saturated:
        return ()
    return (noted("explained", terms=" and ".join(f"{name}s" for name in engine.names[:-1])),)


def engine_of(design: Design, method: Method, borrowed: Borrowed | None = None) -> Engine:
    """Return the model of a design.

    Raises
    ------
    KitError
        Where its space is too large.
    """
    terms, grouped = terms_in_order(design), design.spread.count > 1
    burns = [f"burn:{label}" for label in design.spread.labels] if grouped else ["burn"]
    rotated = len(terms) == 1 and not grouped and method == "REML"
    space = rotation_of(design) if rotated else dense_space(design)
    if borrowed is not None:
        space = replace(space, free=space.free + borrowed.df)
    return Engine(design, space, (*(term.name for term in terms), *burns), method, borrowed)


def dense_space(design: Design) -> Space:
    """Return the space that the means and terms of a design span, whatever its terms."""
    terms, groups = terms_in_order(design), design.spread
    size = design.p + sum(term.levels.count for term in terms)
    if size > LARGEST:
        raise refused("many together", size=size, most=LARGEST)
    return space_of(design.X, [term.levels.indicators for term in terms], groups.codes, groups.count)
