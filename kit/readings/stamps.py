"""Clock stamps of any writing to numbers, a whole column at once, and from zone to zone.

The stamps of a column are sorted by their shape (every digit counts as '0'): a log has few shapes, and
within one all fields stand at the same place, so each field is a few sums over columns of bytes.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal, cast
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.trial.cells import BLANKS, COMPACT_DATE, MONTHS, Bools, Codes, Floats, Ints, match_stamp

if TYPE_CHECKING:
    import pyarrow as pa

Small = npt.NDArray[np.int16]
NO_OFFSET = -32768
YEAR_FIRST, THREE, NO_DATE, NAMED = 1, 2, 3, 4
SECOND = 1_000_000_000
_LONGEST = 64
_MOST_SHAPES = 2000
"""A column of more shapes holds no stamps; the rarer ones are left aside."""
_CLASS = np.arange(256, dtype=np.uint8)
_CLASS[48:58] = 48
_NUMBERS = ("a", "b", "c", "y", "m", "d", "h", "mi", "s", "f")

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
    written
        What was seen in any row: 's' seconds, 'half' a.m. or p.m., 'yy' a year of two digits, and each of '-/.'
        that parts the fields of a date of open order.
    """

    form: Codes
    a: Small
    b: Small
    c: Small
    nanoseconds: Ints
    offset: Small
    written: frozenset[str]

    def __len__(self) -> int:
        return len(self.form)

    @property
    def separators(self) -> frozenset[str]:
        """What parts the fields of dates whose order is open."""
        return self.written & {"-", "/", "."}

    def date_code(self) -> Ints:
        """Return one number a row that is equal where the dates are, whatever their order."""
        return (self.c * np.int64(40_000) + self.b) * 40_000 + self.a

    def taken(self, rows: Ints | slice) -> Stamps:
        """Return some rows, in the order given."""
        return replace(self, **{name: getattr(self, name)[rows] for name in _BY_ROW})


_BY_ROW = {
    **{"form": np.int8, "a": np.int16, "b": np.int16, "c": np.int16},
    **{"nanoseconds": np.int64, "offset": np.int16},
}


def stamps_of_all(parts: Sequence[Stamps]) -> Stamps:
    """Return the stamps of all pieces of a column."""
    columns = {name: np.concatenate([getattr(part, name) for part in parts]) for name in _BY_ROW}
    return Stamps(**columns, written=frozenset().union(*(part.written for part in parts)))


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
    columns: dict[str, Any] = {name: np.zeros(len(cells), kind) for name, kind in _BY_ROW.items()}
    columns["offset"][:] = NO_OFFSET
    written, padded, thin = set[str](), set[str](), dict[str, Bools]()
    for where, matrix in _by_shape(cells):
        match, spans = _match(bytes(matrix[0]).decode("utf-8", "replace"), pattern)
        if match is None:
            continue
        digits = {name: _digits(matrix, spans[name]) for name in _NUMBERS if name in spans}
        form, date = _date(digits, match)
        columns["form"][where] = form
        for name, values in zip("abc", date, strict=False):
            columns[name][where] = values
        if form == THREE:
            written.add(match["sep"])
        if (year := spans.get("c", spans.get("y"))) and year[1] - year[0] == 2:
            written.add("yy")
        if "h" not in spans and "mi" not in spans:
            continue
        written |= {"s", "half"} & spans.keys()
        time, is_one = _clock(digits, spans, match)
        columns["nanoseconds"][where] = time
        columns["form"][where] = np.where(is_one, form or NO_DATE, 0)
        if "off" in spans:  # '+02', '+0200' or '+02:00'
            first, last = spans["off"]
            east = _digits(matrix, (first + 1, first + 3)) * 60
            east += _digits(matrix, (last - 2, last)) if last - first > 3 else 0
            columns["offset"][where] = np.where(matrix[:, first] == ord("-"), -east, east)
        elif "zone" in spans:
            columns["offset"][where] = 0
        for name in {"mi", "s"} & spans.keys():
            first, last = spans[name]
            if last - first == 1:
                thin.setdefault(name, np.zeros(len(cells), bool))[where] = True
            elif (matrix[:, first] == ord("0")).any():
                padded.add(name)
    for name in padded & thin.keys():
        columns["form"][thin[name]] = 0  # one digit, where leading zeros are written, is a cut field
    return Stamps(**columns, written=frozenset(written))


def _by_shape(cells: pa.Array) -> Iterator[tuple[Ints | slice, npt.NDArray[np.uint8]]]:
    """Yield the rows of each shape and their bytes, a row each."""
    import pyarrow as pa

    _, offsets, data = cells.fill_null("").cast(pa.string()).buffers()
    if not len(cells) or data is None or not data.size:
        return
    bounds = np.frombuffer(offsets, np.int32)[cells.offset : cells.offset + len(cells) + 1].astype(np.int64)
    signs, lengths = np.frombuffer(data, np.uint8), np.diff(bounds)
    classes = pa.py_buffer(_CLASS[signs])
    shapes = pa.StringArray.from_buffers(len(cells), offsets, classes, offset=cells.offset)
    shape = shapes.dictionary_encode().indices.to_numpy()
    counts = np.bincount(shape)
    parts = np.split(np.argsort(shape, kind="stable"), np.cumsum(counts)[:-1])
    for rows in (parts[place] for place in np.argsort(-counts, kind="stable")[:_MOST_SHAPES].tolist()):
        first, length = bounds[rows], int(lengths[rows[0]])
        if not 0 < length <= _LONGEST:
            continue
        if (np.diff(first) == length).all():
            matrix = signs[first[0] : first[0] + len(first) * length].reshape(-1, length)
        else:
            matrix = signs[first[:, None] + np.arange(length)]
        yield (rows if len(parts) > 1 else slice(None)), matrix


Span = tuple[int, int]


def _match(text: str, pattern: re.Pattern[str] | None) -> tuple[re.Match[str] | None, dict[str, Span]]:
    """Return the match of a stamp and where its fields stand, in bytes."""
    bare = text if pattern is not None else text.strip(BLANKS)
    if pattern is not None:
        match = pattern.match(bare)
    else:
        stamp = match_stamp(bare)
        match = stamp[1] if stamp else COMPACT_DATE.fullmatch(bare)
    if match is None:
        return None, {}
    lead = text.index(bare)
    spans = {
        name: tuple(len(text[: lead + place].encode()) for place in match.span(name))
        for name, value in match.groupdict().items()
        if value
    }
    if "s2" in spans:
        spans["s"] = spans.pop("s2")
    return match, cast("dict[str, Span]", spans)


def _digits(matrix: npt.NDArray[np.uint8], span: Span) -> Ints:
    value = np.zeros(len(matrix), np.int64)
    for column in range(*span):
        value *= 10
        value += matrix[:, column]
        value -= 48
    return value


def _date(digits: Mapping[str, Ints], match: re.Match[str]) -> tuple[int, tuple[Any, ...]]:
    """Return the form of a date and its three fields, (0, ()) where there is none."""
    if "a" in digits:
        return THREE, (digits["a"], digits["b"], digits["c"])
    month = match.groupdict().get("mon")
    if not digits.keys() & {"y", "d"} or (month and month.casefold() not in MONTHS):
        return 0, ()
    year = digits.get("y", np.int64(0))
    century = 2000 if "y" in digits and len(match["y"]) == 2 else 0
    of_year = MONTHS[month.casefold()] if month else digits.get("m", 0)
    return (NAMED if month else YEAR_FIRST), (year + century, of_year, digits.get("d", 0))


def _clock(digits: Mapping[str, Ints], spans: Mapping[str, Span], match: re.Match[str]) -> tuple[Ints, Bools]:
    """Return nanoseconds of a time of day or a duration, and where it is one."""
    hours, minutes, seconds = (digits.get(name, np.int64(0)) for name in ("h", "mi", "s"))
    if "half" in spans:
        hours = hours % 12 + (12 if match["half"].lower() == "p" else 0)
    is_one = (seconds <= 60) & (minutes <= (59 if "h" in spans else 999))
    if digits.keys() & {"a", "y", "d"}:
        is_one &= hours <= 24
    time = (hours * 3600 + minutes * 60 + seconds) * SECOND
    if "f" in spans:
        time = time + digits["f"] * 10 ** (9 - (spans["f"][1] - spans["f"][0]))
    return np.asarray(-time if "minus" in spans else time), np.asarray(is_one)


def nanoseconds_of(millis: Floats) -> Ints:
    """Return what a column of milliseconds adds to its stamps; nothing where it holds no number."""
    return np.asarray(np.rint(np.clip(np.nan_to_num(millis), -1e9, 1e9) * 1e6), np.int64)


def days_of(year: Ints, month: Ints, day: Ints) -> tuple[Ints, Bools]:
    """Return days since 1970-01-01 of dates, and which of them the calendar has."""
    fine = (month >= 1) & (month <= 12) & (day >= 1) & (year >= 1)
    months = np.where(fine, (year - 1970) * 12 + month - 1, 0).astype("datetime64[M]")
    first = months.astype("datetime64[D]")
    fine &= first + (day - 1) < (months + 1).astype("datetime64[D]")
    return np.where(fine, first.astype(np.int64) + day - 1, 0), fine


Order = Literal["ymd", "dmy", "mdy"]
DAY = 86_400 * SECOND
_AT_ONCE = 1 << 18


def date_fields(stamps: Stamps, order: Order, rows: Ints | slice) -> tuple[Ints, Ints, Ints]:
    """Return year, month and day of some rows under an order."""
    a, b, c = (field[rows].astype(np.int64) for field in (stamps.a, stamps.b, stamps.c))
    year, month, day = {"ymd": (a, b, c), "dmy": (c, b, a), "mdy": (c, a, b)}[order]
    return np.where(year < 100, year + 2000, year), month, day


def day_numbers(stamps: Stamps, order: Order) -> tuple[Ints, Bools]:
    """Return days since 1970-01-01 of every row, and which rows hold a date of the calendar."""
    days, fine = np.zeros(len(stamps), np.int64), np.zeros(len(stamps), bool)
    for first in range(0, len(stamps), _AT_ONCE):
        rows = slice(first, first + _AT_ONCE)
        days[rows], fine[rows] = days_of(*date_fields(stamps, order, rows))
    return days, fine & (stamps.form > 0)


def to_utc(time: Ints, zone: str) -> Ints:
    """Return UTC nanoseconds of local stamps, the repeated hour told apart by the order of the rows."""
    slots, inverse = np.unique(np.floor_divide(time, 900 * SECOND), return_inverse=True)
    epoch = datetime(1970, 1, 1, tzinfo=ZoneInfo(zone))
    begins = [epoch + timedelta(minutes=15 * slot) for slot in slots.tolist()]
    early, late = (
        np.array([begin.replace(fold=fold).utcoffset() for begin in begins], "m8[ns]").view(np.int64)[inverse]
        for fold in (0, 1)
    )
    utc, doubtful = time - early, np.flatnonzero(early != late)
    stretch = np.cumsum(np.diff(doubtful, prepend=-2) > 1)
    stepped_back = pd.Series(np.diff(time, prepend=time[:1])[doubtful] < 0)
    second_pass = doubtful[stepped_back.groupby(stretch).cummax().to_numpy(bool)]
    utc[second_pass] = (time - late)[second_pass]
    return np.asarray(utc, np.int64)


def to_local(utc: Ints, zone: str) -> Ints:
    """Return local clock times of UTC nanoseconds."""
    return np.asarray(pd.DatetimeIndex(utc, tz=zone).tz_localize(None).asi8, np.int64)
