"""The model in the space that means and random terms span, in which every step is short whatever the burns.

With U an orthonormal basis, group by group of burns that share an SD, of the rows of [X Z W], X_U = U'X = QR and K the
rest of that space, V_i = (ZZ')_i or a group's identity there and M = Σ θ_i K'V_iK,

    -2 log REML = log|M| + z'M⁻¹z + Σ_g [f_g log s_g + rss_g/s_g] + log|X'X| + ν log 2π,   z = K'U'y,
    β̂ = b_ols − R⁻¹ C M⁻¹ z,   Cov β̂ = R⁻¹ (G − C M⁻¹ C') R⁻ᵀ,   C = Σ θ_i Q'V_iK,  G = Σ θ_i Q'V_iQ

hold all that the values say (Patterson & Thompson 1971; nlme's varIdent in another basis: Pinheiro & Bates 2000,
section 5.2); f_g burns of a group lie beyond the space. For ML the determinant is that of the whole space. Along the
last term's ratio M is diagonal: M = T⁻ᵀ(I + λ diag(d))T⁻¹.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from kit.variance.burn_arrays import Array, Codes
from kit.variance.optimise import Mask

RANK = 1e-9


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


@dataclass(frozen=True)
class Space:
    """The design's part.

    Attributes
    ----------
    basis
        (n, p + k) U[Q K].
    V
        (c, p + k, p + k) of random terms, then of groups of burns.
    halves
        One (p + k, levels) a random term: V_i = HH'.
    back
        (p, p) R⁻¹.
    free, codes
        (groups,) degrees of freedom beyond the space; (n,) the group of each burn.
    """

    basis: Array
    V: Array
    halves: tuple[Array, ...]
    back: Array
    free: Array
    codes: Codes

    @property
    def p(self) -> int:
        """Means and covariates."""
        return len(self.back)

    @property
    def terms(self) -> int:
        """How many of the components are random terms."""
        return len(self.halves)

    @property
    def k(self) -> int:
        """Coordinates that the means leave."""
        return int(self.basis.shape[1] - self.p)

    @property
    def dof(self) -> float:
        """Residual degrees of freedom."""
        return float(self.k + self.free.sum())

    @cached_property
    def residual(self) -> Array:
        """(c, k, k) K'V_iK."""
        return np.ascontiguousarray(self.V[:, self.p :, self.p :])

    @property
    def logdet_xx(self) -> float:
        """log|X'X|."""
        return -2 * float(np.log(np.abs(self.back.diagonal())).sum())

    def without(self, term: int) -> Space:
        """Return the space as if the levels of one term did not differ."""
        halves = self.halves[:term] + self.halves[term + 1 :]
        return replace(self, V=np.delete(self.V, term, axis=0), halves=halves)

    def most(self, term: int) -> float:
        """Burns of a term's largest level."""
        return float((self.halves[term] ** 2).sum(axis=0).max())

    def rotate(self, y: Array) -> Residuals:
        """Return responses (responses, burns)."""
        inside = y @ self.basis
        left = (y - inside @ self.basis.T) ** 2
        rss = np.stack([left[:, self.codes == g].sum(axis=1) for g in range(len(self.free))], axis=1)
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
        return Along(
            proper, logdet, d, T, 1 / scale, V[:, :p, p:] @ T, more[:p, p:] @ T, V[:, :p, :p], more[:p, :p]
        )

    def inverse(self, theta: Array) -> Array:
        """Return V⁻¹ (rows, p + k, p + k) at variances (rows, c)."""
        return inverse_of(np.tensordot(theta, self.V, axes=1))


@dataclass(frozen=True)
class Restricted:
    """A restricted likelihood: a design and its responses."""

    space: Space
    data: Residuals

    def without(self, term: int) -> Restricted:
        """Return the likelihood as if the levels of one term did not differ."""
        return replace(self, space=self.space.without(term))


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
        (o, p, k) CT, (o, p, p) and (p, p) G at λ = 0 and what λ adds.
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
        squares = (data.z @ self.T) ** 2  # (o, responses, k)
        inside = squares @ self._w(ratio).transpose(0, 2, 1)
        return np.asarray((data.rss @ self.weight.T)[:, :, None] + inside.transpose(1, 0, 2))

    def variances(self, ratio: Array, L: Array) -> Array:
        """Return the variances (o, i, contrasts) of contrasts in units of s; L (contrasts, p) times R⁻¹."""
        own, more = np.vecdot(L @ self.G0, L)[:, None], ratio[:, :, None] * np.vecdot(L @ self.G1, L)
        taken = self._loads(ratio, L)
        return np.asarray(own + more - np.einsum("oick,oick,oik->oic", taken, taken, self._w(ratio)))

    def _loads(self, ratio: Array, L: Array) -> Array:
        return np.asarray((L @ self.C0)[:, None] + ratio[:, :, None, None] * (L @ self.C1)[:, None])

    def shifts(self, data: Residuals, ratio: Array, L: Array) -> Array:
        """Return what L b_ols is more than L β̂: (responses, o, i, contrasts)."""
        loads = self._loads(ratio, L) * self._w(ratio)[:, :, None]
        return np.asarray(np.einsum("ork,oick->roic", data.z @ self.T, loads, optimize=True))


def inverse_of(V: Array) -> Array:
    """Return V⁻¹ of each row; where burn variances all but vanish, of V with a ten-billionth of its size added."""
    try:
        return np.asarray(np.linalg.inv(V), dtype=np.float64)
    except np.linalg.LinAlgError:
        size = np.einsum("raa->r", V) / V.shape[1]
        return np.asarray(
            np.linalg.inv(V + 1e-10 * size[:, None, None] * np.eye(V.shape[1])), dtype=np.float64
        )


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
    return Space(U @ whole, V, tuple(halves), np.linalg.inv(R[: X.shape[1]]), free, codes)
