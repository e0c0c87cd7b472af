"""The temperature columns of a body to °C, with what had to be asked or left aside."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from kit.errors import Faults
from kit.readings.body import could_be_number
from kit.readings.celsius import (
    BY_ROW,
    Sentinels,
    ask_unit,
    declared_unit,
    mask_sentinels,
    row_units,
    to_celsius,
)
from kit.readings.headings import bare_unit
from kit.readings.numbers import ABSENT, UNREAD, Numbers
from kit.readings.roles import GLUED, Roles
from kit.readings.rows import Body

_LETTER = {"degC": ord("C"), "degF": ord("F"), "K": ord("K")}
_SHOWN = 5


@dataclass(frozen=True)
class Temperatures:
    """Columns in °C by heading, their unit in the file, what their cells were, and notes; differences in K apart."""

    differences: dict[str, npt.NDArray[np.float64]]
    celsius: dict[str, npt.NDArray[np.float64]]
    codes: dict[str, npt.NDArray[np.int8]]
    units: dict[str, str]
    notes: list[str]


def to_temperatures(
    body: Body, roles: Roles, keys: Mapping[str, object], sentinels: Sentinels, place: str, faults: Faults
) -> Temperatures:
    """Return every temperature column in °C; an unknown unit is asked for."""
    found = Temperatures({}, {}, {}, {}, [])
    wanted = _wanted_unit(keys, place, faults)
    unknown: dict[str, float] = {}
    for column, unit in {**roles.temperatures, **roles.differences}.items():
        name = roles.names[column]
        numbers = with_unit_cells(body, column, roles) if unit == GLUED else body.numbers[column]
        _unread(numbers, body, name, place, faults, found.notes)
        unit = _settled_unit(unit, wanted, name, found.notes)
        if not unit:
            read = numbers.values[np.isfinite(numbers.values)]
            unknown[name] = float(read[0]) if len(read) else float("nan")
            continue
        _convert(
            found, name, numbers, unit, column in roles.differences, keys, sentinels, body, place, faults
        )
    if unknown:
        ask_unit(list(unknown), unknown, place, faults)
    return found


def _wanted_unit(keys: Mapping[str, object], place: str, faults: Faults) -> str | None:
    if keys.get("unit") is None:
        return None
    unit = declared_unit(keys["unit"])
    if unit is None:
        faults.refuse(
            f"{place}, [[logger]] key unit",
            f"'{keys['unit']}'",
            "'degC', 'degF', 'K' or '0.1 degC'",
            "Mend the key.",
        )
    return unit


def _settled_unit(unit: str, wanted: str | None, name: str, notes: list[str]) -> str:
    if unit == GLUED or wanted is None:
        return unit
    if unit and unit != wanted:
        notes.append(f"column {name}: the file says {unit}, the declared unit {wanted} was used")
    return wanted


def with_unit_cells(body: Body, column: int, roles: Roles) -> Numbers:
    """Return numbers with the unit that stands in the column beside them."""
    numbers = body.numbers[column]
    if column not in roles.unit_cells:
        return numbers
    texts = body.texts[roles.unit_cells[column]]
    letters = np.array([_LETTER.get(bare_unit(word), 0) for word in texts.words], np.int8)
    return replace(numbers, units=letters[texts.codes])


def _convert(
    found: Temperatures,
    name: str,
    numbers: Numbers,
    unit: str,
    difference: bool,
    keys: Mapping[str, object],
    sentinels: Sentinels,
    body: Body,
    place: str,
    faults: Faults,
) -> None:
    values = numbers.values
    if unit == GLUED:
        unit, values = row_units(
            numbers, _per_row(keys), name, place, lambda row: int(body.lines[row]), faults
        )
    if not unit:
        ask_unit([name], {}, place, faults)
        return
    if unit != BY_ROW:
        met = mask_sentinels(numbers, unit, sentinels)
        values = to_celsius(numbers.values, unit, difference)
        found.notes.extend(
            f"column {name}: {count} times {number:g}, a sign of an open circuit: missing"
            for number, count in met.items()
        )
    found.units[name] = unit
    if difference:
        found.differences[name] = values
    else:
        found.celsius[name], found.codes[name] = values, numbers.codes


def _per_row(keys: Mapping[str, object]) -> bool:
    value = keys.get("unit_per_row")
    return bool(value) and str(value).casefold() not in ("false", "no", "0")


def _unread(numbers: Numbers, body: Body, name: str, place: str, faults: Faults, notes: list[str]) -> None:
    """Refuse numbers that fit no single decimal mark; words count as missing readings, and are told."""
    if not numbers.unread:
        return
    rows = sorted((row, text) for text, row in numbers.unread.items())
    bad = [(row, text) for row, text in rows if could_be_number(text) and re.search("[.,]", text)]
    if bad:
        row, text = bad[0]
        faults.refuse(
            f"{place}, line {int(body.lines[row])}, column {name}",
            f"'{text}'" + (f" (and {len(bad) - 1} more such)" if len(bad) > 1 else ""),
            "a number with the decimal mark of the other rows, thousands marks in groups of three",
            "Is its comma or point a thousands mark? Mend the export's format, or declare decimal.",
        )
    words = [(row, text) for row, text in rows if (row, text) not in bad]
    for row, text in words[:_SHOWN]:
        notes.append(f"line {int(body.lines[row])}, column {name}: '{text[:40]}' is no number: missing")
    if len(words) > _SHOWN:
        notes.append(f"column {name}: {len(words) - _SHOWN} more texts that are no numbers: missing")
    numbers.codes[numbers.codes == UNREAD] = ABSENT
