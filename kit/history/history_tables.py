"""The tables of a history as results.json has them: the metric and its unit in every row, ratios as ratios."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numpy as np
import pandas as pd

from kit.history.control_chart import Chart
from kit.history.history import History, MetricHistory

LEVEL: Final = 0.95
METHOD: Final = "restricted likelihood over all seasons; chi-squared with its own degrees of freedom"
NORMAL: Final = "restricted likelihood over all seasons; normal limits of the variance"
LEAST_DF: Final = 2.0

Maker = Callable[[MetricHistory], Any]


def history_tables(history: History) -> dict[str, pd.DataFrame]:
    """Return every table by its key; columns metric and unit first where they apply.

    Keys: seasons, chart, signals, drift, components, next_bag, season_spread, means, against_control, came_again,
    standing.  'components' and 'next_bag' are as in a report of one folder, so that [model] borrow_from can name the
    folder above the seasons: they are of the metrics that the newest season measured.
    """
    newest = history.newest.name

    def of_newest(make: Maker) -> Maker:
        return lambda found: make(found) if found.reference == newest else None

    makers: dict[str, Maker] = {
        "chart": lambda found: found.chart and chart_points(found, found.chart),
        "signals": lambda found: found.chart and found.chart.signals.assign(unit=found.unit),
        "drift": lambda found: found.chart and found.chart.drift,
        "components": of_newest(_components),
        "next_bag": of_newest(_next_bag),
        "season_spread": _spread,
        "means": lambda found: _as_measured(found, found.fuels),
        "against_control": lambda found: _as_measured(found, found.by_control),
        "came_again": lambda found: found.again,
        "standing": lambda found: found.standing,
    }
    return {"seasons": seasons_table(history)} | {key: _joined(history, make) for key, make in makers.items()}


def _joined(history: History, make: Maker) -> pd.DataFrame:
    made = {name: make(found) for name, found in history.metrics.items()}
    parts = [table.assign(metric=name) for name, table in made.items() if table is not None and len(table)]
    if not parts:
        return pd.DataFrame({"metric": pd.Series(dtype=object)})
    joined = pd.concat(parts, ignore_index=True)
    return joined[["metric", *joined.columns.drop("metric")]]


def seasons_table(history: History) -> pd.DataFrame:
    """Return season, report, first and last day, burns, fuels, control, left_out, in order."""
    names = ["season", "report", "first_day", "last_day", "burns", "fuels", "control", "left_out"]
    rows = [
        (of.name, of.report, of.first_day, of.last_day, len(of.burns), len(of.fuels), of.control, of.left_out)
        for of in history.seasons
    ]
    return pd.DataFrame(rows, columns=names)


def chart_points(found: MetricHistory, chart: Chart) -> pd.DataFrame:
    """Return the points of a chart: what, season, day, value, low, high (limits), n, outside, unit; as measured."""
    seasons = chart.seasons.rename(columns={"first_day": "day"}).assign(what="season")
    joined = pd.concat([seasons, chart.days.assign(what="day")], ignore_index=True)
    values = found.measured(joined[["value", "low", "high"]].astype(float))
    kept = ["what", "season", "day", "value", "low", "high", "n", "outside"]
    return joined.assign(**values)[kept].assign(unit=found.spec.unit)


def _components(found: MetricHistory) -> pd.DataFrame:
    """Return the pooled SDs; limits from chi-squared with the degrees of freedom of each (Satterthwaite 1946).

    Below two degrees of freedom those limits say nothing; the normal ones of the variance stand in.
    """
    from scipy.special import chdtri

    rows, pooled = [], found.pooled
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
    return pd.DataFrame(rows, columns=names).assign(unit=found.unit)


def _next_bag(found: MetricHistory) -> pd.DataFrame:
    """Return the SD of one burn of a new bag and its degrees of freedom: what a trial may borrow."""
    pooled, spec = found.pooled, found.spec
    row = {"fuel": "", "sd": float(np.sqrt(pooled.variances.sum())), "df": pooled.df_total, "level": LEVEL}
    row |= {"unit": spec.unit, "scale": spec.scale, "covers": ", ".join(pooled.terms)}
    return pd.DataFrame([row])


def _spread(found: MetricHistory) -> pd.DataFrame:
    spreads = {"fuels": found.spread, "differences from the control": found.control_spread}
    rows = [
        (of, float(np.sqrt(spread.variance)) if spread.known else np.nan, spread.df, found.unit)
        for of, spread in spreads.items()
    ]
    return pd.DataFrame(rows, columns=["of", "sd", "df", "unit"])


def _as_measured(found: MetricHistory, table: pd.DataFrame) -> pd.DataFrame:
    """Return means or differences as shown (ratios on the log scale); se stays on the analysis scale."""
    values = found.measured(table[["mean", "low", "high"]].astype(float))
    return table.assign(**values, unit=found.spec.unit, scale=found.spec.scale, level=LEVEL)
