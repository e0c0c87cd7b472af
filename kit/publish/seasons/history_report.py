"""Makes the report over many run folders, beside them: page, results.json, tables and figures."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from kit.errors import KitError, disk_faults
from kit.history import History, newest_reports
from kit.page.text import Html
from kit.publish.plain import records
from kit.publish.provenance import trace
from kit.publish.report import make, take_order
from kit.publish.seasons.history_tables import LEVEL, tables_of
from kit.publish.sections.section import Section
from kit.publish.write_outputs import by_hand, head_of, write_figures, write_numbers
from kit.runtime.kernel import fresh_kernel


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
        raise KitError.refuse(found, "no folder that holds them all", expected, remedy)
    return place


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
        return by_hand("nothing was", "history")
    target, tables = Path(output), tables_of(history)
    write_figures(sections, target)
    data = {
        **head_of({**history.newest.trial, "title": TITLE}, trace(Path(place), {"reports": reports}, output)),
        "level": LEVEL,
        "without": dict(history.without),
        "burns": [],
        "metrics": [],
        **{key: records(table) for key, table in tables.items()},
    }
    return write_numbers(target, tables, data)
