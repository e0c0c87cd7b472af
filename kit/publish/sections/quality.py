"""What was flagged, left out or cut short, what deviates from the plan; unusual burns and what hangs on one burn."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

import pandas as pd
from scipy import special

from kit.judge.question import MOST_FUELS
from kit.page.html_tables import cols, table
from kit.page.shown_numbers import plain, quantity
from kit.page.text import Html, capital, counted, listed, number_word
from kit.publish.canvas import Axis, Cast, Figure, Frame, canvas, fewer_ticks, name_axis, short, word
from kit.publish.drawing import Drawing, figure_of
from kit.publish.plain import Moved, changed_entries, compare_values, records, said
from kit.publish.provenance import COMPARED, changes, environment, read_inputs
from kit.publish.report_data import ReportData
from kit.publish.sections.section import bullets, folded, heading, rows_table, to_appendix, topic
from kit.publish.wording import burns_named, called, ends_of
from kit.results_file import corrected_report, read_results
from kit.schema import FLAGS, usable

MOVED_SHOWN: Final = 30
"""Moved numbers that the page lists: verdicts, differences and means come first."""
MOST_LIDS, MOST_NOTES = 4, 8
CUT: Final = ("cut_short", "started_late")
MANY: Final = 60
"""Degrees of freedom from which on twice the standard uncertainty covers 95 %."""


@topic("data-quality", "Data quality", of_burns=False)
def data_quality(data: ReportData) -> list[object]:
    """Return what was flagged, left out and cut short, deviations from the plan, and what a correction changed."""
    if not data.begun:
        return [_notes(data)]
    what = "Every flag, bound and blank, how each log was read, and the uncertainty of measurement"
    spans = data.table("spans")
    n, flagged = int(spans["n"].sum()), int(spans["n_flagged"].sum())
    were = "none was" if not flagged else "one was" if flagged == 1 else f"{plain(flagged, 0)} were"
    files = {name for text in spans["files"] for name in str(text).split(";")}
    lids = _lid_open(data)
    lids = lids[lids["metric"].isin(data.primary)].head(MOST_LIDS).to_dict("records")
    cut = {name: spans.loc[spans[name].fillna(False).astype(bool), "burn"] for name in CUT}
    made = data.done + data.left_out
    named = {name: burns_named(burns, made=made) for name, burns in cut.items() if len(burns)}
    told_cut = [data.said(name, burns=burns) for name, burns in named.items()]
    excluded = data.analysis.run.in_state("excluded").groupby(["fuel", "excluded"], sort=False)
    left_out = [
        f"Left out: {burns_named(own['burn'])} of {data.name(str(fuel))}: {str(why).rstrip('.')}."
        for (fuel, why), own in excluded
    ]
    told = [*_flags_told(data), *(left_out or ["No burn was left out."])]
    told += told_cut or [data.said("whole_logs", stopless=spans["stop_s"].isna().any())]
    told += [data.said("lid_open", measure=data.label(lid["metric"]), **lid) for lid in lids]
    return [
        data.said("readings", n=plain(n, 0), burns=spans["burn"].unique(), files=files, were=were),
        bullets(told),
        heading("Deviations from the plan", "deviations"),
        rows_table(data, "deviations", data.table("deviations")) or data.said("as_planned"),
        _correction(data),
        _notes(data),
        to_appendix(what, "quality-tables"),
    ]


@topic("quality-tables", "Data quality: every flag, bound and log", "appendix")
def quality_tables(data: ReportData) -> list[object]:
    """Return for the appendix flags, lid openings, bounds and blanks, uncertainty budgets, and how logs were read."""
    return [
        flags_html(data) or "No reading was flagged.",
        rows_table(data, "lid_open", _lid_open(data)),
        rows_table(data, "censored", data.table("censored")),
        _reasons(data),
        _uncertainty(data),
        _logs(data),
    ]


def _flags_told(data: ReportData) -> list[str]:
    return [
        data.said(
            "flagged",
            flag=flag,
            meaning=_meaning(str(flag)),
            n=int(own["n"].sum()),
            burns=burns_named(own["burn"], most=6),
            used=usable(str(flag)),
            probe=probe if data.trial.main_probe not in (None, probe) else "",
        )
        for (flag, probe), own in data.table("flag_counts").groupby(["flag", "probe"], sort=False)
    ]


def _meaning(flag: str) -> str:
    return "; ".join(FLAGS[part] for part in flag.split("+"))


def _lid_open(data: ReportData) -> pd.DataFrame:
    """Return what readings with the lid open do to the values that count: they are kept, as they were logged."""
    rows = data.table("lid_open")
    shown = {
        name: [quantity(*pair, data.units) for pair in zip(rows[name], rows["unit"], strict=True)]
        for name in ("value", "without_lid")
    }
    return rows.assign(**shown)


def flags_html(data: ReportData) -> Html | None:
    """Return the table of flags, a row per burn, probe and flag."""
    rows = data.table("flag_counts")
    made = rows.assign(
        first=rows["first_s"].astype(float) / 60,
        last=rows["last_s"].astype(float) / 60,
        meaning=[_meaning(str(flag)) for flag in rows["flag"]],
        counts=["yes" if usable(str(flag)) else "no" for flag in rows["flag"]],
    )
    return rows_table(data, "flags", made)


def _reasons(data: ReportData) -> Html | None:
    """Return the table of why values are bounds or blank, a row per measure and reason."""
    rows = data.table("reasons")
    rows = rows[rows["status"] != "exact"]
    if not len(rows):
        return None
    grouped = rows.groupby(["metric", "status", "note"], sort=False)["burn"].agg(["size", ", ".join])
    made = grouped.reset_index().rename(columns={"join": "which"})
    measured = {*data.table("metrics")["burn"], *data.table("excluded")["burn"]}
    made["which"] = made["which"].where(made["size"] < len(measured), "all")
    return rows_table(data, "reasons", made)


def _uncertainty(data: ReportData) -> list[Html | str | None]:
    rows = data.of_primary(data.table("uncertainty"))
    if not len(rows):
        return []
    df = data.of_primary(data.table("means"))["df"].dropna().astype(float)
    # of k = 2, were all doubt that of the repeats
    covered = pd.Series(100 * (2 * special.stdtr(df, 2.0) - 1))
    of_few = {"few": len(df) and df.min() < MANY, "df": ends_of(df, 2), "covered": ends_of(covered, 2)}
    tables = [
        rows_table(data, "uncertainty", own.assign(places=None), unit=str(unit).replace("°C", "K"))
        for (_, unit), own in rows.groupby(["metric", "unit"], sort=False)
    ]
    return [heading("Uncertainty of measurement", "uncertainty"), data.said("uncertainty", **of_few), *tables]


def _correction(data: ReportData) -> list[Html | str | None]:
    corrected = correction_of(data.analysis)
    if corrected is None:
        return []
    moved, more = corrected.moved, max(len(corrected.moved) - MOVED_SHOWN, 0)
    parts = {"moved": moved, "verdicts": corrected.verdicts, "causes": corrected.causes}
    told = data.said("corrected", **parts)
    moves = rows_table(data, "corrected", moved.head(MOVED_SHOWN), shown=MOVED_SHOWN, more=more)
    return [heading("What this report corrects", "correction"), told, bullets(corrected.causes), moves]


def _notes(data: ReportData) -> list[Html | None]:
    made = list(map(_sentence, dict.fromkeys(map(str, [*data.analysis.run.notes, *data.analysis.notes]))))
    if not made:
        return []
    first, rest = made[:MOST_NOTES], made[MOST_NOTES:]
    more = folded(capital(counted(len(rest), "more note")), bullets(rest))
    return [heading("Notes on reading the files and on the model", "notes"), bullets(first), more]


def _sentence(text: str) -> str:
    """Return a note with a capital, unless it begins with a file's name, and with its stop."""
    begun = text if "." in text.partition(" ")[0].rstrip(".") else capital(text)
    return begun if begun.endswith((".", "!", "?")) else f"{begun}."


def _logs(data: ReportData) -> list[Html | None]:
    """Return the table of files with the dialect they were read as, and what was noted."""
    files, notes = data.analysis.files, data.analysis.log_notes
    parts: list[Html | None] = [heading("How each log was read", "logs")]
    if len(files):
        shown = files.drop(columns=["sha256", "bytes"], errors="ignore")
        as_text = {name: str for name in ("first", "last", "rows") if name in shown}
        parts.append(table(shown.astype(as_text), "Log files and how they were read", cols(*map(str, shown))))
    if len(notes):
        grouped = notes.groupby("note", sort=False)["file"].agg(list)
        named = ((note, ", ".join(dict.fromkeys(filter(None, names)))) for note, names in grouped.items())
        parts.append(bullets(f"{': '.join(filter(None, pair))}." for pair in named))
    return parts if len(parts) > 1 else []


_FIRST: Final = ("comparisons", "means")


@dataclass(frozen=True, eq=False)
class Correction:
    """What a report changes of an earlier one.

    Attributes
    ----------
    moved
        Columns table, what, was, now: a row a value, verdicts first, then comparisons and means.
    verdicts
        How many verdicts changed.
    causes
        Inputs, exclusions and versions that differ between the two, in words.
    """

    moved: pd.DataFrame
    verdicts: int
    causes: tuple[str, ...]


def correction_of(analysis: Any) -> Correction | None:
    """Return what differs from the report that the trial file's `corrects` names; None where it names none.

    Parameters
    ----------
    analysis
        The analysis; `corrects` holds the name of a folder in reports/.

    Raises
    ------
    KitError
        Where no report of that name stands in the folder.
    """
    name = getattr(analysis.run.trial, "corrects", "")
    if not name:
        return None
    was = read_results(corrected_report(analysis.run.folder, name))
    tables = {key: table for key in COMPARED if hasattr(table := getattr(analysis, key, None), "iterrows")}
    earlier = {key: was.get(key, []) for key in tables}
    now = {key: records(table) for key, table in tables.items()}
    moved = sorted(compare_values(earlier, now)[1], key=_weight)
    rows = [(*each.where.split(", ", 1), said(each.was), said(each.now)) for each in moved]
    verdicts = sum(each.where.endswith(", verdict") for each in moved)
    frame = pd.DataFrame(rows, columns=["table", "what", "was", "now"], dtype=object)
    return Correction(frame, verdicts, tuple(_causes(analysis, was)))


def _weight(moved: Moved) -> tuple[bool, int]:
    table = moved.where.partition(",")[0]
    return not moved.where.endswith(", verdict"), _FIRST.index(table) if table in _FIRST else len(_FIRST)


def _causes(analysis: Any, was: Mapping[str, Any]) -> Iterator[str]:
    for name, change in changes(was.get("inputs", []), read_inputs(Path(analysis.run.folder))):
        if change != "new" or not name.startswith("reports/"):
            yield f"{name} {called('behind', change)}"
    then = {str(row.get("burn")): str(row.get("excluded") or "") for row in was.get("burns", [])}
    for row in records(analysis.run.burns):
        before, reason = then.get(str(row["burn"])), str(row.get("excluded") or "")
        if before is not None and before != reason:
            yield f"burn {row['burn']} {f'is left out now: {reason}' if reason else 'counts again'}"
    yield from changed_entries(was.get("environment", {}), environment())


@topic("odd-burns", "Unusual burns, and what else was recorded")
def odd_burns(data: ReportData) -> list[object]:
    """Return burns that stand apart with their conditions, and whether a verdict depends on a single burn."""
    if not len(data.table("odd_burns")):
        return [data.said("no_odd")]
    influence, *which = influence_words(data)
    what = "Every burn's distance from the others"
    what += ", and every verdict that would change without it" * (influence_table(data) is not None)
    return [
        data.said("odd"),
        odd_table(data),
        heading("Does any verdict depend on a single burn?", "influence"),
        [influence, bullets(which)],
        to_appendix(what, "odd-tables"),
    ]


@topic("odd-tables", "Unusual burns and influence", "appendix")
def odd_tables(data: ReportData) -> list[object]:
    """Return for the appendix how far each burn lies from the others, and every verdict that would change."""
    drawings = [odd_drawing(data, metric) for metric in data.primary if len(data.rows("odd_burns", metric))]
    parts: list[object] = [each for each in (*drawings, influence_table(data)) if each is not None]
    return parts or ["Nothing was repeated, so no burn can be held against others."]


def odd_table(data: ReportData) -> Html | str | None:
    """Return the unusual burns with what stood beside them, or the statement that there are none."""
    rows = data.table("odd_burns")
    odd = rows[rows["odd"].fillna(False).astype(bool)]
    if not len(odd):
        of = {"burns": rows["burn"].nunique(), "measures": rows["metric"].nunique()}
        return data.said("none_odd", **of)
    ends = {
        name: [_value(data, *pair) for pair in zip(odd["metric"], odd[name], strict=True)]
        for name in ("value", "expected")
    }
    beside = odd["conditions"].fillna("").replace("", "nothing recorded that sets it apart")
    return rows_table(data, "odd", odd.assign(**ends, beside=beside))


def _value(data: ReportData, metric: str, value: float) -> str:
    unit = data.spec(metric).unit
    return f"{value:.1f}\u00a0min" if unit == "min" else quantity(float(value), unit, data.units, decimals=1)


def influence_words(data: ReportData) -> list[str]:
    """Return in one line how many verdicts of primary measures one burn, bag or day would change; then which."""
    rows = data.of_declared_pairs(data.of_primary(data.table("influence")))
    changing = rows[rows["matters"].fillna(False).astype(bool)]
    tried = len(rows[["metric", "a", "b"]].drop_duplicates())
    count = len(changing[["metric", "a", "b"]].drop_duplicates())
    told = []
    settled = changing[(changing["verdict"] != "not settled") & (not data.interim)]
    for (metric, one, other), own in settled.groupby(["metric", "a", "b"], sort=False):
        fuels = f"{data.name(str(one))} and {data.name(str(other))}"
        outcomes = []
        for verdict, parts in own.groupby("verdict_without", sort=False):
            levels = _what_is_left_out(parts, data).groupby(parts["level_left_out"], sort=False)
            without = [f"{level} {listed(_few(list(names)), 'or')}" for level, names in levels]
            outcomes.append(f"{verdict} without {', or without '.join(without)}")
        told.append(f"{data.title(str(metric))}, {fuels}: {'; '.join(outcomes)}.")
    held = count - len(told) if told else 0
    still_open = f" ({number_word(held)} of them {'is' if held == 1 else 'are'} not settled as it stands)"
    parts = {
        "many": len(data.cast) > MOST_FUELS,
        "several": tried > 1,
        "tried": tried,
        "count": count,
        "both": tried == 2,
        "all_of_two": count == tried == 2,
        "still_open": still_open * (held > 0),
    }
    return [data.said("influence", **parts), *told]


def _what_is_left_out(rows: pd.DataFrame, data: ReportData) -> pd.Series:
    """Return its label, of a bag with its fuel: '07', '2 of Ember lump'."""

    def name(left_out: str, level: str) -> str:
        fuel, _, bag = left_out.partition(" / ")
        if level != "bag":
            return left_out
        return bag if bag.startswith(fuel) else f"{bag} of {data.name(fuel)}"

    return rows["left_out"].astype(str).combine(rows["level_left_out"], name)


def _few(names: list[str], most: int = 3) -> list[str]:
    return names if len(names) <= most else [*names[:most], f"{number_word(len(names) - most)} more"]


def influence_table(data: ReportData) -> Html | None:
    """Return every verdict that would change with a burn, bag or day left out."""
    rows = data.of_declared_pairs(data.table("influence"))
    rows = rows[rows["matters"].fillna(False).astype(bool)]
    if data.interim:
        return None
    without = rows["level_left_out"].astype(str) + " " + _what_is_left_out(rows, data)
    rows = rows.assign(without=without, then=rows["verdict_without"])
    return rows_table(data, "influence", rows)


def odd_drawing(data: ReportData, metric: str) -> Drawing | None:
    """Return the drawing of how far each burn lies from the others, or None where that was not asked."""
    rows = data.rows("odd_burns", metric).dropna(subset=["residual"])
    if not len(rows):
        return None
    order = {burn: place for place, burn in enumerate(data.sheet["burn"])}
    rows = rows.assign(odd=rows["odd"].astype(bool))
    rows = rows.sort_values("burn", key=lambda ids: ids.map(order), kind="stable")
    odd = "; ".join(
        f"burn {row.burn} of {data.name(row.fuel)} at {plain(row.residual, 1)}"
        for row in rows[rows["odd"]].itertuples(index=False)
    )
    drawn = rows[["burn", "fuel", "value", "expected", "residual", "p", "odd", "conditions"]]
    draw = partial(distances, rows.reset_index(drop=True), data.cast)
    parts = {"measure": data.label(metric), "n": len(rows), "odd": odd}
    return figure_of(data, "odd burns", metric, drawn, draw, few=plain(100 * (1 - data.level), 0), **parts)


def distances(rows: pd.DataFrame, cast: Cast, frame: Frame) -> Figure:
    """Return how far each burn lies from what the others let expect; odd ones are named.

    Parameters
    ----------
    rows
        burn, fuel, residual, odd; in the order drawn.
    """
    figure, (axes,) = canvas(frame, 2.6, margins=(0.7, 0.3, 0.55, 0.2))
    axes.axhline(0, color=frame.line, linewidth=frame.pen, zorder=1)
    for place, each in enumerate(rows.itertuples(index=False)):
        player, size = cast[each.fuel], frame.small * (0.95 if each.odd else 0.65)
        axes.plot(
            [place], [each.residual], player.marker, color=frame.fuel(player.place), markersize=size, zorder=3
        )
        if each.odd:
            side = -1 if place > 0.6 * len(rows) else 1
            how: dict[str, Any] = {"nudge": side * frame.small * 0.9, "ha": "left" if side > 0 else "right"}
            word(axes, place, each.residual, f"burn {short(str(each.burn), 14)}", frame, **how)
    step = max(1, -(-len(rows) // (8 if frame.film else 20)))
    axes.set_xticks(range(0, len(rows), step))
    axes.set_xticklabels([short(str(burn), 8) for burn in rows["burn"].iloc[::step]], parse_math=False)
    name_axis(axes, "x", Axis("burn"), frame)
    name_axis(axes, "y", Axis("distance, in its own\nstandard errors"), frame)
    fewer_ticks(axes, frame, y=5)
    return figure
