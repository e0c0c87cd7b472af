"""One burn at one probe as a curve: its usable readings from time zero on, and what is not known of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np

from kit.metrics.measuring import Measuring
from kit.metrics.spells import Spells, spells_above
from kit.metrics.windows import Array, Indices, Mask, running_mean, running_median

BRIDGED_STEPS = 1.5
"""A line longer than this many of the log's own intervals bridges a hole."""


class Line(NamedTuple):
    """Points joined by straight lines: times, temperatures, whether each is joined to the next, lid open."""

    seconds: Array
    celsius: Array
    joined: Mask
    lid: Mask


@dataclass(frozen=True)
class Curve:
    """The usable readings of one burn at one probe from time zero to the stop, joined by straight lines.

    Attributes
    ----------
    seconds, celsius
        (n) strictly increasing times since time zero; where readings lie on both sides of time zero or
        the stop, the line's value there is the first or last point.
    joined
        (n − 1) whether a line is drawn to the next point: False across a gap that is too long.
    lid
        (n) the lid was open, or had not long been shut.
    interval_s
        Median interval of the log.
    resolution_c
        Smallest step the readings show, 0 where it cannot be told.
    stop_s
        The stop by the burn sheet, else the log's end.
    cut_short, started_late
        The usable readings end well before the stop, or begin well after time zero.
    saturated, topped_up
        Some reading stood at the end of the range; fuel was added.
    n_used, n_flagged
        Readings used, and those left out for their flags.
    tail
        The curve to the log's end, past the stop, for what happens after it; None where that is all.
    measuring
        The windows and limits it is smoothed by.
    unsound
        Why too little of it was soundly logged to state any value of it, '' where enough was.
    """

    seconds: Array
    celsius: Array
    joined: Mask
    lid: Mask
    interval_s: float
    resolution_c: float
    stop_s: float
    cut_short: bool
    started_late: bool
    saturated: bool
    topped_up: bool
    n_used: int
    n_flagged: int
    measuring: Measuring
    unsound: str = ""
    tail: Curve | None = None

    @property
    def to_the_end(self) -> Curve:
        """The curve to the end of the log, past the stop where the log goes on."""
        return self.tail or self

    @property
    def line(self) -> Line:
        """The curve's points and how they are joined."""
        return Line(self.seconds, self.celsius, self.joined, self.lid)

    @cached_property
    def steps(self) -> Array:
        """Seconds from each point to the next."""
        return np.diff(self.seconds)

    @cached_property
    def bridged(self) -> Mask:
        """Lines that bridge a hole."""
        return self.joined & (self.steps > BRIDGED_STEPS * self.interval_s)

    @cached_property
    def holes(self) -> Indices:
        """The points before which a gap begins that is not bridged."""
        return np.flatnonzero(~self.joined)

    @cached_property
    def smooth(self) -> Array:
        """The running median, then the running mean."""
        medians = running_median(self.seconds, self.celsius, self.joined, self.measuring.median_s)
        return running_mean(self.seconds, medians, self.joined, self.measuring.mean_s)

    @cached_property
    def weights(self) -> Array:
        """Seconds that each point stands for: half of each line that ends in it."""
        half = np.where(self.joined, self.steps, 0.0) / 2
        weights: Array = np.append(half, 0.0) + np.append(0.0, half)
        return weights

    def spells(self, threshold: float) -> Spells:
        """Return the stretches at or above a threshold."""
        if threshold not in self._spells:
            self._spells[threshold] = spells_above(self.seconds, self.celsius, self.joined, threshold)
        return self._spells[threshold]

    @cached_property
    def _spells(self) -> dict[float, Spells]:
        return {}

    def shifted(self, offset: float, gain: float) -> Curve:
        """Return the curve as it were if the probe read otherwise: T(1 + gain) + offset."""
        tail = self.tail.shifted(offset, gain) if self.tail else None
        return replace(self, celsius=self.celsius * (1 + gain) + offset, tail=tail)


def between(line: Line, start: float, stop: float) -> Line:
    """Return the part from start to stop, with the lines' values at both where lines lead across."""
    for at in (start, stop):
        line = _with_point(line, at)
    first = int(np.searchsorted(line.seconds, start, side="left"))
    beyond = int(np.searchsorted(line.seconds, stop, side="right"))
    return Line(
        line.seconds[first:beyond],
        line.celsius[first:beyond],
        line.joined[first : max(first, beyond - 1)],
        line.lid[first:beyond],
    )


def _with_point(line: Line, at: float) -> Line:
    place = int(np.searchsorted(line.seconds, at, side="left"))
    inside = 0 < place < len(line.seconds) and line.seconds[place] > at and line.joined[place - 1]
    if not inside:
        return line
    value = np.interp(at, line.seconds, line.celsius)
    return Line(
        np.insert(line.seconds, place, at),
        np.insert(line.celsius, place, value),
        np.insert(line.joined, place, True),
        np.insert(line.lid, place, line.lid[place - 1]),
    )
