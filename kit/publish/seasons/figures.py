"""The control chart, and fuels over the seasons against the control fuel."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from kit.publish.figures.canvas import Frame, Look, canvas, fewer_ticks, room_for, short

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

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
