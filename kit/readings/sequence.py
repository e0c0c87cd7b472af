"""The order of a log's rows in time: steps back, repeated stamps, clock changes, runs that start anew."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from kit.errors import Faults
from kit.readings.stamps import SECOND

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
HOUR = 3600 * SECOND
_MOST_MOVED = 0.02
_ENOUGH = 200_000


@dataclass(frozen=True)
class Sequence:
    """Rows in time.

    Attributes
    ----------
    time
        Nanoseconds, rising within each run.
    order
        Rows of the file in that order, None where they stand so already.
    moved, repeated
        Which of them stood elsewhere in the file; which share their stamp with a neighbour.
    run
        Number of the run each belongs to.
    """

    time: Ints
    order: Ints | None
    moved: Bools
    repeated: Bools
    run: Ints

    def placed(self, values: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Return one value a row in the order of time."""
        return values if self.order is None else values[self.order]


def in_order(
    time: Ints,
    run: Ints,
    clock_change: object,
    is_clock: bool,
    where: str,
    text_of: Callable[[int], str],
    line_of: Callable[[int], int],
    faults: Faults,
    notes: list[str],
) -> Sequence:
    """Return rows in the order of time; what a step back means is asked unless it is plainly a row out of place."""
    order: Ints | None = None
    moved = np.zeros(len(time), bool)
    if clock_change == "dst" and is_clock:
        time = _through_change(time, run, where, text_of, faults, notes, line_of)
    back = _steps_back(time, run)
    if len(back) and clock_change == "restart":
        run = run + np.cumsum(np.isin(np.arange(len(time)), back))
        lines = ", ".join(str(line_of(int(row))) for row in back[:5])
        notes.append(f"the clock starts anew at line {lines}: read as another run, as declared")
    elif len(back):
        put, late = _sorted(time, run)
        if not _plainly_misplaced(time, put, late):
            _ask_back(time, back, is_clock, where, text_of, line_of, faults)
        else:
            order, moved = put, late
            time, run = time[put], run[put]
            notes.append(
                f"{int(moved.sum())} rows stood out of order (first at line {line_of(int(back[0]))}): put "
                "in order and flagged"
            )
    if is_clock and clock_change is None and order is None:
        _ask_forward(time, run, where, text_of, line_of, faults)
    return Sequence(time, order, moved, _repeated(time, run), run)


def usual_step(time: Ints, run: Ints) -> int:
    """Return the median step between rows, steps back and repeated stamps left out."""
    steps = np.diff(time)
    if run.any():
        steps = steps[np.diff(run) == 0]
    steps = steps[:: max(1, len(steps) // _ENOUGH)]
    steps = steps[steps > 0]
    return int(np.median(steps)) if len(steps) else 0


def _steps_back(time: Ints, run: Ints) -> Ints:
    return np.flatnonzero((np.diff(time) < 0) & (np.diff(run) == 0)) + 1


def _repeated(time: Ints, run: Ints) -> Bools:
    same = (np.diff(time) == 0) & (np.diff(run) == 0)
    repeated = np.zeros(len(time), bool)
    repeated[1:] |= same
    repeated[:-1] |= same
    return repeated


def _sorted(time: Ints, run: Ints) -> tuple[Ints, Bools]:
    order = np.lexsort((time, run))
    late = np.zeros(len(time), bool)
    for each in np.unique(run):
        rows = run == each
        late[rows] = time[rows] < np.maximum.accumulate(time[rows])
    return order, late[order]


def _plainly_misplaced(time: Ints, order: Ints, moved: Bools) -> bool:
    """Return whether rows were merely swapped: few, near their place, and in it an even step from both neighbours."""
    ordered = time[order]
    steps = np.diff(ordered)
    usual = float(np.median(steps)) if len(steps) else 0.0
    few = int(moved.sum()) <= max(3, _MOST_MOVED * len(time))
    near = int(np.abs(order - np.arange(len(order))).max()) <= max(10, 0.01 * len(time))
    fills = np.flatnonzero(moved)
    around = steps[np.unique(np.clip(np.concatenate([fills - 1, fills]), 0, len(steps) - 1))]
    return few and near and usual > 0 and bool(((around > 0) & (around <= 2.5 * usual)).all())


def _ask_back(
    time: Ints,
    back: Ints,
    is_clock: bool,
    where: str,
    text_of: Callable[[int], str],
    line_of: Callable[[int], int],
    faults: Faults,
) -> None:
    row = int(back[0])
    step = (int(time[row]) - int(time[row - 1])) / SECOND
    usual = usual_step(time, np.zeros(len(time), np.int64)) / SECOND
    dst = time.astype(np.float64)  # stamps of a broken file may lie too far apart for whole numbers
    dst[row:] += round((usual - step) / 1800) * 1800 * SECOND
    spans = (dst[-1] - dst[0]) / SECOND, (int(time[-1]) - int(time[0])) / SECOND
    many = f", the first of {len(back)} such steps" if len(back) > 1 else ""
    half_day = ", as if am and pm were lost" if is_clock and abs(step + 43_200) <= 3600 else ""
    what = "the clock runs backward" if is_clock else "the time restarts"
    dst_key = 'clock_change = "dst" (summer time ended: the time goes on) or ' if is_clock else ""
    going_on = f"Read as a clock change the log is {spans[0]:g} s long; read" if is_clock else "Read"
    faults.ask(
        f"{where}, line {line_of(row)}",
        f"'{text_of(row - 1)}' followed by '{text_of(row)}': {what}, {step:g} s where {usual:g} s is usual"
        f"{half_day}{many}",
        f"a time that goes on. {going_on} as a second run or a reset clock the last row stands at {spans[1]:g} s",
        f'Add {dst_key}clock_change = "restart" (a second run) to the [[logger]] table, or split the file at '
        "that line.",
    )


def _ask_forward(
    time: Ints,
    run: Ints,
    where: str,
    text_of: Callable[[int], str],
    line_of: Callable[[int], int],
    faults: Faults,
) -> None:
    """Ask about a jump of one hour on a Sunday night of spring, which may be summer time and no gap."""
    usual = usual_step(time, run)
    steps = np.diff(time)
    if not usual or usual >= HOUR:
        return
    near = (steps > HOUR + 0.5 * usual) & (steps < HOUR + 1.5 * usual)
    jumps = np.flatnonzero(near & (np.diff(run) == 0) if near.any() else near)
    for row in jumps.tolist():
        before = np.datetime64(int(time[row]) + usual, "ns")
        weekday = (int(before.astype("datetime64[D]").astype(np.int64)) + 3) % 7
        hour = int((before - before.astype("datetime64[D]")) // np.timedelta64(1, "h"))
        month = int(before.astype("datetime64[M]").astype(np.int64)) % 12 + 1
        if weekday == 6 and hour in (0, 1, 2, 3) and month in (3, 4, 9, 10):
            faults.ask(
                f"{where}, line {line_of(row + 1)}",
                f"'{text_of(row)}' followed by '{text_of(row + 1)}': one hour and a step, at the time of "
                "night when summer time may begin",
                "a gap of an hour in the log, or a clock put forward while the log went on",
                'Add clock_change = "dst" (no gap), clock_change = "restart" (a gap: the clock is taken as '
                "written) or the timezone to the "
                "[[logger]] table.",
            )
            return


def _through_change(
    time: Ints,
    run: Ints,
    where: str,
    text_of: Callable[[int], str],
    faults: Faults,
    notes: list[str],
    line_of: Callable[[int], int],
) -> Ints:
    """Return time that goes on through declared clock changes: a step back or forward of an hour is taken out."""
    usual = usual_step(time, run)
    steps = np.diff(time)
    inside = np.diff(run) == 0
    half = HOUR // 2
    shift = np.zeros(len(time), np.int64)
    for row in np.flatnonzero(
        inside & ((steps < 0) | (np.abs(steps - HOUR - usual) < min(0.5 * usual, half)))
    ).tolist():
        change = round((usual - int(steps[row])) / half) * half
        if abs(change) not in (half, HOUR):
            faults.refuse(
                f"{where}, line {line_of(row + 1)}",
                f"'{text_of(row)}' followed by '{text_of(row + 1)}', a step of {int(steps[row]) / SECOND:g} "
                "s",
                'a step of an hour, as clock_change = "dst" says',
                'Mend the key; a second run is clock_change = "restart".',
            )
            continue
        shift[row + 1 :] += change
        notes.append(
            f"line {line_of(row + 1)}: clock changed by {-change // SECOND} s; the time goes on, as declared"
        )
    return time + shift


def to_utc(time: Ints, zone: str) -> Ints:
    """Return UTC nanoseconds of local stamps, the repeated hour told apart by the order of the rows."""
    slots, inverse = np.unique(np.floor_divide(time, 900 * SECOND), return_inverse=True)
    early = np.array([_offset(int(slot), zone, 0) for slot in slots], np.int64)[inverse]
    late = np.array([_offset(int(slot), zone, 1) for slot in slots], np.int64)[inverse]
    utc = time - early
    doubtful = early != late
    if doubtful.any():
        stepped_back = np.concatenate([[False], np.diff(time) < 0])
        second_pass = np.zeros(len(time), bool)
        for start, end in _stretches(doubtful):
            back = np.flatnonzero(stepped_back[start:end])
            if len(back):
                second_pass[start + back[0] : end] = True
        utc = np.where(second_pass, time - late, utc)
    return np.asarray(utc, np.int64)


def _stretches(mask: Bools) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(start), int(end)) for start, end in zip(edges[0::2], edges[1::2], strict=True)]


def _offset(slot: int, zone: str, fold: int) -> int:
    from datetime import datetime, timedelta

    local = datetime(1970, 1, 1) + timedelta(seconds=slot * 900)
    offset = local.replace(fold=fold, tzinfo=ZoneInfo(zone)).utcoffset()
    return int(offset.total_seconds()) * SECOND if offset else 0
