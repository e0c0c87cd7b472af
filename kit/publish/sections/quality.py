"""What was flagged, left out or cut short, what deviates from the plan, what a correction changed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from kit.page.numbers import plain, quantity
from kit.page.tables import Col, table
from kit.page.text import Html
from kit.publish.corrected import correction_of
from kit.publish.report_data import ReportData, report_data
from kit.publish.sections.section import (
    Section,
    bullets,
    heading,
    numbers,
    paragraph,
    section,
    to_appendix,
)
from kit.publish.wording import capital, counted, listed
from kit.schema import FLAGS

if TYPE_CHECKING:
    import pandas as pd

MOVED_SHOWN: Final = 30
"""Moved numbers that the page lists: verdicts, differences and means come first."""


def data_quality(analysis: Any) -> Section:
    """Return what was flagged, left out and cut short, deviations from the plan, and what a correction changed."""
    data = report_data(analysis)
    parts = [
        paragraph(_summary(data)),
        bullets([*_flags_told(data), *_left_out(data), *_cut_short(data), *_lid_told(data)]),
        heading("Deviations from the plan", "deviations"),
        deviations_html(data),
        *_correction(data),
        *_notes(data),
        to_appendix(
            "Every flag, bound and blank, how each log was read, and the uncertainty of measurement",
            "quality-tables",
        ),
    ]
    return section("data-quality", "Data quality", parts)


def quality_tables(analysis: Any) -> Section:
    """Return for the appendix flags, lid openings, bounds and blanks, uncertainty budgets, and how logs were read."""
    data = report_data(analysis)
    parts = [
        flags_html(data) or paragraph("No reading was flagged."),
        _lid_open(data),
        _bounds_compared(data),
        _reasons(data),
        *_uncertainty(data),
        *_logs(data),
    ]
    return section("quality-tables", "Data quality: every flag, bound and log", parts, part="appendix")


def _summary(data: ReportData) -> str:
    spans = data.table("spans")
    if not len(spans):
        return "There were no logs to check: the values came from the burn sheet."
    n, flagged = int(spans["n"].sum()), int(spans["n_flagged"].sum())
    were = "none was" if not flagged else f"{plain(flagged, 0)} {'was' if flagged == 1 else 'were'}"
    files = len({name for text in spans["files"] for name in str(text).split(";")})
    return (
        f"{plain(n, 0)} readings of {counted(spans['burn'].nunique(), 'burn')} from {counted(files, 'log file')} were "
        f"read; {were} flagged. A flagged reading is kept and shown; one that cannot be right is "
        "not used for any value. No log was changed."
    )


def _flags_told(data: ReportData) -> list[str]:
    rows = data.table("flag_counts")
    told = []
    for flag, own in rows.groupby("flag", sort=False):
        burns = list(dict.fromkeys(map(str, own["burn"])))
        which = (
            f"burn{'s' * (len(burns) > 1)} {listed(burns)}"
            if len(burns) <= 6
            else counted(len(burns), "burn")
        )
        used = "" if _used(str(flag)) == "yes" else ", not used"
        n = int(own["n"].sum())
        told.append(
            f"{capital(str(flag))} ({_meaning(str(flag))}): {n} reading{'s' * (n != 1)}, {which}{used}."
        )
    return told


def _meaning(flag: str) -> str:
    return "; ".join(FLAGS[part].meaning if part in FLAGS else part for part in flag.split("+"))


def _used(flag: str) -> str:
    return "yes" if all(part in FLAGS and FLAGS[part].usable for part in flag.split("+")) else "no"


def _left_out(data: ReportData) -> list[str]:
    rows = data.in_state("excluded")
    if not len(rows):
        return ["No burn was left out."]
    return [
        f"Left out: burn {row.burn} of {data.name(row.fuel)}: {str(row.excluded).rstrip('.')}."
        for row in rows.itertuples(index=False)
    ]


def _cut_short(data: ReportData) -> list[str]:
    spans = data.table("spans")
    told = []
    for name, words in (
        ("cut_short", "log ended before the stop"),
        ("started_late", "log began after time zero"),
    ):
        burns = list(dict.fromkeys(map(str, spans.loc[spans[name].fillna(False).astype(bool), "burn"])))
        if burns:
            many = f"Burn{'s' * (len(burns) > 1)} {listed(burns)}"
            told.append(
                f"{many}: the {words}; values that depend on the missing part are known only as bounds."
            )
    return told or ["No log was cut short."]


def _lid_told(data: ReportData) -> list[str]:
    rows = data.table("lid_open")
    rows = rows[rows["metric"].isin(data.primary)]
    told = [
        f"Lid open in burn {row.burn}: {data.label(row.metric)} {quantity(row.value, row.unit, data.units)}, without "
        f"those readings {quantity(row.without_lid, row.unit, data.units)}."
        for row in rows.itertuples(index=False)
    ]
    return told[:4]


def flags_html(data: ReportData) -> Html | None:
    """Return the table of flags, a row per burn, probe and flag."""
    rows = data.table("flag_counts")
    if not len(rows):
        return None
    made = rows.assign(
        first=rows["first_s"].astype(float) / 60,
        last=rows["last_s"].astype(float) / 60,
        meaning=[_meaning(str(flag)) for flag in rows["flag"]],
        used=[_used(str(flag)) for flag in rows["flag"]],
    )
    columns = [
        Col("burn", "Burn", kind="head"),
        *(Col(name) for name in ("probe", "flag", "meaning")),
        *numbers(("n", "readings")),
        *numbers(("first", "first"), ("last", "last"), unit="min", decimals=1),
        *numbers(("low_c", "lowest"), ("high_c", "highest"), unit="°C"),
        Col("used"),
    ]
    note = "First and last: minutes after time zero."
    return table(made, "Flagged readings", columns, units=data.units, note=note)


def _lid_open(data: ReportData) -> Html | None:
    """Return what readings with the lid open do to the values that count: they are kept, as they were logged."""
    rows = data.table("lid_open")
    if not len(rows):
        return None
    made = rows.assign(
        label=[data.label(metric) for metric in rows["metric"]],
        kept=[quantity(row.value, row.unit, data.units) for row in rows.itertuples(index=False)],
        without=[quantity(row.without_lid, row.unit, data.units) for row in rows.itertuples(index=False)],
    )
    columns = [Col("burn", "Burn", kind="head"), Col("label", "measure")]
    columns += numbers(("kept", "as counted"), ("without", "without the lid-open readings"))
    note = "Values count with these readings in. Without them a straight line leads across the time the lid was open."
    return table(made, "Where the lid was opened: what it changes", columns, note=note)


def _reasons(data: ReportData) -> Html | None:
    """Return the table of why values are bounds or blank, a row per measure and reason."""
    rows = data.table("reasons")
    rows = rows[rows["status"] != "exact"]
    if not len(rows):
        return None
    grouped = rows.groupby(["metric", "status", "note"], sort=False)["burn"].agg(["size", ", ".join])
    made = grouped.reset_index().rename(columns={"join": "burns"})
    made["label"] = [data.label(metric) for metric in made["metric"]]
    measured = {*data.table("metrics")["burn"], *data.table("excluded")["burn"]}
    made["burns"] = made["burns"].where(made["size"] < len(measured), "all")
    columns = [Col("label", "Measure", kind="head"), Col("status", "value"), Col("note", "why"), Col("burns")]
    return table(made, "Bounds and blanks, and why", columns)


def _bounds_compared(data: ReportData) -> Html | None:
    rows = data.table("censored")
    if not len(rows):
        return None
    made = rows.assign(
        label=[data.label(metric) for metric in rows["metric"]],
        fuels=[f"{data.name(a)} and {data.name(b)}" for a, b in zip(rows["a"], rows["b"], strict=True)],
    )
    columns = [
        Col("fuels", "Fuels", kind="head"),
        Col("label", "measure"),
        Col("verdict", "verdict, bounds as bounds"),
    ]
    columns.append(Col("verdict_left_out", "those burns left out"))
    note = "The verdict takes a bound as a bound; beside it what leaving those burns out would say."
    return table(made, "Verdicts of fuels with a burn known only as a bound", columns, note=note)


def deviations_html(data: ReportData) -> Html:
    """Return the deviations from the plan as written, or the statement that none was found."""
    rows = data.table("deviations")
    if not len(rows):
        none = (
            "None found in what the kit compares (fuels, bags, days, order, charge, settings); the weather rule is "
            "yours to judge."
        )
        planned = data.analysis.run.plan is not None
        return paragraph(
            none
            if planned
            else "No plan was written before the first burn, so nothing can be checked against it."
        )
    columns = [Col("what", "What", kind="head"), Col("where"), Col("planned"), Col("done")]
    return table(rows, "What was done otherwise than planned", columns)


def _uncertainty(data: ReportData) -> list[Html | None]:
    rows = data.table("uncertainty")
    rows = rows[rows["metric"].isin(data.primary)] if data.primary else rows
    if not len(rows):
        return []
    made = rows.assign(
        name=rows["fuel"].map(data.name),
        common=["yes" if each else "no" for each in rows["common"].fillna(False)],
    )
    told = (
        "What is common to all burns of a probe, such as its calibration, does not shrink with more burns; it "
        "adds to a "
        "mean and mostly cancels in a difference of two fuels measured with the same probe. Expanded: k = 2, "
        "about 95 %."
    )
    tables = [_budget(data, str(metric), own) for metric, own in made.groupby("metric", sort=False)]
    return [heading("Uncertainty of measurement", "uncertainty"), paragraph(told), *tables]


def _budget(data: ReportData, metric: str, rows: pd.DataFrame) -> Html:
    unit = str(rows["unit"].iloc[0]).replace("°C", "K")
    columns = [
        Col("source", "Source", kind="head"),
        Col("u", "standard uncertainty", unit=unit, kind="number"),
    ]
    columns.append(Col("common", "common to all burns"))
    caption = f"{capital(data.label(metric))}: uncertainty budget"
    return table(rows, caption, columns, units=data.units, group="name")


def _correction(data: ReportData) -> list[Html | None]:
    corrected = correction_of(data.analysis)
    if corrected is None:
        return []
    moved, shown_rows = corrected.moved, corrected.moved.head(MOVED_SHOWN)
    told = (
        f"This report corrects an earlier one, {data.trial.corrects}: {counted(len(moved), 'number')} moved, "
        f"{counted(corrected.verdicts, 'verdict')} among them. "
        + ("What differs behind the numbers:" if corrected.causes else "Nothing behind the numbers differs.")
    )
    parts: list[Html | None] = [heading("What this report corrects", "correction"), paragraph(told)]
    parts.append(bullets(corrected.causes))
    if len(moved):
        more = len(moved) - len(shown_rows)
        note = f"The first {MOVED_SHOWN}; {more} more stand in tables/correction.csv." if more else ""
        columns = [Col("what", "what", kind="head"), Col("table"), Col("was"), Col("now", "is now")]
        parts.append(table(shown_rows, "Numbers that moved", columns, note=note))
    return parts


def _notes(data: ReportData) -> list[Html | None]:
    told = dict.fromkeys(map(str, [*data.analysis.run.notes, *data.analysis.notes]))
    made = bullets(text if text.endswith((".", "!", "?")) else f"{text}." for text in map(capital, told))
    return [heading("Notes on reading the files and on the model", "notes"), made] if made else []


def _logs(data: ReportData) -> list[Html | None]:
    """Return the table of files with the dialect they were read as, and what was noted."""
    files, notes = data.analysis.files, data.analysis.log_notes
    parts: list[Html | None] = [heading("How each log was read", "logs")]
    if len(files):
        shown_files = files.drop(columns=["sha256", "bytes"], errors="ignore")
        shown_files = shown_files.assign(
            **{name: shown_files[name].astype(str) for name in ("first", "last") if name in shown_files}
        )
        columns = [Col(name, name, kind="head" if name == "file" else "text") for name in shown_files]
        parts.append(table(shown_files.astype({"rows": str}), "Log files and how they were read", columns))
    if len(notes):
        grouped = notes.groupby("note", sort=False)["file"].agg(list)
        parts.append(bullets(f"{note}: {_files(names)}." for note, names in grouped.items()))
    return parts if len(parts) > 1 else []


def _files(names: list[str]) -> str:
    known = [name for name in dict.fromkeys(names) if name]
    return ", ".join(known) if known else "no one file"
