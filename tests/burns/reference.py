"""Metrics by brute force: a very fine grid and plain loops. Slow, and hard to get wrong."""

import numpy as np


def fine(seconds, celsius, step=0.05):
    grid = np.arange(seconds[0], seconds[-1] + step / 2, step)
    return grid, np.interp(grid, seconds, celsius)


def minutes_above(seconds, celsius, threshold):
    grid, values = fine(seconds, celsius)
    return float((values >= threshold).mean() * (grid[-1] - grid[0]) / 60)


def runs(flags):
    found, start = [], None
    for place, flag in enumerate(flags):
        if flag and start is None:
            start = place
        if not flag and start is not None:
            found.append((start, place - 1))
            start = None
    if start is not None:
        found.append((start, len(flags) - 1))
    return found


def longest_above(seconds, celsius, threshold, bridge_s):
    grid, values = fine(seconds, celsius)
    spells = [(grid[a], grid[b]) for a, b in runs(values >= threshold)]
    merged = []
    for start, end in spells:
        if merged and start - merged[-1][1] < bridge_s:
            merged[-1] = (merged[-1][0], end)
        else:
            merged.append((start, end))
    return max((end - start for start, end in merged), default=0.0) / 60


def minutes_to(seconds, celsius, threshold, hold_s):
    grid, values = fine(seconds, celsius)
    for a, b in runs(values >= threshold):
        if grid[b] - grid[a] >= hold_s - 0.1:
            return grid[a] / 60
    return None


def degree_hours(seconds, celsius, ambient):
    grid, values = fine(seconds, celsius)
    return float(np.trapezoid(np.maximum(values - ambient, 0), grid)) / 3600


def median_then_mean(seconds, celsius, median_s, mean_s):
    """Windows cut short at the ends; the mean is of the straight lines between the medians."""
    medians = [
        float(np.median([c for s, c in zip(seconds, celsius, strict=True) if abs(s - at) <= median_s / 2]))
        for at in seconds
    ]
    smooth = []
    for at in seconds:
        low, high = max(seconds[0], at - mean_s / 2), min(seconds[-1], at + mean_s / 2)
        grid = np.linspace(low, high, 4001)
        values = np.interp(grid, seconds, medians)
        smooth.append(float(np.trapezoid(values, grid)) / (high - low) if high > low else float(values[0]))
    return np.array(smooth)


def longest_within(values, seconds, width):
    best = (0, 0)
    for a in range(len(values)):
        for b in range(a, len(values)):
            if max(values[a : b + 1]) - min(values[a : b + 1]) > width:
                break
            if seconds[b] - seconds[a] > seconds[best[1]] - seconds[best[0]]:
                best = (a, b)
    return best
