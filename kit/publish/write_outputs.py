"""What stands beside the page: results.json, the tables, figures and cards."""

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final

import pandas as pd

from kit import schema
from kit.errors import disk_faults
from kit.page.text import Html, element, leading_there
from kit.publish.claims import all_claims, cards
from kit.publish.drawing import export
from kit.publish.plain import as_csv, canonical, columns, plain_value, records
from kit.publish.provenance import report_date, trace
from kit.publish.report_data import report_data
from kit.publish.sections.quality import correction_of
from kit.publish.sections.section import Section
from kit.publish.wording import by_hand
from kit.results_file import RESULTS, SCHEMA_ID


@disk_faults()
def write_outputs(
    analysis: Any,
    sections: Iterable[Section],
    output: str | Path,
    parameters: Mapping[str, object] | None = None,
) -> Html:
    """Write cards, figures, tables and results.json into a report's folder, results.json last, and say so.

    Parameters
    ----------
    sections
        Those of the page: their figures are the ones written.
    output
        The report's folder while it is made; '' writes nothing, as when a template is run by hand in JupyterLab.
    parameters
        As the notebook really had them, paths left out.
    """
    if not str(output):
        return by_hand("nothing was", "report")
    target, sections = Path(output), [*sections]
    write_figures(sections, target)
    pages = {RESULTS: ""}
    for each in sections:
        page = f"{each.part}.html"
        pages[page] = pages.get(page, "") + each.html
    for name, text in cards(analysis).items():
        (target / name).write_text(leading_there(text, pages), "utf-8", newline="\n")
    return write_results(analysis, target, parameters, claims=all_claims(report_data(analysis)))


def write_figures(sections: Iterable[Section], target: Path) -> None:
    """Write the figures of a page's sections into a report's folder."""
    (target / "figures").mkdir(exist_ok=True)
    drawings = [drawing for section in sections for drawing in section.figures]
    export(drawings, target / "figures", report_date())


_HELD_AS: Final[Mapping[str, str]] = {"flags": "flag_counts"}
_ELSEWHERE: Final = ("readings", "mean_curves", "difference_curves", *_HELD_AS.values())
TABLES: Final = tuple(
    name for name in (*schema.TABLES, "files", "log_notes", *_HELD_AS) if name not in _ELSEWHERE
)
"""Keys of results.json for the tidy tables of an analysis, which holds them under the same names but for `_HELD_AS`."""

CURVES: Final[Mapping[str, str]] = {
    "mean": "mean_curves",
    "difference": "difference_curves",
    "apart": "apart",
}
_PLAIN: Final[Mapping[str, Any]] = {"interim": "", "level": None, "why_not": {}, "notes": ()}


def write_results(
    analysis: Any,
    folder: str | Path,
    parameters: Mapping[str, object] | None = None,
    *,
    claims: Iterable[Any] = (),
) -> Html:
    """Write results.json and tables/*.csv into a folder, and say so.

    Parameters
    ----------
    analysis
        As `kit.analysis.analyse` returns it.
    folder
        An existing folder; '' writes nothing, as when a template is run by hand in JupyterLab.
    parameters
        As the notebook really had them, paths left out.
    claims
        The findings in words, each with its id.
    """
    if not str(folder):
        return by_hand("results.json was not", "report")
    target = Path(folder)
    origin = trace(analysis.run.folder, parameters or {}, target)
    tables = _tables_of(analysis, {key: _HELD_AS.get(key, key) for key in TABLES})
    curves = _tables_of(analysis, CURVES)
    rows = {key: records(frame) for key, frame in tables.items()}
    of_verdict = ("metric", "a", "b", "verdict", "direction")
    data = {
        **head_of(analysis.run.trial, origin),
        **{key: plain_value(getattr(analysis, key, otherwise)) for key, otherwise in _PLAIN.items()},
        "burns": records(analysis.run.burns),
        "verdicts": [
            {name: row[name] for name in of_verdict if name in row} for row in rows.get("comparisons", [])
        ],
        "claims": [plain_value(claim) for claim in claims],
        **{key: rows.get(key, []) for key in TABLES},
        "curves": {key: columns(frame) for key, frame in curves.items()},
    }
    corrected = correction_of(analysis)
    if corrected:
        tables["correction"] = corrected.moved
        data["correction"] = {"causes": list(corrected.causes), "moved": records(corrected.moved)}
    of_curves = {f"{key}_curves": each for key, each in curves.items()}
    return write_numbers(target, {"burns": analysis.run.burns, **tables, **of_curves}, data)


def write_numbers(target: Path, sheets: Mapping[str, pd.DataFrame], data: Mapping[str, Any]) -> Html:
    """Write tables/*.csv and then results.json into a folder, and say so."""
    (target / "tables").mkdir(exist_ok=True)
    for key, frame in sheets.items():
        (target / "tables" / f"{key}.csv").write_text(as_csv(frame), "utf-8", newline="\n")
    # last: a report without it was not finished
    (target / RESULTS).write_text(canonical(data), "utf-8", newline="\n")
    return element(
        "p", f"results.json and {len(sheets)} tables stand beside this page; report {data['report']}."
    )


def head_of(trial: Any, origin: dict[str, Any]) -> dict[str, Any]:
    """Return what every results.json begins with: its schema, the trial, and what it was made from."""
    head = {
        "schema": schema.RESULTS_SCHEMA,
        "$schema": SCHEMA_ID,
        "report": origin["report"],
        "trial": plain_value(trial),
    }
    return head | origin | {"parameters": plain_value(origin["parameters"])}


def _tables_of(analysis: Any, names: Mapping[str, str]) -> dict[str, pd.DataFrame]:
    found = {key: getattr(analysis, name, None) for key, name in names.items()}
    return {key: table for key, table in found.items() if hasattr(table, "iterrows")}
