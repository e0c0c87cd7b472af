"""A new run folder, of a draft or as a copy of the demo; made whole or not at all."""

from __future__ import annotations

import csv
import hashlib
import io
import shutil
import uuid
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatch
from pathlib import Path

from kit.errors import Faults, KitError
from kit.schema import BURNS
from kit.trial.guesses import no_formula
from kit.trial.logs import LOGS
from kit.trial.packaged import demo_folder

MADE_BY_THE_KIT = ("reports", "rehearsal-*", ".failed")


@dataclass(frozen=True)
class Draft:
    """What a new run folder is to hold.

    Attributes
    ----------
    trial
        Text of trial.toml.
    rows
        Cells of the burn sheet by heading, a row a burn.
    logs
        Exports by the name they get in logs/.
    """

    trial: str
    rows: Sequence[Mapping[str, str]] = ()
    logs: Mapping[str, Path] = field(default_factory=dict)


def new_demo(folder: str | Path) -> Path:
    """Copy the demo trial, without its reports, to a new folder and return its path.

    Raises
    ------
    KitError
        Where the folder holds something; then nothing is made.
    """
    origin = demo_folder()
    return _made_whole(new_place(folder), lambda place: _copy_demo(origin, place))


def new_folder(folder: str | Path, draft: Draft) -> Path:
    """Make a run folder of a draft, its logs copied byte for byte, and return its path.

    Raises
    ------
    KitError
        Where the folder holds something, or cannot be written; then nothing is made.
    """
    return _made_whole(new_place(folder), lambda place: _fill(place, draft))


def new_place(folder: str | Path) -> Path:
    """Return the absolute path of a folder to be made.

    Raises
    ------
    KitError
        Where it holds something.
    """
    target = Path(folder).absolute()
    _refuse_what_is_there(target)
    return target


def _refuse_what_is_there(target: Path) -> None:
    remedy = "Name a folder that is new or empty; nothing was touched."
    if target.is_symlink() or (target.exists() and not target.is_dir()):
        raise KitError.refuse(str(target), "a file of that name", "a new folder", remedy)
    inside = sorted(path.name for path in target.iterdir()) if target.is_dir() else []
    if inside:
        shown = ", ".join(inside[:4]) + (f" and {len(inside) - 4} more" if len(inside) > 4 else "")
        expected = "a folder that is new or empty"
        raise KitError.refuse(str(target), f"a folder that holds {shown}", expected, remedy)


def judge_sources(files: Sequence[Path]) -> None:
    """Check that exports are files, can be read, and are given once each.

    Raises
    ------
    KitError
        With every one that is not.
    """
    faults = Faults()
    first: dict[str, Path] = {}
    for path in files:
        if not path.is_file():
            found = "a folder" if path.is_dir() else "no such file"
            remedy = "Name the files in it." if path.is_dir() else "Look at the spelling of the path."
            faults.refuse(str(path), found, "a logger's export", remedy)
            continue
        try:
            with path.open("rb") as stream:
                digest = hashlib.file_digest(stream, "sha256").hexdigest()
        except OSError as error:
            found = f"a file that cannot be opened ({error.strerror})"
            faults.refuse(str(path), found, "a file that can be read", "Look at its permissions.")
            continue
        twin = first.setdefault(digest, path)
        if twin is not path:
            found = f"the same bytes as {twin}"
            faults.refuse(str(path), found, "each export once", "Leave one of the two out.")
    faults.settle()


def _made_whole(target: Path, fill: Callable[[Path], None]) -> Path:
    """Fill a temporary folder beside the target and rename it: a half-made run folder is never seen."""
    place = target.parent / f".{target.name}-{uuid.uuid4().hex[:8]}"
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        place.mkdir()
        fill(place)
        _publish(place, target)
    except OSError as error:
        found = error.strerror or type(error).__name__
        where, remedy = str(error.filename or target), "Look at free space and permissions; nothing was made."
        raise KitError.refuse(where, found, "a folder that can be written", remedy) from None
    finally:
        shutil.rmtree(place, ignore_errors=True)
    return target


def _publish(place: Path, target: Path) -> None:
    if target.is_dir() and Path.cwd().is_relative_to(target):
        # A shell stands in that folder and must not lose it; a folder without a trial file is no run yet.
        for path in sorted(place.iterdir(), key=lambda path: path.name == "trial.toml"):
            path.rename(target / path.name)
        return
    if target.is_dir():
        target.rmdir()  # refuses where something came in meanwhile
    place.rename(target)


def _copy_demo(origin: Path, place: Path) -> None:
    """Copy contents alone: an installed kit may be read-only, the copy is the person's own."""
    for path in sorted(origin.rglob("*")):
        inside = path.relative_to(origin)
        if any(fnmatch(part, mark) for part in inside.parts for mark in MADE_BY_THE_KIT):
            continue
        if path.is_dir():
            (place / inside).mkdir()
        else:
            shutil.copyfile(path, place / inside)


def _fill(place: Path, draft: Draft) -> None:
    (place / LOGS).mkdir()
    for name, path in draft.logs.items():
        shutil.copyfile(path, place / LOGS / name)
    (place / "trial.toml").write_text(draft.trial, encoding="utf-8", newline="\n")
    (place / "burns.csv").write_text(_burn_sheet(draft.rows), encoding="utf-8", newline="")


def _burn_sheet(rows: Iterable[Mapping[str, str]]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, [column.name for column in BURNS], restval="", lineterminator="\r\n")
    writer.writeheader()
    writer.writerows({heading: no_formula(cell) for heading, cell in row.items()} for row in rows)
    # A spreadsheet takes a sheet for UTF-8 only by its mark; plain letters need none.
    return text.getvalue() if text.getvalue().isascii() else "\ufeff" + text.getvalue()
