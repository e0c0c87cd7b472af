"""Metrics that are temperatures, or are read off how the temperature moves: peak, plateau, steadiness …"""

import math

import numpy as np

from kit.metrics.burn import LATE, SATURATED, Burn
from kit.metrics.curve import (
    BRIDGED_STEPS,
    CLOSE_S,
    Array,
    Curve,
    between,
    longest_within,
    running_median,
    spells_above,
    values_at,
)
from kit.metrics.record import MINUTE, RECTANGLE, MeasuredValue, Metric, bounded, floor_zero, missing, record

HOUR = 3600.0
TREND_POINTS = 40
"""The local trend is taken on a grid of so many points a window."""
COVERED = 0.9
"""A declared plateau counts where at least this share of it was logged."""
COARSEST_TREND = 5
"""Steadiness and departures need at least so many readings a trend window."""
TOO_COARSE = "the log is too coarse for the trend's window"


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
    if _coarse(curve):
        return missing(TOO_COARSE)
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
    rate = MeasuredValue(
        float(moves.mean()) / step * MINUTE, u={"resolution": math.sqrt(2 / len(moves)) * rounding}
    )
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
    if _coarse(curve):
        return missing(TOO_COARSE)
    shut = ~curve.lid
    away = np.where(shut, np.abs(curve.celsius - local_trend(curve)), 0.0)
    joined = curve.joined & shut[:-1] & shut[1:]
    spells = spells_above(curve.seconds, away, joined, curve.measuring.departure_k)
    long = spells.seconds >= curve.measuring.departure_min * MINUTE - CLOSE_S
    return bounded(float(long.sum()), more=burn.hidden.why_more())


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


TEMPERATURES = (peak, peak_raw, plateau, steadiness, mean_rate, departures, degree_hours)
