"""From the time column, of whatever kind, to elapsed seconds and clock times in order."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from kit.errors import Faults
from kit.readings.body import Body
from kit.readings.cells import WORDS
from kit.readings.headings import TIME_UNITS
from kit.readings.stamps import DAY, NO_DATE, NO_OFFSET, SECOND, Beside, Stamps, day_numbers, settle_order
from kit.readings.time_column import NUMERIC_STAMPS, TimePlan

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


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
    moved, repeated, run
        As in `Ordered`.
    reasons, notes
        What was decided, and what a person should know.
    """

    rows: Ints
    elapsed_s: Floats
    clock_ns: Ints | None
    dated: bool
    offset_min: int | None
    moved: Bools
    repeated: Bools
    run: Ints
    reasons: Mapping[str, str]
    notes: tuple[str, ...]


class Setting:
    """What a time column is read with: declared keys, names for messages, and where problems go."""

    def __init__(
        self,
        plan: TimePlan,
        declared: Mapping[str, object],
        where: str,
        lines: Ints,
        cells_of: Callable[[int], list[str]],
        faults: Faults,
        names: Sequence[str] = (),
        above: Sequence[str] = (),
    ) -> None:
        self.plan, self.declared, self.where, self.faults = plan, declared, where, faults
        self.names, self.above = names, above
        self._lines, self._cells_of = lines, cells_of
        self.reasons: dict[str, str] = {}
        self.notes: list[str] = []

    def line_of(self, row: int) -> int:
        """Return the line number of a row of the body."""
        return int(self._lines[row])

    def beside(self) -> Beside:
        """Return the cells beside the stamp of a body's first row, and the words above the table."""
        cells = self._cells_of(self.line_of(0))[: len(self.names)]
        others = {
            self.names[place]: cell for place, cell in enumerate(cells) if place not in self.plan.places
        }
        return Beside([(0, others)], self.above)

    def text_of(self, row: int) -> str:
        """Return the text that a row holds in its time columns."""
        cells = self._cells_of(self.line_of(row))
        return " ".join(cells[place] for place in self.plan.places if place < len(cells))


def since_start(time: Ints, run: Ints) -> Floats:
    """Return seconds since the first row of each run that the file was split into."""
    seconds = np.empty(len(time))
    if not run.any():
        np.subtract(time, time[:1], out=seconds, casting="unsafe")
        seconds /= SECOND
        return seconds
    for each in np.unique(run):
        rows = run == each
        seconds[rows] = (time[rows] - time[rows][0]) / SECOND
    return seconds


def sequence_of(time: Ints, run: Ints, is_clock: bool, rows: Ints, setting: Setting) -> Ordered:
    """Return rows in the order of time, with the setting's words for questions."""
    return in_order(
        time,
        run,
        setting.declared.get("clock_change"),
        is_clock,
        setting.where,
        lambda row: setting.text_of(int(rows[row])),
        lambda row: setting.line_of(int(rows[row])),
        setting.faults,
        setting.notes,
    )


HOUR = 3600 * SECOND
_MOST_MOVED = 0.02
_ENOUGH = 200_000


@dataclass(frozen=True)
class Ordered:
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
) -> Ordered:
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
    return Ordered(time, order, moved, _repeated(time, run), run)


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


_NEAR_DAY = 3600 * SECOND
_LOST = 0.5


def from_stamps(
    body: Body, stamps: Stamps, run: Ints, step_s: float | None, setting: Setting
) -> Timeline | None:
    """Return the timeline of stamps, None where a question stands in the way."""
    order, why = settle_order(
        stamps,
        setting.declared.get("day_first"),
        setting.beside,
        setting.where,
        setting.text_of,
        setting.faults,
    )
    if order is None:
        return None
    undated = (stamps.form == NO_DATE).sum() * 2 > (stamps.form > 0).sum()
    if undated:
        rows = np.flatnonzero(stamps.form == NO_DATE)
        time, is_clock = _clock_alone(stamps, rows, run[rows], setting)
        if time is None:
            return None
    else:
        setting.reasons["date order"] = f"{order}: {why}"
        time, fine = day_numbers(stamps, order)
        time *= DAY
        time += stamps.nanoseconds
        rows = np.flatnonzero(fine & (stamps.form != NO_DATE))
        time, is_clock = time if len(rows) == len(time) else time[rows], True
    if setting.plan.millis is not None:
        time = time + _millis(body, rows, setting.plan.millis)
    return _finished(body, stamps, rows, time, run[rows], is_clock, not undated, step_s, setting)


def _millis(body: Body, rows: Ints, column: int) -> Ints:
    values = body.numbers[column].values[rows]
    return np.asarray(np.rint(np.clip(np.nan_to_num(values), -1e9, 1e9) * 1e6), np.int64)


def _clock_alone(stamps: Stamps, rows: Ints, run: Ints, setting: Setting) -> tuple[Ints | None, bool]:
    """Return times without a date: a duration, or a time of day that is carried over midnight."""
    time = stamps.nanoseconds[rows]
    name = setting.plan.heading
    if (
        not stamps.has_seconds
        and setting.plan.format is None
        and len(time)
        and not _is_clock_name(name)
        and not stamps.twelve
    ):
        _ask_parts(time, setting)
        return None, False
    if not len(time):
        return time, False
    elapsed = bool(re.search(WORDS["headings"]["elapsed"], name, re.IGNORECASE))
    if not stamps.twelve and (elapsed or (time >= DAY).any() or (time < 0).any() or time[0] == 0):
        setting.reasons["time"] = "durations: " + (
            "its heading" if elapsed else "they begin at zero or run past 24 hours"
        )
        return time, False
    setting.reasons["time"] = "times of day without a date"
    steps = np.diff(time)
    usual = usual_step(time, run)
    over = np.concatenate(
        [[False], (steps < 0) & (np.abs(steps + DAY) <= max(20 * usual, _NEAR_DAY)) & (np.diff(run) == 0)]
    )
    if over.any():
        setting.notes.append(
            f"{int(over.sum())} midnight passed: a day added from line "
            f"{setting.line_of(int(rows[over.argmax()]))}"
        )
    return time + np.cumsum(over) * DAY, True


def _is_clock_name(name: str) -> bool:
    return bool(re.search(WORDS["headings"]["clock"], name, re.IGNORECASE))


def _ask_parts(time: Ints, setting: Setting) -> None:
    hours = (int(time.max()) - int(time[0])) / SECOND / 3600
    setting.faults.ask(
        setting.where,
        f"'{setting.text_of(0)}', which can be read in two ways: hours and minutes (the log is {hours:.3g} "
        "h long) or minutes and "
        f"seconds ({hours:.3g} min)",
        "hours:minutes or minutes:seconds",
        'Add time_format = "%H:%M" or time_format = "%M:%S" to the [[logger]] table.',
    )


def _finished(
    body: Body,
    stamps: Stamps,
    rows: Ints,
    time: Ints,
    run: Ints,
    is_clock: bool,
    dated: bool,
    step_s: float | None,
    setting: Setting,
) -> Timeline | None:
    """Return the timeline of stamps: in UTC where it can be, in order, lost seconds restored as declared."""
    offsets = stamps.offset[rows]
    written = offsets != NO_OFFSET
    clock = time
    if written.any():
        minutes = np.where(written, offsets, _commonest(offsets[written])).astype(np.int64)
        time = time - minutes * (60 * SECOND)
        setting.reasons["offset"] = "written in the stamps"
    elif setting.declared.get("timezone") and is_clock and dated:
        time = to_utc(time, str(setting.declared["timezone"]))
        setting.reasons["timezone"] = f"{setting.declared['timezone']}, declared"
    absolute = written.any() or bool(setting.declared.get("timezone"))
    sequence = sequence_of(time, run, is_clock and not absolute, rows, setting)
    clock = sequence.placed(clock)
    offset = _commonest(offsets[written]) if written.any() else None
    lost = sequence.repeated.mean() if len(rows) else 0.0
    elapsed = since_start(sequence.time, sequence.placed(run)) if is_clock else sequence.time / SECOND
    repeated = sequence.repeated
    if lost >= _LOST and setting.plan.millis is None:
        found = _restored(sequence, elapsed, _beside(body, rows, sequence, setting), step_s, setting, rows)
        if found is None:
            return None
        elapsed = found
        starts = np.array([np.flatnonzero(sequence.run == each)[0] for each in np.unique(sequence.run)])
        first = starts[np.searchsorted(np.unique(sequence.run), sequence.run)]
        clock = clock[first] + np.asarray(np.rint((elapsed - elapsed[first]) * SECOND), np.int64)
        repeated = np.zeros(len(rows), bool)
    elif repeated.any():
        setting.notes.append(_repeated_note(sequence, stamps, setting, rows))
    if not stamps.has_seconds and setting.plan.format is None:
        setting.notes.append("the stamps carry no seconds: times are good to a minute")
    return Timeline(
        sequence.placed(rows),
        np.asarray(elapsed, np.float64),
        clock if is_clock else None,
        dated and is_clock,
        offset,
        sequence.moved,
        repeated,
        sequence.run,
        setting.reasons,
        tuple(setting.notes),
    )


def _commonest(values: npt.NDArray[np.int16]) -> int:
    found, counts = np.unique(values, return_counts=True)
    return int(found[counts.argmax()])


def _repeated_note(sequence: Ordered, stamps: Stamps, setting: Setting, rows: Ints) -> str:
    first = int(sequence.placed(rows)[int(sequence.repeated.argmax())])
    return (
        f"{int(sequence.repeated.sum())} rows share their stamp with a neighbour (first at line "
        f"{setting.line_of(first)}): "
        "flagged, none dropped"
    )


def _ask_step(sequence: Ordered, setting: Setting, rows: Ints) -> None:
    stamps, counts = np.unique(sequence.time, return_counts=True)
    steps = np.diff(stamps)
    unit = float(np.median(steps)) / SECOND if len(steps) else 60.0
    first = setting.text_of(int(rows[0]))
    guess, per = _likely_step(counts, steps / SECOND, unit)
    setting.faults.ask(
        setting.where,
        f"{per} rows share a stamp such as '{first}': the stamps are coarser than the readings. {per} rows "
        f"in every {unit:g} s suggest "
        f"{guess:g} s between rows; they could also be {per} readings at one moment",
        "the seconds between two rows",
        f"Add step_s = {guess:g} (or what it was) to the [[logger]] table.",
    )


_EVEN_STEPS = (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 10.0, 12.0, 15.0, 20.0, 30.0)


def _likely_step(counts: Ints, steps: Floats, unit: float) -> tuple[float, int]:
    """Return the likely seconds between rows, and rows a stamp.

    The first and the last stamp may be cut, so they do not count; an even step that fits within the rows that
    are lost there is taken.
    """
    whole = counts[1:-1] if len(counts) > 2 else counts
    usual = whole[:-1][steps[1:-1] <= 1.5 * unit] if len(whole) > 2 else whole
    per = float(np.mean(usual)) if len(counts) > 2 and len(usual) else float(counts.max())
    guess = unit / per
    slack = 0.02 if len(counts) > 2 else 0.05
    even = [step for step in _EVEN_STEPS if abs(step / guess - 1) <= slack]
    return (min(even, key=lambda step: abs(step / guess - 1)) if even else guess), round(per)


def _beside(body: Body, rows: Ints, sequence: Ordered, setting: Setting) -> Floats | None:
    """Return the seconds of a column of elapsed times that stands beside the stamps, where there is one."""
    if setting.plan.beside is None:
        return None
    column, unit = setting.plan.beside
    values = sequence.placed(body.numbers[column].values[rows]) * TIME_UNITS[unit]
    rising = len(values) > 0 and bool(np.isfinite(values).all()) and bool((np.diff(values) >= 0).all())
    return np.asarray(values, np.float64) if rising else None


def _restored(
    sequence: Ordered,
    elapsed: Floats,
    beside: Floats | None,
    step_s: float | None,
    setting: Setting,
    rows: Ints,
) -> Floats | None:
    """Return seconds finer than the stamps: from a column beside them, else from the step between rows."""
    if step_s is None and beside is not None:
        setting.reasons["seconds"] = "from the column of elapsed times: the stamps are too coarse"
        return np.asarray(since_start(np.asarray(np.rint(beside * SECOND), np.int64), sequence.run))
    if step_s is None:
        _ask_step(sequence, setting, rows)
        return None
    setting.reasons["step_s"] = f"{step_s:g} s, declared: the stamps are too coarse"
    return _spread(sequence, elapsed, step_s, setting, rows)


def _spread(sequence: Ordered, elapsed: Floats, step_s: float, setting: Setting, rows: Ints) -> Floats | None:
    """Return elapsed seconds of rows a declared step apart; a gap in the stamps stays a gap."""
    coarse = np.diff(elapsed)
    unit = float(np.median(coarse[coarse > 0])) if (coarse > 0).any() else step_s
    breaks = (np.diff(sequence.run) != 0) | (coarse > 2.5 * max(unit, step_s))
    block = np.concatenate([[0], np.cumsum(breaks)])
    starts = np.concatenate([[0], np.flatnonzero(breaks) + 1])
    spread = elapsed[starts][block] + (np.arange(len(elapsed)) - starts[block]) * step_s
    off = spread - elapsed
    worst = int(np.argmax(np.abs(off)))
    if abs(off[worst]) > 2 * unit + step_s:
        setting.faults.refuse(
            f"{setting.where}, line {setting.line_of(int(rows[worst]))}, [[logger]] key step_s",
            f"{step_s:g} s a row, which stands {off[worst]:+g} s off the stamp '{setting.text_of(int(rows[worst]))}'",
            "a step that keeps pace with the stamps",
            "Mend the key.",
        )
        return None
    return np.asarray(spread, np.float64)


UNIX_1904 = 2_082_844_800
UNIX_DAY_NUMBER = 25_569
_SECONDS = {
    **TIME_UNITS,
    "unix s": 1.0,
    "1904 s": 1.0,
    "unix ms": 1e-3,
    "unix us": 1e-6,
    "unix ns": 1e-9,
    "day number": 86400.0,
}
_LONGEST_S = 9e9
"""Times beyond are no times: nanoseconds would not fit."""


def time_of(
    body: Body, run: Ints, stated_clock: Ints | None, step_s: float | None, setting: Setting
) -> Timeline | None:
    """Return the timeline of a body, or None where a question stands in the way.

    Parameters
    ----------
    run
        Number of the run each row belongs to (all 0 where the file holds one).
    stated_clock
        Clock time of the first row as a preamble states it.
    step_s
        Step between rows, declared or stated.
    """
    if setting.plan.kind == "stamp" and body.stamps is not None:
        return from_stamps(body, body.stamps, run, step_s, setting)
    if setting.plan.kind == "number":
        return _from_numbers(body, run, step_s, setting)
    return _implied(len(body), run, stated_clock, step_s, setting)


def _from_numbers(body: Body, run: Ints, step_s: float | None, setting: Setting) -> Timeline | None:
    values = body.numbers[setting.plan.places[0]].values
    unit = setting.plan.unit
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero(np.abs(values) < _LONGEST_S / _SECONDS.get(unit, 1.0))
    values = values[rows]
    if not unit:
        _ask_time_unit(values, setting)
        return None
    if unit in NUMERIC_STAMPS:
        return _numeric_stamps(values, unit, rows, run[rows], setting)
    time = np.asarray(np.rint(values * TIME_UNITS[unit] * SECOND), np.int64)
    sequence = sequence_of(time, run[rows], False, rows, setting)
    setting.reasons["time"] = f"elapsed, in {unit}"
    if sequence.repeated.any():
        first = setting.line_of(int(rows[int(sequence.repeated.argmax())]))
        setting.notes.append(
            f"{int(sequence.repeated.sum())} rows share their time with a neighbour (first at line "
            f"{first}): flagged"
        )
    elapsed = sequence.placed(values * TIME_UNITS[unit])
    return Timeline(
        sequence.placed(rows),
        elapsed,
        None,
        False,
        None,
        sequence.moved,
        sequence.repeated,
        sequence.run,
        setting.reasons,
        tuple(setting.notes),
    )


def _ask_time_unit(values: Floats, setting: Setting) -> None:
    span = float(values[-1] - values[0]) if len(values) else 0.0
    setting.faults.ask(
        setting.where,
        f"numbers from {values[0]:g} to {values[-1]:g} without a unit: read as seconds the log is {span:g} "
        "s long, as minutes "
        f"{span:g} min"
        if len(values)
        else "a time without a unit",
        "the unit of the time",
        'Add time_unit = "s" (or "min", "h", "ms") to the [[logger]] table.',
    )


def _numeric_stamps(values: Floats, unit: str, rows: Ints, run: Ints, setting: Setting) -> Timeline:
    """Return the timeline of stamps that are numbers; their size tells their origin.

    Unix seconds count from 1970, the others from 1904; spreadsheet day numbers from 1899-12-30.
    """
    if unit == "day number":
        time = np.asarray(np.rint((values - UNIX_DAY_NUMBER) * 86400e3), np.int64) * (SECOND // 1000)
        setting.reasons["time"] = "spreadsheet day numbers of the 1900 system (by their size)"
    elif unit == "1904 s":
        time = np.asarray(np.rint((values - UNIX_1904) * 1e6), np.int64) * 1000
        setting.reasons["time"] = "seconds since 1904 (by their size)"
        setting.notes.append("seconds since 1904: the clock is shown as UTC; it may have been local time")
    else:
        scale = {"unix s": 1e6, "unix ms": 1e3, "unix us": 1.0, "unix ns": 1e-3}[unit]
        time = np.asarray(np.rint(values * scale), np.int64) * 1000
        setting.reasons["time"] = f"{unit.removeprefix('unix ')} since 1970 (by their size), UTC"
    sequence = sequence_of(time, run, unit == "day number", rows, setting)
    if sequence.repeated.any():
        setting.notes.append(
            f"{int(sequence.repeated.sum())} rows share their stamp with a neighbour: flagged, none dropped"
        )
    elapsed = since_start(sequence.time, sequence.placed(run))
    return Timeline(
        sequence.placed(rows),
        elapsed,
        sequence.placed(time),
        True,
        0 if unit.startswith("unix") else None,
        sequence.moved,
        sequence.repeated,
        sequence.run,
        setting.reasons,
        tuple(setting.notes),
    )


def _implied(
    total: int, run: Ints, stated_clock: Ints | None, step_s: float | None, setting: Setting
) -> Timeline | None:
    if step_s is None:
        setting.faults.ask(
            setting.where,
            f"{total} rows and no column that holds a time",
            "the seconds between two rows, or the column of the time",
            'Add step_s = 10 (or what it was), or time_column = "its heading", to the [[logger]] table.',
        )
        return None
    elapsed = np.empty(total)
    for each in np.unique(run):
        rows = run == each
        elapsed[rows] = np.arange(int(rows.sum())) * step_s
    setting.reasons["time"] = f"implied: a row every {step_s:g} s"
    clock = (
        None if stated_clock is None else stated_clock[:1] + np.asarray(np.rint(elapsed * SECOND), np.int64)
    )
    nothing = np.zeros(total, bool)
    return Timeline(
        np.arange(total),
        elapsed,
        clock,
        clock is not None,
        None,
        nothing,
        nothing,
        run,
        setting.reasons,
        tuple(setting.notes),
    )
