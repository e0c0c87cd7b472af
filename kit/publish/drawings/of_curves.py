"""The drawings of curves: every burn with means and bands, and the difference of two fuels."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from kit.page.numbers import plain
from kit.publish.drawings.common import axis_unit, n_note, n_words, turned
from kit.publish.drawings.thin import thin_burns, thin_flags
from kit.publish.facts import Facts
from kit.publish.figures.curves import CurveWords, burn_curves, difference_curve
from kit.publish.figures.drawing import Drawing
from kit.publish.figures.look import Cast
from kit.publish.wording import APART, counts

if TYPE_CHECKING:
    import pandas as pd

EARLIEST_S = -900.0
"""What was logged longer before time zero is not drawn: it is of no burn's heat."""

TIME_ZERO = {
    "lit": "minutes since lighting",
    "tipped": "minutes since tipping in",
    "lid on": "minutes since the lid went on",
}


def main_probe(facts: Facts) -> str:
    """Return the probe whose curve is shown: the declared one, else the first in the readings."""
    readings = facts.table("readings")
    probes = list(dict.fromkeys(readings["probe"]))
    wanted = facts.trial.main_probe
    return wanted if wanted and wanted in probes else str(probes[0] if probes else "")


def curves_drawing(facts: Facts, fuels: tuple[str, ...] = ()) -> Drawing:
    """Return the drawing of every burn, of all fuels or of those named."""
    cast = facts.cast.only(fuels) if fuels else facts.cast
    burns, flags = _burn_lines(facts, cast)
    means = _mean_lines(facts, cast)
    unit = axis_unit("°C", facts.units)
    words = CurveWords(TIME_ZERO[facts.trial.time_zero], unit, tuple(_thresholds(facts)))
    name = " ".join(["curves", *fuels])
    return Drawing(
        id=name,
        title="Temperature over time, every burn",
        alt=_alt(facts, cast, means, burns, unit),
        caption=_caption(facts, cast, means, len(flags) > 0),
        headline="Every burn over time",
        note=f"line: mean; band: {facts.percent}; {n_note(facts, cast)}"
        if _banded(means)
        else n_note(facts, cast),
        data=_data(burns, means, flags),
        draw=partial(burn_curves, burns, means, flags, cast, words),
    )


def _at(facts: Facts) -> str:
    probe = main_probe(facts)
    found = facts.trial.find_probe(probe)
    place = found.place if found and found.place else f"probe {probe}" if probe else ""
    return f", {place}" if place else ""


def _thresholds(facts: Facts) -> list[float]:
    import pandas as pd

    levels = pd.Series(facts.trial.thresholds, dtype=float)
    return [float(level) for level in turned(levels, "°C", facts.units)]


def _burn_lines(facts: Facts, cast: Cast) -> tuple[pd.DataFrame, pd.DataFrame]:
    fuel_of = dict(zip(facts.sheet["burn"], facts.sheet["fuel"], strict=True))
    readings = facts.table("readings")
    readings = readings[readings["probe"] == main_probe(facts)]
    readings = readings[readings["burn"].isin(facts.compared | set(facts.in_state("excluded")["burn"]))]
    readings = readings[readings["burn"].map(fuel_of).isin([player.id for player in cast])]
    readings = readings[readings["elapsed_s"].astype(float) >= EARLIEST_S]
    burns = thin_burns(readings)
    low, high = (burns["temp_c"].min(), burns["temp_c"].max()) if len(burns) else (0.0, 1.0)
    flags = thin_flags(readings, low, high)
    tables = (burns, flags)
    return tuple(  # type: ignore[return-value]
        each.assign(fuel=each["burn"].map(fuel_of), temp=turned(each["temp_c"], "°C", facts.units))
        for each in tables
    )


def _mean_lines(facts: Facts, cast: Cast) -> pd.DataFrame:
    table = facts.table("mean_curves")
    table = table[table["fuel"].isin([player.id for player in cast])]
    names = ("mean", "low", "high", "band_low", "band_high")
    shown = {name: turned(table[name], "°C", facts.units) for name in names}
    return table.assign(minutes=table["elapsed_s"].astype(float) / 60, **shown)


def _data(burns: pd.DataFrame, means: pd.DataFrame, flags: pd.DataFrame) -> pd.DataFrame:
    import pandas as pd

    mean_columns = ["fuel", "minutes", "mean", "low", "high", "band_low", "band_high", "n"]
    parts = [
        burns[["fuel", "burn", "minutes", "temp"]].assign(what="burn"),
        flags[["fuel", "burn", "minutes", "temp", "flag"]].assign(what="flagged reading"),
        means[mean_columns].rename(columns={"mean": "temp"}).assign(what="mean"),
    ]
    kept = [part for part in parts if len(part)]
    return pd.concat(kept, ignore_index=True) if kept else parts[0]


def _alt(facts: Facts, cast: Cast, means: pd.DataFrame, burns: pd.DataFrame, unit: str) -> str:
    told = []
    for player in cast:
        n = facts.burns_of(player.id)
        lines = means[means["fuel"] == player.id] if len(means) else means
        lines = lines.dropna(subset=["mean"]) if len(lines) else lines
        if len(lines):
            top = lines.loc[lines["mean"].idxmax()]
            told.append(
                f"{player.name}, {n} burns: the mean climbs to {plain(top['mean'], 0)} {unit} at "
                f"{plain(top['minutes'], 0)} minutes and ends at {plain(lines['mean'].iloc[-1], 0)} {unit} "
                f"after {plain(lines['minutes'].iloc[-1], 0)} minutes"
            )
        else:
            here = burns.loc[burns["fuel"] == player.id, "temp"]
            told.append(f"{player.name}, {n} burns, up to {plain(here.max(), 0)} {unit}")
    return f"Curves of temperature against {TIME_ZERO[facts.trial.time_zero]}. " + ". ".join(told) + "."


def _banded(means: pd.DataFrame) -> bool:
    return bool(means["band_low"].notna().any())


def _caption(facts: Facts, cast: Cast, means: pd.DataFrame, flagged: bool) -> str:
    parts = [
        f"Thin lines: every burn ({n_words(facts, cast)}){_at(facts)}, through its lowest and highest readings."
    ]
    if len(means) and not facts.singles:
        parts.append("Thick lines: the mean over burns.")
    if _banded(means):
        parts.append(
            f"Shaded: {facts.percent} band for the whole mean curve at once, that is, the mean of all burns that "
            f"could be made with such {'bags' if facts.bags else 'fuels'} lies in it from end to end."
        )
    if facts.trial.thresholds:
        parts.append("Dotted: the thresholds of the trial file.")
    if flagged:
        parts.append(
            "Crosses: flagged readings; those beyond the axis stand at its edge, blank ones at its foot."
        )
    return " ".join(parts)


def difference_drawing(facts: Facts, a: str, b: str) -> Drawing | None:
    """Return the drawing of the difference of two fuels over time, or None where no curve of it was made."""
    table, spans = difference_table(facts, a, b)
    if not len(table):
        return None
    unit = axis_unit("°C", facts.units, difference=True)
    name_a, name_b = facts.name(a), facts.name(b)
    words = CurveWords(TIME_ZERO[facts.trial.time_zero], f"{name_a[:24]} above the other, {unit}")
    told = spans_words(spans, name_a, name_b) if _banded(table) else ""
    extreme = table.loc[table["difference"].abs().idxmax()]
    burns, bags = ((of(a), of(b)) for of in (facts.burns_of, facts.bags_of))
    band = f"band: {facts.percent}, whole curve" if _banded(table) else "no band"
    return Drawing(
        id=f"difference {a} {b}",
        title=f"Difference over time: {name_a} minus {name_b}",
        alt=(
            f"Curve of {name_a} minus {name_b} against {words.x}. It is largest at {plain(extreme['minutes'], 0)} "
            f"minutes with {plain(extreme['difference'], 0)} {unit}. {told}"
        ),
        caption=(
            f"Line: mean of {name_a} minus mean of {name_b} "
            f"({counts(name_a, name_b, burns, bags)}). {_shades(facts, table, {a, b})} {told}"
        ),
        headline=f"{name_a.split()[0][:16]} minus {name_b.split()[0][:16]}",
        note=f"{band}; {facts.burns_of(a)} and {facts.burns_of(b)} burns",
        data=table,
        draw=partial(difference_curve, table, spans, words),
    )


def _shades(facts: Facts, table: pd.DataFrame, fuels: set[str]) -> str:
    if _banded(table):
        return (
            f"Wide shade: {facts.percent} band for the whole curve at once; narrow shade: {facts.percent} interval "
            "of each moment alone. Bar at the foot: where the wide band leaves zero out."
        )
    judged = facts.table("comparisons")
    own = judged[judged["a"].isin(fuels) & judged["b"].isin(fuels)]
    why = APART if "cannot be separated" in set(own["verdict"]) else "there are too few bags to judge by"
    return f"No band is shown: {why}, so from when to when they differ cannot be told."


def difference_table(facts: Facts, a: str, b: str) -> tuple[pd.DataFrame, list[tuple[float, float]]]:
    """Return a minus b over time as shown, and from when to when the simultaneous band leaves zero out."""
    whole = facts.table("difference_curves")
    straight = whole[(whole["a"] == a) & (whole["b"] == b)]
    table = straight if len(straight) else _turned_round(whole[(whole["a"] == b) & (whole["b"] == a)])
    names = ("difference", "low", "high", "band_low", "band_high")
    shown = {name: turned(table[name], "°C", facts.units, difference=True) for name in names}
    made = table.assign(minutes=table["elapsed_s"].astype(float) / 60, **shown).reset_index(drop=True)
    return made, _spans(made)


def _turned_round(table: pd.DataFrame) -> pd.DataFrame:
    return table.assign(
        a=table["b"],
        b=table["a"],
        difference=-table["difference"].astype(float),
        low=-table["high"].astype(float),
        high=-table["low"].astype(float),
        band_low=-table["band_high"].astype(float),
        band_high=-table["band_low"].astype(float),
        n_a=table["n_b"],
        n_b=table["n_a"],
    )


def _spans(table: pd.DataFrame) -> list[tuple[float, float]]:
    side = (table["band_low"] > 0).astype(int) - (table["band_high"] < 0).astype(int)
    spans: list[tuple[float, float]] = []
    for _, run in table.groupby((side != side.shift()).cumsum(), sort=False):
        if side[run.index[0]] != 0:
            spans.append((float(run["minutes"].iloc[0]), float(run["minutes"].iloc[-1])))
    return spans


def spans_words(spans: list[tuple[float, float]], a: str, b: str) -> str:
    """Return from when to when two fuels differ, in words."""
    if not spans:
        return f"At no time do {a} and {b} differ for sure."
    told = [f"from minute {plain(start, 0)} to minute {plain(end, 0)}" for start, end in spans]
    listed = told[0] if len(told) == 1 else f"{', '.join(told[:-1])} and {told[-1]}"
    return f"They differ for sure {listed}."
