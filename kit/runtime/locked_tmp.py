"""Private folders of running processes: held by a lock, and swept away once their owner is gone."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

LOCK: Final = "owner.lock"
_GRACE_S: Final = 60.0


@contextmanager
def held(room: Path) -> Iterator[None]:
    """Hold a lock in a folder that the system drops when the process ends, however it ends."""
    draft = room / f"{LOCK}.new"
    with draft.open("wb") as handle:
        _lock(handle.fileno())
        draft.rename(room / LOCK)  # nobody sees the lock's file before it is locked
        yield


def _lock(descriptor: int) -> bool:
    try:
        import fcntl
    except ImportError:  # Windows: an open file cannot be removed there, which serves as well
        return True
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def sweep(parent: Path, pattern: str) -> None:
    """Remove what killed processes left: folders of a pattern whose owner lives no more."""
    for room in parent.glob(pattern):
        with suppress(OSError):  # somebody else's, or just being removed by another
            _remove_if_left(room)


def _remove_if_left(room: Path) -> None:
    try:
        handle = os.open(room / LOCK, os.O_RDWR)
    except FileNotFoundError:
        # killed between making the folder and its lock, or being made this very moment
        if time.time() - room.stat().st_mtime > _GRACE_S:
            shutil.rmtree(room, ignore_errors=True)
        return
    try:
        if _lock(handle):
            shutil.rmtree(room, ignore_errors=True)
    finally:
        os.close(handle)
