"""Readings parted into burns and probes, their flags looked up once for all, and made into curves."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from kit import schema
from kit.metrics.curve import BRIDGED_STEPS, Array, Curve, Indices, Line, Mask, between
from kit.metrics.measuring import Measuring

OWN_GAP_STEPS = 2.5
"""A hole of up to this many of the log's own intervals is sampling, whatever the limit for gaps says."""
WRONG = frozenset({"impossible", "sentinel", "spike", "reversed"})
"""Flags of readings that show a logger or probe at fault, not merely something missing."""
MOST_WRONG = 0.2
"""No value is stated of a curve of whose readings more than this share was wrong."""


@dataclass(frozen=True)
class LoggedBurn:
    """The readings of one burn at one probe as logged, in order of time.

    Attributes
    ----------
    seconds, celsius
        (n) all readings with a stamp.
    usable, wrong, lid_open, saturated, topped_up
        (n) what their flags say; `usable` is the one mask for value, uncertainty and count.
    """

    burn: str
    probe: str
    seconds: Array
    celsius: Array
    usable: Mask
    wrong: Mask
    lid_open: Mask
    saturated: Mask
    topped_up: Mask


def logged_burns(readings: pd.DataFrame) -> Iterator[LoggedBurn]:
    """Yield the readings of each burn and probe, in order of time.

    Parameters
    ----------
    readings
        schema.READINGS; texts may be categories.
    """
    burns, probes, flags = (readings[name].astype("category") for name in ("burn", "probe", "flag"))
    lookups = _flag_lookups(flags.cat.categories)
    marks = {name: lookup[flags.cat.codes.to_numpy()] for name, lookup in lookups.items()}
    group = (
        burns.cat.codes.to_numpy().astype(np.int64) * len(probes.cat.categories) + probes.cat.codes.to_numpy()
    )
    seconds = readings["elapsed_s"].to_numpy(np.float64)
    celsius = readings["temp_c"].to_numpy(np.float64, na_value=np.nan)
    order = np.arange(len(group)) if _in_order(group, seconds) else np.lexsort((seconds, group))
    edges = np.flatnonzero(np.diff(group[order])) + 1
    for rows in np.split(order, edges) if len(order) else []:
        code = int(group[rows[0]])
        burn, probe = divmod(code, len(probes.cat.categories))
        yield LoggedBurn(
            str(burns.cat.categories[burn]),
            str(probes.cat.categories[probe]),
            seconds[rows],
            celsius[rows],
            marks["usable"][rows] & np.isfinite(celsius[rows]),
            marks["wrong"][rows],
            marks["lid open"][rows],
            marks["saturated"][rows],
            marks["after top-up"][rows],
        )


def _flag_lookups(flags: pd.Index[str]) -> dict[str, Mask]:
    texts = [str(flag) for flag in flags]
    lookups = {"usable": np.array([*map(schema.usable, texts), True])}
    lookups["wrong"] = np.array([*(not WRONG.isdisjoint(text.split("+")) for text in texts), False])
    for name in ("lid open", "saturated", "after top-up"):
        lookups[name] = np.array([*(name in text.split("+") for text in texts), False])
    return lookups  # the last place answers code −1, a blank


def _in_order(group: Indices, seconds: Array) -> bool:
    step = np.diff(group)
    return bool(np.all((step > 0) | ((step == 0) & (np.diff(seconds) >= 0))))


@dataclass(frozen=True)
class Limits:
    """What a curve is cut by: the stop (None: the log's end), gap limit in seconds, the ends' tolerance."""

    stop_s: float | None
    gap_s: float
    measuring: Measuring


def curve_of(log: LoggedBurn, limits: Limits, without_lid: bool = False) -> Curve | None:
    """Return the curve of one burn at one probe, or None where it has no usable reading after time zero.

    Parameters
    ----------
    log
        Its readings as logged.
    limits
        Where it stops, and how long a gap may be bridged.
    without_lid
        Leave out the readings with the lid open and draw a line across, however long.
    """
    used = log.usable & ~log.lid_open if without_lid else log.usable
    interval = _interval(log.seconds)
    stop = float(log.seconds[-1]) if limits.stop_s is None else limits.stop_s
    line = _line(log, used, max(limits.gap_s, OWN_GAP_STEPS * interval), limits.measuring, without_lid)
    cut = between(line, 0.0, stop)
    if not len(cut.seconds):
        return None
    inside = (log.seconds >= 0) & (log.seconds <= stop)
    slack = max(limits.measuring.end_tolerance_min * 60, BRIDGED_STEPS * interval)
    whole = Curve(
        *cut,
        interval_s=interval,
        resolution_c=smallest_step(log.celsius[used & inside]),
        stop_s=stop,
        cut_short=bool(cut.seconds[-1] < stop - slack),
        started_late=bool(cut.seconds[0] > slack),
        saturated=bool((log.saturated & inside).any()),
        topped_up=bool(log.topped_up.any()),
        n_used=int((used & inside).sum()),
        n_flagged=int((~used & inside).sum()),
        measuring=limits.measuring,
        unsound=_unsound(log, cut),
    )
    if line.seconds[-1] <= stop:
        return whole
    return replace(whole, tail=replace(whole, **between(line, 0.0, np.inf)._asdict()))


def _line(log: LoggedBurn, used: Mask, gap_s: float, measuring: Measuring, without_lid: bool) -> Line:
    seconds, celsius, lid = _one_a_stamp(log.seconds[used], log.celsius[used], log.lid_open[used])
    joined = np.diff(seconds) <= gap_s
    if without_lid:
        joined |= _over_lid(seconds, log)
    return Line(seconds, celsius, joined, _settling(seconds, lid, measuring.lid_settle_min * 60))


def _one_a_stamp(seconds: Array, celsius: Array, lid: Mask) -> tuple[Array, Array, Mask]:
    """Return one point a stamp, the mean of those that share it."""
    if len(seconds) < 2 or (np.diff(seconds) > 0).all():
        return seconds, celsius, lid
    stamps, place = np.unique(seconds, return_inverse=True)
    count = np.bincount(place)
    return stamps, np.bincount(place, celsius) / count, np.bincount(place, lid) > 0


def _interval(seconds: Array) -> float:
    steps = np.diff(seconds)
    steps = steps[steps > 0]
    return float(np.median(steps)) if len(steps) else 0.0


def smallest_step(celsius: Array) -> float:
    """Return the smallest step the readings show, 0 where they all agree; unit of the readings."""
    steps = np.diff(np.sort(celsius))
    steps = steps[steps > 1e-3]
    return float(steps.min()) if len(steps) else 0.0


def _over_lid(seconds: Array, log: LoggedBurn) -> Mask:
    """Return which lines lead across readings that were left out for the open lid."""
    open_at = log.seconds[log.usable & log.lid_open]
    across: Mask = np.diff(np.searchsorted(open_at, seconds)) > 0
    return across


def _settling(seconds: Array, lid: Mask, settle_s: float) -> Mask:
    """Return the readings with the lid open, and those within the settling time after one."""
    last_open = np.maximum.accumulate(np.where(lid, seconds, -np.inf))
    return lid | (seconds - last_open <= settle_s)


def _unsound(log: LoggedBurn, line: Line) -> str:
    """Return why too little of a curve was soundly logged, '' where enough was.

    Counted are wrong readings that a line leads across; a hole that is left open bounds the values itself.
    """
    wrong_before = np.searchsorted(log.seconds[log.wrong], line.seconds)
    wrong = int(np.diff(wrong_before)[line.joined].sum())
    share = wrong / max(wrong + len(line.seconds), 1)
    return f"{share:.0%} of the readings were taken out as wrong" if share > MOST_WRONG else ""
