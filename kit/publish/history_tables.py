"""A history in words and tables: one tidy table a key, for results.json, the CSV files and the page."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from kit.history.comparability import BY_CONTROL, DIRECTLY
from kit.history.history import History, MetricHistory
from kit.page.shown_numbers import Units, to_range
from kit.publish.wording import Amount, capital, counted, label_of, paragraph_of

LEVEL: Final = 0.95
METHOD: Final = "restricted likelihood over all seasons; chi-squared with its own degrees of freedom"
NORMAL: Final = "restricted likelihood over all seasons; normal limits of the variance"
LEAST_DF: Final = 2.0


@dataclass(frozen=True)
class MetricWords:
    """One metric of a history, and how it is told: numbers come on the analysis scale, units as the newest season's.

    Attributes
    ----------
    found
        The metric's history.
    units
        Units as shown.
    """

    found: MetricHistory
    units: Units

    @property
    def name(self) -> str:
        """The metric's name with its threshold."""
        return label_of(self.found.spec, self.units)

    @property
    def title(self) -> str:
        """The same with a capital."""
        return capital(self.name)

    @property
    def log(self) -> bool:
        """Whether ratios are told."""
        return self.found.spec.scale == "log"

    def measured(self, values: object) -> object:
        """Return values as they are shown: exponentials on the log scale."""
        return np.exp(values) if self.log else values  # type: ignore[call-overload]

    def _amount(self, *ends: float) -> Amount:
        value, low, high = (math.exp(end) if self.log else end for end in ends)
        return Amount(value, low, high, math.nan, self.found.spec, self.units)

    def change(self, value: float, low: float, high: float) -> str:
        """Return '12 °C (22 °F) hotter (95 % interval 5 to 19 °C)'."""
        amount = self._amount(value, low, high)
        return f"{amount.end(amount.value)} (95\u00a0% interval {amount.interval})"

    def reach(self, value: float, low: float, high: float) -> str:
        """Return 'anything from 8 °C (14 °F) cooler to 22 °C (40 °F) hotter'."""
        return self._amount(value, low, high).reach

    def clause(self, a: str, b: str, value: float, low: float, high: float) -> str:
        """Return 'alder stayed above 150 °C 32 % longer than pressed (95 % interval 20 to 45 %)': the measure named."""
        amount = self._amount(value, low, high)
        return f"{amount.said_of(a, b)} (95\u00a0% interval {amount.interval})"

    def sentence(self, fuel: str, standing: str, why: str, simulated: bool) -> str:
        """Return what may be said in public of a fuel's standing: with its burns, its cooker, 'simulated' first."""
        found = self.found
        rows = {BY_CONTROL: found.by_control, DIRECTLY: found.fuels}.get(standing, found.fuels.iloc[:0])
        own = rows[rows["fuel"] == fuel]
        parts = {"fuel": fuel, "measure": self.name, "why": why}
        parts |= {"reference": found.reference, "control": found.control}
        if not len(own):
            return paragraph_of("say_reference" if standing == BY_CONTROL else "say_not_compared", **parts)
        each = own.iloc[0]
        ends = each["mean"], each["low"], each["high"]
        n = f"{counted(int(each['n']), 'burn')} in {counted(int(each['seasons']), 'season')}"
        if standing == DIRECTLY:
            mean, low, high = (math.exp(end) if self.log else end for end in ends)
            value = to_range(mean, low, high, found.spec.unit, self.units)
            told = paragraph_of("say_directly", value=value, n=n, **parts)
        elif each["low"] <= 0 <= each["high"]:
            told = paragraph_of("say_open", reach=self.reach(*ends), n=n, **parts)
        else:
            told = f"{self.clause(fuel, found.control, *ends)}; {n}, the same seasons."
        return f"Simulated: in this cooker, {told}" if simulated else f"In this cooker, {told}"


def metrics_of(history: History) -> list[MetricWords]:
    """Return the metrics of a history, in the units in which the newest season wants them shown."""
    trial = history.newest.trial
    units = Units(trial.get("show") or "metric", str(trial.get("currency") or ""))
    return [MetricWords(found, units) for found in history.metrics.values()]


def tables_of(history: History) -> dict[str, pd.DataFrame]:
    """Return every table by its key; columns metric and unit first where they apply.

    Keys: seasons, chart, signals, drift, components, next_bag, season_spread, means, against_control, came_again,
    standing.  'components' and 'next_bag' are as in a report of one folder, so that [model] borrow_from can name the
    folder above the seasons: they are of the metrics that the newest season measured.
    """
    newest, simulated = history.newest.name, any(season.simulated for season in history.seasons)

    def of_newest(
        make: Callable[[MetricWords], pd.DataFrame],
    ) -> Callable[[MetricWords], pd.DataFrame | None]:
        return lambda each: make(each) if each.found.reference == newest else None

    def standing(each: MetricWords) -> pd.DataFrame:
        rows: Any = each.found.standing.itertuples(index=False)
        say = [each.sentence(row.fuel, row.standing, row.why, simulated) for row in rows]
        return each.found.standing.assign(say=say)

    makers: dict[str, Callable[[MetricWords], pd.DataFrame | None]] = {
        "chart": chart_table,
        "signals": lambda each: each.found.chart and each.found.chart.signals.assign(unit=_unit(each)),
        "drift": lambda each: each.found.chart and each.found.chart.drift,
        "components": of_newest(_components),
        "next_bag": of_newest(_next_bag),
        "season_spread": _spread,
        "means": lambda each: _values(each, each.found.fuels),
        "against_control": lambda each: _values(each, each.found.by_control),
        "came_again": lambda each: each.found.again,
        "standing": standing,
    }
    return {
        "seasons": seasons_table(history),
        **{key: _joined(history, make) for key, make in makers.items()},
    }


def _joined(history: History, make: Callable[[MetricWords], pd.DataFrame | None]) -> pd.DataFrame:
    made = {each.found.spec.id: make(each) for each in metrics_of(history)}
    parts = [table.assign(metric=name) for name, table in made.items() if table is not None and len(table)]
    if not parts:
        return pd.DataFrame({"metric": pd.Series(dtype=object)})
    joined = pd.concat(parts, ignore_index=True)
    return joined[["metric", *joined.columns.drop("metric")]]


def seasons_table(history: History) -> pd.DataFrame:
    """Return season, report, first and last day, burns, fuels, control, left_out, in order."""
    rows = [
        {
            "season": season.name,
            "report": season.report,
            "first_day": season.first_day,
            "last_day": season.last_day,
            "burns": len(season.burns),
            "fuels": len(season.fuels),
            "control": season.control,
            "left_out": season.left_out,
        }
        for season in history.seasons
    ]
    return pd.DataFrame(rows)


def chart_table(each: MetricWords) -> pd.DataFrame | None:
    """Return the points of a chart: what, season, day, value, low, high (limits), n, outside; as measured."""
    chart = each.found.chart
    if chart is None:
        return None
    seasons = chart.seasons.rename(columns={"first_day": "day"}).assign(what="season")
    joined = pd.concat([seasons, chart.days.assign(what="day")], ignore_index=True)
    values = {name: each.measured(joined[name].to_numpy(float)) for name in ("value", "low", "high")}
    kept = ["what", "season", "day", "value", "low", "high", "n", "outside"]
    return joined.assign(**values)[kept].assign(unit=each.found.spec.unit)


def _unit(each: MetricWords) -> str:
    return "ln" if each.log else each.found.spec.unit


def _components(each: MetricWords) -> pd.DataFrame:
    """Return the pooled SDs; limits from chi-squared with the degrees of freedom of each (Satterthwaite 1946).

    Below two degrees of freedom those limits say nothing; the normal ones of the variance stand in.
    """
    from scipy.special import chdtri

    rows, pooled = [], each.found.pooled
    for k, term in enumerate(pooled.terms):
        variance, se = float(pooled.variances[k]), float(np.sqrt(pooled.covariance[k, k]))
        df = pooled.df(np.eye(len(pooled.terms))[k])
        if df < LEAST_DF:
            method, low, high = NORMAL, max(0.0, variance - 1.96 * se), variance + 1.96 * se
        else:
            method, low, high = METHOD, *(variance * df / chdtri(df, p) for p in (0.025, 0.975))
        zero = variance <= 0
        rows.append((term, *np.sqrt((variance, low, high)), LEVEL, method, zero, np.nan if zero else df))
    names = ["component", "sd", "low", "high", "level", "method", "at_boundary", "df"]
    return pd.DataFrame(rows, columns=names).assign(unit=_unit(each))


def _next_bag(each: MetricWords) -> pd.DataFrame:
    """Return the SD of one burn of a new bag and its degrees of freedom: what a trial may borrow."""
    pooled, spec = each.found.pooled, each.found.spec
    row = {"fuel": "", "sd": float(np.sqrt(pooled.variances.sum())), "df": pooled.df_total, "level": LEVEL}
    row |= {"unit": spec.unit, "scale": spec.scale, "covers": ", ".join(pooled.terms)}
    return pd.DataFrame([row])


def _spread(each: MetricWords) -> pd.DataFrame:
    spreads = {"fuels": each.found.spread, "differences from the control": each.found.control_spread}
    rows = [
        (of, float(np.sqrt(spread.variance)) if spread.known else np.nan, spread.df, _unit(each))
        for of, spread in spreads.items()
    ]
    return pd.DataFrame(rows, columns=["of", "sd", "df", "unit"])


def _values(each: MetricWords, table: pd.DataFrame) -> pd.DataFrame:
    """Return means or differences as shown (ratios on the log scale); se stays on the analysis scale."""
    values = {name: each.measured(table[name].to_numpy(float)) for name in ("mean", "low", "high")}
    return table.assign(**values, unit=each.found.spec.unit, scale=each.found.spec.scale, level=LEVEL)
