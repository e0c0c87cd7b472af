"""Probes that fell on the coals or were pulled out: a jump that stays and that no other probe follows."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from kit.readings.marks import BIT, Bits, is_usable
from kit.trial.cleaning import Cleaning

Floats = npt.NDArray[np.float64]
_BEFORE_S, _SAME_SIDE = 180.0, 0.6
_FOLLOWS = 0.25
_FOLLOW_S = (-60.0, 300.0)
_STEADY = 0.35
_SHARP = 0.8


def mark_stepped(
    seconds: Sequence[Floats],
    celsius: Sequence[Floats],
    bits: Sequence[Bits],
    known: Sequence[tuple[float, float]],
    cleaning: Cleaning,
) -> None:
    """Mark, in the traces of one burn, everything from such a jump on.

    Parameters
    ----------
    seconds, celsius, bits
        Of each probe of the burn; `bits` is written to.
    known
        Spans of time in which jumps are expected: around tipping, lid on, top-ups, the lid opened.
    """
    if len(seconds) < 2:
        return
    usable = [is_usable(mark) & np.isfinite(value) for mark, value in zip(bits, celsius, strict=True)]
    clean = [(t[good], y[good]) for t, y, good in zip(seconds, celsius, usable, strict=True)]
    starts = []
    for place, (t, y) in enumerate(clean):
        others = [clean[other] for other in range(len(clean)) if other != place and len(clean[other][0]) > 3]
        starts.append(_first_step(t, y, others, known, cleaning) if others and len(t) > 5 else None)
    for place, start in enumerate(starts):
        if start is not None:
            bits[place][seconds[place] >= start] |= BIT["stepped"]


def _first_step(
    t: Floats,
    y: Floats,
    others: Sequence[tuple[Floats, Floats]],
    known: Sequence[tuple[float, float]],
    cleaning: Cleaning,
) -> float | None:
    ahead = np.minimum(np.searchsorted(t, t + cleaning.stepped_s, side="right") - 1, len(t) - 1)
    ahead = np.maximum(ahead, np.minimum(np.arange(len(t)) + 1, len(t) - 1))
    change = y[ahead] - y
    for row in np.flatnonzero(np.abs(change) >= cleaning.stepped_k).tolist():
        at, until = float(t[row]), float(t[ahead[row]])
        if any(begin <= until and at <= end for begin, end in known):
            continue
        size = _level_change(t, y, at, until, cleaning)
        if (
            abs(size) >= cleaning.stepped_k
            and abs(change[row]) >= _SHARP * abs(size)
            and not _followed(size, at, until, others)
        ):
            steepest = int(np.argmax(np.abs(np.diff(y[row : ahead[row] + 1]))))
            return float(t[row + steepest + 1])
    return None


def _level_change(t: Floats, y: Floats, at: float, until: float, cleaning: Cleaning) -> float:
    """Return the change of level over a jump, 0 where the curve was not steady before or does not stay after it."""
    before = y[(t >= at - _BEFORE_S) & (t <= at)]
    after = y[(t >= until) & (t <= until + cleaning.stepped_stays_s)]
    if len(before) < 3 or len(after) < 3 or t[-1] < until + 0.8 * cleaning.stepped_stays_s:
        return 0.0
    level = float(np.median(before))
    size = float(np.median(after)) - level
    if float(np.ptp(before)) > _STEADY * abs(size):
        return 0.0
    stays = (after - level) * np.sign(size) >= _SAME_SIDE * abs(size)
    return size if stays.all() else 0.0


def _followed(size: float, at: float, until: float, others: Sequence[tuple[Floats, Floats]]) -> bool:
    for t, y in others:
        before = y[(t >= at - _BEFORE_S) & (t <= at + 1e-9)]
        around = y[(t >= at + _FOLLOW_S[0]) & (t <= until + _FOLLOW_S[1])]
        if not len(before) or not len(around):
            return True
        level = float(np.median(before))
        most = float(((around - level) * np.sign(size)).max())
        if most >= _FOLLOWS * abs(size):
            return True
    return False
