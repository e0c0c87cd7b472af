"""Earlier reports of a run folder, from their results.json alone."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

from kit.errors import KitError, Problem
from kit.schema import RESULTS_SCHEMA
from kit.trial.models import ALL_ALIKE

BORROWED: Final = "borrowed"
"""Folder of a bundle that holds what its trial borrowed from others."""


def lender_folders(folder: str | Path, names: Iterable[str]) -> list[Path]:
    """Return where the run folders that a trial borrows from stand: as copies in a bundle, else as it names them.

    "all alike" names every folder with a report that stands beside this one; whether it was measured alike is for
    whoever borrows to judge.
    """
    root, listed = Path(folder), list(names)
    if listed == [ALL_ALIKE]:
        copies = sorted((root / BORROWED).glob("[0-9]*"), key=lambda place: int(place.name))
        return [lent for place in copies if (lent := _copy(root, int(place.name)))] or _beside(root)
    return [_copy(root, place) or root / name for place, name in enumerate(listed, 1)]


def _beside(folder: Path) -> list[Path]:
    own = folder.resolve()
    there = sorted(place for place in own.parent.iterdir() if place != own and place.is_dir())
    return [place for place in there if any(place.glob("reports/[!.]*/results.json"))]


def _copy(folder: Path, place: int) -> Path | None:
    return next((each for each in (folder / BORROWED / str(place)).glob("*") if each.is_dir()), None)


def newest_results(folder: str | Path, having: str) -> dict[str, Any]:
    """Return the newest results of a folder in which a table has rows; the newest of all where none has.

    Raises
    ------
    KitError
        Where there is no report, or one cannot be read.
    """
    return newest_with(folder, having)[1]


def newest_with(folder: str | Path, having: str) -> tuple[Path, dict[str, Any]]:
    """Return the newest results in which a table has rows, as `newest_results`, and where they stand.

    Raises
    ------
    KitError
        Where there is no report, or one cannot be read.
    """
    paths = reports_of(folder)
    for path in paths:
        results = read_results(path)
        if results.get(having):
            return path, results
    return paths[0], read_results(paths[0])


def read_results(path: Path) -> dict[str, Any]:
    """Return what a results.json holds.

    Raises
    ------
    KitError
        Where it cannot be read or is of another schema.
    """
    try:
        results: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        if results.get("schema") != RESULTS_SCHEMA:
            raise ValueError(str(results.get("schema")))
    except (OSError, ValueError, AttributeError) as error:
        found = f"results that cannot be read ({error})"
        raise KitError(
            Problem("refuse", str(path), found, RESULTS_SCHEMA, "Make that folder's report again.")
        ) from error
    return results


def reports_of(folder: str | Path) -> list[Path]:
    """Return the results.json of each report of a run folder, newest first.

    Raises
    ------
    KitError
        Where there is no report.
    """
    found = [path for path in Path(folder).glob("reports/*/results.json") if path.parent.name[:1] != "."]
    if not found:
        expected, remedy = "a run folder that has one", "Run `repeatburn report` on it first."
        raise KitError(Problem("refuse", str(folder), "no report with results.json", expected, remedy))
    return sorted(found, key=lambda path: _age(path.parent.name), reverse=True)


def _age(name: str) -> tuple[str, str, int]:
    """Order '2026-05-14-standard-10' after '-2', and both after the first of the day."""
    day, rest = name[:10], name[11:]
    stem, _, number = rest.rpartition("-")
    return (day, stem, int(number)) if number.isdigit() else (day, rest, 1)
