"""An index page of all reports under a folder, newest first."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from kit.errors import KitError, Problem, disk_faults
from kit.page import Col, Html, document, element, join, table
from kit.publish.results import RESULTS
from kit.runtime.atomic_write import write_atomically

PAGE: Final = "index.html"
_MARK: Final = "Index made by repeatburn."
_NAME: Final = re.compile(r"(\d{4}-\d{2}-\d{2})-([a-z][a-z0-9-]*?)(?:-(\d+))?")


@dataclass(frozen=True)
class Made:
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

    def head(self) -> dict[str, Any]:
        """Return the first keys of its results (schema, report, trial), without reading the rest."""
        kept = []
        with (self.folder / RESULTS).open(encoding="utf-8") as lines:
            for line in lines:
                if line.startswith('"inputs"'):
                    break
                kept.append(line)
        text = "".join(kept).rstrip().rstrip(",")
        found: dict[str, Any] = json.loads(text + "}")
        return found


def reports_of(folder: Path) -> list[Made]:
    """Return the whole reports of a run folder, newest first."""
    found = []
    for place in (folder / "reports").glob("[0-9]*"):
        name = _NAME.fullmatch(place.name)
        if name and (place / RESULTS).is_file():
            found.append(Made(place, name[1], name[2], int(name[3] or 1)))
    return sorted(found, key=lambda each: (each.date, each.number, each.template), reverse=True)


def write_index(folder: str | Path, target: str | Path | None = None) -> Path:
    """Write the index page of all run folders below a folder, and return its path.

    Parameters
    ----------
    folder
        A folder of run folders, or one run folder.
    target
        The page; by default index.html in the folder.  An earlier index is replaced: it holds nothing of its own.

    Raises
    ------
    KitError
        Where the folder is not there or cannot be written, or the page would replace somebody else's.
    """
    root = Path(folder).absolute()
    if not root.is_dir():
        raise KitError(
            Problem("refuse", str(folder), "no such folder", "a folder of run folders", "Check the path.")
        )
    path = Path(target).absolute() if target else root / PAGE
    made = [report for run in _runs(root) for report in reports_of(run)]
    made.sort(key=lambda each: (each.date, each.run.name, each.number), reverse=True)
    page = document("Reports", _body(made, path.parent), strip=_counted(len(made)), contents=False)
    _refuse_a_stranger(path)
    with disk_faults(path.parent):
        write_atomically(path, page)
    return path


def _refuse_a_stranger(path: Path) -> None:
    """Refuse to replace a page that the kit did not make."""
    if path.is_dir() or (path.exists() and _MARK not in path.read_text("utf-8", "replace")):
        found, expected = (
            "a page of that name, not made by the kit",
            "no file of that name, or an earlier index",
        )
        raise KitError(Problem("refuse", str(path), found, expected, "Move it away, or rename it."))


def _counted(count: int) -> str:
    return f"{count} report{'' if count == 1 else 's'}, newest first. {_MARK}"


def _runs(root: Path) -> Iterator[Path]:
    if (root / "reports").is_dir():
        yield root
    yield from sorted(
        place for place in root.iterdir() if (place / "reports").is_dir() and not place.is_symlink()
    )


def _body(made: Iterable[Made], base: Path) -> Html:
    import pandas as pd

    rows = [_row(each, base) for each in made]
    if not rows:
        return element(
            "p", "There is no report yet. Make one with ", element("code", "repeatburn report FOLDER"), "."
        )
    frame = pd.DataFrame(rows, dtype=object)
    columns = [
        Col("report", "Report", kind="head"),
        Col("date", "Date"),
        Col("run", "Run folder"),
        Col("kind", "Kind"),
        Col("id", "Report id"),
    ]
    return join([table(frame, "Reports, newest first", columns)])


def _row(made: Made, base: Path) -> dict[str, object]:
    head = made.head()
    title = str(head.get("trial", {}).get("title") or made.run.name)
    way = os.path.relpath(made.folder / "report.html", base).replace(os.sep, "/")
    # a leading ./ keeps a name with a colon in it from being read as an address
    link = element("a", element("bdi", title), href="./" + quote(way, errors="surrogateescape"))
    number = f", no. {made.number}" if made.number > 1 else ""
    return {
        "report": link,
        "date": f"{made.date}{number}",
        "run": made.run.name,
        "kind": made.template.replace("-", " "),
        "id": head.get("report", ""),
    }
