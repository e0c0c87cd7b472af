"""Amounts, intervals and counts in plain words: '34 °C (61 °F)', '22 %', 'six burns each from three bags'."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from kit.page.numbers import NBSP, Units, convert, plain
from kit.publish.phrases import phrase_of
from kit.schema import Metric

if TYPE_CHECKING:
    import pandas as pd

APART = "fuel and day (or cooker) cannot be separated here"

WORDS = (
    "no",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
)

TIMES_FROM = 2.0
"""From this ratio on a difference is told as a multiple, not in per cent."""


def capital(text: str) -> str:
    """Return text whose first letter is a capital."""
    return text[:1].upper() + text[1:]


def number_word(count: int) -> str:
    """Return a count as a word up to twelve."""
    return WORDS[count] if 0 <= count < len(WORDS) else str(count)


def counted(count: int, one: str, many: str = "") -> str:
    """Return 'one burn', 'six burns', '36 burns'."""
    return f"{number_word(count)} {one if count == 1 else many or one + 's'}"


def counts(a: str, b: str, burns: tuple[int, int], bags: tuple[int, int]) -> str:
    """Return n in words: 'six burns each, three bags each', or each fuel's own."""
    if burns[0] == burns[1] and bags[0] == bags[1]:
        of_bags = f", {counted(bags[0], 'bag')} each" if bags[0] else ""
        return f"{counted(burns[0], 'burn')} each{of_bags}"
    told = []
    for name, n, of in zip((a, b), burns, bags, strict=True):
        told.append(f"{counted(n, 'burn')} of {name}" + (f" from {counted(of, 'bag')}" if of else ""))
    return ", ".join(told)


def row_places(rows: pd.DataFrame) -> list[int] | None:
    """Return decimals for each row of a table with columns low and high; None where no row has an interval."""
    limits = [(low, high) for low, high in zip(rows["low"], rows["high"], strict=True)]
    known = [places(low, high) for low, high in limits if math.isfinite(low) and math.isfinite(high)]
    if not known:
        return None
    return [places(low, high) if math.isfinite(high - low) else max(known) for low, high in limits]


def places(low: float, high: float, *against: float) -> int:
    """Return decimals for a value told in words, from its interval.

    Whole numbers from a half width of two units on, one decimal below, and so on; more where rounding would
    put a limit upon zero or a margin it does not touch.
    """
    half = abs(high - low) / 2
    if not math.isfinite(half) or half == 0:
        return 0
    found = max(0, math.ceil(-math.log10(half / 2) - 1e-9))
    for _ in range(2):
        if not any(_merges(limit, other, found) for limit in (low, high) for other in (0.0, *against)):
            break
        found += 1
    return found


def _merges(limit: float, other: float, decimals: int) -> bool:
    return other == other and limit != other and round(limit, decimals) == round(other, decimals)


def threshold(spec: Metric, units: Units) -> str:
    """Return a metric's threshold or cook as words: '180 °C'."""
    try:
        return threshold_words(float(spec.argument), units)
    except ValueError:
        return spec.argument


def threshold_words(celsius: float, units: Units) -> str:
    """Return a temperature in whole degrees of the units shown: '180 °C (356 °F)'."""
    texts = [f"{plain(convert(celsius, '°C', us), 0)}{NBSP}{'°F' if us else '°C'}" for us in units.systems()]
    return texts[0] if len(texts) == 1 else f"{texts[0]} ({texts[1]})"


def label_of(spec: Metric, units: Units) -> str:
    """Return a metric's name with its threshold in the units shown, and its probe."""
    at = threshold(spec, units)
    stem = spec.label.removesuffix(" °C").removesuffix(spec.argument).strip() if spec.argument else spec.label
    name = f"{stem} {at}".strip()
    return f"{name}, probe {spec.probe}" if spec.probe else name


def is_degrees(unit: str) -> bool:
    """Return whether differences in this unit are differences of temperature."""
    return unit in ("°C", "K")


def margin_words(margin: float, spec: Metric, units: Units) -> str:
    """Return a margin on the analysis scale as written: '15 °C (27 °F)', '10 %'."""
    if spec.scale == "log":
        return f"{plain(100 * math.expm1(margin), 0)}{NBSP}%"
    decimals = 0 if margin == round(margin) else 1
    if is_degrees(spec.unit):
        return in_degrees(margin, decimals, decimals, units)
    return with_unit(plain(margin, decimals), spec.unit)


def in_degrees(value: float, celsius: int, fahrenheit: int, units: Units) -> str:
    """Return the size of a difference of temperatures in both units, the trial's first: '34 °C (61 °F)'."""
    first = f"{plain(abs(value), celsius)}{NBSP}°C"
    second = f"{plain(abs(convert(value, 'K', True)), fahrenheit)}{NBSP}°F"
    return f"{second} ({first})" if units.show == "us" else f"{first} ({second})"


def with_unit(number: str, unit: str) -> str:
    """Return a number's text with its unit, if it has one."""
    return f"{number}{NBSP}{unit}" if unit else number


@dataclass(frozen=True)
class Told:
    """A difference or ratio with its interval, ready to be told.

    Attributes
    ----------
    value, low, high
        A difference on the plain scale, a ratio on the log scale.
    margin
        On the analysis scale; blank where none was declared.
    """

    value: float
    low: float
    high: float
    margin: float
    spec: Metric
    units: Units

    @property
    def log(self) -> bool:
        """Whether a ratio is told."""
        return self.spec.scale == "log"

    @property
    def multiple(self) -> bool:
        """Whether it is told as a multiple: twice as much and more."""
        return self.log and self.value >= TIMES_FROM

    @property
    def above(self) -> bool:
        """Whether the first fuel is the larger one."""
        return self.value > (1.0 if self.log else 0.0)

    def _percents(self) -> tuple[float, float, float]:
        value, low, high = (100 * (each - 1) for each in (self.value, self.low, self.high))
        return value, low, high

    def _margins(self) -> tuple[float, ...]:
        if not math.isfinite(self.margin):
            return ()
        if self.log:
            return 100 * math.expm1(self.margin), 100 * math.expm1(-self.margin)
        return self.margin, -self.margin

    def _places(self, turn: float = 1.0) -> int:
        low, high = self._percents()[1:] if self.log else (self.low, self.high)
        return places(turn * low, turn * high, *(turn * each for each in self._margins()))

    @property
    def amount(self) -> str:
        """Its size without sign: '34 °C (61 °F)', '22 %', '2.4 times'."""
        if self.multiple:
            return f"{plain(self.value, self._times_places())}{NBSP}times"
        if self.log:
            return f"{plain(abs(self._percents()[0]), self._places())}{NBSP}%"
        return self._sized(self.value)

    def _times_places(self) -> int:
        return min(max(1, places(self.low, self.high)), 2)

    def _sized(self, value: float) -> str:
        if is_degrees(self.spec.unit):
            return in_degrees(value, self._places(), self._places(1.8), self.units)
        return with_unit(plain(abs(value), self._places()), self.spec.unit)

    @property
    def interval(self) -> str:
        """Its interval in its own direction: '20 to 48 °C', '13 to 35 %', '1.9 to 3.0 times'.

        Of a fuel 18 % below it reads '11 to 24 %'; a limit on the other side of zero carries a minus.
        """
        if not (math.isfinite(self.low) and math.isfinite(self.high)):
            return ""
        if self.multiple:
            decimals, unit, ends = self._times_places(), "times", (self.low, self.high)
        elif self.log:
            decimals, unit, ends = self._places(), "%", self._percents()[1:]
        else:
            us = is_degrees(self.spec.unit) and self.units.show == "us"
            turn = 1.8 if us else 1.0
            decimals, ends = self._places(turn), (turn * self.low, turn * self.high)
            unit = ("°F" if us else "°C") if is_degrees(self.spec.unit) else self.spec.unit
        low, high = ends if self.above else (-ends[1], -ends[0])
        return with_unit(f"{plain(low, decimals)} to {plain(high, decimals)}", unit)

    @property
    def reach(self) -> str:
        """An interval that holds zero: 'anything from 8 °C (14 °F) cooler to 22 °C (40 °F) hotter'."""
        return f"anything from {self.end(self.low)} to {self.end(self.high)}"

    @property
    def between(self) -> str:
        """The same for two that are equal within a margin: 'between 8 °C (14 °F) cooler and 9 °C … hotter'."""
        return f"between {self.end(self.low)} and {self.end(self.high)}"

    def end(self, value: float) -> str:
        """Return one size with its word: '8 °C (14 °F) cooler', '22 % longer', '2.4 times as long'."""
        phrase = phrase_of(self.spec)
        if self.log and value >= TIMES_FROM:
            return f"{plain(value, 1)}{NBSP}times {phrase.side_times}"
        if self.log:
            size = f"{plain(abs(100 * (value - 1)), self._places())}{NBSP}%"
            return f"{size} {phrase.side_more if value > 1 else phrase.side_less}"
        return f"{self._sized(value)} {phrase.side_more if value > 0 else phrase.side_less}"
