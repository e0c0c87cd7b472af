"""Readings parted into burns and probes, their flags looked up once for all, and made into curves."""

from __future__ import annotations

from collections.abc import Iterator, Set
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
    texts, codes = [str(flag) for flag in flags.cat.categories], flags.cat.codes.to_numpy()

    def marked(names: Set[str]) -> Mask:
        lookup = np.array([*(not names.isdisjoint(text.split("+")) for text in texts), False])
        mask: Mask = lookup[codes]  # the last place answers code −1, a blank
        return mask

    seconds = readings["elapsed_s"].to_numpy(np.float64)
    celsius = readings["temp_c"].to_numpy(np.float64, na_value=np.nan)
    usable = np.array([*map(schema.usable, texts), True])[codes] & np.isfinite(celsius)
    masks = (usable, *map(marked, (WRONG, {"lid open"}, {"saturated"}, {"after top-up"})))
    group = burns.cat.codes.to_numpy(np.int64) * len(probes.cat.categories) + probes.cat.codes.to_numpy()
    order = np.arange(len(group)) if _in_order(group, seconds) else np.lexsort((seconds, group))
    edges = np.flatnonzero(np.diff(group[order])) + 1
    for rows in np.split(order, edges) if len(order) else []:
        burn, probe = divmod(int(group[rows[0]]), len(probes.cat.categories))
        names = str(burns.cat.categories[burn]), str(probes.cat.categories[probe])
        yield LoggedBurn(*names, seconds[rows], celsius[rows], *(mask[rows] for mask in masks))


def _in_order(group: Indices, seconds: Array) -> bool:
    step = np.diff(group)
    return bool(np.all((step > 0) | ((step == 0) & (np.diff(seconds) >= 0))))


def curve_of(
    log: LoggedBurn, stop_s: float | None, gap_s: float, measuring: Measuring, without_lid: bool = False
) -> Curve | None:
    """Return the curve of one burn at one probe, or None where it has no usable reading after time zero.

    Parameters
    ----------
    log
        Its readings as logged.
    stop_s
        Where it stops; None for the end of the log.
    gap_s
        The longest gap that may be bridged.
    measuring
        The windows and limits it is smoothed by.
    without_lid
        Leave out the readings with the lid open and draw a line across, however long.
    """
    used = log.usable & ~log.lid_open if without_lid else log.usable
    steps = np.diff(log.seconds)
    interval = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    stop = float(log.seconds[-1]) if stop_s is None else stop_s
    seconds, celsius, lid = _one_a_stamp(log.seconds[used], log.celsius[used], log.lid_open[used])
    joined = np.diff(seconds) <= max(gap_s, OWN_GAP_STEPS * interval)
    if without_lid:
        joined |= np.diff(np.searchsorted(log.seconds[log.usable & log.lid_open], seconds)) > 0
    last_open = np.maximum.accumulate(np.where(lid, seconds, -np.inf))
    line = Line(seconds, celsius, joined, lid | (seconds - last_open <= measuring.lid_settle_min * 60))
    cut = between(line, 0.0, stop)
    if not len(cut.seconds):
        return None
    inside = (log.seconds >= 0) & (log.seconds <= stop)
    slack = max(measuring.end_tolerance_min * 60, BRIDGED_STEPS * interval)
    whole = Curve(
        *cut,
        interval_s=interval,
        resolution_c=_smallest_step(log.celsius[used & inside]),
        stop_s=stop,
        cut_short=bool(cut.seconds[-1] < stop - slack),
        started_late=bool(cut.seconds[0] > slack),
        saturated=bool((log.saturated & inside).any()),
        topped_up=bool(log.topped_up.any()),
        n_used=int((used & inside).sum()),
        n_flagged=int((~used & inside).sum()),
        measuring=measuring,
        unsound=_unsound(log, cut),
    )
    if line.seconds[-1] <= stop:
        return whole
    return replace(whole, tail=replace(whole, **between(line, 0.0, np.inf)._asdict()))


def _one_a_stamp(seconds: Array, celsius: Array, lid: Mask) -> tuple[Array, Array, Mask]:
    """Return one point a stamp, the mean of those that share it."""
    if len(seconds) < 2 or (np.diff(seconds) > 0).all():
        return seconds, celsius, lid
    stamps, place = np.unique(seconds, return_inverse=True)
    count = np.bincount(place)
    return stamps, np.bincount(place, celsius) / count, np.bincount(place, lid) > 0


def _smallest_step(celsius: Array) -> float:
    """Return the smallest step the readings show, 0 where they all agree; unit of the readings."""
    steps = np.diff(np.sort(celsius))
    steps = steps[steps > 1e-3]
    return float(steps.min()) if len(steps) else 0.0


def _unsound(log: LoggedBurn, line: Line) -> str:
    """Return why too little of a curve was soundly logged, '' where enough was.

    Counted are wrong readings that a line leads across; a hole that is left open bounds the values itself.
    """
    wrong_before = np.searchsorted(log.seconds[log.wrong], line.seconds)
    wrong = int(np.diff(wrong_before)[line.joined].sum())
    share = wrong / max(wrong + len(line.seconds), 1)
    return f"{share:.0%} of the readings were taken out as wrong" if share > MOST_WRONG else ""
