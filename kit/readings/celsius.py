"""Numbers of a temperature column to °C: units of a column or of a row, sentinels, and what must be asked."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from kit.errors import Faults
from kit.readings.cells import WORDS
from kit.readings.numbers import ABSENT, OPEN, READ, Numbers
from kit.trial.units import FAHRENHEIT_STEP, KELVIN, temperature_unit

Floats = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int8]
UNITS = {"°C": "degC", "°F": "degF", "K": "K"}
BY_ROW = "by row"
_RECURS, _NO_FIRE = 4, 0.0
_LETTERS = {"C": "degC", "F": "degF", "K": "K"}
SURE_SENTINELS: tuple[float, ...] = tuple(WORDS["cells"]["open_numbers"])


@dataclass(frozen=True)
class Sentinels:
    """Numbers that stand for an open circuit: those that could also be honest, and the jump that shows them."""

    doubtful: tuple[float, ...]
    jump_k: float


def declared_unit(value: object) -> str | None:
    """Return 'degC', 'degF', 'K' or '0.1 degC' … for a unit as a tester writes it, or None."""
    text = str(value).strip()
    tenths = (
        text.removeprefix("0.1").removeprefix("tenths of").strip()
        if text.startswith(("0.1", "tenths of"))
        else None
    )
    unit = UNITS.get(temperature_unit(tenths if tenths is not None else text) or "")
    if unit is None:
        return None
    return f"0.1 {unit}" if tenths is not None else unit


def to_celsius(values: Floats, unit: str, difference: bool = False) -> Floats:
    """Return °C: (F − 32) / 1.8, K − 273.15; a difference is scaled and never shifted."""
    if unit.startswith("0.1 "):
        return to_celsius(values / 10, unit.removeprefix("0.1 "), difference)
    if unit == "degF":
        return values / FAHRENHEIT_STEP if difference else (values - 32.0) / FAHRENHEIT_STEP
    return values - KELVIN if unit == "K" and not difference else values


def mask_sentinels(numbers: Numbers, unit: str, sentinels: Sentinels) -> dict[float, int]:
    """Turn sentinels into missing readings in place; return how often each was met."""
    values, codes = numbers.values, numbers.codes
    met: dict[float, int] = {}
    outside = _outside(values)
    if outside is not None:
        for number in SURE_SENTINELS:
            _mask(values, codes, outside & np.isclose(values, number, rtol=1e-6, atol=1e-9), number, met)
    jump = sentinels.jump_k * (FAHRENHEIT_STEP if unit.endswith("degF") else 1.0)
    for number in dict.fromkeys((*sentinels.doubtful, *_recurring(values, jump))):
        hit = values == number
        if hit.any():
            if number in sentinels.doubtful:
                hit &= _jumps(values, hit, number, jump)
            _mask(
                values, codes, hit, number, met
            )  # what recurs so is no reading where the probe is cold either
    return met


def _recurring(values: Floats, jump: float) -> tuple[float, ...]:
    """Return the lowest number of a column if it comes back again and again, each time far below what is beside it.

    A logger that has nothing to say writes one number, such as -1 or 0 in every other row.
    """
    read = values[np.isfinite(values)]
    if len(read) < 5:
        return ()
    low = float(read.min())
    hit = values == low
    jumps = hit & _jumps(values, hit, low, jump)
    often = max(_RECURS, 0.01 * len(read))
    return (low,) if jumps.sum() >= often and low <= _NO_FIRE else ()


def _outside(values: Floats) -> npt.NDArray[np.bool_] | None:
    with np.errstate(invalid="ignore"):
        outside = (values > 3000) | (values < -300)
    return outside if outside.any() else None


def _mask(
    values: Floats, codes: Codes, hit: npt.NDArray[np.bool_], number: float, met: dict[float, int]
) -> None:
    if hit.any():
        values[hit] = np.nan
        codes[hit] = OPEN
        met[number] = met.get(number, 0) + int(hit.sum())


def _jumps(values: Floats, hit: npt.NDArray[np.bool_], number: float, jump: float) -> npt.NDArray[np.bool_]:
    """Return which rows stand that far beyond the nearest other readings, not on the way between them."""
    honest = np.flatnonzero(~hit & np.isfinite(values))
    if not len(honest):
        return hit
    rows = np.arange(len(values))
    after = np.searchsorted(honest, rows)
    before = values[honest[np.maximum(after - 1, 0)]]
    behind = values[honest[np.minimum(after, len(honest) - 1)]]
    near = np.minimum(np.abs(before - number), np.abs(behind - number))
    on_the_way = (before - number) * (behind - number) < 0
    return np.asarray((near >= jump) & ~on_the_way)


def row_units(
    numbers: Numbers, per_row: bool, name: str, where: str, line_of: Callable[[int], int], faults: Faults
) -> tuple[str, Floats]:
    """Return unit and values of a column whose cells carry their unit; values are in °C where it changes.

    A change of unit within a column is asked about, unless `per_row` was declared.
    """
    letters = numbers.units if numbers.units is not None else np.zeros(len(numbers.values), np.int8)
    read = np.flatnonzero((letters > 0) & (numbers.codes == READ))
    found = [chr(code) for code in np.unique(letters[read])]
    if len(found) <= 1:
        return (_LETTERS[found[0]] if found else ""), numbers.values
    if not per_row:
        change = int(read[np.flatnonzero(np.diff(letters[read]) != 0)[0] + 1])
        before, after = chr(letters[read[read < change][-1]]), chr(letters[change])
        faults.ask(
            f"{where}, line {line_of(change)}, column {name}",
            f"the unit changes from {before} to {after} there ({numbers.values[change]:g} {after})",
            "one unit for a whole column",
            "Add unit_per_row = true to the [[logger]] table to convert every row by its own unit; else "
            "split or mend the file.",
        )
        return "degC", numbers.values
    values = np.where(letters > 0, numbers.values, np.nan)
    numbers.codes[(letters == 0) & (numbers.codes == READ)] = ABSENT
    for letter in found:
        rows = letters == ord(letter)
        values[rows] = to_celsius(values[rows], _LETTERS[letter])
    return BY_ROW, values


def ask_unit(names: list[str], firsts: Mapping[str, float], where: str, faults: Faults) -> None:
    """Ask for the unit of columns that state none, with what their first reading would mean."""
    name = names[0]
    value = firsts.get(name, float("nan"))
    example = ", ".join(
        f"{to_celsius(np.array([value]), unit)[0]:.1f} °C if {unit}"
        for unit in ("degC", "degF", "K")
        if np.isfinite(value)
    )
    listed = ", ".join(f"'{each}'" for each in names)
    faults.ask(
        f"{where}, column {name}",
        f"no unit for {listed}; the first reading of '{name}', {value:g}, is {example}",
        "°C, °F or K",
        'Add unit = "degC" (or "degF", "K") to the [[logger]] table, and columns = {probe = "heading"} if '
        "some of these are no temperatures.",
    )
