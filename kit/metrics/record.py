"""One metric as one record: how it is measured, its unit, scale and better direction, its words and definition."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

from kit.metrics.burn import Burn
from kit.metrics.measured_value import MeasuredValue

Scale = Literal["plain", "log"]


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
    best, as_good
        What the best is called, and what another may be as well: 'hottest', 'as hot'.
    side_more, side_less, side_times
        What follows a bare amount: '22 % longer', '8 % shorter', '2.4 times as long'.
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
    as_good: str = "as good"
    side_more: str = "more"
    side_less: str = "less"
    side_times: str = "as much"


def phrases_of_a_label(label: str) -> Phrases:
    """Return the phrases of a metric that has none of its own, from its name."""
    label = label.replace("{", "(").replace("}", ")")
    return Phrases(
        more=f"{{a}}'s {label} was {{amount}} more than {{b}}'s",
        less=f"{{a}}'s {label} was {{amount}} less than {{b}}'s",
        times=f"{{a}}'s {label} was {{amount}} {{b}}'s",
        question=f"{{a}} or {{b}} had more {label}",
        same=f"{{a}} and {{b}} had the same {label}",
        chance=f"have more {label}",
        short=f"more {label}",
        short_less=f"less {label}",
    )


@dataclass(frozen=True)
class Metric:
    """What one metric id stands for.

    Attributes
    ----------
    id, base, argument, probe
        'time_above:180@upper' has base 'time_above', argument '180', probe 'upper'.
    label, unit, scale
        A person's name for it, its unit, and the scale it is analysed on.
    more, less
        Words for a larger and a smaller value ('hotter', 'cooler').
    better
        'more', 'less' or '' where neither is better in itself.
    source
        'curve' (from readings), 'sheet' (from the burn sheet) or 'declared' (a column of the trial's own).
    counted
        Whether a value is a number of things: compared as ratios, and none of them is 'at most 1'.
    takes
        What the id's argument is: 'threshold' in °C, 'cook', or '' for none.
    definition
        How it is defined, in a line; θ is the threshold.
    own_phrases
        Its sentences; None where they are made of its label.
    measure
        The metric of one burn; None for a declared column.
    """

    id: str
    base: str
    label: str
    unit: str
    scale: Scale
    more: str
    less: str
    better: Literal["more", "less", ""]
    source: Literal["curve", "sheet", "declared"]
    argument: str = ""
    probe: str = ""
    counted: bool = False
    takes: Literal["threshold", "cook", ""] = ""
    definition: str = ""
    own_phrases: Phrases | None = None
    measure: Callable[[Burn, Metric], MeasuredValue] | None = None

    @property
    def phrases(self) -> Phrases:
        """Sentences in which two fuels are compared by it."""
        return self.own_phrases or phrases_of_a_label(self.label)

    @property
    def threshold_c(self) -> float:
        """The threshold of the id in °C; ValueError where it takes none."""
        return float(self.argument)

    def at(self, metric_id: str, argument: str, probe: str) -> Metric:
        """Return the metric at a threshold or for a cook, and at a probe."""
        degrees = " °C" if self.takes == "threshold" else ""
        label = f"{self.label} {argument}{degrees}" if argument else self.label
        return replace(self, id=metric_id, argument=argument, probe=probe, label=label)
