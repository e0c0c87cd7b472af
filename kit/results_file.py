"""results.json, wherever one comes in: its JSON Schema, and the one door through which it is read.

Whatever stands in a results.json may have been written by a stranger; what comes through here has the shape that
the kit itself writes.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final

from kit import schema
from kit.errors import KitError
from kit.schema import Column

RESULTS: Final = "results.json"
SCHEMA_ID: Final = "urn:repeatburn:results:1"
SCHEMA_FILE: Final = Path(__file__).with_name("results.schema.json")
ALWAYS: Final = ("schema", "report", "trial", "inputs", "parameters", "environment", "template")
"""Keys of every whole results.json; extracts of one in a bundle have fewer."""
TABLES: Final[Mapping[str, tuple[Column, ...]]] = {
    "burns": schema.BURNS,
    "spans": schema.SPANS,
    "metrics": schema.METRICS,
    "reasons": schema.REASONS,
    "lid_open": schema.LID_OPEN,
    "components": schema.COMPONENTS,
    "means": schema.MEANS,
    "comparisons": schema.COMPARISONS,
    "comparisons_alone": schema.COMPARISONS,
    "overall": schema.OVERALL,
    "best": schema.BEST,
    "prior": schema.PRIOR,
    "value": schema.VALUE,
    "shares": schema.SHARES,
    "kinds": schema.KINDS,
    "ladder": schema.LADDER,
    "next_bag": schema.NEXT_BAG,
    "chances": schema.CHANCES,
    "further": schema.FURTHER,
    "reached": schema.REACHED,
    "reached_pairs": schema.REACHED_PAIRS,
    "scores": schema.SCORED,
    "score_pairs": schema.SCORE_PAIRS,
    "tasters": schema.TASTERS,
    "cooks": schema.COOKS,
    "odd_burns": schema.ODD_BURNS,
    "influence": schema.INFLUENCE,
    "flags": schema.FLAG_COUNTS,
    "uncertainty": schema.UNCERTAINTY,
    "self_check": schema.SELF_CHECK,
    "second_opinion": schema.SECOND_OPINION,
    "censored": schema.CENSORED,
    "deviations": schema.DEVIATIONS,
    "uncounted": schema.UNCOUNTED,
}
CURVES: Final[Mapping[str, tuple[Column, ...]]] = {
    "mean": schema.MEAN_CURVES,
    "difference": schema.DIFFERENCE_CURVES,
}
_NEVER_BLANK: Final = {"burns": ("burn",), "metrics": ("burn", "fuel", "metric")}
"""Columns that say what a row is of."""
_MOST_BYTES: Final = 1 << 29
_LARGEST: Final = 1e300  # beyond it a number is no measurement, and arithmetic on it none
_NAME: Final = re.compile(r"(\d{4}-\d{2}-\d{2})-([a-z][a-z0-9-]*?)(?:-(\d{1,6}))?")


def results_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 7) of results.json, generated from the tables of `kit.schema`."""
    return {
        "$schema": "http://json-schema.org/draft-07/schema#",
        "$id": SCHEMA_ID,
        "title": "Every number of a repeatburn report",
        "type": "object",
        "required": list(ALWAYS),
        "properties": {
            "schema": {"const": schema.RESULTS_SCHEMA},
            "$schema": {"const": SCHEMA_ID},
            "report": {"type": "string"},
            "trial": _TRIAL,
            "inputs": _rows({"name": _TEXT, "bytes": _COUNT, "sha256": _TEXT}, ("name", "sha256")),
            "parameters": {"type": "object"},
            "environment": {"type": "object", "additionalProperties": _TEXT},
            "template": {"type": "object", "properties": {"name": _TEXT, "sha256": _TEXT}},
            "claims": {"type": "array", "items": {"type": "object"}},
            **{key: _table(key, columns) for key, columns in TABLES.items()},
            "curves": {
                "type": "object",
                "additionalProperties": {"type": "object", "additionalProperties": {"type": "array"}},
                "properties": {key: _curves(columns) for key, columns in CURVES.items()},
            },
        },
    }


_TEXT: Final = {"type": "string"}
_COUNT: Final = {"type": "integer", "minimum": 0}
_KINDS: Final[Mapping[str, dict[str, Any]]] = {
    "text": {"type": ["string", "null"]},
    "clock": {"type": ["string", "null"]},
    "number": {"type": ["number", "null"], "minimum": -_LARGEST, "maximum": _LARGEST},
    "count": {"type": ["integer", "null"], "minimum": -(2**53), "maximum": 2**53},
    "yes/no": {"type": ["boolean", "null"]},
}


def _rows(properties: Mapping[str, Any], required: Iterable[str] = ()) -> dict[str, Any]:
    items = {"type": "object", "properties": dict(properties), "required": list(required)}
    return {"type": "array", "items": items}


def _words(*names: str) -> dict[str, Any]:
    return {name: {"type": ["string", "null"]} for name in names}


_TRIAL: Final = {
    "type": "object",
    "properties": {
        **_words("title", "question", "control_fuel", "probe", "time_zero", "currency", "operator", "place"),
        "cookers": {"type": ["array", "null"], "items": _TEXT},
        "fuels": _rows({"id": _TEXT, **_words("name", "brand", "kind")}, ["id"]),
        "settings": _rows({"id": _TEXT, **_words("vents", "target")}, ["id"]),
        "probes": _rows({"id": _TEXT, **_words("place")}, ["id"]),
        "charge": {
            "type": ["object", "null"],
            "properties": {**_words("by"), "grams": _KINDS["number"], "litres": _KINDS["number"]},
        },
        "measuring": {"type": ["object", "null"]},
        "margins": {
            "type": ["object", "null"],
            "additionalProperties": {"type": "object", "properties": {"value": _KINDS["number"]}},
        },
        "primary": {"type": ["array", "null"], "items": _TEXT},
        "declared": {"type": ["array", "null"], "items": {"type": "object"}},
    },
}


def _table(key: str, columns: tuple[Column, ...]) -> dict[str, Any]:
    properties = {column.name: {**_KINDS[column.kind]} for column in columns}
    required = list(_NEVER_BLANK.get(key, ()))
    for name in required:
        properties[name] = dict(_TEXT)
    if key == "metrics":
        properties["status"] = {"enum": list(schema.STATUSES)}
        required += ["status", "value"]
    return _rows(properties, required)


def _curves(columns: tuple[Column, ...]) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": {each.name: {"type": "array", "items": _KINDS[each.kind]} for each in columns},
    }


def schema_text() -> str:
    """Return the JSON Schema as the text of the file that is shipped with the kit."""
    return json.dumps(results_schema(), indent=1, ensure_ascii=False) + "\n"


@cache
def _check() -> Callable[[Any], Any]:
    """Return the check of what stands in a results.json, whichever keys it has."""
    import fastjsonschema

    checked: Callable[[Any], Any] = fastjsonschema.compile({**results_schema(), "required": []})
    return checked


def read_results(path: Path, required: Iterable[str] = ("schema",)) -> dict[str, Any]:
    """Return what a results.json holds.

    Parameters
    ----------
    required
        Keys it must have; `ALWAYS` for the results of a whole report.

    Raises
    ------
    KitError
        Naming the file, where it cannot be read or is not what the kit writes.
    """
    return _through_the_door(path, lambda: path.read_text("utf-8"), required)


def read_part(path: Path, keys: Iterable[str], required: Iterable[str] = ("schema",)) -> dict[str, Any]:
    """Return some keys of a results.json; the others are passed over where the file has a line a row, as the kit's.

    Raises
    ------
    KitError
        As `read_results`.
    """
    wanted = {*keys, *required, "schema"}
    try:
        return _through_the_door(path, lambda: _part_of(path, wanted), required)
    except KitError:  # it may be set out in other lines than the kit's
        whole = read_results(path, required)
        return {key: value for key, value in whole.items() if key in wanted}


def _through_the_door(path: Path, text: Callable[[], str], required: Iterable[str]) -> dict[str, Any]:
    try:
        _refuse_what_is_no_file(path)
        found = json.loads(text(), parse_constant=_no_number)
        _check()(found)
        if missing := [key for key in required if key not in found]:
            raise ValueError(f"without {', '.join(missing)}")
    except (OSError, ValueError, RecursionError) as error:  # fastjsonschema's faults are ValueErrors
        words = str(error).replace("data.", "", 1)[:200] or type(error).__name__
        remedy = "Make that folder's report again, or leave the file out."
        raise KitError.refuse(
            str(path), f"results that cannot be read ({words})", schema.RESULTS_SCHEMA, remedy
        ) from error
    results: dict[str, Any] = found
    return results


def _refuse_what_is_no_file(path: Path) -> None:
    if not path.resolve().is_relative_to(path.parent.resolve()):
        raise ValueError("a link that leaves its folder")
    if not path.is_file():
        raise ValueError("no file")
    if path.stat().st_size > _MOST_BYTES:
        raise ValueError(f"more than {_MOST_BYTES >> 20} MiB")


def _no_number(name: str) -> None:
    raise ValueError(f"{name}, which is no number")


def _part_of(path: Path, wanted: set[str]) -> str:
    """Return the wanted keys as JSON: they stand at a line's start, and a block's end has a line of its own."""
    parts: list[list[str]] = []
    taking, closing = False, ""
    with path.open(encoding="utf-8") as lines:
        for line in lines:
            if closing:
                if taking:
                    parts[-1].append(line)
                if line.rstrip("\n").rstrip(",") == closing:
                    closing = ""
            elif line.startswith('"'):
                key, _, value = line.partition(": ")
                taking = key.strip('"') in wanted
                if taking:
                    parts.append([line])
                closing = {"[\n": "]", "{\n": "}"}.get(value, "")
    return "{" + ",".join("".join(part).rstrip().rstrip(",") for part in parts) + "}"


@dataclass(frozen=True)
class Report:
    """One report that stands in a run folder.

    Attributes
    ----------
    folder
        Of the report.
    date, template, number
        From its name: 2026-05-14-two-fuels-2 is the second of that day.
    """

    folder: Path
    date: str
    template: str
    number: int

    @property
    def run(self) -> Path:
        """The run folder it is of."""
        return self.folder.parents[1]

    @property
    def results(self) -> Path:
        """Its results.json."""
        return self.folder / RESULTS


def reports_of(folder: str | Path) -> list[Report]:
    """Return the whole reports of a run folder, newest first."""
    found = []
    for place in (Path(folder) / "reports").glob("[0-9]*"):
        name = _NAME.fullmatch(place.name)
        if name and (place / RESULTS).is_file():
            found.append(Report(place, name[1], name[2], int(name[3] or 1)))
    return sorted(found, key=lambda each: (each.date, each.number, each.template), reverse=True)


def newest_results(folder: str | Path, having: str) -> tuple[Path, dict[str, Any]]:
    """Return the newest results of a folder in which a table has rows, else the newest of all, and where they stand.

    Raises
    ------
    KitError
        Where there is no report, or one cannot be read.
    """
    paths = [report.results for report in reports_of(folder)]
    if not paths:
        expected, remedy = "a run folder that has one", "Run `repeatburn report` on it first."
        raise KitError.refuse(str(folder), "no report with results.json", expected, remedy)
    for path in paths:
        results = read_results(path)
        if results.get(having):
            return path, results
    return paths[0], read_results(paths[0])
