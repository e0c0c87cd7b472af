"""The tables of a history: one tidy table a key, for results.json, the CSV files beside the page and the page."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from kit.history.history import History, MetricHistory
from kit.publish.seasons.history_words import sentence, shown

if TYPE_CHECKING:
    import pandas as pd

LEVEL: Final = 0.95
METHOD: Final = "restricted likelihood over all seasons; chi-squared with its own degrees of freedom"

NORMAL: Final = "restricted likelihood over all seasons; normal limits of the variance"
LEAST_DF: Final = 2.0


def tables_of(history: History) -> dict[str, pd.DataFrame]:
    """Return every table by its key; columns metric and unit first where they apply.

    Keys: seasons, chart, signals, drift, components, next_bag, season_spread, means, against_control, came_again,
    standing.  'components' and 'next_bag' are as in a report of one folder, so that [model] borrow_from can name the
    folder above the seasons.
    """
    makers: dict[str, Callable[[History, MetricHistory], pd.DataFrame | None]] = {
        "chart": lambda _, each: chart_table(each),
        "signals": lambda _, each: _of_signals(each),
        "drift": lambda _, each: each.chart.drift if each.chart else None,
        "components": _components,
        "next_bag": _next_bag,
        "season_spread": lambda _, each: _spread(each),
        "means": lambda _, each: _values(each, each.fuels),
        "against_control": lambda _, each: _values(each, each.by_control),
        "came_again": lambda _, each: each.again,
        "standing": _standing,
    }
    made = {key: _joined(history, make) for key, make in makers.items()}
    return {"seasons": seasons_table(history), **made}


def _joined(history: History, make: Callable[[History, MetricHistory], pd.DataFrame | None]) -> pd.DataFrame:
    import pandas as pd

    parts = []
    for name, found in history.metrics.items():
        table = make(history, found)
        if table is not None and len(table):
            parts.append(table.assign(metric=name))
    if not parts:
        return pd.DataFrame({"metric": pd.Series(dtype=object)})
    joined = pd.concat(parts, ignore_index=True)
    return joined[["metric", *(name for name in joined.columns if name != "metric")]]


def seasons_table(history: History) -> pd.DataFrame:
    """Return season, report, first and last day, burns, fuels, control, left_out, in order."""
    import pandas as pd

    rows = []
    for season in history.seasons:
        burns, fuels = len(season.burns), len(season.fuels)
        days = season.first_day, season.last_day
        rows.append((season.name, season.report, *days, burns, fuels, season.control, season.left_out))
    names = ["season", "report", "first_day", "last_day", "burns", "fuels", "control", "left_out"]
    return pd.DataFrame(rows, columns=names)


def chart_table(found: MetricHistory) -> pd.DataFrame | None:
    """Return the points of a chart: what, season, day, value, low, high (limits), n, outside; as measured."""
    import pandas as pd

    if found.chart is None:
        return None
    seasons = found.chart.seasons.rename(columns={"first_day": "day"}).assign(what="season")
    joined = pd.concat([seasons, found.chart.days.assign(what="day")], ignore_index=True)
    values = {name: shown(joined[name].to_numpy(float), found.spec) for name in ("value", "low", "high")}
    kept = ["what", "season", "day", "value", "low", "high", "n", "outside"]
    return joined.assign(**values)[kept].assign(unit=found.spec.unit)


def _of_signals(found: MetricHistory) -> pd.DataFrame | None:
    return None if found.chart is None else found.chart.signals.assign(unit=_unit(found))


def _unit(found: MetricHistory) -> str:
    return "ln" if found.spec.scale == "log" else found.spec.unit


def _components(history: History, found: MetricHistory) -> pd.DataFrame | None:
    """Return the pooled SDs; limits from chi-squared with the degrees of freedom of each (Satterthwaite 1946).

    Below two degrees of freedom those limits say nothing; the normal ones of the variance stand in.
    """
    import pandas as pd
    from scipy.special import chdtri

    if found.reference != history.newest.name:
        return None
    rows = []
    for k, term in enumerate(found.pooled.terms):
        variance, se = float(found.pooled.variances[k]), float(np.sqrt(found.pooled.covariance[k, k]))
        df = found.pooled.df(np.eye(len(found.pooled.terms))[k])
        vague = df < LEAST_DF
        low, high = (
            (max(0.0, variance - 1.96 * se), variance + 1.96 * se)
            if vague
            else (variance * df / chdtri(df, 0.025), variance * df / chdtri(df, 0.975))
        )
        method = NORMAL if vague else METHOD
        zero = variance <= 0
        shown_df = np.nan if zero else df
        rows.append((term, np.sqrt(variance), np.sqrt(low), np.sqrt(high), LEVEL, method, zero, shown_df))
    names = ["component", "sd", "low", "high", "level", "method", "at_boundary", "df"]
    return pd.DataFrame(rows, columns=names).assign(unit=_unit(found))


def _next_bag(history: History, found: MetricHistory) -> pd.DataFrame | None:
    """Return the SD of one burn of a new bag and its degrees of freedom: what a trial may borrow."""
    import pandas as pd

    if found.reference != history.newest.name:
        return None
    row = {
        "fuel": "",
        "sd": float(np.sqrt(found.pooled.variances.sum())),
        "df": found.pooled.df_total,
        "level": LEVEL,
        "unit": found.spec.unit,
        "scale": found.spec.scale,
        "covers": ", ".join(found.pooled.terms),
    }
    return pd.DataFrame([row])


def _spread(found: MetricHistory) -> pd.DataFrame:
    import pandas as pd

    rows = [
        (of, float(np.sqrt(spread.variance)) if spread.known else np.nan, spread.df, _unit(found))
        for of, spread in (("fuels", found.spread), ("differences from the control", found.control_spread))
    ]
    return pd.DataFrame(rows, columns=["of", "sd", "df", "unit"])


def _values(found: MetricHistory, table: pd.DataFrame) -> pd.DataFrame:
    """Return means or differences as shown (ratios on the log scale); se stays on the analysis scale."""
    values = {name: shown(table[name].to_numpy(float), found.spec) for name in ("mean", "low", "high")}
    return table.assign(**values).assign(unit=found.spec.unit, scale=found.spec.scale, level=LEVEL)


def _standing(history: History, found: MetricHistory) -> pd.DataFrame:
    rows: Any = found.standing.itertuples(index=False)
    say = [sentence(row.fuel, found, row.standing, row.why, history) for row in rows]
    return found.standing.assign(say=say)
