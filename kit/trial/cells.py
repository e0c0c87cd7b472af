"""The grammar of cells, in sheets and in logs alike: numbers, units and stamps; and quantities as a person writes them.

These are temperatures, differences of them and percentages, as a trial file has them.
"""

import math
import re
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import date
from functools import lru_cache
from typing import Any, TypeGuard

import numpy as np
import numpy.typing as npt

from kit.data_file import data_file
from kit.schema import FAHRENHEIT_STEP, KELVIN

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Codes = npt.NDArray[np.int8]
WORDS: dict[str, Any] = data_file(__file__, "words.toml")
"""Words and signs of loggers, as data."""

BLANKS = " \t\u00a0\u202f\u2009\u200b\ufeff"
LONGEST_CELL, LARGEST = 80, 1e300
"""A longer cell is text: nothing that is read is as long; a larger number is none."""

_SIGN = r"(?:°|º|˚|deg\.?|degrees?)?\s?"
UNIT = rf"{_SIGN}(?:celsius|fahrenheit|kelvin|[CFK])|℃|℉|°|º"
NUMBER = r"[+\-−]?\s*(?:[0-9](?:[0-9.,'’\u00a0\u202f\u2009]| (?=[0-9]{3}(?![0-9])))*|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?"
PLAIN_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?$")
WITH_UNIT = re.compile(rf"({NUMBER})\s*({UNIT})\.?$", re.IGNORECASE)
_SCALE = re.compile(rf"{_SIGN}([CFK])(?:elsius|ahrenheit|elvin)?\.?|(℃|℉)", re.IGNORECASE)

MONTHS = {word: month for month, words in enumerate(WORDS["dates"]["months"], 1) for word in words.split()}
WEEKDAYS = {word: day for day, words in enumerate(WORDS["dates"]["weekdays"]) for word in words.split()}
_WEEKDAY = rf"(?:(?:{'|'.join(sorted(WEEKDAYS, key=len, reverse=True))})\.?,?\s)?\s?"
_MONTH = r"(?P<mon>[^\W\d_]{3,10})\.?"
_DATES = (
    r"(?P<y>[0-9]{4})[-/.](?P<m>[0-9]{1,2})[-/.](?P<d>[0-9]{1,2})",
    r"(?P<a>[0-9]{1,2})(?P<sep>[-/.])\s?(?P<b>[0-9]{1,2})[-/.]\s?(?P<c>[0-9]{4}|[0-9]{2})",
    rf"(?P<d>[0-9]{{1,2}})[-/ .]{{1,3}}{_MONTH}[-/ ,]{{1,3}}(?P<y>[0-9]{{4}}|[0-9]{{2}})",
    rf"{_MONTH}\s{{1,2}}(?P<d>[0-9]{{1,2}}),?\s{{1,2}}(?P<y>[0-9]{{4}})",
    rf"(?P<y>[0-9]{{4}})[-/ ]{_MONTH}[-/ ](?P<d>[0-9]{{1,2}})",
)
_HALF = r"(?:\s*(?P<half>[ap])\.?\s?m\.?)?"
_CLOCK = (
    r"(?P<h>[0-9]{1,4}):(?P<mi>[0-9]{1,2})(?:(?::(?P<s>[0-9]{1,2})(?:[.,:](?P<f>[0-9]{1,9}))?)|\.(?P<s2>[0-9]{2}))?"
    + _HALF
)
_CLOCKS = (_CLOCK, r"(?P<h>[0-9]{1,2})h(?P<mi>[0-9]{2})(?:m(?P<s>[0-9]{2})s?)?")
_DOTTED = r"(?P<h>[0-9]{1,2})\.(?P<mi>[0-9]{2})\.(?P<s>[0-9]{2})" + _HALF
"""Hours, minutes and seconds parted by points: a clock only beside a date, since alone it could be one."""
_OFFSET = r"(?:\s?(?P<zone>Z|UTC|GMT)?(?P<off>[+-][0-9]{2}(?::?[0-9]{2})?)?)"
_COMPACT = r"(?P<y>[0-9]{4})(?P<m>[0-9]{2})(?P<d>[0-9]{2})"
_GAP = r"(?:[T_,-]\s?|\s{1,2}|:)"


def _compiled(*texts: str) -> tuple[re.Pattern[str], ...]:
    return tuple(re.compile(text, re.IGNORECASE) for text in texts)


_GRAMMAR: dict[str, tuple[re.Pattern[str], ...]] = {
    "stamp": _compiled(
        *(rf"{_WEEKDAY}{date}\.?{_GAP}{clock}{_OFFSET}" for date in _DATES for clock in (*_CLOCKS, _DOTTED)),
        *(rf"{clock}[ ,]\s?{_WEEKDAY}{date}" for date in _DATES for clock in _CLOCKS),
        rf"{_WEEKDAY}{_MONTH}\s{{1,2}}(?P<d>[0-9]{{1,2}})\s{_CLOCK}\s(?P<y>[0-9]{{4}})",
        rf"{_COMPACT}{_GAP}{_CLOCK}{_OFFSET}",
        rf"{_COMPACT}T?(?P<h>[0-9]{{2}})(?P<mi>[0-9]{{2}})(?P<s>[0-9]{{2}})(?:\.(?P<f>[0-9]{{1,9}}))?{_OFFSET}",
    ),
    "date": _compiled(*(rf"{_WEEKDAY}{date}\.?" for date in _DATES)),
    "clock": _compiled(*(rf"(?P<minus>-?){clock}{_OFFSET}" for clock in _CLOCKS)),
}
COMPACT_DATE = re.compile(_COMPACT)
"""Eight digits as year, month and day: a number, unless its column is a date's."""
DOTTED_CLOCK = re.compile(_DOTTED, re.IGNORECASE)
"""A clock parted by points, which alone is a date's."""


def match_stamp(text: str) -> tuple[str, re.Match[str]] | None:
    """Return 'stamp', 'date' or 'clock' and the match with its fields, or None for what is none of them.

    Fields: y m d, or a b c where their order is open; mon; h mi s (or s2) f; minus; half; zone, off; sep.
    """
    for kind, patterns in _GRAMMAR.items():
        for pattern in patterns:
            match = pattern.fullmatch(text)
            if match and (not (mon := match.groupdict().get("mon")) or mon.casefold() in MONTHS):
                return kind, match
    return None


def stamp_fields(text: str) -> dict[str, str]:
    """Return the fields of a date, a time of day or both, as `match_stamp` names them; none where it is no such."""
    stamp = match_stamp(text) if len(text) <= LONGEST_CELL else None
    return {name: part for name, part in stamp[1].groupdict().items() if part} if stamp else {}


def date_of(fields: Mapping[str, str], day_first: bool | None = None) -> date | None:
    """Return the date that fields of a stamp say, None where there is none or the calendar does not have it.

    Of a date such as 05/06/2026 the day stands first where points part it, else as told, else as a number above 12
    proves; where nothing does, and it matters, there is no date.
    """
    if "a" in fields:
        a, b, year = fields["a"], fields["b"], fields["c"]
        if fields["sep"] == ".":
            day_first = True
        elif day_first is None and (max(int(a), int(b)) > 12 or int(a) == int(b)):
            day_first = int(a) > 12
        if day_first is None:
            return None
        day, month = (a, b) if day_first else (b, a)
    elif "d" in fields:
        year, day = fields["y"], fields["d"]
        month = fields.get("m") or str(MONTHS[fields["mon"].casefold()])
    else:
        return None
    with suppress(ValueError):
        return date(int(year) + 2000 * (len(year) == 2), int(month), int(day))
    return None


@lru_cache(maxsize=65536)
def split_unit(cell: str) -> tuple[str, str]:
    """Return number text and unit letter ('C', 'F', 'K' or '') of a cell with its unit glued on."""
    match = WITH_UNIT.match(cell.strip(BLANKS)) if len(cell) <= LONGEST_CELL else None
    return (match[1].strip(), temperature_unit(match[2])) if match else (cell.strip(BLANKS), "")


def temperature_unit(word: str) -> str:
    """Return 'C', 'F' or 'K' for a unit of temperature in any common spelling, '' for anything else."""
    match = _SCALE.fullmatch(word.strip(BLANKS))
    return {"℃": "C", "℉": "F"}.get(match[2], match[1]).upper() if match else ""


@lru_cache(maxsize=65536)
def to_number(cell: str, decimal: str) -> float | None:
    """Return the number a cell says under a decimal mark, or None where it says none.

    Thousands marks are accepted only in groups of three.
    """
    number = any_number(cell, decimal)
    return None if number is None or abs(number) >= LARGEST else number


def any_number(cell: str, decimal: str) -> float | None:
    """Return the number a cell says, however large; else as `to_number`."""
    if len(cell) > LONGEST_CELL:
        return None
    if decimal == "." and PLAIN_NUMBER.match(cell):
        return float(cell)
    text = re.sub(r"^([+\-−]?)\s+", r"\1", cell.strip(BLANKS)).replace("−", "-")
    plain, grouped, thousands = _number_patterns(decimal)
    if not (plain.match(text) or grouped.match(text)):
        return None
    return float(thousands.sub("", text).replace(decimal, "."))


@lru_cache(maxsize=2)
def _number_patterns(decimal: str) -> tuple[re.Pattern[str], ...]:
    """Return the patterns of a plain number, of one in groups of three, and of what parts these."""
    thousands = rf"[{'.' if decimal == ',' else ','}'’ \u00a0\u202f\u2009]"
    mark, exponent = re.escape(decimal), r"(?:[eE][+-]?[0-9]+)?$"
    plain = rf"[+-]?(?:[0-9]+{mark}?[0-9]*|{mark}[0-9]+){exponent}"
    grouped = rf"[+-]?[0-9]{{1,3}}(?:({thousands})[0-9]{{3}}(?:\1[0-9]{{3}})*)?(?:{mark}[0-9]*)?{exponent}"
    return re.compile(plain), re.compile(grouped), re.compile(thousands)


@lru_cache(maxsize=65536)
def decimal_evidence(cell: str) -> str:
    """Return which decimal mark a number's text proves: '.', ',', 'both ways' or '' where it has no mark.

    'both ways' is one comma or point before exactly three digits: thousands or decimals.
    """
    if cell.isdigit():
        return ""
    text = re.sub(r"[eE][+-]?[0-9]+$", "", split_unit(cell)[0].lstrip("+-−" + BLANKS))
    points, commas = text.count("."), text.count(",")
    if points and commas:
        return "." if text.rfind(".") > text.rfind(",") else ","
    if not points + commas:
        return ""
    mark, other = (".", ",") if points else (",", ".")
    whole, _, rest = text.partition(mark)
    if points + commas > 1:
        return other
    return "both ways" if len(rest) == 3 and 1 <= len(whole) <= 3 and whole[0] != "0" else mark


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
