"""Metrics read off the curve: temperatures and how they move (peak, plateau, steadiness …), and durations."""

import math
from collections.abc import Callable

import numpy as np

from kit.metrics.burn import HOLE, LATE, SATURATED, Burn
from kit.metrics.curve import (
    BRIDGED_STEPS,
    CLOSE_S,
    Array,
    Curve,
    Indices,
    Spells,
    between,
    longest_within,
    running_median,
    spells_above,
    values_at,
)
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

HOUR = 3600.0
TREND_POINTS = 40
"""The local trend is taken on a grid of so many points a window."""
COVERED = 0.9
"""A declared plateau counts where at least this share of it was logged."""
COARSEST_TREND = 5
"""Steadiness and departures need at least so many readings a trend window."""


@record("peak temperature", "°C", scale="plain", better="more")
def peak(burn: Burn, _: Metric) -> MeasuredValue:
    """Highest value of a centred running median followed by a running mean (windows stated)."""
    return _highest(burn, burn.known_curve.smooth)


@record("raw peak", "°C", scale="plain")
def peak_raw(burn: Burn, _: Metric) -> MeasuredValue:
    """Highest reading, unsmoothed."""
    return _highest(burn, burn.known_curve.celsius)


def _highest(burn: Burn, values: Array) -> MeasuredValue:
    curve, top = burn.known_curve, int(np.argmax(values))
    highest = float(values[top])
    reasons = SATURATED if curve.saturated else "", burn.hidden.why_more(highest)
    # A parabola through readings dt apart rises above the highest by at most a quarter of the step beside it.
    missed = (highest - float(values[max(top - 1, 0) : top + 2].min())) / 4
    u = {"resolution": curve.resolution_c / RECTANGLE, "sampling": missed / math.sqrt(3)}
    return bounded(highest, more="; ".join(filter(None, reasons)), u=u)


def plateau_window(burn: Burn) -> tuple[float, float] | str:
    """Return from and to of the plateau in seconds, or why there is none.

    The declared window, else the longest spell in the hotter half (above the middle between the lowest and
    the highest of the smoothed curve) in which that curve stays within the band about one level: without
    'hotter half' the cold tail of a long log would be its plateau.
    """
    curve, hidden = burn.known_curve, burn.hidden
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


@record("plateau mean", "°C", scale="plain")
def plateau(burn: Burn, _: Metric) -> MeasuredValue:
    """Time-weighted mean over the longest stretch near one level in the hotter half of the burn, or over the
    declared one.
    """
    curve, window = burn.known_curve, plateau_window(burn)
    if isinstance(window, str):
        return missing(window)
    part = between(curve.line, *window)
    steps = np.where(part.joined, np.diff(part.seconds), 0.0)
    middle = (part.celsius[1:] + part.celsius[:-1]) / 2
    holes = (np.abs(np.diff(part.celsius)) * steps)[steps > BRIDGED_STEPS * curve.interval_s]
    u = {
        "resolution": curve.resolution_c / RECTANGLE,
        "gaps": float(np.sqrt((holes**2).sum())) / RECTANGLE / float(steps.sum()),
    }
    return MeasuredValue(float((steps * middle).sum() / steps.sum()), u=u)


@record("steadiness (SD)", "K", better="less")
def steadiness(burn: Burn, _: Metric) -> MeasuredValue:
    """Standard deviation of the temperature about its local trend over the plateau, lid openings left out;
    smaller is steadier.
    """
    curve, window = burn.known_curve, plateau_window(burn)
    if isinstance(window, str):
        return missing(window)
    trend = local_trend(curve)
    if isinstance(trend, str):
        return missing(trend)
    inside = (curve.seconds >= window[0]) & (curve.seconds <= window[1]) & ~curve.lid
    half = np.where(curve.joined, curve.steps, 0.0) / 2
    weights = (np.append(half, 0.0) + np.append(0.0, half))[inside]  # half of each line that ends in a point
    n = int(inside.sum())
    if n < 3 or weights.sum() <= 0:
        return missing("too few readings on the plateau with the lid shut")
    residual = (curve.celsius - trend)[inside]
    centre = np.average(residual, weights=weights)
    sd = math.sqrt(float(np.average((residual - centre) ** 2, weights=weights)) * n / (n - 1))
    rounding = curve.resolution_c / RECTANGLE
    u = {
        "sampling": sd / math.sqrt(2 * (n - 1)),
        # Rounding adds rounding² to the variance: the SD is high by about half of that over itself.
        "resolution": min(rounding, rounding**2 / (2 * sd)) if sd > 0 else 0.0,
    }
    return floor_zero(MeasuredValue(sd, u=u), rounding, "the resolution tells")


@record("mean rate of change", "K/min", better="less")
def mean_rate(burn: Burn, _: Metric) -> MeasuredValue:
    """Mean of abs(dT/dt) of the smoothed curve on a common grid."""
    curve, hidden = burn.known_curve, burn.hidden
    step = curve.measuring.rate_step_s
    if curve.interval_s > step + CLOSE_S:
        return missing("the log is coarser than the grid of the rate")
    if curve.cut_short or curve.started_late:
        return missing(f"{hidden.end_note if curve.cut_short else LATE}: the mean would be of another time")
    grid = np.arange(curve.seconds[0], curve.seconds[-1] + CLOSE_S, step)
    smooth = values_at(grid, curve.seconds, curve.smooth, curve.joined)
    moves = np.abs(np.diff(smooth))
    moves = moves[np.isfinite(moves)]
    if not len(moves):
        return missing("the log is shorter than one step of the rate's grid")
    rounding = curve.resolution_c / RECTANGLE / step * MINUTE
    u = {"resolution": math.sqrt(2 / len(moves)) * rounding}
    rate = MeasuredValue(float(moves.mean()) / step * MINUTE, u=u)
    return floor_zero(rate, rounding, "the resolution tells")


@record("degree-hours above ambient", "K·h", better="more")
def degree_hours(burn: Burn, _: Metric) -> MeasuredValue:
    """Integral over time of max(T − ambient, 0)."""
    if math.isnan(burn.row.ambient_c):
        return missing("ambient_c is blank")
    curve = burn.known_curve
    area, bridged = area_above(curve, burn.row.ambient_c)
    rounding = curve.resolution_c / RECTANGLE
    joined = np.where(curve.joined, curve.steps, 0.0)
    bends = np.abs(np.diff(curve.celsius, 2)).sum() * curve.interval_s / 12
    u = {
        "resolution": rounding * math.sqrt(float((joined**2).sum())) / HOUR,
        "sampling": float(bends) / math.sqrt(3) / HOUR,
        "gaps": bridged / HOUR,
    }
    least = max(rounding, 1e-3) * float(joined.sum()) / HOUR
    return floor_zero(bounded(area / HOUR, more=burn.hidden.why_more(), u=u), least, "the resolution tells")


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


@record("departures from the trend (count)", "", scale="plain", better="less", least=0.0)
def departures(burn: Burn, _: Metric) -> MeasuredValue:
    """Stretches farther from the local trend than a band, for at least a minute in a burn of hours, lid openings
    left out: how many.
    """
    curve = burn.known_curve
    trend, shut = local_trend(curve), ~curve.lid
    if isinstance(trend, str):
        return missing(trend)
    away = np.where(shut, np.abs(curve.celsius - trend), 0.0)
    joined = curve.joined & shut[:-1] & shut[1:]
    spells = spells_above(curve.seconds, away, joined, curve.measuring.departure_k)
    long = spells.seconds >= curve.measuring.departure_min * MINUTE - CLOSE_S
    return bounded(float(long.sum()), more=burn.hidden.why_more())


def local_trend(curve: Curve) -> Array | str:
    """Return the running median over the trend's window at every point, or why there is none.

    Readings with the lid open are left out. The median is taken on a grid, windows cut short on both sides alike
    at the ends and at gaps, and joined by lines.
    """
    if curve.interval_s * COARSEST_TREND > curve.measuring.trend_min * MINUTE:
        return "the log is too coarse for the trend's window"
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
    curve, hidden, threshold = burn.known_curve, burn.hidden, float(metric.argument)

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
    curve, threshold = burn.known_curve, float(metric.argument)

    def above(shift: float) -> float:
        return float(curve.spells(threshold + shift).seconds.sum())

    more = burn.hidden.why_more(threshold)
    return duration(curve, above, curve.spells(threshold).crossings(), more=more)


@record("longest spell above", "min", better="more", takes="threshold")
def longest_spell(burn: Burn, metric: Metric) -> MeasuredValue:
    """Longest stretch with T ≥ θ, short dips closed: it may be longer than the time above θ by those dips."""
    curve, threshold = burn.known_curve, float(metric.argument)

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
    beyond = np.nextafter(-threshold, np.inf)
    below = spells_above(curve.seconds[peak:], -curve.celsius[peak:], curve.joined[peak:], beyond)
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


OF_THE_CURVE = (
    *(peak, peak_raw, plateau, steadiness, mean_rate, departures, degree_hours),
    *(time_to, time_above, longest_spell, near_ambient, cool_down, band),
)
