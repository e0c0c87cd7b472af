"""Numbers to °C: the decimal mark of a file, units of a column or of a row, sentinels, and what must be asked."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from kit.readings.body import ABSENT, OPEN, READ, UNREAD, Body, Numbers, Wanted, read_body, read_marks
from kit.readings.columns import GLUED, UNKNOWN, Roles
from kit.readings.headings import SCALES
from kit.readings.open_log import OpenLog
from kit.readings.rows import with_unit_cells
from kit.readings.source import NUMERIC, kind_of
from kit.schema import FAHRENHEIT_STEP, KELVIN
from kit.trial.cells import WORDS, Bools, Codes, Floats, Ints, decimal_evidence, temperature_unit
from kit.trial.decode import fault
from kit.trial.models import Cleaning

BY_ROW = "by row"
_RECURS, _NO_FIRE = 4, 0.0
SURE_SENTINELS: tuple[float, ...] = tuple(WORDS["cells"]["open_numbers"])


def to_celsius(values: Floats, unit: str, difference: bool = False) -> Floats:
    """Return °C: (F − 32) / 1.8, K − 273.15; a difference is scaled and never shifted."""
    if unit.startswith("0.1 "):
        return to_celsius(values / 10, unit.removeprefix("0.1 "), difference)
    if unit == "degF":
        return values / FAHRENHEIT_STEP if difference else (values - 32.0) / FAHRENHEIT_STEP
    return values - KELVIN if unit == "K" and not difference else values


def mask_sentinels(numbers: Numbers, unit: str, cleaning: Cleaning) -> dict[float, int]:
    """Turn sentinels into missing readings in place; return how often each was met."""
    values, met = numbers.values, dict[float, int]()

    def mask(hit: Bools, number: float) -> None:
        if hit.any():
            values[hit], numbers.codes[hit] = np.nan, OPEN
            met[number] = met.get(number, 0) + int(hit.sum())

    with np.errstate(invalid="ignore"):
        outside = (values > 3000) | (values < -300)
    for number in SURE_SENTINELS if outside.any() else ():
        mask(outside & np.isclose(values, number, rtol=1e-6, atol=1e-9), number)
    jump = cleaning.sentinel_jump_k * (FAHRENHEIT_STEP if unit.endswith("degF") else 1.0)
    # A logger that has nothing to say writes one number, such as -1 or 0 in every other row: the lowest, which comes
    # back again and again, each time far below what is beside it.
    count, recurring = int(np.isfinite(values).sum()), list[float]()
    low = float(np.nanmin(values)) if count >= 5 else np.inf
    if low <= _NO_FIRE and _jumps(values, values == low, low, jump).sum() >= max(_RECURS, 0.01 * count):
        recurring = [low]
    for number in dict.fromkeys((*cleaning.sentinels, *recurring)):
        hit = values == number  # what recurs so is no reading where the probe is cold either
        if number in cleaning.sentinels and hit.any():
            hit = _jumps(values, hit, number, jump)
        mask(hit, number)
    return met


def _jumps(values: Floats, hit: Bools, number: float, jump: float) -> Bools:
    """Return which hits stand that far beyond the nearest other readings, if any, not on the way between them."""
    others = pd.Series(np.where(hit, np.nan, values - number))
    before, behind = others.ffill().bfill().to_numpy(), others.bfill().ffill().to_numpy()
    near = np.minimum(np.abs(before), np.abs(behind)) < jump
    return np.asarray(hit & ~near & ~(before * behind < 0))


_SHOWN = 5
_HOTTEST = 10_000.0
"""No thermometer reads more, in any unit: numbers beyond it cannot be what a thousands mark would make of them."""

_ENOUGH = 40
_COMMAS_PART = "commas part the fields"


def settle_decimal(log: OpenLog, roles: Roles) -> tuple[str, str]:
    """Return the decimal mark of a file, and why it is; what only the file's writer knows is asked."""
    if log.keys.decimal is not None:
        return log.keys.decimal, "declared"
    head = log.source.head
    timed = roles.time.places if roles.time.kind == "number" else ()
    columns = list(dict.fromkeys([*roles.measured, *timed]))
    proved: dict[str, str] = {}
    for cell in (row[column] for row in log.rows[:: max(1, len(log.rows) // _ENOUGH)] for column in columns):
        if decimal_evidence(cell) in (".", ",") and kind_of(cell) in NUMERIC:
            proved.setdefault(decimal_evidence(cell), cell)
    if len(proved) == 1:
        mark, cell = proved.popitem()
        return mark, f"shown by numbers such as {cell!r}"
    commas_part = log.layout.delimiter == ","
    if not proved and commas_part and b'"' not in head:
        return ".", _COMMAS_PART
    if not proved and log.source.complete and not (b"," in head or b"." in head):
        return ".", "whole numbers only"
    lines = read_marks(log.source, log.layout, roles.time, columns)
    if "." in lines and "," in lines:
        first, second = sorted((lines["."], lines[","]))
        log.faults.refuse(log.at(second), *fault("two decimal marks", line=first))
    for mark in (".", ","):
        if mark in lines:
            return mark, f"shown by line {lines[mark]}"
    doubtful = [name for name in ("comma", "point") if name in lines]
    if not doubtful:
        return ".", "whole numbers only"
    if len(doubtful) == 1:
        mark = "," if doubtful == ["comma"] else "."
        # readings with exactly three decimals would be beyond any thermometer without the mark
        probes = tuple(roles.temperatures)
        body = read_body(log.source, log.layout, Wanted(roles.time, probes, frozenset(probes), (), mark))
        broken = (values[values % 1 > 0] for values in (body.numbers[column].values for column in probes))
        if any((np.abs(values) * 1000 > _HOTTEST).any() for values in broken):
            return mark, "a thousands mark would make the readings hotter than any fire"
        if mark == "." and commas_part:
            return mark, _COMMAS_PART
    log.faults.ask(log.at(lines[doubtful[0]]), *fault("decimal mark", marks="s and ".join(doubtful)))
    return ".", ""


def loose_columns(log: OpenLog, columns: Sequence[int], decimal: str) -> frozenset[int]:
    """Return the columns whose cells hold more than plain numbers: signs apart, units, words, thousands marks."""
    plain = set("0123456789-eE" + decimal)
    return frozenset(column for column in columns if any(set(cell) - plain for cell in log.cells(column)))


@dataclass(frozen=True)
class Temperatures:
    """Columns in °C by heading, their unit in the file, what their cells were; differences in K apart."""

    celsius: dict[str, Floats] = field(default_factory=dict)
    differences: dict[str, Floats] = field(default_factory=dict)
    codes: dict[str, Codes] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)


def to_temperatures(log: OpenLog, body: Body, roles: Roles, cleaning: Cleaning) -> Temperatures:
    """Return every temperature column in °C; an unknown unit is asked for."""
    temperatures, unknown = Temperatures(), dict[str, float]()
    wanted = _wanted_unit(log)
    for column, unit in roles.measured.items():
        name, difference = roles.names[column], column in roles.differences
        numbers = with_unit_cells(body, column, roles) if unit == GLUED else body.numbers[column]
        _unread(log, numbers, body, name)
        if wanted and unit not in (GLUED, wanted):
            if unit:
                log.faults.note(f"column {name}: the file says {unit}, the declared unit {wanted} was used")
            unit = wanted
        values = numbers.values
        if unit == GLUED:
            unit, values = row_units(log, numbers, name, body.lines)
        if not unit:
            unknown[name] = next(iter(values[np.isfinite(values)].tolist()), np.nan)
            continue
        if unit != BY_ROW:
            for number, count in mask_sentinels(numbers, unit, cleaning).items():
                often = "once" if count == 1 else f"{count} times"
                log.faults.note(f"column {name}: {often} {number:g}, a sign of an open circuit: missing")
            values = to_celsius(numbers.values, unit, difference)
        temperatures.units[name] = unit
        if difference:
            temperatures.differences[name] = values
        else:
            temperatures.celsius[name], temperatures.codes[name] = values, numbers.codes
    if unknown:
        _ask_unit(log, unknown)
    return temperatures


def ask_units(log: OpenLog, roles: Roles) -> None:
    """Ask for the units that are not known, before a number is read: where the decimal mark is open as well."""
    unknown = [roles.names[column] for column, unit in roles.measured.items() if unit == UNKNOWN]
    if unknown and not _wanted_unit(log):
        _ask_unit(log, dict.fromkeys(unknown, np.nan))


def _wanted_unit(log: OpenLog) -> str:
    """Return 'degC', 'degF', 'K' or '0.1 degC' … for the declared unit as a tester writes it, '' for none."""
    text = (log.keys.unit or "").strip()
    whole = text.removeprefix("0.1").removeprefix("tenths of").strip()
    unit = SCALES.get(temperature_unit(whole), "")
    if text and not unit:
        log.refuse_key("unit", f"'{log.keys.unit}'", "'degC', 'degF', 'K' or '0.1 degC'")
    return f"0.1 {unit}" if unit and whole != text else unit


def row_units(log: OpenLog, numbers: Numbers, name: str, lines: Ints) -> tuple[str, Floats]:
    """Return unit and values of a column whose cells carry their unit; values are in °C where it changes.

    A change of unit within a column is asked about, unless unit_per_row was declared.
    """
    letters = numbers.units
    read = np.flatnonzero((letters > 0) & (numbers.codes == READ))
    found = [chr(code) for code in np.unique(letters[read])]
    if len(found) <= 1:
        return (SCALES[found[0]] if found else UNKNOWN), numbers.values
    if not log.keys.unit_per_row:
        place = int(np.flatnonzero(np.diff(letters[read]))[0])
        before, change = (int(row) for row in read[place : place + 2])
        units = {"before": chr(letters[before]), "after": chr(letters[change])}
        words = fault("unit changes", value=numbers.values[change], **units)
        log.faults.ask(log.at(int(lines[change]), name), *words)
        return "degC", numbers.values
    values = np.where(letters > 0, numbers.values, np.nan)
    numbers.codes[(letters == 0) & (numbers.codes == READ)] = ABSENT
    for letter in found:
        rows = letters == ord(letter)
        values[rows] = to_celsius(values[rows], SCALES[letter])
    return BY_ROW, values


def _ask_unit(log: OpenLog, firsts: Mapping[str, float]) -> None:
    """Ask for the unit of columns that state none, with what their first reading would mean where it can be read."""
    name, value = next(iter(firsts.items()))
    found = "no unit for " + ", ".join(f"'{heading}'" for heading in firsts)
    if np.isfinite(value):
        meanings = (f"{to_celsius(np.array([value]), unit)[0]:.1f} °C if {unit}" for unit in SCALES.values())
        found += f"; the first reading of '{name}', {value:g}, is {', '.join(meanings)}"
    log.faults.ask(log.at(column=name), *fault("no unit", found=found))


def _unread(log: OpenLog, numbers: Numbers, body: Body, name: str) -> None:
    """Refuse numbers that fit no single decimal mark; words count as missing readings, and are told."""
    rows = sorted((row, text) for text, row in numbers.unread.items())
    bad = [each for each in rows if re.match(r"[+\-−]?\s*[0-9][0-9'’ ]*[.,][0-9.,'’ ]*$", each[1].strip())]
    if bad:
        row, text = bad[0]
        more = f" (and {len(bad) - 1} more such)" if len(bad) > 1 else ""
        log.faults.refuse(log.at(int(body.lines[row]), name), *fault("odd mark", cell=text, more=more))
    words = [each for each in rows if each not in bad]
    for row, text in words[:_SHOWN]:
        log.faults.note(f"line {int(body.lines[row])}, column {name}: '{text[:40]}' is no number: missing")
    if len(words) > _SHOWN:
        log.faults.note(f"column {name}: {len(words) - _SHOWN} more texts that are no numbers: missing")
    numbers.codes[numbers.codes == UNREAD] = ABSENT
