"""Temperature over time: every burn, each fuel's mean with its band, flagged readings, two fuels' difference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from kit.publish.figures.canvas import apart, canvas, fewer_ticks, room_for, short, type_gap, word
from kit.publish.figures.look import Cast, Frame, Look, Player

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PANELS_FROM = 4


@dataclass(frozen=True)
class CurveWords:
    """What stands on a figure of curves: axis names, thresholds as shown."""

    x: str
    y: str
    thresholds: Sequence[float] = ()


def burn_curves(
    burns: pd.DataFrame,
    means: pd.DataFrame,
    flags: pd.DataFrame,
    cast: Cast,
    words: CurveWords,
    look: Look,
    frame: Frame,
) -> Figure:
    """Return every burn as a thin line, each fuel's mean as a thick one with its simultaneous band.

    Parameters
    ----------
    burns
        fuel, burn, minutes, temp (as shown); a blank temp breaks the line.
    means
        fuel, minutes, mean, band_low, band_high; may be empty.
    flags
        fuel, burn, minutes, temp of flagged readings.
    cast, words, look, frame
        Fuels, texts, colours, page or film.

    Returns
    -------
    Figure
        One set of axes up to three fuels, a small panel a fuel beyond; for film always one.
    """
    panels = len(cast) >= PANELS_FROM and not frame.film
    columns = (2 if len(cast) == PANELS_FROM else 3) if panels else 1
    rows = -(-len(cast) // columns) if panels else 1
    figure, axes = canvas(
        look,
        frame,
        (2.1 if columns == 2 else 1.75) * rows + 0.7 if panels else 3.9,
        rows,
        columns,
        share=(True, True),
        margins=(0.6, 0.2, 0.5, 0.25) if panels else (0.6, room_for(map(_end_name, cast)), 0.5, 0.2),
    )
    groups = [cast.only([player.id]) for player in cast] if panels else [cast]
    for each, group in zip(axes, groups, strict=False):
        _one_panel(each, (burns, means, flags), group, words, look, frame)
    for spare in axes[len(groups) :]:
        spare.set_visible(False)
    _finish(figure, axes, panels, columns, len(groups), words, look, frame)
    if panels:
        _name_panels(axes, means, cast, look, frame)
    else:
        _label_ends(axes[0], means if len(means) else burns.assign(mean=burns["temp"]), cast, look, frame)
    return figure


def _one_panel(
    axes: Axes,
    tables: tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame],
    cast: Cast,
    words: CurveWords,
    look: Look,
    frame: Frame,
) -> None:
    burns, means, flags = tables
    crowded = frame.film and len(cast) >= PANELS_FROM
    for level in words.thresholds:
        axes.axhline(level, color=look.line, linewidth=frame.line * 0.8, linestyle=(0, (2, 2)), zorder=0)
    for player in cast:
        if not crowded:
            _thin_lines(axes, burns[burns["fuel"] == player.id], player, look, frame)
        mean = means[means["fuel"] == player.id] if len(means) else means
        if len(mean):
            _mean_line(axes, mean, player, look, frame, band=not crowded)
        seen = flags[flags["fuel"] == player.id] if len(flags) else flags
        if len(seen) and not frame.film:
            axes.plot(
                seen["minutes"],
                seen["temp"],
                linestyle="none",
                marker="x",
                markersize=3.4,
                markeredgewidth=0.9,
                color=look.warn,
                zorder=5,
            )


def _thin_lines(axes: Axes, burns: pd.DataFrame, player: Player, look: Look, frame: Frame) -> None:
    for _, burn in burns.groupby("burn", sort=False):
        axes.plot(
            burn["minutes"],
            burn["temp"],
            color=look.fuel(player.place),
            linewidth=frame.line * 0.6,
            alpha=0.6,
            zorder=2,
        )


def _mean_line(
    axes: Axes, mean: pd.DataFrame, player: Player, look: Look, frame: Frame, band: bool = True
) -> None:
    hue = look.fuel(player.place)
    if band:
        _band(axes, mean["minutes"], mean["band_low"], mean["band_high"], hue, 0.2)
    axes.plot(
        mean["minutes"], mean["mean"], color=hue, linewidth=frame.line * 1.9, linestyle=player.dash, zorder=4
    )


def _band(axes: Axes, x: Any, low: Any, high: Any, colour: str, alpha: float) -> None:
    kept = low.notna() & high.notna()
    xs, lows, highs = x[kept].tolist(), low[kept].tolist(), high[kept].tolist()
    axes.fill(xs + xs[::-1], lows + highs[::-1], color=colour, alpha=alpha, linewidth=0, zorder=1)


def _finish(
    figure: Figure,
    axes: Sequence[Axes],
    panels: bool,
    columns: int,
    used: int,
    words: CurveWords,
    look: Look,
    frame: Frame,
) -> None:
    for place, each in enumerate(axes[:used]):
        fewer_ticks(each, frame, x=5 if panels else 8, y=5)
        if place + columns >= used:
            each.set_xlabel(words.x)
            each.tick_params(labelbottom=True)
        if place % columns == 0:
            each.set_ylabel(words.y)
    if panels:
        figure.subplots_adjust(wspace=0.12, hspace=0.3)


def _name_panels(axes: Sequence[Axes], means: pd.DataFrame, cast: Cast, look: Look, frame: Frame) -> None:
    for each, player in zip(axes, cast, strict=False):
        each.text(
            0.0,
            1.04,
            short(player.name, 30),
            transform=each.transAxes,
            fontsize=frame.small,
            color=look.ink,
            fontweight="bold",
            parse_math=False,
        )


def _end_name(player: Player) -> str:
    return short(player.name, 22)


def _label_ends(axes: Axes, lines: pd.DataFrame, cast: Cast, look: Look, frame: Frame) -> None:
    ends = [
        (player, here["minutes"].iloc[-1], here["mean"].iloc[-1])
        for player in cast
        if len(here := lines[(lines["fuel"] == player.id) & lines["mean"].notna()])
    ]
    right = axes.get_xlim()[1]
    heights = apart([y for _, _, y in ends], type_gap(axes, frame))
    for (player, x, y), height in zip(ends, heights, strict=True):
        hue = look.fuel(player.place)
        axes.plot(
            [x, right], [y, height], color=hue, linewidth=frame.line * 0.6, linestyle=":", clip_on=False
        )
        word(axes, right, height, _end_name(player), look, frame, nudge=frame.small / 2)
    axes.set_xlim(right=right)


def difference_curve(
    table: pd.DataFrame, spans: Sequence[tuple[float, float]], words: CurveWords, look: Look, frame: Frame
) -> Figure:
    """Return the difference of two fuels over time with its simultaneous and its pointwise band.

    Parameters
    ----------
    table
        minutes, difference, low, high, band_low, band_high (as shown).
    spans
        From when to when the simultaneous band excludes zero, in minutes.
    words, look, frame
        Texts, colours, page or film.
    """
    figure, (axes,) = canvas(look, frame, 3.2, margins=(0.75, 0.3, 0.5, 0.2))
    for start, end in spans:
        axes.axvspan(start, end, ymax=0.03, color=look.mark, linewidth=0, zorder=5)
    axes.axhline(0, color=look.ink, linewidth=frame.line * 0.8, zorder=1)
    _band(axes, table["minutes"], table["band_low"], table["band_high"], look.mark, 0.18)
    _band(axes, table["minutes"], table["low"], table["high"], look.mark, 0.22)
    axes.plot(table["minutes"], table["difference"], color=look.mark, linewidth=frame.line * 1.8, zorder=4)
    axes.set_xlabel(words.x)
    axes.set_ylabel(words.y)
    fewer_ticks(axes, frame, x=8, y=6)
    return figure
