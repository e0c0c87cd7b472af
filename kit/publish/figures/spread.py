"""Where the variation comes from, and burns that stand apart from their fellows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from kit.publish.figures.canvas import canvas, fewer_ticks, room_for, short, word
from kit.publish.figures.look import Cast, Frame, Look

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class SpreadWords:
    """What stands on a figure of spreads: the axis with its unit."""

    x: str
    y: str = ""


def spreads(table: pd.DataFrame, words: SpreadWords, look: Look, frame: Frame) -> Figure:
    """Return a bar a source of variation with its interval.

    Parameters
    ----------
    table
        label, sd, low, high (as shown; a blank high where it has no limit).
    words, look, frame
        Texts, colours, page or film.
    """
    figure, (axes,) = canvas(
        look, frame, 0.75 + 0.34 * max(len(table), 2), margins=(room_for(table["label"], 30), 0.4, 0.5, 0.15)
    )
    axes.barh(range(len(table)), table["sd"], height=0.5, color=look.mark, alpha=0.35, linewidth=0)
    for row, each in enumerate(table.itertuples(index=False)):
        axes.plot([each.low, each.high], [row, row], color=look.ink, linewidth=frame.line * 1.6)
        axes.plot([each.sd, each.sd], [row - 0.25, row + 0.25], color=look.mark, linewidth=frame.line * 2.4)
    axes.set_ylim(len(table) - 0.45, -0.55)
    axes.set_yticks(range(len(table)))
    axes.set_yticklabels([short(label, 30) for label in table["label"]], color=look.ink, parse_math=False)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.set_xlim(left=0)
    axes.set_xlabel(words.x)
    fewer_ticks(axes, frame, x=7)
    return figure


def odd_ones(
    table: pd.DataFrame,
    limits: tuple[float, float] | None,
    cast: Cast,
    words: SpreadWords,
    look: Look,
    frame: Frame,
) -> Figure:
    """Return how far each burn lies from what the others let expect; odd ones are named.

    Parameters
    ----------
    table
        burn, fuel, residual, odd; in the order drawn.
    limits
        Residuals beyond these are odd, or None where no such limits are known.
    cast, words, look, frame
        Fuels, texts, colours, page or film.
    """
    figure, (axes,) = canvas(look, frame, 2.6, margins=(0.7, 0.3, 0.5, 0.2))
    axes.axhline(0, color=look.line, linewidth=frame.line, zorder=1)
    for limit in limits or ():
        axes.axhline(limit, color=look.soft, linewidth=frame.line * 0.8, linestyle=(0, (4, 3)), zorder=1)
    for place, each in enumerate(table.itertuples(index=False), start=1):
        player = cast[each.fuel]
        axes.plot(
            [place],
            [each.residual],
            marker=player.marker,
            color=look.fuel(player.place),
            markersize=frame.small * (0.95 if each.odd else 0.65),
            zorder=3,
        )
        if each.odd:
            _name_it(axes, place, each, place > 0.6 * len(table), look, frame)
    axes.set_xlabel(words.x)
    axes.set_ylabel(words.y)
    fewer_ticks(axes, frame, x=9, y=5)
    return figure


def _name_it(axes: Axes, place: int, burn: Any, to_the_left: bool, look: Look, frame: Frame) -> None:
    nudge, side = (-frame.small * 0.9, "right") if to_the_left else (frame.small * 0.9, "left")
    word(axes, place, burn.residual, f"burn {short(str(burn.burn), 14)}", look, frame, nudge=nudge, ha=side)
