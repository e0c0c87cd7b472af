"""Curves cut into pieces of one set of burns, and the bags' means, weights and residual curves in each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from kit.judge.curve_spreads import Ratios, variance_ratios
from kit.judge.curve_units import Array, Codes, Mask, Units
from kit.variance.columns import levels_of

ROUNDING = 1e-10
"""Bags that agree to this share of their values agree."""


@dataclass(frozen=True, eq=False)
class Piece:
    """The times at which one set of burns is there.

    With V the variance matrix of the units' means, up to a factor, and S = V^-½:

    Attributes
    ----------
    times
        (k) places on the grid.
    n
        (fuels) burns of each.
    df
        Units there, less fuels there: degrees of freedom of what units of one fuel differ by.
    variance
        (fuels, fuels) of the means, up to the same factor; NaN for a fuel that is not there.
    mean
        (fuels, k) generalised least squares of the units; NaN for a fuel that is not there.
    rest
        (units, k) S × (unit's mean − fuel's mean); 0 for a unit that is not there.
    here
        (units) which are there.
    taken
        (units, fuels there) orthonormal directions of S that the means take up.
    banded
        Whether enough units are left for limits: half of the degrees of freedom that the trial has at its
        fullest, and two, or all that it ever has.
    """

    times: Codes
    n: Codes
    df: int
    variance: Array
    mean: Array
    rest: Array
    here: Mask
    taken: Array
    banded: bool

    @property
    def spread(self) -> Array:
        """(k) factor of V, as a standard deviation; NaN where there are no limits."""
        squares = (self.rest**2).sum(axis=0)
        return np.sqrt(squares / self.df) if self.banded else np.full(len(squares), np.nan)

    def leftover(self, draws: Array) -> Array:
        """Return the squared length of directions (draws, units) within the space of the residuals."""
        here = draws * self.here
        left: Array = np.maximum((here**2).sum(axis=1) - ((here @ self.taken) ** 2).sum(axis=1), 0.0)
        return left


def pieces_of(units: Units) -> list[Piece]:
    """Return the pieces in the order of time: a new one begins where a burn comes or goes."""
    there = np.isfinite(units.celsius)
    if not there.any():
        return []
    changes = np.flatnonzero((there[:, 1:] != there[:, :-1]).any(axis=0)) + 1
    parts = [part for part in np.split(np.arange(there.shape[1]), changes) if there[:, part[0]].any()]
    ratios = variance_ratios(units, parts)
    freedom = [_freedom(units, there[:, part[0]]) for part in parts]
    least = max(1, min(max(freedom), max(2, -(-max(freedom) // 2))))
    return [
        _piece(units, part, there[:, part[0]], ratios, df, df >= least)
        for part, df in zip(parts, freedom, strict=True)
    ]


def _freedom(units: Units, burns: Mask) -> int:
    """Return the degrees of freedom: units there less fuels there."""
    there = np.unique(units.unit[burns])
    return len(there) - len(np.unique(units.fuel[there]))


def _piece(units: Units, part: Codes, burns: Mask, ratios: Ratios, df: int, banded: bool) -> Piece:
    count = np.bincount(units.unit[burns], minlength=len(units.fuel)).astype(np.float64)
    here, fuels = np.flatnonzero(count), np.unique(units.fuel[count > 0])
    averaging = (units.unit[burns] == here[:, None]) / count[here, None]
    means = averaging @ units.celsius[np.ix_(burns, part)]
    root = _root(averaging, units.day[burns], count[here], ratios)
    belongs = (units.fuel[here, None] == fuels).astype(np.float64)
    taken, triangle = np.linalg.qr(root @ belongs)
    back = np.linalg.inv(triangle)
    mean = back @ (taken.T @ (root @ means))
    off = means - belongs @ mean
    rest = root @ np.where(np.abs(off) > ROUNDING * (1 + np.abs(means)), off, 0.0)
    m, whole = len(units.fuels), np.ix_(fuels, fuels)
    return Piece(
        part,
        np.bincount(units.fuel[units.unit[burns]], minlength=m),
        df,
        _laid_out((m, m), whole, back @ back.T, np.nan),
        _laid_out((m, len(part)), fuels, mean, np.nan),
        _laid_out((len(count), len(part)), here, rest, 0.0),
        count > 0,
        _laid_out((len(count), len(fuels)), here, taken, 0.0),
        banded,
    )


def _root(averaging: Array, day: Codes, count: Array, ratios: Ratios) -> Array:
    """Return V^-½ of units' means, V in variances of a burn: their own, their bag's, and the days they share."""
    alone = ratios.bag + 1 / count
    if ratios.day == 0:
        return np.diag(1 / np.sqrt(alone))
    days = averaging @ levels_of(day).indicators
    values, vectors = np.linalg.eigh(np.diag(alone) + ratios.day * (days @ days.T))
    root: Array = (vectors / np.sqrt(values)) @ vectors.T
    return root


def _laid_out(shape: tuple[int, int], place: Any, values: Array, empty: float) -> Array:
    whole = np.full(shape, empty)
    whole[place] = values
    return whole
