"""From the time column to elapsed seconds and clock times."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from kit.errors import Faults
from kit.readings.body import Body
from kit.readings.dates import DAY, day_numbers, settle_order
from kit.readings.headings import TIME_UNITS
from kit.readings.sequence import Sequence, in_order, to_utc, usual_step
from kit.readings.stamps import NO_DATE, NO_OFFSET, SECOND, Stamps
from kit.readings.timing import NUMERIC_STAMPS, TimePlan

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
UNIX_1904 = 2_082_844_800
UNIX_DAY_NUMBER = 25_569
_NEAR_DAY = 3600 * SECOND
_LOST = 0.5


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
        As in `Sequence`.
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
        self, plan: TimePlan, declared: Mapping[str, object], where: str, lines: Ints, cells_of: Callable[[int], list[str]],
        faults: Faults,
    ) -> None:  # fmt: skip
        self.plan, self.declared, self.where, self.faults = plan, declared, where, faults
        self._lines, self._cells_of = lines, cells_of
        self.reasons: dict[str, str] = {}
        self.notes: list[str] = []

    def line_of(self, row: int) -> int:
        """Return the line number of a row of the body."""
        return int(self._lines[row])

    def text_of(self, row: int) -> str:
        """Return the text that a row holds in its time columns."""
        cells = self._cells_of(self.line_of(row))
        return " ".join(cells[place] for place in self.plan.places if place < len(cells))


def time_of(body: Body, run: Ints, stated_clock: Ints | None, step_s: float | None, setting: Setting) -> Timeline | None:
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
        return _from_stamps(body, body.stamps, run, step_s, setting)
    if setting.plan.kind == "number":
        return _from_numbers(body, run, step_s, setting)
    return _implied(len(body), run, stated_clock, step_s, setting)


def _from_stamps(body: Body, stamps: Stamps, run: Ints, step_s: float | None, setting: Setting) -> Timeline | None:
    order, why = settle_order(stamps, setting.declared.get("day_first"), setting.where, setting.text_of, setting.faults)
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
        days, fine = day_numbers(stamps, order)
        rows = np.flatnonzero(fine & (stamps.form != NO_DATE))
        time, is_clock = (days * DAY + stamps.nanoseconds)[rows], True
    time = time + _millis(body, rows, setting)
    return _finished(body, stamps, rows, time, run[rows], is_clock, not undated, step_s, setting)


def _millis(body: Body, rows: Ints, setting: Setting) -> Ints:
    if setting.plan.millis is None:
        return np.zeros(len(rows), np.int64)
    values = body.numbers[setting.plan.millis].values[rows]
    return np.asarray(np.rint(np.nan_to_num(values) * 1e6), np.int64)


def _clock_alone(stamps: Stamps, rows: Ints, run: Ints, setting: Setting) -> tuple[Ints | None, bool]:
    """Return times without a date: a duration, or a time of day that is carried over midnight."""
    time = stamps.nanoseconds[rows]
    name = setting.plan.heading
    if not stamps.has_seconds and setting.plan.format is None and len(time) and not _is_clock_name(name) and not stamps.twelve:
        _ask_parts(time, setting)
        return None, False
    if not len(time):
        return time, False
    elapsed = bool(re.search(r"elapsed|dauer|duration|laufzeit|run ?time|écoulé|transcurrid", name, re.IGNORECASE))
    if not stamps.twelve and (elapsed or (time >= DAY).any() or (time < 0).any() or time[0] == 0):
        setting.reasons["time"] = "durations: " + ("its heading" if elapsed else "they begin at zero or run past 24 hours")
        return time, False
    setting.reasons["time"] = "times of day without a date"
    steps = np.diff(time)
    usual = usual_step(time, run)
    over = np.concatenate([[False], (steps < 0) & (np.abs(steps + DAY) <= max(20 * usual, _NEAR_DAY)) & (np.diff(run) == 0)])
    if over.any():
        setting.notes.append(f"{int(over.sum())} midnight passed: a day added from line {setting.line_of(int(rows[over.argmax()]))}")
    return time + np.cumsum(over) * DAY, True


def _is_clock_name(name: str) -> bool:
    return bool(re.search(r"uhrzeit|clock|time of day|heure|hh|o'clock|\bh:", name, re.IGNORECASE))


def _ask_parts(time: Ints, setting: Setting) -> None:
    hours = (int(time.max()) - int(time[0])) / SECOND / 3600
    setting.faults.ask(
        setting.where,
        f"'{setting.text_of(0)}', which can be read in two ways: hours and minutes (the log is {hours:.3g} h long) or minutes and "
        f"seconds ({hours:.3g} min)",
        "hours:minutes or minutes:seconds",
        'Add time_format = "%H:%M" or time_format = "%M:%S" to the [[logger]] table.',
    )


def _finished(
    body: Body, stamps: Stamps, rows: Ints, time: Ints, run: Ints, is_clock: bool, dated: bool, step_s: float | None, setting: Setting
) -> Timeline | None:
    """Return the timeline of stamps: to UTC where it can be, in order, lost seconds restored where they are declared."""
    offsets = stamps.offset[rows].astype(np.int64)
    written = offsets != NO_OFFSET
    clock = time
    if written.any():
        time = time - np.where(written, offsets, _commonest(offsets[written])) * 60 * SECOND
        setting.reasons["offset"] = "written in the stamps"
    elif setting.declared.get("timezone") and is_clock and dated:
        time = to_utc(time, str(setting.declared["timezone"]))
        setting.reasons["timezone"] = f"{setting.declared['timezone']}, declared"
    absolute = written.any() or bool(setting.declared.get("timezone"))
    sequence = _sequence(time, run, is_clock and not absolute, rows, setting)
    clock = clock[sequence.order]
    offset = _commonest(offsets[written]) if written.any() else None
    lost = sequence.repeated.mean() if len(rows) else 0.0
    elapsed = _since_start(sequence.time, run[sequence.order]) if is_clock else sequence.time / SECOND
    repeated = sequence.repeated
    if lost >= _LOST and setting.plan.millis is None:
        if step_s is None:
            _ask_step(sequence, setting, rows)
            return None
        elapsed = _spread(sequence, step_s)
        starts = np.array([np.flatnonzero(sequence.run == each)[0] for each in np.unique(sequence.run)])
        clock = clock[starts][sequence.run - sequence.run[0]] + np.asarray(np.rint(elapsed * SECOND), np.int64)
        repeated = np.zeros(len(rows), bool)
        setting.reasons["step_s"] = f"{step_s:g} s, declared: the stamps are too coarse"
    elif repeated.any():
        setting.notes.append(_repeated_note(sequence, stamps, setting, rows))
    if not stamps.has_seconds and setting.plan.format is None:
        setting.notes.append("the stamps carry no seconds: times are good to a minute")
    return Timeline(
        rows[sequence.order], np.asarray(elapsed, np.float64), clock if is_clock else None, dated and is_clock, offset,
        sequence.moved, repeated, sequence.run, setting.reasons, tuple(setting.notes),
    )  # fmt: skip


def _commonest(values: Ints) -> int:
    found, counts = np.unique(values, return_counts=True)
    return int(found[counts.argmax()])


def _sequence(time: Ints, run: Ints, is_clock: bool, rows: Ints, setting: Setting) -> Sequence:
    return in_order(
        time, run, setting.declared.get("clock_change"), is_clock, setting.where,
        lambda row: setting.text_of(int(rows[row])), lambda row: setting.line_of(int(rows[row])), setting.faults, setting.notes,
    )  # fmt: skip


def _repeated_note(sequence: Sequence, stamps: Stamps, setting: Setting, rows: Ints) -> str:
    first = int(rows[sequence.order[int(sequence.repeated.argmax())]])
    return (
        f"{int(sequence.repeated.sum())} rows share their stamp with a neighbour (first at line {setting.line_of(first)}): "
        "flagged, none dropped"
    )


def _ask_step(sequence: Sequence, setting: Setting, rows: Ints) -> None:
    _, counts = np.unique(sequence.time + sequence.run, return_counts=True)
    per = int(np.median(counts))
    steps = np.diff(np.unique(sequence.time))
    unit = float(np.median(steps)) / SECOND if len(steps) else 60.0
    first = setting.text_of(int(rows[0]))
    guess = unit / per
    setting.faults.ask(
        setting.where,
        f"{per} rows share a stamp such as '{first}': the stamps are coarser than the readings. {per} rows in every {unit:g} s suggest "
        f"{guess:g} s between rows; they could also be {per} readings at one moment",
        "the seconds between two rows", f"Add step_s = {guess:g} (or what it was) to the [[logger]] table.",
    )  # fmt: skip


def _since_start(time: Ints, run: Ints) -> Floats:
    """Return seconds since the first row of each run that the file was split into."""
    seconds = np.empty(len(time))
    for each in np.unique(run):
        rows = run == each
        seconds[rows] = (time[rows] - time[rows][0]) / SECOND
    return seconds


def _spread(sequence: Sequence, step_s: float) -> Floats:
    """Return elapsed seconds of rows a declared step apart, each run from its own zero."""
    spread = np.empty(len(sequence.time))
    for run in np.unique(sequence.run):
        rows = sequence.run == run
        spread[rows] = np.arange(int(rows.sum())) * step_s
    return spread


def _from_numbers(body: Body, run: Ints, step_s: float | None, setting: Setting) -> Timeline | None:
    values = body.numbers[setting.plan.places[0]].values
    rows = np.flatnonzero(np.isfinite(values))
    values = values[rows]
    unit = setting.plan.unit
    if not unit:
        _ask_unit(values, setting)
        return None
    if unit in NUMERIC_STAMPS:
        return _numeric_stamps(values, unit, rows, run[rows], setting)
    time = np.asarray(np.rint(values * TIME_UNITS[unit] * SECOND), np.int64)
    sequence = _sequence(time, run[rows], False, rows, setting)
    setting.reasons["time"] = f"elapsed, in {unit}"
    if sequence.repeated.any():
        first = setting.line_of(int(rows[int(sequence.repeated.argmax())]))
        setting.notes.append(f"{int(sequence.repeated.sum())} rows share their time with a neighbour (first at line {first}): flagged")
    elapsed = (values * TIME_UNITS[unit])[sequence.order]
    return Timeline(
        rows[sequence.order], elapsed, None, False, None, sequence.moved, sequence.repeated, sequence.run, setting.reasons,
        tuple(setting.notes),
    )  # fmt: skip


def _ask_unit(values: Floats, setting: Setting) -> None:
    span = float(values[-1] - values[0]) if len(values) else 0.0
    setting.faults.ask(
        setting.where,
        f"numbers from {values[0]:g} to {values[-1]:g} without a unit: read as seconds the log is {span:g} s long, as minutes "
        f"{span:g} min" if len(values) else "a time without a unit",
        "the unit of the time", 'Add time_unit = "s" (or "min", "h", "ms") to the [[logger]] table.',
    )  # fmt: skip


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
    sequence = _sequence(time, run, unit == "day number", rows, setting)
    if sequence.repeated.any():
        setting.notes.append(f"{int(sequence.repeated.sum())} rows share their stamp with a neighbour: flagged, none dropped")
    elapsed = _since_start(sequence.time, run[sequence.order])
    return Timeline(
        rows[sequence.order], elapsed, time[sequence.order], True, 0 if unit.startswith("unix") else None, sequence.moved,
        sequence.repeated, sequence.run, setting.reasons, tuple(setting.notes),
    )  # fmt: skip


def _implied(total: int, run: Ints, stated_clock: Ints | None, step_s: float | None, setting: Setting) -> Timeline | None:
    if step_s is None:
        setting.faults.ask(
            setting.where, f"{total} rows and no column that holds a time",
            "the seconds between two rows, or the column of the time",
            'Add step_s = 10 (or what it was), or time_column = "its heading", to the [[logger]] table.',
        )  # fmt: skip
        return None
    elapsed = np.empty(total)
    for each in np.unique(run):
        rows = run == each
        elapsed[rows] = np.arange(int(rows.sum())) * step_s
    setting.reasons["time"] = f"implied: a row every {step_s:g} s"
    clock = None if stated_clock is None else stated_clock[:1] + np.asarray(np.rint(elapsed * SECOND), np.int64)
    nothing = np.zeros(total, bool)
    return Timeline(
        np.arange(total), elapsed, clock, clock is not None, None, nothing, nothing, run, setting.reasons, tuple(setting.notes)
    )
