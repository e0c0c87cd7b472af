"""Files and folders appear whole or not at all: made beside their place, then renamed; new ones overwrite nothing.

What is being made, and what a running process needs for itself, stands in folders with a lock beside them, which are
swept away once their owner is gone.
"""

import errno
import os
import secrets
import shutil
import stat
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from itertools import count
from pathlib import Path
from typing import Final

from kit.errors import KitError, disk_faults, refuse_way_out

MAKING: Final = ".making-"
PRIVATE: Final = "repeatburn-private-"
_MARK: Final = b"repeatburn removes the folder of this name once the process that holds this lock is gone.\n"
_LOCKED_BYTE: Final = 4096  # beyond the mark, which others must be able to read
_FEWEST_BYTES: Final = 1 << 20
_LONGEST_PLACE: Final = 60  # the path of a Unix socket ends at 104 to 108 bytes


def write_atomically(place: Path, held: bytes | str) -> None:
    """Write a file beside its place and rename it, so that nobody sees half of one; what stood there is replaced."""
    with locked_folder(place.parent, MAKING) as folder:
        draft = folder / place.name
        draft.write_bytes(held if isinstance(held, bytes) else held.encode("utf-8", "replace"))
        draft.replace(place)


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
    short = (each for each in places if sys.platform == "win32" or len(each) < _LONGEST_PLACE)
    usable = (each for each in short if os.access(each, os.W_OK))
    place = next((each for each in usable if shutil.disk_usage(each).free >= _FEWEST_BYTES), None)
    if place is None:
        found, expected = "no room there", "a folder for temporary files that can be written"
        remedy = "Free some space, or name another with a short path in TMPDIR."
        raise KitError.refuse("temporary files", found, expected, remedy)
    with locked_folder(Path(place), PRIVATE, 0o700) as folder:
        yield folder


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
