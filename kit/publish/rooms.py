"""Private folders of running processes: cleared when one is told to end, swept away where it was killed."""

from __future__ import annotations

import os
import shutil
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

LOCK: Final = "owner.lock"
_GRACE_S: Final = 60.0
_ENDING: Final = tuple(getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name))


@contextmanager
def ending_as_at_ctrl_c() -> Iterator[None]:
    """Have a signal that would end this process raise KeyboardInterrupt, so that what it holds is cleared first.

    A signal somebody chose to ignore (as `nohup` does) stays ignored; only a main thread can take signals.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    taken = {each: held for each in _ENDING if (held := signal.getsignal(each)) is not signal.SIG_IGN}

    def end(*_: Any) -> None:
        for each in taken:
            signal.signal(each, signal.SIG_IGN)  # a second one must not stop the clearing away
        raise KeyboardInterrupt

    for each in taken:
        signal.signal(each, end)
    try:
        yield
    finally:
        for each, before in taken.items():
            signal.signal(each, before)


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
