"""The control chart of the control fuel: seasons and days against limits made of bag, day and burn spread.

A Shewhart chart (Shewhart 1931; ISO 7870-2) whose limits are set for the chart as a whole: where nothing
changed, five charts in a hundred show a signal anywhere.  That share is divided among four rules.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from kit.history.pooled import TERMS, Block, Pooled, SeasonMeans

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]
FALSE_ALARMS: Final = 0.05
SHARES: Final = {"drift": 0.3, "step": 0.5, "season": 0.1, "day": 0.1}
"""How the chart's false-alarm rate is divided among its rules (Bonferroni)."""
RULES: Final = {
    "drift": "the control fuel moves steadily over the seasons",
    "step": "the seasons from one on lie apart from all before it",
    "season": "one season lies beyond its limits",
    "day": "one day lies beyond its limits",
}
DRAWS, SEED = 20_000, 1
DAYS_A_YEAR: Final = 365.25


@dataclass(frozen=True, eq=False)
class Chart:
    """The chart of one metric, on the analysis scale.

    Attributes
    ----------
    centre
        Weighted mean of the control fuel over all seasons.
    seasons
        season, first_day, value, se, low, high (limits), n, outside.
    days
        season, day, value, se, low, high, n, outside.
    signals
        rule, where, size, se, low, high (95 % interval of the size).
    drift
        A row: per_year, change (first to last season), se, low, high, df, signal; empty below three seasons.
    """

    centre: float
    seasons: pd.DataFrame
    days: pd.DataFrame
    signals: pd.DataFrame
    drift: pd.DataFrame


def control_chart(
    blocks: list[Block],
    means: list[SeasonMeans],
    pooled: Pooled,
    control: str,
    first_days: dict[str, str],
    day_names: dict[str, list[str]],
) -> Chart:
    """Return the chart of the control fuel over the seasons in which it was burned, in their order.

    Parameters
    ----------
    blocks, means
        Of the same seasons.
    pooled
        The variances that make the limits.
    first_days, day_names
        First day of each season; the day of each burn of its block.
    """
    import pandas as pd

    found = [each.of({control: 1.0}) for each in means]
    m, phi = (np.array(each) for each in zip(*found, strict=True))
    times = _years([first_days[each.season] for each in means])
    centre = float(np.average(m, weights=1 / phi))
    df = pooled.df_total
    seasons = _season_points(blocks, control, first_days, m, phi, centre, df)
    days = pd.concat(
        [_day_points(block, pooled, control, day_names[block.season]) for block in blocks], ignore_index=True
    )
    days = _day_limits(days, centre, df)
    drift = _drift(m, phi, times, df)
    signals = [
        *_step_signals(seasons, m, phi, df),
        *_drift_signals(drift),
        *_outside(seasons, days, centre, df),
    ]
    names = ["rule", "where", "size", "se", "low", "high"]
    return Chart(centre, seasons, days, pd.DataFrame(signals, columns=names), drift)


def _years(days: list[str]) -> Array:
    numbers = [date.fromisoformat(day[:10]).toordinal() if day else 0 for day in days]
    return (np.array(numbers, dtype=float) - numbers[0]) / DAYS_A_YEAR


def _t(share: float, looks: int, df: float) -> float:
    """Return the two-sided limit at a share of the false-alarm rate, divided by the points looked at (Bonferroni)."""
    from scipy.special import stdtrit

    return float(stdtrit(min(df, 1e9), 1 - FALSE_ALARMS * share / (2 * max(looks, 1))))


def _season_points(
    blocks: list[Block],
    control: str,
    first_days: dict[str, str],
    m: Array,
    phi: Array,
    centre: float,
    df: float,
) -> pd.DataFrame:
    import pandas as pd

    # a season is part of the centre it is held against: var(m - centre) = φ - 1/Σ(1/φ)
    sd = np.sqrt(np.maximum(phi - 1 / (1 / phi).sum(), 0.0))
    half = _t(SHARES["season"], len(m), df) * sd
    table = pd.DataFrame(
        {
            "season": [block.season for block in blocks],
            "first_day": [first_days[block.season] for block in blocks],
            "value": m,
            "se": np.sqrt(phi),
            "low": centre - half,
            "high": centre + half,
            "n": [int(block.X[:, block.fuels.index(control)].sum()) for block in blocks],
        }
    )
    return table.assign(outside=(np.abs(m - centre) > half) & (len(m) > 1))


def _day_points(block: Block, pooled: Pooled, control: str, days: list[str]) -> pd.DataFrame:
    import pandas as pd

    rows = []
    burned = block.X[:, block.fuels.index(control)] > 0
    labels = np.array(days, dtype=object)
    for day in dict.fromkeys(labels[burned]):
        here = np.flatnonzero(burned & (labels == day))
        pair = np.ix_(here, here)
        spread = sum(pooled.variance(term) * float(block.G[k][pair].sum()) for k, term in enumerate(TERMS))
        rows.append(
            (block.season, day, float(block.y[here].mean()), float(np.sqrt(spread)) / len(here), len(here))
        )
    return pd.DataFrame(rows, columns=["season", "day", "value", "se", "n"])


def _day_limits(days: pd.DataFrame, centre: float, df: float) -> pd.DataFrame:
    half = _t(SHARES["day"], len(days), df) * days["se"].to_numpy(float)
    outside = np.abs(days["value"].to_numpy(float) - centre) > half
    return days.assign(low=centre - half, high=centre + half, outside=outside)


def _drift(m: Array, phi: Array, times: Array, df: float) -> pd.DataFrame:
    """Return the weighted straight line through the seasons, where there are three and they differ in time."""
    import pandas as pd

    names = ["per_year", "change", "se", "low", "high", "df", "signal"]
    if len(m) < 3 or np.ptp(times) <= 0:
        return pd.DataFrame(columns=names)
    w = 1 / phi
    centred = times - np.average(times, weights=w)
    information = float(w @ centred**2)
    slope, span = float(w @ (centred * m)) / information, float(np.ptp(times))
    change, se = slope * span, span / np.sqrt(information)
    half = _interval(df) * se
    signal = abs(change) > _t(SHARES["drift"], 1, df) * se
    return pd.DataFrame([(slope, change, se, change - half, change + half, df, signal)], columns=names)


def _interval(df: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(min(df, 1e9), 0.975))


def _steps(m: Array, phi: Array) -> tuple[Array, Array]:
    """Return for each place between seasons how far the means after lie above those before, and its variance.

    Parameters
    ----------
    m
        (…, S): means of the seasons, one row a drawing.
    """
    w = 1 / phi
    before, total = np.cumsum(w)[:-1], w.sum()
    sums = np.cumsum(w * m, axis=-1)
    first = sums[..., :-1] / before
    after = (sums[..., -1:] - sums[..., :-1]) / (total - before)
    return after - first, 1 / before + 1 / (total - before)


def step_limit(phi: Array, df: float) -> float:
    """Return the limit that the largest of all steps, in standard errors, passes at its share of false alarms.

    By drawing seasons in which nothing changed, since the steps of one series hang together.
    """
    rng = np.random.default_rng(SEED)
    drawn = rng.normal(size=(DRAWS, len(phi))) * np.sqrt(phi)
    size, variance = _steps(drawn, phi)
    scale = np.sqrt(rng.chisquare(df, DRAWS) / df) if np.isfinite(df) else np.ones(DRAWS)
    largest = np.abs(size / np.sqrt(variance)).max(axis=-1) / scale
    return float(np.quantile(largest, 1 - FALSE_ALARMS * SHARES["step"]))


def _step_signals(seasons: pd.DataFrame, m: Array, phi: Array, df: float) -> list[tuple[object, ...]]:
    if len(m) < 2:
        return []
    size, variance = _steps(m, phi)
    se = np.sqrt(variance)
    k = int(np.argmax(np.abs(size) / se))
    if abs(size[k]) <= step_limit(phi, df) * se[k]:
        return []
    half = _interval(df) * se[k]
    where = f"from {seasons['season'].iloc[k + 1]} on"
    return [("step", where, size[k], se[k], size[k] - half, size[k] + half)]


def _drift_signals(drift: pd.DataFrame) -> list[tuple[object, ...]]:
    return [
        ("drift", "first to last season", row.change, row.se, row.low, row.high)
        for row in drift.itertuples(index=False)
        if row.signal
    ]


def _outside(seasons: pd.DataFrame, days: pd.DataFrame, centre: float, df: float) -> list[tuple[object, ...]]:
    told: list[tuple[object, ...]] = []
    for rule, table in (("season", seasons), ("day", days)):
        for row in table[table["outside"]].to_dict("records"):
            size, half = row["value"] - centre, _interval(df) * row["se"]
            told.append((rule, row[rule], size, row["se"], size - half, size + half))
    return told
