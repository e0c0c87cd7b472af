"""The temperature curve of a burn: running medians, means and integrals, spells above a temperature, and its line.

Readings may be taken at any times; no window reaches across a gap.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
from pandas.api.indexers import BaseIndexer

from kit.metrics.measuring import Measuring

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Mask = npt.NDArray[np.bool_]

Chosen = slice | list[int] | Indices
EVERY = slice(None)
CLOSE_S = 1e-6


def pieces(joined: Mask) -> tuple[Indices, Indices]:
    """Return, for each reading, the first reading of its unbroken piece and the one after the last.

    Parameters
    ----------
    joined
        (n − 1) whether a line is drawn from each reading to the next.
    """
    breaks = np.flatnonzero(~joined) + 1
    edges = np.concatenate(([0], breaks, [len(joined) + 1]))
    sizes = np.diff(edges)
    return np.repeat(edges[:-1], sizes), np.repeat(edges[1:], sizes)


class Windows(BaseIndexer):  # type: ignore[misc]
    """The readings `low` to `high` (n each), one window a reading."""

    def get_window_bounds(
        self, num_values: int = 0, min_periods: Any = 0, center: Any = 0, closed: Any = "", step: Any = 1
    ) -> tuple[Indices, Indices]:
        """Return the first reading of each window and the one after the last."""
        return self.low, self.high


def running_median(seconds: Array, values: Array, joined: Mask, width_s: float, even: bool = False) -> Array:
    """Return the median of the readings within half a width of each reading; windows are cut at gaps.

    Parameters
    ----------
    seconds, values
        (n) times in increasing order, and what was read.
    joined
        (n − 1) whether a line is drawn from each reading to the next.
    width_s
        Width of the window in seconds.
    even
        Cut a window on both sides alike, so that it stays centred: a steady climb is then its own median.
    """
    first, beyond = pieces(joined)
    half = np.full(len(seconds), width_s / 2)
    if even:
        half = np.minimum(half, np.minimum(seconds - seconds[first], seconds[beyond - 1] - seconds))
    half += CLOSE_S
    low = np.maximum(np.searchsorted(seconds, seconds - half, side="left"), first)
    high = np.minimum(np.searchsorted(seconds, seconds + half, side="right"), beyond)
    windows = pd.Series(values).rolling(Windows(low=low, high=high), min_periods=1)
    return np.asarray(windows.median(), dtype=np.float64)


def running_mean(seconds: Array, values: Array, joined: Mask, width_s: float) -> Array:
    """Return the time-weighted mean of the straight lines within half a width of each reading.

    Parameters are those of `running_median`; windows are cut at gaps and at the ends.
    """
    first, beyond = pieces(joined)
    start, end = seconds[first], seconds[beyond - 1]
    low = np.maximum(seconds - width_s / 2, start)
    high = np.minimum(seconds + width_s / 2, end)
    strips = np.where(joined, np.diff(seconds) * (values[1:] + values[:-1]) / 2, 0.0)
    total = np.concatenate(([0.0], np.cumsum(strips)))
    area = _integral_at(high, seconds, values, total) - _integral_at(low, seconds, values, total)
    wide = high > low
    return np.where(wide, area / np.where(wide, high - low, 1.0), values)


def _integral_at(at: Array, seconds: Array, values: Array, total: Array) -> Array:
    if len(seconds) < 2:
        return np.zeros_like(at)
    left = np.clip(np.searchsorted(seconds, at, side="right") - 1, 0, len(seconds) - 2)
    into = at - seconds[left]
    slope = (values[left + 1] - values[left]) / (seconds[left + 1] - seconds[left])
    return total[left] + into * (values[left] + slope * into / 2)


def values_at(at: Array, seconds: Array, values: Array, joined: Mask) -> Array:
    """Return the straight lines' values at given times; NaN before, after, and inside a gap."""
    found: Array = np.interp(at, seconds, values, left=np.nan, right=np.nan)
    holes = np.flatnonzero(~joined)
    if len(holes):
        hole = np.searchsorted(seconds[holes], at, side="left") - 1
        inside = (hole >= 0) & (at < seconds[holes + 1][hole])
        found[inside] = np.nan
    return found


@dataclass(frozen=True)
class Spells:
    """Stretches at or above a threshold, in order of time.

    Attributes
    ----------
    start, end
        (k) seconds; where a line crosses the threshold, else the first or last reading of the stretch.
    start_crossed, end_crossed
        (k) whether the crossing was seen; False where the stretch begins or ends at a gap or at an end of
        the log.
    start_left, end_left
        (k) the reading before the crossing; for a stretch that begins unseen the reading before its first
        (−1 for the first of the log), for one that ends unseen its last.
    """

    start: Array
    end: Array
    start_crossed: Mask
    end_crossed: Mask
    start_left: Indices
    end_left: Indices

    def __len__(self) -> int:
        return len(self.start)

    @property
    def seconds(self) -> Array:
        """Length of each stretch."""
        return self.end - self.start

    def crossings(self, starts: Chosen = EVERY, ends: Chosen = EVERY) -> Indices:
        """Return the readings before the crossings seen, of the stretches whose start or end counts."""
        rises = self.start_left[starts][self.start_crossed[starts]]
        return np.concatenate((rises, self.end_left[ends][self.end_crossed[ends]]))

    def bridged(self, bridge_s: float) -> Spells:
        """Return the stretches with dips shorter than the bridge closed: dips that were seen, never a gap."""
        dips = self.start[1:] - self.end[:-1]
        parted = (dips >= bridge_s) | ~self.end_crossed[:-1] | ~self.start_crossed[1:]
        first, last = np.append(True, parted)[: len(self)], np.append(parted, True)[: len(self)]
        return Spells(
            *(self.start[first], self.end[last]),
            *(self.start_crossed[first], self.end_crossed[last]),
            *(self.start_left[first], self.end_left[last]),
        )


def spells_above(seconds: Array, values: Array, joined: Mask, threshold: float) -> Spells:
    """Return the stretches with value ≥ threshold.

    Parameters
    ----------
    seconds, values
        (n) times in increasing order, and the curve.
    joined
        (n − 1) whether a line is drawn from each reading to the next.
    threshold
        In the unit of the values.
    """
    above, led = np.pad(values >= threshold, 1), np.pad(joined, 1)
    rises = np.flatnonzero(above[1:] & ~(above[:-1] & led)) - 1
    falls = np.flatnonzero(above[:-1] & ~(above[1:] & led)) - 1
    rise_seen, fall_seen = led[rises + 1], led[falls + 1]

    def crossing(left: Indices) -> Array:
        right = np.minimum(left + 1, len(values) - 1)
        rise = values[right] - values[left]
        share = (threshold - values[left]) / np.where(rise == 0, 1.0, rise)
        return seconds[left] + share * (seconds[right] - seconds[left])

    start = np.where(rise_seen, crossing(rises), seconds[rises + 1])
    end = np.where(fall_seen, crossing(falls), seconds[falls])
    return Spells(start, end, rise_seen, fall_seen, rises, falls)


def longest_within(seconds: Array, values: Array, joined: Mask, width: float) -> tuple[int, int]:
    """Return first and last reading of the longest unbroken stretch whose values span at most a width.

    A table of running highest and lowest over 1, 2, 4, … readings lets every start be tried at once:
    each stretch grows by halving steps while it stays within the width.
    """
    n = len(values)
    highest, lowest = [values], [values]
    while 2 ** len(highest) <= n:
        step = 2 ** (len(highest) - 1)
        highest.append(np.maximum(highest[-1][:-step], highest[-1][step:]))
        lowest.append(np.minimum(lowest[-1][:-step], lowest[-1][step:]))
    _, beyond = pieces(joined)
    top, low, end = np.full(n, -np.inf), np.full(n, np.inf), np.arange(n)
    for power in range(len(highest) - 1, -1, -1):
        size = 2**power
        fits = end + size <= beyond
        place = np.minimum(end, len(highest[power]) - 1)
        new_top, new_low = np.maximum(top, highest[power][place]), np.minimum(low, lowest[power][place])
        fits &= new_top - new_low <= width
        top, low = np.where(fits, new_top, top), np.where(fits, new_low, low)
        end = end + size * fits
    lengths = seconds[end - 1] - seconds
    first = int(np.argmax(lengths))
    return first, int(end[first]) - 1


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
    seconds, celsius, joined, lid = line
    ends = np.array([start, stop])
    right = np.searchsorted(seconds, ends)
    inner = np.flatnonzero((right > 0) & (right < len(seconds)))
    led = inner[(seconds[right[inner]] > ends[inner]) & joined[right[inner] - 1]]
    if len(led):
        at, right = ends[led], right[led]
        celsius = np.insert(celsius, right, np.interp(at, seconds, celsius))
        seconds, joined = np.insert(seconds, right, at), np.insert(joined, right, True)
        lid = np.insert(lid, right, lid[right - 1])
    first, beyond = np.searchsorted(seconds, start), np.searchsorted(seconds, stop, side="right")
    inside = slice(first, beyond)
    return Line(seconds[inside], celsius[inside], joined[first : max(first, beyond - 1)], lid[inside])
