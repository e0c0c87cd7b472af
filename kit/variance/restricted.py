"""Restricted likelihoods over ratios of variances: one trial's own, and those of earlier trials beside it.

With U an orthonormal basis, group by group, of the rows of [X Z] and X_U = U'X = QR, K the rest of that space,

    M = K'U'VUK = Σ φ_i V_i,   D = log|M| + Σ f_g log φ_g + z'M⁻¹z/s + Σ rss_g/(φ_g s)

hold all that the values say of the variances φ s (Patterson & Thompson 1971); the first group's φ is one. The means
follow without V⁻¹: with C_i = Q'V_iK and G_i = Q'V_iQ,

    β̂ = b_ols − R⁻¹ C M⁻¹z,   Cov β̂ = s R⁻¹ (G − C M⁻¹ C') R⁻ᵀ,   C = Σ φ_i C_i,  G = Σ φ_i G_i.

One term's ratio is an inner axis, along which M is diagonal: M = T⁻ᵀ(I + λ diag(d))T⁻¹.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from kit.variance.columns import Array, Codes

RANK = 1e-9


@dataclass(frozen=True)
class Restricted:
    """The restricted likelihood of the variances of one trial.

    Attributes
    ----------
    V, C, G
        (c, k, k), (c, p, k) and (c, p, p): random terms first, then groups of burns.
    terms
        How many of the c are random terms.
    back
        (p, p) R⁻¹.
    z, rss, b_ols
        (responses, k), (responses, groups) and (responses, p).
    free
        (groups,) degrees of freedom of rss.
    sizes
        (terms,) the most burns of one level.
    """

    V: Array
    C: Array
    G: Array
    terms: int
    back: Array
    z: Array
    rss: Array
    b_ols: Array
    free: Array
    sizes: Array

    @property
    def dof(self) -> float:
        """Residual degrees of freedom."""
        return float(self.z.shape[1] + self.free.sum())

    def without(self, term: int) -> Restricted:
        """Return the likelihood as if the levels of one term did not differ."""
        V, C, G = (np.delete(part, term, axis=0) for part in (self.V, self.C, self.G))
        return replace(self, V=V, C=C, G=G, terms=self.terms - 1, sizes=np.delete(self.sizes, term))

    def along(self, outer: Array) -> Along:
        """Return the likelihood along the last term's ratio at one point of the others (c,), that term's left at 0."""
        inner = self.terms - 1
        values, E = np.linalg.eigh(np.tensordot(outer, self.V, axes=1))
        if len(values) and values[0] <= RANK * values[-1]:
            return Along(False, 0.0, *(np.zeros(0),) * 2, *(np.zeros((0, 0)),) * 5)
        T = E / np.sqrt(values)
        d = np.zeros(len(values))
        if self.terms:
            d, F = np.linalg.eigh(T.T @ self.V[inner] @ T)
            T, d = T @ F, np.where(d > RANK * max(d[-1], 1e-300), d, 0.0) if len(d) else d
        scale = outer[self.terms :]
        logdet = float(np.log(values).sum() + self.free @ np.log(scale))
        C0, G0 = np.tensordot(outer, self.C, axes=1), np.tensordot(outer, self.G, axes=1)
        C1, G1 = (self.C[inner], self.G[inner]) if self.terms else (0 * C0, 0 * G0)
        return Along(True, logdet, d, self.rss @ (1 / scale), self.z @ T, C0 @ T, C1 @ T, G0, G1)


@dataclass(frozen=True)
class Along:
    """A restricted likelihood along one ratio λ.

    Attributes
    ----------
    proper
        Whether V is positive definite at λ = 0; nothing else is given where it is not.
    logdet
        log|M| + Σ f log φ at λ = 0.
    d
        (k,) M = T⁻ᵀ(I + λ diag(d))T⁻¹.
    rss
        (responses,).
    z
        (responses, k) zT.
    C0, C1, G0, G1
        C T and G at λ = 0 and what λ adds.
    """

    proper: bool
    logdet: float
    d: Array
    rss: Array
    z: Array
    C0: Array
    C1: Array
    G0: Array
    G1: Array

    def determinant(self, ratio: Array) -> Array:
        """Return the log determinant at each ratio, infinite where V is not positive definite."""
        inflation = 1 + ratio[:, None] * self.d
        bad = np.asarray((inflation <= 0).any(axis=1))
        return np.where(bad, np.inf, self.logdet + np.log(np.where(bad[:, None], 1.0, inflation)).sum(axis=1))

    def quadratic(self, ratio: Array, rows: slice | Codes = slice(None)) -> Array:
        """Return Q (responses, ratios)."""
        with np.errstate(divide="ignore"):
            w = 1 / (1 + ratio[:, None] * self.d)
        return np.asarray(self.rss[rows, None] + self.z[rows] ** 2 @ w.T)

    def variances(self, ratio: Array, L: Array) -> Array:
        """Return the variances (ratios, contrasts) of contrasts in units of s; L (contrasts, p) times R⁻¹."""
        own, more = np.vecdot(L @ self.G0, L), np.vecdot(L @ self.G1, L)
        taken = self._loads(ratio, L)
        with np.errstate(divide="ignore"):
            w = 1 / (1 + ratio[:, None] * self.d)
        return np.asarray(own + ratio[:, None] * more - np.einsum("ick,ick,ik->ic", taken, taken, w))

    def _loads(self, ratio: Array, L: Array) -> Array:
        return np.asarray(L @ self.C0 + ratio[:, None, None] * (L @ self.C1))

    def shifts(self, ratio: Array, L: Array, rows: slice | Codes) -> Array:
        """Return what L b_ols is more than L β̂: (responses, ratios, contrasts)."""
        loads = self._loads(ratio, L) / (1 + ratio[:, None] * self.d)[:, None]
        return np.asarray(np.einsum("rk,ick->ric", self.z[rows], loads, optimize=True))


def restricted(
    X: Array,
    values: Array,
    terms: Sequence[Array],
    groups: Codes | None = None,
    count: int = 1,
    known: Sequence[tuple[float, Array]] = (),
    means: int = 0,
) -> Restricted:
    """Return the restricted likelihood of responses (responses, burns).

    Parameters
    ----------
    X
        (burns, p) of full rank.
    terms
        (burns, levels) indicators of each random term.
    groups, count
        Which burns share an SD, and how many groups there are; None: all.
    known
        Ratios that are taken as known, each with the indicators of its term.
    means
        How many columns of X are means, to which the level of the values belongs.
    """
    level = values.mean(axis=1, keepdims=True)
    y = values - level
    if known:
        whole = np.eye(len(X)) + sum(ratio * (Z @ Z.T) for ratio, Z in known)
        half = np.linalg.inv(np.linalg.cholesky(whole))
        X, y, terms = half @ X, y @ half.T, [half @ Z for Z in terms]
    codes = np.zeros(len(X), dtype=np.int64) if groups is None else groups
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
    inside = y @ U
    left = (y - inside @ U.T) ** 2
    rss = np.stack([left[:, codes == g].sum(axis=1) for g in range(count)], axis=1)
    free = np.array([float((codes == g).sum() - (own == g).sum()) for g in range(count)])
    found = reduced(U.T @ X, [U.T @ Z for Z in terms], own, inside, np.where(free > 0, rss, 0.0), free)
    found.b_ols[:, :means] += level
    return replace(found, sizes=np.array([float((Z**2).sum(axis=0).max()) for Z in terms]))


def reduced(X: Array, terms: Sequence[Array], group: Codes, y: Array, rss: Array, free: Array) -> Restricted:
    """Return the same from U'X (r, p), U'Z (r, levels), the groups of U's columns, yU (responses, r), and the rest."""
    whole, R = np.linalg.qr(X, mode="complete")
    p = X.shape[1]
    Q, K, R = whole[:, :p], whole[:, p:], R[:p]
    halves = [*terms, *(np.eye(len(group))[:, group == g] for g in range(len(free)))]
    k_half, q_half = [K.T @ half for half in halves], [Q.T @ half for half in halves]
    return Restricted(
        np.array([a @ a.T for a in k_half]),
        np.array([q @ a.T for q, a in zip(q_half, k_half, strict=True)]),
        np.array([q @ q.T for q in q_half]),
        len(terms),
        np.linalg.inv(R),
        y @ K,
        rss,
        np.linalg.solve(R, Q.T @ y.T).T,
        free,
        np.array([float((Z**2).sum(axis=0).max()) for Z in terms]),
    )
