"""Amounts, intervals and counts in plain words: '34 °C (61 °F)', '22 %', 'six burns each, three bags each'."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from kit.data_file import data_file
from kit.errors import KitError
from kit.metrics import Metric
from kit.page.html_tables import Col, cols, numbers, table
from kit.page.shown_numbers import METRIC, NBSP, Units, convert, in_each, limit, plain, with_unit
from kit.page.text import Html, Parts, counted, element, listed, number_word, told, told_each

if TYPE_CHECKING:
    import pandas as pd

TIMES_FROM: Final = 2.0
"""From this ratio on a difference is told as a multiple, not in per cent."""
TOO_WIDE: Final = 10.0
"""An interval of ratios that spans more than this factor is no finding."""


@cache
def words() -> dict[str, Any]:
    """Return the words that reports share: glossary, paragraphs, sources, formulas, those of figures and tables."""
    return data_file(__file__, "words.toml")


def called(kind: str, word: str, otherwise: str = "") -> str:
    """Return what a word of this kind is called, as words.toml has it; else `otherwise`, or the word itself."""
    return str(words()["names"][kind].get(word, otherwise or word))


def refused(key: str, where: object, /, **parts: object) -> KitError:
    """Return the error of one fault: found, expected and remedy as words.toml has them, their parts filled in."""
    return KitError.refuse(str(where), *(each.format(**parts) for each in words()["refusals"][key]))


def refuse_all(faults: Iterable[KitError]) -> None:
    """Raise one error of all the problems of these; nothing where there are none."""
    problems = [problem for each in faults for problem in each.problems]
    if problems:
        raise KitError(problems)


def sentences_of(key: str, /, **parts: object) -> list[str]:
    """Return the sentences of one of the shared paragraphs that are there, their parts filled in."""
    return told_each(words()["paragraphs"][key], parts)


def paragraph_of(key: str, /, **parts: object) -> str:
    """Return one of the shared paragraphs with its parts filled in."""
    return " ".join(sentences_of(key, **parts))


def captioned(key: str, /, **parts: object) -> dict[str, str]:
    """Return caption and note of a table as they stand in words.toml under table.KEY, their {parts} filled in."""
    own = words()["table"][key]
    return {name: told(own.get(name, ""), parts) for name in ("caption", "note")}


def by_hand(what: str, verb: str) -> Html:
    """Return what a template says where it is run by hand: what was not written, and the verb that writes it."""
    return element("p", f"Run by hand: {what} written. ", element("code", f"repeatburn {verb}"), " does.")


def table_of(key: str, rows: pd.DataFrame, units: Units = METRIC, /, **parts: object) -> Html | None:
    """Return rows as a table whose caption, note, columns and group stand in words.toml; None without rows.

    A column stands there by its name, or by name and heading; numbers that share unit and decimals stand together.
    Their decimals are a number, or 'places' as the column of that name has them row by row; where that is blank, what
    three digits need. Of columns with `known` those without any value are left out, and those with `if = part` where
    that part does not hold.
    """
    if not len(rows):
        return None
    own = words()["table"][key]
    columns = [col for each in own["columns"] for col in _columns(each, rows, parts)]
    return table(rows, columns=columns, units=units, group=own.get("group", ""), **captioned(key, **parts))


def _columns(own: Any, rows: pd.DataFrame, parts: Mapping[str, object]) -> list[Col]:
    how: dict[str, Any] = own if isinstance(own, dict) else {"texts": [own]}
    if "if" in how and not Parts(parts)[how["if"]]:
        return []
    pairs = ([each, ""] if isinstance(each, str) else each for each in how.get("texts") or how["numbers"])
    named = [(name, heading.format(**parts)) for name, heading in pairs]
    if how.get("known"):
        named = [pair for pair in named if rows[pair[0]].replace("", None).notna().any()]
    if "texts" in how:
        return cols(*named)
    decimals = how.get("decimals", 0)
    if decimals == "places":
        decimals = rows["places"].dropna().tolist() or None
    unit, share = how.get("unit", "").format(**parts), how.get("share", False)
    return numbers(*named, unit=unit, decimals=decimals, share=share)


class Count(NamedTuple):
    """How many burns, of how many noted bags; and where only some have one noted, how many have none."""

    burns: int = 0
    bags: int = 0
    unnoted: int = 0

    @property
    def from_bags(self) -> str:
        """The bags in words: 'six bags', 'two noted bags' where some burns' are not; '' of none."""
        return counted(self.bags, "noted bag" if self.unnoted else "bag") if self.bags else ""

    def of(self, fuel: str) -> str:
        """Return it in words: 'six burns of alder lump from three bags', or that these are not all noted."""
        burns = f"{counted(self.burns, 'burn')} of {fuel}"
        unnoted = ", bags not all noted" * (self.unnoted > 0)
        return f"{burns} from {self.from_bags}" if self.bags and not unnoted else burns + unnoted


def alike(counts: Iterable[Count]) -> Count | None:
    """Return what is so of each fuel; None where they differ, or where some bags are not noted."""
    first, *others = set(counts) or {Count()}
    return None if others or first.unnoted else first


def counts_of_two(a: str, b: str, n: Sequence[Count]) -> str:
    """Return n in words: 'six burns each, three bags each', or each fuel's own."""
    if each := alike(n):
        of_bags = f", {counted(each.bags, 'bag')} each" if each.bags else ""
        return f"{counted(each.burns, 'burn')} each{of_bags}"
    return ", ".join(own.of(name) for name, own in zip((a, b), n, strict=True))


def burns_named(burns: Sequence[object], most: int = 10_000, made: int = 0) -> str:
    """Return 'burn 07', 'burns 07 and 12', from so many on how many they are, of all that were made 'all six burns'."""
    names = list(dict.fromkeys(map(str, burns)))
    if len(names) == made > 2:
        return f"all {counted(made, 'burn')}"
    return f"burn{'s' * (len(names) > 1)} {listed(names)}" if len(names) <= most else f"{len(names)} burns"


def plural(kind: str) -> str:
    """Return a type as fuels of it are called: 'lump fuels', 'briquettes'."""
    return f"{kind}s" if kind.endswith("ette") else f"{kind} fuels"


def row_places(rows: pd.DataFrame) -> list[int] | None:
    """Return decimals for each row of a table with columns low and high; None where no row has an interval."""
    limits = list(zip(rows["low"], rows["high"], strict=True))
    known = [places(low, high) for low, high in limits if math.isfinite(low) and math.isfinite(high)]
    if not known:
        return None
    return [places(low, high) if math.isfinite(high - low) else max(known) for low, high in limits]


def places(low: float, high: float, *, alone: bool = False) -> int:
    """Return decimals for a value told in words, from its interval.

    Whole numbers from a half width of two units on, one decimal below, and so on; more where rounding would
    put a limit upon zero, unless each limit is told with its own (`alone`).
    """
    half = abs(high - low) / 2
    if not math.isfinite(half) or half == 0:
        return 0
    decimals = max(0, math.ceil(-math.log10(half / 2) - 1e-9))
    return decimals if alone else max(places_of_end(end, decimals) for end in (low, high))


def places_of_end(end: float, decimals: int, *against: float) -> int:
    """Return decimals for a limit that has so many, more where it would read as zero or a margin it does not touch."""
    for _ in range(2):
        decimals += any(end != at and round(end, decimals) == round(at, decimals) for at in (0.0, *against))
    return decimals


def estimate(mean: float, low: float, high: float, unit: str, us: bool) -> str:
    """Return a mean with its interval, without unit: '261 ± 14', '65 (58 to 72)' where it is not symmetric."""
    middle, lower, upper = (convert(each, unit, us) for each in (mean, low, high))
    half = (upper - lower) / 2
    if not math.isfinite(half):
        whole = abs(middle) >= 100 or middle == round(middle)
        return plain(middle, 0 if whole else 1 if abs(middle) >= 10 else 2)
    digits = places(lower, upper)
    if abs((upper + lower) / 2 - middle) <= 0.02 * half:
        return f"{plain(middle, digits)}{NBSP}±{NBSP}{plain(half, digits)}"
    return f"{plain(middle, digits)} ({limit(lower, digits)} to {limit(upper, digits)})"


def estimate_words(mean: float, low: float, high: float, unit: str, units: Units) -> str:
    """Return a mean with its interval in the units shown: '261 ± 14 °C (501 ± 25 °F)', '65 min (58 to 72)'."""

    def write(us: bool) -> str:
        number, bracket, limits = estimate(mean, low, high, unit, us).partition(" (")
        named = with_unit(number, replace(units, show="us" if us else "metric").heading(unit))
        return f"{named}{bracket}{limits}"

    return in_each(units, write, ", {}" if "(" in write(units.first.show == "us") else " ({})")


def threshold(spec: Metric, units: Units) -> str:
    """Return a metric's threshold or cook as words: '180 °C'."""
    try:
        return threshold_words(float(spec.argument), units)
    except ValueError:
        return spec.argument


def threshold_words(celsius: float, units: Units) -> str:
    """Return a temperature in whole degrees of the units shown: '180 °C (356 °F)'."""
    return in_each(units, lambda us: f"{plain(convert(celsius, '°C', us), 0)}{NBSP}{'°F' if us else '°C'}")


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
        return in_degrees(margin, decimals, units)
    return with_unit(plain(margin, decimals), spec.unit)


def in_degrees(value: float, decimals: int, units: Units) -> str:
    """Return the size of a difference of temperatures in both units, the trial's first: '34 °C (61 °F)'."""
    first = f"{limit(abs(value), decimals)}{NBSP}°C"
    second = f"{limit(abs(convert(value, 'K', True)), decimals)}{NBSP}°F"
    return f"{second} ({first})" if units.show == "us" else f"{first} ({second})"


def ends_of(values: pd.Series[Any], digits: int) -> str:
    """Return the lowest and the highest of some numbers: '88 to 94', or the one that both are; '' of none."""
    ends = values.astype(float).agg(["min", "max"]).dropna()
    return " to ".join(dict.fromkeys(f"{end:.{digits}g}" for end in ends))


def ends_known(rows: pd.DataFrame) -> tuple[str, list[float]]:
    """Return the lowest and the highest of some values; where some are bounds, the one that holds for all of them.

    Before them stands 'at least' or 'at most', 'bounds of' where some are each; '' where all are exact.
    """
    values = rows["value"].dropna().astype(float)
    bounds = sorted({*rows.loc[values.index, "status"]} - {"exact"})
    if len(bounds) == 1:
        return bounds[0], [values.min() if bounds[0] == "at least" else values.max()]
    return "bounds of" if bounds else "", list(dict.fromkeys(values.agg(["min", "max"]).dropna()))


def range_words(low: float, high: float) -> str:
    """Return an interval's ends: '240 to 262'; one decimal where an end is not known."""
    digits = places(low, high) if math.isfinite(high - low) else 1
    return f"{limit(low, digits)} to {limit(high, digits)}"


@dataclass(frozen=True)
class Amount:
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

    @property
    def turned(self) -> Amount:
        """The same, told from the side of the second fuel."""
        value, low, high = -self.value, -self.high, -self.low
        if self.log:
            value, low, high = 1 / self.value, 1 / self.high, 1 / self.low if self.low > 0 else math.inf
        return replace(self, value=value, low=low, high=high)

    @property
    def clause(self) -> str:
        """The clause of its metric that tells it, with places for a, b, at and amount."""
        phrases = self.spec.phrases
        return phrases.times if self.multiple else phrases.more if self.above else phrases.less

    def said_of(self, a: str, b: str, clause: str = "") -> str:
        """Return a clause of its metric, else the one that tells it, of two names."""
        told = clause or self.clause
        filled = told.format(a=a, b=b, at=threshold(self.spec, self.units), amount=self.size)
        for name in (a, b):  # a name that ends in s takes its apostrophe alone
            filled = filled.replace(f"{name}'s", f"{name}'") if name.endswith("s") else filled
        return filled

    @property
    def holds_zero(self) -> bool:
        """Whether its interval holds no difference."""
        return self.low <= (1.0 if self.log else 0.0) <= self.high

    @property
    def known(self) -> bool:
        """Whether it has an interval that says something: finite, and not more than a factor of ten wide."""
        return math.isfinite(self.high - self.low) and (not self.log or self.high <= TOO_WIDE * self.low)

    def _places(self, value: float) -> int:
        """Return decimals for its value, or for a limit: no limit reads as zero, or as a margin it does not touch."""
        told = np.array([value, self.low, self.high, self.margin, -self.margin])
        if self.log:
            told = 100 * np.r_[told[:3] - 1, np.expm1(told[3:])]
        turns = (1.8, 1.0) if self.units.show == "us" else (1.0, 1.8)
        systems = [turn * told for turn in (turns if is_degrees(self.spec.unit) else (1.0,))]
        usual = places(*systems[0][1:3], alone=True)
        limits = systems if value in (self.low, self.high) else []
        return max([usual, *(places_of_end(shown[0], usual, *shown[3:]) for shown in limits)])

    @property
    def size(self) -> str:
        """Its size without sign: '34 °C (61 °F)', '22 %', '2.4 times'."""
        return self._times(self.value) if self.multiple else self._sized(self.value)

    def _times(self, value: float) -> str:
        decimals = 0 if value >= TOO_WIDE else min(max(1, places(self.low, self.high)), 2)
        return f"{plain(value, decimals)}{NBSP}times"

    def _sized(self, value: float) -> str:
        decimals = self._places(value)
        if self.log:
            return f"{limit(abs(100 * (value - 1)), decimals)}{NBSP}%"
        if is_degrees(self.spec.unit):
            return in_degrees(value, decimals, self.units)
        return with_unit(limit(abs(value), decimals), self.spec.unit)

    @property
    def interval(self) -> str:
        """Its interval in its own direction, both limits on one side: '20 to 48 °C', '13 to 35 %', '1.9 to 3.0 times'.

        Where zero lies inside, each limit carries its word: '8 °C (14 °F) cooler to 22 °C (40 °F) hotter'.
        """
        if not self.known:
            return ""
        if self.holds_zero:
            return f"{self.end(self.low)} to {self.end(self.high)}"
        if self.multiple:
            least, most = self._times(self.low), self._times(self.high)
            return most if least == most else f"{least.removesuffix(f'{NBSP}times')} to {most}"
        unit, turn = "%" if self.log else self.spec.unit, 1.0
        if is_degrees(unit):
            unit, turn = ("°F", 1.8) if self.units.show == "us" else ("°C", 1.0)
        ends = (self.low, self.high) if self.above else (self.high, self.low)
        sizes = (100 * abs(end - 1) if self.log else turn * abs(end) for end in ends)
        told = [limit(size, self._places(end)) for size, end in zip(sizes, ends, strict=True)]
        return with_unit(" to ".join(told), unit)

    @property
    def directed(self) -> str:
        """Its interval, the direction in every limit: '50 to 102 °C hotter', '36 % shorter to 2 % longer'."""
        if not self.known or self.holds_zero:
            return self.interval
        phrase = self.spec.phrases
        side = phrase.side_times if self.multiple else phrase.side_more if self.above else phrase.side_less
        return f"{self.interval} {side}"

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
        phrase = self.spec.phrases
        if self.log and value >= TIMES_FROM:
            far = f"more than {number_word(int(TOO_WIDE))}" if value > TOO_WIDE and self.holds_zero else ""
            return f"{far or plain(value, 0 if value >= TOO_WIDE else 1)}{NBSP}times {phrase.side_times}"
        more = value > (1.0 if self.log else 0.0)
        return f"{self._sized(value)} {phrase.side_more if more else phrase.side_less}"


def amount_of(
    row: Any, spec: Metric, units: Units, limits: tuple[str, str] = ("low", "high"), margin: float = math.nan
) -> Amount:
    """Return the difference that a row of comparisons holds, with one of its pairs of limits, ready to be told."""
    value = row.ratio if row.scale == "log" else row.difference
    low, high = (float(getattr(row, end)) for end in limits)
    return Amount(float(value), low, high, margin, spec, units)
