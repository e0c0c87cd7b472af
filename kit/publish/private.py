"""What a bundle would tell of people and places, and how to leave it out."""

import csv
import io
import re
import struct
import zipfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Final

from kit.data_file import data_text
from kit.errors import did_you_mean
from kit.publish.provenance import SHEETS, input_names, names_in
from kit.publish.wording import refuse_all, refused, words
from kit.schema import COLUMNS

LEFT_OUT: Final = "left out"
KEYS: Final[Mapping[str, str]] = words()["names"]["private"]
"""What can be left out of a bundle."""
_TOML_TABLE: Final = re.compile(r"[ \t]*\[\[?[ \t]*([\w-]+)")
_TOML_LINE: Final = re.compile(
    r"""^([ \t]*)(\w+)([ \t]*=[ \t]*)((?!\"{3})"(?:[^"\\]|\\.)*"|(?!'{3})'[^']*')"""
)
_COMMENT: Final = re.compile(
    r"""(?xms) \"{3} (?:[^\\]|\\.)*? \"{3} | '{3} .*? '{3} | "(?:[^"\\\n]|\\.)*" | '[^'\n]*'
    | (?P<line> ^[ \t]{0,80} \#[^\r\n]*(?:\r?\n)?) | (?P<behind> [ \t]{0,80} \#[^\r\n]*)"""
)
"""A comment, with its line where it has one of its own; or a text, in which # begins none."""
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
_SHORTEST: Final = 4  # letters from which on a text can be looked for elsewhere
_HEAD: Final = 65_536  # bytes at a log's start, where an instrument tells of itself


@dataclass(frozen=True)
class Told:
    """One thing a bundle would publish: its key of KEYS, where it stands, and its text."""

    key: str
    where: str
    text: str


@dataclass
class Look:
    """A look through the inputs of a run folder.

    Attributes
    ----------
    out
        Keys of what shall not stay.
    told
        Every private thing that was found.
    """

    out: frozenset[str] = frozenset()
    told: list[Told] = field(default_factory=list)

    def stays(self, key: str, where: str, text: str) -> bool:
        """Note a thing, and return whether it may stay."""
        self.told.append(Told(key, where, text))
        return key not in self.out


def what_is_told(folder: Path) -> list[Told]:
    """Return every place, person, note, serial number and position the inputs of a run folder hold."""
    look = Look()
    for name in input_names(folder):
        _without(folder / name, name, look)
    return look.told


def check_keys(keys: Iterable[str]) -> frozenset[str]:
    """Return the keys as a set.

    Raises
    ------
    KitError
        Naming those that are unknown.
    """
    refuse_all(
        refused("unknown_key", "--leave-out", key=key, keys=", ".join(KEYS), hint=did_you_mean(key, KEYS))
        for key in keys
        if key not in KEYS
    )
    return frozenset(keys)


def leave_out(folder: Path, keys: frozenset[str]) -> list[Told]:
    """Take what the keys name out of the inputs of a run folder, a copy, and return what was taken.

    Raises
    ------
    KitError
        Where a log is a spreadsheet's own file.
    """
    from kit.trial.sheet import sheet_rows

    look = Look(keys)
    books = [name for name in input_names(folder) if Path(name).suffix.casefold() in BOOKS]
    refuse_all(refused("log_in_a_book", name) for name in books if name not in SHEETS)
    for path in (folder / name for name in books):
        # a spreadsheet's own file holds more than it shows
        rows, mark, _ = sheet_rows(path)
        path.with_suffix(".csv").write_bytes(_as_sheet(rows, mark))
        path.unlink()
    for name in input_names(folder):
        after = _without(folder / name, name, look)
        if after is not None:
            with (folder / name).open("r+b") as handle:
                handle.write(after)
                if not _is_log(name):
                    handle.truncate()
    return [each for each in look.told if each.key in keys]


def _is_log(name: str) -> bool:
    """Return whether a file is looked through at its start alone, where an instrument tells of itself."""
    suffix = name[name.rfind(".") :].lower()
    return name not in SHEETS and suffix != ".toml" and suffix not in PICTURES


def _without(path: Path, name: str, look: Look) -> bytes | None:
    """Look for every private thing in a file, and return its content without those that shall not stay.

    Of a log the start alone, as long as it was; None where nothing is to be changed.
    """
    suffix = path.suffix.lower()
    if suffix in BOOKS:
        _look_at_book(path, name, look)
        return None
    with path.open("rb") as handle:
        before = handle.read(_HEAD if _is_log(name) else -1)
    if suffix in PICTURES:
        after = _without_position(before, name, look)
    elif suffix == ".toml":
        after = _settings_without(before, name, look)
    elif name in SHEETS and suffix == ".csv":
        after = _sheet_without(path, name, look) or before
    elif name == "notes.md":  # the tester's own words, which stay or go as a whole
        text = _text_of(before, name).strip()
        stays = not text or look.stays("notes", name, text)
        after = _log_without(before, name, look) if stays else b""
    else:
        after = _log_without(before, name, look)
    return after if after != before else None


def _look_at_book(path: Path, name: str, look: Look) -> None:
    """Note what a spreadsheet's own file tells; it is written as text before anything is taken out."""
    from kit.trial.decode import filled_sheets

    if name in SHEETS:
        _sheet_without(path, name, look)
    tables = filled_sheets(path, name)
    for title, rows in tables.items():
        where = f"{name}, sheet '{title}'"
        if len(tables) > 1:
            look.stays("notes", where, f"{len(rows)} rows")
        for number, row in enumerate(rows, 1) if name not in SHEETS else ():
            _line_without(" ".join(row), f"{where}, row {number}", look)
    if not zipfile.is_zipfile(path):
        look.stays("people", name, "its author, whom an old spreadsheet's file names")
        return
    with zipfile.ZipFile(path) as book:
        for part in book.namelist():
            text = book.read(part).decode("utf-8", "replace") if part in _TELLING else ""
            for author in _AUTHOR.findall(text):
                look.stays("people", f"{name}, its properties", author)
            if "comments" in part or "<office:annotation" in text:
                look.stays("notes", name, "comments on cells")


def _text_of(content: bytes, name: str) -> str:
    from kit.trial.decode import decode  # kit.trial brings pandas, which reports need in another process only

    return decode(content, name)[0]


def _settings_without(content: bytes, name: str, look: Look) -> bytes:
    text = _text_of(content, name)
    lines = text.splitlines(keepends=True)
    comments = [found[0] for found in _COMMENT.finditer(text) if _is_own(found)]
    n, kept = len(comments), lines
    if n and not look.stays("notes", f"{name}, comments", f"{n} line{'s' * (n > 1)} of comment"):
        kept = _COMMENT.sub(lambda found: "" if _is_own(found) else found[0], text).splitlines(keepends=True)
    out = {
        (part, key)
        for place, told in words()["names"]["private_key"].items()
        for part, key in [place.split(".")]
        for text in _values(lines, part, key)
        if not look.stays(told, f"{name}, [{part}] {key}", text)
    }
    after, part = [], ""
    for line in kept:
        if header := _TOML_TABLE.match(line):
            part = header[1]
        found = _TOML_LINE.match(line)
        if found and (part, found[2]) in out:
            line = f'{found[1]}{found[2]}{found[3]}"{LEFT_OUT}"{line[found.end() :]}'
        after.append(line)
    for part, key in sorted(out):
        if set(_values(after, part, key)) - {LEFT_OUT}:
            raise refused("several_lines", f"{name}, [{part}] {key}")
    return "".join(after).encode("utf-8", "surrogateescape") if after != lines else content


def _is_own(found: re.Match[str]) -> bool:
    """Return whether it is a comment, and of the tester's own words."""
    return bool(found["line"] or found["behind"]) and _unnumbered(found[0]) not in _kits_own()


@cache
def _kits_own() -> frozenset[str]:
    """Return the comments that the kit itself writes into trial files and plans, without their numbers."""
    from kit.plan import schedule, simulated
    from kit.trial.decode import MESSAGES
    from kit.trial.models import Logger
    from kit.trial.scaffold import trial_text

    drafted = [trial_text(), trial_text(probe="grate", loggers=[Logger.model_construct()])]
    made = [data_text(simulated.__file__, "demo.toml"), f"# {simulated.NOTE}.", schedule.WORDS["rehearsal"]]
    text = "\n".join([*drafted, *made, MESSAGES["plan"]["head"]]).replace("{seed}", "")
    return frozenset(_unnumbered(found[0]) for found in _COMMENT.finditer(text))


def _unnumbered(line: str) -> str:
    return re.sub("[0-9]+", "", line).strip()


def _values(lines: Iterable[str], part: str, key: str) -> list[str]:
    """Return what stands under a key of a table, or of each of its tables where there are several."""
    from kit.trial.toml_reader import parse_toml

    found = parse_toml("".join(lines).removeprefix("\ufeff"), "trial.toml").get(part, [])
    tables = found if isinstance(found, list) else [found]
    return [str(table[key]) for table in tables if isinstance(table, dict) and table.get(key)]


def _sheet_without(path: Path, name: str, look: Look) -> bytes | None:
    """Return a sheet without the cells that shall not stay, None where all of them do."""
    from kit.trial.sheet import sheet_rows

    rows, mark, _ = sheet_rows(path)
    head = next((place for place, row in enumerate(rows) if any(map(str.strip, row))), len(rows))
    changed = False
    for number, row in enumerate(rows[head + 1 :], head + 2):
        for place, heading in enumerate(map(str.strip, rows[head])):
            key = _key_of(heading, row[place]) if place < len(row) else ""
            if key and not look.stays(key, f"{name}, row {number}, column {heading}", row[place]):
                row[place], changed = "", True
    return _as_sheet(rows, mark) if changed else None


def _key_of(heading: str, cell: str) -> str:
    """Return the key a cell falls under, '' for none; what stands in columns of the tester's own is a note."""
    from kit.trial.sheet import heading_key

    plain = heading_key(heading)
    own = plain not in COLUMNS and any(sign.isalpha() for sign in cell)
    key: str = words()["names"]["private_column"].get(plain, "notes" if own else "")
    return key if cell.strip() else ""


def _as_sheet(rows: Sequence[Sequence[str]], delimiter: str) -> bytes:
    out = io.StringIO(newline="")
    if delimiter not in ",;\t":
        out.write(f"sep={delimiter}\n")
    csv.writer(out, delimiter=delimiter, lineterminator="\n").writerows(rows)
    return out.getvalue().encode("utf-8", "surrogateescape")


def _log_without(head: bytes, name: str, look: Look) -> bytes:
    """Look through the start of a log; what is taken out keeps its length, and so the log its shape."""
    code = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}.get(head[:2], "latin-1")
    whole = len(head) - (len(head) % 2 if code != "latin-1" else 0)
    lines = head[:whole].decode(code, "surrogatepass").split("\n")
    kept = (_line_without(line, f"{name}, line {i}", look) for i, line in enumerate(lines, 1))
    return "\n".join(kept).encode(code, "surrogatepass")


def _line_without(line: str, where: str, look: Look) -> str:
    for key, pattern in (("serials", _SERIAL), ("positions", _POSITION)):

        def kept(found: re.Match[str], key: str = key) -> str:
            return found[0] if look.stays(key, where, found[2].strip()) else found[1] + "x" * len(found[2])

        line = pattern.sub(kept, line)
    return line


def refuse_rest(folder: Path, taken: Iterable[Told]) -> None:
    """Check that what was taken out stands nowhere else in the text of a folder.

    Raises
    ------
    KitError
        Naming what still does, with the file.
    """
    looked = sorted({each.text.strip(): each for each in taken}.items())
    wanted = [(text, told) for text, told in looked if len(text) >= _SHORTEST and not text.isdigit()]
    refuse_all(
        refused("still_told", name, text=told.text[:60], key=told.key)
        for name in names_in(folder)
        if not name.lower().endswith((".png", ".jpg", ".zip"))
        for content in [(folder / name).read_bytes().decode("utf-8", "replace")]
        for text, told in wanted
        if text in content
    )


PICTURES: Final = frozenset({".jpg", ".jpeg", ".png", ".heic", ".heif", ".tif", ".tiff", ".webp"})
PNG: Final = b"\x89PNG\r\n\x1a\n"
_JPEG: Final = b"\xff\xd8"
_PIXELS: Final = 0xDA  # what follows the parts of a JPEG
_MOST_ENTRIES: Final = 500  # of a directory that is looked through
_GPS: Final = 0x8825
_NOTES: Final = frozenset({0xE1, 0xED, 0xFE, b"eXIf", b"tEXt", b"iTXt", b"zTXt"})
"""Parts of a JPEG, by number, and of a PNG, by name, in which cameras and programs write."""


def _without_position(picture: bytes, name: str, look: Look) -> bytes:
    """Return a picture without what a camera wrote, where it tells of a position; empty where its parts are unknown."""
    # the block is the whole of a TIFF; a PNG names it by a chunk, and all other formats by the word Exif
    starts = [0, *(found.end() for found in re.finditer(rb"Exif\0\0|eXIf", picture))]
    known = any(_has_gps(memoryview(picture)[start:]) for start in starts) or b"GPSLatitude" in picture
    if not known or look.stays("positions", name, "a position kept by the camera"):
        return picture
    if not picture.startswith((PNG, _JPEG)):
        return b""
    return b"".join(part for kind, part in picture_parts(picture) if kind not in _NOTES)


def _has_gps(block: memoryview) -> bool:
    """Look through the first directory of a TIFF block for its pointer to a position."""
    order = {b"II": "<", b"MM": ">"}.get(bytes(block[:2]))
    with suppress(struct.error):  # it ends early
        start = struct.unpack_from(f"{order}I", block, 4)[0] if order else len(block)
        count = struct.unpack_from(f"{order}H", block, start)[0]
        for place in range(start + 2, start + 2 + 12 * min(count, _MOST_ENTRIES), 12):
            if struct.unpack_from(f"{order}H", block, place)[0] == _GPS:
                return True
    return False


def picture_parts(picture: bytes) -> Iterator[tuple[object, bytes]]:
    """Yield a PNG or a JPEG part by part, each with its name or number; what is no part, at both ends, with None."""
    png = picture.startswith(PNG)
    place = len(PNG if png else _JPEG)
    yield None, picture[:place]
    while len(picture) - place >= 8:
        if png:
            size, kind = struct.unpack_from(">I4s", picture, place)
            size += 12
        else:
            lead, kind, size = struct.unpack_from(">BBH", picture, place)
            size += 2
            if lead != 0xFF or kind == _PIXELS:
                break
        yield kind, picture[place : place + size]
        place += size
    yield None, picture[place:]
