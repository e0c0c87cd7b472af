"""What each column of a table is: time, temperature, difference, words, or another quantity."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import permutations

import numpy as np

from kit.readings.headings import (
    SCALES,
    bare_unit,
    column_of,
    could_be_temperature,
    is_enumerated,
    is_no_temperature,
    letter_unit_in,
    names,
    other_unit_in,
    stated_unit,
    temperature_unit_in,
)
from kit.readings.open_log import OpenLog
from kit.readings.time_column import TimePlan
from kit.trial.cells import Floats, kind_of, split_unit

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


def assign_roles(log: OpenLog, time: TimePlan) -> Roles:
    """Return the role of every column; a unit that cannot be seen stays UNKNOWN."""
    kinds, headings = log.layout.kinds, _names(log, time)
    taken = {*time.places, time.millis, time.beside and time.beside[0]}
    unit_cells = {
        column - 1: column
        for column in range(1, log.layout.width)
        if kinds[column - 1 : column + 1] == ("number", "text") and column - 1 not in taken
        if {*map(bare_unit, filter(None, log.cells(column)))} <= {*SCALES.values()} and any(log.cells(column))
    }
    taken |= {*unit_cells.values()}
    numeric = [column for column in log.numeric() if column not in taken]
    chosen = _declared_columns(log, headings)
    stated = stated_unit(log.header.preamble, log.layout.delimiter)
    units, others = _units(log, numeric, unit_cells, stated, chosen)
    differences = {
        column: unit
        for column, unit in units.items()
        if names("difference", headings[column])
        and (_subtracts(log, column, units) or _named_difference(headings[column], headings))
    }
    counted = {column: unit for column, unit in units.items() if not chosen or column in chosen}
    temperatures = {column: unit for column, unit in counted.items() if column not in differences}
    for column in numeric:
        if column not in counted:
            others.setdefault(column, "not among the declared columns")
    return Roles(
        headings,
        time,
        temperatures,
        {column: unit for column, unit in differences.items() if column in counted},
        unit_cells,
        tuple(c for c, kind in enumerate(kinds) if kind in ("text", "blank") and c not in taken),
        others,
        {headings[column]: _reason(log, column, unit, stated) for column, unit in temperatures.items()},
    )


def _names(log: OpenLog, time: TimePlan) -> tuple[str, ...]:
    """Return the names of the header, and 'probe 1', 'probe 2', … where it has none."""
    made_up = [f"column {column + 1}" for column in range(log.layout.width)]
    if log.header.made_up:
        for number, column in enumerate((c for c in log.numeric() if c not in time.places), 1):
            made_up[column] = f"probe {number}"
    return tuple(name or other for name, other in zip(log.header.names, made_up, strict=True))


def _declared_columns(log: OpenLog, headings: Sequence[str]) -> set[int]:
    """Return the columns that are declared; in a long table they may be words of a column of names, found later."""
    words = [column for column, kind in enumerate(log.layout.kinds) if kind == "text"]
    wanted = log.keys.columns.values()
    is_long = any(names("probe", headings[c]) or not {*wanted}.isdisjoint(log.cells(c)) for c in words)
    if not is_long:
        refuse_unknown_columns(log, headings)
    return {column for heading in wanted if (column := column_of(heading, headings)) is not None}


def refuse_unknown_columns(log: OpenLog, headings: Sequence[str]) -> None:
    """Note every declared column that is not among the headings."""
    for probe, heading in log.keys.columns.items():
        if column_of(heading, headings) is None:
            log.refuse_name("columns", f"no column '{heading}' for probe {probe}", heading, headings)


def _units(
    log: OpenLog, numeric: Sequence[int], unit_cells: Collection[int], stated: str, chosen: set[int]
) -> tuple[dict[int, str], dict[int, str]]:
    """Return unit ('' unknown) of each column that is a temperature, and why the others are none."""
    units, others, unknown = dict[int, str](), dict[int, str](), list[int]()
    for column in numeric:
        unit, why = _unit_of(log, column, unit_cells)
        if unit:
            units[column] = unit
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
    return units, others


def _unit_of(log: OpenLog, column: int, unit_cells: Collection[int]) -> tuple[str, str]:
    """Return the unit of a column, or '' and why it is no temperature ('' where that is open)."""
    name, unit_cell = log.header.names[column], log.header.units[column]
    if names("set_point", name):
        return UNKNOWN, "the temperature that was set"
    if column in unit_cells or any(
        kind_of(cell) == "with unit" and split_unit(cell)[1] for cell in log.cells(column)
    ):
        return GLUED, ""
    row_unit = bare_unit(unit_cell) or temperature_unit_in(unit_cell)
    unit = row_unit if row_unit in SCALES.values() else temperature_unit_in(name)
    counted = is_enumerated(name, [other for other in log.header.names if other != name])
    if not unit and not row_unit and not counted and not is_no_temperature(name):
        unit = letter_unit_in(name)
    values = log.values(column)
    if unit == "K" and sum(value < _COLDEST_K for value in values if abs(value) < 9000) >= 2:
        return UNKNOWN, ""  # '(K)' names the kind of thermocouple
    if unit and (row_unit or not _HUMIDITY.search(name)):
        return unit, ""
    other = row_unit.startswith(("time:", "other")) or (unit_cell and other_unit_in(f"({unit_cell})"))
    if other or (unit_cell and log.header.units_row and not could_be_temperature(name)):
        return UNKNOWN, f"its unit is {unit_cell}"
    if is_no_temperature(name) and not (counted and other_unit_in(name)):
        return UNKNOWN, "its name is no temperature's"
    counts = len(values) > 1 and all(value == int(value) for value in values) and all(np.diff(values) > 0)
    return UNKNOWN, "running number" if name and counts and names("index", name) else ""


def _reason(log: OpenLog, column: int, unit: str, stated: str) -> str:
    """Return how the unit of a temperature is known."""
    name = log.header.names[column]
    if unit in (GLUED, UNKNOWN):
        return _BESIDE if unit else "not stated"
    if bare_unit(log.header.units[column]) == unit:
        return f"{_ROW}{log.header.units_row}"
    headed = unit in (temperature_unit_in(name), letter_unit_in(name))
    return "stated above the table" if stated and not headed else _HEADED


def _named_difference(name: str, others: Sequence[str]) -> bool:
    """Return whether a heading says that it is a difference, or is 'A-B' beside headings that end in A and in B."""
    if names("surely_difference", name):
        return True
    parts = re.split(r"\s*[-−–]\s*", re.sub(r"[(\[{].*", "", name).strip())
    bare = [re.sub(r"[(\[{].*", "", other).strip() for other in others if other != name]
    return len(parts) == 2 and all(part and any(other.endswith(part) for other in bare) for part in parts)


def _subtracts(log: OpenLog, column: int, units: Collection[int]) -> bool:
    """Return whether the values of a column are those of one other less those of another, and not of one value."""
    values = np.array(log.values(column))
    others = [np.array(log.values(other)) for other in units if other != column]
    pairs = permutations([other for other in others if len(other) == len(values) > 5], 2)
    found = any(np.abs(first - second - values).max() < 0.11 for first, second in pairs)
    return found and bool(np.ptp(values) > 0.5)


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
    values, passed = values[good], elapsed_s[good]
    if len(values) < _ENOUGH_ROWS:
        return ""
    if np.ptp(values) == 0:
        return f"stands still at {values[0]:g}"
    if states_unit:
        return ""
    if (np.diff(values) == 1).all() and (values[0] in (0, 1) or values[0] > _BEYOND):
        return "counts the rows"
    passed = passed - passed[0]
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
