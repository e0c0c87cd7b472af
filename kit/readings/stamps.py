"""Clock stamps of any writing to numbers, a whole column at once.

The stamps of a column are sorted by their shape (every digit counts as '0'): a log has few shapes, and
within one all fields stand at the same place, so each field is a few sums over columns of bytes.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from kit.trial.cells import BLANKS, MONTHS, match_compact_date, match_stamp

if TYPE_CHECKING:
    import pyarrow as pa

Ints = npt.NDArray[np.int64]
Small = npt.NDArray[np.int16]
Bools = npt.NDArray[np.bool_]
NO_OFFSET = -32768
YEAR_FIRST, THREE, NO_DATE, NAMED = 1, 2, 3, 4
SECOND = 1_000_000_000
_LONGEST = 64
_MOST_SHAPES = 2000
"""A column of more shapes holds no stamps; the rarer ones are left aside."""

_DIRECTIVES = {
    "Y": r"(?P<y>[0-9]{4})",
    "y": r"(?P<y>[0-9]{2})",
    "m": r"(?P<m>[0-9]{1,2})",
    "d": r"(?P<d>[0-9]{1,2})",
    "H": r"(?P<h>[0-9]{1,3})",
    "I": r"(?P<h>[0-9]{1,2})",
    "M": r"(?P<mi>[0-9]{1,2})",
    "S": r"(?P<s>[0-9]{1,2})",
    "f": r"(?P<f>[0-9]{1,9})",
    "p": r"(?P<half>[ap])\.?\s?m\.?",
    "Q": r"(?P<s>[0-9]{1,2})(?:[.,](?P<f>[0-9]{1,9}))?",
    "b": r"(?P<mon>[^\W\d_]{3,10})\.?",
    "B": r"(?P<mon>[^\W\d_]{3,10})\.?",
    "z": r"(?:(?P<zone>Z)|(?P<off>[+-][0-9]{2}:?[0-9]{2}))",
    "Z": r"(?:(?P<zone>Z|UTC|GMT)|[A-Za-z]{1,5})",
    "a": r"[^\W\d_]{2,4}",
    "A": r"[^\W\d_]+",
    "%": "%",
}


@dataclass(frozen=True)
class Stamps:
    """The fields of a column of stamps, one value a row.

    Attributes
    ----------
    form
        YEAR_FIRST, THREE (order yet to settle), NAMED (a month's name), NO_DATE, or 0 where it is no stamp.
    a, b, c
        The three fields of the date as written; year, month, day where `form` is not THREE.
    nanoseconds
        Time of day, or the duration where there is no date.
    offset
        Minutes east of UTC, NO_OFFSET where none is written.
    separator
        What parts the fields of the date, '' where it varies.
    short_year, padded, has_seconds, twelve
        Whether years have two digits; whether the first field of the date is always two digits long;
        whether seconds are written; whether a.m. or p.m. is.
    """

    form: npt.NDArray[np.int8]
    a: Small
    b: Small
    c: Small
    nanoseconds: Ints
    offset: Small
    separator: str
    short_year: bool
    padded: bool
    has_seconds: bool
    twelve: bool

    def __len__(self) -> int:
        return len(self.form)

    def taken(self, rows: Ints | slice) -> Stamps:
        """Return some rows, in the order given."""
        return replace(self, **{name: getattr(self, name)[rows] for name in _BY_ROW})


_BY_ROW = ("form", "a", "b", "c", "nanoseconds", "offset")


def stamps_of_all(parts: Sequence[Stamps]) -> Stamps:
    """Return the stamps of all pieces of a column."""
    parts = [part for part in parts if len(part)] or parts[:1]
    separators = {part.separator for part in parts}
    return Stamps(
        **{name: np.concatenate([getattr(part, name) for part in parts]) for name in _BY_ROW},
        separator=separators.pop() if len(separators) == 1 else "",
        short_year=any(part.short_year for part in parts),
        padded=all(part.padded for part in parts),
        has_seconds=any(part.has_seconds for part in parts),
        twelve=any(part.twelve for part in parts),
    )


@lru_cache(maxsize=64)
def format_pattern(time_format: str) -> re.Pattern[str]:
    """Return the pattern of a strftime format such as '%d/%m/%Y %H:%M:%S'."""
    parts = re.split(r"%([A-Za-z%])", time_format)
    text, named = "", set[str]()
    for place, part in enumerate(parts):
        piece = _DIRECTIVES.get(part, "(?!)") if place % 2 else re.escape(part)
        for name in re.findall(r"\?P<(\w+)>", piece):
            piece = piece.replace(f"?P<{name}>", "?:") if name in named else piece
            named.add(name)
        text += piece
    return re.compile(rf"\s*{text.replace(chr(92) + ' ', r'[ ]+')}\s*$", re.IGNORECASE)


def parse_stamps(cells: pa.Array, time_format: str | None = None) -> Stamps:
    """Return the fields of a string column of stamps.

    Rows that are no stamps get form 0.
    """
    pattern = format_pattern(time_format) if time_format else None
    data, starts, lengths = _bytes_of(cells)
    total = len(lengths)
    out = _Fields(total)
    for length in np.unique(lengths):
        if not 0 < length <= _LONGEST:
            continue
        rows = np.flatnonzero(lengths == length) if (lengths != length).any() else None
        first = starts if rows is None else starts[rows]
        matrix = _matrix(data, first, int(length))
        for shape_rows in _shapes(matrix):
            part = matrix if shape_rows is None else matrix[shape_rows]
            where = _where(rows, shape_rows)
            _fill(out, where, part, pattern)
    return out.done()


def _where(rows: Ints | None, shape_rows: Ints | None) -> Ints | slice:
    if rows is None:
        return slice(None) if shape_rows is None else shape_rows
    return rows if shape_rows is None else rows[shape_rows]


def _bytes_of(cells: pa.Array) -> tuple[npt.NDArray[np.uint8], Ints, Ints]:
    import pyarrow as pa

    if len(cells) == 0:
        return np.zeros(0, np.uint8), np.zeros(0, np.int64), np.zeros(0, np.int64)
    if cells.null_count:
        cells = cells.fill_null("")
    if pa.types.is_large_string(cells.type):
        cells = cells.cast(pa.string())
    _, offsets, data = cells.buffers()
    bounds = np.frombuffer(offsets, np.int32)[cells.offset : cells.offset + len(cells) + 1].astype(np.int64)
    raw = np.frombuffer(data, np.uint8) if data is not None and data.size else np.zeros(0, np.uint8)
    return raw, bounds[:-1], np.diff(bounds)


def _matrix(data: npt.NDArray[np.uint8], starts: Ints, length: int) -> npt.NDArray[np.uint8]:
    if len(starts) > 1 and (np.diff(starts) == length).all():
        begin = int(starts[0])
        return data[begin : begin + len(starts) * length].reshape(-1, length)
    return np.asarray(data[starts[:, None] + np.arange(length)])


_CLASS = np.arange(256, dtype=np.uint8)
_CLASS[48:58] = 48


def _shapes(matrix: npt.NDArray[np.uint8]) -> list[Ints | None]:
    """Return the rows of each shape; None alone where all rows are of one."""
    shape = _CLASS[matrix]
    if (shape == shape[0]).all():
        return [None]
    weights = np.random.default_rng(20).integers(1, 2**62, size=(shape.shape[1],), dtype=np.int64)
    keys = np.zeros(len(shape), np.int64)
    for column in range(shape.shape[1]):
        if (shape[:, column] != shape[0, column]).any():
            keys += shape[:, column] * weights[column]
    _, inverse, counts = np.unique(keys, return_inverse=True, return_counts=True)
    order = np.argsort(inverse, kind="stable")
    parts: list[Ints | None] = [*np.split(order, np.cumsum(counts)[:-1])]
    if len(parts) > _MOST_SHAPES:
        parts = [parts[place] for place in np.argsort(-counts)[:_MOST_SHAPES].tolist()]
    return parts


class _Fields:
    """The arrays that the shapes of a column are written into."""

    def __init__(self, total: int) -> None:
        self.form = np.zeros(total, np.int8)
        self.a, self.b, self.c = (np.zeros(total, np.int16) for _ in range(3))
        self.nanoseconds = np.zeros(total, np.int64)
        self.offset = np.full(total, NO_OFFSET, np.int16)
        self.separators: set[str] = set()
        self.short_year = self.padded = self.has_seconds = self.twelve = False
        self.unpadded = False
        self.zeros: set[str] = set()
        self.thin: dict[str, Bools] = {}

    def done(self) -> Stamps:
        for name in self.zeros & self.thin.keys():
            self.form[self.thin[name]] = 0  # one digit, where leading zeros are written, is a cut field
        separator = self.separators.pop() if len(self.separators) == 1 else ""
        padded = self.padded and not self.unpadded
        return Stamps(
            self.form,
            self.a,
            self.b,
            self.c,
            self.nanoseconds,
            self.offset,
            separator,
            self.short_year,
            padded,
            self.has_seconds,
            self.twelve,
        )


def _fill(
    out: _Fields, where: Ints | slice, matrix: npt.NDArray[np.uint8], pattern: re.Pattern[str] | None
) -> None:
    text = bytes(matrix[0]).decode("utf-8", "replace")
    if pattern is not None:
        match = pattern.match(text)
    else:
        bare = text.strip(BLANKS)
        found = match_stamp(bare)
        match = found[1] if found else match_compact_date(bare)
    if match is None:
        return
    lead = 0 if pattern is not None else text.index(match[0])
    spans = {
        name: (match.start(name) + lead, match.end(name) + lead)
        for name, value in match.groupdict().items()
        if value
    }
    spans = _byte_spans(text, spans)
    if "s2" in spans:
        spans["s"] = spans.pop("s2")
    has_date = _fill_date(out, where, matrix, spans, match)
    if not has_date:
        out.form[where] = NO_DATE if "h" in spans or "mi" in spans else 0
    if "h" in spans or "mi" in spans:
        _fill_clock(out, where, matrix, spans, match)
        out.has_seconds |= "s" in spans


def _byte_spans(text: str, spans: dict[str, tuple[int, int]]) -> dict[str, tuple[int, int]]:
    if text.isascii():
        return spans
    return {
        name: (len(text[:start].encode()), len(text[:end].encode())) for name, (start, end) in spans.items()
    }


def _digits(matrix: npt.NDArray[np.uint8], span: tuple[int, int]) -> Ints:
    value = np.zeros(len(matrix), np.int64)
    for column in range(*span):
        value *= 10
        value += matrix[:, column]
        value -= 48
    return value


def _fill_date(
    out: _Fields,
    where: Ints | slice,
    matrix: npt.NDArray[np.uint8],
    spans: dict[str, tuple[int, int]],
    match: re.Match[str],
) -> bool:
    if "a" in spans:
        form, names = THREE, ("a", "b", "c")
        out.separators.add(match["sep"])
        out.unpadded |= spans["a"][1] - spans["a"][0] == 1
        out.padded |= spans["a"][1] - spans["a"][0] == 2
    elif "y" in spans or "d" in spans:
        form, names = NAMED if "mon" in spans else YEAR_FIRST, ("y", "m", "d")
    else:
        return False
    month = MONTHS.get(match["mon"].casefold(), 0) if "mon" in spans else None
    if month == 0:
        return False
    fields = [
        _digits(matrix, spans[name]) if name in spans else np.full(len(matrix), month or 0) for name in names
    ]
    year_place = 2 if form == THREE else 0
    year_span = spans.get(names[year_place], (0, 4))
    if year_span[1] - year_span[0] == 2:
        out.short_year = True
        fields[year_place] = fields[year_place] + (2000 if form != THREE else 0)
    for array, field in zip((out.a, out.b, out.c), fields, strict=True):
        array[where] = field
    out.form[where] = form
    return True


def _fill_clock(
    out: _Fields,
    where: Ints | slice,
    matrix: npt.NDArray[np.uint8],
    spans: dict[str, tuple[int, int]],
    match: re.Match[str],
) -> None:
    hours = _digits(matrix, spans["h"]) if "h" in spans else np.zeros(len(matrix), np.int64)
    minutes = _digits(matrix, spans["mi"]) if "mi" in spans else np.zeros(len(matrix), np.int64)
    seconds = _digits(matrix, spans["s"]) if "s" in spans else np.zeros(len(matrix), np.int64)
    if "half" in spans:
        out.twelve = True
        hours = hours % 12 + (12 if match["half"].lower() == "p" else 0)
    amiss = (seconds > 60) | (minutes > 59 if "h" in spans else minutes > 999)
    amiss |= (hours > 24) & (out.form[where] > 0) & (out.form[where] != NO_DATE)
    value = (hours * 3600 + minutes * 60 + seconds) * SECOND
    for name in {"mi", "s"} & spans.keys():
        first, last = spans[name]
        if last - first == 1:
            out.thin.setdefault(name, np.zeros(len(out.form), bool))[where] = True
        elif (matrix[:, first] == ord("0")).any():
            out.zeros.add(name)
    if "f" in spans:
        start, end = spans["f"]
        value += _digits(matrix, (start, end)) * 10 ** (9 - (end - start))
    if "minus" in spans:
        value = -value
    out.nanoseconds[where] = value
    if amiss.any():
        out.form[where] = np.where(amiss, 0, out.form[where])
    if "off" in spans:
        first, last = spans["off"]
        east = _digits(matrix, (first + 1, first + 3)) * 60
        east += _digits(matrix, (last - 2, last)) if last - first > 3 else 0
        out.offset[where] = -east if match["off"][0] == "-" else east
    elif "zone" in spans:
        out.offset[where] = 0


def joined(columns: Sequence[pa.Array], marks: Sequence[str]) -> pa.Array:
    """Return the cells of several columns put together: 'date clock', 'year-month-day hour:minute:second'."""
    import pyarrow.compute as pc

    text = pc.fill_null(columns[0], "")
    for mark, column in zip(marks, columns[1:], strict=True):
        text = pc.binary_join_element_wise(text, pc.fill_null(column, ""), mark)
    return text.combine_chunks() if hasattr(text, "combine_chunks") else text


def days_of(year: Ints, month: Ints, day: Ints) -> Ints:
    """Return days since 1970-01-01 of Gregorian dates.

    By counting years from March, so that the leap day is the last of a year: 365 y + y/4 − y/100 + y/400
    + (153 m + 2)/5 + d − 1.
    """
    year = year - (month <= 2)
    era = np.floor_divide(year, 400)
    of_era = year - era * 400
    of_year = (153 * (month + np.where(month > 2, -3, 9)) + 2) // 5 + day - 1
    return np.asarray(era * 146097 + of_era * 365 + of_era // 4 - of_era // 100 + of_year - 719468, np.int64)


_MONTH_DAYS = np.array([0, 31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])


def is_date(year: Ints, month: Ints, day: Ints) -> Bools:
    """Return which dates the calendar has."""
    fine = (month >= 1) & (month <= 12) & (day >= 1) & (year >= 1)
    longest = _MONTH_DAYS[np.where(fine, month, 0)]
    common = (year % 4 != 0) | ((year % 100 == 0) & (year % 400 != 0))
    return np.asarray(fine & (day <= longest) & ~((month == 2) & (day == 29) & common))


Order = Literal["ymd", "dmy", "mdy"]
DAY = 86_400 * SECOND
_AT_ONCE = 1 << 18


def date_fields(stamps: Stamps, order: Order, rows: Ints | slice) -> tuple[Ints, Ints, Ints]:
    """Return year, month and day of some rows under an order."""
    a, b, c = (field[rows].astype(np.int64) for field in (stamps.a, stamps.b, stamps.c))
    year, month, day = {"ymd": (a, b, c), "dmy": (c, b, a), "mdy": (c, a, b)}[order]
    return np.where(year < 100, year + 2000, year), month, day


def day_numbers(stamps: Stamps, order: Order) -> tuple[Ints, npt.NDArray[np.bool_]]:
    """Return days since 1970-01-01 of every row, and which rows hold a date of the calendar."""
    days, fine = np.zeros(len(stamps), np.int64), np.zeros(len(stamps), bool)
    for first in range(0, len(stamps), _AT_ONCE):
        rows = slice(first, first + _AT_ONCE)
        year, month, day = date_fields(stamps, order, rows)
        fine[rows] = is_date(year, month, day) & (stamps.form[rows] > 0)
        good = fine[rows]
        days[rows] = days_of(year, np.where(good, month, 1), np.where(good, day, 1))
    return days, fine
