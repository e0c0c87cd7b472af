"""Where burns lie in logs: cut out by the clock times of the sheet, a trace for each probe."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from kit.errors import Faults, KitError
from kit.readings.body import NOT_DUE
from kit.readings.headings import column_of
from kit.readings.read import Log, read_log
from kit.readings.stamps import DAY, SECOND, to_local, to_utc
from kit.trial import Run
from kit.trial.cells import Bools, Codes, Floats, Ints
from kit.trial.clocks import Times, relative_times
from kit.trial.decode import fault
from kit.trial.models import Logger
from kit.trial.run_sheets import LOGS, has_times, log_names

Tell = Callable[[int, int, str], None]
"""Told before each file: its place, how many there are, and its name."""


@dataclass(frozen=True)
class Recorded:
    """One log file, ready to be cut.

    Attributes
    ----------
    name
        As the burn sheet names it.
    log
        What was read.
    probes
        Heading of each probe.
    wall
        Clock time of each row on the burn sheet's clock, nanoseconds; None without a clock.
    """

    name: str
    log: Log
    probes: Mapping[str, str]
    wall: Ints | None

    def times(self, group: str) -> tuple[Floats, Ints]:
        """Return the elapsed seconds of the rows of one run of the file ('' for all), and their clock times."""
        assert self.wall is not None
        elapsed, groups = self.log.table["elapsed_s"].to_numpy(), self.log.groups
        if not group or groups is None:
            return elapsed, self.wall
        return elapsed[groups == group], self.wall[groups == group]


def files_of(run: Run) -> dict[str, list[str]]:
    """Return every log file that burns done or excluded name, and the burns that name it, in the sheet's order."""
    files: dict[str, list[str]] = {}
    for row in run.burns.to_dict("records"):
        if row["state"] != "planned":
            for name in log_names(str(row["log"] or "")):
                files.setdefault(name, []).append(str(row["burn"]))
    return files


def read_files(run: Run, faults: Faults, tell: Tell | None = None) -> dict[str, Recorded]:
    """Read every log file of a run once; all their faults are noted, a broken file is left out.

    A file that excluded burns alone name may hold nothing: that is noted and no fault.
    """
    recorded: dict[str, Recorded] = {}
    files = files_of(run)
    excluded = {*run.in_state("excluded")["burn"]}
    for place, (name, burns) in enumerate(files.items()):
        if tell:
            tell(place, len(files), name)
        path, shown, logger = run.folder / LOGS / name, f"{LOGS}/{name}", run.trial.logger_of(name)
        try:
            log = read_log(path, logger, cleaning=run.trial.cleaning, name=shown)
        except KitError as error:
            if excluded.issuperset(burns):
                faults.note(f"{shown}: nothing to be read, as the exclusion of its burn says")
            else:
                faults.take(error)
            continue
        known = len(faults)
        probes, wall = _probes(run, logger, log, shown, faults), _wall(run, logger, log, name, faults)
        if len(faults) == known:
            recorded[name] = Recorded(name, log, probes, wall)
    return recorded


def _probes(run: Run, logger: Logger | None, log: Log, where: str, faults: Faults) -> dict[str, str]:
    """Return the heading of each probe: as declared, else by the probes' ids, else the headings themselves."""
    headings, ids = log.probes, [probe.id for probe in run.trial.probes]
    wanted = logger.columns if logger is not None and logger.columns else {probe: probe for probe in ids}
    places = {probe: column_of(heading, headings) for probe, heading in wanted.items()}
    told = {probe: headings[place] for probe, place in places.items() if place is not None}
    if told or not ids or (logger is not None and logger.columns):
        return told if wanted else {heading: heading for heading in headings}
    begins = {probe: [h for h in headings if h.casefold().startswith(probe.casefold())] for probe in ids}
    by_beginning = {probe: fitting[0] for probe, fitting in begins.items() if len(fitting) == 1}
    if len(set(by_beginning.values())) == len(ids):
        return by_beginning
    if len(ids) == len(headings) == 1:
        return {ids[0]: headings[0]}
    shown = ", ".join(f"'{heading}'" for heading in headings)
    parts = {"probes": " and ".join(ids), "probe": ids[0], "heading": headings[0]}
    faults.ask(where, *fault("which probe", temperatures=shown, **parts))
    return {}


def _wall(run: Run, logger: Logger | None, log: Log, name: str, faults: Faults) -> Ints | None:
    """Return the log's clock on the sheet's: stamps in UTC are brought to the trial's zone."""
    if not log.has_clock:
        return None
    clock = np.asarray(log.table["clock"].to_numpy("datetime64[ns]").astype(np.int64))
    zone, own, offset = run.trial.timezone, logger.timezone if logger else None, log.dialect.offset_min
    if offset == 0 and (zone or own):
        return to_local(clock, zone or str(own))
    timed = (row for row in run.burns.to_dict("records") if has_times(row))
    if offset == 0 and any(name in log_names(str(row["log"] or "")) for row in timed):
        faults.ask(f"{LOGS}/{name}", *fault("stamps in UTC"))
    if own and zone and own != zone and offset is None and log.dialect.dated:
        return to_local(to_utc(clock, own), zone)
    return clock


_COVERED_S = 600.0
_LATE_S = 3600.0  # after a burn whose stop is not noted: a wrong log begins later
_OVERLAP_S = 60.0
_SEGMENT = 60 * SECOND


@dataclass(frozen=True)
class Window:
    """Where a burn lies in one log file, in the log's elapsed seconds.

    Attributes
    ----------
    burn, file
        Whose and in which file.
    zero
        Time zero.
    first
        The earliest time the sheet gives, at most `zero`.
    stop
        The stop by the sheet, None where the log's end is the stop.
    begin, end
        Readings from begin (inclusive) to end (exclusive) are the burn's.
    day_ns
        Midnight from which the sheet's seconds count on the log's clock; None without one.
    group
        Label of the run of a split file, '' where there is one.
    """

    burn: str
    file: str
    zero: float
    first: float
    stop: float | None
    begin: float = -np.inf
    end: float = np.inf
    day_ns: int | None = None
    group: str = ""


@dataclass(frozen=True)
class _Sought:
    """A burn of the sheet that is looked for in one log.

    Attributes
    ----------
    burn, times, recorded
        Whose, its clock times on the sheet, and the log.
    shared
        Whether other burns lie in the same file, so that clock times are needed.
    faults
        Where problems go.
    group
        Label of the run of a split file, '' where there is one.
    """

    burn: str
    times: Times
    recorded: Recorded
    shared: bool
    faults: Faults
    group: str = ""

    @property
    def where(self) -> str:
        """The burn in messages."""
        return f"burns.csv, burn {self.burn}"

    def extent(self) -> tuple[int, int]:
        """Return the first and last clock time of its run of the file."""
        _, wall = self.recorded.times(self.group)
        return int(wall.min()), int(wall.max())

    def days_covered(self, zero_at: float, until: float) -> list[int]:
        """Return the days (since 1970) on which the log covers its times."""
        (first, last), day = self.extent(), self.times.day
        if self.recorded.log.dialect.dated and day is not None:
            days = [(day - date(1970, 1, 1)).days]
        else:
            days = list(range(first // DAY - 1, last // DAY + 1))
        begins = ((day, day * DAY + zero_at * SECOND) for day in days)
        longest = max(until - zero_at, 1.0) * SECOND
        return [day for day, begin in begins if min(begin + longest, last + SECOND) > max(begin, first)]

    def spoken(self, seconds: float) -> str:
        """Return a time of its sheet in words."""
        whole, day = int(seconds), self.times.day
        clock = f"{whole // 3600 % 24:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"
        return f"{day + timedelta(days=whole // 86400)} {clock}" if day else clock


def window_of(
    row: Mapping[str, Any], recorded: Recorded, run: Run, shared: bool, faults: Faults
) -> Window | None:
    """Return a burn's window in one file; None where its times do not fit the log.

    Parameters
    ----------
    shared
        Whether other burns lie in the same file, so that clock times are needed.
    """
    sought = _Sought(str(row["burn"]), relative_times(row), recorded, shared, faults)
    group = _group(sought)
    if group is None:
        return None
    sought = replace(sought, group=group)
    column, seconds = run.trial.time_zero_column, sought.times.seconds
    zero_at = seconds.get(column)
    if recorded.wall is None or not seconds:
        return _without_clock(sought, zero_at)
    if zero_at is None and shared and not group:
        words = fault("no time zero", log=recorded.name, column=column)
        faults.ask(f"{sought.where}, column {column}", *words)
        return None
    zero_at = min(seconds.values()) if zero_at is None else zero_at
    day_ns = _day(sought, zero_at)
    return None if day_ns is None else _placed(sought, zero_at, day_ns)


def from_one_zero(windows: list[Window], recorded: Mapping[str, Recorded]) -> list[Window]:
    """Return the windows of one burn without clock times on the sheet: all its files count from the first reading."""
    clocks = [recorded[window.file].wall for window in windows]
    walls = [int(clock[0]) for clock in clocks if clock is not None]
    if len(windows) < 2 or len(walls) < len(windows) or any(window.group for window in windows):
        return windows
    zeros = [elapsed_at(recorded[window.file], min(walls))[0] for window in windows]
    return [replace(window, zero=zero, first=zero) for window, zero in zip(windows, zeros, strict=True)]


def _group(sought: _Sought) -> str | None:
    """Return the label of the run a burn lies in: '' for an undivided file; None where it cannot be told."""
    log, burn = sought.recorded.log, sought.burn
    if log.groups is None or not log.dialect.split_by:
        return ""
    labels = list(dict.fromkeys(map(str, log.groups)))
    fitting = [label for label in labels if label.casefold() == burn.casefold()]
    if not fitting and sought.recorded.wall is not None and sought.shared:
        times = sought.times.seconds.values()
        parts = [replace(sought, group=label) for label in labels] if times else []
        by_clock = [part.group for part in parts if part.days_covered(min(times), max(times))]
        return by_clock[0] if len(by_clock) == 1 else ""
    if fitting or len(labels) == 1:
        return (fitting or labels)[0]
    where = {"log": f"{LOGS}/{sought.recorded.name}", "column": log.dialect.split_by}
    sought.faults.refuse(sought.where, *fault("no run", burn=burn, labels=", ".join(labels), **where))
    return None


def _without_clock(sought: _Sought, zero_at: float | None) -> Window | None:
    """Return the window of a log at its own zero; the sheet then tells how long after it the burn was stopped."""
    recorded = sought.recorded
    if sought.shared and not sought.group:
        what = "no clock times for this burn" if recorded.wall is not None else "a log without a clock"
        words = fault("not parted", what=what, log=recorded.name)
        sought.faults.refuse(f"{sought.where}, column log", *words)
        return None
    zero = 0.0 if recorded.wall is None or sought.group else float(recorded.log.table["elapsed_s"].iloc[0])
    stopped = sought.times.seconds.get("stopped")
    stop = zero + stopped - zero_at if stopped is not None and zero_at is not None else None
    return Window(sought.burn, recorded.name, zero, zero, stop, group=sought.group)


def _day(sought: _Sought, zero_at: float) -> int | None:
    """Return the midnight the sheet's seconds count from, on the log's clock."""
    name, (first, last), seconds = sought.recorded.name, sought.extent(), sought.times.seconds
    until = max(seconds.values())
    days = sought.days_covered(zero_at, until)
    if not days and "stopped" not in seconds:
        days = sought.days_covered(zero_at, zero_at + _LATE_S)
    days = [day for day in days if day * DAY + (zero_at + _COVERED_S) * SECOND >= first] or days
    if len(days) == 1:
        return days[0] * DAY
    if days:
        shown = ", ".join(str(date(1970, 1, 1) + timedelta(days=day)) for day in days[:4])
        words = fault("which day", log=name, count=len(days), days=shown)
        sought.faults.ask(f"{sought.where}, column day", *words)
        return None
    form = "%Y-%m-%d %H:%M:%S" if sought.recorded.log.dialect.dated else "%H:%M:%S"
    begins, ends = (f"{pd.Timestamp(wall):{form}}" for wall in (first, last))
    times = " to ".join(dict.fromkeys(map(sought.spoken, (zero_at, until))))
    parts = {"times": times, "log": f"{LOGS}/{name}", "begins": begins, "ends": ends}
    sought.faults.refuse(sought.where, *fault("beside the log", **parts))
    return None


def _placed(sought: _Sought, zero_at: float, day_ns: int) -> Window | None:
    recorded, times, group = sought.recorded, sought.times, sought.group
    zeros = elapsed_at(recorded, day_ns + round(zero_at * SECOND), group)
    stopped = times.seconds.get("stopped")
    stops = [None] if stopped is None else list(elapsed_at(recorded, day_ns + round(stopped * SECOND), group))
    pairs = [(zero, stop) for zero in zeros for stop in stops if stop is None or stop > zero]
    if len(pairs) != 1:
        words = fault("hour twice" if pairs else "stop too early", log=f"{LOGS}/{recorded.name}")
        sought.faults.refuse(sought.where, *words)
        return None
    zero, stop = pairs[0]
    end = float(recorded.times(group)[0][-1])
    if times.rolled and zero + (times.seconds[times.rolled[-1]] - zero_at) > end + _COVERED_S:
        column = times.rolled[-1]
        words = fault("not the next day", time=sought.spoken(times.seconds[column]))
        sought.faults.refuse(f"{sought.where}, column {column}", *words)
        return None
    first = zero - (zero_at - min(times.seconds.values()))
    return Window(sought.burn, recorded.name, zero, first, stop, day_ns=day_ns, group=group)


def elapsed_at(recorded: Recorded, wall: int, group: str = "") -> tuple[float, ...]:
    """Return the log's elapsed seconds at a clock time: two where its clock was put back and shows the time twice."""
    elapsed, clock = recorded.times(group)
    ahead = clock - np.asarray(np.rint(elapsed * SECOND), np.int64)
    edges = np.flatnonzero(np.abs(np.diff(ahead)) > _SEGMENT) + 1
    starts, ends = np.concatenate([[0], edges]), np.concatenate([edges, [len(clock)]]) - 1
    begun = clock[starts] <= wall
    within = starts[begun & (wall <= clock[ends])]
    if not len(within):  # in the last segment that had begun by then, else before the first
        within = starts[np.flatnonzero(begun)[-1:]] if begun.any() else starts[:1]
    return tuple(float(elapsed[start]) + (wall - int(clock[start])) / SECOND for start in within.tolist())


def parted(windows: list[Window], faults: Faults) -> list[Window]:
    """Return windows of one file that end where the next burn begins, and begin where the one before stopped."""
    ordered = sorted(windows, key=lambda window: (window.group, window.zero))
    cut = []
    for before, window, after in zip([None, *ordered], ordered, [*ordered[1:], None], strict=False):
        begin = -np.inf
        if before is not None and before.group == window.group:
            begin = min(np.inf if before.stop is None else before.stop, window.first)
            if before.stop is not None and before.stop > window.first + _OVERLAP_S:
                words = fault("overlap", seconds=before.stop - window.first, log=window.file)
                faults.refuse(f"burns.csv, burns {before.burn} and {window.burn}", *words)
        end = after.first if after is not None and after.group == window.group else np.inf
        cut.append(replace(window, begin=begin, end=end))
    return cut


Rows = Ints | slice


@dataclass(frozen=True)
class Trace:
    """One burn at one probe.

    Attributes
    ----------
    burn, probe, files
        Whose, where, and the files it came from.
    seconds, celsius
        Time since time zero; temperature as logged, NaN where there is none.
    codes
        What the cell was: 0 read, 1 nothing, 2 a sign of an open circuit.
    moved, repeated
        Rows out of order in the file; rows that share their stamp.
    lines
        Line numbers in the file, for messages.
    lost
        Lines of the file among these that could not be read as rows.
    """

    burn: str
    probe: str
    files: tuple[str, ...]
    seconds: Floats
    celsius: Floats
    codes: Codes
    moved: Bools
    repeated: Bools
    lines: Ints
    lost: int

    def taken(self, rows: Rows) -> Trace:
        """Return some of its readings."""
        return replace(self, **{name: getattr(self, name)[rows] for name in _BY_ROW})


_WITHIN = 0.4
"""Share of a step within which stamps of two files can be of one reading."""
_BY_ROW = ("seconds", "celsius", "codes", "moved", "repeated", "lines")


def traces_of(window: Window, recorded: Recorded) -> list[Trace]:
    """Return the readings of one burn in one file, probe by probe."""
    log = recorded.log
    elapsed = log.table["elapsed_s"].to_numpy()
    if log.groups is None:
        rows: Rows = slice(*(int(np.searchsorted(elapsed, edge)) for edge in (window.begin, window.end)))
    else:
        inside = (elapsed >= window.begin) & (elapsed < window.end)
        rows = np.flatnonzero(inside & (log.groups == window.group) if window.group else inside)
    lines = log.lines[rows]
    lost = int(((log.lost >= lines.min()) & (log.lost <= lines.max())).sum()) if len(lines) else 0
    traces = []
    for probe, heading in recorded.probes.items():
        codes, seconds = log.codes[heading][rows], elapsed[rows] - window.zero
        celsius, marks = log.table[heading].to_numpy()[rows], (log.moved[rows], log.repeated[rows])
        trace = Trace(window.burn, probe, (window.file,), seconds, celsius, codes, *marks, lines, lost)
        traces.append(trace.taken(np.flatnonzero(codes != NOT_DUE)) if (codes == NOT_DUE).any() else trace)
    return traces


def joined(parts: list[Trace], has_clock: bool, tolerance_s: float, faults: Faults) -> Trace:
    """Return one trace of several files: rows both hold count once, those that conflict are refused.

    Both hold a row where they say the same within the tolerance of their clocks, or anything at one moment.
    """
    first = parts[0]
    for other in parts[1:]:
        overlap = len(first.seconds) and len(other.seconds) and other.seconds[0] <= first.seconds[-1]
        if not has_clock and overlap and first.seconds[0] <= other.seconds[-1]:
            words = fault("two zeros", files=" and ".join((*first.files, *other.files)), probe=first.probe)
            faults.refuse(f"burns.csv, burn {first.burn}, column log", *words)
            return first
        new = other.taken(_new_rows(first, other, tolerance_s, faults))
        order = np.argsort(np.concatenate([first.seconds, new.seconds]), kind="stable")
        rows: dict[str, Any] = {
            name: np.concatenate([getattr(first, name), getattr(new, name)])[order] for name in _BY_ROW
        }
        files = tuple(dict.fromkeys((*first.files, *other.files)))
        first = replace(first, files=files, lost=first.lost + other.lost, **rows)
    return first


def _new_rows(first: Trace, other: Trace, tolerance_s: float, faults: Faults) -> Ints:
    """Return the rows of another file that the first does not hold; refuse those that say something else."""
    if not len(first.seconds):
        return np.arange(len(other.seconds))
    after = np.clip(np.searchsorted(first.seconds, other.seconds), 0, len(first.seconds) - 1)
    before = np.maximum(after - 1, 0)
    to_before, to_after = (np.abs(first.seconds[place] - other.seconds) for place in (before, after))
    nearer, apart = np.where(to_before < to_after, before, after), np.minimum(to_before, to_after)
    step = float(np.median(np.diff(first.seconds))) if len(first.seconds) > 1 else 0.0
    same = apart < 1e-3
    a, b = first.celsius[nearer], other.celsius
    equal = (np.abs(a - b) < 1e-6) | (np.isnan(a) & np.isnan(b))
    conflict = np.flatnonzero(same & ~equal)
    if len(conflict):
        row = int(conflict[0])
        where = f"{first.files[0]}, line {int(first.lines[nearer[row]])}"
        words = fault("files conflict", here=b[row], of=other, there=a[row], where=where, count=len(conflict))
        faults.refuse(f"{LOGS}/{other.files[0]}, line {int(other.lines[row])}", *words)
    return np.flatnonzero(~same & ~(equal & (apart <= min(tolerance_s, _WITHIN * step))))
