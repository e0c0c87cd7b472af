"""What each column of a table is: time, temperature in a unit, difference, running number, text or another quantity."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from kit.errors import Faults, did_you_mean
from kit.readings.cells import decimal_evidence, kind_of, split_unit, to_number
from kit.readings.header import Header
from kit.readings.headings import (
    SCALES,
    bare_unit,
    could_be_temperature,
    is_enumerated,
    is_index,
    is_no_temperature,
    is_set_point,
    letter_unit_in,
    may_be_difference,
    other_unit_in,
    temperature_unit_in,
)
from kit.readings.layout import Layout
from kit.readings.timing import TimePlan

Floats = npt.NDArray[np.float64]
UNKNOWN = ""
GLUED = "glued"
_COLDEST_K = 200.0


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


Rows = Sequence[Sequence[str]]


def assign_roles(
    header: Header,
    layout: Layout,
    rows: Rows,
    time: TimePlan,
    stated: str,
    declared: Mapping[str, object],
    place: str,
    faults: Faults,
) -> Roles:
    """Return the role of every column; a unit that cannot be seen stays UNKNOWN."""
    names = _names(header, layout, time)
    taken = {
        *time.places,
        *([time.beside[0]] if time.beside else []),
        *([time.millis] if time.millis is not None else []),
    }
    units_of, cells_of_units = _unit_columns(layout, rows, taken)
    taken |= cells_of_units
    numeric = [column for column, kind in enumerate(layout.kinds) if kind == "number" and column not in taken]
    chosen = _declared_columns(declared, names, place, faults)
    units, others = _units(numeric, header, names, rows, units_of, stated, chosen)
    differences = _differences(units, names, rows, chosen)
    units = {column: unit for column, unit in units.items() if column not in differences}
    if chosen:
        units = {column: unit for column, unit in units.items() if column in chosen}
        differences = {column: unit for column, unit in differences.items() if column in chosen}
    for column in numeric:
        if column not in units and column not in differences:
            others.setdefault(column, "not among the declared columns")
    texts = tuple(c for c, kind in enumerate(layout.kinds) if kind in ("text", "blank") and c not in taken)
    return Roles(
        names, time, units, differences, units_of, texts, others, _reasons(units, header, names, stated)
    )


def _names(header: Header, layout: Layout, time: TimePlan) -> tuple[str, ...]:
    """Return the names of the header, and 'probe 1', 'probe 2', … where it has none."""
    names, probes = [], 0
    for column, name in enumerate(header.names):
        probe = layout.kinds[column] == "number" and column not in time.places
        probes += probe
        names.append(name or (f"probe {probes}" if probe and header.made_up else f"column {column + 1}"))
    return tuple(names)


def column_of(heading: str, names: Sequence[str]) -> int | None:
    """Return the place of a heading: as written, else without regard to case and blanks, or None."""
    if heading in names:
        return list(names).index(heading)
    plain = [re.sub(r"\s+", "", name).casefold() for name in names]
    key = re.sub(r"\s+", "", heading).casefold()
    return plain.index(key) if plain.count(key) == 1 else None


def _declared_columns(
    declared: Mapping[str, object], names: Sequence[str], place: str, faults: Faults
) -> dict[int, str]:
    wanted = declared.get("columns") or {}
    chosen: dict[int, str] = {}
    for probe, heading in wanted.items() if isinstance(wanted, Mapping) else ():
        column = column_of(str(heading), names)
        if column is None:
            faults.refuse(
                f"{place}, [[logger]] key columns",
                f"no column '{heading}' for probe {probe}",
                "one of " + ", ".join(f"'{name}'" for name in names),
                did_you_mean(str(heading), names),
            )
        else:
            chosen[column] = str(probe)
    return chosen


def _unit_columns(layout: Layout, rows: Rows, taken: set[int]) -> tuple[dict[int, int], set[int]]:
    """Return the columns whose cells are the units of the column before them."""
    units_of: dict[int, int] = {}
    for column in range(1, layout.width):
        cells = [row[column] for row in rows if row[column]]
        beside = layout.kinds[column - 1 : column + 1] == ("number", "text") and column - 1 not in taken
        if beside and cells and all(bare_unit(cell) in SCALES.values() for cell in cells):
            units_of[column - 1] = column
    return units_of, set(units_of.values())


def _units(
    numeric: Sequence[int],
    header: Header,
    names: Sequence[str],
    rows: Rows,
    units_of: Mapping[int, int],
    stated: str,
    chosen: Mapping[int, str],
) -> tuple[dict[int, str], dict[int, str]]:
    """Return unit ('' unknown) of each column that is a temperature, and why the others are none."""
    units: dict[int, str] = {}
    others: dict[int, str] = {}
    unknown: list[int] = []
    for column in numeric:
        unit, why = _unit_of(column, header, names, rows, units_of)
        if unit:
            units[column] = unit
        elif why and column not in chosen:
            others[column] = why
        else:
            unknown.append(column)
    likely = [column for column in unknown if could_be_temperature(header.names[column]) or column in chosen]
    if stated:
        units |= dict.fromkeys(likely or unknown, stated)
    elif units and not chosen:
        surely = [
            column
            for column in likely
            if re.search(r"temp|therm|(?<![a-z])tc|^t ?\d", names[column], re.IGNORECASE)
        ]
        units |= dict.fromkeys(surely, UNKNOWN)
    else:
        units |= dict.fromkeys(unknown, UNKNOWN)
    others |= {column: "no unit, and no name of a temperature" for column in unknown if column not in units}
    return units, others


def _unit_of(
    column: int, header: Header, names: Sequence[str], rows: Rows, units_of: Mapping[int, int]
) -> tuple[str, str]:
    """Return the unit of a column, or '' and why it is no temperature ('' where that is open)."""
    name = header.names[column]
    if is_set_point(name):
        return "", "the temperature that was set"
    if column in units_of:
        return GLUED, ""
    if any(kind_of(row[column]) == "with unit" and split_unit(row[column])[1] for row in rows):
        return GLUED, ""
    row_unit = bare_unit(header.units[column]) or temperature_unit_in(header.units[column])
    unit = row_unit if row_unit in SCALES.values() else temperature_unit_in(name)
    counted = is_enumerated(name, [each for each in names if each != name])
    if not unit and not row_unit and not counted and not is_no_temperature(name):
        unit = letter_unit_in(name)
    if unit == "K" and _too_cold_for_kelvin(column, rows):
        return "", ""
    if unit and re.search(r"(?<![a-z])r\.?h(?![a-z])|humid", name, re.IGNORECASE) and not row_unit:
        unit = ""
    if unit:
        return unit, ""
    if row_unit.startswith(("time:", "other")) or (
        header.units[column] and other_unit_in(f"({header.units[column]})")
    ):
        return "", f"its unit is {header.units[column]}"
    if header.units[column] and header.units_row and not could_be_temperature(name):
        return "", f"its unit is {header.units[column]}"
    if is_no_temperature(name) and not (counted and other_unit_in(name)):
        return "", "its name is no temperature's"
    if is_index(name) and name and _counts(column, rows):
        return "", "running number"
    return "", ""


_ENOUGH_ROWS = 10
_NEAR_NOTHING, _BEYOND = 3.0, 5000.0
_TIME_SCALES = (1.0, 1 / 60, 1 / 3600, 1000.0, 1 / 86400)


def without_non_probes(
    roles: Roles, columns: Mapping[int, Floats], elapsed_s: Floats, chosen: Sequence[str]
) -> Roles:
    """Return roles that leave aside, with the reason, columns of numbers that are no temperatures by their values.

    What stands still throughout, counts the rows, copies the time, or stays near 0 is no probe, where another
    column is one; a column that states its unit is denied by standing still alone, a declared one by nothing.
    """
    why = {
        column: reason
        for column, values in columns.items()
        if column in roles.temperatures
        and roles.names[column] not in chosen
        and (reason := _no_probe(values, elapsed_s, _says_unit(roles, column)))
    }
    if not why or len(why) == len(roles.temperatures):
        return roles
    left = {column: unit for column, unit in roles.temperatures.items() if column not in why}
    return replace(roles, temperatures=left, others={**roles.others, **why})


def _says_unit(roles: Roles, column: int) -> bool:
    return roles.reasons.get(roles.names[column], "").startswith(
        ("its heading", "units row", "the unit stands")
    )


def _no_probe(values: Floats, elapsed_s: Floats, says_unit: bool) -> str:
    """Return why a column of numbers is no probe's, '' where it may be one."""
    good = np.isfinite(values)
    values, elapsed_s = values[good], elapsed_s[good]
    if len(values) < _ENOUGH_ROWS:
        return ""
    if np.ptp(values) == 0:
        return f"stands still at {values[0]:g}"
    if says_unit:
        return ""
    steps, passed = np.diff(values), elapsed_s - elapsed_s[0]
    if (steps == 1).all() and (values[0] in (0, 1) or values[0] > _BEYOND):
        return "counts the rows"
    grain = next((10.0**-k for k in range(7) if np.allclose(values * 10**k, np.rint(values * 10**k))), 1e-7)
    for scale in _TIME_SCALES if np.ptp(passed) > 0 else ():
        begins = (
            0.0,
            float(np.median(np.diff(passed))) * scale,
            *(values[:1] if values[0] > _BEYOND else ()),
        )
        for begin in begins:
            told = (passed * scale + begin) / grain
            if any(np.abs(values / grain - whole(told)).max() < 1e-3 for whole in (np.rint, np.floor)):
                return "repeats the time"
    if np.abs(values).max() < _NEAR_NOTHING:
        return "stays near 0"
    return "beyond any temperature" if np.abs(values).min() > _BEYOND else ""


def numbers_of(column: int, rows: Rows) -> list[float]:
    """Return the numbers of a column in a sample of rows, under whichever decimal mark its cells prove."""
    cells = [split_unit(row[column])[0] for row in rows]
    mark = "," if any(decimal_evidence(cell) == "," for cell in cells if kind_of(cell) == "number") else "."
    values = (to_number(cell, mark) for cell in cells)
    return [value for value in values if value is not None]


def _too_cold_for_kelvin(column: int, rows: Rows) -> bool:
    """Return whether values deny kelvin, so that '(K)' names the kind of thermocouple."""
    values = [value for value in numbers_of(column, rows) if abs(value) < 9000]
    return sum(value < _COLDEST_K for value in values) >= 2


def _counts(column: int, rows: Rows) -> bool:
    values = numbers_of(column, rows)
    return len(values) > 1 and all(value == int(value) for value in values) and all(np.diff(values) > 0)


def _differences(
    units: Mapping[int, str], names: Sequence[str], rows: Rows, chosen: Mapping[int, str]
) -> dict[int, str]:
    """Return the columns that are a difference of two others: by name, and by their values where these can tell."""
    found: dict[int, str] = {}
    for column, unit in units.items():
        if may_be_difference(names[column]) and (
            _subtracts(column, units, rows) or _named_so(names[column], names)
        ):
            found[column] = unit
    return found


def _named_so(name: str, names: Sequence[str]) -> bool:
    if re.search(r"^\W*(?:Δ|∆|delta|diff|d[ _]?t(?![a-z]))|diff|delta", name, re.IGNORECASE):
        return True
    parts = re.split(r"\s*[-−–]\s*", re.sub(r"[(\[{].*", "", name).strip())
    others = [re.sub(r"[(\[{].*", "", other).strip() for other in names if other != name]
    return len(parts) == 2 and all(part and any(other.endswith(part) for other in others) for part in parts)


def _subtracts(column: int, units: Mapping[int, str], rows: Rows) -> bool:
    columns = {each: numbers_of(each, rows) for each in units}
    values = np.array(columns[column])
    for a, first in columns.items():
        for b, second in columns.items():
            fitting = len({a, b, column}) == 3 and len(values) == len(first) == len(second) > 5
            if fitting and np.abs(np.array(first) - np.array(second) - values).max() < 0.11:
                return bool(np.ptp(values) > 0.5)
    return False


def _reasons(units: Mapping[int, str], header: Header, names: Sequence[str], stated: str) -> dict[str, str]:
    reasons = {}
    for column, unit in units.items():
        if unit == GLUED:
            why = "the unit stands beside every reading"
        elif not unit:
            why = "not stated"
        elif bare_unit(header.units[column]) == unit:
            why = f"units row, line {header.units_row}"
        elif (
            temperature_unit_in(header.names[column]) == unit or letter_unit_in(header.names[column]) == unit
        ):
            why = "its heading"
        else:
            why = "stated above the table" if stated else "its heading"
        reasons[names[column]] = why
    return reasons
