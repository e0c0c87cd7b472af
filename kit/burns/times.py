"""Metrics that are durations: time to, time above, longest spell, held in a band, near ambient, cool-down."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from kit.burns.curve import Curve
from kit.burns.found import Found, bounded, floor_zero, missing, never
from kit.burns.spells import Spells, longest_bridged, spells_above
from kit.burns.unseen import HOLE, LATE, Unseen
from kit.burns.window import Indices

MINUTE = 60.0
RECTANGLE = math.sqrt(12)
"""Anywhere in an interval: its width over √12 is the standard uncertainty (GUM 4.3.7)."""
_CLOSE_S = 1e-6


def time_above(curve: Curve, hidden: Unseen, threshold: float) -> Found:
    """Return the minutes at or above a threshold, ends interpolated (DEVELOPERS.md, metrics)."""
    spells = curve.spells(threshold)
    found = bounded(
        float(spells.seconds.sum()) / MINUTE,
        more=hidden.why_more(threshold),
        u=_doubt(curve, spells, threshold, lambda at: float(curve.spells(at).seconds.sum())),
    )
    return floor_interval(found, curve)


def longest_spell(curve: Curve, hidden: Unseen, threshold: float) -> Found:
    """Return the longest run at or above a threshold in minutes, short dips closed (DEVELOPERS.md, metrics)."""

    def longest(at: float) -> float:
        return longest_bridged(curve.spells(at), curve.measuring.bridge_min * MINUTE)[0]

    spells = curve.spells(threshold)
    seconds, first, last = longest_bridged(spells, curve.measuring.bridge_min * MINUTE)
    ends = _part(spells, first, last) if first >= 0 else spells
    found = bounded(
        seconds / MINUTE, more=hidden.why_more(threshold), u=_doubt(curve, ends, threshold, longest)
    )
    return floor_interval(found, curve)


def time_to(curve: Curve, hidden: Unseen, threshold: float) -> Found:
    """Return the minutes from time zero until a threshold is reached and held (DEVELOPERS.md, metrics)."""
    spells = curve.spells(threshold)
    held = np.flatnonzero(spells.seconds >= curve.measuring.hold_min * MINUTE - _CLOSE_S)
    if not len(held):
        return _not_held(curve, hidden, spells, threshold)
    k = int(held[0])
    value = float(spells.start[k])
    first_hole = _first_hole(curve, hidden, threshold)
    less = ""
    if spells.start_left[k] < 0 and value > 0:
        less = LATE
    elif first_hole < value + _CLOSE_S:
        less = HOLE
    found = bounded(
        value / MINUTE,
        less=less,
        u=_doubt(curve, _part(spells, k, k, end=False), threshold, lambda at: _reached(curve, at)),
    )
    return floor_interval(found, curve, "reached at time zero already")


def _not_held(curve: Curve, hidden: Unseen, spells: Spells, threshold: float) -> Found:
    if hidden.before >= threshold:
        return missing(f"{LATE}, and the threshold was not held after that")
    if np.isfinite(_first_hole(curve, hidden, threshold)):
        return missing(f"{HOLE}; the threshold may have been reached in it")
    if hidden.after < threshold:
        return never("the threshold was not reached and held")
    ongoing = len(spells) > 0 and not spells.end_crossed[-1]
    last = float(spells.start[-1] if ongoing else curve.seconds[-1])
    return floor_interval(bounded(last / MINUTE, more=hidden.end_note), curve)


def _reached(curve: Curve, threshold: float) -> float:
    spells = curve.spells(threshold)
    held = np.flatnonzero(spells.seconds >= curve.measuring.hold_min * MINUTE - _CLOSE_S)
    return float(spells.start[held[0]]) if len(held) else math.nan


def _first_hole(curve: Curve, hidden: Unseen, threshold: float) -> float:
    """Return when the first hole begins in which the threshold may have been reached; inf without one."""
    reaching = curve.holes[hidden.holes >= threshold]
    return float(curve.seconds[reaching[0]]) if len(reaching) else math.inf


def band_held(curve: Curve, hidden: Unseen, low: float, high: float) -> Found:
    """Return the minutes from low to high, for a burn run to hold that band (DEVELOPERS.md, metrics)."""

    def held(low_at: float, high_at: float) -> float:
        return float(
            curve.spells(low_at).seconds.sum()
            - spells_above(
                curve.seconds, curve.celsius, curve.joined, np.nextafter(high_at, np.inf)
            ).seconds.sum()
        )

    in_hole = ((hidden.holes >= low) & (hidden.hole_lows <= high)).any()
    reasons = [
        LATE if hidden.before >= low else "",
        HOLE if in_hole else "",
        hidden.end_note if hidden.after >= low else "",
    ]
    step = curve.resolution_c / RECTANGLE
    shifted = [held(low + side * step, high + side * step) for side in (-1, 1)]
    u = _crossing_doubt(curve, curve.spells(low))
    upper = _crossing_doubt(curve, curve.spells(high))
    u = {name: math.hypot(u[name], upper[name]) for name in u}
    u["resolution"] = abs(shifted[0] - shifted[1]) / 2 / MINUTE
    found = bounded(held(low, high) / MINUTE, more="; ".join(filter(None, reasons)), u=u)
    return floor_interval(found, curve)


def near_ambient(curve: Curve, hidden: Unseen, ambient: float) -> Found:
    """Return the minutes until the cooker is for good within the margin of the air (DEVELOPERS.md, metrics).

    The curve and what is hidden of it reach to the end of the log, past the stop.
    """
    threshold = ambient + curve.measuring.near_ambient_k
    spells = curve.spells(threshold)
    if not len(spells):
        if hidden.why_more(threshold):
            return missing(hidden.why_more(threshold))
        return never("the cooker never got that far above the air")
    if spells.end_left[-1] == len(curve.seconds) - 1:
        seen = bounded(float(spells.end[-1]) / MINUTE, more="still above it when the log ended")
        return floor_interval(seen, curve)
    holes = curve.holes[
        (hidden.holes >= threshold) & (curve.seconds[curve.holes] >= spells.end[-1] - _CLOSE_S)
    ]
    value = float(curve.seconds[holes[-1] + 1] if len(holes) else spells.end[-1])
    found = bounded(
        value / MINUTE,
        less=HOLE if len(holes) else "",
        more=hidden.end_note if hidden.after >= threshold else "",
        u=_doubt(curve, _part(spells, -1, -1, start=False), threshold, lambda at: _last_end(curve, at)),
    )
    return floor_interval(found, curve)


def _last_end(curve: Curve, threshold: float) -> float:
    spells = curve.spells(threshold)
    return float(spells.end[-1]) if len(spells) else math.nan


def cool_down(curve: Curve, hidden: Unseen, upper: float, lower: float) -> Found:
    """Return the minutes from an upper to a lower temperature after the peak (DEVELOPERS.md, metrics).

    Each is passed when the curve comes to it from above and stays below it for `hold_min`, or to the end
    of the log. The curve reaches to the end of the log, past the stop.
    """
    peak = int(np.argmax(curve.smooth))
    if curve.celsius[peak:].max() < upper:
        if hidden.why_more(upper):
            return missing(hidden.why_more(upper))
        return never("the upper temperature was not reached")
    from_upper, upper_seen = _fallen_below(curve, peak, upper)
    to_lower, lower_seen = _fallen_below(curve, peak, lower)
    if math.isnan(from_upper):
        return missing("the cooker had not cooled to the upper temperature when the log ended")
    if math.isnan(to_lower):
        seen = bounded((curve.seconds[-1] - from_upper) / MINUTE, more="not yet cooled when the log ended")
        return floor_interval(seen, curve)
    dt = curve.interval_s
    slope = (upper - lower) / max(to_lower - from_upper, dt)
    found = bounded(
        (to_lower - from_upper) / MINUTE,
        more="" if upper_seen else HOLE,
        less="" if lower_seen else HOLE,
        u={
            "sampling": math.sqrt(2) * dt / RECTANGLE / MINUTE,
            "resolution": math.sqrt(2) * curve.resolution_c / RECTANGLE / slope / MINUTE,
        },
    )
    return floor_interval(found, curve)


def _fallen_below(curve: Curve, peak: int, threshold: float) -> tuple[float, bool]:
    """Return when the curve is below a threshold to stay, and whether the crossing was seen; NaN if never."""
    below = spells_above(
        curve.seconds[peak:], -curve.celsius[peak:], curve.joined[peak:], np.nextafter(-threshold, np.inf)
    )
    last = len(curve.seconds) - 1 - peak
    stays = (below.seconds >= curve.measuring.hold_min * MINUTE - _CLOSE_S) | (below.end_left == last)
    held = np.flatnonzero(stays)
    if not len(held):
        return math.nan, False
    return float(below.start[held[0]]), bool(below.start_crossed[held[0]] or below.start_left[held[0]] < 0)


def floor_interval(found: Found, curve: Curve, why: str = "none was seen") -> Found:
    """Return a duration of zero as 'at most one sampling interval' (DEVELOPERS.md, method 9)."""
    return floor_zero(found, curve.interval_s / MINUTE, "one sampling interval", why)


def _part(spells: Spells, first: int, last: int, *, start: bool = True, end: bool = True) -> Spells:
    """Return from one spell's start to another's end as one spell, with the crossings that count."""
    return Spells(
        spells.start[[first]],
        spells.end[[last]],
        spells.start_crossed[[first]] & start,
        spells.end_crossed[[last]] & end,
        spells.start_left[[first]],
        spells.end_left[[last]],
    )


def _doubt(
    curve: Curve, spells: Spells, threshold: float, seconds_at: Callable[[float], float]
) -> dict[str, float]:
    """Return the uncertainty of a duration in minutes: crossings by sampling, resolution by re-evaluating."""
    step = curve.resolution_c / RECTANGLE
    parts = _crossing_doubt(curve, spells)
    shift = abs(seconds_at(threshold - step) - seconds_at(threshold + step)) / 2 / MINUTE
    parts["resolution"] = 0.0 if math.isnan(shift) else shift
    return parts


def _crossing_doubt(curve: Curve, spells: Spells) -> dict[str, float]:
    left = np.concatenate((spells.start_left[spells.start_crossed], spells.end_left[spells.end_crossed]))
    return {
        "sampling": _root_sum(curve, left[~curve.bridged[left]]),
        "gaps": _root_sum(curve, left[curve.bridged[left]]),
    }


def _root_sum(curve: Curve, left: Indices) -> float:
    return math.sqrt(float((curve.steps[left] ** 2).sum())) / RECTANGLE / MINUTE
