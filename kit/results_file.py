"""results.json, wherever one comes in: its JSON Schema, and the one door through which it is read.

Whatever stands in a results.json may have been written by a stranger; what comes through here has the shape that
the kit itself writes. And, of two trials as they stand there, whether they were measured alike: what must be so before
their values or spreads are put together.
"""

import hashlib
import json
import re
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final

from kit.errors import KitError, did_you_mean
from kit.schema import RESULTS_SCHEMA

RESULTS: Final = "results.json"
SCHEMA_ID: Final = "urn:repeatburn:results:1"
SCHEMA_FILE: Final = Path(__file__).with_name("results.schema.json")
ALWAYS: Final = ("schema", "report", "trial", "inputs", "parameters", "environment", "template")
"""Keys of every whole results.json; extracts of one in a bundle have fewer."""
HOW_WELL: Final = frozenset({"balance_division_g", "balance_linearity_g", "balance_repeatability_g"})
"""Keys of the way of measuring that say how well, not how."""

Record = Mapping[str, Any]
"""A trial as a report records it."""
_MOST_BYTES: Final = 1 << 29
_KEY: Final = re.compile(r'^"([^"]+)": (?:[\[{]\n(?:(?![\]}],?$).*\n)*+[\]}]|.*?)(?=,?$)', re.MULTILINE)
"""A key with what it holds, as the kit sets them out: at a line's start, and a block's end has a line of its own."""
_NAME: Final = re.compile(r"(\d{4}-\d{2}-\d{2})-([a-z][a-z0-9-]*?)(?:-(\d{1,6}))?")


def schema_text() -> str:
    """Return the JSON Schema (draft 7) of results.json, of which its tables are generated from `kit.schema`."""
    return SCHEMA_FILE.read_text("utf-8")


@cache
def _check() -> Callable[[Any], Any]:
    """Return the check of what stands in a results.json, whichever keys it has."""
    import fastjsonschema

    checked: Callable[[Any], Any] = fastjsonschema.compile({**json.loads(schema_text()), "required": []})
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
        if not path.resolve().is_relative_to(path.parent.resolve()):
            raise ValueError("a link that leaves its folder")
        if not path.is_file():
            raise ValueError("no file")
        if path.stat().st_size > _MOST_BYTES:
            raise ValueError(f"more than {_MOST_BYTES >> 20} MiB")
        found = json.loads(text(), parse_constant=_no_number)
        _check()(found)
        if missing := [key for key in required if key not in found]:
            raise ValueError(f"without {', '.join(missing)}")
    except (OSError, ValueError, RecursionError) as error:  # fastjsonschema's faults are ValueErrors
        words = str(error).replace("data.", "", 1)[:200] or type(error).__name__
        remedy = "Make that folder's report again, or leave the file out."
        raise KitError.refuse(
            str(path), f"results that cannot be read ({words})", RESULTS_SCHEMA, remedy
        ) from error
    results: dict[str, Any] = found
    return results


def _no_number(name: str) -> None:
    raise ValueError(f"{name}, which is no number")


def _part_of(path: Path, wanted: set[str]) -> str:
    """Return the wanted keys as JSON, of a file that was written to its end."""
    text = path.read_text("utf-8")
    if not text.endswith("\n}\n"):
        raise ValueError("broken off")
    parts = _KEY.finditer(text)
    return f"{{{','.join(part[0] for part in parts if part[1] in wanted)}}}"


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
    """Return the whole reports of a run folder, newest first; of one day by when they were written, to the second."""
    found = []
    for place in (Path(folder) / "reports").glob("[0-9]*"):
        name = _NAME.fullmatch(place.name)
        if name and (place / RESULTS).is_file():
            found.append(Report(place, name[1], name[2], int(name[3] or 1)))

    def order(report: Report) -> tuple[str, int, int, str]:
        return report.date, int(report.results.stat().st_mtime), report.number, report.template

    return sorted(found, key=order, reverse=True)


def needed_reports(folder: str | Path, template: str = "", at: Path | None = None) -> list[Report]:
    """Return the same, of one template and at one place where these are named.

    Raises
    ------
    KitError
        Where there is none.
    """
    reports = (each for each in reports_of(folder) if template in ("", each.template))
    found = [each for each in reports if at in (None, each.folder)]
    if not found:
        expected, remedy = "a run folder that has one", "Run `repeatburn report` on it first."
        raise KitError.refuse(str(folder), "no report with results.json", expected, remedy)
    return found


def newest_report(folder: str | Path, having: str) -> Path:
    """Return the newest results.json of a folder in which a table has rows, else the newest of all.

    Raises
    ------
    KitError
        Where there is no report, or one cannot be read.
    """
    paths = [report.results for report in needed_reports(folder)]
    return next((path for path in paths if read_part(path, {having}).get(having)), paths[0])


def newest_results(folder: str | Path, having: str) -> tuple[Path, dict[str, Any]]:
    """Return what `newest_report` finds: where it is, and all that it holds."""
    path = newest_report(folder, having)
    return path, read_results(path)


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file, as results.json records its inputs."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def logs_of(results: Record) -> dict[str, int]:
    """Return hash and size of each log that the burns of a results.json came from."""
    inputs = results.get("inputs", ())
    return {each["sha256"]: each["bytes"] for each in inputs if str(each["name"]).startswith("logs/")}


def copied_from(logs: Collection[str], name: str, whose: dict[str, str]) -> str:
    """Return of which trial another is a copy, by the hashes of their logs; '' where its burns are its own.

    Half of its logs make a copy; one alone makes none, for a day's may hold fires of two trials.

    Parameters
    ----------
    logs, name
        Of the trial in question.
    whose
        The trial that each log counts for already; those of a trial of its own are added.
    """
    owners = [whose[log] for log in logs if log in whose]
    if owners and 2 * len(owners) >= len(logs):
        return owners[0]
    whose.update(dict.fromkeys(logs, name))
    return ""


def corrected_report(folder: str | Path, name: str) -> Path:
    """Return the results.json of the report that the trial file's `corrects` names; a path is not followed.

    Raises
    ------
    KitError
        Where no report of that name stands in the folder.
    """
    known = {path.parent.name: path for path in (Path(folder) / "reports").glob(f"[0-9]*/{RESULTS}")}
    if name not in known:
        remedy = did_you_mean(name, known) if known else "Take the key out: there is no earlier report."
        where, expected = "trial.toml, [trial], key corrects", "the name of a report in reports/"
        raise KitError.refuse(where, f"'{name}'", expected, remedy)
    return known[name]


def conditions(trial: Record, cooker: str = "", setting: str = "") -> dict[str, str]:
    """Return in words what must be alike, by name; '' where it is not stated.

    A probe without a place is known by its id.

    Parameters
    ----------
    trial
        As results.json has it under 'trial'.
    cooker, setting
        Where the burns in question were made, if at one of several.
    """
    charge: Record = trial.get("charge") or {}
    key, unit = {"mass": ("grams", "g"), "volume": ("litres", "L")}.get(str(charge.get("by")), ("", ""))
    settings = (each for each in trial.get("settings") or () if each.get("id") == setting)
    declared: Record = next(settings, {})
    vents = ", ".join(str(declared[name]) for name in ("vents", "target") if declared.get(name))
    windows: Record = trial.get("measuring") or {}
    probe = main_probe(trial)
    return {
        "charge": f"{charge[key]:g} {unit}" if charge.get(key) else str(charge.get("by") or ""),
        "time zero": str(trial.get("time_zero") or ""),
        "cooker": cooker or ", ".join(trial.get("cookers") or ()),
        "vents": vents or setting,
        "probe place": str(probe.get("place") or probe.get("id") or trial.get("probe") or ""),
        **{
            f"smoothing {name}": "" if value is None else str(value)
            for name, value in windows.items()
            if name not in HOW_WELL
        },
    }


def main_probe(trial: Record) -> Record:
    """Return the main probe as declared, empty where none is."""
    probes, main = trial.get("probes") or (), trial.get("probe")
    return next((each for each in probes if each.get("id") == main), probes[0] if probes else {})


def differences(then: Mapping[str, str], now: Mapping[str, str]) -> dict[str, tuple[str, str]]:
    """Return each of the `conditions` that are not alike, as it was then and as it is now."""
    both = {name: (then.get(name, ""), now.get(name, "")) for name in {**now, **then}}
    return {name: each for name, each in both.items() if each[0] != each[1]}
