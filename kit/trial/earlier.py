"""Earlier reports of a run folder, from their results.json alone."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

from kit.errors import KitError
from kit.results_file import read_results, reports_of
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
    paths = [report.results for report in reports_of(folder)]
    if not paths:
        expected, remedy = "a run folder that has one", "Run `repeatburn report` on it first."
        raise KitError.refuse(str(folder), "no report with results.json", expected, remedy)
    for path in paths:
        results = read_results(path)
        if results.get(having):
            return path, results
    return paths[0], read_results(paths[0])
