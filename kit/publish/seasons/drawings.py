"""The drawings of a history, with their words."""

from __future__ import annotations

from functools import partial

from kit.history.history import History, MetricHistory
from kit.page.shown_numbers import Units, plain
from kit.publish.figures.drawing import Drawing
from kit.publish.report_data import as_shown, axis_unit
from kit.publish.seasons.figures import against_control, chart_figure
from kit.publish.seasons.tables import chart_table
from kit.publish.seasons.words import label, shown, units_of
from kit.publish.wording import counted, label_of, places


def chart_drawing(history: History, found: MetricHistory) -> Drawing | None:
    """Return the control chart of a metric, or None without a control fuel."""
    table, units = chart_table(found), units_of(history)
    if table is None or found.chart is None:
        return None
    unit = found.spec.unit
    table = table.assign(**{name: as_shown(table[name], unit, units) for name in ("value", "low", "high")})
    chart = found.chart
    seasons = int((table["what"] == "season").sum())
    outside = int(table["outside"].sum())
    return Drawing(
        id=f"control chart {found.spec.id}",
        title=f"Control chart: {label_of(found.spec, units)}",
        alt=f"{label(found, units)} of the control fuel, {found.control}, in {counted(seasons, 'season')}: "
        f"{_told(table, unit, units)}. {counted(outside, 'point').capitalize()} beyond the limits.",
        caption=(
            f"Control fuel, {found.control}. Diamonds: season means; dashed: the limits of each season. Grey dots: "
            "days. A ring marks what lies beyond its limits. The line is the mean of all seasons. Limits are made of "
            "the spread of bags, days and burns pooled over the seasons; the text says how often they err."
        ),
        headline=f"Control fuel: {label_of(found.spec, Units())}",
        note=f"limits for the chart; {counted(seasons, 'season')}",
        data=table,
        draw=partial(
            chart_figure,
            table,
            _turn(chart.centre, found, units),
            f"{label_of(found.spec, units)}, {axis_unit(unit, units)}".rstrip(", "),
        ),
    )


def _turn(value: float, found: MetricHistory, units: Units) -> float:
    import pandas as pd

    measured = pd.Series([shown(value, found.spec)], dtype=float)
    return float(as_shown(measured, found.spec.unit, units).iloc[0])


def _told(table: object, unit: str, units: Units) -> str:
    rows = table[table["what"] == "season"]  # type: ignore[index]
    named = axis_unit(unit, units)
    shown_rows = rows if len(rows) <= 12 else rows.iloc[[0, -1]]
    return "; ".join(
        f"{row.season} {plain(row.value, places(row.low, row.high))} {named}"
        for row in shown_rows.itertuples(index=False)
    )


def control_drawing(history: History, found: MetricHistory) -> Drawing | None:
    """Return all fuels against the control fuel, or None without one."""
    if not len(found.by_control):
        return None
    units, log = units_of(history), found.spec.scale == "log"
    table = found.by_control.sort_values("mean", ascending=False, kind="stable")
    for name in ("mean", "low", "high"):
        measured = table.assign(**{name: shown(table[name].to_numpy(float), found.spec)})[name]
        table[name] = measured if log else as_shown(measured, found.spec.unit, units, difference=True)
    unit = "times the control fuel" if log else axis_unit(found.spec.unit, units, difference=True)
    told = "; ".join(
        f"{row.fuel} {plain(row.mean, digits)} ({plain(row.low, digits)} to {plain(row.high, digits)})"
        for row in table.itertuples(index=False)
        for digits in [max(places(row.low, row.high), 2 if log else 0)]
    )
    name = label_of(found.spec, units)
    return Drawing(
        id=f"against control {found.spec.id}",
        title=f"All fuels against the control fuel: {name}",
        alt=f"{label(found, units)} against {found.control}, {unit}: {told}.",
        caption=(
            f"Bars: 95 % interval of each fuel's difference from {found.control} over its seasons, each fuel for "
            f"itself. {_holds(found)} {counted(int(table['n'].sum()), 'burn').capitalize()} in all."
        ),
        headline="All fuels against the control fuel",
        note=f"bar: 95 % interval; {counted(len(found.seasons), 'season')}",
        data=table,
        draw=partial(against_control, table, 1.0 if log else 0.0, f"{name}: {unit}"),
    )


def _holds(found: MetricHistory) -> str:
    if found.control_spread.known:
        return "The spread from season to season is in it."
    return "No fuel beside the control came again: the spread from season to season is not in it."
