"""The control chart of the control fuel: seasons and days against limits made of bag, day and burn spread.

A Shewhart chart (Shewhart 1931; ISO 7870-2) whose limits are set for the chart as a whole: where nothing changed, five
charts in a hundred show a signal anywhere.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from kit.history.pooled import TERMS, Block, Pooled, SeasonMeans
from kit.variance.burn_arrays import Array

RULES: Final = {
    "drift": "the control fuel moves steadily over the seasons",
    "step": "the seasons from one on lie apart from all before it",
    "season": "one season lies beyond its limits",
    "day": "one day lies beyond its limits",
}
LEVEL_RULES: Final = ("drift", "step", "season")
DAYS_A_YEAR: Final = 365.25
FALSE_ALARMS: Final = 0.05
SHARES: Final = {"drift": 0.3, "step": 0.5, "season": 0.1, "day": 0.1}
"""How the chart's false alarms are divided among its rules, before what two rules see together is counted once."""
DRAWS, CHUNK, SEED = 20_000, 2_000, 1


@dataclass(frozen=True)
class Limits:
    """Limit of each rule in standard errors of its own statistic, and how often it alone errs."""

    limits: Mapping[str, float]
    rates: Mapping[str, float]


def steps(m: Array, phi: Array) -> tuple[Array, Array]:
    """Return for each place between seasons how far the means after lie above those before, and its variance.

    Parameters
    ----------
    m
        (…, S): means of the seasons, one row a drawing.
    phi
        (S,): their variances.
    """
    w = 1 / phi
    before, total = np.cumsum(w)[:-1], w.sum()
    sums = np.cumsum(w * m, axis=-1)
    first = sums[..., :-1] / before
    after = (sums[..., -1:] - sums[..., :-1]) / (total - before)
    return after - first, 1 / before + 1 / (total - before)


def line(m: Array, phi: Array, times: Array) -> tuple[Array, float]:
    """Return the slope of the weighted straight line through the seasons, and its variance."""
    w = 1 / phi
    centred = times - np.average(times, weights=w)
    information = float(w @ centred**2)
    return (m @ (w * centred)) / information, 1 / information


def from_centre(m: Array, phi: Array) -> tuple[Array, Array]:
    """Return each season's distance from the weighted mean of all, itself among them, and its variance."""
    w = 1 / phi
    centre = (m @ w) / w.sum()
    return m - np.expand_dims(centre, -1), phi * (1 - w / w.sum())


def t_of(df: Any, below: float = 0.975) -> Any:
    """Return Student's t below which such a share lies; half a 95 % interval in standard errors."""
    return stdtrit(np.minimum(df, 1e9), below)


def limits_of(phi: Array, times: Array, days: int, df: float) -> Limits:
    """Return the limits with which five of a hundred charts without any change show a signal.

    Days are taken as independent of one another and of the seasons' rules, which errs on the safe side.

    Parameters
    ----------
    phi
        (S,): variances of the control fuel's season means.
    times
        (S,): years since the first season.
    days
        Days on which the control fuel was burned.
    df
        Degrees of freedom of the variances.
    """
    drawn: dict[str, Array] = {}  # the statistic of each rule, of seasons in which nothing changed
    if len(phi) > 1:
        rng = np.random.default_rng(SEED)
        chunks = (rng.normal(size=(CHUNK, len(phi))) * np.sqrt(phi) for _ in range(DRAWS // CHUNK))
        parts = [_statistics(chunk, phi, times) for chunk in chunks]
        scale = np.sqrt(rng.chisquare(df, DRAWS) / df) if np.isfinite(df) else np.ones(DRAWS)
        drawn = {rule: np.concatenate([part[rule] for part in parts]) / scale for rule in parts[0]}
    share = SHARES["day"] if drawn else 1.0
    day = 1 - (1 - FALSE_ALARMS * share) ** (1 / max(days, 1))
    limits = {"day": float(t_of(df, 1 - day / 2))}
    rates = {"day": FALSE_ALARMS * share}
    if drawn:
        rest = 1 - (1 - FALSE_ALARMS) / (1 - rates["day"])
        ranks = (-pd.DataFrame(drawn)).rank(method="first") / DRAWS
        widening = float((ranks / pd.Series(SHARES)[list(drawn)]).min(axis=1).quantile(rest))
        for rule, each in drawn.items():
            rates[rule] = min(1.0, widening * SHARES[rule])
            limits[rule] = float(np.quantile(each, 1 - rates[rule]))
    return Limits(limits, rates)


def _statistics(m: Array, phi: Array, times: Array) -> dict[str, Array]:
    size, variance = steps(m, phi)
    away, own = from_centre(m, phi)
    found = {
        "step": np.abs(size / np.sqrt(variance)).max(axis=-1),
        "season": np.abs(away / np.sqrt(own)).max(axis=-1),
    }
    if can_drift(times):
        slope, of_slope = line(m, phi, times)
        found["drift"] = np.abs(slope) / np.sqrt(of_slope)
    return found


def can_drift(times: Array) -> bool:
    """Return whether there are seasons enough for a straight line: three, at different times."""
    return len(times) > 2 and float(np.ptp(times)) > 0


@dataclass(frozen=True, eq=False)
class Chart:
    """The chart of one metric, on the analysis scale.

    Attributes
    ----------
    centre, limits
        Weighted mean of the control fuel over all seasons; limits of the rules, and how often each errs.
    seasons
        season, first_day, value, se, low, high (limits), n, outside.
    days
        season, day, value, se, low, high (limits), n, outside.
    signals
        rule, where, size, se, low, high (95 % interval of the size).
    drift
        A row: per_year, change (first to last season), se, low, high, df, signal; empty below three seasons.
    """

    centre: float
    limits: Limits
    seasons: pd.DataFrame
    days: pd.DataFrame
    signals: pd.DataFrame
    drift: pd.DataFrame

    @property
    def moved(self) -> bool:
        """Whether a rule about seasons says that the level moved; a day beyond its limits is no such."""
        return bool(self.signals["rule"].isin(LEVEL_RULES).any())


def control_chart(
    means: Sequence[SeasonMeans], pooled: Pooled, control: str, first_days: Mapping[str, str]
) -> Chart:
    """Return the chart of the control fuel over the seasons in which it was burned, in their order.

    Parameters
    ----------
    means
        Of those seasons.
    pooled
        The variances that make the limits.
    control
        The control fuel.
    first_days
        The day that puts each season in order, yyyy-mm-dd.
    """
    blocks = [each.block for each in means]
    m, phi = (np.array(each) for each in zip(*(each.of({control: 1.0}) for each in means), strict=True))
    dated = [first_days[block.season] for block in blocks]
    numbers = np.array([date.fromisoformat(day).toordinal() for day in dated], dtype=float)
    times = (numbers - numbers[0]) / DAYS_A_YEAR
    days = pd.concat([_day_points(block, pooled, control) for block in blocks], ignore_index=True)
    names, df = [block.season for block in blocks], pooled.df_total
    limits = limits_of(phi, times, len(days), df)
    centre = float(np.average(m, weights=1 / phi))
    away, variance = from_centre(m, phi)
    columns = {"season": names, "first_day": dated, "value": m, "se": np.sqrt(variance)}
    columns["n"] = [block.sizes[control] for block in blocks]
    seasons = _held(pd.DataFrame(columns), away, limits.limits.get("season", np.nan), centre)
    days = _held(days, days["value"].to_numpy(float) - centre, limits.limits["day"], centre)
    signals: list[tuple[str, str, float, float]] = []
    drift = pd.DataFrame(columns=["per_year", "change", "se", "low", "high", "df", "signal"])
    if can_drift(times):
        slope, of_slope = line(m, phi, times)
        span = float(np.ptp(times))
        change, se = float(slope) * span, span * float(np.sqrt(of_slope))
        reach, signal = t_of(df) * se, abs(change) > limits.limits["drift"] * se
        row = (float(slope), change, se, change - reach, change + reach, df, signal)
        drift = pd.DataFrame([row], columns=drift.columns)
        signals += [("drift", "first to last season", change, se)] if signal else []
    if len(m) > 1:
        size, of_size = steps(m, phi)
        k = int(np.argmax(np.abs(size) / np.sqrt(of_size)))
        step_se = np.sqrt(of_size[k])
        if abs(size[k]) > limits.limits["step"] * step_se:
            signals.append(("step", f"from {names[k + 1]} on", size[k], step_se))
    for rule, table in (("season", seasons), ("day", days)):
        beyond = table.loc[table["outside"], [rule, "value", "se"]].to_numpy().tolist()
        signals += [(rule, where, value - centre, se) for where, value, se in beyond]
    found = pd.DataFrame(signals, columns=["rule", "where", "size", "se"])
    half = t_of(df) * found["se"]
    found = found.assign(low=found["size"] - half, high=found["size"] + half)
    return Chart(centre, limits, seasons, days, found, drift)


def _held(table: pd.DataFrame, away: Array, limit: float, centre: float) -> pd.DataFrame:
    half = limit * table["se"].to_numpy(float)
    return table.assign(low=centre - half, high=centre + half, outside=np.abs(away) > half)


def _day_points(block: Block, pooled: Pooled, control: str) -> pd.DataFrame:
    of_bag, of_day, of_burn = (pooled.variance(term) for term in TERMS)
    burns = pd.DataFrame(block.burns, columns=["fuel", "bag", "day", "value"])
    days = burns[burns["fuel"] == control].groupby("day", sort=False)
    n, values = days.size(), days["value"].mean()
    same_bag = days["bag"].agg(lambda bag: (bag.value_counts() ** 2).sum())
    se = np.sqrt(of_day + (of_burn * n + of_bag * same_bag) / n**2)
    return pd.DataFrame({"season": block.season, "day": n.index, "value": values, "se": se, "n": n})
