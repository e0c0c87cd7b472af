"""From the time column, of whatever kind, to elapsed seconds and clock times."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from kit.readings.clocktime import from_stamps
from kit.readings.headings import TIME_UNITS
from kit.readings.rows import Body
from kit.readings.stamps import SECOND
from kit.readings.timebase import Setting, Timeline, sequence_of, since_start
from kit.readings.timing import NUMERIC_STAMPS

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
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
        _ask_unit(values, setting)
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


def _ask_unit(values: Floats, setting: Setting) -> None:
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
