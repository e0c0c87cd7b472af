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
from kit.trial.decode import SPREADSHEET, VALID, encoding_of, filled_sheets


def sheet_text(path: Path, sheet: str | None, name: str) -> bytes:
    """Return a sheet as UTF-8 lines of cells parted by tabs, numbers with points, dates as ISO 8601.

    Raises
    ------
    KitError
        'ask' where several sheets hold tables and none was named; 'refuse' where the file cannot be opened.
    """
    filled = filled_sheets(path, name)
    if sheet is not None and sheet not in filled:
        raise KitError.refuse(
            f"{name}, [[logger]] key sheet",
            f"no sheet '{sheet}' with anything in it",
            "one of " + ", ".join(f"'{each}'" for each in filled),
            did_you_mean(sheet, filled),
        )
    filled = filled if sheet is None else {sheet: filled[sheet]}
    if len(filled) > 1:
        shown = ", ".join(f"'{each}' ({len(rows)} rows)" for each, rows in list(filled.items())[:12])
        raise KitError.ask(
            name,
            f"{len(filled)} sheets: {shown}",
            "the sheet that holds the readings",
            f'Add sheet = "{next(iter(filled))}" (or which it is) to the [[logger]] table.',
        )
    if not filled:
        raise KitError.refuse(
            name, "an empty file: no data rows", "a table of readings", "Export the log again."
        )
    out = io.StringIO()
    writer = csv.writer(out, delimiter="\t", lineterminator="\n")
    writer.writerows(next(iter(filled.values())))
    return out.getvalue().encode("utf-8", "replace")


WHOLE_BYTES = 1 << 25
PIECE_BYTES = 1 << 23
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
        """Yield the file as pieces of whole lines."""
        if self.complete:
            yield Piece(self.head, 1)
            return
        yield from _cut(_normalised(self.path, self.encoding, self.line_end, self.size))


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
    _no_text(raw, name)
    whole = size <= len(raw)
    shown = (_declared(encoding, name), "declared") if encoding else encoding_of(raw, not whole)
    found, reason = shown if all(shown) else _eight_bit(raw)
    text = _plain(raw, found, reason == VALID)
    line_end = _line_end(text)
    head = _lines(text, line_end)
    if not whole:
        head = head[: head.rfind(b"\n") + 1]
    tail = _tail(path)
    notes = _notes(raw, tail, found)
    ends_open = tail.rstrip(b"\0\x1a")[-1:] not in (b"\n", b"\r")
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
        raise KitError.refuse(
            name, "an empty file: no data rows", "a table of readings", "Export the log again."
        )
    return raw


def _no_text(raw: bytes, name: str) -> None:
    if raw.startswith(_OTHERS) or _looks_binary(raw[:65536]):
        remedy = "Export the readings as text (CSV) from the logger's program."
        raise KitError.refuse(name, "bytes that are no text", "delimited text", remedy)


def _looks_binary(raw: bytes) -> bool:
    if encoding_of(raw, is_cut=True)[0].startswith("utf-16"):
        return False
    strange = len(raw.translate(None, bytes(range(32, 256)) + b"\t\r\n\f\0\x1a\x1b"))
    return strange > 0.05 * len(raw) or len(raw.translate(None, b"\0")) < 0.02 * len(raw)


def _declared(encoding: str, name: str) -> str:
    try:
        return codecs.lookup(encoding).name
    except LookupError:
        raise KitError.refuse(
            f"{name}, [[logger]] key encoding",
            f"'{encoding}'",
            "an encoding's name such as 'utf-8', 'cp1252', 'mac_roman' or 'utf-16'",
            "Mend the key.",
        ) from None


def _eight_bit(raw: bytes) -> tuple[str, str]:
    lines = [line for line in re.split(rb"[\r\n]+", raw[: 1 << 20]) if not line.isascii()][:200]
    sample = b"\n".join(lines)
    scored = [(_likeness(sample, name), -place, name) for place, name in enumerate(_ENCODINGS)]
    best = max(scored)
    return best[2], "not UTF-8; its signs and letters make sense so"


def _likeness(sample: bytes, encoding: str) -> float:
    """Return how much text looks like a header with units when read in an encoding."""
    try:
        text = sample.decode(encoding)
    except UnicodeDecodeError:
        return -1e9
    strange = [sign for sign in text if ord(sign) > 126]
    degrees = len(re.findall("[°º˚] ?[CFKcfk]\\b|℃|℉", text)) + len(re.findall(r"\d ?°", text))
    blanks = len(_FIRM_BLANK.findall(text))
    letters = len(_LETTERS.findall(text)) + 0.5 * len(_COMMON.findall(text)) + 2 * blanks
    known = len(_DEGREE.findall(text)) + len(_LETTERS.findall(text)) + blanks
    return 5 * degrees + letters - 2 * (len(strange) - known)


def _plain(raw: bytes, encoding: str, valid: bool = False) -> bytes:
    """Return bytes of any encoding as UTF-8 without marks and NUL bytes."""
    if encoding.startswith("utf-8") or encoding == "ascii":
        raw = raw.removeprefix(codecs.BOM_UTF8)
        if not valid and not raw.isascii() and not _is_utf8(raw):
            raw = raw.decode("utf-8", "replace").encode()
    else:
        raw = raw.decode(encoding, "replace").lstrip("\ufeff").encode("utf-8", "replace")
    return raw.replace(b"\0", b"").replace(b"\x1a", b"") if b"\0" in raw or b"\x1a" in raw else raw


def _is_utf8(raw: bytes) -> bool:
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _line_end(text: bytes) -> str:
    text = text[: 1 << 20]
    feeds, both, returns = text.count(b"\n"), text.count(b"\r\n"), text.count(b"\r")
    if returns > both and returns > 2 * feeds:
        return "CR"
    return "CRLF" if both and 2 * both >= feeds else "LF"


def _lines(text: bytes, line_end: str) -> bytes:
    """Return text with LF line ends, and quoted line breaks turned into blanks."""
    if b"\r" in text:
        text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n" if line_end == "CR" else b"")
    return _without_breaks(text) if b'"' in text else text


def _without_breaks(text: bytes) -> bytes:
    """Return text in which a quoted cell of several lines stands on one."""
    lines = text.split(b"\n")
    odd = [place for place, line in enumerate(lines) if line.count(b'"') % 2]
    done = -1
    for first, last in pairwise(odd):
        near = last - first <= _MOST_BREAKS and sum(map(len, lines[first : last + 1])) <= _LONGEST_CELL
        if near and first > done and _OPENS.search(lines[first]) and _CLOSES.search(lines[last]):
            lines[first : last + 1] = [b" ".join(lines[first : last + 1]), *[b""] * (last - first)]
            done = last
    return b"\n".join(lines)


def _tail(path: Path) -> bytes:
    with path.open("rb") as file:
        file.seek(max(path.stat().st_size - 65536, 0))
        return file.read()


def _notes(raw: bytes, tail: bytes, encoding: str) -> tuple[str, ...]:
    if encoding.startswith(("utf-16", "utf-32")):
        return ()
    at_end = len(tail) - len(tail.rstrip(b"\0"))
    within = raw.rstrip(b"\0").count(b"\0")
    notes = [f"{at_end} NUL bytes at the end: ignored"] if at_end else []
    notes += [f"{within} NUL bytes within the file: ignored"] if within else []
    return tuple(notes)


def _normalised(path: Path, encoding: str, line_end: str, size: int) -> Iterator[bytes]:
    """Yield a long file's text as UTF-8, its line ends as LF; what is added meanwhile is not read."""
    narrow = encoding.startswith("utf-8") or encoding == "ascii"
    decoder = None if narrow else codecs.getincrementaldecoder(encoding)("replace")
    held = b""
    with path.open("rb") as file:
        while raw := file.read(min(PIECE_BYTES, size - file.tell())):
            raw = held + (raw if decoder is None else decoder.decode(raw).encode("utf-8", "replace"))
            cut = max(raw.rfind(b"\n"), raw.rfind(b"\r", 0, len(raw) - 1)) + 1
            held, raw = (raw[cut:], raw[:cut]) if len(raw) - cut < PIECE_BYTES else (b"", raw)
            yield _lines(_plain(raw, "utf-8").removeprefix(b"\xef\xbb\xbf"), line_end)
    if held:
        yield _lines(_plain(held, "utf-8"), line_end)


def _cut(texts: Iterator[bytes]) -> Iterator[Piece]:
    line, held = 1, b""
    for text in texts:
        text = held + text
        cut = text.rfind(b"\n") + 1
        held = text[cut:]
        if cut:
            yield Piece(text[:cut], line)
            line += text.count(b"\n", 0, cut)
    if held.strip():
        yield Piece(held, line)
