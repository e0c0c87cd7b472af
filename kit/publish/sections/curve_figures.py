"""Curves drawn: all means on one set of axes, a panel per fuel, two fuels above their difference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from kit.publish.figures.canvas import (
    apart,
    canvas,
    fewer_ticks,
    name_axis,
    room_for,
    room_for_axis,
    short,
    size_of,
    type_gap,
    word,
)
from kit.publish.figures.look import PAGE, Axis, Cast, Frame, Look, Player

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PANELS_A_ROW: Final = 3


@dataclass(frozen=True)
class Lines:
    """What figures of curves draw, temperatures as shown.

    Attributes
    ----------
    burns
        fuel, burn, minutes, temp; a blank temp breaks the line.
    means
        fuel, minutes, mean, band_low, band_high; may be empty.
    flags
        fuel, burn, minutes, temp, flag of flagged readings.
    x, y
        The axes.
    end
        Minute at which the axis ends.
    thresholds
        Of the trial file, as shown.
    """

    burns: pd.DataFrame
    means: pd.DataFrame
    flags: pd.DataFrame
    x: Axis
    y: Axis
    end: float
    thresholds: tuple[float, ...] = ()

    def of(self, player: Player) -> pd.DataFrame:
        """Return what stands for a fuel: its mean, or its burn where there is no mean."""
        own = self.means[self.means["fuel"] == player.id].dropna(subset=["mean"])
        if len(own):
            return own
        burns = self.burns[self.burns["fuel"] == player.id]
        return burns.assign(mean=burns["temp"], band_low=float("nan"), band_high=float("nan"))


def overlay(lines: Lines, cast: Cast, look: Look, frame: Frame) -> Figure:
    """Return all fuels' means with their bands on one set of axes, each named at its peak."""
    end = lines.end
    for _ in range(2):  # names that reach beyond the axes get room within them
        figure, (axes,) = canvas(look, frame, 3.6, margins=(0.6, 0.2 + room_for_axis(lines.y), 0.5, 0.2))
        axes.set_xlim(0.0, end)
        _thresholds(axes, lines, look, frame)
        for player in cast:
            _mean_line(axes, lines.of(player), player, look, frame, alpha=0.14)
        name_axis(axes, "x", lines.x, look, frame)
        name_axis(axes, "y", lines.y, look, frame)
        fewer_ticks(axes, frame, x=8, y=6)
        beyond = _name_peaks(axes, lines, cast, look, frame)
        if beyond <= 0:
            break
        end *= 1 + beyond
    return figure


def _name_peaks(axes: Axes, lines: Lines, cast: Cast, look: Look, frame: Frame) -> float:
    """Mark each peak and name it to the right of every curve at its height; return the share beyond the axes."""
    drawn = {player: lines.of(player) for player in cast}
    drawn = {player: own[own["minutes"].between(*axes.get_xlim())] for player, own in drawn.items()}
    tops = {player: own.loc[own["mean"].idxmax()] for player, own in drawn.items() if len(own)}
    if not tops:
        return 0.0
    end = axes.get_xlim()[1]
    gap = 1.1 * type_gap(axes, frame)
    heights = dict(zip(tops, apart([float(top["mean"]) for top in tops.values()], gap), strict=True))
    low, high = axes.get_ylim()
    axes.set_ylim(low, max(high, max(heights.values()) + gap))
    width = axes.get_position().width * size_of(axes)[0]
    beyond = 0.0
    for player, top in tops.items():
        height = heights[player]
        hue = look.fuel(player.place)
        right = max(
            (
                float(own.loc[own["mean"] >= height - 0.7 * gap, "minutes"].max())
                for own in drawn.values()
                if (own["mean"] >= height - 0.7 * gap).any()
            ),
            default=float(top["minutes"]),
        )
        start = min(max(right, float(top["minutes"])) + 0.015 * end, end)
        axes.plot(
            [top["minutes"], start], [top["mean"], height], color=hue, linewidth=frame.line * 0.7, linestyle=":",
            zorder=3, gid=player.group,
        )  # fmt: skip
        axes.plot(
            [top["minutes"]], [top["mean"]], marker=player.marker, markersize=frame.small * 0.6, color=hue,
            markeredgecolor=look.paper, zorder=6, gid=player.group,
        )  # fmt: skip
        name = short(player.name, 22 if not frame.film else 18)
        word(axes, start, height, name, look, frame, nudge=frame.small / 3, gid=player.group)
        reach = room_for([name]) * frame.small / PAGE.small / width
        beyond = max(beyond, start / end + reach - 1)
    return beyond


def panels(lines: Lines, cast: Cast, look: Look, frame: Frame) -> Figure:
    """Return every burn as a thin line, each fuel's mean as a thick one with its band, a panel per fuel."""
    columns = min(len(cast), PANELS_A_ROW if len(cast) != 4 else 2)
    if frame.film and len(cast) > PANELS_A_ROW:
        columns = PANELS_A_ROW
    rows = -(-len(cast) // columns)
    height = {1: 3.6, 2: 2.6}.get(columns, 1.85) * rows + 0.75
    side = room_for_axis(lines.y)
    figure, axes = canvas(
        look, frame, height, rows, columns, share=(True, True), margins=(0.6, 0.2 + side, 0.5, 0.3)
    )
    figure.subplots_adjust(wspace=0.1, hspace=0.32)
    for place, (each, player) in enumerate(zip(axes, cast, strict=False)):
        each.set_xlim(0.0, lines.end)
        _thresholds(each, lines, look, frame)
        _burn_strokes(each, lines, player, look, frame)
        if len(lines.means):
            _mean_line(each, lines.of(player), player, look, frame, alpha=0.2)
        if not frame.film:
            _crosses(each, lines, player, look)
        name = short(player.name, 30 if not frame.film else 20)
        each.set_title(
            name, loc="left", fontsize=frame.small, color=look.ink, fontweight="bold", parse_math=False
        )
        last = place % columns == columns - 1 or place == len(cast) - 1
        fewer_ticks(each, frame, x=5 if columns > 1 else 8, y=5)
        if place + columns >= len(cast):
            name_axis(
                each,
                "x",
                lines.x if columns == 1 or place % columns == columns // 2 else Axis(""),
                look,
                frame,
            )
            each.tick_params(labelbottom=True)
        if place % columns == 0:
            name_axis(each, "y", Axis(lines.y.name, lines.y.second if last else ""), look, frame)
        elif last:
            name_axis(each, "y", Axis("", lines.y.second), look, frame)
    for spare in axes[len(cast) :]:
        spare.set_visible(False)
    return figure


def two_over_time(
    lines: Lines,
    cast: Cast,
    table: pd.DataFrame,
    spans: Sequence[tuple[float, float]],
    difference: Axis,
    look: Look,
    frame: Frame,
) -> Figure:
    """Return the burns and means of two fuels above their difference, on one axis of time.

    Parameters
    ----------
    lines, cast
        The curves of the two.
    table, spans
        minutes, difference, low, high, band_low, band_high; and the spans, in minutes, where the band excludes zero.
    difference
        The lower axis.
    """
    rows = 2 if len(table) else 1
    margins = (0.85, max(room_for(player.name for player in cast), 0.2) + room_for_axis(lines.y), 0.5, 0.2)
    figure, axes = canvas(look, frame, 2.9 * rows + 0.4, rows, 1, share=(True, False), margins=margins)
    figure.subplots_adjust(hspace=0.12)
    above = axes[0]
    above.set_xlim(0.0, lines.end)
    _thresholds(above, lines, look, frame)
    for player in cast:
        _burn_strokes(above, lines, player, look, frame)
        _mean_line(above, lines.of(player), player, look, frame, alpha=0.16)
        if not frame.film:
            _crosses(above, lines, player, look)
    name_axis(above, "y", lines.y, look, frame)
    fewer_ticks(above, frame, x=8, y=5)
    _name_peaks(above, lines, cast, look, frame)
    if len(table):
        below = axes[1]
        for start, end in spans:
            below.axvspan(start, end, ymax=0.035, color=look.mark, linewidth=0, zorder=5)
        below.axhline(0, color=look.ink, linewidth=frame.line * 0.8, zorder=1)
        drawn = table[table["minutes"].between(0, lines.end)]
        _band(below, drawn, ("band_low", "band_high"), look.mark, 0.18)
        _band(below, drawn, ("low", "high"), look.mark, 0.22)
        below.plot(
            drawn["minutes"], drawn["difference"], color=look.mark, linewidth=frame.line * 1.8, zorder=4
        )
        name_axis(below, "y", difference, look, frame)
        fewer_ticks(below, frame, y=5)
    name_axis(axes[-1], "x", lines.x, look, frame)
    return figure


def _thresholds(axes: Axes, lines: Lines, look: Look, frame: Frame) -> None:
    for level in lines.thresholds:
        axes.axhline(level, color=look.line, linewidth=frame.line * 0.8, linestyle=(0, (2, 2)), zorder=0)


def _burn_strokes(axes: Axes, lines: Lines, player: Player, look: Look, frame: Frame) -> None:
    own = lines.burns[(lines.burns["fuel"] == player.id) & lines.burns["minutes"].between(0, lines.end)]
    for _, burn in own.groupby("burn", sort=False):
        axes.plot(
            burn["minutes"], burn["temp"], color=look.fuel(player.place), linewidth=frame.line * 0.6, alpha=0.6,
            zorder=2,
        )  # fmt: skip


def _mean_line(axes: Axes, own: pd.DataFrame, player: Player, look: Look, frame: Frame, alpha: float) -> None:
    own = own[own["minutes"].between(*axes.get_xlim())]
    hue = look.fuel(player.place)
    _band(axes, own, ("band_low", "band_high"), hue, alpha, player.group)
    axes.plot(
        own["minutes"], own["mean"], color=hue, linewidth=frame.line * 1.9, linestyle=player.dash, zorder=4,
        gid=player.group,
    )  # fmt: skip


def _band(
    axes: Axes,
    table: pd.DataFrame,
    ends: tuple[str, str],
    colour: str,
    alpha: float,
    group: str | None = None,
) -> None:
    kept = table.dropna(subset=list(ends))
    if len(kept):
        x, low, high = (kept[name].astype(float).tolist() for name in ("minutes", *ends))
        axes.fill(x + x[::-1], low + high[::-1], color=colour, alpha=alpha, linewidth=0, zorder=1, gid=group)


def _crosses(axes: Axes, lines: Lines, player: Player, look: Look) -> None:
    seen = lines.flags[(lines.flags["fuel"] == player.id) & lines.flags["minutes"].between(0, lines.end)]
    axes.plot(
        seen["minutes"], seen["temp"], linestyle="none", marker="x", markersize=3.4, markeredgewidth=0.9,
        color=look.warn, zorder=5,
    )  # fmt: skip
