"""One burn at one probe as a curve: its usable readings from time zero on, and what is not known of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np

from kit.burns.raw import Raw
from kit.burns.spells import Spells, spells_above
from kit.burns.window import Array, Indices, Mask, running_mean, running_median
from kit.trial.measuring import Measuring

OWN_GAP_STEPS = 2.5
"""A hole of up to this many of the log's own intervals is sampling, whatever the limit for gaps says."""
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
        """The running median, then the running mean (DEVELOPERS.md, metrics, peak temperature)."""
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


@dataclass(frozen=True)
class Limits:
    """What a curve is cut by: the stop (None: the log's end), gap limit in seconds, the ends' tolerance."""

    stop_s: float | None
    gap_s: float
    measuring: Measuring


def curve_of(raw: Raw, limits: Limits, without_lid: bool = False) -> Curve | None:
    """Return the curve of one burn at one probe, or None where it has no usable reading after time zero.

    Parameters
    ----------
    raw
        Its readings as logged.
    limits
        Where it stops, and how long a gap may be bridged.
    without_lid
        Leave out the readings with the lid open and draw a line across, however long.
    """
    used = raw.usable & ~raw.lid_open if without_lid else raw.usable
    interval = _interval(raw.seconds)
    stop = float(raw.seconds[-1]) if limits.stop_s is None else limits.stop_s
    line = _line(raw, used, max(limits.gap_s, OWN_GAP_STEPS * interval), limits.measuring, without_lid)
    cut = between(line, 0.0, stop)
    if not len(cut.seconds):
        return None
    inside = (raw.seconds >= 0) & (raw.seconds <= stop)
    slack = max(limits.measuring.end_tolerance_min * 60, BRIDGED_STEPS * interval)
    whole = Curve(
        *cut,
        interval_s=interval,
        resolution_c=smallest_step(raw.celsius[used & inside]),
        stop_s=stop,
        cut_short=bool(cut.seconds[-1] < stop - slack),
        started_late=bool(cut.seconds[0] > slack),
        saturated=bool((raw.saturated & inside).any()),
        topped_up=bool(raw.topped_up.any()),
        n_used=int((used & inside).sum()),
        n_flagged=int((~used & inside).sum()),
        measuring=limits.measuring,
    )
    if line.seconds[-1] <= stop:
        return whole
    return replace(whole, tail=replace(whole, **between(line, 0.0, np.inf)._asdict()))


def _line(raw: Raw, used: Mask, gap_s: float, measuring: Measuring, without_lid: bool) -> Line:
    seconds, celsius, lid = _one_a_stamp(raw.seconds[used], raw.celsius[used], raw.lid_open[used])
    joined = np.diff(seconds) <= gap_s
    if without_lid:
        joined |= _over_lid(seconds, raw)
    return Line(seconds, celsius, joined, _settling(seconds, lid, measuring.lid_settle_min * 60))


def _one_a_stamp(seconds: Array, celsius: Array, lid: Mask) -> tuple[Array, Array, Mask]:
    """Return one point a stamp, the mean of those that share it."""
    if len(seconds) < 2 or (np.diff(seconds) > 0).all():
        return seconds, celsius, lid
    stamps, place = np.unique(seconds, return_inverse=True)
    count = np.bincount(place)
    return stamps, np.bincount(place, celsius) / count, np.bincount(place, lid) > 0


def _interval(seconds: Array) -> float:
    steps = np.diff(seconds)
    steps = steps[steps > 0]
    return float(np.median(steps)) if len(steps) else 0.0


def smallest_step(celsius: Array) -> float:
    """Return the smallest step the readings show, 0 where they all agree; unit of the readings."""
    steps = np.diff(np.sort(celsius))
    steps = steps[steps > 1e-3]
    return float(steps.min()) if len(steps) else 0.0


def _over_lid(seconds: Array, raw: Raw) -> Mask:
    """Return which lines lead across readings that were left out for the open lid."""
    open_at = raw.seconds[raw.usable & raw.lid_open]
    across: Mask = np.diff(np.searchsorted(open_at, seconds)) > 0
    return across


def _settling(seconds: Array, lid: Mask, settle_s: float) -> Mask:
    """Return the readings with the lid open, and those within the settling time after one."""
    last_open = np.maximum.accumulate(np.where(lid, seconds, -np.inf))
    return lid | (seconds - last_open <= settle_s)


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
