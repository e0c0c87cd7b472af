"""What each column of a table is: the time, stamps or numbers or none; temperatures and their units; words; others."""

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import permutations
from typing import Literal

import numpy as np

from kit.errors import did_you_mean
from kit.readings.headings import (
    SCALES,
    TIME_UNITS,
    TIME_WORDS,
    bare_unit,
    column_of,
    could_be_temperature,
    is_enumerated,
    is_no_temperature,
    is_time,
    letter_unit_in,
    names,
    other_unit_in,
    stated_unit,
    temperature_unit_in,
    time_unit_in,
)
from kit.readings.open_log import OpenLog
from kit.readings.source import kind_of
from kit.trial.cells import DOTTED_CLOCK, WORDS, Floats, split_unit, to_number

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
        The columns that hold it, and the signs their texts are joined with.
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
    marks: str = ""
    format: str | None = None
    millis: int | None = None
    unit: str = ""
    beside: tuple[int, str] | None = None
    heading: str = ""
    reason: str = ""


def find_time(log: OpenLog) -> TimePlan:
    """Return where the time of a table stands."""
    for find in (_declared, _parts, _stamp, _number):
        if plan := find(log):
            return plan
    return TimePlan("implied", reason="no column holds the time")


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
    others = [(c, log.header.names[c]) for c in log.numeric() if c not in places]
    elapsed = [(c, _stated_unit(log, c)) for c, name in others if is_time(name) and not names("millis", name)]
    beside = next((each for each in elapsed if each[1]), None)
    return replace(_stamps(log, places, " " * (len(places) - 1), log.keys.time_format, reason), beside=beside)


def _stamps(
    log: OpenLog, places: Sequence[int], marks: str, time_format: str | None, reason: str
) -> TimePlan:
    """Return the plan of a time in texts, with the column of milliseconds that goes with them."""
    others = [(c, log.header.names[c].strip(), log.header.units[c]) for c in log.numeric() if c not in places]
    millis = [c for c, name, unit in others if names("millis", name) or bare_unit(unit) == "time:ms"]
    heading, fine = _heading(log, places), millis[0] if millis else None
    return TimePlan("stamp", tuple(places), marks, time_format or None, fine, heading=heading, reason=reason)


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
    marks, time_format = "-- ::"[: len(places) - 1], "%Y-%m-%d %H:%M" + ":%Q" * (len(places) == 6)
    return _stamps(log, places, marks, time_format, "date and clock in columns of their own")


def _are_parts(log: OpenLog) -> bool:
    """Return whether six leading columns without names can be nothing but a date and a clock time."""
    leads = log.numeric()[:6] == [*range(6)] and log.layout.width > 6
    if not log.header.made_up or not leads or len(log.rows) < 3:
        return False
    limits = ((1990, 2100), (1, 12), (1, 31), (0, 23), (0, 59), (0, 60))
    values = [(to_number(cell, "."), place) for row in log.rows for place, cell in enumerate(row[:6])]
    return all(
        value in range(limits[place][0], limits[place][1] + 1) or (place == 5 and value and 0 < value < 60)
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
    times = [clock and (int(clock["h"]), int(clock["mi"]), int(clock["s"])) for clock in clocks]
    if len(cells) < 2 or not all(time and time[0] < 24 and max(time[1:]) < 60 for time in times):
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
    values = {column: log.values(column) for column in numeric[:2]}
    rising = [c for c, each in values.items() if len(each) > 2 and (np.diff(each) > 0).all()]
    if not rising or len(log.numeric()) < 2 or len(log.rows) < 3:
        return None
    first = values[rising[0]]
    counts = len(rising) == 2 and first[0] in (0.0, 1.0) and bool((np.diff(first) == 1).all())
    return _in_numbers(log, rising[counts], "the first column that always rises")


def _carries_unit(log: OpenLog, column: int) -> bool:
    """Return whether most cells of a column carry a unit of temperature, or it stands beside them: no time has one."""
    cells = log.cells(column)
    return log.has_unit_beside(column) or 2 * sum(bool(split_unit(cell)[1]) for cell in cells) > len(cells)


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
    heading = _heading(log, [column])
    return TimePlan("number", (column,), unit=unit or size or stated, heading=heading, reason=reason)


UNKNOWN, GLUED = "", "glued"
_COLDEST_K = 200.0
_SURELY = re.compile(r"temp|therm|(?<![a-z])tc|^t ?\d", re.IGNORECASE)
_HUMIDITY = re.compile(r"(?<![a-z])r\.?h(?![a-z])|humid", re.IGNORECASE)
_BESIDE, _HEADED, _ROW = "the unit stands beside every reading", "its heading", "units row, line "
_ENOUGH_ROWS, _NEAR_NOTHING, _BEYOND = 10, 3.0, 5000.0
_TIME_SCALES = (1.0, 1 / 60, 1 / 3600, 1000.0, 1 / 86400)


@dataclass(frozen=True)
class Roles:
    """What the columns are, by their place.

    Attributes
    ----------
    names
        One distinct name a column.
    time
        Where the time stands.
    temperatures
        Unit of each temperature column: 'degC', 'degF', 'K', GLUED (in its cells), or UNKNOWN.
    differences
        The same of columns that hold a difference of two temperatures.
    unit_cells
        Place of the column that holds the unit of another, row by row.
    texts
        Columns of words: events, remarks, ids.
    others
        Why any other column is left aside.
    reasons
        How each temperature's unit is known.
    """

    names: tuple[str, ...]
    time: TimePlan
    temperatures: Mapping[int, str]
    differences: Mapping[int, str]
    unit_cells: Mapping[int, int]
    texts: tuple[int, ...]
    others: Mapping[int, str]
    reasons: Mapping[str, str] = field(default_factory=dict)

    @property
    def measured(self) -> dict[int, str]:
        """Unit of each column of temperatures or of their differences."""
        return {**self.temperatures, **self.differences}


def assign_roles(log: OpenLog, time: TimePlan) -> Roles:
    """Return the role of every column; a unit that cannot be seen stays UNKNOWN."""
    kinds = log.layout.kinds
    made_up = [f"column {column + 1}" for column in range(log.layout.width)]
    if log.header.made_up:
        for number, column in enumerate((c for c in log.numeric() if c not in time.places), 1):
            made_up[column] = f"probe {number}"
    headings = tuple(name or other for name, other in zip(log.header.names, made_up, strict=True))
    taken = {*time.places, time.millis, time.beside and time.beside[0]}
    united = (column for column in log.numeric() if column not in taken and log.has_unit_beside(column))
    unit_cells = {column: column + 1 for column in united}
    taken |= {*unit_cells.values()}
    numeric = [column for column in log.numeric() if column not in taken]
    wanted, words = log.keys.columns.values(), [c for c, kind in enumerate(kinds) if kind == "text"]
    # in a long table what is declared may be words of a column of names: `widened` finds it later
    if not any(names("probe", headings[c]) or not {*wanted}.isdisjoint(log.cells(c)) for c in words):
        refuse_unknown_columns(log, headings)
    chosen = {place for heading in wanted if (place := column_of(heading, headings)) is not None}
    units, reasons, others = _units(log, numeric, unit_cells, chosen)
    differences = {
        column: unit
        for column, unit in units.items()
        if names("difference", headings[column]) and _is_difference(log, column, units, headings)
    }
    counted = {column: unit for column, unit in units.items() if not chosen or column in chosen}
    temperatures = {column: unit for column, unit in counted.items() if column not in differences}
    for column in numeric:
        if column not in counted:
            others.setdefault(column, "not among the declared columns")
    apart = {column: unit for column, unit in differences.items() if column in counted}
    texts = tuple(c for c, kind in enumerate(kinds) if kind in ("text", "blank") and c not in taken)
    why = {headings[column]: reasons[column] for column in temperatures}
    return Roles(headings, time, temperatures, apart, unit_cells, texts, others, why)


def refuse_unknown_columns(log: OpenLog, headings: Sequence[str]) -> None:
    """Note every declared column that is not among the headings."""
    for probe, heading in log.keys.columns.items():
        if column_of(heading, headings) is None:
            log.refuse_name("columns", f"no column '{heading}' for probe {probe}", heading, headings)


def _units(
    log: OpenLog, numeric: Sequence[int], unit_cells: Collection[int], chosen: set[int]
) -> tuple[dict[int, str], dict[int, str], dict[int, str]]:
    """Return unit ('' unknown) of each column that is a temperature, how it is known, and why the others are none."""
    units, reasons, others, unknown = dict[int, str](), dict[int, str](), dict[int, str](), list[int]()
    stated = stated_unit(log.header.stated)
    for column in numeric:
        unit, why = _unit_of(log, column, unit_cells)
        if unit:
            units[column], reasons[column] = unit, why
        elif why and column not in chosen:
            others[column] = why
        else:
            unknown.append(column)
    headings = log.header.names
    likely = [column for column in unknown if could_be_temperature(headings[column]) or column in chosen]
    if stated:
        units |= dict.fromkeys(likely or unknown, stated)
    elif units and not chosen:
        units |= dict.fromkeys([column for column in likely if _SURELY.search(headings[column])], UNKNOWN)
    else:
        units |= dict.fromkeys(unknown, UNKNOWN)
    others |= {column: "no unit, and no name of a temperature" for column in unknown if column not in units}
    how = "stated above the table" if stated else "not stated"
    return units, dict.fromkeys(unknown, how) | reasons, others


def _unit_of(log: OpenLog, column: int, unit_cells: Collection[int]) -> tuple[str, str]:
    """Return the unit of a column and how it is known, or '' and why it is no temperature ('' where that is open)."""
    name, unit_cell = log.header.names[column], log.header.units[column]
    if names("set_point", name):
        return UNKNOWN, "the temperature that was set"
    united = (cell for cell in log.cells(column) if kind_of(cell) == "with unit")
    if column in unit_cells or any(split_unit(cell)[1] for cell in united):
        return GLUED, _BESIDE
    row_unit = bare_unit(unit_cell) or temperature_unit_in(unit_cell)
    unit = row_unit if row_unit in SCALES.values() else temperature_unit_in(name)
    counted = is_enumerated(name, [other for other in log.header.names if other != name])
    if not unit and not row_unit and not counted and not is_no_temperature(name):
        unit = letter_unit_in(name)
    values = log.values(column)
    if unit == "K" and sum(value < _COLDEST_K for value in values if abs(value) < 9000) >= 2:
        return UNKNOWN, ""  # '(K)' names the kind of thermocouple
    if unit and (row_unit or not _HUMIDITY.search(name)):
        return unit, f"{_ROW}{log.header.units_row}" if bare_unit(unit_cell) == unit else _HEADED
    other = row_unit.startswith(("time:", "other")) or (unit_cell and other_unit_in(f"({unit_cell})"))
    if other or (unit_cell and log.header.units_row and not could_be_temperature(name)):
        return UNKNOWN, f"its unit is {unit_cell}"
    if is_no_temperature(name) and not (counted and other_unit_in(name)):
        return UNKNOWN, "its name is no temperature's"
    counts = len(values) > 1 and all(value == int(value) for value in values) and all(np.diff(values) > 0)
    return UNKNOWN, "running number" if name and counts and names("index", name) else ""


def _is_difference(log: OpenLog, column: int, units: Collection[int], headings: Sequence[str]) -> bool:
    """Return whether a column holds one other less another, by its values, its name, or as 'A-B' beside A and B."""
    name, values = headings[column], np.array(log.values(column))
    others = [np.array(log.values(other)) for other in units if other != column]
    pairs = permutations([other for other in others if len(other) == len(values) > 5], 2)
    subtracts = any(np.abs(first - second - values).max() < 0.11 for first, second in pairs)
    if (subtracts and np.ptp(values) > 0.5) or names("surely_difference", name):
        return True
    parts = re.split(r"\s*[-−–]\s*", re.sub(r"[(\[{].*", "", name).strip())
    bare = [re.sub(r"[(\[{].*", "", heading).strip() for heading in headings if heading != name]
    return len(parts) == 2 and all(part and any(other.endswith(part) for other in bare) for part in parts)


def without_non_probes(
    roles: Roles, columns: Mapping[int, Floats], elapsed_s: Floats, chosen: Collection[str]
) -> Roles:
    """Return roles that leave aside, with the reason, columns of numbers that are no temperatures by their values.

    What stands still throughout, counts the rows, copies the time, or stays near 0 is no probe, where another
    column is one; a column that states its unit is denied by standing still alone, a declared one by nothing.
    """
    why = {}
    for column in [column for column in roles.temperatures if roles.names[column] not in chosen]:
        states_unit = roles.reasons.get(roles.names[column], "").startswith((_HEADED, _ROW, _BESIDE))
        if reason := _no_probe(columns[column], elapsed_s, states_unit):
            why[column] = reason
    if len(why) == len(roles.temperatures):
        return roles
    left = {column: unit for column, unit in roles.temperatures.items() if column not in why}
    return replace(roles, temperatures=left, others={**roles.others, **why})


def _no_probe(values: Floats, elapsed_s: Floats, states_unit: bool) -> str:
    """Return why a column of numbers is no probe's, '' where it may be one."""
    good = np.isfinite(values)
    if not good.all():  # of a long log no copy more than there must be
        values, elapsed_s = values[good], elapsed_s[good]
    if len(values) < _ENOUGH_ROWS:
        return ""
    if np.ptp(values) == 0:
        return f"stands still at {values[0]:g}"
    if states_unit:
        return ""
    if (np.diff(values) == 1).all() and (values[0] in (0, 1) or values[0] > _BEYOND):
        return "counts the rows"
    passed = elapsed_s - elapsed_s[0]
    grain = next((10.0**-k for k in range(7) if np.allclose(values * 10**k, np.rint(values * 10**k))), 1e-7)
    for scale in _TIME_SCALES if np.ptp(passed) > 0 else ():
        step = float(np.median(np.diff(passed))) * scale
        for begin in (0.0, step, *(values[:1] if values[0] > _BEYOND else ())):
            told = (passed * scale + begin) / grain
            if any(np.abs(values / grain - whole(told)).max() < 1e-3 for whole in (np.rint, np.floor)):
                return "repeats the time"
    if np.abs(values).max() < _NEAR_NOTHING:
        return "stays near 0"
    return "beyond any temperature" if np.abs(values).min() > _BEYOND else ""
