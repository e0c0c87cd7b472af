"""Numbers as a person reads them: significant digits from their interval, units by the trial's `show`."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

from kit.data_file import data_file

Show = Literal["metric", "us", "both"]

NBSP: Final = "\u00a0"
THIN: Final = "\u202f"
MINUS: Final = "\u2212"
READ_WHOLE: Final = 1e12
"""From here on nobody reads a number digit by digit."""
RAISED: Final = str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹")
NONE: Final = "\u2013"

_US: Final = data_file(__file__, "us_units.toml")
_LB: Final = 0.45359237


@dataclass(frozen=True)
class Units:
    """How a trial wants its units shown.

    Attributes
    ----------
    show
        'metric', 'us' or 'both' (metric, then US in brackets).
    currency
        As the trial file names it; stands in the unit of prices and costs.
    """

    show: Show = "metric"
    currency: str = ""

    def systems(self) -> tuple[bool, ...]:
        """Return for each system to be shown whether it is the US one."""
        return {"metric": (False,), "us": (True,), "both": (False, True)}[self.show]

    @property
    def first(self) -> Units:
        """The system that stands first, alone: metric where both are shown."""
        return replace(self, show="us" if self.show == "us" else "metric")

    def heading(self, unit: str, *, difference: bool = False) -> str:
        """Return the unit as a table's heading gives it; '' where there is none."""
        names = [_unit_shown(unit, us, difference, self.currency) for us in self.systems()]
        return " ".join([names[0], *(f"({name})" for name in names[1:] if name != names[0])]).strip()

    def of_axis(self, unit: str, *, difference: bool = False) -> str:
        """Return the unit of an axis in words: the metric one where both systems are shown."""
        return _unit_shown(unit, self.show == "us", difference, self.currency)

    def on_axis(self, values: Any, unit: str, *, difference: bool = False) -> Any:
        """Return a series of numbers of the kit's unit in the unit of an axis."""
        import pandas as pd

        return convert(pd.to_numeric(values), unit, self.show == "us", difference=difference)


METRIC: Final = Units()


def convert(value: float, unit: str, us: bool, *, difference: bool = False) -> float:
    """Return a value of the kit's unit in the unit shown.

    A temperature becomes ×1.8 + 32; a difference of temperatures, and every unit with kelvin, ×1.8 alone.
    """
    if not us:
        return value
    if unit.endswith("/kg"):
        return value * _LB
    turned: float = value * _US.get(unit, [1.0])[0]
    return turned + 32 if unit == "°C" and not difference else turned


def _unit_shown(unit: str, us: bool, difference: bool = False, currency: str = "") -> str:
    if unit == "per h":
        return f"{currency} per h".strip()
    if unit.endswith("/kg"):
        return f"{unit[:-3] or currency}/{'lb' if us else 'kg'}"
    if unit not in _US:
        return unit
    return str(_US[unit][1]) if us else re.sub("^K", "°C", unit)


def decimals_for(low: float, high: float, digits: int = 2) -> int:
    """Return how many decimals show an interval's half width with the given digits (may be negative)."""
    half = abs(high - low) / 2
    if not math.isfinite(half) or half == 0:
        return 1
    place = digits - 1 - math.floor(math.log10(half))
    # 9.96 with two digits rounds to 10: the rounding itself must not add a digit
    return place - 1 if round(half, place) >= 10 ** (digits - place) else place


def setting_words(value: bool | float | Sequence[float]) -> str:
    """Return a setting as people write it: 'yes' or 'no', a number, or several."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    numbers = value if isinstance(value, Sequence) else [value]
    return ", ".join(f"{number:g}".replace("-", MINUS) for number in numbers)


def plain(value: float | None, decimals: int = 1) -> str:
    """Return a number with a true minus and narrow spaces between thousands; '–' where there is none.

    A negative count of decimals rounds to tens, hundreds and so on; what is beyond all sense is told by a
    power of ten.
    """
    if value is None or not math.isfinite(value):
        return NONE
    if abs(value) >= READ_WHOLE:
        digit, power = f"{abs(value):.0e}".split("e+")
        return f"{MINUS if value < 0 else ''}{digit}{NBSP}×{NBSP}10{power.lstrip('0').translate(RAISED)}"
    rounded = round(float(value), decimals) + 0.0
    text = f"{abs(rounded):,.{max(decimals, 0)}f}".replace(",", THIN)
    if len(text.split(".")[0]) < 6:
        text = text.replace(THIN, "")  # four digits are read whole
    return f"{MINUS}{text}" if rounded < 0 and float(f"{rounded:.{max(decimals, 0)}f}") != 0 else text


def limit(value: float, decimals: int) -> str:
    """Return an interval's end; one that is not zero never reads as zero: 'under 0.01', 'above −0.01'."""
    shown = plain(value, decimals)
    if value == 0 or shown.strip("0."):
        return shown
    least = plain(10.0**-decimals, decimals)
    return f"under {least}" if value > 0 else f"above {MINUS}{least}"


def quantity(
    value: float | None, unit: str, units: Units = METRIC, *, decimals: int = 1, difference: bool = False
) -> str:
    """Return a value with its unit, in the units shown: '251.3 °C (484.3 °F)'.

    Minutes from an hour on are written as hours and minutes.
    """
    if value is None or not math.isfinite(value):
        return NONE
    if unit == "min" and abs(value) >= 60:
        return duration(value)

    def write(us: bool) -> str:
        shown = plain(convert(value, unit, us, difference=difference), decimals_in(unit, us, decimals))
        return with_unit(shown, _unit_shown(unit, us, difference, units.currency))

    return in_each(units, write)


def decimals_in(unit: str, us: bool, decimals: int) -> int:
    """Return the decimals that keep a value's precision in the unit shown: 0.181 kg/L is 11.3 lb/ft³."""
    factor = abs(convert(1.0, unit, us, difference=True))
    return decimals if factor == 0 else decimals - round(math.log10(factor))


def with_unit(number: str, unit: str) -> str:
    """Return a number's text with its unit, if it has one."""
    return f"{number}{NBSP}{unit}" if unit else number


def with_unit_after(words: str, unit: str) -> str:
    """Return words with their unit, if there is one, as in a heading: 'peak temperature, °C'."""
    return f"{words}, {unit}" if unit else words


def in_each(units: Units, write: Callable[[bool], str], second: str = " ({})") -> str:
    """Return what is written in each system shown: the second in brackets, unless both read alike."""
    first, *others = dict.fromkeys(write(us) for us in units.systems())
    return first + "".join(map(second.format, others))


def to_range(
    value: float, low: float, high: float, unit: str, units: Units = METRIC, *, difference: bool = False
) -> str:
    """Return 'value unit (low to high)', digits from the interval; a limit that is not finite reads '–'."""

    def write(us: bool) -> str:
        turned = [convert(each, unit, us, difference=difference) for each in (value, low, high)]
        middle, lower, upper = (plain(each, decimals_for(turned[1], turned[2])) for each in turned)
        return f"{with_unit(middle, _unit_shown(unit, us, difference, units.currency))} ({lower} to {upper})"

    return in_each(units, write, "; {}")


def p_words(p: float) -> str:
    """Return a p value as shown: '<0.001', '0.012', '–' where there is none."""
    return plain(p, 3) if p != p or p >= 0.0005 else "<0.001"


def p_is(p: float) -> str:
    """Return what a p value is, in a sentence: '< 0.001', '= 0.012', '= 0.34'."""
    return "< 0.001" if p < 0.0005 else f"= {p:.{3 if p < 0.1 else 2}f}"


def duration(minutes: float | None) -> str:
    """Return minutes as a person says them: '42 min', '3 h 12 min', '2 d 4 h'."""
    if minutes is None or not math.isfinite(minutes):
        return NONE
    sign, whole = (MINUS if round(minutes) < 0 else ""), abs(round(minutes))
    hours, rest = divmod(whole, 60)
    if hours == 0:
        return f"{sign}{rest}{NBSP}min"
    if hours < 48:
        return f"{sign}{hours}{NBSP}h" + (f"{NBSP}{rest}{NBSP}min" if rest else "")
    return f"{sign}{hours // 24}{NBSP}d" + (f"{NBSP}{hours % 24}{NBSP}h" if hours % 24 else "")


def of_hundred(share: float) -> str:
    """Return a share as so many of 100: '97'; 'over 99' and 'under 1' where that would say all or none of them."""
    count = round(100 * share)
    return str(count) if 0 < count < 100 else "over 99" if count else "under 1"
