"""Zip files: written the same each time; read as if their maker meant harm."""

from __future__ import annotations

import shutil
import stat
import struct
import unicodedata
import zipfile
import zlib
from collections.abc import Iterable, Mapping
from itertools import pairwise
from pathlib import Path, PurePosixPath
from typing import Final

from kit.publish.wording import refuse_all, refused

_UNICODE_NAME: Final = 0x7075  # a field whose name other programs unpack under
_DAMAGE: Final = (zlib.error, zipfile.BadZipFile, NotImplementedError, EOFError, OSError, ValueError)
"""What reading a zip can raise; what it holds is looked at before."""
_FIRST_DAY: Final = (1980, 1, 1, 0, 0, 0)
LIMITS: Final[Mapping[str, int]] = {
    "members": 50_000,
    "bytes": 20 << 30,
    "free": 8 << 20,
    "expansion": 250,
    "name": 1_000,
}
"""Most members; most bytes unpacked; bytes unpacked that no expansion is too large for; times its packed size
that anything may unpack to; longest name.  Logs of one value for hours pack to about a hundredth."""


def write_zip(target: Path, root: Path, names: Iterable[str], top: str) -> None:
    """Write files of a folder into a new zip under one top folder: sorted, no clocks, no rights, no owner.

    Raises
    ------
    KitError
        Where a name cannot be written in UTF-8.
    """
    with zipfile.ZipFile(target, "x", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for name in sorted(names):
            _refuse_broken(name)
            entry = zipfile.ZipInfo(f"{top}/{name}", _FIRST_DAY)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = 3
            entry.external_attr = (stat.S_IFREG | 0o644) << 16
            with (root / name).open("rb") as source, archive.open(entry, "w", force_zip64=True) as into:
                shutil.copyfileobj(source, into)


def _refuse_broken(name: str) -> None:
    try:
        name.encode("utf-8")
    except UnicodeEncodeError as error:
        raise refused("broken_name", ascii(name)) from error


def unpack_hostile(source: Path, into: Path) -> list[str]:
    """Unpack a zip into an empty folder and return the names of its files; refused whole if anything is wrong.

    Raises
    ------
    KitError
        With everything found wrong: names that climb out or stand twice, links, encryption, members laid over one
        another, expansion beyond `LIMITS`, damage.
    """
    try:
        with zipfile.ZipFile(source) as archive:
            _refuse_harm(archive, source)
            files = [entry for entry in archive.infolist() if not entry.is_dir()]
            for entry in files:
                target = into.joinpath(*PurePosixPath(entry.filename).parts)
                target.parent.mkdir(parents=True, exist_ok=True)
                with archive.open(entry) as held, target.open("xb") as out:
                    shutil.copyfileobj(held, out)  # at most what it says it holds: then its sum must be right
    except _DAMAGE as error:
        raise refused("no_zip", source.name, why=error) from error
    return [entry.filename for entry in files]


def _refuse_harm(archive: zipfile.ZipFile, source: Path) -> None:
    entries = archive.infolist()
    in_one = [
        refused("harmful_file", f"{source.name}, {_shown(entry.filename)}", found=found)
        for entry in entries
        for found in _harm_of(entry)
    ]
    in_all = (*_twice(entries), *_too_large(entries, source), *_laid_oddly(archive))
    refuse_all([*in_one, *(refused("harmful_zip", source.name, found=found) for found in in_all)])


def _shown(name: str) -> str:
    return ascii(name)[1:-1][:120]


def _harm_of(entry: zipfile.ZipInfo) -> list[str]:
    name, kind = entry.filename, stat.S_IFMT(entry.external_attr >> 16)
    parts = PurePosixPath(name).parts
    # the name before zipfile made it harmless for this system
    written = getattr(entry, "orig_filename", name)
    checks = {
        "a path that leaves its folder": name.startswith("/") or ".." in parts or ":" in name.split("/")[0],
        "a backslash or control character in its name": "\\" in written or any(map(_control, written)),
        "a name too long": len(name.encode("utf-8", "replace")) > LIMITS["name"],
        "a link or device": kind not in (0, stat.S_IFREG, stat.S_IFDIR),
        "encryption": bool(entry.flag_bits & 0x1),
        "another name beside its name": _UNICODE_NAME in _extra_fields(entry.extra),
        "an unusual packing": entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED),
        "an expansion beyond reason": _bomb(entry.file_size, entry.compress_size),
    }
    return [words for words, wrong in checks.items() if wrong]


def _control(sign: str) -> bool:
    return unicodedata.category(sign) in ("Cc", "Cs")


def _bomb(unpacked: int, packed: int) -> bool:
    return unpacked > LIMITS["free"] and unpacked > packed * LIMITS["expansion"]


def _twice(entries: list[zipfile.ZipInfo]) -> list[str]:
    seen: dict[str, str] = {}
    found = []
    for entry in entries:
        # disks that fold case or accents would write one over the other
        key = unicodedata.normalize("NFC", entry.filename.rstrip("/")).casefold()
        if key in seen:
            found.append(f"the name '{_shown(entry.filename)}' twice")
        seen[key] = entry.filename
    return found


def _too_large(entries: list[zipfile.ZipInfo], source: Path) -> list[str]:
    whole = sum(entry.file_size for entry in entries)
    found = []
    if len(entries) > LIMITS["members"]:
        found.append(f"{len(entries)} members, more than {LIMITS['members']}")
    if whole > LIMITS["bytes"] or _bomb(whole, source.stat().st_size):
        found.append(f"{whole} bytes once unpacked, from {source.stat().st_size}: an expansion beyond reason")
    return found


def _laid_oddly(archive: zipfile.ZipFile) -> list[str]:
    spans = sorted((entry.header_offset, entry.compress_size) for entry in archive.infolist())
    # a local header is at least 30 bytes
    laid = any(start + size + 30 > after for (start, size), (after, _) in pairwise(spans))
    checks = {
        "members laid over one another": laid,
        "something before its first member": bool(spans) and spans[0][0] > 0,
        "a comment": bool(archive.comment),
    }
    return [words for words, wrong in checks.items() if wrong]


def _extra_fields(extra: bytes) -> set[int]:
    """Return the kinds of fields that a member carries beside its name and size."""
    found = set()
    while len(extra) >= 4:
        kind, size = struct.unpack_from("<HH", extra)
        found.add(kind)
        extra = extra[4 + size :]
    return found
