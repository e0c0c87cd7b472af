"""Fuels over the seasons: means with the spread from season to season in them, and whether a product changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kit.judge.verdicts import verdict_of

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Cell:
    """One fuel in one season: a value on the analysis scale, its variance, and burns behind it."""

    season: str
    fuel: str
    value: float
    variance: float
    n: int


@dataclass(frozen=True)
class SeasonSpread:
    """Variance from season to season of one fuel, beyond what bags, days and burns explain.

    Attributes
    ----------
    variance
        Estimated, bounded at zero.
    uncertainty
        Variance of that estimate.
    df
        Seasons less one: all fuels of a season share what was odd about it.
    """

    variance: float
    uncertainty: float
    df: int

    @property
    def known(self) -> bool:
        """Whether any fuel came again, so that it could be estimated."""
        return self.df > 0


def by_fuel(cells: Sequence[Cell]) -> dict[str, list[Cell]]:
    """Return the cells of each fuel, in the order given."""
    found: dict[str, list[Cell]] = {}
    for cell in cells:
        found.setdefault(cell.fuel, []).append(cell)
    return found


def season_spread(cells: Sequence[Cell], df_within: float) -> SeasonSpread:
    """Return the variance from season to season from fuels that came again, by the method of moments.

    For each fuel E Σ(y - ȳ)² = (k - 1) σ²_season + (1 - 1/k) Σ var(y); summed over fuels and solved
    (DerSimonian and Laird 1986 with equal weights).
    """
    squares, within, freedom, seasons = 0.0, 0.0, 0, set()
    for group in by_fuel(cells).values():
        k = len(group)
        if k < 2:
            continue
        values = np.array([cell.value for cell in group])
        squares += float(((values - values.mean()) ** 2).sum())
        within += (1 - 1 / k) * sum(cell.variance for cell in group)
        freedom += k - 1
        seasons |= {cell.season for cell in group}
    if not freedom:
        return SeasonSpread(0.0, 0.0, 0)
    mean_square, mean_within, df = squares / freedom, within / freedom, len(seasons) - 1
    uncertainty = 2 * mean_square**2 / df + 2 * mean_within**2 / df_within
    return SeasonSpread(max(0.0, mean_square - mean_within), uncertainty, df)


def fuel_table(cells: Sequence[Cell], spread: SeasonSpread, df_within: float) -> pd.DataFrame:
    """Return mean and 95 % interval of each fuel over its seasons: fuel, mean, se, df, low, high, seasons, n.

    The interval holds for the fuel over seasons like these: the spread from season to season is in it
    wherever it could be estimated.  Degrees of freedom are Satterthwaite's for the sum of the two parts.
    """
    import pandas as pd
    from scipy.special import stdtrit

    rows = []
    for fuel, group in by_fuel(cells).items():
        k = len(group)
        within = sum(cell.variance for cell in group) / k**2
        variance = spread.variance / k + within
        doubt = spread.uncertainty / k**2 + 2 * within**2 / df_within
        df = 2 * variance**2 / doubt
        mean, se = float(np.mean([cell.value for cell in group])), float(np.sqrt(variance))
        half = float(stdtrit(max(df, 1.0), 0.975)) * se
        rows.append((fuel, mean, se, df, mean - half, mean + half, k, sum(cell.n for cell in group)))
    return pd.DataFrame(rows, columns=["fuel", "mean", "se", "df", "low", "high", "seasons", "n"])


def came_again(cells: Sequence[Cell], df_within: float, margin: float | None, shared: float) -> pd.DataFrame:
    """Return for each fuel that came again how far its newest season lies from the mean of those before.

    Columns fuel, season, change, se, df, low, high (simultaneous over the fuels, Bonferroni), verdict, seasons.

    Parameters
    ----------
    cells
        In the order of the seasons; differences from the control fuel where it was burned along.
    margin
        The smallest change that matters; None where none was declared.
    shared
        Variance from season to season to reckon with where there is no control fuel to take it out, else 0.
    """
    import pandas as pd
    from scipy.special import stdtrit

    again = {fuel: group for fuel, group in by_fuel(cells).items() if len(group) > 1}
    t = float(stdtrit(df_within, 1 - 0.025 / max(len(again), 1)))
    rows = []
    for fuel, group in again.items():
        *before, last = group
        k = len(before)
        change = last.value - float(np.mean([cell.value for cell in before]))
        within = last.variance + sum(cell.variance for cell in before) / k**2
        se = float(np.sqrt(within + shared * (1 + 1 / k)))
        low, high = change - t * se, change + t * se
        verdict = verdict_of(low, high, margin).verdict
        rows.append((fuel, last.season, change, se, df_within, low, high, verdict, len(group)))
    names = ["fuel", "season", "change", "se", "df", "low", "high", "verdict", "seasons"]
    return pd.DataFrame(rows, columns=names)
