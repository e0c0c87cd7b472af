"""Fuel by fuel: every burn by its bag, the mean with its interval; the ladder; the next bag."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from kit.publish.figures.canvas import canvas, fewer_ticks, room_for, short, size_of
from kit.publish.figures.look import Cast, Frame, Look

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class ValueWords:
    """What stands on a figure of values: the axis with its unit."""

    x: str


BOUND_MARKS = {"exact": "", "at least": ">", "at most": "<"}


def fuel_values(
    burns: pd.DataFrame, means: pd.DataFrame, cast: Cast, words: ValueWords, look: Look, frame: Frame
) -> Figure:
    """Return a row a fuel: each burn as a mark, burns of one bag joined, the mean and its interval above them.

    Parameters
    ----------
    burns
        fuel, bag, value (as shown), status ('at least' and 'at most' drawn as arrows).
    means
        fuel, mean, low, high (as shown; blank limits where there are none).
    cast, words, look, frame
        Fuels in the order drawn, texts, colours, page or film.
    """
    figure, (axes,) = canvas(
        look,
        frame,
        0.75 + 0.62 * max(len(cast), 2),
        margins=(room_for(player.name for player in cast), 0.3, 0.5, 0.15),
    )
    for row, player in enumerate(cast):
        _bags(axes, burns[burns["fuel"] == player.id], row, look, frame)
        _mean(axes, means[means["fuel"] == player.id], row, player.place, player.marker, look, frame)
    _fuel_rows(axes, cast, look)
    axes.set_xlabel(words.x)
    fewer_ticks(axes, frame, x=8)
    return figure


def _bags(axes: Axes, burns: pd.DataFrame, row: int, look: Look, frame: Frame) -> None:
    bags = burns["bag"].drop_duplicates().tolist()
    place = burns["bag"].map(
        {bag: row + 0.02 + 0.4 * (i + 1) / (len(bags) + 1) for i, bag in enumerate(bags)}
    )
    ends = burns["value"].groupby(place, sort=False).agg(["min", "max"])
    axes.hlines(ends.index, ends["min"], ends["max"], colors=look.soft, linewidths=frame.line * 0.7, zorder=2)
    style: dict[str, Any] = {"linestyle": "none", "markeredgewidth": 0, "color": look.soft, "zorder": 3}
    for status, mark in (("exact", "o"), ("at least", ">"), ("at most", "<")):
        here = burns["status"] == status
        if here.any():
            axes.plot(burns["value"][here], place[here], marker=mark, markersize=frame.small * 0.42, **style)


def _mean(
    axes: Axes, mean: pd.DataFrame, row: int, place: int, marker: str, look: Look, frame: Frame
) -> None:
    hue = look.fuel(place)
    for each in mean.itertuples(index=False):
        axes.plot([each.low, each.high], [row - 0.16] * 2, color=hue, linewidth=frame.line * 2.6, zorder=4)
        axes.plot([each.mean], [row - 0.16], marker=marker, color=hue, markersize=frame.small * 0.8, zorder=5)


def _fuel_rows(axes: Axes, cast: Cast, look: Look) -> None:
    axes.set_ylim(len(cast) - 0.45, -0.55)
    axes.set_yticks(range(len(cast)))
    axes.set_yticklabels([short(player.name) for player in cast], color=look.ink, parse_math=False)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)


def ladder(table: pd.DataFrame, cast: Cast, words: ValueWords, look: Look, frame: Frame) -> Figure:
    """Return fuels in the order of their means, brackets at the right joining those not told apart.

    Parameters
    ----------
    table
        fuel, mean, low, high (as shown), brackets (numbers parted by spaces); in the order drawn.
    cast, words, look, frame
        Fuels, texts, colours, page or film.
    """
    numbers = sorted({number for text in table["brackets"] for number in text.split()}, key=int)
    order = Cast(tuple(cast[fuel] for fuel in table["fuel"]))
    figure, (axes,) = canvas(
        look,
        frame,
        0.75 + 0.36 * max(len(table), 2),
        margins=(room_for(player.name for player in order), 0.35 + 0.17 * len(numbers), 0.5, 0.15),
    )
    for row, rung in enumerate(table.itertuples(index=False)):
        player = cast[rung.fuel]
        hue = look.fuel(player.place)
        axes.plot([rung.low, rung.high], [row, row], color=hue, linewidth=frame.line * 2.6)
        axes.plot([rung.mean], [row], marker=player.marker, color=hue, markersize=frame.small * 0.85)
    _fuel_rows(axes, order, look)
    _brackets(axes, table["brackets"].tolist(), numbers, look, frame)
    axes.set_xlabel(words.x)
    fewer_ticks(axes, frame, x=7)
    return figure


def _brackets(axes: Axes, joined: list[str], numbers: list[str], look: Look, frame: Frame) -> None:
    box = axes.get_position()
    inches = box.width * size_of(axes)[0]
    step = (0.17 * frame.small / 8) / inches
    for column, number in enumerate(numbers):
        rows = [row for row, text in enumerate(joined) if number in text.split()]
        x = 1 + step * (column + 1)
        tick = step * 0.3
        axes.plot(
            [x - tick, x, x, x - tick],
            [rows[0] - 0.3, rows[0] - 0.3, rows[-1] + 0.3, rows[-1] + 0.3],
            transform=axes.get_yaxis_transform(),
            color=look.ink,
            linewidth=frame.line * 1.3,
            clip_on=False,
        )
        for row in rows:
            axes.plot(
                [x],
                [row],
                transform=axes.get_yaxis_transform(),
                marker="o",
                color=look.ink,
                markersize=frame.small * 0.4,
                clip_on=False,
            )


def next_bags(table: pd.DataFrame, cast: Cast, words: ValueWords, look: Look, frame: Frame) -> Figure:
    """Return a row a fuel: where one burn of a new bag will fall (wide), and the mean's interval (narrow).

    Parameters
    ----------
    table
        fuel, mean, low, high (of a new burn), mean_low, mean_high; as shown.
    cast, words, look, frame
        Fuels in the order drawn, texts, colours, page or film.
    """
    figure, (axes,) = canvas(
        look,
        frame,
        0.75 + 0.36 * max(len(cast), 2),
        margins=(room_for(player.name for player in cast), 0.3, 0.5, 0.15),
    )
    for row, player in enumerate(cast):
        hue = look.fuel(player.place)
        for each in table[table["fuel"] == player.id].itertuples(index=False):
            axes.plot([each.low, each.high], [row, row], color=hue, linewidth=frame.line * 6, alpha=0.35)
            axes.plot([each.mean_low, each.mean_high], [row, row], color=hue, linewidth=frame.line * 2.6)
            axes.plot([each.mean], [row], marker=player.marker, color=hue, markersize=frame.small * 0.8)
    _fuel_rows(axes, cast, look)
    axes.set_xlabel(words.x)
    fewer_ticks(axes, frame, x=8)
    return figure
