"""Curves cut into pieces of one set of burns, and the bags' means, weights and residual curves in each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from kit.burns import Curves

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

ROUNDING = 1e-10
"""Bags that agree to this share of their values agree."""


@dataclass(frozen=True, eq=False)
class Units:
    """The burns that count, with the unit each belongs to: its bag, or itself where no bag was noted.

    Attributes
    ----------
    celsius
        (burns, times).
    unit
        (burns) code of its unit.
    fuel
        (units) code of its fuel.
    fuels
        Fuels in the order of the burns.
    by_bag
        Whether units are bags.
    """

    celsius: Array
    unit: Codes
    fuel: Codes
    fuels: tuple[str, ...]
    by_bag: bool


def units_of(curves: Curves) -> Units:
    """Return the counted burns by bag; bags are counted within fuels, blank ones as one of their own."""
    kept = np.flatnonzero(curves.counted)
    fuels = tuple(dict.fromkeys(curves.fuel[i] for i in kept))
    by_bag = any(curves.bag[i] for i in kept)
    names = [(curves.fuel[i], curves.bag[i] if by_bag else curves.burn[i]) for i in kept]
    known = {name: code for code, name in enumerate(dict.fromkeys(names))}
    return Units(
        curves.celsius[kept],
        np.array([known[name] for name in names], dtype=np.int64),
        np.array([fuels.index(fuel) for fuel, _ in known], dtype=np.int64),
        fuels,
        by_bag,
    )


@dataclass(frozen=True, eq=False)
class Piece:
    """The times at which one set of burns is there.

    Attributes
    ----------
    times
        (k) places on the grid.
    n
        (fuels) burns of each.
    df
        Units there, less fuels there: degrees of freedom of what units of one fuel differ by.
    root
        (units) √weight; 0 for a unit that is not there.
    total
        (fuels) summed weight; 0 for a fuel that is not there.
    mean
        (fuels, k) weighted mean of the units; NaN for a fuel that is not there.
    rest
        (units, k) √weight × (unit's mean − fuel's mean).
    fuel_of
        (units) code of its fuel.
    banded
        Whether enough units are left for limits: half of the degrees of freedom that the trial has at its
        fullest, and two, or all that it ever has.
    """

    times: Codes
    n: Codes
    df: int
    root: Array
    total: Array
    mean: Array
    rest: Array
    fuel_of: Codes
    banded: bool

    @property
    def spread(self) -> Array:
        """(k) standard deviation of a unit of weight 1; NaN where there are no limits."""
        squares = (self.rest**2).sum(axis=0)
        return np.sqrt(squares / self.df) if self.banded else np.full(len(squares), np.nan)

    def leftover(self, draws: Array) -> Array:
        """Return the squared length of directions (draws, units) within the space of the residuals."""
        here = draws * (self.root > 0)
        there = self.total > 0
        along = np.zeros((len(draws), len(self.total)))
        weighted = here * self.root
        for fuel in np.flatnonzero(there):
            along[:, fuel] = weighted[:, self.fuel_of == fuel].sum(axis=1)
        taken: Array = (along[:, there] ** 2 / self.total[there]).sum(axis=1)
        left: Array = np.maximum((here**2).sum(axis=1) - taken, 0.0)
        return left


def pieces_of(units: Units) -> list[Piece]:
    """Return the pieces in the order of time: a new one begins where a burn comes or goes."""
    there = np.isfinite(units.celsius)
    if not there.any():
        return []
    changes = np.flatnonzero((there[:, 1:] != there[:, :-1]).any(axis=0)) + 1
    parts = [part for part in np.split(np.arange(there.shape[1]), changes) if there[:, part[0]].any()]
    ratio = variance_ratio(units, parts)
    freedom = [_freedom(units, there[:, part[0]]) for part in parts]
    least = max(1, min(max(freedom), max(2, -(-max(freedom) // 2))))
    return [
        _piece(units, part, there[:, part[0]], ratio, df, df >= least)
        for part, df in zip(parts, freedom, strict=True)
    ]


def _freedom(units: Units, burns: Mask) -> int:
    """Return the degrees of freedom: units there less fuels there."""
    there = np.unique(units.unit[burns])
    return len(there) - len(np.unique(units.fuel[there]))


def _unit_means(units: Units, part: Codes, burns: Mask) -> tuple[Array, Array]:
    """Return burns and mean curve of each unit that has burns there (zero else)."""
    count = np.bincount(units.unit[burns], minlength=len(units.fuel)).astype(np.float64)
    sums = np.zeros((len(units.fuel), len(part)))
    np.add.at(sums, units.unit[burns], units.celsius[np.ix_(burns, part)])
    return count, sums / np.maximum(count, 1)[:, None]


def _piece(units: Units, part: Codes, burns: Mask, ratio: float, df: int, banded: bool) -> Piece:
    count, means = _unit_means(units, part, burns)
    weight = np.where(count > 0, count / (1 + ratio * count), 0.0)
    fuels = len(units.fuels)
    total = np.bincount(units.fuel, weight, fuels).astype(np.float64)
    sums = np.zeros((fuels, len(part)))
    np.add.at(sums, units.fuel, weight[:, None] * means)
    with np.errstate(invalid="ignore"):
        mean = np.where(total[:, None] > 0, sums / total[:, None], np.nan)
    root: Array = np.sqrt(weight)
    off = means - mean[units.fuel]
    real = (count[:, None] > 0) & (np.abs(off) > ROUNDING * (1 + np.abs(means)))
    rest = np.where(real, root[:, None] * off, 0.0)
    n = np.bincount(units.fuel[units.unit[burns]], minlength=fuels)
    return Piece(part, n, df, root, total, mean, rest, units.fuel, banded)


def variance_ratio(units: Units, parts: Sequence[Codes]) -> float:
    """Return the ratio of the variances between and within bags, one for the whole curve; 0 at the least.

    By moments: with SSA between and SSE within bags summed over all times, σ²_burn = ΣSSE/ΣdfE and
    σ²_bag = (ΣSSA − ΣdfA σ²_burn)/Σ(N − Σ_f Σ n_b²/N_f) (Searle, Casella & McCulloch 1992, section 3.6).
    It weighs bags with unequal numbers of burns; with equal ones the curves do not depend on it.
    """
    between = within = df_between = df_within = size = 0.0
    there = np.isfinite(units.celsius)
    for part in parts:
        burns = there[:, part[0]]
        count, means = _unit_means(units, part, burns)
        fuel_n = np.bincount(units.fuel, count, len(units.fuels))
        sums = np.zeros((len(units.fuels), len(part)))
        np.add.at(sums, units.fuel, count[:, None] * means)
        centre = (sums / np.maximum(fuel_n, 1)[:, None])[units.fuel]
        between += float((count[:, None] * (means - centre) ** 2).sum())
        within += float(((units.celsius[np.ix_(burns, part)] - means[units.unit[burns]]) ** 2).sum())
        df_between += len(part) * float((count > 0).sum() - (fuel_n > 0).sum())
        df_within += len(part) * float(burns.sum() - (count > 0).sum())
        squares = np.bincount(units.fuel, count**2, len(units.fuels)) / np.maximum(fuel_n, 1)
        size += len(part) * float(burns.sum() - squares.sum())
    if df_within <= 0 or size <= 0:
        return 0.0
    burn = within / df_within
    bag = max(0.0, (between - df_between * burn) / size)
    return min(bag / burn, 1e6) if burn > 0 else 1e6
