"""Makes the report over many run folders, beside them."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from kit.errors import KitError, Problem
from kit.history import newest_reports
from kit.publish.report import make, take_order
from kit.runtime.kernel_process import fresh_kernel


def make_history(folders: Iterable[str | Path], progress: Callable[[str], None] | None = None) -> Path:
    """Make the history of several run folders from their newest reports, and return its page.

    It becomes reports/DATE-history/ of the folder that holds all of them, which is no run folder itself.

    Raises
    ------
    KitError
        Naming every folder without a report, or where no folder holds them all.
    NotRunError
        At a failure of the kit's own.
    """
    paths = newest_reports(folders)
    place = common_place([path.parents[2] for path in paths])
    reports = [path.parent.relative_to(place).as_posix() for path in paths]
    order = take_order(place, "history", {"reports": reports})
    sources = tuple(path.relative_to(place).as_posix() for path in paths)
    return make(replace(order, sources=sources), fresh_kernel, progress)


def common_place(folders: Sequence[Path]) -> Path:
    """Return the nearest folder above run folders that is none itself.

    Raises
    ------
    KitError
        Where they have nothing in common but the disk.
    """
    try:
        place = Path(os.path.commonpath([folder.parent for folder in folders]))
    except ValueError:  # on two disks
        place = Path(folders[0].anchor)
    while (place / "trial.toml").is_file():
        place = place.parent
    if place == Path(place.anchor):
        found = ", ".join(str(folder) for folder in folders)
        expected, remedy = "run folders below one folder", "Move or copy them into one folder."
        raise KitError(Problem("refuse", found, "no folder that holds them all", expected, remedy))
    return place
