"""The model in the space that means and random terms span, in which every step is short whatever the burns.

With U an orthonormal basis, group by group of burns that share an SD, of the rows of [X Z W], X_U = U'X = QR and K the
rest of that space, V_i = (ZZ')_i or a group's identity there and M = Σ θ_i K'V_iK,

    -2 log REML = log|M| + z'M⁻¹z + Σ_g [f_g log s_g + rss_g/s_g] + log|X'X| + ν log 2π,   z = K'U'y,
    β̂ = b_ols − R⁻¹ C M⁻¹ z,   Cov β̂ = R⁻¹ (G − C M⁻¹ C') R⁻ᵀ,   C = Σ θ_i Q'V_iK,  G = Σ θ_i Q'V_iQ

hold all that the values say (Patterson & Thompson 1971; nlme's varIdent in another basis: Pinheiro & Bates 2000,
section 5.2); f_g burns of a group lie beyond the space. For ML the determinant is that of the whole space. Along the
last term's ratio M is diagonal: M = T⁻ᵀ(I + λ diag(d))T⁻¹. With one random term and one burn SD it is so everywhere
(kit.variance.rotation).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product

import numpy as np

from kit.variance.burn_arrays import Array, Codes, Mask, refused, stacked
from kit.variance.design import Method
from kit.variance.optimise import Derivatives

RANK = 1e-9

AT_ONCE = 50_000
"""Elements of the matrices of one pass: what fits a processor's cache."""


@dataclass(frozen=True)
class Residuals:
    """Responses in the space.

    Attributes
    ----------
    z, rss, b_ols
        (responses, k), (responses, groups) and (responses, p) ordinary least squares.
    """

    z: Array
    rss: Array
    b_ols: Array

    @property
    def total(self) -> Array:
        """Residual sum of squares of ordinary least squares."""
        return np.asarray(np.vecdot(self.z, self.z) + self.rss.sum(axis=1))


@dataclass(frozen=True)
class Pieces:
    """What small-sample inference needs of V = sum theta_i V_i (Kenward & Roger 1997, eqs. 5-7).

    V is linear in its parameters, so that their R_ij = 0.

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

    @cached_property
    def _turned(self) -> Array:
        """(responses, c, p, p) Φ P_i."""
        return np.asarray(self.phi[:, None] @ self.P)

    @cached_property
    def moved(self) -> Array:
        """(responses, c, p, p) Φ P_i Φ: minus the derivative of Φ in the variances."""
        return np.asarray(self._turned @ self.phi[:, None])

    @cached_property
    def information_inverse(self) -> Array:
        """(responses, c, c) inverse of the expected information ½[t_ij - 2 tr(Φ Q_ij) + tr(Φ P_i Φ P_j)].

        Of simulated trials, what the burns of one do not tell apart carries no information.

        Raises
        ------
        KitError
            Where the burns of a single response do not tell the variances apart.
        """
        R, c, p = self.P.shape[:3]
        traces = (self.Q.reshape(R, c, c, p * p) @ self.phi.reshape(R, 1, p * p, 1))[..., 0]
        turned, back = self._turned, self._turned.transpose(0, 1, 3, 2)
        both = turned.reshape(R, c, p * p) @ back.reshape(R, c, p * p).transpose(0, 2, 1)
        information = 0.5 * (self.t - 2 * traces + both)
        try:
            return np.asarray(np.linalg.inv(information))
        except np.linalg.LinAlgError as error:
            if len(information) == 1:
                raise refused("not told apart") from error
            return np.asarray(np.linalg.pinv(information, hermitian=True))

    @cached_property
    def adjusted(self) -> Array:
        """(responses, p, p) Φ_A = Φ + 2 Φ { sum_ij W_ij (Q_ij - P_i Φ P_j) } Φ."""
        R, c, p = self.P.shape[:3]
        W = self.information_inverse
        inner = (W.reshape(R, 1, c * c) @ self.Q.reshape(R, c * c, p * p)).reshape(R, p, p)
        mixed = (W @ self._turned.reshape(R, c, p * p)).reshape(R, c, p, p)
        inner = inner - (self.P @ mixed).sum(axis=1)
        return np.asarray(self.phi + self.phi @ (inner + inner.transpose(0, 2, 1)) @ self.phi)


@dataclass(frozen=True)
class Coordinates:
    """A design in coordinates in which its model is short; theta (rows, c): random terms' variances, then burns'.

    Attributes
    ----------
    back
        (p, p) R⁻¹.
    free
        (groups,) degrees of freedom of each group of burns beyond those coordinates.
    k
        How many coordinates the means leave.
    """

    back: Array
    free: Array
    k: int

    @property
    def p(self) -> int:
        """Means and covariates."""
        return len(self.back)

    @property
    def groups(self) -> int:
        """Burn SDs."""
        return len(self.free)

    @property
    def dof(self) -> float:
        """Residual degrees of freedom."""
        return float(self.k + self.free.sum())

    @property
    def logdet_xx(self) -> float:
        """log|X'X|."""
        return -2 * float(np.log(np.abs(self.back.diagonal())).sum())


def strata_deviance(theta: Array, loads: Array, count: Array, squares: Array) -> Derivatives:
    """Return Σ count log v + squares/v and its derivatives, v = Σ θ_i loads_i the variance of a stratum's directions.

    Parameters
    ----------
    theta, loads, count, squares
        (rows, c), (strata, c), (strata,) directions, and (rows, strata) their sums of squares.
    """
    u = 1 / (theta @ loads.T)
    gradient = (count * u - squares * u * u) @ loads
    expected = loads.T @ ((count * u * u)[:, :, None] * loads)
    observed = 2 * loads.T @ ((squares * u**3)[:, :, None] * loads)
    return Derivatives(np.vecdot(squares, u) - np.log(u) @ count, gradient, observed - expected, expected)


@dataclass(frozen=True)
class Space(Coordinates):
    """Any random terms and groups of burns.

    Attributes
    ----------
    basis
        (n, p + k) U[Q K].
    V
        (c, p + k, p + k) of random terms, then of groups of burns.
    halves
        One (p + k, levels) a random term: V_i = HH'.
    codes
        (n,) the group of each burn.
    """

    basis: Array
    V: Array
    halves: tuple[Array, ...]
    codes: Codes

    @property
    def terms(self) -> int:
        """How many of the components are random terms."""
        return len(self.halves)

    @cached_property
    def residual(self) -> Array:
        """(c, k, k) K'V_iK."""
        return np.ascontiguousarray(self.V[:, self.p :, self.p :])

    def without(self, term: int) -> Space:
        """Return the space as if the levels of one term did not differ."""
        halves = self.halves[:term] + self.halves[term + 1 :]
        return replace(self, V=np.delete(self.V, term, axis=0), halves=halves)

    def sizes(self, term: int) -> Array:
        """Burns of each of a term's levels."""
        return np.asarray((self.halves[term] ** 2).sum(axis=0))

    def eigenvalues(self, term: int) -> Array:
        """Those of K'V_iK that are not zero."""
        values = np.linalg.eigvalsh(self.residual[term])
        return np.asarray(values[values > RANK * self.sizes(term).max()])

    def pole(self, outer: Array) -> Array:
        """Return the largest eigenvalue of H'V⁻¹H."""
        half = self.halves[-1]
        held = half.T @ inverse_of(np.tensordot(outer, self.V, axes=1)) @ half
        return np.asarray(np.linalg.eigvalsh(held)[:, -1])

    def rotate(self, y: Array) -> Residuals:
        """Return responses (responses, burns)."""
        inside = y @ self.basis
        left = (y - inside @ self.basis.T) ** 2
        rss = np.stack([left[:, self.codes == g].sum(axis=1) for g in range(self.groups)], axis=1)
        b_ols = inside[:, : self.p] @ self.back.T
        return Residuals(inside[:, self.p :], np.where(self.free > 0, rss, 0.0), b_ols)

    def along(self, outer: Array) -> Along:
        """Return the likelihood along the last term's ratio at points (o, c) of the others, that term's left at 0."""
        p, inner = self.p, self.terms - 1
        V = np.tensordot(outer, self.V, axes=1)
        values, E = np.linalg.eigh(V[:, p:, p:])
        proper = np.asarray((values > RANK * values[:, -1:]).all(axis=1))
        values = np.where(proper[:, None], values, 1.0)
        T, d, more = E / np.sqrt(values)[:, None], np.zeros(values.shape), np.zeros_like(self.V[0])
        if self.terms:
            more = self.V[inner]
            d, F = np.linalg.eigh(T.transpose(0, 2, 1) @ more[p:, p:] @ T)
            T, d = T @ F, np.where(d > RANK * d.max(axis=1, initial=1e-300, keepdims=True), d, 0.0)
        scale = outer[:, self.terms :]
        logdet = np.log(values).sum(axis=1) + np.log(scale) @ self.free
        C0, C1 = V[:, :p, p:] @ T, more[:p, p:] @ T
        return Along(proper, logdet, d, T, 1 / scale, C0, C1, V[:, :p, :p], more[None, :p, :p])

    def deviance(self, theta: Array, z: Array, rss: Array, method: Method) -> Derivatives:
        """Return the criterion without its constants at theta, and its derivatives, some rows at a time."""
        passes = self._passes(len(theta))
        return stacked([self._deviance(theta[some], z[some], rss[some], method) for some in passes])

    def _passes(self, rows: int) -> list[slice]:
        size = max(1, AT_ONCE // max(1, self.V[0].size))
        return [slice(start, start + size) for start in range(0, max(rows, 1), size)]

    def _deviance(self, theta: Array, z: Array, rss: Array, method: Method) -> Derivatives:
        V = self.residual
        M = np.tensordot(theta, V, axes=1)
        inverse = inverse_of(M)
        e = (inverse @ z[:, :, None])[:, :, 0]
        Ve = (e @ V).transpose(1, 0, 2)  # (rows, c, k)
        pull, bend = (Ve @ e[:, :, None])[:, :, 0], 2 * Ve @ inverse @ Ve.transpose(0, 2, 1)
        if method == "ML":
            V = self.V
            M = np.tensordot(theta, V, axes=1)
            inverse = inverse_of(M)
        trace, expected = _traces(inverse, V)
        burns = np.eye(len(V))[self.terms :]
        beyond = strata_deviance(theta, burns, self.free, rss)
        return Derivatives(
            beyond.value + np.linalg.slogdet(M)[1] + np.vecdot(z, e), beyond.gradient + trace - pull,
            beyond.hessian + bend - expected, beyond.expected + expected,
        )  # fmt: skip

    def moved(self, theta: Array, z: Array) -> Array:
        """Return R⁻¹ C M⁻¹ z (rows, p)."""
        p, found = self.p, []
        for some in self._passes(len(theta)):
            e = inverse_of(np.tensordot(theta[some], self.residual, axes=1)) @ z[some, :, None]
            found.append(np.tensordot(theta[some], self.V[:, :p, p:], axes=1) @ e)
        return np.asarray(np.concatenate(found)[:, :, 0] @ self.back.T)

    def pieces(self, theta: Array) -> Pieces:
        """P_i = X'V^-1V_iV^-1X and its fellows, component by component, some rows at a time."""
        return stacked([self._pieces(theta[some]) for some in self._passes(len(theta))])

    def _pieces(self, theta: Array) -> Pieces:
        p, V, K = self.p, self.V, self.terms
        R, c, r = len(theta), *V.shape[:2]
        inverse = inverse_of(np.tensordot(theta, V, axes=1))
        x = np.linalg.inv(self.back)  # X in the space: R above zeros
        A = inverse[:, :, :p] @ x
        VA = V @ A[:, None]  # (rows, c, r, p)
        P = A.transpose(0, 2, 1)[:, None] @ VA
        side = VA.transpose(0, 2, 1, 3).reshape(R, r, c * p)
        Q = (side.transpose(0, 2, 1) @ inverse @ side).reshape(R, c, p, c, p).transpose(0, 1, 3, 2, 4)
        t = _traces(inverse, V)[1]
        burns = range(K, c)
        t[:, burns, burns] += self.free / theta[:, K:] ** 2
        phi = np.linalg.inv(x.T @ A[:, :p])
        return Pieces(np.asarray(phi, dtype=np.float64), P, Q, t)

    def drawn(self, theta: Array, normals: Array) -> Array:
        """Return coordinates z (trials, k) at theta (c,) from as many standard normal numbers."""
        return np.asarray(normals @ np.linalg.cholesky(np.tensordot(theta, self.residual, axes=1)).T)


def _traces(inverse: Array, V: Array) -> tuple[Array, Array]:
    """Return tr(V^-1 V_i) (rows, c) and tr(V^-1 V_i V^-1 V_j) (rows, c, c)."""
    R, c, k = len(inverse), *V.shape[:2]
    along = inverse[:, None] @ V
    flat, turned = along.reshape(R, c, k * k), along.transpose(0, 1, 3, 2).reshape(R, c, k * k)
    return np.einsum("rikk->ri", along), flat @ turned.transpose(0, 2, 1)


@dataclass(frozen=True)
class Along:
    """A restricted likelihood along one ratio λ, at several points (o) of the others.

    Attributes
    ----------
    proper
        (o,) whether V is positive definite at λ = 0; what is given else means nothing.
    logdet
        (o,) log|M| + Σ f log φ at λ = 0, φ the variances of the points.
    d, T
        (o, k) and (o, k, k): M = T⁻ᵀ(I + λ diag(d))T⁻¹.
    weight
        (o, groups) 1/φ of the groups.
    C0, C1, G0, G1
        C T (o, p, k) and G (o or 1, p, p) at λ = 0, and what λ adds to them.
    """

    proper: Mask
    logdet: Array
    d: Array
    T: Array
    weight: Array
    C0: Array
    C1: Array
    G0: Array
    G1: Array

    def _w(self, ratio: Array) -> Array:
        """1/(1 + λd): (o, i, k) at ratios (o or 1, i)."""
        with np.errstate(divide="ignore"):
            return np.asarray(1 / (1 + ratio[:, :, None] * self.d[:, None]))

    def determinant(self, ratio: Array) -> Array:
        """Return the log determinant (o, i) at ratios (o or 1, i), infinite where V is not positive definite."""
        inflation = 1 + ratio[:, :, None] * self.d[:, None]
        bad = (inflation <= 0).any(axis=2) | ~self.proper[:, None]
        logs = np.log(np.where(bad[:, :, None], 1.0, inflation)).sum(axis=2)
        return np.where(bad, np.inf, self.logdet[:, None] + logs)

    def quadratic(self, data: Residuals, ratio: Array) -> Array:
        """Return Q (responses, o, i)."""
        inside = (data.z @ self.T) ** 2 @ self._w(ratio).transpose(0, 2, 1)
        return np.asarray((data.rss @ self.weight.T)[:, :, None] + inside.transpose(1, 0, 2))

    def variances(self, ratio: Array, L: Array) -> Array:
        """Return the variances (o, i, contrasts) of contrasts in units of s; L (contrasts, p) times R⁻¹."""
        own, more = np.vecdot(L @ self.G0, L)[:, None], ratio[:, :, None] * np.vecdot(L @ self.G1, L)[:, None]
        taken = self._loads(ratio, L)
        return np.asarray(own + more - np.vecdot(taken * self._w(ratio)[:, :, None], taken))

    def _loads(self, ratio: Array, L: Array) -> Array:
        return np.asarray((L @ self.C0)[:, None] + ratio[:, :, None, None] * (L @ self.C1)[:, None])

    def shifts(self, data: Residuals, ratio: Array, L: Array) -> Array:
        """Return what L b_ols is more than L β̂: (responses, o, i, contrasts)."""
        loads = self._loads(ratio, L) * self._w(ratio)[:, :, None]
        o, i, c, k = loads.shape
        found = data.z @ self.T @ loads.reshape(o, i * c, k).transpose(0, 2, 1)
        return found.reshape(o, -1, i, c).transpose(1, 0, 2, 3)


def grid_of(axes: Sequence[Array], burns: Array) -> tuple[Array, Array]:
    """Return outer points (o, c) and inner ratios (1, i) of a grid of terms' ratios, at burn variances (groups,)."""
    last = [np.zeros(1)] if axes else []
    points = np.array(list(product(*axes[:-1], *last, *burns[:, None])))
    return points, (axes[-1] if axes else np.zeros(1))[None]


def inverse_of(V: Array) -> Array:
    """Return V⁻¹ of each row; where burn variances all but vanish, of V with a ten-billionth of its size added."""
    try:
        return np.asarray(np.linalg.inv(V), dtype=np.float64)
    except np.linalg.LinAlgError:
        size = np.einsum("raa->r", V)[:, None, None] / V.shape[1]
        return np.asarray(np.linalg.inv(V + 1e-10 * size * np.eye(V.shape[1])), dtype=np.float64)


def space_of(X: Array, terms: Sequence[Array], codes: Codes | None = None, count: int = 1) -> Space:
    """Return the space of a design.

    Parameters
    ----------
    X
        (burns, p) of full rank.
    terms
        (burns, levels) indicators of each random term.
    codes, count
        Which burns share an SD, and how many groups there are; None: all.
    """
    codes = np.zeros(len(X), dtype=np.int64) if codes is None else codes
    blocks, of = [], []
    for g in range(count):
        rows = codes == g
        space = np.linalg.svd(np.hstack([X[rows], *(Z[rows] for Z in terms)]), full_matrices=False)
        kept = space.U[:, space.S / max(float(space.S.max(initial=0.0)), 1e-300) > RANK]
        block = np.zeros((len(X), kept.shape[1]))
        block[rows] = kept
        blocks.append(block)
        of += [g] * kept.shape[1]
    U, own = np.hstack(blocks), np.array(of, dtype=np.int64)
    whole, R = np.linalg.qr(U.T @ X, mode="complete")
    halves = [whole.T @ (U.T @ Z) for Z in terms]
    groups = [whole.T[:, own == g] for g in range(count)]
    V = np.array([half @ half.T for half in (*halves, *groups)])
    free = np.array([float((codes == g).sum() - (own == g).sum()) for g in range(count)])
    p = X.shape[1]
    return Space(np.linalg.inv(R[:p]), free, len(own) - p, U @ whole, V, tuple(halves), codes)
