"""Stamps written as text to elapsed seconds and clock times."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

from kit.readings.cells import WORDS
from kit.readings.dates import DAY, day_numbers, settle_order
from kit.readings.headings import TIME_UNITS
from kit.readings.rows import Body
from kit.readings.sequence import Sequence, to_utc, usual_step
from kit.readings.stamps import NO_DATE, NO_OFFSET, SECOND, Stamps
from kit.readings.timebase import Setting, Timeline, sequence_of, since_start

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
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


def _repeated_note(sequence: Sequence, stamps: Stamps, setting: Setting, rows: Ints) -> str:
    first = int(sequence.placed(rows)[int(sequence.repeated.argmax())])
    return (
        f"{int(sequence.repeated.sum())} rows share their stamp with a neighbour (first at line "
        f"{setting.line_of(first)}): "
        "flagged, none dropped"
    )


def _ask_step(sequence: Sequence, setting: Setting, rows: Ints) -> None:
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


def _beside(body: Body, rows: Ints, sequence: Sequence, setting: Setting) -> Floats | None:
    """Return the seconds of a column of elapsed times that stands beside the stamps, where there is one."""
    if setting.plan.beside is None:
        return None
    column, unit = setting.plan.beside
    values = sequence.placed(body.numbers[column].values[rows]) * TIME_UNITS[unit]
    rising = len(values) > 0 and bool(np.isfinite(values).all()) and bool((np.diff(values) >= 0).all())
    return np.asarray(values, np.float64) if rising else None


def _restored(
    sequence: Sequence,
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


def _spread(
    sequence: Sequence, elapsed: Floats, step_s: float, setting: Setting, rows: Ints
) -> Floats | None:
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
