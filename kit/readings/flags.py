"""The cleaning rules, and what happened to a burn: which readings are odd, and how. One is marked, never deleted.

All burns and probes lie one after the other in long arrays; `seg` numbers the burn and probe of each
reading, so that each rule is a few passes over everything at once.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.errors import Faults
from kit.readings.body import ABSENT, OPEN
from kit.readings.cutting import Recorded, Window, elapsed_at
from kit.readings.stamps import SECOND
from kit.schema import FLAGS
from kit.schema import UNUSABLE as UNUSABLE_FLAGS
from kit.trial import Run
from kit.trial.cells import Bools, Codes, Floats, Ints
from kit.trial.clocks import event_times, relative_times
from kit.trial.decode import fault
from kit.trial.models import Cleaning
from kit.trial.run_sheets import probe_names

Bits = npt.NDArray[np.uint16]
BIT: Mapping[str, np.uint16] = {name: np.uint16(1 << place) for place, name in enumerate(FLAGS)}
UNUSABLE = np.uint16(sum(int(BIT[name]) for name in UNUSABLE_FLAGS))


def words(bits: Bits) -> pd.Categorical:
    """Return '' or the names of the flags joined by '+', in the order of schema.FLAGS."""
    found, codes = np.unique(bits, return_inverse=True)
    texts = ["+".join(name for name, bit in BIT.items() if value & bit) for value in found]
    return pd.Categorical.from_codes(codes, categories=texts)


def has(bits: Bits, name: str) -> Bools:
    """Return which readings carry a flag."""
    return np.asarray((bits & BIT[name]) > 0)


def is_usable(bits: Bits) -> Bools:
    """Return which readings count towards values, uncertainty and n alike."""
    return np.asarray((bits & UNUSABLE) == 0)


MAD_TO_SD = 1.4826
_MOST_EQUAL, _LEAST_TURNS = 0.3, 0.25
_SLOWEST_S = 120.0
_AROUND = 60
_RETURNS, _FLANK = 0.5, 0.5
_COLD_START, _BROKEN = 20.0, 0.25
_AT_ONCE = 1 << 18


@dataclass(frozen=True)
class Stack:
    """All readings of a run, trace after trace.

    Attributes
    ----------
    seg, seconds, celsius, codes, moved, repeated
        One value a reading; `seg` never falls.
    starts
        First reading of each trace, and the total at the end.
    air
        Air temperature of each trace's burn, NaN where it is not known.
    """

    seg: Ints
    seconds: Floats
    celsius: Floats
    codes: Codes
    moved: Bools
    repeated: Bools
    starts: Ints
    air: Floats

    def rows_of(self, trace: int) -> slice:
        """Return the readings of a trace by its place."""
        return slice(int(self.starts[trace]), int(self.starts[trace + 1]))


def flagged(stack: Stack, cleaning: Cleaning) -> Bits:
    """Return the flags that each trace shows on its own."""
    bits = np.zeros(len(stack.seg), np.uint16)
    bits[stack.codes == ABSENT] |= BIT["missing"]
    bits[stack.codes == OPEN] |= BIT["sentinel"]
    bits[stack.moved] |= BIT["reordered"]
    bits[stack.repeated] |= BIT["repeated stamp"]
    with np.errstate(invalid="ignore"):
        impossible = (stack.celsius < cleaning.lowest_c) | (stack.celsius > cleaning.highest_c)
    bits[impossible] |= BIT["impossible"]
    good = np.flatnonzero(np.isfinite(stack.celsius) & ~impossible)
    steps = resolutions(stack, good)
    for start in range(0, len(good) - 2, _AT_ONCE):
        for middle in (start + 1 + _lone(stack, good[start : start + _AT_ONCE + 2], cleaning)).tolist():
            if _stands_out(stack, good, middle, cleaning):
                bits[good[middle]] |= BIT["spike"]
    good = good[is_usable(bits[good])]
    t, y, seg = stack.seconds[good], stack.celsius[good], stack.seg[good]
    breaks = np.flatnonzero((np.abs(np.diff(y)) > 1e-6) | (np.diff(seg) != 0)) + 1
    first, last = np.concatenate([[0], breaks])[: len(good)], np.append(breaks, len(good))[: len(good)] - 1
    runs = Runs(good, t, y, seg, first, last)
    _saturated(runs, steps, cleaning, bits)
    _stuck(runs, steps, cleaning, bits)
    _colder_than_air(stack, cleaning, bits)
    return bits


def resolutions(stack: Stack, good: Ints) -> Floats:
    """Return the smallest step of each trace's readings (K), 0 where it never moves."""
    edges = np.searchsorted(good, stack.starts).tolist()
    return np.array([smallest_step(stack.celsius[good[a:b]]) for a, b in pairwise(edges)], np.float64)


def smallest_step(celsius: Floats) -> float:
    """Return the smallest step that readings show, in their unit; 0 where they all agree."""
    step = np.diff(np.sort(celsius))
    return float(step.min(initial=np.inf, where=step >= 1e-3)) if step.size and step.max() >= 1e-3 else 0.0


def _lone(stack: Stack, good: Ints, cleaning: Cleaning) -> Ints:
    """Return which readings, neither first nor last, jump away from both neighbours, which agree."""
    t, y, seg = stack.seconds[good], stack.celsius[good], stack.seg[good]
    to_before, to_after = y[1:-1] - y[:-2], y[1:-1] - y[2:]
    gap = np.minimum(t[1:-1] - t[:-2], t[2:] - t[1:-1])
    least = cleaning.spike_k + cleaning.spike_k_per_s * gap
    lone = (seg[:-2] == seg[2:]) & (to_before * to_after > 0)
    lone &= np.minimum(np.abs(to_before), np.abs(to_after)) >= least
    lone &= np.abs(to_before - to_after) <= _RETURNS * np.maximum(np.abs(to_before), np.abs(to_after)) + least
    # A flame is no spike: in the step before it the curve already rose towards it, or in the step after it goes on
    # falling, by half the jump or more.
    step = np.where(np.diff(seg) == 0, np.diff(y), 0.0)
    rose, falls = np.concatenate([[0.0], step[:-2]]), np.append(-step[2:], 0.0)
    for jump, flank in ((to_before, rose), (to_after, falls)):
        lone &= ~(flank * np.sign(jump) >= _FLANK * np.abs(jump))
    return np.flatnonzero(lone)


def _stands_out(stack: Stack, good: Ints, middle: int, cleaning: Cleaning) -> bool:
    """Return whether a reading leaves the line between its neighbours far more than those around it do.

    Scatter: scaled median absolute deviation of each reading from the line between its neighbours, over
    `spike_window` readings, the suspect and its neighbours left out (their lines lean on it).
    """
    half = max(cleaning.spike_window // 2, 4) + 1
    first = max(middle - half, 0)
    near = good[first : middle + half + 1]
    near, place = near[stack.seg[near] == stack.seg[good[middle]]], good[middle]
    t, y = stack.seconds[near], stack.celsius[near]  # how far is each from the line of its neighbours?
    span = t[2:] - t[:-2]
    share = np.divide(t[1:-1] - t[:-2], span, out=np.full(len(span), 0.5), where=span > 0)
    off = np.abs(y[1:-1] - (y[:-2] + share * (y[2:] - y[:-2])))
    away = np.abs(np.arange(1, len(near) - 1) - np.searchsorted(near, place))
    around = off[away > 1]
    scatter = MAD_TO_SD * float(np.median(around)) if len(around) else 0.0
    return bool(off[away == 0][0] >= cleaning.spike_mads * scatter)


@dataclass(frozen=True)
class Runs:
    """Stretches of equal readings among the good ones.

    Attributes
    ----------
    good
        Places of the good readings in the stack.
    t, y, seg
        Their seconds, temperatures and traces.
    first, last
        First and last of each stretch among them.
    """

    good: Ints
    t: Floats
    y: Floats
    seg: Ints
    first: Ints
    last: Ints

    def long(self, least_n: int, least_s: float) -> Iterator[tuple[int, int, int, bool]]:
        """Yield first, last and trace of each long stretch, and whether it was read often enough to tell a pace."""
        count, lasts = self.last - self.first + 1, self.t[self.last] - self.t[self.first]
        for place in np.flatnonzero((count >= least_n) & (lasts >= least_s)).tolist():
            first, last = int(self.first[place]), int(self.last[place])
            yield first, last, int(self.seg[first]), bool(lasts[place] <= _SLOWEST_S * (last - first))


def _saturated(runs: Runs, steps: Floats, cleaning: Cleaning, bits: Bits) -> None:
    """Mark the highest value of a trace where the curve ran into it while still climbing.

    A smooth top held for n equal readings at resolution r is entered by at most 4r/n + 16r/n² a reading
    (a parabola), below 3r from n = 4 on; a steeper climb was cut off.
    """
    top = np.full(len(steps), -np.inf)
    np.maximum.at(top, runs.seg, runs.y)
    at_top = np.abs(runs.y - top[runs.seg]) < 1e-6
    cut = {
        of
        for first, _, of, dense in runs.long(cleaning.saturated_n, cleaning.saturated_s)
        if at_top[first] and dense and _stops_dead(runs, first, steps[of], cleaning)
    }
    bits[runs.good[at_top & np.isin(runs.seg, list(cut))]] |= BIT["saturated"]


def _stuck(runs: Runs, steps: Floats, cleaning: Cleaning, bits: Bits) -> None:
    """Mark long stretches of one value in a channel that otherwise scatters, or that end with a jump."""
    for first, last, of, dense in runs.long(cleaning.stuck_n, cleaning.stuck_s):
        rows = runs.good[first : last + 1]
        if has(bits[rows], "saturated").all() or steps[of] == 0:
            continue
        if (
            _scatters_around(runs.y, runs.seg, first, last, of)
            or _ends_with_jump(runs.y, runs.seg, first, last, max(cleaning.stuck_jump_k, 5 * steps[of]))
            or (dense and _stops_dead(runs, first, steps[of], cleaning))
        ):
            bits[rows] |= BIT["stuck"]


def _scatters_around(y: Floats, seg: Ints, first: int, last: int, of: int) -> bool:
    """Return whether readings on both sides go up and down and seldom repeat: so many in a row are no chance."""
    sides = []
    for low, high in ((first - _AROUND, first), (last + 1, last + 1 + _AROUND)):
        side = np.arange(max(low, 0), min(high, len(y)))
        step = np.diff(y[side[seg[side] == of]])
        if len(step) >= 10:
            sides.append((float((np.abs(step) < 1e-6).mean()), float((step[1:] * step[:-1] < 0).mean())))
    return bool(sides) and all(equal <= _MOST_EQUAL and turns >= _LEAST_TURNS for equal, turns in sides)


def _stops_dead(runs: Runs, first: int, step: float, cleaning: Cleaning) -> bool:
    """Return whether the curve ran into a stretch of one value at a steady pace, up or down."""
    if step == 0 or first < 3 or runs.seg[first - 3] != runs.seg[first]:
        return False
    pace = np.diff(runs.y[first - 3 : first + 1])
    steady = bool((pace > 0).all() or (pace < 0).all())
    return steady and float(np.median(np.abs(pace))) >= cleaning.saturated_steps * step


def _ends_with_jump(y: Floats, seg: Ints, first: int, last: int, least: float) -> bool:
    if last + 2 >= len(y) or seg[last + 2] != seg[last]:
        return False
    jump = abs(y[last + 1] - y[last])
    after = abs(y[last + 2] - y[last + 1])
    before = abs(y[first] - y[first - 1]) if first and seg[first - 1] == seg[first] else 0.0
    return bool(jump >= least and jump >= 4 * max(after, before))


def _colder_than_air(stack: Stack, cleaning: Cleaning, bits: Bits) -> None:
    """Mark what reads far below the air, and whole traces where that, or what is impossible, is no exception.

    A trace that never reads far above the air either falls as the fire rises: its wires are swapped. In any other
    the readings below are a broken contact's; where a quarter are so, the rest cannot be believed.
    """
    for place, (begin, end) in enumerate(pairwise(stack.starts.tolist())):
        y, mark = stack.celsius[begin:end], bits[begin:end]
        read = np.isfinite(y)
        good = y[read & ~has(mark, "spike") & ~has(mark, "impossible")]
        if read.sum() < 5:
            continue
        air = stack.air[place]
        if not np.isfinite(air):
            air = min(float(good[0]), _COLD_START) if len(good) and -40.0 <= good[0] <= 45.0 else _COLD_START
        with np.errstate(invalid="ignore"):
            below = (y < air - cleaning.reversed_k) & (y > -300.0)
        far_below, far_above = good < air - cleaning.reversed_k, good > air + cleaning.reversed_k
        if far_below.sum() >= max(5, 0.05 * len(good)) and not far_above.any():
            mark |= BIT["reversed"]
            continue
        mark[below & ~has(mark, "sentinel")] |= BIT["impossible"]
        if has(mark, "impossible").sum() >= max(5, _BROKEN * read.sum()):
            mark[read] |= BIT["impossible"]


Points = tuple[Floats, Floats]
"""Seconds and temperatures of one curve."""
Span = tuple[float, float]
"""From when to when, in seconds since time zero."""
_BEFORE_S, _SAME_SIDE = 180.0, 0.6
_FOLLOWS = 0.25
_FOLLOW_S = (-60.0, 300.0)
_STEADY = 0.35
_SHARP = 0.8


def mark_stepped(stack: Stack, places: range, bits: Bits, known: Sequence[Span], cleaning: Cleaning) -> None:
    """Mark, in the traces of one burn, everything from a jump on that no other probe follows.

    Parameters
    ----------
    places
        The burn's traces in the stack.
    bits
        Flags of all readings; written to.
    known
        Spans of time in which jumps are expected: around tipping, lid on, top-ups, the lid opened.
    """
    parts = [stack.rows_of(place) for place in places]
    good = [is_usable(bits[part]) & np.isfinite(stack.celsius[part]) for part in parts]
    clean = [(stack.seconds[part][g], stack.celsius[part][g]) for part, g in zip(parts, good, strict=True)]
    for place, part in enumerate(parts):
        others = [clean[other] for other in range(len(parts)) if other != place and len(clean[other][0]) > 3]
        start = _first_step(clean[place], others, known, cleaning) if others else None
        if start is not None:
            bits[part][stack.seconds[part] >= start] |= BIT["stepped"]


def _first_step(
    curve: Points, others: Sequence[Points], known: Sequence[Span], cleaning: Cleaning
) -> float | None:
    """Return when a curve first jumps to another level and stays, though nothing was done and no other follows."""
    t, y = curve
    if len(t) <= 5:
        return None
    ahead = np.searchsorted(t, t + cleaning.stepped_s, side="right") - 1
    ahead = np.minimum(np.maximum(ahead, np.arange(len(t)) + 1), len(t) - 1)
    change = y[ahead] - y
    for row in np.flatnonzero(np.abs(change) >= cleaning.stepped_k).tolist():
        at, until = float(t[row]), float(t[ahead[row]])
        if any(begin <= until and at <= end for begin, end in known):
            continue
        size = _level_change(t, y, at, until, cleaning)
        sharp = abs(size) >= cleaning.stepped_k and abs(change[row]) >= _SHARP * abs(size)
        if sharp and not any(_follows(size, at, until, *other) for other in others):
            return float(t[row + 1 + int(np.argmax(np.abs(np.diff(y[row : ahead[row] + 1]))))])
    return None


def _level_change(t: Floats, y: Floats, at: float, until: float, cleaning: Cleaning) -> float:
    """Return the change of level over a jump, 0 where the curve was not steady before or does not stay after it."""
    before = y[(t >= at - _BEFORE_S) & (t <= at)]
    after = y[(t >= until) & (t <= until + cleaning.stepped_stays_s)]
    if len(before) < 3 or len(after) < 3 or t[-1] < until + 0.8 * cleaning.stepped_stays_s:
        return 0.0
    level = float(np.median(before))
    size = float(np.median(after)) - level
    stays = (after - level) * np.sign(size) >= _SAME_SIDE * abs(size)
    return size if float(np.ptp(before)) <= _STEADY * abs(size) and stays.all() else 0.0


def _follows(size: float, at: float, until: float, t: Floats, y: Floats) -> bool:
    """Return whether another curve moves the same way over a jump; so it is taken where it was not read."""
    before = y[(t >= at - _BEFORE_S) & (t <= at + 1e-9)]
    around = y[(t >= at + _FOLLOW_S[0]) & (t <= until + _FOLLOW_S[1])]
    if not len(before) or not len(around):
        return True
    return float(((around - float(np.median(before))) * np.sign(size)).max()) >= _FOLLOWS * abs(size)


_HANDLING_S = 180.0


@dataclass(frozen=True)
class Happened:
    """An event of one burn.

    Attributes
    ----------
    event
        'lid open', 'top-up', …
    begin, end
        Seconds since time zero.
    probes
        The probes it touches, empty for all.
    """

    event: str
    begin: float
    end: float
    probes: tuple[str, ...]


def happened(
    run: Run, row: Mapping[str, Any], window: Window | None, recorded: Recorded | None, faults: Faults
) -> list[Happened]:
    """Return the events of one burn on its own seconds."""
    burn = relative_times(row)
    zero_at = burn.seconds.get(run.trial.time_zero_column, min(burn.seconds.values(), default=None))
    found = []
    for event in run.events[run.events["burn"] == row["burn"]].to_dict("records"):
        times, what = event_times(event, burn).seconds, str(event["event"])
        if "at" in times and zero_at is None:
            words = fault("event without zero", column=run.trial.time_zero_column)
            faults.ask(f"events.csv, burn {row['burn']}, {what}", *words)
        elif "at" in times and zero_at is not None:
            seconds = {name: at - zero_at for name, at in times.items()}
            if window and window.day_ns is not None and recorded and recorded.wall is not None:
                for name, at in times.items():  # by the log, where its clock was changed within the burn
                    place = elapsed_at(recorded, window.day_ns + round(at * SECOND), window.group)[0]
                    seconds[name] = place - window.zero
            begin = seconds["at"]
            end = seconds.get("until", begin + run.trial.cleaning.lid_open_s * (what == "lid open"))
            probes = tuple(probe_names(str(event.get("probes") or "")))
            found.append(Happened(what, begin, max(begin, end), probes))
    return found


def handling(row: Mapping[str, Any], run: Run, events: Iterable[Happened]) -> list[Span]:
    """Return the spans in which a probe may jump for a reason.

    Before lighting, tipping, lid on, every event but rain, and after the stop: between two burns of one log the cooker
    is emptied and the probe taken out.
    """
    seconds = relative_times(row).seconds
    zero = seconds.get(run.trial.time_zero_column)
    spans = [(event.begin, event.end) for event in events if event.event != "rain"]
    if zero is not None:
        since = {name: second - zero for name, second in seconds.items()}
        spans += [(since[name],) * 2 for name in ("lit", "tipped", "lid_on") if name in since]
        spans.append((-np.inf, min(since.values())))
        spans.append((since.get("stopped", np.inf) + _HANDLING_S, np.inf))
    return [(begin - _HANDLING_S, end + _HANDLING_S) for begin, end in spans]
