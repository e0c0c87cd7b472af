"""Differences with their intervals and the margin's zone: which fuels are told apart, and by how much."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from kit.publish.figures.canvas import canvas, fewer_ticks, room_for, short, word
from kit.publish.figures.look import Frame, Look

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class DifferenceWords:
    """What stands on a figure of differences.

    Attributes
    ----------
    x
        Name of the axis with its unit.
    less, more
        Words for the two sides of zero ('cooler', 'hotter').
    margin
        Half width of the zone of differences too small to matter, low and high end as drawn; None where none
        was declared.
    """

    x: str
    less: str
    more: str
    margin: tuple[float, float] | None = None


MOST_ON_FILM = 8
BROKEN_UP_TO = 6


def _for(frame: Frame, table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows a frame has room for; for film the first ones told, their labels broken where there is room."""
    if not frame.film:
        return table
    kept = table.sort_values("told", kind="stable").head(MOST_ON_FILM)
    if len(kept) > BROKEN_UP_TO:
        return kept
    broken = kept["short_label"].str.replace(" − ", " −\n").str.replace(" ÷ ", " ÷\n")
    return kept.assign(short_label=broken)


def differences(table: pd.DataFrame, words: DifferenceWords, look: Look, frame: Frame) -> Figure:
    """Return one row a pair: point, simultaneous interval (thin) and interval alone (thick), zero and margin drawn.

    Parameters
    ----------
    table
        short_label, value, low, high, low_alone, high_alone (as drawn; per cent on the log scale), settled (bool),
        place of the first fuel for its hue, told (rank for film).
    words, look, frame
        Texts, colours, page or film.
    """
    table = _for(frame, table)
    left = room_for(table["short_label"], 44)
    figure, (axes,) = canvas(look, frame, 0.95 + 0.3 * max(len(table), 2), margins=(left, 0.35, 0.5, 0.35))
    if words.margin:
        axes.axvspan(*words.margin, color=look.band, linewidth=0, zorder=0)
    axes.axvline(0, color=look.ink, linewidth=frame.line * 0.9, zorder=1)
    for row, pair in enumerate(table.itertuples(index=False)):
        hue = look.fuel(int(pair.place))
        axes.plot([pair.low, pair.high], [row, row], color=hue, linewidth=frame.line * 1.2, zorder=2)
        axes.plot(
            [pair.low_alone, pair.high_alone], [row, row], color=hue, linewidth=frame.line * 3.2, zorder=3
        )
        axes.plot(
            [pair.value],
            [row],
            marker="o",
            markersize=frame.small * 0.7,
            markeredgewidth=frame.line * 1.3,
            markeredgecolor=hue,
            color=hue if pair.settled else look.paper,
            zorder=4,
        )
    _rows(axes, table["short_label"].tolist(), look, frame)
    _sides(axes, words, look, frame)
    axes.set_xlabel(words.x)
    fewer_ticks(axes, frame, x=8)
    return figure


def _rows(axes: Axes, labels: list[str], look: Look, frame: Frame) -> None:
    axes.set_ylim(len(labels) - 0.4, -0.6)
    axes.set_yticks(range(len(labels)))
    axes.set_yticklabels(
        ["\n".join(short(line, 44) for line in label.split("\n")) for label in labels],
        color=look.ink,
        parse_math=False,
    )
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)


def _sides(axes: Axes, words: DifferenceWords, look: Look, frame: Frame) -> None:
    top = axes.get_ylim()[1]
    low, high = axes.get_xlim()
    zero = axes.transData.transform((0, 0))[0]
    left, right = (axes.transData.transform((edge, 0))[0] for edge in (low, high))
    pixels = frame.small * frame.dpi / 72 * 0.6
    if zero - left > pixels * (len(words.less) + 3):
        word(axes, 0, top, f"← {words.less}", look, frame, nudge=-6, ha="right", va="bottom")
    if right - zero > pixels * (len(words.more) + 3):
        word(axes, 0, top, f"{words.more} →", look, frame, nudge=6, va="bottom")


@dataclass(frozen=True)
class PriceWords:
    """What stands on the break-even figure: the axis."""

    x: str


def break_even(table: pd.DataFrame, words: PriceWords, look: Look, frame: Frame) -> Figure:
    """Return up to what price ratio the first fuel of each pair is the better value, with its interval.

    Parameters
    ----------
    table
        short_label, value, low, high (price a kilogram of a over that of b), actual (blank where no prices are
        known), place of the first fuel, told (rank for film).
    words, look, frame
        Texts, colours, page or film.
    """
    table = _for(frame, table)
    figure, (axes,) = canvas(
        look,
        frame,
        0.95 + 0.34 * max(len(table), 2),
        margins=(room_for(table["short_label"], 44), 0.35, 0.5, 0.3),
    )
    axes.axvline(1, color=look.line, linewidth=frame.line, zorder=1)
    for row, pair in enumerate(table.itertuples(index=False)):
        hue = look.fuel(int(pair.place))
        axes.plot([pair.low, pair.high], [row, row], color=hue, linewidth=frame.line * 2.4, zorder=3)
        axes.plot([pair.value], [row], marker="o", color=hue, markersize=frame.small * 0.75, zorder=4)
        if pair.actual == pair.actual:
            axes.plot(
                [pair.actual],
                [row],
                marker="D",
                color=look.paper,
                markeredgecolor=look.ink,
                markeredgewidth=frame.line,
                markersize=frame.small * 0.65,
                zorder=5,
            )
    _rows(axes, table["short_label"].tolist(), look, frame)
    axes.set_xlim(left=0)
    axes.set_xlabel(words.x)
    fewer_ticks(axes, frame, x=8)
    return figure
