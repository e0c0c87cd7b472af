"""An index page of all reports under a folder, newest first."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Final
from urllib.parse import quote

from kit.errors import Faults, KitError, disk_faults
from kit.page.document import document
from kit.page.text import Html, element
from kit.publish.wording import refused, table_of
from kit.results_file import Report, read_part, reports_of
from kit.runtime.atomic_write import write_atomically

PAGE: Final = "index.html"
HEAD: Final = ("schema", "report", "trial")
_MARK: Final = "Index made by repeatburn."


def write_index(folder: str | Path, faults: Faults | None = None) -> Path:
    """Write index.html of all run folders below a folder into it, and return its path.

    An earlier index is replaced: it holds nothing of its own.

    Parameters
    ----------
    folder
        A folder of run folders, or one run folder.
    faults
        Takes the reports that cannot be read; the page lists them too.

    Raises
    ------
    KitError
        Where the folder is not there or cannot be written, or the page would replace somebody else's.
    """
    root = Path(folder).absolute()
    if not root.is_dir():
        raise refused("no_folder_of_folders", folder)
    path = root / PAGE
    made = [report for run in _runs(root) for report in reports_of(run)]
    made.sort(key=lambda each: (each.date, each.run.name, each.number), reverse=True)
    body = _body(made, root, Faults() if faults is None else faults)
    strip = f"{len(made)} report{'s' * (len(made) != 1)}, newest first. {_MARK}"
    page = document("Reports", body, strip=strip, contents=False)
    if path.is_dir() or (path.exists() and _MARK not in path.read_text("utf-8", "replace")):
        raise refused("somebody_elses_page", path)
    with disk_faults(root):
        write_atomically(path, page)
    return path


def _runs(root: Path) -> Iterator[Path]:
    if (root / "reports").is_dir():
        yield root
    yield from sorted(
        place for place in root.iterdir() if (place / "reports").is_dir() and not place.is_symlink()
    )


def _body(made: Iterable[Report], base: Path, faults: Faults) -> Html:
    import pandas as pd

    rows = pd.DataFrame([_row(each, base, faults) for each in made], dtype=object)
    command = element("code", "repeatburn report FOLDER")
    return table_of("reports", rows) or element("p", "There is no report yet. Make one with ", command, ".")


def _row(made: Report, base: Path, faults: Faults) -> dict[str, object]:
    try:
        head = read_part(made.results, HEAD, HEAD)
        title = head["trial"].get("title") or made.run.name
    except KitError as error:
        faults.take(error)
        head, title = {}, f"{made.run.name} (its results cannot be read)"
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
