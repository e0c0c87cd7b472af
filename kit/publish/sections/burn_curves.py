"""Temperature over time: all fuels' means in one picture, every burn in panels, two fuels with their difference."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING, Any, Final

from kit.page.shown_numbers import plain
from kit.publish.figures.canvas import Axis, Cast, short
from kit.publish.figures.drawing import Drawing
from kit.publish.report_data import ReportData, n_note, n_words, report_data
from kit.publish.sections.curve_figures import (
    Lines,
    TwoLines,
    overlay,
    panels,
    thin_burns,
    thin_flags,
    two_over_time,
)
from kit.publish.sections.section import Section, section
from kit.publish.wording import APART, counts, listed, plural

if TYPE_CHECKING:
    import pandas as pd

EARLIEST_S: Final = -900.0
"""What was logged longer before time zero is not drawn: it is of no burn's heat."""
OUT_BELOW: Final = 0.25
"""The axis ends where the last fuel has come down to this share of its rise: the rest is cold ash."""
MOST_PANELS: Final = 12
MOST_CHOICES: Final = 12
DASHES: Final = ("solid", "dashed", "dotted", "dash and dot")
TIME_ZERO: Final = {
    "lit": "minutes since lighting",
    "tipped": "minutes since tipping in",
    "lid on": "minutes since the lid went on",
}


def curves(analysis: Any) -> Section:
    """Return the curves of every burn, flagged readings visible, with means and simultaneous bands."""
    data = report_data(analysis)
    if not len(data.table("readings")):
        return section("curves", "Curves", ["No readings: the values came from the burn sheet alone."])
    others = sorted(set(data.table("readings")["probe"]) - {main_probe(data)})
    told = "Look first at the spread between burns of one fuel: every error bar below is built on it."
    if data.singles:
        told = "One curve per fuel: how far another burn of it would lie from this one is not known."
    if others:
        told += f" Other probes in the logs, not drawn: {', '.join(others)}."
    return section("curves", "Curves of every burn", [told, panels_drawing(data)])


def main_probe(data: ReportData) -> str:
    """Return the probe whose curve is shown: the declared one, else the first in the readings."""
    probes = list(dict.fromkeys(data.table("readings")["probe"]))
    wanted = data.trial.main_probe
    return wanted if wanted and wanted in probes else str(probes[0] if probes else "")


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
    lines, n = lines_of(data, cast), _n(data, cast)
    kinds = list(dict.fromkeys((player.kind, player.kind_place) for player in cast if player.kind))
    each = f"Mean curve of each fuel ({_n_words(data, n)})"
    if data.singles:
        each = "The one burn of each fuel"
    told = [f"{each}{_at(data)}, marked and named at its peak."]
    choices = [(f"fuel-{player.place + 1}", short(player.name, 30)) for player in cast]
    choices = choices if len(cast) <= MOST_CHOICES else []
    if len(kinds) > 1:
        told.append(
            f"Lines: {', '.join(f'{DASHES[place % 4]} for {plural(kind)}' for kind, place in kinds)}."
        )
        choices += [(f"kind-{place + 1}", f"{plural(kind)} alone") for kind, place in kinds]
    told += [_band_words(data)] if lines.banded else []
    return Drawing(
        id="overlay",
        title="Curves of all fuels" if data.singles else "Mean curves of all fuels",
        alt=_alt(data, cast, lines),
        caption=" ".join([*told, "The axis ends with the fire, not with the log."]),
        headline="One burn of each fuel" if data.singles else "Mean temperature of each fuel",
        note=f"{f'band: {data.percent}; ' if lines.banded else ''}{n_note(list(n.values()))}",
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


def _n_words(data: ReportData, n: dict[str, tuple[int, int]]) -> str:
    return n_words(n, {fuel: data.name(fuel) for fuel in n})


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
    told = [
        f"Thin lines: every burn ({_n_words(data, n)}){_at(data)}, drawn from each stretch's lowest to its highest "
        "reading."
    ]
    if len(lines.means) and not data.singles:
        told.append("Thick line: the mean over burns.")
    if lines.banded:
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
        note=f"{f'line: mean; band: {data.percent}; ' if lines.banded else ''}{n_note(list(n.values()))}",
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
    banded = bool(table["band_low"].notna().any())
    n = [_n(data, cast).get(fuel, (0, 0)) for fuel in (a, b)]
    of = counts(name_a, name_b, (n[0][0], n[1][0]), (n[0][1], n[1][1]))
    told = [f"Above: thin lines every burn, thick lines the means ({of}){_at(data)}."]
    if data.singles:
        told = [f"Above: the one burn of each fuel{_at(data)}."]
    told += [_band_words(data)] if banded else []
    alt = _alt(data, cast, lines)
    if len(table):
        told.append(f"Below: mean of {name_a} minus mean of {name_b}. {_shades(data, table, {a, b})}")
        told += [spans_words(spans, name_a, name_b)] if banded else []
        alt += f" {_difference_alt(data, table, name_a, name_b)}"
    return Drawing(
        id=f"over time {a} {b}",
        title=f"{name_a} and {name_b} over time",
        alt=alt,
        caption=" ".join(told),
        headline=f"{short(name_a.split()[0], 16)} minus {short(name_b.split()[0], 16)}",
        note=f"band: {data.percent}, whole curve" if banded else "no band",
        data=_with_difference(_data(lines), table),
        draw=partial(
            two_over_time, TwoLines(lines, table, spans, _difference_axis(data, name_a, name_b)), cast
        ),
        simulated=data.simulated,
    )


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
    why = "nothing here says how far bags differ" if data.these_bags else why
    return f"No band is shown: {why}, so from when to when they differ cannot be told."


def difference_table(data: ReportData, a: str, b: str) -> tuple[pd.DataFrame, list[tuple[float, float]]]:
    """Return a minus b over time as shown, and from when to when the simultaneous band excludes zero."""
    whole = data.table("difference_curves")
    table = whole[(whole["a"] == a) & (whole["b"] == b)]
    if not len(table):
        other = whole[(whole["a"] == b) & (whole["b"] == a)]
        minus = {"difference": "difference", "low": "high", "high": "low"}
        minus |= {"band_low": "band_high", "band_high": "band_low"}
        table = other.rename(columns={"a": "b", "b": "a", "n_a": "n_b", "n_b": "n_a"}).assign(
            **{name: -other[source].astype(float) for name, source in minus.items()}
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
