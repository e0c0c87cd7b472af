"""Two fuels on many measures: one row a measure, each on its own scale, its margin drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kit.publish.figures.canvas import canvas, room_for, short, word
from kit.publish.figures.look import Frame, Look

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_ON_FILM = 4


def side_by_side(table: pd.DataFrame, look: Look, frame: Frame) -> Figure:
    """Return a row a measure: the difference with its interval about a common zero, the margin's zone behind.

    Parameters
    ----------
    table
        label, words (the difference in words), value, low, high, reach (half width of the row's scale), margin_low,
        margin_high (blank where none), settled; all numbers of a row in one unit, rows in units of their own.
    look, frame
        Colours, page or film.
    """
    rows = table.head(MOST_ON_FILM) if frame.film else table
    right = room_for(rows["words"], 34)
    figure, axes = canvas(
        look,
        frame,
        0.55 + 0.36 * len(rows),
        rows=len(rows),
        margins=(room_for(rows["label"], 38), right, 0.2, 0.3),
    )
    for each, row in zip(axes, rows.itertuples(index=False), strict=True):
        _one(each, row, look, frame)
    return figure


def _one(axes: Axes, row: object, look: Look, frame: Frame) -> None:
    reach = float(row.reach)  # type: ignore[attr-defined]
    low, high, value = (float(getattr(row, name)) for name in ("low", "high", "value"))
    margins = [float(getattr(row, name)) for name in ("margin_low", "margin_high")]
    axes.set_xlim(-reach, reach)
    axes.set_ylim(-1, 1)
    if margins[0] == margins[0]:
        axes.axvspan(*margins, color=look.band, linewidth=0, zorder=0)
    axes.axvline(0, color=look.ink, linewidth=frame.line * 0.9, zorder=1)
    axes.plot([low, high], [0, 0], color=look.mark, linewidth=frame.line * 2.4, zorder=2)
    settled = bool(row.settled)  # type: ignore[attr-defined]
    axes.plot(
        [value],
        [0],
        marker="o",
        markersize=frame.small * 0.75,
        markeredgecolor=look.mark,
        markeredgewidth=frame.line * 1.3,
        color=look.mark if settled else look.paper,
        zorder=3,
    )
    axes.set_axis_off()
    word(axes, -reach * 1.03, 0, short(row.label, 38), look, frame, ha="right")  # type: ignore[attr-defined]
    word(axes, reach * 1.03, 0, short(row.words, 34), look, frame)  # type: ignore[attr-defined]
