"""What a bundle would tell of people and places, and how to leave it out."""

from __future__ import annotations

import csv
import io
import re
import struct
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from kit.errors import Faults, KitError, did_you_mean
from kit.publish.provenance import SHEETS, files_in, input_paths
from kit.publish.wording import words
from kit.schema import COLUMNS

LEFT_OUT: Final = "left out"
KEYS: Final[Mapping[str, str]] = words()["names"]["private"]
"""What can be left out of a bundle."""
_TOML_TABLE: Final = re.compile(r"[ \t]*\[\[?[ \t]*([\w-]+)")
_TOML_LINE: Final = re.compile(
    r"""^([ \t]*)(\w+)([ \t]*=[ \t]*)((?!\"{3})"(?:[^"\\]|\\.)*"|(?!'{3})'[^']*')"""
)
# what parts a word from its value is one class of signs, at most 40 of them: no two repeats can share a blank
_SERIAL: Final = re.compile(
    r"(?i)(\bserial(?:[ _-]{0,4}(?:no|number|nr))?\b\.?[\s:=,;#\"]{1,40}|\bs/n[\s:=,;#]{0,40})([\w-]{3,80})"
)
_POSITION: Final = re.compile(
    r"(?i)(\b(?:lat|latitude|lon|long|longitude|gps)\b\W{1,4})(-?\d{1,3}[.,]\d{2,20}[°NSEW ]{0,4})"
)
BOOKS: Final = (".xlsx", ".ods", ".xls")
_TELLING: Final = ("docProps/core.xml", "docProps/app.xml", "meta.xml", "content.xml")
_AUTHOR: Final = re.compile(
    r"<(?:dc:creator|cp:lastModifiedBy|meta:initial-creator|Manager|Company)[^<>]*>([^<>]+)<"
)
"""How a spreadsheet's own file names people, whom none of its cells shows."""
_HEAD: Final = 65_536  # bytes at a log's start, where an instrument tells of itself


@dataclass(frozen=True)
class Told:
    """One thing a bundle would publish: its key of KEYS, where it stands, and its text."""

    key: str
    where: str
    text: str


Meet = Callable[[Told], bool]
"""Is shown a thing and answers whether it may stay."""


def what_is_told(folder: Path) -> list[Told]:
    """Return every place, person, note, serial number and position the inputs of a run folder hold."""
    found: list[Told] = []

    def meet(told: Told) -> bool:
        found.append(told)
        return True

    for path in input_paths(folder):
        _look(path, path.relative_to(folder).as_posix(), meet)
    return found


def check_keys(keys: Iterable[str]) -> frozenset[str]:
    """Return the keys as a set.

    Raises
    ------
    KitError
        Naming those that are unknown.
    """
    faults = Faults()
    for key in keys:
        if key not in KEYS:
            expected = "a key of what can be left out"
            faults.refuse("--leave-out", f"'{key}'", expected, did_you_mean(key, KEYS))
    faults.settle()
    return frozenset(keys)


def leave_out(folder: Path, keys: frozenset[str]) -> list[Told]:
    """Take what the keys name out of the inputs of a run folder, a copy, and return what was taken."""
    taken: list[Told] = []

    def meet(told: Told) -> bool:
        if told.key in keys:
            taken.append(told)
        return told.key not in keys

    _books_as_text(folder)
    for path in input_paths(folder):
        name = path.relative_to(folder).as_posix()
        after = _look(path, name, meet)
        if after is not None:
            with path.open("r+b") as handle:
                handle.write(after)
                if not _is_log(name):
                    handle.truncate()
    return taken


def _books_as_text(folder: Path) -> None:
    """Write a sheet that is a spreadsheet's own file as text: such a file holds more than it shows.

    Raises
    ------
    KitError
        Where a log is such a file.
    """
    from kit.trial.sheet import sheet_rows

    faults, books = Faults(), [path for path in input_paths(folder) if path.suffix.casefold() in BOOKS]
    for path in books:
        if path.parent == folder:
            rows, mark, _ = sheet_rows(path)
            path.with_suffix(".csv").write_bytes(_as_sheet(rows, mark))
            path.unlink()
        else:
            faults.refuse(
                path.relative_to(folder).as_posix(),
                "a spreadsheet's own file, which may hold names, comments and sheets that nobody sees",
                "a log as text, where something is to be left out",
                "Save it as CSV, name that file on the burn sheet, and make the report again.",
            )
    faults.settle()


def _is_log(name: str) -> bool:
    """Return whether a file is looked through at its start alone, where an instrument tells of itself."""
    suffix = name[name.rfind(".") :].lower()
    return name not in SHEETS and suffix != ".toml" and suffix not in PICTURES


def _look(path: Path, name: str, meet: Meet) -> bytes | None:
    """Show every private thing of a file to `meet`, and return its content without those it answers False.

    Of a log the start alone, as long as it was; None where nothing is to be changed.
    """
    suffix = path.suffix.lower()
    if suffix in BOOKS:
        _look_at_book(path, name, meet)
        return None
    with path.open("rb") as handle:
        before = handle.read(_HEAD if _is_log(name) else -1)
    if suffix in PICTURES:
        position = position_of(before)
        stays = not position or meet(Told("positions", name, position))
        after = before if stays else without_notes(before, suffix)
    elif suffix == ".toml":
        after = _look_at_settings(before, name, meet)
    elif name in SHEETS and suffix == ".csv":
        after = _look_at_sheet(path, name, meet) or before
    elif name == "notes.md":  # the tester's own words, which stay or go as a whole
        text = _text_of(before, name).strip()
        stays = not text or meet(Told("notes", name, text))
        after = _look_at_log(before, name, meet) if stays else b""
    else:
        after = _look_at_log(before, name, meet)
    return after if after != before else None


def _look_at_book(path: Path, name: str, meet: Meet) -> None:
    """Show what a spreadsheet's own file tells; it is written as text before anything is taken out."""
    from kit.trial.decode import filled_sheets

    if name in SHEETS:
        _look_at_sheet(path, name, meet)
    tables = filled_sheets(path, name)
    for title, rows in tables.items():
        where = f"{name}, sheet '{title}'"
        if len(tables) > 1:
            meet(Told("notes", where, f"{len(rows)} rows"))
        for number, row in enumerate(rows, 1) if name not in SHEETS else ():
            _log_line(" ".join(row), f"{where}, row {number}", meet)
    if not zipfile.is_zipfile(path):
        meet(Told("people", name, "its author, whom an old spreadsheet's file names"))
        return
    with zipfile.ZipFile(path) as book:
        for part in book.namelist():
            text = book.read(part).decode("utf-8", "replace") if part in _TELLING else ""
            for author in _AUTHOR.findall(text):
                meet(Told("people", f"{name}, its properties", author))
            if "comments" in part or "<office:annotation" in text:
                meet(Told("notes", name, "comments on cells"))


def _text_of(content: bytes, name: str) -> str:
    from kit.trial.decode import decode  # kit.trial brings pandas, which reports need in another process only

    return decode(content, name)[0]


def _look_at_settings(content: bytes, name: str, meet: Meet) -> bytes:
    lines = _text_of(content, name).splitlines(keepends=True)
    comments = [line for line in lines if line.lstrip().startswith("#")]
    kept = lines
    if comments and not meet(Told("notes", f"{name}, comments", f"{len(comments)} lines of comment")):
        kept = [line for line in lines if not line.lstrip().startswith("#")]
    out = {
        (part, key)
        for place, told in words()["names"]["private_key"].items()
        for part, key in [place.split(".")]
        for text in _values(lines, part, key)
        if not meet(Told(told, f"{name}, [{part}] {key}", text))
    }
    after = _without(kept, out)
    for part, key in sorted(out):
        if set(_values(after, part, key)) - {LEFT_OUT}:
            found, expected = "a value of several lines", "a value on one line, so that it can be left out"
            raise KitError.refuse(f"{name}, [{part}] {key}", found, expected, "Write it on one line.")
    return "".join(after).encode("utf-8", "surrogateescape") if after != lines else content


def _values(lines: Iterable[str], part: str, key: str) -> list[str]:
    """Return what stands under a key of a table, or of each of its tables where there are several."""
    from kit.trial.toml_reader import parse_toml

    found = parse_toml("".join(lines).removeprefix("\ufeff"), "trial.toml").get(part, [])
    tables = found if isinstance(found, list) else [found]
    return [str(table[key]) for table in tables if isinstance(table, dict) and table.get(key)]


def _without(lines: Iterable[str], out: set[tuple[str, str]]) -> list[str]:
    part, kept = "", []
    for line in lines:
        if header := _TOML_TABLE.match(line):
            part = header[1]
        found = _TOML_LINE.match(line)
        if found and (part, found[2]) in out:
            line = f'{found[1]}{found[2]}{found[3]}"{LEFT_OUT}"{line[found.end() :]}'
        kept.append(line)
    return kept


def _look_at_sheet(path: Path, name: str, meet: Meet) -> bytes | None:
    """Return a sheet without the cells that `meet` answers False, None where all of them stay."""
    from kit.trial.sheet import sheet_rows

    rows, mark, _ = sheet_rows(path)
    head = next((place for place, row in enumerate(rows) if any(map(str.strip, row))), len(rows))
    changed = False
    for number, row in enumerate(rows[head + 1 :], head + 2):
        for place, heading in enumerate(map(str.strip, rows[head])):
            key = _key_of(heading, row[place]) if place < len(row) else ""
            if key and not meet(Told(key, f"{name}, row {number}, column {heading}", row[place])):
                row[place], changed = "", True
    return _as_sheet(rows, mark) if changed else None


def _key_of(heading: str, cell: str) -> str:
    """Return the key a cell falls under, '' for none; what stands in columns of the tester's own is a note."""
    from kit.trial.sheet import heading_key

    if not cell.strip():
        return ""
    plain = heading_key(heading)
    own = plain not in COLUMNS and any(sign.isalpha() for sign in cell)
    return str(words()["names"]["private_column"].get(plain, "notes" if own else ""))


def _as_sheet(rows: Sequence[Sequence[str]], delimiter: str) -> bytes:
    out = io.StringIO(newline="")
    if delimiter not in ",;\t":
        out.write(f"sep={delimiter}\n")
    csv.writer(out, delimiter=delimiter, lineterminator="\n").writerows(rows)
    return out.getvalue().encode("utf-8", "surrogateescape")


def _look_at_log(head: bytes, name: str, meet: Meet) -> bytes:
    """Look through the start of a log; what is taken out keeps its length, and so the log its shape."""
    wide = head[:2] in (b"\xff\xfe", b"\xfe\xff")
    code = ("utf-16-le" if head[:2] == b"\xff\xfe" else "utf-16-be") if wide else "latin-1"
    text = head[: len(head) // 2 * 2 if wide else None].decode(code, "surrogatepass" if wide else "strict")
    lines = [_log_line(line, f"{name}, line {i}", meet) for i, line in enumerate(text.split("\n"), 1)]
    return "\n".join(lines).encode(code, "surrogatepass" if wide else "strict")


def _log_line(line: str, where: str, meet: Meet) -> str:
    for key, pattern in (("serials", _SERIAL), ("positions", _POSITION)):
        for found in reversed(list(pattern.finditer(line))):
            if not meet(Told(key, where, found[2].strip())):
                line = line[: found.start(2)] + "x" * len(found[2]) + line[found.end(2) :]
    return line


def still_told(folder: Path, taken: Iterable[Told]) -> Iterator[tuple[Told, str]]:
    """Yield what was taken out and still stands elsewhere in the text of a folder, with the file it stands in."""
    looked = {each.text.strip() for each in taken}
    looked = {text for text in looked if len(text) >= 4 and not text.isdigit()}
    by_text = {each.text.strip(): each for each in taken}
    for path in files_in(folder):
        if path.suffix.lower() in (".png", ".jpg", ".zip"):
            continue
        content = path.read_bytes().decode("utf-8", "replace")
        for text in sorted(looked):
            if text in content:
                yield by_text[text], path.relative_to(folder).as_posix()


PICTURES: Final = frozenset({".jpg", ".jpeg", ".png", ".heic", ".heif", ".tif", ".tiff", ".webp"})
PNG: Final = b"\x89PNG\r\n\x1a\n"
_GPS: Final = 0x8825
_NOTES: Final = frozenset({0xE1, 0xED, 0xFE, b"eXIf", b"tEXt", b"iTXt", b"zTXt"})
"""Parts of a JPEG, by number, and of a PNG, by name, in which cameras and programs write."""


def position_of(picture: bytes) -> str:
    """Return words for a position kept in a picture, '' where none is found."""
    # the block is the whole of a TIFF; a PNG names it by a chunk, and all other formats by the word Exif
    starts = [0, *(found.end() for found in re.finditer(rb"Exif\0\0|eXIf", picture))]
    known = any(_has_gps(memoryview(picture)[start:]) for start in starts) or b"GPSLatitude" in picture
    return "a position kept by the camera" if known else ""


def _has_gps(block: memoryview) -> bool:
    """Look through the first directory of a TIFF block for its pointer to a position."""
    order = {b"II": "<", b"MM": ">"}.get(bytes(block[:2]))
    if order is None or len(block) < 10:
        return False
    start = struct.unpack_from(f"{order}I", block, 4)[0]
    if start + 2 > len(block):
        return False
    count = struct.unpack_from(f"{order}H", block, start)[0]
    places = (start + 2 + 12 * i for i in range(min(count, 500)))
    return any(
        place + 2 <= len(block) and struct.unpack_from(f"{order}H", block, place)[0] == _GPS
        for place in places
    )


def _jpeg_parts(picture: bytes) -> Iterator[tuple[int, bytes]]:
    place = 2
    while place + 4 <= len(picture) and picture[place] == 0xFF and picture[place + 1] != 0xDA:
        size = struct.unpack_from(">H", picture, place + 2)[0]
        yield picture[place + 1], picture[place + 4 : place + 2 + size]
        place += 2 + size


def png_parts(picture: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Yield the name and the content of each part of a PNG."""
    place = 8
    while place + 8 <= len(picture):
        size, name = struct.unpack_from(">I4s", picture, place)
        yield name, picture[place + 8 : place + 8 + size]
        place += 12 + size


def without_notes(picture: bytes, suffix: str) -> bytes:
    """Return a picture without the notes a camera wrote into it; empty where its format is not known to the kit."""
    parts: Iterable[tuple[object, bytes]]
    if picture[:2] == b"\xff\xd8":
        parts, place, around = _jpeg_parts(picture), 2, 4
    elif suffix == ".png" and picture[:8] == PNG:
        parts, place, around = png_parts(picture), 8, 12
    else:
        return b""
    kept = [picture[:place]]
    for kind, body in parts:
        size = len(body) + around
        if kind not in _NOTES:
            kept.append(picture[place : place + size])
        place += size
    return b"".join([*kept, picture[place:]])
