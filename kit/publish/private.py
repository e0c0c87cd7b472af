"""What a bundle would tell of people and places, and how to leave it out."""

from __future__ import annotations

import csv
import io
import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from kit.errors import KitError, Problem, did_you_mean
from kit.publish.pictures import PICTURES, position_of, without_notes
from kit.publish.provenance import SHEETS, input_paths
from kit.schema import COLUMNS

LEFT_OUT: Final = "left out"
KEYS: Final[Mapping[str, str]] = {
    "place": "where it was burned",
    "people": "who burned, scored or paid",
    "notes": "what was written in free text",
    "serials": "serial numbers of instruments",
    "positions": "coordinates, and positions kept in pictures",
    "shops": "where fuels were bought",
}
"""What can be left out of a bundle."""

_TRIAL: Final = {
    ("trial", "place"): "place",
    ("trial", "operator"): "people",
    ("trial", "interests"): "people",
    ("fuel", "shop"): "shops",
}
_COLUMNS: Final = {
    "operator": "people",
    "taster": "people",
    "notes": "notes",
    "note": "notes",
    "place": "place",
    "lat": "positions",
    "lon": "positions",
    "latitude": "positions",
    "longitude": "positions",
    "gps": "positions",
    "serial": "serials",
}
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
    unknown = [key for key in keys if key not in KEYS]
    if unknown:
        problems = (
            Problem(
                "refuse", "--leave-out", f"'{key}'", "a key of what can be left out", did_you_mean(key, KEYS)
            )
            for key in unknown
        )
        raise KitError(problems)
    return frozenset(keys)


def leave_out(folder: Path, keys: frozenset[str]) -> list[Told]:
    """Take what the keys name out of the inputs of a run folder, a copy, and return what was taken."""
    taken: list[Told] = []

    def meet(told: Told) -> bool:
        if told.key in keys:
            taken.append(told)
        return told.key not in keys

    for path in input_paths(folder):
        start = _look(path, path.relative_to(folder).as_posix(), meet)
        if start is not None:
            with path.open("r+b") as handle:
                handle.write(start.content)
                if start.whole:
                    handle.truncate()
    return taken


@dataclass(frozen=True)
class _Start:
    """A file's new content: the whole of it, or as many bytes at its start as were read."""

    content: bytes
    whole: bool


def _look(path: Path, name: str, meet: Meet) -> _Start | None:
    """Show every private thing of a file to `meet`, and return what stands there without those it answers False."""
    suffix = path.suffix.lower()
    if suffix in PICTURES:
        return _look_at_picture(path.read_bytes(), name, suffix, meet)
    if suffix == ".toml":
        before = path.read_bytes()
        after, whole = _look_at_settings(before, name, meet), True
    elif name in SHEETS and suffix == ".csv":
        before = path.read_bytes()
        after, whole = _look_at_sheet(before, name, meet), True
    else:
        with path.open("rb") as handle:
            before = handle.read(_HEAD)
        after, whole = _look_at_log(before, name, meet), False
    return _Start(after, whole) if after != before else None


def _look_at_picture(picture: bytes, name: str, suffix: str, meet: Meet) -> _Start | None:
    position = position_of(picture)
    if position and not meet(Told("positions", name, position)):
        return _Start(without_notes(picture, suffix), True)
    return None


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
        for (part, key), told in _TRIAL.items()
        for text in _values(lines, part, key)
        if not meet(Told(told, f"{name}, [{part}] {key}", text))
    }
    after = _without(kept, out)
    for part, key in sorted(out):
        if set(_values(after, part, key)) - {LEFT_OUT}:
            found, expected = "a value of several lines", "a value on one line, so that it can be left out"
            raise KitError(
                Problem("refuse", f"{name}, [{part}] {key}", found, expected, "Write it on one line.")
            )
    return "".join(after).encode("utf-8", "surrogateescape") if after != lines else content


def _values(lines: Iterable[str], part: str, key: str) -> list[str]:
    """Return what stands under a key of a table, or of each of its tables where there are several."""
    found = tomllib.loads("".join(lines).removeprefix("\ufeff")).get(part, [])
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


def _look_at_sheet(content: bytes, name: str, meet: Meet) -> bytes:
    text = _text_of(content, name)
    hint, _, rest = text.partition("\n") if text.lower().startswith(("sep=", '"sep=')) else ("", "", text)
    delimiter = max(",;\t", key=rest.partition("\n")[0].count)
    rows = list(csv.reader(io.StringIO(rest, newline=""), delimiter=delimiter))
    private = {i: cell.strip() for i, cell in enumerate(rows[0])} if rows else {}
    changed = False
    for number, row in enumerate(rows[1:], 2):
        for i, heading in private.items():
            key = _key_of(heading, row[i]) if i < len(row) else ""
            if key and not meet(Told(key, f"{name}, row {number}, column {heading}", row[i])):
                row[i], changed = "", True
    return (f"{hint}\n" * bool(hint)).encode() + _as_sheet(rows, delimiter) if changed else content


def _key_of(heading: str, cell: str) -> str:
    """Return the key a cell falls under, '' for none; what stands in columns of the tester's own is a note."""
    if not cell.strip():
        return ""
    if heading.lower() in _COLUMNS:
        return _COLUMNS[heading.lower()]
    own = heading not in COLUMNS and any(sign.isalpha() for sign in cell)
    return "notes" if own else ""


def _as_sheet(rows: Sequence[Sequence[str]], delimiter: str) -> bytes:
    out = io.StringIO(newline="")
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
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        if path.suffix.lower() in (".png", ".jpg", ".zip"):
            continue
        content = path.read_bytes().decode("utf-8", "replace")
        for text in sorted(looked):
            if text in content:
                yield by_text[text], path.relative_to(folder).as_posix()
