"""Where a table keeps its time: stamps in one or several columns, numbers, or nothing but the order of rows."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from kit.errors import Faults, did_you_mean
from kit.readings.cells import WORDS, decimal_evidence, match_dotted_clock, to_number
from kit.readings.header import Header
from kit.readings.headings import (
    TIME_UNITS,
    bare_unit,
    is_index,
    is_millis,
    is_time,
    temperature_unit_in,
    time_unit_in,
)
from kit.readings.layout import Layout

Rows = Sequence[Sequence[str]]
PARTS_FORMAT = "%Y-%m-%d %H:%M:%Q"
NUMERIC_STAMPS = ("unix s", "unix ms", "unix us", "unix ns", "1904 s", "day number")
_UNIT_ALIASES = {
    "sec": "s",
    "second": "s",
    "seconds": "s",
    "minutes": "min",
    "minute": "min",
    "hours": "h",
    "hour": "h",
    "days": "d",
    "unix": "unix s",
    "epoch": "unix s",
    "epoch s": "unix s",
    "epoch ms": "unix ms",
    "excel": "day number",
    "day numbers": "day number",
    "milliseconds": "ms",
}


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


def find_time(
    header: Header, layout: Layout, rows: Rows, declared: Mapping[str, object], place: str, faults: Faults
) -> TimePlan:
    """Return where the time of a table stands."""
    wanted = declared.get("time_column")
    if wanted:
        found = _declared_time(wanted, header, layout, rows, declared, place, faults)
        if found:
            return found
    return (
        _parts(header, layout, rows)
        or _stamp(header, layout, rows, declared)
        or _number(header, layout, rows, declared, place, faults)
        or TimePlan("implied", reason="no column holds the time")
    )


def _declared_time(
    wanted: object,
    header: Header,
    layout: Layout,
    rows: Rows,
    declared: Mapping[str, object],
    place: str,
    faults: Faults,
) -> TimePlan | None:
    headings = (
        [wanted]
        if isinstance(wanted, str)
        else list(wanted)
        if isinstance(wanted, list | tuple)
        else [str(wanted)]
    )
    places = []
    for heading in headings:
        low = [name.casefold() for name in header.names]
        if str(heading).casefold() in low:
            places.append(low.index(str(heading).casefold()))
        elif str(heading).isdigit() and 1 <= int(str(heading)) <= layout.width:
            places.append(int(str(heading)) - 1)
        else:
            known = ", ".join(f"'{name}'" for name in header.names if name)
            faults.refuse(
                f"{place}, [[logger]] key time_column",
                f"no column '{heading}'",
                f"one of {known}",
                did_you_mean(str(heading), header.names),
            )
            return None
    if len(places) == 1 and layout.kinds[places[0]] == "number" and not declared.get("time_format"):
        return _numeric_plan(places[0], header, rows, declared, place, faults, "declared")
    return _text_plan(tuple(places), header, layout, rows, declared, "declared")


def _text_plan(
    places: tuple[int, ...],
    header: Header,
    layout: Layout,
    rows: Rows,
    declared: Mapping[str, object],
    reason: str,
) -> TimePlan:
    places = _with_half(places, layout, rows)
    time_format = declared.get("time_format")
    return TimePlan(
        "stamp",
        places,
        (" ",) * (len(places) - 1),
        str(time_format) if time_format else None,
        _millis(header, layout, places),
        heading=" + ".join(_heading(header, place) for place in places),
        reason=reason,
        beside=_beside(header, layout, places),
    )


def _beside(header: Header, layout: Layout, places: Sequence[int]) -> tuple[int, str] | None:
    for column, name in enumerate(header.names):
        unit = _stated_unit(header, column) if layout.kinds[column] == "number" and is_time(name) else ""
        if unit and column not in places and not is_millis(name):
            return column, unit
    return None


def _heading(header: Header, place: int) -> str:
    return header.names[place] or f"column {place + 1}"


def _with_half(places: tuple[int, ...], layout: Layout, rows: Rows) -> tuple[int, ...]:
    """Add the column that holds nothing but AM and PM after the clock."""
    after = places[-1] + 1
    if after >= layout.width or layout.kinds[after] != "text" or not rows:
        return places
    halves = all(re.fullmatch(r"[ap]\.?\s?m\.?", row[after], re.IGNORECASE) for row in rows)
    return (*places, after) if halves else places


def _millis(header: Header, layout: Layout, places: Sequence[int]) -> int | None:
    for column, name in enumerate(header.names):
        named = is_millis(name) or bare_unit(header.units[column]) == "time:ms"
        if column not in places and layout.kinds[column] == "number" and named:
            return column
    return None


def _parts(header: Header, layout: Layout, rows: Rows) -> TimePlan | None:
    """Return year, month, day, hour, minute, second that stand in columns of their own."""
    names = [re.sub(r"[\W\d_]+", "", name).casefold() for name in header.names]
    found: list[int] = []
    for words in WORDS["dates"]["parts"]:
        match = [
            c
            for c, name in enumerate(names)
            if name in words.split() and c not in found and layout.kinds[c] == "number"
        ]
        if not match:
            break
        found.append(match[0])
    if len(found) < 5:
        found = _parts_by_value(header, layout, rows)
    if len(found) < 5:
        return None
    time_format = PARTS_FORMAT if len(found) == 6 else PARTS_FORMAT.removesuffix(":%Q")
    return TimePlan(
        "stamp",
        tuple(found),
        ("-", "-", " ", ":", ":")[: len(found) - 1],
        time_format,
        _millis(header, layout, found),
        heading=" + ".join(_heading(header, place) for place in found),
        reason="date and clock in columns of their own",
    )


def _parts_by_value(header: Header, layout: Layout, rows: Rows) -> list[int]:
    """Return six leading columns without names that can be nothing but a date and a clock time."""
    if not header.made_up or layout.width < 7 or layout.kinds[:6] != ("number",) * 6 or len(rows) < 3:
        return []
    limits = ((1990, 2100), (1, 12), (1, 31), (0, 23), (0, 59), (0, 60))
    for column, (low, high) in enumerate(limits):
        values = [to_number(row[column], ".") for row in rows]
        if not all(
            value is not None and low <= value <= high and (value == int(value) or column == 5)
            for value in values
        ):
            return []
    return list(range(6))


def _stamp(header: Header, layout: Layout, rows: Rows, declared: Mapping[str, object]) -> TimePlan | None:
    kinds = layout.kinds
    stamps = [c for c, kind in enumerate(kinds) if kind == "stamp"]
    clocks = [c for c, kind in enumerate(kinds) if kind == "clock"]
    dates = [c for c, kind in enumerate(kinds) if kind == "date"]
    dates += [
        c for c, kind in enumerate(kinds) if kind == "number" and _is_compact_date(header.names[c], c, rows)
    ]
    if stamps:
        moving = [c for c in stamps if len({row[c] for row in rows}) > 1] or stamps
        return _text_plan((moving[0],), header, layout, rows, declared, "holds stamps")
    if dates and not clocks:
        clocks = [c for c in dates if _is_dotted_clock(c, header.names[c], dates, rows)]
        dates = [c for c in dates if c not in clocks]
        if clocks and not dates:
            return replace(
                _text_plan(
                    (clocks[0],), header, layout, rows, declared, "holds clock times parted by points"
                ),
                format=str(declared.get("time_format") or "%H.%M.%S"),
            )
    if dates and clocks:
        date = min(dates, key=lambda c: abs(c - clocks[0]))
        return _text_plan((date, clocks[0]), header, layout, rows, declared, "date and clock in two columns")
    if clocks:
        moving = [c for c in clocks if len({row[c] for row in rows}) > 1] or clocks
        return _text_plan((moving[0],), header, layout, rows, declared, "holds clock times")
    return None


def _is_dotted_clock(column: int, name: str, dates: Sequence[int], rows: Rows) -> bool:
    """Return whether what could be dates are clock times: named so, or changing within one date of another column."""
    cells = [row[column] for row in rows if row[column]]
    matches = [match_dotted_clock(cell) for cell in cells]
    if not all(
        match and int(match["h"]) < 24 and int(match["mi"]) < 60 and int(match["s"]) < 60 for match in matches
    ):
        return False
    others = [len({row[each] for row in rows}) for each in dates if each != column]
    named = bool(re.search(rf"zeit|time|{WORDS['headings']['clock']}", name, re.IGNORECASE))
    return (
        len(set(cells)) > 1
        and (named or any(count < len(set(cells)) for count in others))
        and (
            bool(others)
            or (named and any(int(cell.split(".")[1]) > 12 or cell.startswith("0") for cell in cells))
        )
    )


def _is_compact_date(name: str, column: int, rows: Rows) -> bool:
    pattern = re.compile(r"(?:19|20)[0-9]{2}(?:0[1-9]|1[0-2])(?:0[1-9]|[12][0-9]|3[01])$")
    return bool(rows) and is_time(name) and all(pattern.match(row[column]) for row in rows)


def _number(
    header: Header, layout: Layout, rows: Rows, declared: Mapping[str, object], place: str, faults: Faults
) -> TimePlan | None:
    numeric = [c for c, kind in enumerate(layout.kinds) if kind == "number"]
    united = [c for c in numeric if _stated_unit(header, c) and not temperature_unit_in(header.names[c])]
    named = [c for c in numeric if is_time(header.names[c])]
    united = [c for c in united if c in named or _rises(c, rows)]
    sizes = {c: _size(c, rows, "") for c in numeric}
    sized = [c for c in numeric if not header.names[c] or c in named]
    stamped = [c for c in numeric if sizes[c] and (c in sized or sizes[c] != "day number")]
    found = [c for c in named if c in united] or stamped or united or named
    if found:
        return _numeric_plan(
            found[0],
            header,
            rows,
            declared,
            place,
            faults,
            "named as time" if found[0] in named else "holds times",
        )
    if header.made_up or not any(header.names):
        return _unnamed(numeric, header, rows, declared, place, faults)
    return None


def _stated_unit(header: Header, column: int) -> str:
    unit = bare_unit(header.units[column])
    if unit.startswith("time:"):
        return unit.removeprefix("time:")
    brackets = re.findall(r"[(\[{]\s*([^)\]}]*?)\s*[)\]}]", header.names[column])
    stated = next((bare_unit(text) for text in brackets if bare_unit(text).startswith("time:")), "")
    return stated.removeprefix("time:") or (
        time_unit_in(header.names[column]) if is_time(header.names[column]) else ""
    )


def _unnamed(
    numeric: Sequence[int],
    header: Header,
    rows: Rows,
    declared: Mapping[str, object],
    place: str,
    faults: Faults,
) -> TimePlan | None:
    rising = [column for column in numeric[:2] if _rises(column, rows)]
    if not rising or len(numeric) < 2 or len(rows) < 3:
        return None
    column = rising[0]
    if len(rising) == 2 and _steps_by_one(rising[0], rows):
        column = rising[1]
    return _numeric_plan(column, header, rows, declared, place, faults, "the first column that always rises")


def _values(column: int, rows: Rows) -> list[float]:
    mark = "," if any(decimal_evidence(row[column]) == "," for row in rows) else "."
    found = (to_number(row[column], mark) for row in rows)
    return [value for value in found if value is not None]


def _rises(column: int, rows: Rows) -> bool:
    steps = np.diff(_values(column, rows))
    return len(steps) > 1 and bool((steps > 0).all())


def _steps_by_one(column: int, rows: Rows) -> bool:
    values = _values(column, rows)
    return len(values) > 1 and values[0] in (0.0, 1.0) and bool((np.diff(values) == 1).all())


def _size(column: int, rows: Rows, unit: str) -> str:
    """Return which numeric stamp a column's size makes it, or '' for none.

    Unix seconds are about 1.4e9 to 2e9, seconds since 1904 3e9 to 4e9, day numbers 3e4 to 6e4 with
    steps far below a day.
    """
    values = _values(column, rows)
    if not values:
        return ""
    low, high = min(values), max(values)
    bounds = (
        ("unix s", 9.4e8, 2.6e9),
        ("1904 s", 2.9e9, 4.5e9),
        ("unix ms", 9.4e11, 2.6e12),
        ("unix us", 9.4e14, 2.6e15),
        ("unix ns", 9.4e17, 2.6e18),
    )
    for name, least, most in bounds:
        if low >= least and high <= most:
            return name
    if (
        not unit
        and low >= 3e4
        and high <= 6e4
        and any(value != int(value) for value in values)
        and high - low < 40
    ):
        return "day number"
    return ""


def _numeric_plan(
    column: int,
    header: Header,
    rows: Rows,
    declared: Mapping[str, object],
    place: str,
    faults: Faults,
    reason: str,
) -> TimePlan:
    wanted = str(declared.get("time_unit") or "").strip().casefold()
    unit = _UNIT_ALIASES.get(wanted, wanted) if wanted else ""
    if wanted and unit not in TIME_UNITS and unit not in NUMERIC_STAMPS:
        faults.refuse(
            f"{place}, [[logger]] key time_unit",
            f"'{wanted}'",
            "one of " + ", ".join([*TIME_UNITS, *NUMERIC_STAMPS]),
            did_you_mean(wanted, [*TIME_UNITS, *NUMERIC_STAMPS]),
        )
    stated = _stated_unit(header, column)
    unit = unit or _size(column, rows, stated) or stated
    return TimePlan("number", (column,), unit=unit, heading=_heading(header, column), reason=reason)


def counts_rows(name: str) -> bool:
    """Return whether a heading is a running number's."""
    return bool(name) and is_index(name)
