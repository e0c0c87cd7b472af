"""From the time column, of whatever kind, to elapsed seconds and clock times in order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from kit.readings.columns import NUMERIC_STAMPS
from kit.readings.date_order import Timed, settle_order
from kit.readings.headings import TIME_UNITS, names
from kit.readings.stamps import DAY, NO_DATE, NO_OFFSET, SECOND, Stamps, day_numbers, nanoseconds_of
from kit.trial.cells import Bools, Floats, Ints
from kit.trial.messages import fault

HOUR = 3600 * SECOND
_MINUTE = 60 * SECOND
_UNIX_1904, _UNIX_DAY_NUMBER = 2_082_844_800, 25_569
_MICROSECONDS = {"unix s": 1e6, "unix ms": 1e3, "unix us": 1.0, "unix ns": 1e-3, "1904 s": 1e6}
_SECONDS = {**TIME_UNITS, **{name: n / 1e6 for name, n in _MICROSECONDS.items()}, "day number": 86400.0}
_LONGEST_S = 9e9
"""Times beyond are no times: nanoseconds would not fit."""
_MOST_MOVED, _LOST = 0.02, 0.5
_ENOUGH = 200_000
_EVEN_STEPS = (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 10.0, 12.0, 15.0, 20.0, 30.0)


@dataclass(frozen=True)
class Timeline:
    """The time of every usable row.

    Attributes
    ----------
    rows
        Rows of the body in the order of time; those without a usable stamp are left out.
    elapsed_s
        Seconds: as given by an elapsed column, from the first row for stamps.
    clock_ns
        Clock time as the logger showed it, nanoseconds since 1970, or None.
    dated
        Whether the clock carries a date.
    offset_min
        Minutes east of UTC the clock runs at, where the file says so.
    moved, repeated
        Which rows stood elsewhere in the file; which share their stamp with a neighbour.
    run
        Number of the run each belongs to.
    """

    rows: Ints
    elapsed_s: Floats
    clock_ns: Ints | None
    dated: bool
    offset_min: int | None
    moved: Bools
    repeated: Bools
    run: Ints


def time_of(timed: Timed) -> Timeline | None:
    """Return the timeline of a body, or None where a question stands in the way."""
    if timed.plan.kind == "stamp" and timed.body.stamps is not None:
        return _from_stamps(timed, timed.body.stamps)
    return _from_numbers(timed) if timed.plan.kind == "number" else _implied(timed)


def _nanoseconds(seconds: Floats) -> Ints:
    return np.asarray(np.rint(seconds * SECOND), np.int64)


def _from_numbers(timed: Timed) -> Timeline | None:
    values, unit = timed.body.numbers[timed.plan.places[0]].values, timed.plan.unit
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero(np.abs(values) < _LONGEST_S / _SECONDS.get(unit, 1.0))
    values, timed = values[rows], timed.of(rows)
    if not unit:
        if len(values):
            first, last = float(values[0]), float(values[-1])
            timed.ask(None, "time without unit", first=first, last=last, span=last - first)
        else:
            timed.ask(None, "no unit of time")
        return None
    is_clock, seconds = unit in NUMERIC_STAMPS, values * _SECONDS[unit]
    if is_clock:
        time = _since_1970(values, unit, timed)
    else:
        time, timed.log.reasons["time"] = _nanoseconds(seconds), f"elapsed, in {unit}"
    order = in_order(timed, time, unit == "day number")
    _note_repeated(timed, order)
    elapsed = since_start(order.time, order.placed(timed.run)) if is_clock else order.placed(seconds)
    clock, offset = order.placed(time) if is_clock else None, 0 if unit.startswith("unix") else None
    rows = order.placed(rows)
    return Timeline(rows, elapsed, clock, is_clock, offset, order.moved, order.repeated, order.run)


def _since_1970(values: Floats, unit: str, timed: Timed) -> Ints:
    """Return nanoseconds since 1970 of stamps that are numbers; their size tells their origin.

    Unix seconds count from 1970, the others from 1904; spreadsheet day numbers from 1899-12-30.
    """
    if unit == "day number":
        timed.log.reasons["time"] = "spreadsheet day numbers of the 1900 system (by their size)"
        return np.asarray(np.rint((values - _UNIX_DAY_NUMBER) * 86400e3), np.int64) * (SECOND // 1000)
    if unit == "1904 s":
        timed.log.faults.note("seconds since 1904: the clock is shown as UTC; it may have been local time")
        values = values - _UNIX_1904
    since = "since 1904 (by their size)" if unit == "1904 s" else "since 1970 (by their size), UTC"
    written = unit.removeprefix("unix ").replace("1904 s", "seconds")
    timed.log.reasons["time"] = f"{written} {since}"
    return np.asarray(np.rint(values * _MICROSECONDS[unit]), np.int64) * 1000


def _implied(timed: Timed) -> Timeline | None:
    total, step = len(timed.body), timed.step_s
    if step is None:
        timed.ask(None, "no column of time", rows=f"{total} row{'s' * (total > 1)}")
        return None
    elapsed = np.empty(total)
    for number in np.unique(timed.run):
        rows = timed.run == number
        elapsed[rows] = np.arange(int(rows.sum())) * step
    timed.log.reasons["time"] = f"implied: a row every {step:g} s"
    clock = None if timed.clock is None else timed.clock[:1] + _nanoseconds(elapsed)
    nothing = np.zeros(total, bool)
    return Timeline(np.arange(total), elapsed, clock, clock is not None, None, nothing, nothing, timed.run)


def _from_stamps(timed: Timed, stamps: Stamps) -> Timeline | None:
    """Return the timeline of stamps: in UTC where it can be, in order, lost seconds restored as declared."""
    log = timed.log
    settled = settle_order(stamps, timed)
    if settled is None:
        return None
    dated = (stamps.form == NO_DATE).sum() * 2 <= (stamps.form > 0).sum()
    if dated:
        log.reasons["date order"] = f"{settled[0]}: {settled[1]}"
        time, fine = day_numbers(stamps, settled[0])
        time *= DAY
        time += stamps.nanoseconds
        rows = np.flatnonzero(fine & (stamps.form != NO_DATE))
        time, is_clock = time if len(rows) == len(time) else time[rows], True
    else:
        rows = np.flatnonzero(stamps.form == NO_DATE)
        alone = _clock_alone(timed.of(rows), stamps.taken(rows))
        if alone is None:
            return None
        time, is_clock = alone
    if timed.plan.millis is not None:
        time = time + nanoseconds_of(timed.body.numbers[timed.plan.millis].values[rows])
    timed = timed.of(rows)
    clock, zone, offset = time, log.keys.timezone, None
    east = stamps.offset[rows]
    written = east != NO_OFFSET
    if written.any():
        known, counts = np.unique(east[written], return_counts=True)
        offset = int(known[counts.argmax()])
        time = time - np.where(written, east, offset).astype(np.int64) * _MINUTE
        log.reasons["offset"] = "written in the stamps"
    elif zone and is_clock and dated:
        time = to_utc(time, zone)
        log.reasons["timezone"] = f"{zone}, declared"
    order = in_order(timed, time, is_clock and not zone and offset is None)
    clock, repeated = order.placed(clock), order.repeated
    elapsed = since_start(order.time, order.placed(timed.run)) if is_clock else order.time / SECOND
    if len(rows) and repeated.mean() >= _LOST and timed.plan.millis is None:
        restored = _restored(timed.of(order.order), rows, order, elapsed)
        if restored is None:
            return None
        elapsed, repeated = restored, np.zeros(len(rows), bool)
        runs, starts = np.unique(order.run, return_index=True)
        first = starts[np.searchsorted(runs, order.run)]
        clock = clock[first] + _nanoseconds(elapsed - elapsed[first])
    else:
        _note_repeated(timed, order)
    if "s" not in stamps.written and timed.plan.format is None:
        log.faults.note("the stamps carry no seconds: times are good to a minute")
    shown = clock if is_clock else None
    return Timeline(
        order.placed(rows), elapsed, shown, bool(dated and is_clock), offset, order.moved, repeated, order.run
    )


def _clock_alone(timed: Timed, stamps: Stamps) -> tuple[Ints, bool] | None:
    """Return times without a date, and whether they are times of day (carried over midnight) and no durations."""
    time, run, heading = stamps.nanoseconds, timed.run, timed.plan.heading
    if not len(time):
        return time, False
    if not (
        "s" in stamps.written or timed.plan.format or "half" in stamps.written or names("clock", heading)
    ):
        hours = (int(time.max()) - int(time[0])) / HOUR
        timed.ask(None, "hours or minutes", clock=timed.text(0), hours=hours)
        return None
    elapsed = names("elapsed", heading)
    if "half" not in stamps.written and (elapsed or (time >= DAY).any() or (time < 0).any() or time[0] == 0):
        why = "its heading" if elapsed else "they begin at zero or run past 24 hours"
        timed.log.reasons["time"] = f"durations: {why}"
        return time, False
    timed.log.reasons["time"] = "times of day without a date"
    steps, usual = np.diff(time), usual_step(time, run)
    over = (steps < 0) & (np.abs(steps + DAY) <= max(20 * usual, HOUR)) & (np.diff(run) == 0)
    if count := int(over.sum()):
        nights = f"{count} midnight{'s' * (count > 1)} passed"
        timed.log.faults.note(f"{nights}: a day added from line {timed.line(over.argmax() + 1)}")
    return time + np.concatenate([[0], np.cumsum(over)]) * DAY, True


def _restored(timed: Timed, rows: Ints, order: Ordered, elapsed: Floats) -> Floats | None:
    """Return seconds finer than the stamps: from the step declared, else from a column of elapsed times beside them."""
    if timed.step_s is not None:
        timed.log.reasons["step_s"] = f"{timed.step_s:g} s, declared: the stamps are too coarse"
        return _spread(timed, order.run, elapsed, timed.step_s)
    if timed.plan.beside is not None:
        column, unit = timed.plan.beside
        values = order.placed(timed.body.numbers[column].values[rows]) * TIME_UNITS[unit]
        if np.isfinite(values).all() and (np.diff(values) >= 0).all():
            timed.log.reasons["seconds"] = "from the column of elapsed times: the stamps are too coarse"
            return since_start(_nanoseconds(values), order.run)
    stamps, counts = np.unique(order.time, return_counts=True)
    steps = np.diff(stamps) / SECOND
    every = float(np.median(steps)) if len(steps) else 60.0
    guess, per = _likely_step(counts, steps, every)
    timed.ask(None, "coarse stamps", rows=per, stamp=timed.text(0), every=every, step=guess)
    return None


def _likely_step(counts: Ints, steps: Floats, every: float) -> tuple[float, int]:
    """Return the likely seconds between rows, and rows a stamp.

    The first and the last stamp may be cut, so they do not count; an even step that fits within the rows that
    are lost there is taken.
    """
    per, slack = float(counts.max()), 0.05
    if len(counts) > 2:
        whole, slack = counts[1:-1], 0.02
        usual = whole[:-1][steps[1:-1] <= 1.5 * every] if len(whole) > 2 else whole
        per = float(np.mean(usual)) if len(usual) else per
    guess = every / per
    even = [step for step in _EVEN_STEPS if abs(step / guess - 1) <= slack]
    return min(even, key=lambda step: abs(step / guess - 1), default=guess), round(per)


def _spread(timed: Timed, run: Ints, elapsed: Floats, step_s: float) -> Floats | None:
    """Return elapsed seconds of rows a declared step apart; a gap in the stamps stays a gap."""
    coarse = np.diff(elapsed)
    unit = float(np.median(coarse[coarse > 0])) if (coarse > 0).any() else step_s
    breaks = (np.diff(run) != 0) | (coarse > 2.5 * max(unit, step_s))
    starts = np.concatenate([[0], np.flatnonzero(breaks) + 1])
    first = np.repeat(starts, np.diff([*starts, len(elapsed)]))
    spread = elapsed[first] + (np.arange(len(elapsed)) - first) * step_s
    off = spread - elapsed
    worst = int(np.argmax(np.abs(off)))
    if abs(off[worst]) > 2 * unit + step_s:
        where = f"{timed.at(worst)}, [[logger]] key step_s"
        words = fault("step off", step=step_s, off=off[worst], stamp=timed.text(worst))
        timed.log.faults.refuse(where, *words)
        return None
    return np.asarray(spread, np.float64)


def _note_repeated(timed: Timed, order: Ordered) -> None:
    if order.repeated.any():
        first = timed.of(order.order).line(order.repeated.argmax())
        timed.log.faults.note(
            f"{int(order.repeated.sum())} rows share their stamp with a neighbour (first at line {first}): flagged, "
            "none dropped"
        )


@dataclass(frozen=True)
class Ordered:
    """Rows in time.

    Attributes
    ----------
    time
        Nanoseconds, rising within each run.
    order
        Rows of the file in that order, None where they stand so already.
    moved, repeated, run
        As in `Timeline`.
    """

    time: Ints
    order: Ints | None
    moved: Bools
    repeated: Bools
    run: Ints

    def placed(self, values: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Return one value a row in the order of time."""
        return values if self.order is None else values[self.order]


def in_order(timed: Timed, time: Ints, is_clock: bool) -> Ordered:
    """Return rows in the order of time; what a step back means is asked unless it is plainly a row out of place."""
    run, change = timed.run, timed.log.keys.clock_change
    order: Ints | None = None
    moved = np.zeros(len(time), bool)
    if change == "dst" and is_clock:
        time = _through_change(timed, time)
    back = np.flatnonzero((np.diff(time) < 0) & (np.diff(run) == 0)) + 1
    if len(back) and change == "restart":
        run = run + np.cumsum(np.isin(np.arange(len(time)), back))
        lines = ", ".join(str(timed.line(row)) for row in back[:5])
        timed.log.faults.note(f"the clock starts anew at line {lines}: read as another run, as declared")
    elif len(back):
        put = np.lexsort((time, run))
        for number in np.unique(run):
            those = run == number
            moved[those] = time[those] < np.maximum.accumulate(time[those])
        moved = moved[put]
        if _plainly_misplaced(time, put, moved):
            order, time, run, count = put, time[put], run[put], int(moved.sum())
            out = f"{count} row{'s' * (count > 1)} stood out of order (first at line {timed.line(back[0])})"
            timed.log.faults.note(f"{out}: put in order and flagged")
        else:
            _ask_back(timed, time, back, is_clock)
    if is_clock and change is None and order is None:
        _ask_forward(timed, time)
    same = np.concatenate([[False], (np.diff(time) == 0) & (np.diff(run) == 0), [False]])
    return Ordered(time, order, moved, (same[1:] | same[:-1])[: len(time)], run)


def since_start(time: Ints, run: Ints) -> Floats:
    """Return seconds since the first row of each run that the file was split into."""
    start, seconds = time[:1], np.empty(len(time))
    if run.any():
        _, first, place = np.unique(run, return_index=True, return_inverse=True)
        start = time[first][place]
    np.subtract(time, start, out=seconds, casting="unsafe")
    seconds /= SECOND
    return seconds


def usual_step(time: Ints, run: Ints) -> int:
    """Return the median step between rows, steps back and repeated stamps left out."""
    steps = np.diff(time)
    if run.any():
        steps = steps[np.diff(run) == 0]
    steps = steps[:: max(1, len(steps) // _ENOUGH)]
    steps = steps[steps > 0]
    return int(np.median(steps)) if len(steps) else 0


def _plainly_misplaced(time: Ints, order: Ints, moved: Bools) -> bool:
    """Return whether rows were merely swapped: few, near their place, and in it an even step from both neighbours."""
    steps = np.diff(time[order])
    usual = float(np.median(steps)) if len(steps) else 0.0
    few = int(moved.sum()) <= max(3, _MOST_MOVED * len(time))
    near = int(np.abs(order - np.arange(len(order))).max()) <= max(10, 0.01 * len(time))
    fills = np.flatnonzero(moved)
    around = steps[np.unique(np.clip(np.concatenate([fills - 1, fills]), 0, len(steps) - 1))]
    return few and near and usual > 0 and bool(((around > 0) & (around <= 2.5 * usual)).all())


def _ask_back(timed: Timed, time: Ints, back: Ints, is_clock: bool) -> None:
    row = int(back[0])
    step = (int(time[row]) - int(time[row - 1])) / SECOND
    usual = usual_step(time, np.zeros(len(time), np.int64)) / SECOND
    dst = time.astype(np.float64)  # stamps of a broken file may lie too far apart for whole numbers
    dst[row:] += round((usual - step) / 1800) * 1800 * SECOND
    spans = (dst[-1] - dst[0]) / SECOND, (int(time[-1]) - int(time[0])) / SECOND
    many = f", the first of {len(back)} such steps" if len(back) > 1 else ""
    half_day = ", as if am and pm were lost" if is_clock and abs(step + 43_200) <= 3600 else ""
    stamps = {"before": timed.text(row - 1), "after": timed.text(row)}
    parts = {"step": step, "usual": usual, "more": half_day + many, "begins": spans[0], "ends": spans[1]}
    timed.ask(row, "clock goes back" if is_clock else "time goes back", **stamps, **parts)


def _ask_forward(timed: Timed, time: Ints) -> None:
    """Ask about a jump of one hour on a Sunday night of spring, which may be summer time and no gap."""
    run = timed.run
    usual, steps = usual_step(time, run), np.diff(time)
    if not usual or usual >= HOUR:
        return
    near = (steps > HOUR + 0.5 * usual) & (steps < HOUR + 1.5 * usual) & (np.diff(run) == 0)
    for row in np.flatnonzero(near).tolist():
        before = datetime(1970, 1, 1) + timedelta(microseconds=(int(time[row]) + usual) // 1000)
        if before.weekday() == 6 and before.hour < 4 and before.month in (3, 4, 9, 10):
            timed.ask(row + 1, "hour missing", before=timed.text(row), after=timed.text(row + 1))
            return


def _through_change(timed: Timed, time: Ints) -> Ints:
    """Return time that goes on through declared clock changes: a step back or forward of an hour is taken out."""
    run, half = timed.run, HOUR // 2
    usual, steps = usual_step(time, run), np.diff(time)
    changed = (steps < 0) | (np.abs(steps - HOUR - usual) < min(0.5 * usual, half))
    shift = np.zeros(len(time), np.int64)
    for row in np.flatnonzero((np.diff(run) == 0) & changed).tolist():
        change, after = round((usual - int(steps[row])) / half) * half, row + 1
        if abs(change) in (half, HOUR):
            shift[row + 1 :] += change
            timed.log.faults.note(
                f"line {timed.line(after)}: clock changed by {-change // SECOND} s; the time goes on, as declared"
            )
            continue
        texts = {"before": timed.text(row), "after": timed.text(after)}
        timed.refuse(after, "no hour", step=int(steps[row]) / SECOND, **texts)
    return time + shift


def to_utc(time: Ints, zone: str) -> Ints:
    """Return UTC nanoseconds of local stamps, the repeated hour told apart by the order of the rows."""
    slots, inverse = np.unique(np.floor_divide(time, 900 * SECOND), return_inverse=True)
    early, late = (_offsets(slots.tolist(), zone, fold)[inverse] for fold in (0, 1))
    doubtful = early != late
    stepped_back = np.concatenate([[False], np.diff(time) < 0])
    second_pass = np.zeros(len(time), bool)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], doubtful, [False]]).astype(np.int8)))
    for start, end in zip(edges[0::2].tolist(), edges[1::2].tolist(), strict=True):
        second_pass[start:end] = np.logical_or.accumulate(stepped_back[start:end])
    return np.asarray(time - np.where(second_pass, late, early), np.int64)


def to_local(utc: Ints, zone: str) -> Ints:
    """Return local clock times of UTC nanoseconds."""
    slots, inverse = np.unique(np.floor_divide(utc, 900 * SECOND), return_inverse=True)
    return np.asarray(utc + _offsets(slots.tolist(), zone, None)[inverse], np.int64)


def _offsets(slots: Sequence[int], zone: str, fold: int | None) -> Ints:
    """Return a zone's offsets (ns) at quarter hours since 1970, local (`fold` 1: second pass) or of UTC (None)."""
    info, offsets = ZoneInfo(zone), []
    for slot in slots:
        at = datetime(1970, 1, 1) + timedelta(seconds=slot * 900)
        moment = (
            at.replace(tzinfo=UTC).astimezone(info) if fold is None else at.replace(fold=fold, tzinfo=info)
        )
        offsets.append(int((moment.utcoffset() or timedelta()).total_seconds()) * SECOND)
    return np.array(offsets, np.int64)
