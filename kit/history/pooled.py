"""Repeatability pooled over seasons, and each season's fuel means with their covariance under it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kit.errors import KitError

Array = NDArray[np.float64]
TERMS = ("bag", "day", "burn")
MOST_STEPS, CLOSE = 200, 1e-9


@dataclass(frozen=True, eq=False)
class Block:
    """The burns of one season: fuels, the day of each burn, y (n), X (n, p) of fuel means, G (3, n, n) of TERMS."""

    season: str
    fuels: tuple[str, ...]
    days: tuple[str, ...]
    y: Array
    X: Array
    G: Array


@dataclass(frozen=True, eq=False)
class Pooled:
    """Variances common to all seasons.

    Attributes
    ----------
    terms, variances
        Of 'bag', 'day' and 'burn' those the designs tell apart, and their variances.
    covariance
        Of the variances, from their expected information.
    """

    terms: tuple[str, ...]
    variances: Array
    covariance: Array

    def df(self, weights: Iterable[float]) -> float:
        """Return degrees of freedom of a weighted sum of the variances, 2 s⁴/var(s²) (Satterthwaite 1946)."""
        w = np.asarray(list(weights))
        variance = float(w @ self.covariance @ w)
        return 2 * float(w @ self.variances) ** 2 / variance if variance > 0 else np.inf

    @property
    def df_total(self) -> float:
        """Degrees of freedom of the variance of one burn from a new bag on another day."""
        return self.df(np.ones(len(self.terms)))

    def variance(self, term: str) -> float:
        """Return a term's variance; 0 where the designs do not tell it apart."""
        return float(self.variances[self.terms.index(term)]) if term in self.terms else 0.0


def block_of(
    season: str, fuel: Sequence[str], bag: Sequence[str], day: Sequence[str], values: Array
) -> Block:
    """Return the block of one season from its burns and their values on the analysis scale."""
    fuels = tuple(dict.fromkeys(fuel))
    X = np.equal.outer(np.array(fuel, dtype=object), np.array(fuels, dtype=object)).astype(float)
    bags = np.array([f"{of}\x1f{label}" for of, label in zip(fuel, bag, strict=True)], dtype=object)
    G = np.stack([_alike(bags), _alike(np.array(day, dtype=object)), np.eye(len(values))])
    return Block(season, fuels, tuple(day), values, X, G)


def _alike(labels: NDArray[Any]) -> Array:
    alike: Array = np.equal.outer(labels, labels).astype(float)
    return alike


def pool(blocks: Sequence[Block]) -> Pooled:
    """Return the variances of bag, day and burn by restricted maximum likelihood over all seasons at once.

    Every season has fuel means of its own; the criterion is a sum over seasons.  Steps are those of the
    expected information: θ = F⁻¹q, F_kl = ½ Σ tr(P G_k P G_l), q_k = ½ Σ y'P G_k P y
    (Patterson and Thompson 1971), with variances bounded at zero.

    Raises
    ------
    KitError
        Where nothing was repeated, or the steps do not settle.
    """
    stacks = _stacks(blocks)
    kept = _told_apart(stacks)
    theta = np.full(len(kept), _start(blocks) / max(len(kept), 1))
    for _ in range(MOST_STEPS):
        F, q = _equations(stacks, kept, theta)
        new = _bounded(F, q)
        close = float(np.abs(new - theta).max()) <= CLOSE * float(new.sum())
        theta = new
        if close:
            F, _ = _equations(stacks, kept, theta)
            return Pooled(tuple(TERMS[k] for k in kept), theta, np.asarray(np.linalg.inv(F), dtype=float))
    raise _fault("pooled variances that do not settle", "Leave out the season that differs most.")


def _fault(found: str, remedy: str) -> KitError:
    return KitError.refuse("pooled repeatability", found, "burns that repeat a fuel", remedy)


def _stacks(blocks: Sequence[Block]) -> list[tuple[Array, Array, Array]]:
    """Stack the blocks of one shape, so that one call works on all of them."""
    in_order = sorted(blocks, key=lambda block: block.X.shape)
    return [
        tuple(np.stack([getattr(block, name) for block in group]) for name in ("y", "X", "G"))  # type: ignore[misc]
        for group in (list(each) for _, each in groupby(in_order, key=lambda block: block.X.shape))
    ]


def _start(blocks: Sequence[Block]) -> float:
    """Return the pooled variance within fuels."""
    total, freedom = 0.0, 0
    for block in blocks:
        means = (block.X.T @ block.y) / block.X.sum(axis=0)
        total += float(((block.y - block.X @ means) ** 2).sum())
        freedom += len(block.y) - block.X.shape[1]
    if freedom <= 0 or total <= 0:
        raise _fault(
            "no fuel burned twice in a season, or no spread at all", "Burn each fuel at least twice."
        )
    return total / freedom


def _told_apart(stacks: Sequence[tuple[Array, Array, Array]]) -> list[int]:
    """Return the terms whose matrices are linearly independent beside the fuel means, burns first, then days."""
    kept = [2]
    for term in (1, 0):
        tried = sorted([*kept, term])
        F, _ = _equations(stacks, tried, np.array([float(k == 2) for k in tried]))
        size = np.sqrt(np.diag(F))
        if (size > 0).all() and np.linalg.cond(F / np.outer(size, size)) < 1e8:
            kept = tried
    return kept


def _equations(
    stacks: Sequence[tuple[Array, Array, Array]], kept: Sequence[int], theta: Array
) -> tuple[Array, Array]:
    F, q = np.zeros((len(kept), len(kept))), np.zeros(len(kept))
    for y, X, G in stacks:
        parts = G[:, kept]
        inverse = np.linalg.inv(np.einsum("k,skij->sij", theta, parts))
        ViX = inverse @ X
        P = inverse - ViX @ np.linalg.solve(np.swapaxes(X, 1, 2) @ ViX, np.swapaxes(ViX, 1, 2))
        PG = P[:, None] @ parts
        Py = np.einsum("sij,sj->si", P, y)
        F += 0.5 * np.einsum("skij,slji->kl", PG, PG, optimize=True)
        q += 0.5 * np.einsum("si,skij,sj->k", Py, parts, Py, optimize=True)
    return F, q


def _bounded(F: Array, q: Array) -> Array:
    """Solve Fθ = q for θ ≥ 0; a variance that would be negative is left at zero.  The last, of burns, stays above."""
    free = np.ones(len(q), dtype=bool)
    while True:
        theta = np.zeros(len(q))
        theta[free] = np.linalg.solve(F[np.ix_(free, free)], q[free])
        below = free & (theta < 0)
        below[-1] = False
        if not below.any():
            theta[-1] = max(theta[-1], 1e-12 * max(float(theta.sum()), 1e-300))
            return theta
        free &= ~below


@dataclass(frozen=True, eq=False)
class SeasonMeans:
    """Fuel means of one season on the analysis scale, with their covariance under the pooled variances."""

    season: str
    fuels: tuple[str, ...]
    means: Array
    covariance: Array

    def of(self, weights: Mapping[str, float]) -> tuple[float, float]:
        """Return value and variance of a weighted sum of the fuels' means."""
        w = np.array([weights.get(fuel, 0.0) for fuel in self.fuels])
        return float(w @ self.means), float(w @ self.covariance @ w)


def season_means(block: Block, pooled: Pooled) -> SeasonMeans:
    """Return the fuel means of one season by generalised least squares under the pooled variances."""
    V = sum(pooled.variance(term) * block.G[k] for k, term in enumerate(TERMS))
    ViX = np.linalg.solve(V, block.X)
    covariance: Array = np.asarray(np.linalg.inv(block.X.T @ ViX), dtype=float)
    return SeasonMeans(block.season, block.fuels, covariance @ (ViX.T @ block.y), covariance)
