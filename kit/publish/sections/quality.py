"""Section 8: what was flagged, left out or cut short, what deviates from the plan, what a correction changed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from kit.page.numbers import plain, quantity
from kit.page.tables import Col, table
from kit.page.text import Html
from kit.publish.corrected import correction_of
from kit.publish.facts import Facts, facts_of
from kit.publish.sections.section import Section, bullets, folded, heading, paragraph, section
from kit.publish.wording import counted, label_of
from kit.schema import FLAGS

if TYPE_CHECKING:
    import pandas as pd

MOVED_SHOWN = 30
"""Moved numbers that the page lists: verdicts, differences and means come first."""


def data_quality(analysis: Any) -> Section:
    """Return flags, exclusions, cut-short burns, deviations from the plan, uncertainty, corrections."""
    facts = facts_of(analysis)
    parts = [
        paragraph(_summary(facts)),
        flags_html(facts),
        heading("Left out and cut short", "left-out"),
        *_left_out(facts),
        *_cut_short(facts),
        _reasons(facts),
        *_lid_open(facts),
        heading("Deviations from the plan", "deviations"),
        deviations_html(facts),
        *_uncertainty(facts),
        *_correction(facts),
        *_notes(facts),
        folded("How each log was read", *_logs(facts)),
    ]
    return section("data-quality", "Data quality", parts)


def _lid_open(facts: Facts) -> list[Html | None]:
    """Return what readings with the lid open do to the values that count: they are kept, as they were logged."""
    rows = facts.table("lid_open")
    if not len(rows):
        return []
    made = rows.assign(
        label=[label_of(facts.spec(metric), facts.units) for metric in rows["metric"]],
        kept=[quantity(row.value, row.unit, facts.units) for row in rows.itertuples(index=False)],
        without=[quantity(row.without_lid, row.unit, facts.units) for row in rows.itertuples(index=False)],
    )
    columns = [
        Col("burn", "Burn", kind="head"),
        Col("label", "measure"),
        Col("kept", "as counted", kind="number"),
        Col("without", "without the lid-open readings", kind="number"),
    ]
    note = "Values count with these readings in. Without them a straight line leads across the time the lid was open."
    return [
        heading("Where the lid was opened", "lid-open"),
        table(made, "What it changes", columns, note=note),
    ]


def _summary(facts: Facts) -> str:
    spans = facts.table("spans")
    if not len(spans):
        return "There were no logs to check: the values came from the burn sheet."
    n, flagged = int(spans["n"].sum()), int(spans["n_flagged"].sum())
    files = len({name for text in spans["files"] for name in str(text).split(";")})
    return (
        f"{plain(n, 0)} readings of {counted(spans['burn'].nunique(), 'burn')} from "
        f"{counted(files, 'log file')} were read; "
        f"{plain(flagged, 0)} were flagged. A flagged reading is kept and shown; one that cannot be right is not "
        "used for any value. "
        "No log was changed."
    )


def flags_html(facts: Facts) -> Html | None:
    """Return the table of flags, a row a burn, probe and flag."""
    rows = facts.table("flag_counts")
    if not len(rows):
        return None
    made = rows.assign(
        first=rows["first_s"].astype(float) / 60,
        last=rows["last_s"].astype(float) / 60,
        meaning=[_meaning(flag) for flag in rows["flag"]],
        used=[_used(flag) for flag in rows["flag"]],
    )
    columns = [
        Col("burn", "Burn", kind="head"),
        Col("probe", "probe"),
        Col("flag", "flag"),
        Col("meaning", "meaning"),
        Col("n", "readings", kind="number", decimals=0),
        Col("first", "first", unit="min", kind="number", decimals=1),
        Col("last", "last", unit="min", kind="number", decimals=1),
        Col("low_c", "lowest", unit="°C", kind="number", decimals=0),
        Col("high_c", "highest", unit="°C", kind="number", decimals=0),
        Col("used", "used"),
    ]
    return table(
        made, "Flagged readings", columns, units=facts.units, note="First and last: minutes after time zero."
    )


def _meaning(flag: str) -> str:
    return "; ".join(FLAGS[part].meaning if part in FLAGS else part for part in str(flag).split("+"))


def _used(flag: str) -> str:
    return "yes" if all(part in FLAGS and FLAGS[part].usable for part in str(flag).split("+")) else "no"


def _left_out(facts: Facts) -> list[Html | None]:
    rows = facts.in_state("excluded")
    if not len(rows):
        return [paragraph("No burn was left out.")]
    told = [
        f"Burn {row.burn} of {facts.name(row.fuel)}: {row.excluded}." for row in rows.itertuples(index=False)
    ]
    return [
        paragraph(f"{counted(len(rows), 'burn').capitalize()} left out, with the reason given:"),
        bullets(told),
    ]


def _cut_short(facts: Facts) -> list[Html | None]:
    spans = facts.table("spans")
    told: list[str] = []
    for name, words in (
        ("cut_short", "log ended before the stop"),
        ("started_late", "log began after time zero"),
    ):
        burns = spans.loc[spans[name].fillna(False).astype(bool), "burn"] if len(spans) else []
        told.extend(
            f"Burn {burn}: the {words}; values that depend on the missing part are bounds."
            for burn in dict.fromkeys(burns)
        )
    compared = _bounds_compared(facts)
    if not told:
        return [paragraph("No log was cut short."), compared]
    return [bullets(told), compared]


def _reasons(facts: Facts) -> Html | None:
    """Return the folded table of why values are bounds or blank, a row a measure and reason."""
    rows = facts.table("reasons")
    rows = rows[rows["status"] != "exact"]
    if not len(rows):
        return None
    grouped = rows.groupby(["metric", "status", "note"], sort=False)["burn"].agg(["size", ", ".join])
    made = grouped.reset_index().rename(columns={"join": "burns"})
    made["label"] = [label_of(facts.spec(metric), facts.units) for metric in made["metric"]]
    measured = {*facts.table("metrics")["burn"], *facts.table("excluded")["burn"]}
    made["burns"] = made["burns"].where(made["size"] < len(measured), "all")
    columns = [
        Col("label", "Measure", kind="head"),
        Col("status", "value"),
        Col("note", "why"),
        Col("burns", "burns"),
    ]
    return folded("Why values are bounds or blank", table(made, "Bounds and blanks", columns))


def _bounds_compared(facts: Facts) -> Html | None:
    rows = facts.table("censored")
    if not len(rows):
        return None
    made = rows.assign(
        label=[label_of(facts.spec(metric), facts.units) for metric in rows["metric"]],
        fuels=[f"{facts.name(a)} and {facts.name(b)}" for a, b in zip(rows["a"], rows["b"], strict=True)],
    )
    named = {
        "verdict": "verdict",
        "verdict_left_out": "those burns left out",
    }
    columns = [Col("fuels", "Fuels", kind="head"), Col("label", "measure")]
    columns += [Col(name, words) for name, words in named.items() if name in made]
    note = "The verdict takes a bound as a bound: at least, or at most. Leaving those burns out is shown beside it."
    return table(made, "Verdicts where a burn is known by a bound only", columns, note=note)


def deviations_html(facts: Facts) -> Html:
    """Return the deviations from the plan as written, or the statement that there are none."""
    rows = facts.table("deviations")
    plan = facts.extra("run", None)
    if not len(rows):
        has_plan = getattr(plan, "plan", None) is not None
        told = (
            "None: what was done is what was planned."
            if has_plan
            else ("No plan was written before the first burn, so nothing can be checked against it.")
        )
        return paragraph(told)
    columns = [
        Col("what", "What", kind="head"),
        Col("where", "where"),
        Col("planned", "planned"),
        Col("done", "done"),
    ]
    return table(rows, "What was done otherwise than planned", columns)


def _uncertainty(facts: Facts) -> list[Html | None]:
    rows = facts.table("uncertainty")
    rows = rows[rows["metric"].isin(facts.primary)] if facts.primary else rows
    if not len(rows):
        return []
    made = rows.assign(
        name=[facts.name(fuel) for fuel in rows["fuel"]],
        common=["yes" if each else "no" for each in rows["common"].fillna(False)],
    )
    tables = [_budget(facts, str(metric), own) for metric, own in made.groupby("metric", sort=False)]
    told = (
        "What is common to all burns of a probe, such as its calibration, does not shrink with more "
        "burns; it adds to a mean "
        "and mostly cancels in a difference of two fuels measured with the same probe. Expanded: k = 2, about 95 %."
    )
    return [
        heading("Uncertainty of measurement", "uncertainty"),
        paragraph(told),
        folded("Uncertainty budgets of the main measures", *tables),
    ]


def _budget(facts: Facts, metric: str, rows: pd.DataFrame) -> Html:
    label = label_of(facts.spec(metric), facts.units)
    unit = str(rows["unit"].iloc[0])
    unit = "K" if unit == "°C" else unit
    columns = [
        Col("source", "Source", kind="head"),
        Col("u", "standard uncertainty", unit=unit, kind="number"),
        Col("common", "common to all burns"),
    ]
    return table(
        rows, f"{label[:1].upper()}{label[1:]}: uncertainty budget", columns, units=facts.units, group="name"
    )


def _correction(facts: Facts) -> list[Html | None]:
    corrected = correction_of(facts.analysis)
    if corrected is None:
        return []
    moved, shown = corrected.moved, corrected.moved.head(MOVED_SHOWN)
    parts: list[Html | None] = [
        heading("What this report corrects", "correction"),
        paragraph(
            f"This report corrects an earlier one, {facts.trial.corrects}: {counted(len(moved), 'number')} moved, "
            f"{counted(corrected.verdicts, 'verdict')} among them."
        ),
        paragraph(
            "What differs behind the numbers:" if corrected.causes else "Nothing behind the numbers differs."
        ),
        bullets(corrected.causes),
    ]
    if len(moved):
        more = len(moved) - len(shown)
        note = f"The first {MOVED_SHOWN}; {more} more stand in tables/correction.csv." if more else ""
        columns = [Col("what", "what", kind="head"), Col("table"), Col("was", "was"), Col("now", "is now")]
        parts.append(table(shown, "Numbers that moved", columns, note=note))
    return parts


def _notes(facts: Facts) -> list[Html | None]:
    notes = [*getattr(facts.analysis.run, "notes", ()), *facts.extra("notes", ())]
    listed = bullets(dict.fromkeys(map(str, notes)))
    return [heading("Notes from the reading of the folder", "notes"), listed] if listed else []


def _logs(facts: Facts) -> list[Html | None]:
    """Return the table of files with the dialect they were read as, and what was noted."""
    files, notes = facts.extra("files", None), facts.extra("log_notes", None)
    parts: list[Html | None] = []
    if files is not None and len(files):
        shown = files.drop(columns=["sha256", "bytes"], errors="ignore")
        shown = shown.assign(**{name: shown[name].astype(str) for name in ("first", "last") if name in shown})
        columns = [Col(name, name, kind="head" if name == "file" else "text") for name in shown]
        parts.append(table(shown.astype({"rows": str}), "Log files and how they were read", columns))
    if notes is not None and len(notes):
        grouped = notes.groupby("note", sort=False)["file"].agg(", ".join)
        parts.append(bullets(f"{note}: {names}." for note, names in grouped.items()))
    return parts
