"""Files and folders appear whole or not at all: made beside their place, then renamed; new ones overwrite nothing."""

from __future__ import annotations

import errno
import os
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from itertools import count
from pathlib import Path
from typing import Final

from kit.errors import disk_faults, refuse_way_out
from kit.runtime.locked_tmp import locked_folder

MAKING: Final = ".making-"
_GRACE_S: Final = 60.0


def write_atomically(place: Path, held: bytes | str) -> None:
    """Write a file beside its place and rename it, so that nobody sees half of one; what stood there is replaced."""
    sweep_drafts(place.parent)
    draft = place.with_name(f".{place.name}.draft-{uuid.uuid4().hex[:8]}")
    try:
        draft.write_bytes(held if isinstance(held, bytes) else held.encode("utf-8", "replace"))
        draft.replace(place)
    finally:
        draft.unlink(missing_ok=True)


def sweep_drafts(folder: Path) -> None:
    """Remove what killed processes left of files they were writing, once it is a minute old."""
    for left in folder.glob(".*.draft-????????"):
        with suppress(OSError):  # somebody else's, or just being renamed
            if time.time() - left.stat().st_mtime > _GRACE_S:
                left.unlink()


@contextmanager
def staging(folder: Path) -> Iterator[Path]:
    """Give a private folder inside a folder, which is made if need be; what is left in it afterwards is removed.

    Raises
    ------
    KitError
        Where the folder cannot be written, is a link to elsewhere, or the disk is full.
    """
    refuse_way_out(folder)
    made = not folder.exists()
    with disk_faults(folder):
        folder.mkdir(exist_ok=True)
    try:
        with disk_faults(folder), locked_folder(folder, MAKING) as room:
            yield room
    finally:
        if made:
            with suppress(OSError):
                folder.rmdir()


def place_folder(made: Path, folder: Path, name: str) -> Path:
    """Give a finished folder its name, or the first free of name-2, name-3 …; all is on the disk before the name is."""
    for path in (made, *made.rglob("*")):
        _flush(path)
    for target in _names(folder, name):
        try:
            # a folder with files in it is never replaced: of two that come at once, one fails and counts on
            made.rename(target)
        except OSError as error:
            if error.errno not in (errno.ENOTEMPTY, errno.EEXIST):
                raise
        else:
            _flush(folder)
            return target
    raise AssertionError


def place_file(made: Path, folder: Path, name: str) -> Path:
    """Give a finished file its name, or the first free of name-2, name-3 …; its ending is kept."""
    _flush(made)
    for target in _names(folder, name, made.suffix):
        try:
            os.link(made, target)
            made.unlink()
        except FileExistsError:
            continue
        except OSError:  # a disk without links
            if target.exists():
                continue
            made.rename(target)
        return target
    raise AssertionError


def _names(folder: Path, name: str, suffix: str = "") -> Iterator[Path]:
    """Yield the paths that are free, in their order."""
    for number in count(1):
        path = folder / f"{name}{f'-{number}' if number > 1 else ''}{suffix}"
        if not os.path.lexists(path):
            yield path


def _flush(path: Path) -> None:
    """Have what was written of a file or folder on the disk, not only on its way there."""
    if os.name == "nt" and path.is_dir():
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        with suppress(OSError):  # some network disks do not know it
            os.fsync(handle)
    finally:
        os.close(handle)
