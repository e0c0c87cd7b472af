"""Running medians, means and integrals of readings taken at any times; no window reaches across a gap."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Mask = npt.NDArray[np.bool_]

_LARGEST_TABLE = 4_000_000
_CLOSE_S = 1e-6


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


def running_median(
    seconds: Array, values: Array, joined: Mask, width_s: float, *, even: bool = False
) -> Array:
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
    half += _CLOSE_S
    low = np.maximum(np.searchsorted(seconds, seconds - half, side="left"), first)
    high = np.minimum(np.searchsorted(seconds, seconds + half, side="right"), beyond)
    widest = int((high - low).max())
    rows = max(1, _LARGEST_TABLE // widest)
    parts = [
        _medians(values, low[start : start + rows], high[start : start + rows], widest)
        for start in range(0, len(values), rows)
    ]
    return np.concatenate(parts)


def _medians(values: Array, low: Indices, high: Indices, widest: int) -> Array:
    places = low[:, None] + np.arange(widest)
    table = np.where(places < high[:, None], values[np.minimum(places, len(values) - 1)], np.inf)
    table.sort(axis=1)
    count = high - low
    row = np.arange(len(low))
    middle: Array = (table[row, (count - 1) // 2] + table[row, count // 2]) / 2
    return middle


def integral_to(seconds: Array, values: Array, joined: Mask) -> Array:
    """Return the lines' integral from the first reading to each; nothing is added across a gap."""
    strips = np.where(joined, np.diff(seconds) * (values[1:] + values[:-1]) / 2, 0.0)
    return np.concatenate(([0.0], np.cumsum(strips)))


def running_mean(seconds: Array, values: Array, joined: Mask, width_s: float) -> Array:
    """Return the time-weighted mean of the straight lines within half a width of each reading.

    Parameters are those of `running_median`; windows are cut at gaps and at the ends.
    """
    first, beyond = pieces(joined)
    start, end = seconds[first], seconds[beyond - 1]
    low = np.maximum(seconds - width_s / 2, start)
    high = np.minimum(seconds + width_s / 2, end)
    total = integral_to(seconds, values, joined)
    area = _integral_at(high, seconds, values, total) - _integral_at(low, seconds, values, total)
    wide = high > low
    mean: Array = np.where(wide, area / np.where(wide, high - low, 1.0), values)
    return mean


def _integral_at(at: Array, seconds: Array, values: Array, total: Array) -> Array:
    if len(seconds) < 2:
        return np.zeros_like(at)
    left = np.clip(np.searchsorted(seconds, at, side="right") - 1, 0, len(seconds) - 2)
    into = at - seconds[left]
    slope = (values[left + 1] - values[left]) / (seconds[left + 1] - seconds[left])
    area: Array = total[left] + into * (values[left] + slope * into / 2)
    return area


def values_at(at: Array, seconds: Array, values: Array, joined: Mask) -> Array:
    """Return the straight lines' values at given times; NaN before, after, and inside a gap."""
    found: Array = np.interp(at, seconds, values, left=np.nan, right=np.nan)
    holes = np.flatnonzero(~joined)
    if len(holes):
        hole = np.searchsorted(seconds[holes], at, side="left") - 1
        inside = (hole >= 0) & (at < seconds[holes + 1][hole])
        found[inside] = np.nan
    return found
