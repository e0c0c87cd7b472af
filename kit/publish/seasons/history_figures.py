"""The figures of a history with their words: the control chart, and all fuels against the control fuel."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from kit.history.history import History, MetricHistory
from kit.page.shown_numbers import Units, plain
from kit.publish.figures.canvas import Frame, Look, canvas, fewer_ticks, room_for, short
from kit.publish.figures.drawing import Drawing
from kit.publish.report_data import as_shown, axis_unit
from kit.publish.seasons.history_tables import chart_table
from kit.publish.seasons.history_words import label, shown, units_of
from kit.publish.wording import counted, label_of, places

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


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


MOST_NAMES = 8


def chart_figure(table: pd.DataFrame, centre: float, y: str, look: Look, frame: Frame) -> Figure:
    """Return seasons and days of the control fuel against their limits.

    Parameters
    ----------
    table
        what ('season' or 'day'), season, value, low, high, outside; as shown, in the order drawn.
    centre
        Mean over all seasons, as shown.
    y, look, frame
        The axis with its unit, colours, page or film.
    """
    figure, (axes,) = canvas(look, frame, 3.2, margins=(0.75, 0.2, 0.62, 0.15))
    seasons = table.loc[table["what"] == "season", "season"].tolist()
    axes.axhline(centre, color=look.line, linewidth=frame.line, zorder=1)
    days = table[table["what"] == "day"]
    _points(axes, _spots(days, seasons), days, look, frame, "o", frame.small * 0.36, look.soft)
    means = table[table["what"] == "season"]
    for end in ("low", "high"):
        axes.hlines(means[end], np.arange(len(means)) - 0.4, np.arange(len(means)) + 0.4,
                    colors=look.ink, linewidths=frame.line, linestyles="dashed", zorder=2)  # fmt: skip
    _points(axes, np.arange(len(means)), means, look, frame, "D", frame.small * 0.7, look.ink)
    _season_names(axes, seasons, frame)
    axes.set_ylabel(y)
    fewer_ticks(axes, frame, y=6)
    return figure


def _spots(days: pd.DataFrame, seasons: list[str]) -> Any:
    """Return where each day stands: evenly within its season's room."""
    groups = days.groupby("season", sort=False)["season"]
    count, rank = groups.transform("size"), groups.cumcount()
    within = (0.64 * (rank / (count - 1).clip(lower=1)) - 0.32).where(count > 1, 0.0)
    return (days["season"].map({name: k for k, name in enumerate(seasons)}) + within).to_numpy(float)


def _points(
    axes: Axes, x: Any, rows: pd.DataFrame, look: Look, frame: Frame, mark: str, size: float, colour: str
) -> None:
    outside = rows["outside"].to_numpy(bool)
    values = rows["value"].to_numpy(float)
    axes.plot(x, values, linestyle="none", marker=mark, markersize=size, color=colour, markeredgewidth=0)
    # a ring besides the colour, so that a signal is seen without it
    axes.plot(
        x[outside], values[outside], linestyle="none", marker="o", markersize=size + frame.small * 0.7,
        markerfacecolor="none", markeredgecolor=look.warn, markeredgewidth=frame.line * 1.6,
    )  # fmt: skip


def _season_names(axes: Axes, names: list[str], frame: Frame) -> None:
    step = max(1, -(-len(names) // (MOST_NAMES // 2 if frame.film else MOST_NAMES)))
    places = list(range(0, len(names), step))
    axes.set_xticks(places)
    longest = 64 // max(len(places), 1)
    axes.set_xticklabels([short(names[k], max(longest, 6)) for k in places], parse_math=False)
    axes.set_xlim(-0.6, len(names) - 0.4)


def against_control(table: pd.DataFrame, none: float, x: str, look: Look, frame: Frame) -> Figure:
    """Return a row a fuel: its difference from the control fuel over the seasons with its interval.

    Parameters
    ----------
    table
        fuel, mean, low, high; as shown, in the order drawn.
    none
        Where there is no difference: 0, or 1 for ratios.
    x, look, frame
        The axis with its unit, colours, page or film.
    """
    figure, (axes,) = canvas(
        look, frame, 0.75 + 0.34 * max(len(table), 2), margins=(room_for(table["fuel"]), 0.3, 0.5, 0.15)
    )
    axes.axvline(none, color=look.line, linewidth=frame.line)
    rows = np.arange(len(table))
    axes.hlines(rows, table["low"], table["high"], colors=look.fuel(0), linewidths=frame.line * 2.6)
    axes.plot(
        table["mean"], rows, linestyle="none", marker="o", color=look.fuel(0), markersize=frame.small * 0.8
    )
    axes.set_ylim(len(table) - 0.45, -0.55)
    axes.set_yticks(rows)
    axes.set_yticklabels([short(name) for name in table["fuel"]], color=look.ink, parse_math=False)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.set_xlabel(x)
    fewer_ticks(axes, frame, x=7)
    return figure
