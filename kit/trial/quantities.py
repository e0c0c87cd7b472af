"""Quantities as a person writes them: temperatures, differences of them and percentages, with their units."""

import math
import re
from collections.abc import Callable
from typing import TypeGuard

from kit.trial.cells import temperature_unit

KELVIN = 273.15
FAHRENHEIT_STEP = 1.8
"""°F in one K: differences are divided by it and never shifted by 32."""

_QUANTITY = re.compile(r"\s*([+-]?[0-9]+(?:[.,][0-9]+)?)\s*(.*?)\s*\Z", re.DOTALL)
_PERCENT = frozenset({"%", "percent", "per cent", "pct"})


class QuantityError(ValueError):
    """A value that cannot be; says what could stand there, and what to do where that is not to write it."""

    def __init__(self, found: object, expected: str, remedy: str = "") -> None:
        self.found = repr(found) if isinstance(found, str) else str(found)
        self.expected, self.remedy = expected, remedy
        super().__init__(f"found {self.found}; expected {expected}")


def split_quantity(text: str) -> tuple[float, str] | None:
    """Return number and unit of a text such as '1.5 °C', or None where it holds no number.

    A comma is a decimal mark unless three digits follow it, which could be thousands: then None.
    """
    match = _QUANTITY.match(text.replace("−", "-").replace("\u00a0", " "))
    if match is None or re.search(r",[0-9]{3}\Z", match[1]):
        return None
    return float(match[1].replace(",", ".")), match[2]


def parse_temperature(value: object) -> float:
    """Return a temperature in °C: a number is °C, a text carries its unit ('230 °F' is 110).

    Raises
    ------
    QuantityError
        Where it is no temperature, or colder than absolute zero.
    """
    expected = 'a temperature in °C, or one with its unit, as "230 °F"'
    number, unit = quantity(value, temperature_unit, expected, "C")
    celsius = {"C": number, "F": (number - 32) / FAHRENHEIT_STEP, "K": number - KELVIN}[unit]
    if celsius < -KELVIN:
        raise QuantityError(value, expected + ", above absolute zero")
    return round(celsius, 9)


def parse_threshold(text: str) -> float:
    """Return the temperature in °C of a text in which a number alone is one too, as in 'time_above:110'.

    Raises
    ------
    QuantityError
        Where it is no temperature.
    """
    parts = split_quantity(text)
    return parse_temperature(parts[0] if parts and not parts[1] else text)


def parse_difference(value: object) -> float:
    """Return a difference of temperatures in K: '27 °F' is 15, never shifted by 32.

    Raises
    ------
    QuantityError
        Where it is no difference of temperatures.
    """
    expected = 'a difference of temperatures, as "15 °C" or "27 °F"'
    number, unit = quantity(value, temperature_unit, expected, "C")
    return round(number / FAHRENHEIT_STEP if unit == "F" else number, 9)


def parse_percent(value: object) -> float:
    """Return the fraction of a text such as '10 %' (0.1).

    Raises
    ------
    QuantityError
        Where it is no percentage.
    """
    number, _ = quantity(value, lambda unit: "%" * (unit.casefold() in _PERCENT), 'a percentage, as "10 %"')
    return number / 100


def is_number(value: object) -> TypeGuard[float]:
    """Return whether a value is a finite number, as TOML writes one."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def quantity(
    value: object, unit_of: Callable[[str], str], expected: str, bare: str = ""
) -> tuple[float, str]:
    """Return number and unit of a quantity as a person writes it; a number alone has the unit `bare`, if any.

    Raises
    ------
    QuantityError
        Where it is no number with a unit that `unit_of` knows.
    """
    if bare and is_number(value):
        return float(value), bare
    parts = split_quantity(value) if isinstance(value, str) else None
    if parts is None or not (unit := unit_of(parts[1])):
        raise QuantityError(value, expected)
    return parts[0], unit
