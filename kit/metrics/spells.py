"""Spells: the stretches in which a curve stands at or above a threshold, ends interpolated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kit.metrics.windows import Array, Indices, Mask, pieces


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
    above = values >= threshold
    rises = np.flatnonzero(above[1:] & ~(above[:-1] & joined))
    falls = np.flatnonzero(above[:-1] & ~(above[1:] & joined))
    rise_seen = joined[rises]
    fall_seen = joined[falls]
    start = np.where(rise_seen, _crossing(seconds, values, rises, threshold), seconds[rises + 1])
    end = np.where(fall_seen, _crossing(seconds, values, falls, threshold), seconds[falls])
    if above[0]:
        start, rises = np.concatenate((seconds[:1], start)), np.concatenate(([-1], rises))
        rise_seen = np.concatenate(([False], rise_seen))
    if above[-1]:
        end, falls = np.concatenate((end, seconds[-1:])), np.concatenate((falls, [len(values) - 1]))
        fall_seen = np.concatenate((fall_seen, [False]))
    return Spells(start, end, rise_seen, fall_seen, rises, falls)


def _crossing(seconds: Array, values: Array, left: Indices, threshold: float) -> Array:
    rise = values[left + 1] - values[left]
    share = (threshold - values[left]) / np.where(rise == 0, 1.0, rise)
    at: Array = seconds[left] + share * (seconds[left + 1] - seconds[left])
    return at


def longest_bridged(spells: Spells, bridge_s: float) -> tuple[float, int, int]:
    """Return the longest spell in seconds, dips shorter than the bridge closed, and its first and last part.

    Only dips that were seen are closed, never a gap in the log.
    """
    if not len(spells):
        return 0.0, -1, -1
    dips = spells.start[1:] - spells.end[:-1]
    parted = (dips >= bridge_s) | ~spells.end_crossed[:-1] | ~spells.start_crossed[1:]
    first = np.concatenate(([0], np.flatnonzero(parted) + 1))
    last = np.concatenate((first[1:] - 1, [len(spells) - 1]))
    lengths = spells.end[last] - spells.start[first]
    best = int(np.argmax(lengths))
    return float(lengths[best]), int(first[best]), int(last[best])


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
