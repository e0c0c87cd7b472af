"""How much bags and days differ beside the burns of one bag and day, one ratio each for the whole curve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, dataclass

import numpy as np

from kit.judge.curve_units import Array, Codes, Units
from kit.variance.columns import levels_of

MOST_PARTS = 40
_LARGEST = 1e6
_TOLERANCE = 1e-9
_ROUNDING = 1e-12


@dataclass(frozen=True)
class Ratios:
    """Variance between bags, and between days, over the variance between the burns of one bag and day."""

    bag: float
    day: float


@dataclass(frozen=True)
class _Squares:
    """Sums of squares over all times, and what each is expected to be as multiples of the variances.

    Burns: what bags and days leave over. Bags: beyond fuels and days. Days: beyond fuels, bags in it too.
    """

    burns: float
    burn_df: float
    bags: float
    bag_df: float
    bag_size: float
    days: float
    day_df: float
    day_size: float
    bags_in_days: float


def variance_ratios(units: Units, parts: Sequence[Codes]) -> Ratios:
    """Return the ratios by moments, each 0 at the least.

    Parameters
    ----------
    units
        The burns.
    parts
        Places on the grid at which one set of burns is there; the longest 40 are looked at.

    Notes
    -----
    Sums of squares with fuels, bags and days taken out in turn and set equal to their expectations (Searle,
    Casella & McCulloch 1992, section 5.5), summed over all times. Days that cannot be told from bags are left in
    them. Where no bag has two burns to compare, what burns differ by holds what bags do.
    """
    chosen = sorted(parts, key=len, reverse=True)[:MOST_PARTS]
    found = [_squares(units, part) for part in chosen]
    total = _Squares(*(float(sum(each)) for each in zip(*map(astuple, found), strict=True)))
    if total.burn_df <= 0:
        return Ratios(0.0, _day_alone(total))
    burn = total.burns / total.burn_df
    bag = _positive(total.bags - total.bag_df * burn, total.bag_size)
    day = _positive(total.days - total.day_df * burn - total.bags_in_days * bag, total.day_size)
    if burn <= 0:
        return Ratios(_LARGEST, 0.0)
    return Ratios(min(bag / burn, _LARGEST), min(day / burn, _LARGEST))


def _day_alone(total: _Squares) -> float:
    """Return the ratio of days where every unit has one burn: what units differ by on one day is the yardstick."""
    if total.bag_df <= 0 or total.bags <= 0:
        return 0.0
    unit = total.bags / total.bag_df
    return min(_positive(total.days - total.day_df * unit, total.day_size) / unit, _LARGEST)


def _positive(squares: float, size: float) -> float:
    return max(0.0, squares / size) if size > _TOLERANCE else 0.0


def _squares(units: Units, part: Codes) -> _Squares:
    here = np.isfinite(units.celsius[:, part[0]])
    celsius = units.celsius[np.ix_(here, part)]
    unit = units.unit[here]
    bags, days, fuels = (levels_of(codes).indicators for codes in (unit, units.day[here], units.fuel[unit]))
    by_fuel, by_fuel_and_day, by_all = _basis(fuels), _basis(fuels, days), _basis(bags, days)
    if by_all.shape[1] == by_fuel_and_day.shape[1] and bags.shape[1] > fuels.shape[1]:
        days = days[:, :0]
        by_fuel_and_day, by_all = by_fuel, _basis(bags)
    off = celsius - by_fuel @ (by_fuel.T @ celsius)
    whole = float((off**2).sum())
    explained = [float(((basis.T @ off) ** 2).sum()) for basis in (by_fuel_and_day, by_all)]
    k, ranks = len(part), (by_fuel.shape[1], by_fuel_and_day.shape[1], by_all.shape[1])
    return _Squares(
        burns=whole - explained[1] if whole - explained[1] > _ROUNDING * whole else 0.0,
        burn_df=k * (len(off) - ranks[2]),
        bags=explained[1] - explained[0],
        bag_df=k * (ranks[2] - ranks[1]),
        bag_size=k * (len(off) - _caught(by_fuel_and_day, bags)),
        days=explained[0],
        day_df=k * (ranks[1] - ranks[0]),
        day_size=k * (_caught(by_fuel_and_day, days) - _caught(by_fuel, days)),
        bags_in_days=k * (_caught(by_fuel_and_day, bags) - _caught(by_fuel, bags)),
    )


def _caught(basis: Array, indicators: Array) -> float:
    """Return tr(Z'PZ), P the projection on the basis."""
    return float(((basis.T @ indicators) ** 2).sum())


def _basis(*blocks: Array) -> Array:
    """Return orthonormal columns that span those of all blocks."""
    columns = np.hstack(blocks)
    squares, turns = np.linalg.eigh(columns.T @ columns)
    kept = squares > _TOLERANCE * squares[-1]
    basis: Array = columns @ (turns[:, kept] / np.sqrt(squares[kept]))
    return basis
