"""What was flagged, left out or cut short, what deviates from the plan, what a correction changed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from kit.page.html_tables import Col, cols, numbers, table
from kit.page.shown_numbers import plain, quantity
from kit.page.text import Html
from kit.publish.earlier_reports import correction_of
from kit.publish.report_data import ReportData, report_data
from kit.publish.sections.section import (
    Section,
    bullets,
    folded,
    heading,
    paragraph,
    rows_table,
    section,
    to_appendix,
)
from kit.publish.wording import burns_named, capital, counted
from kit.schema import FLAGS, usable

if TYPE_CHECKING:
    pass

MOVED_SHOWN: Final = 30
"""Moved numbers that the page lists: verdicts, differences and means come first."""
MOST_LIDS, MOST_NOTES = 4, 8


def data_quality(analysis: Any) -> Section:
    """Return what was flagged, left out and cut short, deviations from the plan, and what a correction changed."""
    data = report_data(analysis)
    what = "Every flag, bound and blank, how each log was read, and the uncertainty of measurement"
    parts = [
        _summary(data),
        bullets([*_flags_told(data), *_left_out(data), *_cut_short(data), *_lid_told(data)]),
        heading("Deviations from the plan", "deviations"),
        deviations_html(data),
        _correction(data),
        _notes(data),
        to_appendix(what, "quality-tables"),
    ]
    return section("data-quality", "Data quality", parts)


def quality_tables(analysis: Any) -> Section:
    """Return for the appendix flags, lid openings, bounds and blanks, uncertainty budgets, and how logs were read."""
    data = report_data(analysis)
    parts = [
        flags_html(data) or "No reading was flagged.",
        _lid_open(data),
        _bounds_compared(data),
        _reasons(data),
        _uncertainty(data),
        _logs(data),
    ]
    return section("quality-tables", "Data quality: every flag, bound and log", parts, "appendix")


def _summary(data: ReportData) -> str:
    spans = data.table("spans")
    if not len(spans):
        return "There were no logs to check: the values came from the burn sheet."
    n, flagged = int(spans["n"].sum()), int(spans["n_flagged"].sum())
    were = "none was" if not flagged else "one was" if flagged == 1 else f"{plain(flagged, 0)} were"
    files = len({name for text in spans["files"] for name in str(text).split(";")})
    return (
        f"{plain(n, 0)} readings of {counted(spans['burn'].nunique(), 'burn')} from {counted(files, 'log file')} were "
        f"read; {were} flagged. A flagged reading is kept and shown; one that cannot be right is not used for any "
        "value. No log was changed."
    )


def _flags_told(data: ReportData) -> list[str]:
    told = []
    for flag, own in data.table("flag_counts").groupby("flag", sort=False):
        n, used = int(own["n"].sum()), "" if usable(str(flag)) else ", not used"
        readings = f"{n} reading{'s' * (n != 1)}, {burns_named(own['burn'], most=6)}{used}"
        told.append(f"{capital(str(flag))} ({_meaning(str(flag))}): {readings}.")
    return told


def _meaning(flag: str) -> str:
    return "; ".join(FLAGS[part].meaning for part in flag.split("+"))


def _left_out(data: ReportData) -> list[str]:
    rows = data.in_state("excluded")
    return [
        f"Left out: {burns_named(own['burn'])} of {data.name(str(fuel))}: {str(why).rstrip('.')}."
        for (fuel, why), own in rows.groupby(["fuel", "excluded"], sort=False)
    ] or ["No burn was left out."]


def _cut_short(data: ReportData) -> list[str]:
    spans, told = data.table("spans"), []
    ways = {"cut_short": "log ended before the stop", "started_late": "log began after time zero"}
    for name, words in ways.items():
        burns = spans.loc[spans[name].fillna(False).astype(bool), "burn"]
        if len(burns):
            what = f"{capital(burns_named(burns))}: the {words}"
            told.append(f"{what}; values that depend on the missing part are known only as bounds.")
    return told or ["No log was cut short."]


def _lid_told(data: ReportData) -> list[str]:
    rows = data.table("lid_open")
    rows = rows[rows["metric"].isin(data.primary)].head(MOST_LIDS)
    return [
        f"Lid open in burn {row.burn}: {data.label(row.metric)} {quantity(row.value, row.unit, data.units)}, without "
        f"those readings {quantity(row.without_lid, row.unit, data.units)}."
        for row in rows.itertuples(index=False)
    ]


def flags_html(data: ReportData) -> Html | None:
    """Return the table of flags, a row per burn, probe and flag."""
    rows = data.table("flag_counts")
    made = rows.assign(
        first=rows["first_s"].astype(float) / 60,
        last=rows["last_s"].astype(float) / 60,
        meaning=[_meaning(str(flag)) for flag in rows["flag"]],
        counts=["yes" if usable(str(flag)) else "no" for flag in rows["flag"]],
    )
    columns = cols(
        *(("burn", "Burn"), "probe", "flag", "meaning"),
        numbers(("n", "readings")),
        numbers("first", "last", unit="min", decimals=1),
        numbers(("low_c", "lowest"), ("high_c", "highest"), unit="°C"),
        ("counts", "used"),
    )
    return rows_table(
        data, made, "Flagged readings", columns, note="First and last: minutes after time zero."
    )


def _lid_open(data: ReportData) -> Html | None:
    """Return what readings with the lid open do to the values that count: they are kept, as they were logged."""
    rows = data.table("lid_open")
    made = {
        name: [quantity(*pair, data.units) for pair in zip(rows[name], rows["unit"], strict=True)]
        for name in ("value", "without_lid")
    }
    both = numbers(("value", "as counted"), ("without_lid", "without the lid-open readings"))
    columns = cols(("burn", "Burn"), "measure", both)
    note = "Values count with these readings in. Without them a straight line leads across the time the lid was open."
    caption = "Where the lid was opened: what it changes"
    return rows_table(data, rows.assign(**made), caption, columns, note=note)


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
    columns = cols(("measure", "Measure"), ("status", "value"), ("note", "why"), ("which", "burns"))
    return rows_table(data, made, "Bounds and blanks, and why", columns)


def _bounds_compared(data: ReportData) -> Html | None:
    verdicts = ("verdict", "verdict, bounds as bounds"), ("verdict_left_out", "those burns left out")
    columns = cols("fuels", "measure", *verdicts)
    note = "The verdict takes a bound as a bound; beside it what leaving those burns out would say."
    caption = "Verdicts of fuels with a burn known only as a bound"
    return rows_table(data, data.table("censored"), caption, columns, note=note)


def deviations_html(data: ReportData) -> Html | None:
    """Return the deviations from the plan as written, or the statement that none was found."""
    rows = data.table("deviations")
    if len(rows):
        columns = cols(("what", "What"), "where", "planned", "done")
        return rows_table(data, rows, "What was done otherwise than planned", columns)
    if data.analysis.run.plan is None:
        return paragraph("No plan was written before the first burn, so nothing can be checked against it.")
    return paragraph(
        "None found in what the kit compares (fuels, bags, days, order, charge, settings); the weather rule is "
        "yours to judge."
    )


def _uncertainty(data: ReportData) -> list[Html | str | None]:
    rows = data.of_primary(data.table("uncertainty"))
    told = (
        "What is common to all burns of a probe, such as its calibration, does not shrink with more burns; it adds to "
        "a mean and mostly cancels in a difference of two fuels measured with the same probe. Expanded: k = 2, about "
        "95 %."
    )
    tables: list[Html | str | None] = [heading("Uncertainty of measurement", "uncertainty"), told]
    for metric, own in rows.groupby("metric", sort=False):
        unit = str(own["unit"].iloc[0]).replace("°C", "K")
        uncertainty = Col("u", "standard uncertainty", unit, "number")
        columns = cols(("source", "Source"), uncertainty, ("common", "common to all burns"))
        caption = f"{capital(data.label(str(metric)))}: uncertainty budget"
        tables.append(rows_table(data, own, caption, columns, group="name"))
    return tables if len(rows) else []


def _correction(data: ReportData) -> list[Html | str | None]:
    corrected = correction_of(data.analysis)
    if corrected is None:
        return []
    moved, more = corrected.moved, len(corrected.moved) - MOVED_SHOWN
    behind = "What differs behind the numbers:" if corrected.causes else "Nothing behind the numbers differs."
    told = (
        f"This report corrects an earlier one, {data.trial.corrects}: {counted(len(moved), 'number')} moved, "
        f"{counted(corrected.verdicts, 'verdict')} among them. {behind}"
    )
    note = f"The first {MOVED_SHOWN}; {more} more stand in tables/correction.csv." if more > 0 else ""
    columns = cols("what", "table", "was", ("now", "is now"))
    moves = rows_table(data, moved.head(MOVED_SHOWN), "Numbers that moved", columns, note=note)
    return [heading("What this report corrects", "correction"), told, bullets(corrected.causes), moves]


def _notes(data: ReportData) -> list[Html | None]:
    told = dict.fromkeys(map(str, [*data.analysis.run.notes, *data.analysis.notes]))
    made = list(map(_sentence, told))
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
        parts.append(
            bullets(f"{': '.join(filter(None, [note, _files(names)]))}." for note, names in grouped.items())
        )
    return parts if len(parts) > 1 else []


def _files(names: list[str]) -> str:
    return ", ".join(name for name in dict.fromkeys(names) if name)
