"""Metrics that are durations: time to, time above, longest spell, held in a band, near ambient, cool-down."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from kit.metrics.burn import Burn
from kit.metrics.censoring import HOLE, LATE, Hidden
from kit.metrics.curve import Curve, Indices, Spells, longest_bridged, spells_above
from kit.metrics.measured_value import (
    MINUTE,
    RECTANGLE,
    MeasuredValue,
    bounded,
    floor_zero,
    missing,
    never,
)
from kit.metrics.record import Metric, Phrases

_CLOSE_S = 1e-6


def time_above(burn: Burn, metric: Metric) -> MeasuredValue:
    """Return the minutes at or above a threshold, ends interpolated."""
    curve, threshold = burn.known_curve, metric.threshold_c
    spells = curve.spells(threshold)
    measured = bounded(
        float(spells.seconds.sum()) / MINUTE,
        more=burn.hidden.why_more(threshold),
        u=_doubt(curve, spells, threshold, lambda at: float(curve.spells(at).seconds.sum())),
    )
    return floor_interval(measured, curve)


def longest_spell(burn: Burn, metric: Metric) -> MeasuredValue:
    """Return the longest run at or above a threshold in minutes, short dips closed."""
    curve, threshold = burn.known_curve, metric.threshold_c

    def longest(at: float) -> float:
        return longest_bridged(curve.spells(at), curve.measuring.bridge_min * MINUTE)[0]

    spells = curve.spells(threshold)
    seconds, first, last = longest_bridged(spells, curve.measuring.bridge_min * MINUTE)
    ends = _part(spells, first, last) if first >= 0 else spells
    measured = bounded(
        seconds / MINUTE, more=burn.hidden.why_more(threshold), u=_doubt(curve, ends, threshold, longest)
    )
    return floor_interval(measured, curve)


def time_to(burn: Burn, metric: Metric) -> MeasuredValue:
    """Return the minutes from time zero until a threshold is reached and held."""
    curve, hidden, threshold = burn.known_curve, burn.hidden, metric.threshold_c
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
    measured = bounded(
        value / MINUTE,
        less=less,
        u=_doubt(curve, _part(spells, k, k, end=False), threshold, lambda at: _reached(curve, at)),
    )
    return floor_interval(measured, curve, "reached at time zero already")


def _not_held(curve: Curve, hidden: Hidden, spells: Spells, threshold: float) -> MeasuredValue:
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


def _first_hole(curve: Curve, hidden: Hidden, threshold: float) -> float:
    """Return when the first hole begins in which the threshold may have been reached; inf without one."""
    reaching = curve.holes[hidden.holes >= threshold]
    return float(curve.seconds[reaching[0]]) if len(reaching) else math.inf


def band_held(burn: Burn, metric: Metric) -> MeasuredValue:
    """Return the minutes in a cook's band, for a burn run to hold it."""
    if metric.argument not in burn.row.bands:
        return missing("no cook of that name")
    band = burn.row.bands[metric.argument]
    if band is None:
        return missing("the burn was not run at a setting declared for that cook")
    low, high = band
    curve, hidden = burn.known_curve, burn.hidden

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
    measured = bounded(held(low, high) / MINUTE, more="; ".join(filter(None, reasons)), u=u)
    return floor_interval(measured, curve)


def near_ambient(burn: Burn, _: Metric) -> MeasuredValue:
    """Return the minutes until the cooker is for good within the margin of the air; to the end of the log."""
    if math.isnan(burn.row.ambient_c):
        return missing("ambient_c is blank")
    curve, hidden = burn.known_curve.to_the_end, burn.hidden_to_the_end
    threshold = burn.row.ambient_c + curve.measuring.near_ambient_k
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
    measured = bounded(
        value / MINUTE,
        less=HOLE if len(holes) else "",
        more=hidden.end_note if hidden.after >= threshold else "",
        u=_doubt(curve, _part(spells, -1, -1, start=False), threshold, lambda at: _last_end(curve, at)),
    )
    return floor_interval(measured, curve)


def _last_end(curve: Curve, threshold: float) -> float:
    spells = curve.spells(threshold)
    return float(spells.end[-1]) if len(spells) else math.nan


def cool_down(burn: Burn, _: Metric) -> MeasuredValue:
    """Return the minutes from an upper to a lower temperature after the peak.

    Each is passed when the curve comes to it from above and stays below it for `hold_min`, or to the end
    of the log. The curve reaches to the end of the log, past the stop.
    """
    if burn.row.cool_down_c is None:
        return missing("cool_down_c is not declared, and there are no two thresholds")
    upper, lower = burn.row.cool_down_c
    curve, hidden = burn.known_curve.to_the_end, burn.hidden_to_the_end
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
    measured = bounded(
        (to_lower - from_upper) / MINUTE,
        more="" if upper_seen else HOLE,
        less="" if lower_seen else HOLE,
        u={
            "sampling": math.sqrt(2) * dt / RECTANGLE / MINUTE,
            "resolution": math.sqrt(2) * curve.resolution_c / RECTANGLE / slope / MINUTE,
        },
    )
    return floor_interval(measured, curve)


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


def floor_interval(measured: MeasuredValue, curve: Curve, why: str = "none was seen") -> MeasuredValue:
    """Return a duration of zero as 'at most one sampling interval' (DEVELOPERS.md, method 9)."""
    return floor_zero(measured, curve.interval_s / MINUTE, "one sampling interval", why)


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


DURATIONS = (
    Metric(
        id="time_to",
        base="time_to",
        label="time to",
        unit="min",
        scale="log",
        more="slower",
        less="quicker",
        better="less",
        source="curve",
        takes="threshold",
        definition="first time T comes to θ and is held there long enough to count, less time zero; 'never' "
        "if it is not",
        own_phrases=Phrases(
            more="{a} took {amount} longer than {b} to reach {at}",
            less="{a} took {amount} less time than {b} to reach {at}",
            times="{a} took {amount} as long as {b} to reach {at}",
            question="{a} or {b} reached {at} sooner",
            same="{a} and {b} took equally long to reach {at}",
            chance="take longer to reach {at}",
            short="later at {at}",
            short_less="sooner at {at}",
            best="quickest to {at}",
            as_good="as quick",
            side_more="longer",
            side_times="as long",
        ),
        measure=time_to,
    ),
    Metric(
        id="time_above",
        base="time_above",
        label="time above",
        unit="min",
        scale="log",
        more="longer",
        less="shorter",
        better="more",
        source="curve",
        takes="threshold",
        definition="sum of the linearly interpolated stretches with T ≥ θ",
        own_phrases=Phrases(
            more="{a} stayed above {at} {amount} longer than {b}",
            less="{a} stayed above {at} for {amount} less time than {b}",
            times="{a} stayed above {at} {amount} as long as {b}",
            question="{a} or {b} stayed above {at} longer",
            same="{a} and {b} stayed above {at} equally long",
            chance="stay above {at} longer",
            short="longer above {at}",
            short_less="shorter above {at}",
            best="longest above {at}",
            as_good="as long",
            side_more="longer",
            side_less="shorter",
            side_times="as long",
        ),
        measure=time_above,
    ),
    Metric(
        id="longest_spell",
        base="longest_spell",
        label="longest spell above",
        unit="min",
        scale="log",
        more="longer",
        less="shorter",
        better="more",
        source="curve",
        takes="threshold",
        definition="longest stretch with T ≥ θ, short dips closed",
        own_phrases=Phrases(
            more="{a}'s longest spell above {at} was {amount} longer than {b}'s",
            less="{a}'s longest spell above {at} was {amount} shorter than {b}'s",
            times="{a}'s longest spell above {at} was {amount} as long as {b}'s",
            question="{a} or {b} had the longer spell above {at}",
            same="{a}'s and {b}'s longest spells above {at} were equally long",
            chance="have the longer spell above {at}",
            short="longer spell above {at}",
            short_less="shorter spell above {at}",
            best="longest spell above {at}",
            as_good="as long",
            side_more="longer",
            side_less="shorter",
            side_times="as long",
        ),
        measure=longest_spell,
    ),
    Metric(
        id="near_ambient",
        base="near_ambient",
        label="time to cool to near ambient",
        unit="min",
        scale="log",
        more="later",
        less="sooner",
        better="",
        source="curve",
        definition="last time the cooker is 20 K or more above the air; in a heavy cooker long "
        "after the fire is out",
        own_phrases=Phrases(
            more="the cooker took {amount} longer to cool to near ambient with {a} than with {b}",
            less="the cooker took {amount} less time to cool to near ambient with {a} than with {b}",
            times="the cooker took {amount} as long to cool to near ambient with {a} as with {b}",
            question="the cooker cooled to near ambient sooner with {a} or with {b}",
            same="the cooker took equally long to cool to near ambient with {a} and with {b}",
            chance="keep the cooker warm longer",
            short="cooker warm longer",
            short_less="cooker cool sooner",
            side_more="longer",
            side_times="as long",
        ),
        measure=near_ambient,
    ),
    Metric(
        id="cool_down",
        base="cool_down",
        label="cool-down",
        unit="min",
        scale="log",
        more="slower",
        less="quicker",
        better="",
        source="curve",
        definition="from an upper to a lower declared temperature after the peak",
        own_phrases=Phrases(
            more="with {a} the cooker took {amount} longer to cool down than with {b}",
            less="with {a} the cooker took {amount} less time to cool down than with {b}",
            times="with {a} the cooker took {amount} as long to cool down as with {b}",
            question="the cooker cooled down sooner with {a} or with {b}",
            same="with {a} and {b} the cooker cooled down equally fast",
            chance="cool down slower",
            short="slower cooling",
            short_less="quicker cooling",
            side_more="longer",
            side_times="as long",
        ),
        measure=cool_down,
    ),
    Metric(
        id="band",
        base="band",
        label="time held for",
        unit="min",
        scale="log",
        more="longer",
        less="shorter",
        better="more",
        source="curve",
        takes="cook",
        definition="time within a cook's band, only of burns run to hold it",
        own_phrases=Phrases(
            more="{a} held the heat for {at} {amount} longer than {b}",
            less="{a} held the heat for {at} for {amount} less time than {b}",
            times="{a} held the heat for {at} {amount} as long as {b}",
            question="{a} or {b} held the heat for {at} longer",
            same="{a} and {b} held the heat for {at} equally long",
            chance="hold the heat for {at} longer",
            short="longer for {at}",
            short_less="shorter for {at}",
            best="longest held for {at}",
            as_good="as long",
            side_more="longer",
            side_less="shorter",
            side_times="as long",
        ),
        measure=band_held,
    ),
)
