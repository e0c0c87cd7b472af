"""One metric as one record (how it is measured, unit, scale, better direction, words), and what was measured of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from kit.data_file import data_file
from kit.metrics.burn import Burn

Scale = Literal["plain", "log"]
Better = Literal["more", "less", ""]
Source = Literal["curve", "sheet", "declared"]
Takes = Literal["threshold", "cook", ""]

SOURCES = ("resolution", "sampling", "gaps", "balance", "clock")
"""Sources of uncertainty that a burn has on its own: they shrink with more burns."""
MINUTE = 60.0
RECTANGLE = math.sqrt(12)
"""Anywhere in an interval: its width over √12 is the standard uncertainty (GUM 4.3.7)."""
NO_DOUBT: Mapping[str, float] = {}
_NOTHING = 1e-9


@dataclass(frozen=True)
class Phrases:
    """Sentences of one metric, with {a}, {b}, {amount} and {at} (a threshold or a cook) to fill in.

    Attributes
    ----------
    more, less
        A clause in which {a} is above or below {b} by {amount}.
    times
        The same as a multiple: {amount} is '2.4 times'.
    question
        What is asked of {a} and {b}, after 'whether'.
    same
        A clause in which both are the same.
    chance
        What a new bag does that gives more: it will '…' in 97 of 100 pairs.
    short, short_less
        Two or three words for a caption, in which {a} has more, or less, of it.
    best, was_best, as_good
        What the best is called, what it did, what another may be as well: 'hottest', 'peaked hottest', 'as hot'.
    side_more, side_less, side_times
        What follows a bare amount: '22 % longer', '8 % shorter', '2.4 times as long'.
    larger, smaller
        Words at the ends of an axis: 'hotter', 'cooler'.
    """

    more: str
    less: str
    times: str
    question: str
    same: str
    chance: str
    short: str
    short_less: str
    best: str = ""
    was_best: str = ""
    as_good: str = "as good"
    side_more: str = "more"
    side_less: str = "less"
    side_times: str = "as much"
    larger: str = "more"
    smaller: str = "less"


PHRASES: dict[str, dict[str, str]] = data_file(__file__, "phrases.toml")


@dataclass(frozen=True)
class MeasuredValue:
    """One metric of one burn.

    Attributes
    ----------
    value
        In the metric's unit; a bound where `status` says so; NaN where there is none.
    status
        One of schema.STATUSES.
    u
        Standard uncertainty by source, in the metric's unit; empty for bounds.
    note
        Why it is missing or a bound, in a tester's words.
    """

    value: float
    status: str = "exact"
    u: Mapping[str, float] = field(default_factory=dict)
    note: str = ""

    @property
    def total_u(self) -> float:
        """Root of the sum of squares over the sources; NaN for bounds (GUM 5.1.2, uncorrelated)."""
        if self.status != "exact":
            return math.nan
        return math.sqrt(sum(part * part for part in self.u.values()))


def missing(note: str) -> MeasuredValue:
    """Return a metric that was not measured, with the reason."""
    return MeasuredValue(math.nan, "missing", note=note)


def never(note: str) -> MeasuredValue:
    """Return a threshold that a completed burn never reached."""
    return MeasuredValue(math.nan, "never", note=note)


def bounded(
    value: float, u: Mapping[str, float] = NO_DOUBT, *, more: str = "", less: str = ""
) -> MeasuredValue:
    """Return a value that the truth may exceed or fall short of.

    Parameters
    ----------
    value
        What was seen.
    u
        For an exact value: standard uncertainty by source.
    more, less
        Why the truth may be more or less, '' where it may not. Both: nothing is known.
    """
    if more and less:
        return missing(f"{more}; {less}")
    if more or less:
        return MeasuredValue(value, "at least" if more else "at most", note=more or less)
    return MeasuredValue(value, "exact", u)


def floor_zero(measured: MeasuredValue, least: float, what: str, why: str = "none was seen") -> MeasuredValue:
    """Return a zero as 'at most' the least that can be told from it (DEVELOPERS.md, method 9).

    Parameters
    ----------
    measured
        A metric of the log scale.
    least
        The least that can be told from zero, in the metric's unit.
    what
        Its name: 'one sampling interval'.
    why
        What zero means here.
    """
    if not measured.value <= _NOTHING:
        return measured
    if measured.status == "at least":
        return missing(f"{measured.note}; {why} before")
    if measured.status in ("exact", "at most") and least > 0:
        return MeasuredValue(least, "at most", note=f"{why}: less than {what}")
    return missing(f"zero, and {what} is not known")


def declared(burn: Burn, metric: Metric) -> MeasuredValue:
    """Return a column of the burn sheet that the trial declares as a metric.

    A count of none is 'at most 1' on the scale of ratios, as a duration of zero is at most one sampling interval.
    """
    value = burn.row.declared.get(metric.base, math.nan)
    if math.isnan(value):
        return missing(f"{metric.base} is blank")
    if metric.counted:
        return floor_zero(MeasuredValue(value), 1.0, "one", "none was counted")
    if metric.scale == "log" and value <= 0:
        remedy = 'it needs scale = "plain", or "count" if it is a number of things'
        return missing(f"{metric.base} is {value:g}: {remedy}")
    return MeasuredValue(value)


@dataclass(frozen=True)
class Metric:
    """What one metric id stands for.

    Attributes
    ----------
    id, base, argument, probe
        'time_above:180@upper' has base 'time_above', argument '180', probe 'upper'.
    label, unit, scale
        A person's name for it, its unit, and the scale it is analysed on.
    source
        'curve' (from readings), 'sheet' (from the burn sheet) or 'declared' (a column of the trial's own).
    better
        'more', 'less' or '' where neither is better in itself.
    counted
        Whether a value is a number of things: compared as ratios, and none of them is 'at most 1'.
    takes
        What the id's argument is: 'threshold' in °C, 'cook', or '' for none.
    definition
        How it is defined, in a line; θ is the threshold.
    measure
        The metric of one burn.
    least
        Below which no value can lie: 0 for a count on the plain scale.
    """

    id: str
    base: str
    label: str
    unit: str
    scale: Scale
    source: Source
    better: Better = ""
    counted: bool = False
    takes: Takes = ""
    definition: str = ""
    measure: Callable[[Burn, Metric], MeasuredValue] = declared
    argument: str = ""
    probe: str = ""
    least: float = -math.inf

    @property
    def phrases(self) -> Phrases:
        """Sentences in which two fuels are compared by it: its own, else made of its label."""
        if self.base in PHRASES:
            return Phrases(**PHRASES[self.base])
        label = self.label.replace("{", "(").replace("}", ")")
        words = {key: text.replace("{label}", label) for key, text in PHRASES["of a label"].items()}
        return Phrases(**words, smaller="fewer" if self.counted else "less")


def record(
    label: str,
    unit: str,
    scale: Scale = "log",
    better: Better = "",
    takes: Takes = "",
    source: Source = "curve",
    least: float = -math.inf,
) -> Callable[[Callable[[Burn, Metric], MeasuredValue]], Metric]:
    """Make of a function the metric of its name, defined by the first paragraph of its docstring.

    Parameters are the attributes of `Metric`.
    """

    def made(measure: Callable[[Burn, Metric], MeasuredValue]) -> Metric:
        # where another process finds the function: under the name stands the record
        measure.__qualname__ = f"{measure.__name__}.measure"
        said = " ".join((measure.__doc__ or "").partition("\n\n")[0].split()).removesuffix(".")
        definition, name = said[:1].lower() + said[1:], measure.__name__
        metric = Metric(name, name, label, unit, scale, source, better, False, takes, definition, measure)
        return replace(metric, least=least)

    return made
