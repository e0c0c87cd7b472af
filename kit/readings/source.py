"""A logger's file as lines of UTF-8: its encoding and line ends; a spreadsheet's own file as the text of its table."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from kit.errors import KitError, did_you_mean
from kit.trial.decode import SPREADSHEET, encoding_of, filled_sheets


def sheet_text(path: Path, sheet: str | None, name: str) -> bytes:
    """Return a sheet as UTF-8 lines of cells parted by tabs, numbers with points, dates as ISO 8601.

    Raises
    ------
    KitError
        'ask' where several sheets hold tables and none was named; 'refuse' where the file cannot be opened.
    """
    filled = filled_sheets(path, name)
    if sheet is not None and sheet not in filled:
        known = "one of " + ", ".join(f"'{title}'" for title in filled)
        found, remedy = f"no sheet '{sheet}' with anything in it", did_you_mean(sheet, filled)
        raise KitError.refuse(f"{name}, [[logger]] key sheet", found, known, remedy)
    filled = filled if sheet is None else {sheet: filled[sheet]}
    if len(filled) > 1:
        shown = ", ".join(f"'{title}' ({len(rows)} rows)" for title, rows in list(filled.items())[:12])
        remedy = f'Add sheet = "{next(iter(filled))}" (or which it is) to the [[logger]] table.'
        raise KitError.ask(
            name, f"{len(filled)} sheets: {shown}", "the sheet that holds the readings", remedy
        )
    if not filled:
        raise _empty(name)
    out = io.StringIO()
    csv.writer(out, delimiter="\t", lineterminator="\n").writerows(next(iter(filled.values())))
    return out.getvalue().encode("utf-8", "replace")


def _empty(name: str) -> KitError:
    found = "an empty file: no data rows"
    return KitError.refuse(name, found, "a table of readings", "Export the log again.")


WHOLE_BYTES = 1 << 25
PIECE_BYTES = 1 << 23
_NARROW = ("utf-8", "ascii")
_ENCODINGS = ("cp1252", "mac_roman", "cp437", "gb18030", "shift_jis")
_OTHERS = (b"%PDF", b"\x89PNG", b"\xff\xd8\xff", b"\x1f\x8b", b"GIF8")
_NOTHING = b"\0\x1a \t\r\n\xef\xbb\xbf\xff\xfe"
_DEGREE = re.compile("[°º℃℉˚]")
_LETTERS = re.compile("[äöüßéèêëàâáåæçñóôòøîíïúûùœÿÄÖÜÉÈÀÂÁÅÆÇÑÓØµ²³·±×–“”„’…]")
_COMMON = re.compile("[äöüßéèàç]")
_FIRM_BLANK = re.compile("(?<=[0-9.])[\u00a0\u202f](?=[ap]?\\.?[\u00a0 ]?[m0-9°CFK])", re.IGNORECASE)
_OPENS, _CLOSES = re.compile(rb'(?:^|[,;\t|])"'), re.compile(rb'"(?:$|[,;\t\r|])')
_LONGEST_CELL, _MOST_BREAKS = 2000, 4


@dataclass(frozen=True)
class Piece:
    """Whole lines of the file as UTF-8 with LF line ends, and the number of the first of them."""

    data: bytes
    first_line: int


@dataclass(frozen=True)
class Source:
    """A logger's file whose encoding and line ends are known.

    Attributes
    ----------
    path, name, size
        The file, its name as shown to people, its bytes.
    encoding, encoding_reason
        What the bytes were taken for, and why.
    line_end
        'LF', 'CRLF' or 'CR'.
    head, complete
        Its first lines as UTF-8; whether these are the whole file.
    ends_open
        Whether the last line lacks its line end, so that it may be cut off.
    notes
        What was left aside (NUL bytes, …).
    """

    path: Path
    name: str
    size: int
    encoding: str
    encoding_reason: str
    line_end: str
    head: bytes = field(repr=False)
    complete: bool
    ends_open: bool
    notes: tuple[str, ...]

    def pieces(self) -> Iterator[Piece]:
        """Yield the file as pieces of whole lines; what is added to it meanwhile is not read."""
        if self.complete:
            yield Piece(self.head, 1)
            return
        decoder = (
            None
            if self.encoding.startswith(_NARROW)
            else codecs.getincrementaldecoder(self.encoding)("replace")
        )
        ends = b"\r\n" if self.line_end == "CR" else b"\n"
        line, held = 1, b""
        with self.path.open("rb") as file:
            while raw := file.read(min(PIECE_BYTES, self.size - file.tell())):
                held += raw if decoder is None else decoder.decode(raw).encode("utf-8", "replace")
                cut = max(held.rfind(end, 0, len(held) - (end == 13)) for end in ends) + 1
                text, held = _lines(_plain(held[:cut], "utf-8"), self.line_end), held[cut:]
                if text:
                    yield Piece(text, line)
                    line += text.count(b"\n")
        if held.strip():
            yield Piece(_lines(_plain(held, "utf-8"), self.line_end), line)


def open_source(
    path: Path | str, encoding: str | None = None, name: str | None = None, sheet: str | None = None
) -> Source:
    """Find out how a file's bytes are to be read.

    Raises
    ------
    KitError
        Where there is no such file, it is empty, or it is no text.
    """
    path = Path(path)
    name = name or path.name
    raw = _first_bytes(path, name)
    size = path.stat().st_size
    if raw.startswith(SPREADSHEET):
        text = sheet_text(path, sheet, name)
        reason = "a spreadsheet's own file, its cells written out"
        return Source(path, name, size, "utf-8", reason, "LF", text, True, False, ())
    whole = size <= len(raw)
    shown = (_declared(encoding, name), "declared") if encoding else encoding_of(raw, not whole)
    found, reason = shown if all(shown) else _eight_bit(raw)
    text = _plain(raw, found)
    line_end = _line_end(text[: 1 << 20])
    head = _lines(text, line_end)
    if not whole:
        head = head[: head.rfind(b"\n") + 1]
    with path.open("rb") as file:
        file.seek(max(size - 65536, 0))
        tail = file.read()
    ends_open = tail.rstrip(b"\0\x1a")[-1:] not in (b"\n", b"\r")
    counts = {
        "at the end": len(tail) - len(tail.rstrip(b"\0")),
        "within the file": raw.rstrip(b"\0").count(b"\0"),
    }
    wide = found.startswith(("utf-16", "utf-32"))
    notes = tuple(
        f"{n} NUL byte{'s' * (n > 1)} {place}: ignored" for place, n in counts.items() if n and not wide
    )
    return Source(path, name, size, found, reason, line_end, head, whole, ends_open, notes)


def _first_bytes(path: Path, name: str) -> bytes:
    try:
        if not path.is_file():
            raise FileNotFoundError
        with path.open("rb") as file:
            raw = file.read(WHOLE_BYTES)
    except OSError as error:
        is_gone = isinstance(error, FileNotFoundError)
        what = "no such file" if is_gone else f"a file that cannot be opened ({error.strerror})"
        raise KitError.refuse(name, what, "a logger's export", "Check the name and its rights.") from None
    if not raw[:4096].strip(_NOTHING) and not raw.strip(_NOTHING):
        raise _empty(name)
    if raw.startswith(_OTHERS) or (not raw.startswith(SPREADSHEET) and _looks_binary(raw[:65536])):
        remedy = "Export the readings as text (CSV) from the logger's program."
        raise KitError.refuse(name, "bytes that are no text", "delimited text", remedy)
    return raw


def _looks_binary(raw: bytes) -> bool:
    if encoding_of(raw, is_cut=True)[0].startswith("utf-16"):
        return False
    strange = len(raw.translate(None, bytes(range(32, 256)) + b"\t\r\n\f\0\x1a\x1b"))
    return strange > 0.05 * len(raw) or len(raw.translate(None, b"\0")) < 0.02 * len(raw)


def _declared(encoding: str, name: str) -> str:
    try:
        return codecs.lookup(encoding).name
    except LookupError:
        expected = "an encoding's name such as 'utf-8', 'cp1252', 'mac_roman' or 'utf-16'"
        where = f"{name}, [[logger]] key encoding"
        raise KitError.refuse(where, f"'{encoding}'", expected, "Mend the key.") from None


def _eight_bit(raw: bytes) -> tuple[str, str]:
    lines = [line for line in re.split(rb"[\r\n]+", raw[: 1 << 20]) if not line.isascii()][:200]
    best = max(_ENCODINGS, key=lambda name: _likeness(b"\n".join(lines), name))
    return best, "not UTF-8; its signs and letters make sense so"


def _likeness(sample: bytes, encoding: str) -> float:
    """Return how much text looks like a header with units when read in an encoding."""
    try:
        text = sample.decode(encoding)
    except UnicodeDecodeError:
        return -1e9
    strange = sum(ord(sign) > 126 for sign in text)
    degrees = len(re.findall("[°º˚] ?[CFKcfk]\\b|℃|℉", text)) + len(re.findall(r"\d ?°", text))
    letters, blanks = len(_LETTERS.findall(text)), len(_FIRM_BLANK.findall(text))
    known = len(_DEGREE.findall(text)) + letters + blanks
    return 5 * degrees + letters + 0.5 * len(_COMMON.findall(text)) + 2 * blanks - 2 * (strange - known)


def _plain(raw: bytes, encoding: str) -> bytes:
    """Return bytes of any encoding as UTF-8 without marks and NUL bytes."""
    narrow = encoding.startswith(_NARROW)
    raw = raw.removeprefix(codecs.BOM_UTF8) if narrow else raw
    if not narrow or not raw.isascii():
        raw = (
            raw.decode("utf-8" if narrow else encoding, "replace").lstrip("\ufeff").encode("utf-8", "replace")
        )
    return raw.translate(None, b"\0\x1a") if b"\0" in raw or b"\x1a" in raw else raw


def _line_end(text: bytes) -> str:
    feeds, both, returns = text.count(b"\n"), text.count(b"\r\n"), text.count(b"\r")
    if returns > both and returns > 2 * feeds:
        return "CR"
    return "CRLF" if both and 2 * both >= feeds else "LF"


def _lines(text: bytes, line_end: str) -> bytes:
    """Return text with LF line ends, and a quoted cell of several lines on one."""
    if b"\r" in text:
        text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n" if line_end == "CR" else b"")
    if b'"' not in text:
        return text
    lines = text.split(b"\n")
    odd = [place for place, line in enumerate(lines) if line.count(b'"') % 2]
    done = -1
    for first, last in pairwise(odd):
        near = last - first <= _MOST_BREAKS and sum(map(len, lines[first : last + 1])) <= _LONGEST_CELL
        if near and first > done and _OPENS.search(lines[first]) and _CLOSES.search(lines[last]):
            lines[first : last + 1] = [b" ".join(lines[first : last + 1]), *[b""] * (last - first)]
            done = last
    return b"\n".join(lines)
