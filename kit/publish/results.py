"""results.json and the tables beside it: every number of a report, for people and programs."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from kit.page.text import Html, element, spreadsheet_safe
from kit.publish.corrected import correction_of
from kit.publish.plain import canonical, columns, plain_value, records
from kit.publish.provenance import Origin, trace
from kit.results_file import RESULTS, SCHEMA_ID
from kit.schema import RESULTS_SCHEMA

if TYPE_CHECKING:
    import pandas as pd

TABLES: Final[Mapping[str, str]] = {
    "spans": "spans",
    "files": "files",
    "log_notes": "log_notes",
    "metrics": "metrics",
    "excluded": "excluded",
    "components": "components",
    "shares": "shares",
    "means": "means",
    "comparisons": "comparisons",
    "pairs": "pairs",
    "comparisons_alone": "comparisons_alone",
    "overall": "overall",
    "best": "best",
    "prior": "prior",
    "value": "value",
    "ladder": "ladder",
    "kinds": "kinds",
    "next_bag": "next_bag",
    "chances": "chances",
    "reasons": "reasons",
    "lid_open": "lid_open",
    "further": "further",
    "reached": "reached",
    "reached_pairs": "reached_pairs",
    "cooks": "cooks",
    "scores": "scores",
    "score_pairs": "score_pairs",
    "tasters": "tasters",
    "odd_burns": "odd_burns",
    "influence": "influence",
    "censored": "censored",
    "flags": "flag_counts",
    "uncertainty": "uncertainty",
    "uncounted": "uncounted",
    "deviations": "deviations",
    "second_opinion": "second_opinion",
    "self_check": "self_check",
}
"""Key of results.json for each tidy table of an analysis."""

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
    origin: Origin | None = None,
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
        As the notebook really had them, paths left out; ignored where `origin` is given.
    claims
        The findings in words, each with its id.
    """
    if not str(folder):
        return element(
            "p", "Run by hand: results.json was not written. ", element("code", "repeatburn report"), " does."
        )
    target = Path(folder)
    known = origin or trace(analysis.run.folder, parameters or {}, target)
    tables = {key: found for key, name in TABLES.items() if (found := _table(analysis, name)) is not None}
    curves = {key: found for key, name in CURVES.items() if (found := _table(analysis, name)) is not None}
    corrected = correction_of(analysis)
    if corrected:
        tables["correction"] = corrected.moved
    data = results_of(analysis, known, tables, curves, claims)
    if corrected:
        data |= {"correction": {"causes": list(corrected.causes), "moved": records(corrected.moved)}}
    (target / "tables").mkdir(exist_ok=True)
    sheets = {
        "burns": analysis.run.burns,
        **tables,
        **{f"{key}_curves": each for key, each in curves.items()},
    }
    for key, frame in sheets.items():
        (target / "tables" / f"{key}.csv").write_text(as_csv(frame), "utf-8", newline="\n")
    # last: a report without it was not finished
    (target / RESULTS).write_text(canonical(data), "utf-8", newline="\n")
    return element(
        "p", f"results.json and {len(sheets)} tables stand beside this page; report {known.report_id}."
    )


def _table(analysis: Any, name: str) -> pd.DataFrame | None:
    found = getattr(analysis, name, None)
    return found if hasattr(found, "iterrows") else None


def results_of(
    analysis: Any,
    origin: Origin,
    tables: Mapping[str, pd.DataFrame],
    curves: Mapping[str, pd.DataFrame],
    claims: Iterable[Any] = (),
) -> dict[str, Any]:
    """Return all that results.json holds, in its order."""
    rows = {key: records(frame) for key, frame in tables.items()}
    return {
        "schema": RESULTS_SCHEMA,
        "$schema": SCHEMA_ID,
        "report": origin.report_id,
        "trial": plain_value(analysis.run.trial),
        "inputs": origin.input_records(),
        "parameters": plain_value(origin.parameters),
        "environment": dict(origin.environment),
        "template": dict(origin.template),
        **{key: plain_value(getattr(analysis, key, otherwise)) for key, otherwise in _PLAIN.items()},
        "burns": records(analysis.run.burns),
        "verdicts": _verdicts(rows.get("comparisons", [])),
        "claims": [plain_value(claim) for claim in claims],
        **{key: rows.get(key, []) for key in TABLES},
        "curves": {key: columns(frame) for key, frame in curves.items()},
    }


def _verdicts(comparisons: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    kept = ("metric", "a", "b", "verdict", "direction")
    return [{name: row[name] for name in kept if name in row} for row in comparisons]


def as_csv(frame: pd.DataFrame) -> str:
    """Return a table as CSV: full digits, blank for no value, no cell that a spreadsheet would run."""
    held = columns(frame)
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([spreadsheet_safe(name) for name in held])
    writer.writerows(zip(*([_cell(value) for value in column] for column in held.values()), strict=True))
    return out.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return repr(value)
    return spreadsheet_safe(value)
