"""Metrics that are durations: time to, time above, longest spell, held in a band, near ambient, cool-down."""

import math
from collections.abc import Callable

import numpy as np

from kit.metrics.burn import HOLE, LATE, Burn
from kit.metrics.curve import CLOSE_S, Curve, Indices, Spells, spells_above
from kit.metrics.record import (
    MINUTE,
    RECTANGLE,
    MeasuredValue,
    Metric,
    bounded,
    floor_zero,
    missing,
    never,
    record,
)


def floored(measured: MeasuredValue, curve: Curve, why: str = "none was seen") -> MeasuredValue:
    """Return a duration of zero as 'at most one sampling interval' (DEVELOPERS.md, method 9)."""
    return floor_zero(measured, curve.interval_s / MINUTE, "one sampling interval", why)


def duration(
    curve: Curve,
    seconds: Callable[[float], float],
    crossings: Indices,
    *,
    more: str = "",
    less: str = "",
    why: str = "none was seen",
) -> MeasuredValue:
    """Return a duration in minutes, its uncertainty from sampling at the crossings and from resolution.

    Parameters
    ----------
    curve
        What it is read off.
    seconds
        The duration were the threshold so much higher, in °C: re-evaluated for the resolution.
    crossings
        The readings before the crossings it depends on.
    more, less
        Why the truth may be more or less, '' where it may not.
    why
        What zero means.
    """

    def spread(left: Indices) -> float:
        return math.sqrt(float((curve.steps[left] ** 2).sum())) / RECTANGLE / MINUTE

    step = curve.resolution_c / RECTANGLE
    shift = abs(seconds(-step) - seconds(step)) / 2 / MINUTE
    u = {
        "sampling": spread(crossings[~curve.bridged[crossings]]),
        "gaps": spread(crossings[curve.bridged[crossings]]),
        "resolution": 0.0 if math.isnan(shift) else shift,
    }
    return floored(bounded(seconds(0.0) / MINUTE, more=more, less=less, u=u), curve, why)


def held(curve: Curve, spells: Spells) -> Indices:
    """Return the stretches that are long enough to count as held."""
    return np.flatnonzero(spells.seconds >= curve.measuring.hold_min * MINUTE - CLOSE_S)


@record("time to", "min", better="less", takes="threshold")
def time_to(burn: Burn, metric: Metric) -> MeasuredValue:
    """First time T comes to θ and is held there long enough to count, less time zero; 'never' if it is not."""
    curve, hidden, threshold = burn.known_curve, burn.hidden, metric.threshold_c

    def reached(shift: float) -> float:
        spells = curve.spells(threshold + shift)
        return float(next(iter(spells.start[held(curve, spells)]), math.nan))

    spells, value = curve.spells(threshold), reached(0.0)
    reaching = curve.holes[hidden.holes >= threshold]
    first_hole = float(curve.seconds[reaching[0]]) if len(reaching) else math.inf
    if not math.isnan(value):
        first = held(curve, spells)[:1]
        late = bool(spells.start_left[first[0]] < 0) and value > 0
        less = LATE if late else HOLE if first_hole < value + CLOSE_S else ""
        crossings = spells.crossings(first, [])
        return duration(curve, reached, crossings, less=less, why="reached at time zero already")
    if hidden.before >= threshold:
        return missing(f"{LATE}, and the threshold was not held after that")
    if len(reaching):
        return missing(f"{HOLE}; the threshold may have been reached in it")
    if hidden.after < threshold:
        return never("the threshold was not reached and held")
    ongoing = len(spells) > 0 and not spells.end_crossed[-1]
    last = float(spells.start[-1] if ongoing else curve.seconds[-1])
    return floored(bounded(last / MINUTE, more=hidden.end_note), curve)


@record("time above", "min", better="more", takes="threshold")
def time_above(burn: Burn, metric: Metric) -> MeasuredValue:
    """Sum of the linearly interpolated stretches with T ≥ θ."""
    curve, threshold = burn.known_curve, metric.threshold_c

    def above(shift: float) -> float:
        return float(curve.spells(threshold + shift).seconds.sum())

    more = burn.hidden.why_more(threshold)
    return duration(curve, above, curve.spells(threshold).crossings(), more=more)


@record("longest spell above", "min", better="more", takes="threshold")
def longest_spell(burn: Burn, metric: Metric) -> MeasuredValue:
    """Longest stretch with T ≥ θ, short dips closed: it may be longer than the time above θ by those dips."""
    curve, threshold = burn.known_curve, metric.threshold_c

    def spells(shift: float) -> Spells:
        return curve.spells(threshold + shift).bridged(curve.measuring.bridge_min * MINUTE)

    def longest(shift: float) -> float:
        return float(spells(shift).seconds.max(initial=0.0))

    which = np.argsort(-spells(0.0).seconds, kind="stable")[:1]
    more = burn.hidden.why_more(threshold)
    return duration(curve, longest, spells(0.0).crossings(which, which), more=more)


@record("time to cool to near ambient", "min")
def near_ambient(burn: Burn, _: Metric) -> MeasuredValue:
    """Last time the cooker is 20 K or more above the air; in a heavy cooker long after the fire is out."""
    if math.isnan(burn.row.ambient_c):
        return missing("ambient_c is blank")
    curve, hidden = burn.to_the_end.known_curve, burn.to_the_end.hidden
    threshold = burn.row.ambient_c + curve.measuring.near_ambient_k
    spells = curve.spells(threshold)
    if not len(spells):
        unseen = hidden.why_more(threshold)
        return missing(unseen) if unseen else never("the cooker never got that far above the air")

    def last(shift: float) -> float:
        return float(next(reversed(curve.spells(threshold + shift).end), math.nan))

    if spells.end_left[-1] == len(curve.seconds) - 1:
        return floored(bounded(last(0.0) / MINUTE, more="still above it when the log ended"), curve)
    more = hidden.end_note if hidden.after >= threshold else ""
    holes = curve.holes[(hidden.holes >= threshold) & (curve.seconds[curve.holes] >= last(0.0) - CLOSE_S)]
    if len(holes):
        out = float(curve.seconds[holes[-1] + 1])
        return floored(bounded(out / MINUTE, less=HOLE, more=more), curve)
    return duration(curve, last, spells.crossings([], [-1]), more=more)


@record("cool-down", "min")
def cool_down(burn: Burn, _: Metric) -> MeasuredValue:
    """From an upper to a lower declared temperature after the peak.

    Each is passed when the curve comes to it from above and stays below it for `hold_min`, or to the end
    of the log. The curve reaches to the end of the log, past the stop.
    """
    if burn.row.cool_down_c is None:
        return missing("cool_down_c is not declared, and there are no two thresholds")
    upper, lower = burn.row.cool_down_c
    curve = burn.to_the_end.known_curve
    peak = int(np.argmax(curve.smooth))
    if curve.celsius[peak:].max() < upper:
        unseen = burn.to_the_end.hidden.why_more(upper)
        return missing(unseen) if unseen else never("the upper temperature was not reached")
    from_upper, upper_seen = _fallen_below(curve, peak, upper)
    to_lower, lower_seen = _fallen_below(curve, peak, lower)
    if math.isnan(from_upper):
        return missing("the cooker had not cooled to the upper temperature when the log ended")
    if math.isnan(to_lower):
        seen = (curve.seconds[-1] - from_upper) / MINUTE
        return floored(bounded(seen, more="not yet cooled when the log ended"), curve)
    dt = curve.interval_s
    slope = (upper - lower) / max(to_lower - from_upper, dt)
    u = {
        "sampling": math.sqrt(2) * dt / RECTANGLE / MINUTE,
        "resolution": math.sqrt(2) * curve.resolution_c / RECTANGLE / slope / MINUTE,
    }
    more, less = "" if upper_seen else HOLE, "" if lower_seen else HOLE
    return floored(bounded((to_lower - from_upper) / MINUTE, more=more, less=less, u=u), curve)


def _fallen_below(curve: Curve, peak: int, threshold: float) -> tuple[float, bool]:
    """Return when the curve is below a threshold to stay, and whether the crossing was seen; NaN if never."""
    below = spells_above(
        curve.seconds[peak:], -curve.celsius[peak:], curve.joined[peak:], np.nextafter(-threshold, np.inf)
    )
    last = np.flatnonzero(below.end_left == len(curve.seconds) - 1 - peak)
    first = min((*held(curve, below), *last), default=-1)
    if first < 0:
        return math.nan, False
    return float(below.start[first]), bool(below.start_crossed[first] or below.start_left[first] < 0)


@record("time held for", "min", better="more", takes="cook")
def band(burn: Burn, metric: Metric) -> MeasuredValue:
    """Time within a cook's band, only of burns run to hold it."""
    if metric.argument not in burn.row.bands:
        return missing("no cook of that name")
    limits = burn.row.bands[metric.argument]
    if limits is None:
        return missing("the burn was not run at a setting declared for that cook")
    low, high = limits
    curve = burn.known_curve

    def inside(shift: float) -> float:
        beyond = curve.spells(np.nextafter(high + shift, np.inf))
        return float(curve.spells(low + shift).seconds.sum() - beyond.seconds.sum())

    crossings = np.concatenate((curve.spells(low).crossings(), curve.spells(high).crossings()))
    return duration(curve, inside, crossings, more=burn.hidden.why_more(low, high))


DURATIONS = (time_to, time_above, longest_spell, near_ambient, cool_down, band)
