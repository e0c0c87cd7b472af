"""Metrics that are temperatures, or are read off how the temperature moves: peak, plateau, steadiness …"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from kit.burns.curve import Curve, Line, between
from kit.burns.found import Found, bounded, floor_zero, missing
from kit.burns.spells import longest_within, spells_above
from kit.burns.times import MINUTE, RECTANGLE
from kit.burns.unseen import HOLE, LATE, SATURATED, Unseen
from kit.burns.window import Array, Mask, running_median, values_at

HOUR = 3600.0
TREND_POINTS = 40
"""The local trend is taken on a grid of so many points a window."""
COVERED = 0.9
"""A declared plateau counts where at least this share of it was logged."""
COARSEST_TREND = 5
"""Steadiness and departures need at least so many readings a trend window."""
_CLOSE_S = 1e-6


def peak(curve: Curve, hidden: Unseen) -> Found:
    """Return the peak of the smoothed curve in °C (DEVELOPERS.md, metrics)."""
    return _highest(curve, hidden, curve.smooth)


def peak_raw(curve: Curve, hidden: Unseen) -> Found:
    """Return the highest reading in °C (DEVELOPERS.md, metrics)."""
    return _highest(curve, hidden, curve.celsius)


def _highest(curve: Curve, hidden: Unseen, values: Array) -> Found:
    top = int(np.argmax(values))
    highest = float(values[top])
    reasons = (SATURATED if curve.saturated else "", hidden.why_more(highest))
    near = values[max(top - 1, 0) : top + 2]
    # A parabola through readings dt apart rises above the highest by at most a quarter of the step beside it.
    missed = (highest - float(near.min())) / 4
    u = {"resolution": curve.resolution_c / RECTANGLE, "sampling": missed / math.sqrt(3)}
    return bounded(highest, more="; ".join(filter(None, reasons)), u=u)


def plateau_of(curve: Curve, hidden: Unseen) -> tuple[float, float] | str:
    """Return from and to of the plateau in seconds, or why there is none.

    The declared window, else the longest spell in the hotter half (above the middle between the lowest and
    the highest of the smoothed curve) in which that curve stays within the band about one level: without
    'hotter half' the cold tail of a long log would be its plateau.
    """
    declared = curve.measuring.plateau_min
    if declared:
        start, end = declared[0] * MINUTE, declared[1] * MINUTE
        part = between(curve.line, start, end)
        logged = float(np.diff(part.seconds)[part.joined].sum())
        return (start, end) if logged >= COVERED * (end - start) else "too little of the plateau was logged"
    if np.isinf(hidden.after) and hidden.after > 0:
        return f"{hidden.end_note}, before the peak had clearly passed"
    smooth = curve.smooth
    hot = smooth >= (smooth.min() + smooth.max()) / 2
    joined = curve.joined & hot[:-1] & hot[1:]
    first, last = longest_within(curve.seconds, smooth, joined, 2 * curve.measuring.plateau_band_k)
    if last == first:
        return "no two readings lie close enough for a plateau"
    return float(curve.seconds[first]), float(curve.seconds[last])


def plateau(curve: Curve, window: tuple[float, float] | str) -> Found:
    """Return the time-weighted mean over the plateau in °C (DEVELOPERS.md, metrics)."""
    if isinstance(window, str):
        return missing(window)
    part = between(curve.line, *window)
    steps = np.where(part.joined, np.diff(part.seconds), 0.0)
    middle = (part.celsius[1:] + part.celsius[:-1]) / 2
    lines = np.abs(np.diff(part.celsius))[steps > 1.5 * curve.interval_s]
    spans = steps[steps > 1.5 * curve.interval_s]
    u = {
        "resolution": curve.resolution_c / RECTANGLE,
        "gaps": float(np.sqrt(((lines * spans) ** 2).sum())) / RECTANGLE / float(steps.sum()),
    }
    return Found(float((steps * middle).sum() / steps.sum()), u=u)


def steadiness(curve: Curve, window: tuple[float, float] | str) -> Found:
    """Return the standard deviation about the local trend over the plateau in K, lid events removed."""
    if isinstance(window, str):
        return missing(window)
    if _coarse(curve):
        return missing("the log is too coarse for the trend's window")
    inside = (curve.seconds >= window[0]) & (curve.seconds <= window[1]) & ~curve.lid
    weights = curve.weights[inside]
    n = int(inside.sum())
    if n < 3 or weights.sum() <= 0:
        return missing("too few readings on the plateau with the lid shut")
    residual = (curve.celsius - local_trend(curve))[inside]
    centre = np.average(residual, weights=weights)
    sd = math.sqrt(float(np.average((residual - centre) ** 2, weights=weights)) * n / (n - 1))
    rounding = curve.resolution_c / RECTANGLE
    u = {
        "sampling": sd / math.sqrt(2 * (n - 1)),
        # Rounding adds rounding² to the variance: the SD is high by about half of that over itself.
        "resolution": min(rounding, rounding**2 / (2 * sd)) if sd > 0 else 0.0,
    }
    return floor_zero(Found(sd, u=u), rounding, "the resolution tells")


def mean_rate(curve: Curve, hidden: Unseen) -> Found:
    """Return the mean of |dT/dt| of the smoothed curve on a common grid in K/min (DEVELOPERS.md, metrics)."""
    step = curve.measuring.rate_step_s
    if curve.interval_s > step + _CLOSE_S:
        return missing("the log is coarser than the grid of the rate")
    if curve.cut_short or curve.started_late:
        return missing(f"{hidden.end_note if curve.cut_short else LATE}: the mean would be of another time")
    grid = np.arange(curve.seconds[0], curve.seconds[-1] + _CLOSE_S, step)
    smooth = values_at(grid, curve.seconds, curve.smooth, curve.joined)
    moves = np.abs(np.diff(smooth))
    moves = moves[np.isfinite(moves)]
    if not len(moves):
        return missing("the log is shorter than one step of the rate's grid")
    rounding = curve.resolution_c / RECTANGLE
    u = {"resolution": math.sqrt(2 / len(moves)) * rounding / step * MINUTE}
    return floor_zero(
        Found(float(moves.mean()) / step * MINUTE, u=u), rounding / step * MINUTE, "the resolution tells"
    )


def degree_hours(curve: Curve, hidden: Unseen, ambient: float) -> Found:
    """Return the integral of max(T − ambient, 0) in K·h (DEVELOPERS.md, metrics)."""
    area, bridged = area_above(curve, ambient)
    rounding = curve.resolution_c / RECTANGLE
    joined = np.where(curve.joined, curve.steps, 0.0)
    bends = np.abs(np.diff(curve.celsius, 2)).sum() * curve.interval_s / 12
    u = {
        "resolution": rounding * math.sqrt(float((joined**2).sum())) / HOUR,
        "sampling": float(bends) / math.sqrt(3) / HOUR,
        "gaps": bridged / HOUR,
    }
    reasons = (
        LATE if curve.started_late else "",
        HOLE if len(curve.holes) else "",
        hidden.end_note if curve.cut_short else "",
    )
    found = bounded(area / HOUR, more="; ".join(filter(None, reasons)), u=u)
    least = max(rounding, 1e-3) * float(joined.sum()) / HOUR
    return floor_zero(found, least, "the resolution tells")


def area_above(curve: Curve, floor: float) -> tuple[float, float]:
    """Return the area between the curve and a floor where it is above it, in °C·s, and that area's
    uncertainty from lines that bridge holes; nothing is added across a gap.

    A line that bridges a hole may in truth have been a step anywhere in it: half-width |ΔT|·Δt/2.
    """
    over = curve.celsius - floor
    left, right = over[:-1], over[1:]
    low, high = np.maximum(np.minimum(left, right), 0), np.maximum(left, right)
    crossing = (np.minimum(left, right) < 0) & (high > 0)
    share = np.where(crossing, high / np.where(crossing, np.abs(left - right), 1.0), 1.0)
    strips = np.where(high > 0, curve.steps * share * (low + high) / 2, 0.0)
    doubt = np.abs(right - left) * curve.steps / 2 / math.sqrt(3)
    return float(strips[curve.joined].sum()), float(np.sqrt((doubt[curve.bridged] ** 2).sum()))


@dataclass(frozen=True)
class Departure:
    """A stretch far from the local trend: from and to (s), deepest (K, signed), area to the trend (K·min)."""

    start_s: float
    end_s: float
    deepest_k: float
    area_k_min: float


def departures_of(curve: Curve) -> list[Departure]:
    """Return the stretches beyond the band about the local trend, lid events removed (DEVELOPERS.md, metrics)."""
    away = curve.celsius - local_trend(curve)
    shut = ~curve.lid
    joined: Mask = curve.joined & shut[:-1] & shut[1:]
    beyond = np.where(shut, np.abs(away), 0.0)
    spells = spells_above(curve.seconds, beyond, joined, curve.measuring.departure_k)
    found = []
    for start, end in zip(spells.start, spells.end, strict=True):
        if end - start < curve.measuring.departure_min * MINUTE - _CLOSE_S:
            continue
        part = between(Line(curve.seconds, away, joined, curve.lid), start, end)
        area = np.abs(part.celsius[1:] + part.celsius[:-1]) / 2 * np.diff(part.seconds)
        deepest = part.celsius[int(np.argmax(np.abs(part.celsius)))]
        found.append(Departure(float(start), float(end), float(deepest), float(area.sum()) / MINUTE))
    return found


def departures(curve: Curve, hidden: Unseen) -> Found:
    """Return the number of departures from the local trend."""
    if _coarse(curve):
        return missing("the log is too coarse for the trend's window")
    reasons = (
        LATE if curve.started_late else "",
        HOLE if len(curve.holes) else "",
        hidden.end_note if curve.cut_short else "",
    )
    return bounded(float(len(departures_of(curve))), more="; ".join(filter(None, reasons)))


def local_trend(curve: Curve) -> Array:
    """Return the running median over the trend's window at every point, readings with the lid open left out.

    The median is taken on a grid, windows cut short on both sides alike at the ends and at gaps, and
    joined by lines.
    """
    shut = np.flatnonzero(~curve.lid)
    if not len(shut):
        return curve.celsius
    holes_before = np.concatenate(([0], np.cumsum(~curve.joined)))
    seconds, joined = curve.seconds[shut], np.diff(holes_before[shut]) == 0
    width = curve.measuring.trend_min * MINUTE
    step = max(curve.interval_s, width / TREND_POINTS)
    grid = np.arange(seconds[0], seconds[-1] + step / 2, step)
    values = values_at(grid, seconds, curve.celsius[shut], joined)
    kept = np.isfinite(values)
    grid, values = grid[kept], values[kept]
    piece = np.searchsorted(seconds[1:][~joined], grid, side="right")
    trend = running_median(grid, values, np.diff(piece) == 0, width, even=True)
    return np.interp(curve.seconds, grid, trend)


def _coarse(curve: Curve) -> bool:
    return curve.interval_s * COARSEST_TREND > curve.measuring.trend_min * MINUTE
