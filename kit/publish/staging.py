"""Reports appear whole or not at all: made in a folder beside the target, then renamed."""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from kit.errors import KitError, Problem, disk_faults, refuse_way_out
from kit.runtime.locked_tmp import locked_folder

MAKING: Final = ".making-"
FAILED: Final = ".failed"


def report_date() -> str:
    """Return the day a report bears, yyyy-mm-dd: of SOURCE_DATE_EPOCH where it is set (UTC), else today.

    Raises
    ------
    KitError
        Where SOURCE_DATE_EPOCH is no whole number.
    """
    fixed = os.environ.get("SOURCE_DATE_EPOCH", "")
    if not fixed:
        return time.strftime("%Y-%m-%d")
    try:
        return datetime.fromtimestamp(int(fixed), UTC).strftime("%Y-%m-%d")
    except (ValueError, OverflowError, OSError) as error:
        where, expected = "environment variable SOURCE_DATE_EPOCH", "whole seconds since 1970"
        raise KitError(Problem("refuse", where, f"'{fixed}'", expected, "Mend it or unset it.")) from error


@contextmanager
def dated(day: str) -> Iterator[None]:
    """Have reports made in here bear a day, yyyy-mm-dd, as those that are made again must."""
    before = os.environ.get("SOURCE_DATE_EPOCH")
    os.environ["SOURCE_DATE_EPOCH"] = str(int(datetime.fromisoformat(f"{day}T12:00:00+00:00").timestamp()))
    try:
        yield
    finally:
        if before is None:
            del os.environ["SOURCE_DATE_EPOCH"]
        else:
            os.environ["SOURCE_DATE_EPOCH"] = before


@contextmanager
def staging(reports: Path) -> Iterator[Path]:
    """Give a private folder inside `reports`; what is left of it afterwards is removed.

    Raises
    ------
    KitError
        Where the folder cannot be written, is a link to elsewhere, or the disk is full.
    """
    refuse_way_out(reports)
    made = not reports.exists()
    with disk_faults(reports):
        reports.mkdir(exist_ok=True)
    try:
        with disk_faults(reports), locked_folder(reports, MAKING) as room:
            yield room
    finally:
        if made:
            with suppress(OSError):
                reports.rmdir()


def publish(room: Path, reports: Path, name: str) -> Path:
    """Rename a finished folder to `name`, or the first free of name-2, name-3 …; nothing is overwritten.

    Everything is on the disk before the name is.
    """
    _flush(room)
    number = 1
    while True:
        target = reports / (name if number == 1 else f"{name}-{number}")
        number += 1
        if target.exists() or target.is_symlink():
            continue
        try:
            # a folder with files in it is never replaced: of two that come at once, one fails and counts on
            room.rename(target)
        except OSError as error:
            if error.errno in (errno.ENOTEMPTY, errno.EEXIST):
                continue
            raise
        flush_file(reports)
        return target


def _flush(folder: Path) -> None:
    for path in (folder, *folder.rglob("*")):
        flush_file(path)


def flush_file(path: Path) -> None:
    """Have what was written of a file or folder on the disk, not only on its way there."""
    if os.name == "nt" and path.is_dir():
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        with suppress(OSError):  # some network disks do not know it
            os.fsync(handle)
    finally:
        os.close(handle)


def keep_failed(reports: Path, name: str, notebook_text: str) -> Path:
    """Keep a failed run's partial notebook in reports/.failed/ and return its path.

    Raises
    ------
    KitError
        Where that is a link to elsewhere.
    """
    folder = reports / FAILED
    refuse_way_out(folder)
    folder.mkdir(parents=True, exist_ok=True)
    number = 1
    while True:
        path = folder / f"{name}-{number}.ipynb"
        try:
            with path.open("x", encoding="utf-8", errors="replace") as handle:
                handle.write(notebook_text)
        except FileExistsError:
            number += 1
            continue
        except OSError:  # nothing half written: it would look like a notebook
            path.unlink(missing_ok=True)
            with suppress(OSError):
                folder.rmdir()
            raise
        return path


def place_file(made: Path, reports: Path, name: str) -> Path:
    """Give a finished file its name in `reports`, or the first free of name-2, name-3 …; nothing is overwritten."""
    flush_file(made)
    number = 1
    while True:
        target = reports / f"{name}{f'-{number}' if number > 1 else ''}{made.suffix}"
        number += 1
        try:
            os.link(made, target)
        except FileExistsError:
            continue
        except OSError:  # a disk without links
            if target.exists():
                continue
            made.rename(target)
        with suppress(FileNotFoundError):
            made.unlink()
        return target
