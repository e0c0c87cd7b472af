"""Fires in a log of which no sheet need be known: each a rise from the cold and the way back to it, by the curve."""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from kit.readings.read import Log
from kit.trial.cells import Floats

LEAST_RISE_K = 40.0
_SHARE_OF_HOTTEST = 0.1
_COLD_AGAIN, _BEGINS = 0.25, 0.03
_GAP_S, _GAP_STEPS = 600.0, 30
_SMOOTHED = 5
_LID_S, _LID_SHARE = 600.0, 0.25
"""With a lid opened the curve falls for no longer, nor for more of the fire so far, and comes back as fast."""


@dataclass(frozen=True)
class Fire:
    """One fire in a log.

    Attributes
    ----------
    begin_s
        The log's elapsed seconds when the rise begins: about when it was lit.
    cold_s
        When three quarters of the rise are lost again; the last reading where the log ends before.
    end_s
        The last reading before the next fire begins, the log pauses or ends.
    peak_c
        Highest temperature, lone readings smoothed away.
    cooled
        Whether it was seen to cool: False where the log ends hot.
    lit, stopped
        Clock times of begin_s and cold_s as ISO 8601 to the second, '' without a clock; without a date 'hh:mm:ss'.
    day
        Date of `lit`, '' without one.
    probe, group
        Heading of the probe it was seen at; label of the run of a split file, '' where there is one.
    """

    begin_s: float
    cold_s: float
    end_s: float
    peak_c: float
    cooled: bool
    lit: str = ""
    stopped: str = ""
    day: str = ""
    probe: str = ""
    group: str = ""


def find_fires(log: Log, probe: str | None = None, *, least_rise_k: float = LEAST_RISE_K) -> list[Fire]:
    """Return the fires of a log in their order: each a rise from the cold and the way back to it.

    Parameters
    ----------
    log
        As `read_log` gives it.
    probe
        Heading of the probe to look at; by default the one that moves most.
    least_rise_k
        Rise above the coldest reading before it that makes a fire, K; at least a tenth of the log's whole
        range, and as much as the cooker was still above its coldest.

    Examples
    --------
    >>> [fire.day for fire in find_fires(log)]  # doctest: +SKIP
    ['2026-05-14', '2026-05-14', '2026-05-14']
    """
    if probe is None and log.probes:
        reach = log.table[log.probes].quantile([0.01, 0.99]).diff().iloc[1]
        probe = str(reach.fillna(-1.0).idxmax())
    if not probe:
        return []
    labels = [""] if log.groups is None else list(dict.fromkeys(map(str, log.groups)))
    fires = []
    for label in labels:
        rows = np.arange(len(log.table)) if log.groups is None else np.flatnonzero(log.groups == label)
        seconds, celsius = (log.table[name].to_numpy()[rows] for name in ("elapsed_s", probe))
        for fire in fires_in(seconds, celsius, least_rise_k):
            nearest = [int(np.argmin(np.abs(seconds - at))) for at in (fire.begin_s, fire.cold_s)]
            moments = log.table["clock"].iloc[rows[nearest]]
            form = "%Y-%m-%dT%H:%M:%S" if log.dialect.dated else "%H:%M:%S"
            lit, stopped = (f"{moment:{form}}" if log.has_clock else "" for moment in moments)
            day = lit[:10] if "T" in lit else ""
            fires.append(replace(fire, lit=lit, stopped=stopped, day=day, probe=probe, group=label))
    return fires


def fires_in(seconds: Floats, celsius: Floats, least_rise_k: float = LEAST_RISE_K) -> list[Fire]:
    """Return the fires of one curve, of no clock; gaps in it part fires, missing readings do not."""
    good = np.isfinite(celsius)
    t, y = seconds[good], celsius[good]
    if len(t) < 3:
        return []
    if len(t) >= _SMOOTHED:  # running medians, so that a lone reading makes no fire
        wide = np.pad(y, _SMOOTHED // 2, mode="edge")
        y = np.median(np.lib.stride_tricks.sliding_window_view(wide, _SMOOTHED), axis=1)
    least = max(least_rise_k, _SHARE_OF_HOTTEST * float(np.ptp(y)))
    step = float(np.median(np.diff(t)))
    pauses = np.flatnonzero(np.diff(t) > max(_GAP_S, _GAP_STEPS * step)) + 1
    fires: list[Fire] = []
    for first, last in pairwise([0, *pauses.tolist(), len(t)]):
        part = _in_one_piece(t[first:last], y[first:last], least)
        if part and fires and not fires[-1].cooled and y[first] > fires[-1].peak_c - 0.75 * least:
            part = part[1:]  # the log paused within one fire
        fires += part
    return fires


def _in_one_piece(t: Floats, y: Floats, least: float) -> list[Fire]:
    """Walk along a curve: up from the lowest reading by `least`, or by what was left of the fire before; down again."""
    fires: list[Fire] = []
    place, base = 0, np.nan
    while place < len(t):
        lowest = np.minimum.accumulate(y[place:])
        rises = np.flatnonzero(y[place:] - lowest >= np.maximum(least, lowest - y.min()))
        if not len(rises):
            break
        hot = place + int(rises[0])
        low = place + int(np.argmin(y[place : hot + 1]))
        end, cooled = _cold_again(y, hot, float(y[low]))
        top = hot + int(np.argmax(y[hot : end + 1]))
        if fires:
            minutes = min(_LID_S, _LID_SHARE * (float(t[low]) - fires[-1].begin_s))
            before = y[(t >= t[low] - minutes) & (t < t[low])]
            if t[top] - t[low] <= minutes and y[top] <= before.max(initial=-np.inf):
                # as hot as it was minutes ago, and no hotter: a lid was opened, and the fire burns on
                end, cooled = _cold_again(y, top, base, fires[-1].peak_c)
                fires[-1] = replace(fires[-1], cold_s=float(t[end]), cooled=cooled)
                place = end if cooled else len(t)
                continue
        base, peak = float(y[low]), float(y[top])
        cold = y[low : hot + 1] <= base + max(2.0, _BEGINS * (peak - base))
        begin = low + int(np.flatnonzero(cold)[-1])
        if fires:
            fires[-1] = replace(fires[-1], end_s=float(t[max(begin - 1, 0)]), cooled=True)
        fires.append(Fire(float(t[begin]), float(t[end]), float(t[-1]), peak, cooled))
        place = end if cooled else len(t)
    return fires


def _cold_again(y: Floats, since: int, base: float, peak: float = -np.inf) -> tuple[int, bool]:
    """Return where three quarters of a fire's rise above a base are lost, else the last reading; whether they are."""
    top = np.maximum(np.maximum.accumulate(y[since:]), peak)
    falls = np.flatnonzero(y[since:] <= base + _COLD_AGAIN * (top - base))
    return (since + int(falls[0]), True) if len(falls) else (len(y) - 1, False)
