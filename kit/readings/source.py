"""A logger's file as lines of UTF-8, what kind of thing stands in their cells, and where among them its table lies."""

import codecs
import csv
import io
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

from kit.errors import KitError, did_you_mean, opening
from kit.trial.cells import (
    BLANKS,
    LONGEST_CELL,
    NUMBER,
    PLAIN_NUMBER,
    UNIT,
    WITH_UNIT,
    WORDS,
    any_number,
    match_stamp,
)
from kit.trial.decode import SPREADSHEET, encoding_of, fault, filled_sheets, only_sheet


def sheet_text(path: Path, sheet: str | None, name: str) -> bytes:
    """Return a sheet as UTF-8 lines of cells parted by tabs, numbers with points, dates as ISO 8601.

    Raises
    ------
    KitError
        'ask' where several sheets hold tables and none was named; 'refuse' where the file cannot be opened.
    """
    filled = filled_sheets(path, name)
    if sheet is not None and sheet not in filled:
        known = ", ".join(f"'{title}'" for title in filled)
        words = fault("no such sheet", sheet=sheet, known=known, hint=did_you_mean(sheet, filled))
        raise KitError.refuse(f"{name}, [[logger]] key sheet", *words)
    filled = filled if sheet is None else {sheet: filled[sheet]}
    likeliest = max(filled, key=lambda title: len(filled[title]), default="")
    remedy = f'Add sheet = "{likeliest}" (or which it is) to the [[logger]] table.'
    rows = only_sheet(filled, name, "the sheet that holds the readings", remedy)
    if not rows:
        raise KitError.refuse(name, *fault("empty log"))
    out = io.StringIO()
    csv.writer(out, delimiter="\t", lineterminator="\n").writerows(rows)
    return out.getvalue().encode("utf-8", "replace")


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
_LONGEST_QUOTED, _MOST_BREAKS = 2000, 4


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
        is_narrow = self.encoding.startswith(_NARROW)
        decoder = codecs.getincrementaldecoder(self.encoding)("replace")
        ends = b"\r\n" if self.line_end == "CR" else b"\n"
        line, held = 1, b""
        with self.path.open("rb") as file:
            while raw := file.read(min(PIECE_BYTES, self.size - file.tell())):
                held += raw if is_narrow else decoder.decode(raw).encode("utf-8", "replace")
                cut = max(held.rfind(end, 0, len(held) - (end == 13)) for end in ends) + 1
                text, held = _lines(_plain(held[:cut], "utf-8"), self.line_end), held[cut:]
                if text:
                    yield Piece(text, line)
                    line += text.count(b"\n")
        if held.strip():
            yield Piece(_lines(_plain(held, "utf-8"), self.line_end), line)

    def texts(self, numbers: Iterable[int]) -> dict[int, str]:
        """Return the text of some lines, by number, in one pass."""
        wanted, found = {*numbers}, dict[int, str]()
        for piece in self.pieces():
            if wanted <= found.keys():
                break
            after = piece.first_line + piece.data.count(b"\n") + (not piece.data.endswith(b"\n"))
            if here := [number for number in wanted if piece.first_line <= number < after]:
                lines = piece.data.splitlines()
                found |= {place: lines[place - piece.first_line].decode("utf-8", "replace") for place in here}
        return found


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
    found, reason = (_declared(encoding, name), "declared") if encoding else encoding_of(raw, not whole)
    if not found:
        strange = [line for line in re.split(rb"[\r\n]+", raw[: 1 << 20]) if not line.isascii()][:200]
        found = max(_ENCODINGS, key=lambda each: _likeness(b"\n".join(strange), each))
        reason = "not UTF-8; its signs and letters make sense so"
    text = _plain(raw, found)
    feeds, both, returns = (text.count(end, 0, 1 << 20) for end in (b"\n", b"\r\n", b"\r"))
    line_end = "CRLF" if both and 2 * both >= feeds else "LF"
    if returns > both and returns > 2 * feeds:
        line_end = "CR"
    head = _lines(text, line_end)
    if not whole:
        head = head[: head.rfind(b"\n") + 1]
    with path.open("rb") as file:
        file.seek(max(size - 65536, 0))
        tail = file.read()
    ends_open = tail.rstrip(b"\0\x1a")[-1:] not in (b"\n", b"\r")
    nuls = {
        "at the end": len(tail) - len(tail.rstrip(b"\0")),
        "within the file": raw.rstrip(b"\0").count(b"\0"),
    }
    notes = [f"{n} NUL byte{'s' * (n > 1)} {place}: ignored" for place, n in nuls.items() if n]
    if found.startswith(("utf-16", "utf-32")):  # there they are halves of letters
        notes = []
    return Source(path, name, size, found, reason, line_end, head, whole, ends_open, tuple(notes))


def _first_bytes(path: Path, name: str) -> bytes:
    expected, remedy = "a logger's export", "Check the name and its rights."
    with opening(name, expected, remedy):
        if not path.is_file():
            raise KitError.refuse(name, "no such file", expected, remedy)
        with path.open("rb") as file:
            raw = file.read(WHOLE_BYTES)
    if not raw[:4096].strip(_NOTHING) and not raw.strip(_NOTHING):
        raise KitError.refuse(name, *fault("empty log"))
    if raw.startswith(_OTHERS) or (not raw.startswith(SPREADSHEET) and _looks_binary(raw[:65536])):
        raise KitError.refuse(name, *fault("binary"))
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
        words = fault("no encoding", encoding=encoding)
        raise KitError.refuse(f"{name}, [[logger]] key encoding", *words) from None


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
        text = raw.decode("utf-8" if narrow else encoding, "replace").lstrip("\ufeff")
        raw = text.encode("utf-8", "replace")
    return raw.translate(None, b"\0\x1a") if b"\0" in raw or b"\x1a" in raw else raw


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
        near = last - first <= _MOST_BREAKS and sum(map(len, lines[first : last + 1])) <= _LONGEST_QUOTED
        if near and first > done and _OPENS.search(lines[first]) and _CLOSES.search(lines[last]):
            lines[first : last + 1] = [b" ".join(lines[first : last + 1]), *[b""] * (last - first)]
            done = last
    return b"\n".join(lines)


ABSENT_WORDS = frozenset(WORDS["cells"]["absent"])
_OPEN_WORDS = frozenset(WORDS["cells"]["open"])
_DASHES = re.compile(r"[-–—_.*#?=~/<>]+$|\+{2,}$|(?:[-+*?] )+[-+*?]$")
_GLUED_NUMBER = re.compile(rf" +(({NUMBER})\s*(?:{UNIT})?)$", re.IGNORECASE)
TYPED = frozenset({"number", "with unit", "stamp", "date", "clock"})
"""Kinds of cells that hold a reading or a time."""


def kind_of(cell: str) -> str:
    """Return 'blank', 'number', 'with unit', 'stamp', 'date', 'clock', 'open', 'absent' or 'text'.

    'absent' is a word or sign for no reading, 'open' one for an open circuit or a range exceeded.
    """
    return _kind_of(cell) if len(cell) <= LONGEST_CELL else _kind_of(cell.strip(BLANKS)[: LONGEST_CELL + 1])


@lru_cache(maxsize=65536)
def _kind_of(cell: str) -> str:
    cell = cell.strip(BLANKS)
    if not cell:
        return "blank"
    if len(cell) > LONGEST_CELL:
        return "text"
    if PLAIN_NUMBER.match(cell):
        return "stamp" if len(cell) == 14 and cell.isdigit() and cell[:2] in ("19", "20") else "number"
    missing = missing_kind(cell)
    if missing:
        return missing
    found = match_stamp(cell)
    if found:
        return found[0]
    if cell[-1] != "," and any(any_number(cell, decimal) is not None for decimal in ".,"):
        return "number"
    return "with unit" if WITH_UNIT.match(cell) else "text"


def missing_kind(cell: str) -> str:
    """Return 'absent', 'open' or '' for a cell that is neither."""
    low = cell.strip(BLANKS).casefold()
    if low in ABSENT_WORDS or (_DASHES.match(low) and "+" not in low):
        return "absent"
    return "open" if low in _OPEN_WORDS or _DASHES.match(low) else ""


def split_glued_stamp(cell: str) -> tuple[str, str] | None:
    """Return stamp and reading of a cell in which a blank parts them ('02/17/2026 09:08:14 26.73C'), else None."""
    if " " not in cell or len(cell) > LONGEST_CELL or match_stamp(cell):
        return None
    found = _GLUED_NUMBER.search(cell)
    while found:
        stamp = match_stamp(cell[: found.start()])
        if stamp:
            return cell[: found.start()], found[1]
        found = _GLUED_NUMBER.search(cell, found.start() + 1)
    return None


BLANK_RUN = " "
"""The delimiter of files whose fields are parted by runs of blanks."""

_UNSPLIT = {",": ";\t|", ";": "\t|", "\t": ";|", "|": ";\t", BLANK_RUN: ",;|", "": ",;\t|"}
"""What may part fields, each with the marks that should have parted its fields further."""
_FOREIGN = {"\t": 0.9, ";": 0.5, "|": 0.5}
"""What it counts against a delimiter that another one stands in nearly every line."""
CLOCKLIKE = frozenset({"stamp", "date", "clock"})
NUMERIC = frozenset({"number", "with unit"})
_EMPTY = frozenset({"blank", "absent", "open"})
_SAMPLE, _FEW = 60, 12
_SURE = 1.0
_LOOKED_AT = 200
_MOST_STATED = 12


@dataclass(frozen=True)
class Line:
    """One physical line: its number, counted from 1, and its text."""

    number: int
    text: str


@dataclass(frozen=True)
class Layout:
    """The shape of the table's body.

    Attributes
    ----------
    delimiter, width
        What parts the fields (BLANK_RUN for runs of blanks, '' for none), and how many fields a row has.
    kinds
        A column's kind: 'stamp', 'date', 'clock', 'number', 'blank' or 'text'.
    body_line
        Number of the first row.
    glued
        Whether a blank parts the stamp in the first field from the first reading.
    """

    delimiter: str
    kinds: tuple[str, ...]
    body_line: int
    glued: bool

    @property
    def width(self) -> int:
        """How many fields a row has."""
        return len(self.kinds)

    def split(self, text: str) -> list[str]:
        """Return the fields of a line."""
        return split_line(text, self.delimiter, self.glued)


def split_line(text: str, delimiter: str, glued: bool = False) -> list[str]:
    """Return the fields of one line, quotes taken off and blanks trimmed; a reading glued to its stamp apart."""
    if not delimiter:
        cells = [text.strip(BLANKS).strip('"')]
    elif delimiter == BLANK_RUN:
        text = " ".join(text.split())
        cells = text.split(delimiter) if text else []
    else:
        cells = text.split(delimiter)
    if delimiter and '"' in text:
        with suppress(csv.Error):  # a cell beyond what the parser takes is no cell
            cells = next(csv.reader([text], delimiter=delimiter, skipinitialspace=delimiter != BLANK_RUN), [])
    cells = [cell.strip(BLANKS) for cell in cells]
    parts = split_glued_stamp(cells[0]) if glued and cells else None
    return [*parts, *cells[1:]] if parts else cells


def filled(lines: Iterable[Line]) -> list[Line]:
    """Return the lines that are not blank."""
    return [line for line in lines if line.text.strip(BLANKS)]


def find_layout(lines: Sequence[Line], sample: Sequence[Line], delimiter: str | None) -> Layout | None:
    """Return the layout of the table whose body the sample was taken from, or None where there is none."""
    texts = [line.text for line in filled(sample)]
    partings: list[_Parting] = []
    for part in (texts, texts[-max(12, len(texts) // 3) :]):
        names = _candidates(part) if delimiter is None else [delimiter]
        fitting = [parting for name in names if (parting := _parting(part, name)).width]
        if not fitting and delimiter is None and (whole := _parting(part, "")).width:
            fitting = [whole]
        partings += sorted(fitting, key=lambda parting: -parting.score)[:1]
        if partings and partings[-1].score >= _SURE:
            break
    if not partings:
        return None
    best = max(partings, key=lambda parting: (parting.score, len(parting.texts)))
    name, texts, _, width, glued = best
    if delimiter is None and (width == 1 or _one_column(name, width, lines, texts)):
        name, width, glued = "", 1, False
    rows = [split_line(text, name, glued) for text in texts]
    rows = _in_the_table([row for row in rows if len(row) == width])
    kinds = column_kinds(rows, width)
    kinds = column_kinds([row for row in rows if begins_like_row(row, kinds)] or rows, width)
    # it begins with the first line that fits its kinds, or those like rows right above it
    all_rows = [(line.number, split_line(line.text, name, glued)) for line in filled(lines)]
    place = next((place for place, (_, cells) in enumerate(all_rows) if is_row(cells, kinds)), None)
    if place is None:
        return None
    while place and begins_like_row(all_rows[place - 1][1], kinds):
        place -= 1
    if "blank" in kinds:  # a column that the sample found blank has the kind of its cells in the first rows
        below = [cells for _, cells in all_rows[place:] if begins_like_row(cells, kinds)]
        first = column_kinds(below, width)
        kinds = tuple(there if here == "blank" else here for here, there in zip(kinds, first, strict=True))
    return Layout(name, kinds, all_rows[place][0], glued)


def _candidates(texts: Sequence[str]) -> list[str]:
    inner = [_SIGN_APART.sub(r"\1", text.strip(BLANKS)) for text in texts]
    counts = {name: sum(name in text for text in texts) for name in _UNSPLIT if name}
    counts[BLANK_RUN] = sum(BLANK_RUN in text for text in inner)
    half = len(texts) / 2
    least = 1 if len(texts) <= _FEW else half  # a few rows may have as many lines of words below them
    likely = [name for name, count in counts.items() if count > (half if name == BLANK_RUN else least)]
    return likely or [""]


class _Parting(NamedTuple):
    """How a delimiter parts texts: how well into typed columns, how many (0 for none), whether a stamp is glued."""

    delimiter: str
    texts: list[str]
    score: float = 0.0
    width: int = 0
    glued: bool = False


def _parting(sample: list[str], delimiter: str) -> _Parting:
    texts = sample[:_SAMPLE]
    firsts = [row[0] for row in (split_line(text, delimiter) for text in texts) if row and row[0]]
    glued = bool(firsts) and sum(bool(split_glued_stamp(cell)) for cell in firsts) > 0.7 * len(firsts)
    rows = _in_the_table([split_line(text, delimiter, glued) for text in texts])
    if not rows:
        return _Parting(delimiter, sample)
    width, count = Counter(map(len, rows)).most_common(1)[0]
    share, rows = count / len(rows), [row for row in rows if len(row) == width]
    columns = [column for column in zip(*rows, strict=True) if any(column)]
    typed = sum(map(_is_typed, columns))
    if any(_SIGNS.issuperset(column) for column in columns):  # a sign apart from its number is no column
        return _Parting(delimiter, sample)
    unsplit = sum(_is_unsplit(column, delimiter) for column in columns)
    worth = (typed - unsplit) / max(len(columns), 1) + 0.02 * typed
    worth += 0.2 * (glued or any(kind_of(row[0]) in CLOCKLIKE for row in rows[-3:]))
    against = 0.1 * (delimiter == BLANK_RUN) + 0.4 * (glued and _cut_numbers(texts, rows, delimiter))
    for mark, weight in _FOREIGN.items():  # another mark stands in nearly every line
        against += weight * (mark != delimiter and sum(mark in text for text in texts) >= 0.6 * len(texts))
    score = round(worth * (0.5 + 0.5 * share) - against, 9)
    return _Parting(delimiter, sample, score, width if typed else 0, glued)


def _in_the_table(rows: list[list[str]]) -> list[list[str]]:
    """Return rows that hold a number or time, without a few at both ends that begin with a word unlike the others.

    Where a table has few rows, what is stated above and below it ('Channels,3', 'Count,12') would outvote them.
    Where times stand behind words, only what holds no time is stated.
    """
    kinds = [[*map(kind_of, row)] for row in rows]
    typed = [place for place, each in enumerate(kinds) if not TYPED.isdisjoint(each)]
    within = [place for place in typed if kinds[place][0] in TYPED]
    if len(within) < 2:
        within = [place for place in typed if not CLOCKLIKE.isdisjoint(kinds[place])]
    if len(typed) - len(within) > _MOST_STATED or len(within) < min(2, len(typed) / 2):
        within = typed
    return [rows[place] for place in typed if within[0] <= place <= within[-1]]


def _is_typed(column: Sequence[str]) -> bool:
    kinds = [kind_of(cell) for cell in column]
    typed = sum(kind in TYPED for kind in kinds)
    if not typed and all(cell.upper() in ("AM", "PM") for cell in column):
        return True
    return typed > 0 and typed >= 0.8 * sum(kind not in _EMPTY for kind in kinds)


_SIGN_APART = re.compile(r"(?<![^\s])([+\-−])\s+(?=[0-9.,])")
_MARK_BEFORE_UNIT = re.compile(r"[,;|]\s*[^0-9\s]")
_SIGNS = frozenset("+-−")
_NEVER = re.compile(r"(?!)")
_BLANK_WITHIN = re.compile(r"[0-9,.]\s+[0-9+-]")


def _is_unsplit(column: Sequence[str], delimiter: str) -> bool:
    """Return whether most cells of a column look as if another mark should have parted them."""
    marks = re.escape(_UNSPLIT[delimiter])
    pattern = re.compile(rf"[0-9].*[{marks}]|[{marks}].*[0-9]")
    apart = 0
    for cell in (each[:_LOOKED_AT] for each in column):
        kind = kind_of(cell)
        apart += kind in ("text", "number", "with unit") and bool(_BLANK_WITHIN.search(cell))
        apart += bool({"text": pattern, "with unit": _MARK_BEFORE_UNIT}.get(kind, _NEVER).search(cell))
    return apart * 2 > len(column)


_COMMA_NUMBER = re.compile(  # '7,5', and no compact stamp with a reading behind it
    r" *\"?(?!(?:19|20)[0-9]{12},)[+-]? *[0-9]+(?:[. '’][0-9]{3})*,[0-9]+ ?(?:(?:°|º|deg ?)?[CFK]|℃|℉)?\"? *$",
    re.IGNORECASE,
)
_NAMED_UNIT = re.compile(r", ?(?:°|º|deg ?)?[CFK]\b|, ?℃")


def _one_column(delimiter: str, width: int, lines: Sequence[Line], texts: Sequence[str]) -> bool:
    """Return whether the only comma of each line is a decimal mark: one name stands above, digits on both sides."""
    if delimiter != "," or width != 2:
        return False
    first = next((place for place, line in enumerate(lines) if _COMMA_NUMBER.match(line.text)), len(lines))
    above = filled(lines[:first])[-1:]
    rows = [text for text in texts if kind_of(split_line(text, delimiter)[0]) in TYPED | _EMPTY]
    plain = sum(bool(_COMMA_NUMBER.match(text)) or kind_of(text) in _EMPTY for text in rows)
    named_apart = any("," in _NAMED_UNIT.sub("", line.text) for line in above)
    return bool(rows) and plain >= 0.8 * len(rows) and not named_apart


def _cut_numbers(texts: Sequence[str], rows: Sequence[Sequence[str]], delimiter: str) -> bool:
    """Return whether commas after a glued stamp look like decimal marks: no blank after them, no point anywhere."""
    cells = (cell for row in rows for cell in row[1:])
    whole = all(cell.replace(" ", "").isdigit() or kind_of(cell) in _EMPTY for cell in cells)
    return delimiter == "," and whole and not any(", " in text for text in texts)


def column_kinds(rows: Sequence[Sequence[str]], width: int) -> tuple[str, ...]:
    """Return the kind of each column by its cells: the commonest typed kind, if enough cells are of it."""
    if not rows:
        return ("text",) * width
    kinds = []
    for column in zip(*rows, strict=True):
        counts = Counter("number" if kind in NUMERIC else kind for kind in map(kind_of, column))
        full = sum(count for kind, count in counts.items() if kind not in _EMPTY)
        typed = max(("number", "stamp", "date", "clock"), key=counts.__getitem__)
        if full:
            kinds.append(typed if counts[typed] and counts[typed] >= 0.7 * full else "text")
        else:
            kinds.append("number" if counts["absent"] + counts["open"] > 0.5 * len(column) else "blank")
    return tuple(kinds)


def is_row(cells: Sequence[str], kinds: Sequence[str]) -> bool:
    """Return whether fields fit a table's columns exactly, as the first row of the body must."""
    width = len(kinds)
    if any(cells[width:]) or any(kind not in ("text", "blank") for kind in kinds[len(cells) :]):
        return False
    pairs = [(kind_of(cell), column) for cell, column in zip(cells, kinds, strict=False)]
    clocks = [kind in CLOCKLIKE for kind, column in pairs if column in CLOCKLIKE]
    told = all(clocks) if clocks else any(kind in NUMERIC for kind, _ in pairs)
    return told and all(_fits(kind, column) for kind, column in pairs)


def begins_like_row(cells: Sequence[str], kinds: Sequence[str]) -> bool:
    """Return whether fields are a row's, with a word too many: its time fits, or most of its numbers."""
    if len(cells) != len(kinds):
        return False
    pairs = [(kind_of(cell), column) for cell, column in zip(cells, kinds, strict=True)]
    clocks = [kind in CLOCKLIKE for kind, column in pairs if column in CLOCKLIKE]
    if clocks:
        return all(clocks)
    numbers = [_fits(kind, column) for kind, column in pairs if column == "number"]
    return kinds[0] == "number" and pairs[0][0] in NUMERIC and 2 * sum(numbers) > len(numbers)


def _fits(kind: str, column: str) -> bool:
    if column == "text" or (kind in _EMPTY and column != "blank"):
        return True
    return kind in NUMERIC if column == "number" else kind == column
