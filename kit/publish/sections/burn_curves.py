"""Temperature over time: all fuels' means in one picture, every burn in panels, two fuels with their difference."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from typing import Any, Final

import numpy as np
import pandas as pd

from kit.publish import canvas as figures
from kit.publish.canvas import Axes, Axis, Cast, Figure, Frame, Player, canvas, fewer_ticks, name_axis, short
from kit.publish.drawing import Drawing, figure_of
from kit.publish.report_data import ReportData, counts_of, pair_rows, stacked
from kit.publish.sections.section import topic
from kit.publish.wording import Count, called, counts_of_two, plural
from kit.schema import usable

EARLIEST_S: Final = -900.0
"""What was logged longer before time zero is not drawn: it is of no burn's heat."""
OUT_BELOW: Final = 0.25
"""The axis ends where the last fuel has come down to this share of its rise: the rest is cold ash."""
PANELS_A_ROW: Final = 3
POINTS: Final = 150
MOST_FLAGS: Final = 24
MOST_PANELS: Final = 12
MOST_CHOICES: Final = 12
ENDS: Final = ("low", "high", "band_low", "band_high")
DASHES: Final = ("solid", "dashed", "dotted", "dash and dot")


@topic("curves", "Curves of every burn")
def curves(data: ReportData) -> list[object]:
    """Return the curves of every burn, flagged readings visible, with means and simultaneous bands."""
    if not len(data.table("readings")):
        return ["No readings: the values came from the burn sheet alone."]
    others = sorted(set(data.table("readings")["probe"]) - {main_probe(data)})
    told = data.said("burn_curves", others=", ".join(others))
    drawn = Cast(data.cast.players[:MOST_PANELS])
    lines, all_drawn = lines_of(data, drawn), len(drawn) == len(data.cast)
    drawing = figure_of(
        data, "curves", "",
        _data(lines if all_drawn else lines_of(data, data.cast)),
        partial(panels, lines, drawn),
        means=len(lines.means) and not data.singles,
        thresholds=lines.thresholds,
        flags=len(lines.flags),
        some=not all_drawn,
        drawn=len(drawn),
        all=len(data.cast),
        **_parts(data, drawn, lines),
    )  # fmt: skip
    return [told, drawing]


def main_probe(data: ReportData) -> str:
    """Return the probe whose curve is shown: the declared one, else the first in the readings."""
    probes = list(dict.fromkeys(data.table("readings")["probe"]))
    wanted = data.trial.main_probe
    return wanted if wanted and wanted in probes else str(probes[0] if probes else "")


@dataclass(frozen=True)
class Lines:
    """What figures of curves draw, temperatures as shown.

    Attributes
    ----------
    burns
        fuel, burn, minutes, temp; a blank temp breaks the line.
    means
        fuel, minutes, mean, band_low, band_high, n, whole (no burn of the fuel has ended yet); may be empty.
    flags
        fuel, burn, minutes, temp, flag of flagged readings.
    x, y
        The axes.
    end
        Minute at which the axis ends.
    thresholds
        Of the trial file, as shown.
    n
        Burns and bags of each fuel that has readings of the main probe that count.
    """

    burns: pd.DataFrame
    means: pd.DataFrame
    flags: pd.DataFrame
    x: Axis
    y: Axis
    end: float
    thresholds: tuple[float, ...]
    n: Mapping[str, Count]

    def of(self, player: Player) -> pd.DataFrame:
        """Return what stands for a fuel: its mean, or its burn where there is no mean."""
        own = self.means[self.means["fuel"] == player.id].dropna(subset=["mean"])
        if len(own):
            return own
        burns = self.burns[self.burns["fuel"] == player.id]
        return burns.assign(mean=burns["temp"], band_low=float("nan"), band_high=float("nan"), whole=True)

    @property
    def thins(self) -> bool:
        """Whether a mean is drawn on after one of its burns has ended."""
        shown = self.means[self.means["minutes"] <= self.end]
        return bool((~shown["whole"] & shown["mean"].notna()).any())


@lru_cache(maxsize=1)
def lines_of(data: ReportData, cast: Cast) -> Lines:
    """Return the curves of some fuels as they are drawn."""
    ids = [player.id for player in cast]
    fuel_of = dict(zip(data.sheet["burn"], data.sheet["fuel"], strict=True))
    readings = data.table("readings")
    readings = readings[readings["probe"] == main_probe(data)]
    metrics = data.table("metrics")
    n = counts_of(metrics[metrics["burn"].isin(data.compared & set(readings["burn"]))])
    shown = data.compared | set(data.analysis.run.in_state("excluded")["burn"])
    readings = readings[readings["burn"].isin(shown) & readings["burn"].map(fuel_of).isin(ids)]
    readings = readings[readings["elapsed_s"].astype(float) >= EARLIEST_S]
    burns = thin_burns(readings)
    low, high = (burns["temp_c"].min(), burns["temp_c"].max()) if len(burns) else (0.0, 1.0)
    burns, flags = (
        each.assign(fuel=each["burn"].map(fuel_of), temp=data.shown(each["temp_c"], "°C"))
        for each in (burns, thin_flags(readings, low, high))
    )
    table = data.table("mean_curves")
    means = data.as_shown(table[table["fuel"].isin(ids)], "°C", "mean", *ENDS)
    means = means.assign(minutes=means["elapsed_s"].astype(float) / 60)
    all_there = means["n"] == means.groupby("fuel")["n"].transform("max")
    last = means["minutes"].where(all_there).groupby(means["fuel"]).transform("max")
    means = means.assign(whole=means["minutes"] <= last)
    thresholds = tuple(float(data.shown(level, "°C")) for level in data.trial.thresholds)
    drawn = means.assign(temp=means["mean"]) if len(means.dropna(subset=["mean"])) else burns
    end = fire_end(drawn, min(thresholds, default=float("inf")))
    x, y = Axis(called("minutes", data.trial.time_zero)), Axis(data.unit("°C"), data.second_scale("°C"))
    return Lines(burns, means, flags, x, y, end, thresholds, {fuel: n[fuel] for fuel in ids if fuel in n})


def fire_end(lines: pd.DataFrame, lowest: float) -> float:
    """Return the minute at which the last fuel has come down to a quarter of its rise, or to the lowest threshold."""
    ends = [1.0]
    for _, own in lines.dropna(subset=["temp"]).groupby("fuel", sort=False):
        top, base = float(own["temp"].max()), float(own["temp"].min())
        hot = own[own["temp"] >= min(base + OUT_BELOW * (top - base), lowest)]
        ends.append(float(hot["minutes"].max()))
    return 1.03 * max(ends)


def overlay_drawing(data: ReportData) -> Drawing | None:
    """Return the one picture of all fuels' mean curves with their bands; None without burns that count."""
    if not len(data.table("readings")):
        return None
    cast, lines = data.cast, lines_of(data, data.cast)
    if not lines.n:
        return None
    kinds = list(dict.fromkeys((player.kind, player.kind_place) for player in cast if player.kind))
    kinds = kinds if len(kinds) > 1 else []
    dashes = ", ".join(f"{DASHES[place % 4]} for {plural(kind)}" for kind, place in kinds)
    choices = [(f"fuel-{player.place + 1}", short(player.name, 30)) for player in cast]
    choices = choices if len(cast) <= MOST_CHOICES else []
    choices += [(f"kind-{place + 1}", f"{plural(kind)} alone") for kind, place in kinds]
    drawn, draw = _data(lines, burns=data.singles), partial(overlay, lines, cast)
    made = figure_of(data, "overlay", "", drawn, draw, dashes=dashes, **_parts(data, cast, lines))
    return replace(made, choices=tuple(choices) if data.many_fuels else (), narrow=True)


def _parts(data: ReportData, cast: Cast, lines: Lines) -> dict[str, object]:
    """Return the parts that words of curves share: what is drawn, of how many burns, at which probe."""
    probe = main_probe(data)
    declared = data.trial.find_probe(probe)
    place = declared.place if declared and declared.place else f"probe {probe}" if probe else ""
    told = [f"Temperature against {lines.x.name}."]
    for player in cast:
        own = lines.of(player).dropna(subset=["mean"])
        if len(own):
            said = {
                "player": player,
                "burns": lines.n.get(player.id, Count()).burns,
                "means": len(lines.means),
            }
            ends = {"top": _top(own), "last": own.iloc[-1]}
            told.append(data.said("curve", axis=lines.y, **said, **ends))
    return {
        "alt": " ".join(told),
        "at": f", {place}" if place else "",
        "band": data.said("band", banded=lines.means["band_low"].notna().any(), fewer=lines.thins),
        **data.n_parts(lines.n),
    }


def _data(lines: Lines, difference: pd.DataFrame | None = None, burns: bool = True) -> pd.DataFrame:
    means = lines.means[["fuel", "minutes", "mean", *ENDS, "n"]].rename(columns={"mean": "temp"})
    parts = [means.assign(what="mean")]
    if burns:
        flags = lines.flags[["fuel", "burn", "minutes", "temp", "flag"]].assign(what="flagged reading")
        parts = [lines.burns[["fuel", "burn", "minutes", "temp"]].assign(what="burn"), flags, *parts]
    if difference is not None:
        columns = ["minutes", "difference", *ENDS, "n_a", "n_b"]
        parts.append(difference[columns].assign(what="difference"))
    return stacked(*parts)


def two_drawing(data: ReportData, a: str, b: str) -> Drawing | None:
    """Return every burn of two fuels and, on the same axis of time, their difference; None without readings."""
    if not len(data.table("readings")):
        return None
    cast, unit = data.cast.only((a, b)), data.unit("°C", difference=True)
    lines = lines_of(data, cast)
    table, spans = difference_table(data, a, b, lines.end)
    names, banded = (data.name(a), data.name(b)), bool(table["band_low"].notna().any())
    judged = pair_rows(data.table("comparisons"), a, b)
    tops = table.loc[table["difference"].astype(float).abs().nlargest(1).index]
    parts = _parts(data, cast, lines) | {
        **dict(zip("ab", names, strict=True)),
        "difference": len(table),
        "most": tops.to_dict("records"),
        "unit": unit,
        "of": counts_of_two(*names, [lines.n.get(fuel, Count()) for fuel in (a, b)]),
        "banded": banded,
        "band": data.said("band", banded=banded, fewer=lines.thins),
        "spans": [
            data.said("span", start=round(start), end=round(end), long=end - start >= 1)
            for start, end in spans
        ],
        "inseparable": "cannot be separated" in set(judged["verdict"]),
        "headline": " minus ".join(short(name.split()[0], 16) for name in names),
    }
    axis = Axis(unit, data.second_scale("°C", difference=True))
    draw = partial(two_over_time, lines, table, spans, names, axis, cast)
    return figure_of(data, "over time", f"{a} {b}", _data(lines, table), draw, **parts)


def difference_table(
    data: ReportData, a: str, b: str, end: float
) -> tuple[pd.DataFrame, list[tuple[float, float]]]:
    """Return a minus b as shown, up to the minute where the axis ends, and when the simultaneous band excludes zero."""
    table = pair_rows(data.table("difference_curves"), a, b)
    made = data.as_shown(table, "°C", "difference", *ENDS, difference=True)
    made = made.assign(minutes=made["elapsed_s"].astype(float) / 60)
    made = made[made["minutes"].between(0, end)].reset_index(drop=True)
    side = (made["band_low"] > 0).astype(int) - (made["band_high"] < 0).astype(int)
    spans = [
        (float(run["minutes"].iloc[0]), float(run["minutes"].iloc[-1]))
        for _, run in made.groupby((side != side.shift()).cumsum(), sort=False)
        if side[run.index[0]] != 0
    ]
    return made, spans


def overlay(lines: Lines, cast: Cast, frame: Frame) -> Figure:
    """Return all fuels' means with their bands on one set of axes, each named at its peak."""
    end, margins = lines.end, (0.6, 0.2 + figures.room_for_axis(lines.y), 0.5, 0.2)
    for _ in range(2):  # names that reach beyond the axes get room within them
        figure, (axes,) = canvas(frame, 3.6, margins=margins)
        axes.set_xlim(0.0, end)
        _thresholds(axes, lines, frame)
        for player in cast:
            _mean_line(axes, lines.of(player), player, frame, alpha=0.14)
        name_axis(axes, "x", lines.x, frame)
        name_axis(axes, "y", lines.y, frame)
        fewer_ticks(axes, frame, x=8, y=6)
        beyond = _name_peaks(axes, lines, cast, frame)
        if beyond <= 0:
            break
        end *= 1 + beyond
    return figure


def _top(own: pd.DataFrame) -> pd.Series:
    """Return where a fuel's line is highest while all its burns are there."""
    return own.loc[own["mean"].where(own["whole"]).idxmax()]


def _name_peaks(axes: Axes, lines: Lines, cast: Cast, frame: Frame) -> float:
    """Mark each peak and name it to the right of every curve at its height; return what the axis lacks, as a share."""
    end = axes.get_xlim()[1]
    drawn = {player: own[own["minutes"].between(0, end)] for player in cast if len(own := lines.of(player))}
    tops = {player: _top(own) for player, own in drawn.items() if len(own)}
    if not tops:
        return 0.0
    (low, high), box, (inches_wide, inches_high) = axes.get_ylim(), axes.get_position(), figures.size_of(axes)
    gap = (
        1.1 * (high - low) * frame.small * 1.25 / 72 / (box.height * inches_high)
    )  # a line of type, and some air
    heights = dict(zip(tops, figures.apart([float(top["mean"]) for top in tops.values()], gap), strict=True))
    axes.set_ylim(low, max(high, max(heights.values()) + gap))
    width = box.width * inches_wide
    beyond = 0.0
    for player, top in tops.items():
        minute, peak, height = float(top["minutes"]), float(top["mean"]), heights[player]
        near = [own.loc[own["mean"] >= height - 0.7 * gap, "minutes"].max() for own in drawn.values()]
        start = min(max([minute, *(float(last) for last in near if last == last)]) + 0.015 * end, end)
        style: dict[str, Any] = {"color": frame.fuel(player.place), "gid": player.group}
        axes.plot(
            [minute, start], [peak, height], linewidth=frame.pen * 0.7, linestyle=":", zorder=3, **style
        )
        style |= {"marker": player.marker, "markeredgecolor": frame.paper, "markersize": frame.small * 0.6}
        axes.plot([minute], [peak], zorder=6, **style)
        name = short(player.name, 22)
        figures.word(axes, start, height, name, frame, nudge=frame.small / 3, gid=player.group)
        share = figures.room_for([name]) * frame.small / figures.PAGE.small / width
        beyond = max(beyond, start / end / max(1 - share, 0.2) - 1)
    return beyond


def panels(lines: Lines, cast: Cast, frame: Frame) -> Figure:
    """Return every burn as a thin line, each fuel's mean as a thick one with its band, a panel per fuel."""
    columns = 2 if len(cast) == 4 and not frame.film else min(len(cast), PANELS_A_ROW)
    rows = -(-len(cast) // columns)
    height = {1: 3.6, 2: 2.6}.get(columns, 1.85) * rows + 0.75
    margins = (0.6, 0.2 + figures.room_for_axis(lines.y), 0.5, 0.3)
    figure, axes = canvas(frame, height, rows, columns, share=(True, True), margins=margins)
    figure.subplots_adjust(wspace=0.1, hspace=0.32)
    for place, (each, player) in enumerate(zip(axes, cast, strict=False)):
        each.set_xlim(0.0, lines.end)
        _fuel(each, lines, player, frame, alpha=0.2)
        title: dict[str, Any] = {"fontsize": frame.small, "color": frame.ink, "fontweight": "bold"}
        name = short(player.name, 20 if frame.film and columns > 2 else 30)
        each.set_title(name, loc="left", parse_math=False, **title)
        fewer_ticks(each, frame, x=5 if columns > 1 else 8, y=5)
        if place + columns >= len(cast):
            middle = columns == 1 or place % columns == columns // 2
            name_axis(each, "x", lines.x if middle else Axis(""), frame)
            each.tick_params(labelbottom=True)
        first, last = place % columns == 0, place % columns == columns - 1 or place == len(cast) - 1
        if first or last:
            axis = Axis(lines.y.name if first else "", lines.y.second if last else "")
            name_axis(each, "y", axis, frame)
    for spare in axes[len(cast) :]:
        spare.set_visible(False)
    return figure


def two_over_time(
    lines: Lines,
    table: pd.DataFrame,
    spans: Sequence[tuple[float, float]],
    names: Sequence[str],
    y: Axis,
    cast: Cast,
    frame: Frame,
) -> Figure:
    """Return the burns and means of two fuels above their difference, on one axis of time.

    Parameters
    ----------
    table, spans
        minutes, difference, low, high, band_low, band_high; and the spans, in minutes, where the band excludes zero.
    names, y
        The first fuel's and the second's; the lower axis, named by its unit.
    """
    rows = 2 if len(table) else 1
    right = max(figures.room_for(player.name for player in cast), 0.2) + figures.room_for_axis(lines.y)
    margins = (0.85, right, 0.5, 0.2)
    figure, axes = canvas(frame, 2.9 * rows + 0.4, rows, 1, share=(True, False), margins=margins)
    figure.subplots_adjust(hspace=0.12)
    above = axes[0]
    above.set_xlim(0.0, lines.end)
    for player in cast:
        _fuel(above, lines, player, frame, alpha=0.16)
    name_axis(above, "y", lines.y, frame)
    fewer_ticks(above, frame, x=8, y=5)
    _name_peaks(above, lines, cast, frame)
    if len(table):
        below = axes[1]
        for start, end in spans:
            below.axvspan(start, end, ymax=0.035, color=frame.mark, linewidth=0, zorder=5)
        below.axhline(0, color=frame.ink, linewidth=frame.pen * 0.8, zorder=1)
        _band(below, table, ("band_low", "band_high"), frame.mark, 0.18)
        _band(below, table, ("low", "high"), frame.mark, 0.22)
        below.plot(
            table["minutes"], table["difference"], color=frame.mark, linewidth=frame.pen * 1.8, zorder=4
        )
        minus = " minus\n".join(short(name, 14 if frame.film else 24) for name in names)
        name_axis(below, "y", replace(y, name=f"{minus}, {y.name}"), frame)
        fewer_ticks(below, frame, y=5)
    name_axis(axes[-1], "x", lines.x, frame)
    return figure


def _fuel(axes: Axes, lines: Lines, player: Player, frame: Frame, alpha: float) -> None:
    """Draw a fuel among the thresholds: burns thin, their mean thick with its band, flagged readings as crosses."""
    _thresholds(axes, lines, frame)
    burns, flags = (
        rows[(rows["fuel"] == player.id) & rows["minutes"].between(0, lines.end)]
        for rows in (lines.burns, lines.flags)
    )
    thin: dict[str, Any] = {"color": frame.fuel(player.place), "linewidth": frame.pen * 0.6, "alpha": 0.6}
    for _, burn in burns.groupby("burn", sort=False):
        axes.plot(burn["minutes"], burn["temp"], zorder=2, **thin)
    if len(lines.means):
        _mean_line(axes, lines.of(player), player, frame, alpha)
    if not frame.film:
        cross: dict[str, Any] = {"markersize": 3.4, "markeredgewidth": 0.9, "color": frame.warn}
        axes.plot(flags["minutes"], flags["temp"], "x", zorder=5, **cross)


def _thresholds(axes: Axes, lines: Lines, frame: Frame) -> None:
    for level in lines.thresholds if not axes.lines else ():
        axes.axhline(level, color=frame.line, linewidth=frame.pen * 0.8, linestyle=(0, (2, 2)), zorder=0)


def _mean_line(axes: Axes, own: pd.DataFrame, player: Player, frame: Frame, alpha: float) -> None:
    own = own[own["minutes"].between(*axes.get_xlim())]
    hue = frame.fuel(player.place)
    _band(axes, own, ("band_low", "band_high"), hue, alpha, player.group)
    style: dict[str, Any] = {"color": hue, "linestyle": player.dash, "zorder": 4, "gid": player.group}
    axes.plot(own["minutes"], own["mean"].where(own["whole"]), linewidth=frame.pen * 1.9, **style)
    if not own["whole"].all():
        from_there = ~own["whole"].shift(-1, fill_value=False)
        axes.plot(own["minutes"], own["mean"].where(from_there), linewidth=frame.pen * 0.9, **style)


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


def thin_burns(readings: pd.DataFrame) -> pd.DataFrame:
    """Return the usable readings of each burn, at most about `POINTS` of them.

    Each burn's time is cut into spans of equal length, and of each span the lowest and the highest reading are
    kept, so that no peak or dip is lost. A hole of more than three spans is marked by a blank row.

    Parameters
    ----------
    readings
        burn, elapsed_s, temp_c, flag of one probe.

    Returns
    -------
    DataFrame
        burn, minutes, temp_c.
    """
    flags = {flag: usable(flag) for flag in readings["flag"].unique()}
    good = readings[readings["flag"].map(flags).astype(bool) & readings["temp_c"].notna()]
    columns, parts = ["burn", "minutes", "temp_c"], []
    for _, burn in good.groupby("burn", sort=False):
        ordered = burn.sort_values("elapsed_s", kind="stable").reset_index(drop=True)
        time, temp = ordered["elapsed_s"].astype(float), ordered["temp_c"].astype(float)
        span = max(time.iloc[-1] - time[0], 1.0) / (POINTS / 2)
        place = ((time - time[0]) / span).astype(int).clip(upper=POINTS)
        lowest, highest = temp.groupby(place).idxmin(), temp[::-1].groupby(place[::-1]).idxmax()
        thinned = ordered.iloc[sorted({0, len(time) - 1, *lowest, *highest})].assign(minutes=time / 60)
        after = thinned["minutes"].shift(-1)
        holes = thinned.assign(minutes=(thinned["minutes"] + after) / 2, temp_c=math.nan)
        whole = pd.concat([thinned, holes[after - thinned["minutes"] > 3 * span / 60]])
        parts.append(whole.sort_values("minutes", kind="stable"))
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def thin_flags(readings: pd.DataFrame, low: float, high: float) -> pd.DataFrame:
    """Return flagged readings to be marked: at most some two dozen a burn and flag, held within the axis.

    Parameters
    ----------
    readings
        burn, elapsed_s, temp_c, flag of one probe.
    low, high
        Ends of the temperature axis, °C: readings beyond are drawn at its edge, blank ones at its foot.

    Returns
    -------
    DataFrame
        burn, minutes, temp_c, flag.
    """
    flagged = readings[readings["flag"] != ""]
    groups = flagged.groupby(["burn", "flag"], sort=False)
    rank, size = groups.cumcount(), groups["flag"].transform("size")
    step = np.ceil(size / MOST_FLAGS)
    kept = flagged[(rank % step == 0) | (rank == size - 1)]
    inside = kept["temp_c"].astype(float).clip(low, high).fillna(low)
    return kept.assign(minutes=kept["elapsed_s"] / 60, temp_c=inside)[["burn", "minutes", "temp_c", "flag"]]
