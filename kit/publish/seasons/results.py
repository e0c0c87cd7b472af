"""results.json, tables and figures beside the page of a history."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from kit.errors import disk_faults
from kit.history import History
from kit.page.text import Html, element
from kit.publish.figures.export import export
from kit.publish.plain import canonical, plain_value, records
from kit.publish.provenance import trace
from kit.publish.results import as_csv
from kit.publish.seasons.tables import LEVEL, tables_of
from kit.publish.sections.section import Section
from kit.publish.staging import report_date
from kit.results_file import RESULTS, SCHEMA_ID
from kit.schema import RESULTS_SCHEMA

TITLE = "What holds across the seasons"


@disk_faults()
def write_history(
    history: History, sections: Iterable[Section], place: str, reports: list[str], output: str
) -> Html:
    """Write figures, tables and results.json into the report's folder, results.json last, and say so.

    Parameters
    ----------
    place, reports
        As the notebook had them: the folder above the seasons, and the reports that were read.
    output
        The report's folder while it is made; '' writes nothing.
    """
    if not output:
        return element(
            "p", "Run by hand: nothing was written. ", element("code", "repeatburn history"), " does."
        )
    target, tables = Path(output), tables_of(history)
    for name in ("figures", "tables"):
        (target / name).mkdir(exist_ok=True)
    export(
        [drawing for section in sections for drawing in section.figures], target / "figures", report_date()
    )
    for key, table in tables.items():
        (target / "tables" / f"{key}.csv").write_text(as_csv(table), "utf-8", newline="\n")
    origin = trace(Path(place), {"reports": reports}, output)
    data = {
        "schema": RESULTS_SCHEMA,
        "$schema": SCHEMA_ID,
        "report": origin.report_id,
        "trial": {**history.newest.trial, "title": TITLE},
        "inputs": origin.input_records(),
        "parameters": plain_value(origin.parameters),
        "environment": dict(origin.environment),
        "template": dict(origin.template),
        "level": LEVEL,
        "without": dict(history.without),
        "burns": [],
        "metrics": [],
        **{key: records(table) for key, table in tables.items()},
    }
    (target / RESULTS).write_text(canonical(data), "utf-8", newline="\n")
    return element(
        "p", f"results.json and {len(tables)} tables stand beside this page; report {origin.report_id}."
    )
