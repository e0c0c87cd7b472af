"""The log files of a run folder cut into burns: the sheet's clock times on each log's own seconds."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt

from kit.errors import Faults, KitError
from kit.readings.read import Log, read_log
from kit.readings.roles import column_of
from kit.readings.stamps import DAY, SECOND
from kit.readings.temperatures import Sentinels
from kit.readings.timeline import to_utc
from kit.trial import Logger, Run, Times, log_names, relative_times
from kit.trial.logs import LOGS

Ints = npt.NDArray[np.int64]


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


def files_of(run: Run) -> dict[str, list[str]]:
    """Return every log file that burns done or excluded name, and the burns that name it, in the sheet's order."""
    files: dict[str, list[str]] = {}
    for row in run.burns.to_dict("records"):
        if row["state"] != "planned":
            for name in log_names(str(row["log"] or "")):
                files.setdefault(name, []).append(str(row["burn"]))
    return files


def read_files(
    run: Run, faults: Faults, notes: list[str], tell: Callable[[int, int, str], None] | None = None
) -> dict[str, Recorded]:
    """Read every log file of a run once; all their faults are noted, a broken file is left out.

    A file that excluded burns alone name may hold nothing: that is noted and no fault.
    """
    recorded: dict[str, Recorded] = {}
    files = files_of(run)
    excluded = set(run.burns.loc[run.burns["state"] == "excluded", "burn"].astype(str))
    cleaning = run.trial.cleaning
    sentinels = Sentinels(tuple(cleaning.sentinels), cleaning.sentinel_jump_k)
    for place, name in enumerate(files):
        if tell:
            tell(place, len(files), name)
        logger = run.trial.logger_of(name)
        try:
            log = read_log(
                run.folder / LOGS / name,
                logger.declared() if logger else None,
                sentinels=sentinels,
                name=f"{LOGS}/{name}",
            )
        except KitError as error:
            if all(burn in excluded for burn in files[name]):
                notes.append(f"{LOGS}/{name}: nothing to be read, as the exclusion of its burn says")
            else:
                faults.take(error)
            continue
        known = len(faults)
        probes, wall = _probes(run, logger, log, name, faults), _wall(run, logger, log, name, faults)
        if len(faults) == known:
            recorded[name] = Recorded(name, log, probes, wall)
    return recorded


def _probes(run: Run, logger: Logger | None, log: Log, name: str, faults: Faults) -> dict[str, str]:
    """Return the heading of each probe: as declared, else by the probes' ids, else the headings themselves."""
    if logger is not None and logger.columns:
        found = {probe: _heading(heading, log) for probe, heading in logger.columns.items()}
        return {probe: heading for probe, heading in found.items() if heading}
    ids = [probe.id for probe in run.trial.probes]
    headings = log.probes
    by_id = {probe: headings[place] for probe in ids if (place := column_of(probe, headings)) is not None}
    if by_id or not ids:
        return by_id or {heading: heading for heading in headings}
    containing = {
        probe: fitting[0]
        for probe in ids
        if len(fitting := [h for h in headings if h.casefold().startswith(probe.casefold())]) == 1
    }
    if len(set(containing.values())) == len(containing) == len(ids):
        return containing
    if len(ids) == len(headings) == 1:
        return {ids[0]: headings[0]}
    shown = ", ".join(f"'{heading}'" for heading in headings)
    faults.ask(
        f"{LOGS}/{name}",
        f"temperatures {shown}, and no word which of them is probe {' and '.join(ids)}",
        "the column of each probe",
        f'Add a [[logger]] table with columns = {{ {ids[0]} = "{headings[0]}" }} and so on.',
    )
    return {}


def _heading(heading: str, log: Log) -> str:
    place = column_of(heading, log.probes)
    return log.probes[place] if place is not None else ""


def _wall(run: Run, logger: Logger | None, log: Log, name: str, faults: Faults) -> Ints | None:
    """Return the log's clock on the sheet's: stamps in UTC are brought to the trial's zone."""
    if not log.has_clock:
        return None
    clock = log.table["clock"].to_numpy("datetime64[ns]").astype(np.int64)
    zone = run.trial.timezone
    own = logger.timezone if logger else None
    if log.dialect.offset_min == 0 and (zone or own):
        return _to_local(clock, zone or str(own))
    if log.dialect.offset_min == 0 and _needs_clock(run, name):
        faults.ask(
            f"{LOGS}/{name}",
            "stamps in UTC, and clock times on the burn sheet",
            "the zone of the burn sheet's clock",
            'Add timezone = "Europe/Berlin" (or what it was, or "UTC") to the [trial] table.',
        )
    if own and zone and own != zone and log.dialect.offset_min is None and log.dialect.dated:
        return _to_local(to_utc(clock, own), zone)
    return np.asarray(clock, np.int64)


def _needs_clock(run: Run, name: str) -> bool:
    rows = run.burns[run.burns["log"].map(lambda cell: name in log_names(str(cell or ""))).astype(bool)]
    return bool((rows[["lit", "tipped", "lid_on", "stopped"]].fillna("") != "").any().any())


def _to_local(utc: Ints, zone: str) -> Ints:
    """Return local clock times of UTC nanoseconds, by quarter hours."""
    from datetime import UTC, datetime, timedelta
    from zoneinfo import ZoneInfo

    slots, inverse = np.unique(np.floor_divide(utc, 900 * SECOND), return_inverse=True)
    info = ZoneInfo(zone)
    starts = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=int(slot) * 900) for slot in slots)
    offsets = [int((moment.astimezone(info).utcoffset() or timedelta()).total_seconds()) for moment in starts]
    return np.asarray(utc + np.array(offsets, np.int64)[inverse] * SECOND)


_COVERED_S = 600.0
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
        wall, groups = self.recorded.wall, self.recorded.log.groups
        assert wall is not None
        if self.group and groups is not None:
            wall = wall[groups == self.group]
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
    if zero_at is None:
        if shared and not group:
            faults.ask(
                f"{sought.where}, column {column}",
                f"a blank, though {recorded.name} holds other burns too",
                "the clock time of time zero",
                f"Fill in {column}, or choose another time_zero in trial.toml.",
            )
            return None
        zero_at = min(seconds.values())
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
    if fitting:
        return fitting[0]
    if sought.recorded.wall is not None and sought.shared:
        times = sought.times.seconds.values()
        by_clock = [
            label
            for label in labels
            if times and replace(sought, group=label).days_covered(min(times), max(times))
        ]
        return by_clock[0] if len(by_clock) == 1 else ""
    if len(labels) == 1:
        return labels[0]
    sought.faults.refuse(
        sought.where,
        f"no run '{burn}' in {LOGS}/{sought.recorded.name}, which holds {', '.join(labels)}",
        f"a burn id that stands in its column {log.dialect.split_by}, or clock times",
        "Write the burn's id as in the log.",
    )
    return None


def _without_clock(sought: _Sought, zero_at: float | None) -> Window | None:
    """Return the window of a log at its own zero; the sheet then tells how long after it the burn was stopped."""
    recorded = sought.recorded
    if sought.shared and not sought.group:
        what = "no clock times for this burn" if recorded.wall is not None else "a log without a clock"
        sought.faults.refuse(
            f"{sought.where}, column log",
            f"{what}, and {recorded.name} is given to other burns too",
            "clock times on the sheet and in the log, to part the burns of one file",
            "Give each burn its own file, or split_by.",
        )
        return None
    zero = 0.0 if recorded.wall is None or sought.group else float(recorded.log.table["elapsed_s"].iloc[0])
    stopped = sought.times.seconds.get("stopped")
    stop = zero + stopped - zero_at if stopped is not None and zero_at is not None else None
    return Window(sought.burn, recorded.name, zero, zero, stop, group=sought.group)


def _day(sought: _Sought, zero_at: float) -> int | None:
    """Return the midnight the sheet's seconds count from, on the log's clock."""
    name, (first, last) = sought.recorded.name, sought.extent()
    until = max(sought.times.seconds.values())
    fitting = sought.days_covered(zero_at, until)
    fitting = [day for day in fitting if day * DAY + (zero_at + _COVERED_S) * SECOND >= first] or fitting
    if len(fitting) == 1:
        return fitting[0] * DAY
    if fitting:
        shown = ", ".join(str(date(1970, 1, 1) + timedelta(days=day)) for day in fitting[:4])
        sought.faults.ask(
            f"{sought.where}, column day",
            f"a blank, and {name} covers these times on {len(fitting)} days ({shown})",
            "the day of the burn",
            "Fill in the day.",
        )
        return None
    texts = [
        str(np.datetime64(wall, "ns").astype("datetime64[s]")).replace("T", " ") for wall in (first, last)
    ]
    begins, ends = texts if sought.recorded.log.dialect.dated else [text[11:] for text in texts]
    sought.faults.refuse(
        sought.where,
        f"{sought.spoken(zero_at)} to {sought.spoken(until)}, while {LOGS}/{name} runs from {begins} to {ends}",
        "clock times within the log",
        "Mend the times or the day, name the right log, or give the logger's clock_offset_s or timezone.",
    )
    return None


def _placed(sought: _Sought, zero_at: float, day_ns: int) -> Window | None:
    recorded, times, group = sought.recorded, sought.times, sought.group
    zeros = elapsed_at(recorded, day_ns + round(zero_at * SECOND), group)
    stopped = times.seconds.get("stopped")
    stops = [None] if stopped is None else list(elapsed_at(recorded, day_ns + round(stopped * SECOND), group))
    pairs = [(zero, stop) for zero in zeros for stop in stops if stop is None or stop > zero]
    if len(pairs) != 1:
        twice = (
            f"clock times in an hour that {LOGS}/{recorded.name} shows twice, since its clock was put back"
        )
        sought.faults.refuse(
            sought.where,
            twice if pairs else "a stop that is not after time zero",
            "times that stand for one moment",
            "Note times outside that hour, or leave `stopped` blank.",
        )
        return None
    zero, stop = pairs[0]
    end = float((recorded.log.group(group) if group else recorded.log.table)["elapsed_s"].iloc[-1])
    if times.rolled and zero + (times.seconds[times.rolled[-1]] - zero_at) > end + _COVERED_S:
        column = times.rolled[-1]
        sought.faults.refuse(
            f"{sought.where}, column {column}",
            f"{sought.spoken(times.seconds[column])}, before the time it follows; as a time of the next day the log "
            "does not reach it",
            "clock times in order, or a log that goes on past midnight",
            "Mend the time.",
        )
        return None
    first = zero - (zero_at - min(times.seconds.values()))
    return Window(sought.burn, recorded.name, zero, first, stop, day_ns=day_ns, group=group)


def elapsed_at(recorded: Recorded, wall: int, group: str = "") -> tuple[float, ...]:
    """Return the log's elapsed seconds at a clock time: two where its clock was put back and shows the time twice."""
    assert recorded.wall is not None
    clock, elapsed = recorded.wall, recorded.log.table["elapsed_s"].to_numpy()
    if group and recorded.log.groups is not None:
        rows = recorded.log.groups == group
        clock, elapsed = clock[rows], elapsed[rows]
    ahead = clock - np.asarray(np.rint(elapsed * SECOND), np.int64)
    edges = np.flatnonzero(np.abs(np.diff(ahead)) > _SEGMENT) + 1
    starts, ends = np.concatenate([[0], edges]), np.concatenate([edges, [len(clock)]]) - 1
    found = [
        float(elapsed[start]) + (wall - int(clock[start])) / SECOND
        for start, end in zip(starts, ends, strict=True)
        if clock[start] <= wall <= clock[end]
    ]
    if found:
        return tuple(found)
    before = [place for place, start in enumerate(starts) if clock[start] <= wall]
    start = int(starts[before[-1]]) if before else 0
    return (float(elapsed[start]) + (wall - int(clock[start])) / SECOND,)


def parted(windows: list[Window], faults: Faults) -> list[Window]:
    """Return windows of one file that end where the next burn begins, and begin where the one before stopped."""
    found: list[Window] = []
    for group in dict.fromkeys(window.group for window in windows):
        found += _parted_group([window for window in windows if window.group == group], faults)
    return found


def _parted_group(windows: list[Window], faults: Faults) -> list[Window]:
    ordered = sorted(windows, key=lambda window: window.zero)
    found = []
    for place, window in enumerate(ordered):
        begin = -np.inf
        if place:
            before = ordered[place - 1]
            begin = window.first if before.stop is None else min(before.stop, window.first)
            if before.stop is not None and before.stop > window.first + _OVERLAP_S:
                faults.refuse(
                    f"burns.csv, burns {before.burn} and {window.burn}",
                    f"times that overlap by {before.stop - window.first:.0f} s in one log, {window.file}",
                    "one burn after the other in a file",
                    "Mend lit and stopped, or give each burn its own log.",
                )
        end = ordered[place + 1].first if place + 1 < len(ordered) else np.inf
        found.append(replace(window, begin=begin, end=end))
    return found
