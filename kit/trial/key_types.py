"""What may stand for a key of trial.toml: texts, numbers, dates, and quantities as a person writes them."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from contextlib import suppress
from datetime import date, datetime, time
from typing import Annotated, TypeGuard

from pydantic import AfterValidator, BeforeValidator, Field, Strict

from kit.errors import nearest
from kit.trial.cells import temperature_unit
from kit.trial.clocks import read_time
from kit.trial.decode import clean_id, clean_text

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


WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


def _cleaned(text: str) -> str:
    cleaned, unseen = clean_text(text)
    if unseen:
        raise QuantityError(text, "text without control or hidden characters")
    return cleaned


def _identified(text: str) -> str:
    cleaned, unseen = clean_id(text)
    if unseen or not cleaned:
        raise QuantityError(text, "a short name without control or hidden characters")
    return cleaned


def _plain_id(text: str) -> str:
    name = _identified(text)
    if re.search("[@:;,+]", name):
        raise QuantityError(
            text, "a name without @ : ; , or +, which have a meaning in metric ids and sheets"
        )
    return name


def _dated(value: object) -> date:
    if isinstance(value, str) and re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value.strip()):
        with suppress(ValueError):
            value = date.fromisoformat(value.strip())
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    raise QuantityError(value, "a date of the calendar as 2026-05-14 (year-month-day)")


def _time_of_day(value: object) -> time:
    if isinstance(value, time):
        return value
    seconds = read_time(value.strip()) if isinstance(value, str) else None
    if seconds is None:
        raise QuantityError(value, 'a time of day, as "08:30"')
    return time(int(seconds // 3600), int(seconds // 60 % 60), int(seconds % 60))


def _weekday(value: object) -> str:
    word = value.strip().capitalize() if isinstance(value, str) else ""
    full = next((day for day in WEEKDAYS if len(word) > 1 and day.startswith(word)), None)
    if full is None:
        raise QuantityError(value, 'days of the week, as ["Sat", "Sun"]')
    return full


def _zone(text: str) -> str:
    from zoneinfo import ZoneInfo, available_timezones

    with suppress(ValueError, OSError, KeyError):
        return ZoneInfo(text).key
    raise QuantityError(text, "a time zone as 'Europe/Berlin'", nearest(text, available_timezones()))


def number_as_text(value: object) -> object:
    """Return a number as text, anything else as it is: `class = 1` is as good as "1"."""
    return str(value) if isinstance(value, int | float) and not isinstance(value, bool) else value


def listed(value: object) -> object:
    """Return a single text or whole number as a list of one."""
    return [value] if isinstance(value, str | int) and not isinstance(value, bool) else value


def _column_names(value: object) -> object:
    names = listed(value)
    return [number_as_text(each) for each in names] if isinstance(names, list) else names


Text = Annotated[str, Strict(), AfterValidator(_cleaned)]
Name = Annotated[str, Strict(), AfterValidator(_identified)]
PlainName = Annotated[str, Strict(), AfterValidator(_plain_id)]
Count = Annotated[int, Strict(), Field(ge=1)]
Temperature = Annotated[float, BeforeValidator(parse_temperature)]
Difference = Annotated[float, BeforeValidator(parse_difference), Field(gt=0)]
Date = Annotated[date, BeforeValidator(_dated)]
TimeOfDay = Annotated[time, BeforeValidator(_time_of_day)]
Weekday = Annotated[str, BeforeValidator(_weekday)]
Zone = Annotated[str, Strict(), AfterValidator(_zone)]
Yes = Annotated[bool, Strict()]
Columns = Annotated[tuple[Name, ...], BeforeValidator(_column_names)]
"""Headings of a logger's file, or places counted from 1."""
Names = Annotated[tuple[Name, ...], BeforeValidator(listed)]
