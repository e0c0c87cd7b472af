"""Quantities as a person writes them: '230 °F' a temperature, '27 °F' a difference, '10 %' a share."""

from __future__ import annotations

import math
import re

KELVIN = 273.15
FAHRENHEIT_STEP = 1.8
"""°F in one K: differences are divided by it and never shifted by 32."""

_QUANTITY = re.compile(r"\s*([+-]?[0-9]+(?:[.,][0-9]+)?)\s*(.*?)\s*\Z", re.DOTALL)
_SCALES = {
    "c": "°C",
    "degc": "°C",
    "celsius": "°C",
    "f": "°F",
    "degf": "°F",
    "fahrenheit": "°F",
    "k": "K",
    "kelvin": "K",
}
_PERCENT = frozenset({"%", "percent", "per cent", "pct"})
_DEGREE_SIGNS = str.maketrans({"°": "", "º": "", "˚": "", "℃": "c", "℉": "f", " ": "", "\u00a0": ""})


class QuantityError(ValueError):
    """A quantity that cannot be read; says what could stand there."""

    def __init__(self, found: object, expected: str) -> None:
        self.found = repr(found) if isinstance(found, str) else str(found)
        self.expected = expected
        super().__init__(f"found {self.found}; expected {expected}")


def split_quantity(text: str) -> tuple[float, str] | None:
    """Return number and unit of a text such as '1.5 °C', or None where it holds no number.

    A comma is a decimal mark unless three digits follow it, which could be thousands: then None.
    """
    match = _QUANTITY.match(text.replace("−", "-").replace("\u00a0", " "))
    if match is None or re.search(r",[0-9]{3}\Z", match[1]):
        return None
    return float(match[1].replace(",", ".")), match[2]


def temperature_unit(unit: str) -> str | None:
    """Return '°C', '°F' or 'K' for any common spelling of it, else None."""
    return _SCALES.get(unit.translate(_DEGREE_SIGNS).casefold().removeprefix("degrees").removesuffix("."))


def parse_temperature(value: object) -> float:
    """Return a temperature in °C: a number is °C, a text carries its unit ('230 °F' is 110).

    Raises
    ------
    QuantityError
        Where it is no temperature, or colder than absolute zero.
    """
    expected = 'a temperature in °C, or one with its unit, as "230 °F"'
    number, unit = _number_and_scale(value, expected)
    celsius = {"°C": number, "°F": (number - 32) / FAHRENHEIT_STEP, "K": number - KELVIN}[unit]
    if celsius < -KELVIN:
        raise QuantityError(value, expected + ", above absolute zero")
    return round(celsius, 9)


def parse_difference(value: object) -> float:
    """Return a difference of temperatures in K: '27 °F' is 15, never shifted by 32.

    Raises
    ------
    QuantityError
        Where it is no difference of temperatures.
    """
    number, unit = _number_and_scale(value, 'a difference of temperatures, as "15 °C" or "27 °F"')
    return round(number / FAHRENHEIT_STEP if unit == "°F" else number, 9)


def parse_percent(value: object) -> float:
    """Return the fraction of a text such as '10 %' (0.1).

    Raises
    ------
    QuantityError
        Where it is no percentage.
    """
    parts = split_quantity(value) if isinstance(value, str) else None
    if parts is None or parts[1].casefold() not in _PERCENT:
        raise QuantityError(value, 'a percentage, as "10 %"')
    return parts[0] / 100


def _number_and_scale(value: object, expected: str) -> tuple[float, str]:
    if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
        return float(value), "°C"
    parts = split_quantity(value) if isinstance(value, str) else None
    unit = temperature_unit(parts[1]) if parts else None
    if parts is None or unit is None:
        raise QuantityError(value, expected)
    return parts[0], unit
