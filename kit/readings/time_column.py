"""Where a table keeps its time: stamps in one or several columns, numbers, or nothing but the order of rows."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from kit.errors import did_you_mean
from kit.readings.headings import (
    SCALES,
    TIME_UNITS,
    TIME_WORDS,
    bare_unit,
    column_of,
    is_time,
    names,
    temperature_unit_in,
    time_unit_in,
)
from kit.readings.open_log import OpenLog
from kit.trial.cells import DOTTED_CLOCK, WORDS, split_unit, to_number

PARTS_FORMAT = "%Y-%m-%d %H:%M:%Q"
NUMERIC_STAMPS = ("unix s", "unix ms", "unix us", "unix ns", "1904 s", "day number")
_ALIASES = {
    **TIME_WORDS,
    **{"unix": "unix s", "epoch": "unix s", "epoch s": "unix s", "epoch ms": "unix ms"},
    **{"excel": "day number", "day numbers": "day number"},
}
_SIZES = (
    ("unix s", 9.4e8, 2.6e9),
    ("1904 s", 2.9e9, 4.5e9),
    ("unix ms", 9.4e11, 2.6e12),
    ("unix us", 9.4e14, 2.6e15),
    ("unix ns", 9.4e17, 2.6e18),
)
"""What numbers of a size count: Unix seconds are about 1.4e9 to 2e9, seconds since 1904 3e9 to 4e9."""
_COMPACT_DATE = re.compile(r"(?:19|20)[0-9]{2}(?:0[1-9]|1[0-2])(?:0[1-9]|[12][0-9]|3[01])")
_HALF = re.compile(r"[ap]\.?\s?m\.?", re.IGNORECASE)


@dataclass(frozen=True)
class TimePlan:
    """Where the time stands and how it is written.

    Attributes
    ----------
    kind
        'stamp' (text in one or more columns), 'number', or 'implied' (rows a fixed step apart).
    places, marks
        The columns that hold it, and what their texts are joined with.
    format
        A declared or implied strftime format, or None.
    millis
        Column of the milliseconds that go with the stamp, or None.
    unit
        Of a number: 's', 'ms', 'min', 'h', 'd', one of NUMERIC_STAMPS, or '' where it is not known.
    beside
        Column and unit of elapsed times beside coarse stamps, or None.
    heading, reason
        The heading it goes by, and why it was taken.
    """

    kind: Literal["stamp", "number", "implied"]
    places: tuple[int, ...] = ()
    marks: tuple[str, ...] = ()
    format: str | None = None
    millis: int | None = None
    unit: str = ""
    beside: tuple[int, str] | None = None
    heading: str = ""
    reason: str = ""


def find_time(log: OpenLog) -> TimePlan:
    """Return where the time of a table stands."""
    return (
        _declared(log)
        or _parts(log)
        or _stamp(log)
        or _number(log)
        or TimePlan("implied", reason="no column holds the time")
    )


def _declared(log: OpenLog) -> TimePlan | None:
    places: list[int] = []
    for heading in log.keys.time_column or ():
        if (place := column_of(heading, log.header.names)) is not None:
            places.append(place)
        elif heading.isdigit() and 1 <= int(heading) <= log.layout.width:
            places.append(int(heading) - 1)
        else:
            log.refuse_name("time_column", f"no column '{heading}'", heading, log.header.names)
            return None
    if not places:
        return None
    if len(places) == 1 and log.layout.kinds[places[0]] == "number" and not log.keys.time_format:
        return _in_numbers(log, places[0], "declared")
    return _in_text(log, places, "declared")


def _in_text(log: OpenLog, places: Sequence[int], reason: str) -> TimePlan:
    after = places[-1] + 1
    halves = log.layout.kinds[after : after + 1] == ("text",) and log.rows
    if halves and all(map(_HALF.fullmatch, log.cells(after))):  # nothing but AM and PM after the clock
        places = [*places, after]
    plan = _stamps(log, places, reason)
    elapsed = (
        (column, _stated_unit(log, column))
        for column in log.numeric()
        if column not in places
        and is_time(log.header.names[column])
        and not names("millis", log.header.names[column])
    )
    beside = next((each for each in elapsed if each[1]), None)
    marks = (" ",) * (len(places) - 1)
    return replace(plan, marks=marks, format=log.keys.time_format or None, beside=beside)


def _stamps(log: OpenLog, places: Sequence[int], reason: str) -> TimePlan:
    """Return the plan of a time in texts, with the column of milliseconds that goes with them."""
    header = log.header
    millis = (
        column
        for column in log.numeric()
        if column not in places
        and (names("millis", header.names[column].strip()) or bare_unit(header.units[column]) == "time:ms")
    )
    return TimePlan(
        "stamp", tuple(places), millis=next(millis, None), heading=_heading(log, places), reason=reason
    )


def _heading(log: OpenLog, places: Sequence[int]) -> str:
    return " + ".join(log.header.names[place] or f"column {place + 1}" for place in places)


def _parts(log: OpenLog) -> TimePlan | None:
    """Return year, month, day, hour, minute, second that stand in columns of their own."""
    bare = [re.sub(r"[\W\d_]+", "", name).casefold() for name in log.header.names]
    places: list[int] = []
    for words in WORDS["dates"]["parts"]:
        match = [column for column in log.numeric() if bare[column] in words.split() and column not in places]
        if not match:
            break
        places.append(match[0])
    if len(places) < 5:
        places = [*range(6)] if _are_parts(log) else []
    if not places:
        return None
    plan = _stamps(log, places, "date and clock in columns of their own")
    marks = ("-", "-", " ", ":", ":")[: len(places) - 1]
    return replace(plan, marks=marks, format=PARTS_FORMAT.removesuffix(":%Q" if len(places) == 5 else ""))


def _are_parts(log: OpenLog) -> bool:
    """Return whether six leading columns without names can be nothing but a date and a clock time."""
    if (
        not log.header.made_up
        or log.layout.width < 7
        or log.numeric()[:6] != [*range(6)]
        or len(log.rows) < 3
    ):
        return False
    limits = ((1990, 2100), (1, 12), (1, 31), (0, 23), (0, 59), (0, 60))
    values = [(to_number(cell, "."), place) for row in log.rows for place, cell in enumerate(row[:6])]
    return all(
        value is not None
        and limits[place][0] <= value <= limits[place][1]
        and (value == int(value) or place == 5)
        for value, place in values
    )


def _stamp(log: OpenLog) -> TimePlan | None:
    kinds = log.layout.kinds
    stamps, clocks, dates = (
        [c for c, k in enumerate(kinds) if k == kind] for kind in ("stamp", "clock", "date")
    )
    if stamps:
        return _in_text(log, [_moving(log, stamps)], "holds stamps")
    for column in log.numeric() if log.rows else ():
        if is_time(log.header.names[column]) and all(map(_COMPACT_DATE.fullmatch, log.cells(column))):
            dates.append(column)
    dotted = [] if clocks else [c for c in dates if _is_dotted_clock(log, c, dates)]
    clocks, dates = clocks or dotted, [c for c in dates if c not in dotted]
    if dates and clocks:
        date = min(dates, key=lambda column: abs(column - clocks[0]))
        return _in_text(log, [date, clocks[0]], "date and clock in two columns")
    if not clocks:
        return None
    plan = _in_text(log, [_moving(log, clocks)], "holds clock times")
    return replace(plan, format=plan.format or "%H.%M.%S") if dotted else plan


def _moving(log: OpenLog, columns: Sequence[int]) -> int:
    """Return the first column whose cells change, else the first."""
    return next((column for column in columns if len(set(log.cells(column))) > 1), columns[0])


def _is_dotted_clock(log: OpenLog, column: int, dates: Sequence[int]) -> bool:
    """Return whether what could be dates are clock times: named so, or changing within one date of another column."""
    cells = {cell for cell in log.cells(column) if cell}
    clocks = [DOTTED_CLOCK.fullmatch(cell) for cell in cells]
    if len(cells) < 2 or not all(
        clock and int(clock["h"]) < 24 and int(clock["mi"]) < 60 and int(clock["s"]) < 60 for clock in clocks
    ):
        return False
    named = re.search(rf"zeit|time|{WORDS['headings']['clock']}", log.header.names[column], re.IGNORECASE)
    others = [len(set(log.cells(other))) for other in dates if other != column]
    if others:
        return bool(named) or min(others) < len(cells)
    return bool(named) and any(int(cell.split(".")[1]) > 12 or cell.startswith("0") for cell in cells)


def _number(log: OpenLog) -> TimePlan | None:
    headings = log.header.names
    numeric = [c for c in log.numeric() if not _carries_unit(log, c)]
    named = [c for c in numeric if is_time(headings[c])]
    united = [c for c in numeric if _stated_unit(log, c) and not temperature_unit_in(headings[c])]
    united = [c for c in united if c in named or _goes_on(log.values(c))]
    sizes = {c: _size(log.values(c)) for c in numeric}
    stamped = [c for c in numeric if sizes[c] and (not headings[c] or c in named or sizes[c] != "day number")]
    columns = [c for c in named if c in united] or stamped or united or named
    if columns:
        return _in_numbers(log, columns[0], "named as time" if columns[0] in named else "holds times")
    if not log.header.made_up and any(headings):
        return None
    rising = [column for column in numeric[:2] if _rises(log.values(column))]
    if not rising or len(log.numeric()) < 2 or len(log.rows) < 3:
        return None
    first = log.values(rising[0])
    counts = len(rising) == 2 and first[0] in (0.0, 1.0) and bool((np.diff(first) == 1).all())
    return _in_numbers(log, rising[counts], "the first column that always rises")


def _carries_unit(log: OpenLog, column: int) -> bool:
    """Return whether most cells of a column carry a unit of temperature, or it stands beside them: no time has one."""
    cells = log.cells(column)
    beside = log.cells(column + 1) if log.layout.kinds[column + 1 : column + 2] == ("text",) else []
    units = {bare_unit(cell) for cell in beside if cell}
    glued = 2 * sum(bool(split_unit(cell)[1]) for cell in cells) > len(cells)
    return glued or (bool(units) and units <= {*SCALES.values()})


def _rises(values: Sequence[float]) -> bool:
    return len(values) > 2 and bool((np.diff(values) > 0).all())


def _goes_on(values: Sequence[float]) -> bool:
    """Return whether numbers never fall, and rise at all: several rows of one time in the long form."""
    steps = np.diff(values)
    return len(values) > 2 and bool((steps >= 0).all() and steps.any())


def _stated_unit(log: OpenLog, column: int) -> str:
    name = log.header.names[column]
    for text in (log.header.units[column], *re.findall(r"[(\[{]\s*([^)\]}]*?)\s*[)\]}]", name)):
        if bare_unit(text).startswith("time:"):
            return bare_unit(text).removeprefix("time:")
    return time_unit_in(name) if is_time(name) else ""


def _size(values: Sequence[float]) -> str:
    """Return which numeric stamp a column's size makes it, '' for none; day numbers step far below a day."""
    if not values:
        return ""
    low, high = min(values), max(values)
    day = low >= 3e4 and high <= 6e4 and high - low < 40 and any(value != int(value) for value in values)
    named = (name for name, least, most in _SIZES if low >= least and high <= most)
    return next(named, "day number" if day else "")


def _in_numbers(log: OpenLog, column: int, reason: str) -> TimePlan:
    wanted = (log.keys.time_unit or "").casefold()
    unit, known = _ALIASES.get(wanted, wanted), [*TIME_UNITS, *NUMERIC_STAMPS]
    if unit and unit not in known:
        log.refuse_key("time_unit", f"'{wanted}'", "one of " + ", ".join(known), did_you_mean(wanted, known))
    stated, size = _stated_unit(log, column), _size(log.values(column))
    size = "" if size == "day number" and stated else size
    return TimePlan(
        "number", (column,), unit=unit or size or stated, heading=_heading(log, [column]), reason=reason
    )
