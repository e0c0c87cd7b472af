"""Temperature over time: all fuels' means in one picture, every burn in panels, two fuels with their difference."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Final

from kit.page.numbers import plain
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
from kit.publish.figures.drawing import Drawing
from kit.publish.figures.look import PAGE, Axis, Cast, Frame, Look, Player
from kit.publish.report_data import ReportData, n_note, n_words, report_data
from kit.publish.sections.section import Section, paragraph, section, shown
from kit.publish.sections.thinned import thin_burns, thin_flags
from kit.publish.wording import APART, counts, listed

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

EARLIEST_S: Final = -900.0
"""What was logged longer before time zero is not drawn: it is of no burn's heat."""
OUT_BELOW: Final = 0.25
"""The axis ends where the last fuel has come down to this share of its rise: the rest is cold ash."""
MOST_PANELS: Final = 12
MOST_CHOICES: Final = 12
PANELS_A_ROW: Final = 3
TIME_ZERO: Final = {
    "lit": "minutes since lighting",
    "tipped": "minutes since tipping in",
    "lid on": "minutes since the lid went on",
}


def curves(analysis: Any) -> Section:
    """Return the curves of every burn, flagged readings visible, with means and simultaneous bands."""
    data = report_data(analysis)
    if not len(data.table("readings")):
        told = "No readings: the values came from the burn sheet alone."
        return section("curves", "Curves", [paragraph(told)])
    drawing = panels_drawing(data)
    others = sorted(set(data.table("readings")["probe"]) - {main_probe(data)})
    also = f" Other probes in the logs, not drawn: {', '.join(others)}." if others else ""
    told = (
        "One curve per fuel: how far another burn of it would lie from this one is not known."
        if data.singles
        else "Look first at the spread between burns of one fuel: every error bar below is built on it."
    )
    return section("curves", "Curves of every burn", [paragraph(f"{told}{also}"), shown(drawing)], [drawing])


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


def lines_of(data: ReportData, cast: Cast) -> Lines:
    """Return the curves of some fuels as they are drawn."""
    burns, flags = _burn_lines(data, cast)
    table = data.table("mean_curves")
    table = table[table["fuel"].isin([player.id for player in cast])]
    names = ("mean", "low", "high", "band_low", "band_high")
    values = {name: data.shown(table[name], "°C") for name in names}
    means = table.assign(minutes=table["elapsed_s"].astype(float) / 60, **values)
    thresholds = tuple(float(data.shown(level, "°C")) for level in data.trial.thresholds)
    drawn = means.assign(temp=means["mean"]) if len(means.dropna(subset=["mean"])) else burns
    end = fire_end(drawn, min(thresholds, default=float("inf")))
    y = Axis(data.unit("°C"), data.second_scale("°C"))
    return Lines(burns, means, flags, Axis(TIME_ZERO[data.trial.time_zero]), y, end, thresholds)


def fire_end(lines: pd.DataFrame, lowest: float) -> float:
    """Return the minute at which the last fuel has come down to a quarter of its rise, or to the lowest threshold."""
    ends = [1.0]
    for _, own in lines.dropna(subset=["temp"]).groupby("fuel", sort=False):
        top, base = float(own["temp"].max()), float(own["temp"].min())
        hot = own[own["temp"] >= min(base + OUT_BELOW * (top - base), lowest)]
        ends.append(float(hot["minutes"].max()))
    return 1.03 * max(ends)


def _burn_lines(data: ReportData, cast: Cast) -> tuple[pd.DataFrame, pd.DataFrame]:
    fuel_of = dict(zip(data.sheet["burn"], data.sheet["fuel"], strict=True))
    readings = data.table("readings")
    readings = readings[readings["probe"] == main_probe(data)]
    readings = readings[readings["burn"].isin(data.compared | set(data.in_state("excluded")["burn"]))]
    readings = readings[readings["burn"].map(fuel_of).isin([player.id for player in cast])]
    readings = readings[readings["elapsed_s"].astype(float) >= EARLIEST_S]
    burns = thin_burns(readings)
    low, high = (burns["temp_c"].min(), burns["temp_c"].max()) if len(burns) else (0.0, 1.0)
    burns, flags = (
        each.assign(fuel=each["burn"].map(fuel_of), temp=data.shown(each["temp_c"], "°C"))
        for each in (burns, thin_flags(readings, low, high))
    )
    return burns, flags


def overlay_drawing(data: ReportData) -> Drawing | None:
    """Return the one picture of all fuels' mean curves with their bands; None without readings."""
    if not len(data.table("readings")):
        return None
    cast = data.cast
    lines = lines_of(data, cast)
    banded = bool(lines.means["band_low"].notna().any())
    kinds = {player.kind: player for player in reversed(tuple(cast)) if player.kind}
    names = {player.id: player.name for player in cast}
    told = [
        "Mean curve of each fuel" if not data.singles else "The one burn of each fuel",
        f"({n_words(_n(data, cast), names)}){_at(data)}, marked and named at its peak.",
    ]
    if len(kinds) > 1:
        styles = [f"{_dash_word(player)} {kind}" for kind, player in reversed(kinds.items())]
        told.append(f"Lines: {', '.join(styles)}.")
    told.append(_band_words(data) if banded else "")
    told.append("The axis ends with the fire, not with the log.")
    choices = (
        [(f"fuel-{player.place + 1}", player.name) for player in cast] if len(cast) <= MOST_CHOICES else []
    )
    if len(kinds) > 1:
        choices += [
            (f"kind-{player.kind_place + 1}", f"{kind} alone") for kind, player in reversed(kinds.items())
        ]
    note = (
        f"band: {data.percent}; {n_note(list(_n(data, cast).values()))}"
        if banded
        else n_note(list(_n(data, cast).values()))
    )
    return Drawing(
        id="overlay",
        title="Mean curves of all fuels" if not data.singles else "Curves of all fuels",
        alt=_alt(data, cast, lines),
        caption=" ".join(part for part in told if part),
        headline="Mean temperature of each fuel" if not data.singles else "One burn of each fuel",
        note=note,
        data=_data(lines, burns=data.singles),
        draw=partial(overlay, lines, cast),
        simulated=data.simulated,
        choices=tuple(choices) if len(cast) > 2 else (),
    )


def _n(data: ReportData, cast: Cast) -> dict[str, tuple[int, int]]:
    """Return burns and bags of each fuel that have readings of the main probe and count."""
    readings = data.table("readings")
    burns = set(readings.loc[readings["probe"] == main_probe(data), "burn"]) & data.compared
    rows = data.table("metrics")[["fuel", "bag", "burn"]].drop_duplicates()
    rows = rows[rows["burn"].isin(burns)]
    return {
        player.id: (int(own["burn"].nunique()), int(own.loc[own["bag"] != "", "bag"].nunique()))
        for player in cast
        if len(own := rows[rows["fuel"] == player.id])
    }


def _dash_word(player: Player) -> str:
    return ("solid", "dashed", "dotted", "dash and dot")[player.kind_place % 4]


def _band_words(data: ReportData) -> str:
    return (
        f"Shaded: {data.percent} band for the whole mean curve at once; the mean of all burns one could make with "
        f"{'bags' if data.bags else 'fuels'} like these lies inside it throughout."
    )


def _at(data: ReportData) -> str:
    probe = main_probe(data)
    declared = data.trial.find_probe(probe)
    place = declared.place if declared and declared.place else f"probe {probe}" if probe else ""
    return f", {place}" if place else ""


def _data(lines: Lines, burns: bool = True) -> pd.DataFrame:
    import pandas as pd

    columns = ["fuel", "minutes", "mean", "low", "high", "band_low", "band_high", "n"]
    parts = [lines.means[columns].rename(columns={"mean": "temp"}).assign(what="mean")]
    if burns:
        flags = lines.flags[["fuel", "burn", "minutes", "temp", "flag"]].assign(what="flagged reading")
        parts = [lines.burns[["fuel", "burn", "minutes", "temp"]].assign(what="burn"), flags, *parts]
    kept = [part for part in parts if len(part)]
    return pd.concat(kept, ignore_index=True) if kept else parts[0]


def _alt(data: ReportData, cast: Cast, lines: Lines) -> str:
    told = []
    unit, n = lines.y.name, _n(data, cast)
    for player in cast:
        own = lines.of(player).dropna(subset=["mean"])
        if not len(own):
            continue
        top, last = own.loc[own["mean"].idxmax()], own.iloc[-1]
        who = "the mean climbs" if len(lines.means) and not data.singles else "it climbs"
        burns = n.get(player.id, (0, 0))[0]
        told.append(
            f"{player.name}, {burns} burn{'s' * (burns != 1)}: {who} to {plain(top['mean'], 0)} {unit} at "
            f"{plain(top['minutes'], 0)} minutes and ends at {plain(last['mean'], 0)} {unit} after "
            f"{plain(last['minutes'], 0)} minutes"
        )
    return f"Temperature against {lines.x.name}. " + ". ".join(told) + "."


def panels_drawing(data: ReportData, fuels: tuple[str, ...] = ()) -> Drawing:
    """Return the drawing of every burn, a panel per fuel, with means and bands."""
    cast = data.cast.only(fuels) if fuels else data.cast
    drawn = Cast(cast.players[:MOST_PANELS])
    lines, n = lines_of(data, drawn), _n(data, drawn)
    names = {player.id: player.name for player in cast}
    banded = bool(lines.means["band_low"].notna().any())
    told = [
        f"Thin lines: every burn ({n_words(n, names)}){_at(data)}, drawn from each stretch's lowest to its highest "
        "reading."
    ]
    if len(lines.means) and not data.singles:
        told.append("Thick line: the mean over burns.")
    if banded:
        told.append(_band_words(data))
    if lines.thresholds:
        told.append("Dotted: the thresholds of the trial file.")
    if len(lines.flags):
        told.append(
            "Crosses: flagged readings; those beyond the axis stand at its edge, blank ones at its foot."
        )
    if len(cast) > len(drawn):
        told.append(
            f"Drawn are the first {len(drawn)} of {len(cast)} fuels; the data file holds all of them."
        )
    return Drawing(
        id=" ".join(["curves", *fuels]),
        title="Temperature over time, every burn",
        alt=_alt(data, drawn, lines),
        caption=" ".join(told),
        headline="Every burn, fuel by fuel",
        note=f"line: mean; band: {data.percent}; {n_note(list(n.values()))}"
        if banded
        else n_note(list(n.values())),
        data=_data(lines if len(cast) == len(drawn) else lines_of(data, cast)),
        draw=partial(panels, lines, drawn),
        simulated=data.simulated,
    )


def two_drawing(data: ReportData, a: str, b: str) -> Drawing | None:
    """Return every burn of two fuels and, on the same axis of time, their difference; None without readings."""
    if not len(data.table("readings")):
        return None
    cast = data.cast.only((a, b))
    lines, (table, spans) = lines_of(data, cast), difference_table(data, a, b)
    name_a, name_b = data.name(a), data.name(b)
    banded = bool(len(table)) and bool(table["band_low"].notna().any())
    told = [
        f"Above: thin lines every burn, thick lines the means ({_pair_n(data, a, b)}){_at(data)}."
        if not data.singles
        else f"Above: the one burn of each fuel{_at(data)}."
    ]
    told += [_band_words(data)] if banded else []
    if len(table):
        told.append(f"Below: mean of {name_a} minus mean of {name_b}. {_shades(data, table, {a, b})}")
        told.append(spans_words(spans, name_a, name_b) if banded else "")
    return Drawing(
        id=f"over time {a} {b}",
        title=f"{name_a} and {name_b} over time",
        alt=_alt(data, cast, lines)
        + (f" {_difference_alt(data, table, name_a, name_b)}" if len(table) else ""),
        caption=" ".join(part for part in told if part),
        headline=f"{short(name_a.split()[0], 16)} minus {short(name_b.split()[0], 16)}",
        note=f"band: {data.percent}, whole curve" if banded else "no band",
        data=_with_difference(_data(lines), table),
        draw=partial(two_over_time, lines, cast, table, spans, _difference_axis(data, name_a, name_b)),
        simulated=data.simulated,
    )


def _pair_n(data: ReportData, a: str, b: str) -> str:
    n = _n(data, data.cast.only((a, b)))
    (burns_a, bags_a), (burns_b, bags_b) = n.get(a, (0, 0)), n.get(b, (0, 0))
    return counts(data.name(a), data.name(b), (burns_a, burns_b), (bags_a, bags_b))


def _difference_axis(data: ReportData, a: str, b: str) -> Axis:
    unit = data.unit("°C", difference=True)
    return Axis(f"{short(a, 14)} minus\n{short(b, 14)}, {unit}", data.second_scale("°C", difference=True))


def _with_difference(drawn: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
    import pandas as pd

    if not len(table):
        return drawn
    columns = ["minutes", "difference", "low", "high", "band_low", "band_high", "n_a", "n_b"]
    return pd.concat([drawn, table[columns].assign(what="difference")], ignore_index=True)


def _difference_alt(data: ReportData, table: pd.DataFrame, a: str, b: str) -> str:
    extreme = table.loc[table["difference"].abs().idxmax()]
    return (
        f"{a} minus {b} is largest at {plain(extreme['minutes'], 0)} minutes with "
        f"{plain(extreme['difference'], 0)} {data.unit('°C', difference=True)}."
    )


def _shades(data: ReportData, table: pd.DataFrame, fuels: set[str]) -> str:
    if table["band_low"].notna().any():
        return (
            f"Wide shade: {data.percent} band for the whole curve at once; narrow shade: {data.percent} interval "
            "of each moment alone. Heavy line at the foot: where the wide band excludes zero."
        )
    judged = data.table("comparisons")
    own = judged[judged["a"].isin(fuels) & judged["b"].isin(fuels)]
    why = APART if "cannot be separated" in set(own["verdict"]) else "there are too few bags to judge by"
    return f"No band is shown: {why}, so from when to when they differ cannot be told."


def difference_table(data: ReportData, a: str, b: str) -> tuple[pd.DataFrame, list[tuple[float, float]]]:
    """Return a minus b over time as shown, and from when to when the simultaneous band excludes zero."""
    whole = data.table("difference_curves")
    table = whole[(whole["a"] == a) & (whole["b"] == b)]
    if not len(table):
        other = whole[(whole["a"] == b) & (whole["b"] == a)]
        swapped: Mapping[str, str] = {"a": "b", "b": "a", "n_a": "n_b", "n_b": "n_a"}
        minus = {"difference": "difference", "low": "high", "high": "low", "band_low": "band_high"}
        minus |= {"band_high": "band_low"}
        table = other.assign(
            **{name: other[source] for name, source in swapped.items()},
            **{name: -other[source].astype(float) for name, source in minus.items()},
        )
    names = ("difference", "low", "high", "band_low", "band_high")
    values = {name: data.shown(table[name], "°C", difference=True) for name in names}
    made = table.assign(minutes=table["elapsed_s"].astype(float) / 60, **values).reset_index(drop=True)
    side = (made["band_low"] > 0).astype(int) - (made["band_high"] < 0).astype(int)
    spans = [
        (float(run["minutes"].iloc[0]), float(run["minutes"].iloc[-1]))
        for _, run in made.groupby((side != side.shift()).cumsum(), sort=False)
        if side[run.index[0]] != 0
    ]
    return made, spans


def spans_words(spans: Sequence[tuple[float, float]], a: str, b: str) -> str:
    """Return from when to when two fuels differ, in words."""
    if not spans:
        return f"At no time does the band of {a} minus {b} exclude zero."
    told = [f"from minute {plain(start, 0)} to minute {plain(end, 0)}" for start, end in spans]
    return f"The band excludes zero {listed(told)}."


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
