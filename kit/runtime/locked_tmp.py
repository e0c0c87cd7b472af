"""Private folders of running processes: each with a lock beside it, and swept away once its owner is gone."""

from __future__ import annotations

import os
import secrets
import shutil
import stat
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from kit.errors import KitError

PRIVATE: Final = "repeatburn-private-"
_MARK: Final = b"repeatburn removes the folder of this name once the process that holds this lock is gone.\n"
_LOCKED_BYTE: Final = 4096  # beyond the mark, which others must be able to read
_FEWEST_BYTES: Final = 1 << 20
_LONGEST_PLACE: Final = 60  # the path of a Unix socket ends at 104 to 108 bytes


@contextmanager
def locked_folder(parent: Path, prefix: str, mode: int = 0o777) -> Iterator[Path]:
    """Give a new folder in `parent` whose name begins with `prefix`; it goes afterwards, however this process ends.

    The file NAME.lock beside it is locked until then.  A folder whose lock is free was left by a process that was
    killed: the next call removes it.
    """
    sweep(parent, prefix)
    folder = parent / f"{prefix}{secrets.token_hex(6)}"
    lock = folder.with_name(f"{folder.name}.lock")
    descriptor = os.open(lock, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600)
    try:
        _lock(descriptor)
        os.write(descriptor, _MARK)  # only a lock that is held already may be taken for one
        folder.mkdir(mode)
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        os.close(descriptor)  # Windows removes no open file
        lock.unlink(missing_ok=True)


@contextmanager
def private_folder() -> Iterator[Path]:
    """Give a folder that nobody else can read, with a path short enough for sockets; it goes afterwards.

    Raises
    ------
    KitError
        Where no place for temporary files can be written.
    """
    places = ["/tmp", "/dev/shm"] if os.name == "posix" else []
    with suppress(FileNotFoundError):  # no place that can be written
        places.insert(0, tempfile.gettempdir())
    usable = [each for each in places if os.access(each, os.W_OK) and _holds(each)]
    if not usable:
        found, expected = "no room there", "a folder for temporary files that can be written"
        remedy = "Free some space, or name another with a short path in TMPDIR."
        raise KitError.refuse("temporary files", found, expected, remedy)
    with locked_folder(Path(usable[0]), PRIVATE, 0o700) as folder:
        yield folder


def _holds(place: str) -> bool:
    short = sys.platform == "win32" or len(place) < _LONGEST_PLACE
    return short and shutil.disk_usage(place).free >= _FEWEST_BYTES


def sweep(parent: Path, prefix: str) -> None:
    """Remove what killed processes of this user left: folders with the kit's own lock beside them, held by nobody."""
    for lock in parent.glob(f"{prefix}*.lock"):
        with suppress(OSError):  # somebody else's, or just being removed by another
            _remove_if_left(lock)


def _remove_if_left(lock: Path) -> None:
    folder = lock.with_suffix("")
    descriptor = os.open(lock, os.O_RDWR | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0))
    try:
        ours = stat.S_ISREG(os.fstat(descriptor).st_mode) and os.read(descriptor, len(_MARK) + 1) == _MARK
        if not (ours and _is_mine(os.fstat(descriptor)) and _lock(descriptor)):
            return
        if folder.is_dir() and not folder.is_symlink() and _is_mine(folder.lstat()):
            shutil.rmtree(folder, ignore_errors=True)
    finally:
        os.close(descriptor)
    if not os.path.lexists(folder):
        lock.unlink()


def _is_mine(status: os.stat_result) -> bool:
    return not hasattr(os, "geteuid") or status.st_uid == os.geteuid()


def _lock(descriptor: int) -> bool:
    """Take a lock that the system drops when the process ends, however it ends; return False where it is held."""
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(descriptor, _LOCKED_BYTE, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
            os.lseek(descriptor, 0, os.SEEK_SET)
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
