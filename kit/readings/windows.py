"""When each burn begins and ends in a log: the burn sheet's clock times on the log's own seconds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt

from kit.errors import Faults
from kit.readings.recorded import Recorded
from kit.readings.stamps import SECOND
from kit.trial import Run, Times, relative_times
from kit.trial.logs import LOGS

Ints = npt.NDArray[np.int64]
DAY = 86_400 * SECOND
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


def window_of(
    row: Mapping[str, Any], recorded: Recorded, run: Run, shared: bool, faults: Faults
) -> Window | None:
    """Return a burn's window in one file; None where its times do not fit the log.

    Parameters
    ----------
    shared
        Whether other burns lie in the same file, so that clock times are needed.
    """
    burn = str(row["burn"])
    times = relative_times(row)
    group = _group(row, recorded, shared, faults)
    if group is None:
        return None
    zero_at = times.seconds.get(run.trial.time_zero_column)
    if recorded.wall is None or not times.seconds:
        return _without_clock(burn, times, zero_at, recorded, shared and not group, group, faults)
    if zero_at is None:
        if shared and not group:
            faults.ask(
                f"burns.csv, burn {burn}, column {run.trial.time_zero_column}",
                f"a blank, though {recorded.name} holds other burns too",
                "the clock time of time zero",
                f"Fill in {run.trial.time_zero_column}, or choose another time_zero in trial.toml.",
            )
            return None
        zero_at = min(times.seconds.values())
    day_ns = _day(burn, times, zero_at, recorded, group, faults)
    if day_ns is None:
        return None
    return _placed(burn, times, zero_at, day_ns, recorded, group, faults)


def _group(row: Mapping[str, Any], recorded: Recorded, shared: bool, faults: Faults) -> str | None:
    """Return the label of the run a burn lies in: '' for an undivided file; None where it cannot be told."""
    burn = str(row["burn"])
    groups = recorded.log.groups
    if groups is None or not recorded.log.dialect.split_by:
        return ""
    labels = list(dict.fromkeys(str(label) for label in groups))
    fitting = [label for label in labels if label.casefold() == burn.casefold()]
    if fitting:
        return fitting[0]
    if recorded.wall is not None and shared:
        return _group_at(row, recorded, labels) or ""
    if len(labels) == 1:
        return labels[0]
    faults.refuse(
        f"burns.csv, burn {burn}",
        f"no run '{burn}' in {LOGS}/{recorded.name}, which holds {', '.join(labels)}",
        f"a burn id that stands in its column {recorded.log.dialect.split_by}, or clock times",
        "Write the burn's id as in the log.",
    )
    return None


def _group_at(row: Mapping[str, Any], recorded: Recorded, labels: Sequence[str]) -> str | None:
    """Return the one run whose clock covers a burn's times, None where none or several do."""
    times = relative_times(row)
    if not times.seconds:
        return None
    first, last = min(times.seconds.values()), max(times.seconds.values())
    fitting = []
    for label in labels:
        begin, end = _extent(recorded, label)
        days = _days(recorded, times, begin, end)
        if any(_overlap(day, first, last, begin, end) > 0 for day in days):
            fitting.append(label)
    return fitting[0] if len(fitting) == 1 else None


def _extent(recorded: Recorded, group: str) -> tuple[int, int]:
    """Return the first and last clock time of a run of the file, or of the whole of it."""
    wall, groups = recorded.wall, recorded.log.groups
    assert wall is not None
    if group and groups is not None:
        wall = wall[groups == group]
    return int(wall.min()), int(wall.max())


def _days(recorded: Recorded, times: Times, first: int, last: int) -> list[int]:
    if recorded.log.dialect.dated and times.day is not None:
        return [(times.day - date(1970, 1, 1)).days]
    return list(range(first // DAY - 1, last // DAY + 1))


def _without_clock(
    burn: str,
    times: Times,
    zero_at: float | None,
    recorded: Recorded,
    shared: bool,
    group: str,
    faults: Faults,
) -> Window | None:
    """Return the window of a log at its own zero; the sheet then tells how long after it the burn was stopped."""
    if shared:
        what = "no clock times for this burn" if recorded.wall is not None else "a log without a clock"
        faults.refuse(
            f"burns.csv, burn {burn}, column log",
            f"{what}, and {recorded.name} is given to other burns too",
            "clock times on the sheet and in the log, to part the burns of one file",
            "Give each burn its own file, or split_by.",
        )
        return None
    elapsed = recorded.log.table["elapsed_s"].to_numpy()
    zero = 0.0 if recorded.wall is None or group else float(elapsed[0])
    stopped = times.seconds.get("stopped")
    stop = stopped - zero_at if stopped is not None and zero_at is not None else None
    return Window(burn, recorded.name, zero, zero, None if stop is None else zero + stop, group=group)


def _day(
    burn: str, times: Times, zero_at: float, recorded: Recorded, group: str, faults: Faults
) -> int | None:
    """Return the midnight the sheet's seconds count from, on the log's clock."""
    first, last = _extent(recorded, group)
    until = max(times.seconds.values())
    days = _days(recorded, times, first, last)
    fitting = [day for day in days if _overlap(day, zero_at, until, first, last) > 0]
    inside = [day for day in fitting if day * DAY + zero_at * SECOND >= first - _COVERED_S * SECOND]
    fitting = inside or fitting
    if len(fitting) == 1:
        return fitting[0] * DAY
    if fitting:
        shown = ", ".join(str(date(1970, 1, 1) + timedelta(days=day)) for day in fitting[:4])
        faults.ask(
            f"burns.csv, burn {burn}, column day",
            f"a blank, and {recorded.name} covers these times on {len(fitting)} days ({shown})",
            "the day of the burn",
            "Fill in the day.",
        )
    else:
        faults.refuse(
            f"burns.csv, burn {burn}",
            f"{_spoken(times, zero_at)} to {_spoken(times, until)}, while {LOGS}/{recorded.name} runs from "
            f"{_stamp(first, recorded)} to {_stamp(last, recorded)}",
            "clock times within the log",
            "Mend the times or the day, name the right log, or give the logger's clock_offset_s or timezone.",
        )
    return None


def _overlap(day: int, zero_at: float, until: float, first: int, last: int) -> float:
    start, end = day * DAY + zero_at * SECOND, day * DAY + until * SECOND
    return min(max(end, start + SECOND), last + SECOND) - max(start, first)


def _spoken(times: Times, seconds: float) -> str:
    whole = int(seconds)
    clock = f"{whole // 3600 % 24:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"
    return f"{times.day + timedelta(days=whole // 86400)} {clock}" if times.day else clock


def _stamp(wall: int, recorded: Recorded) -> str:
    text = str(np.datetime64(wall, "ns").astype("datetime64[s]")).replace("T", " ")
    return text if recorded.log.dialect.dated else text[11:]


def _placed(
    burn: str, times: Times, zero_at: float, day_ns: int, recorded: Recorded, group: str, faults: Faults
) -> Window | None:
    zeros = elapsed_at(recorded, day_ns + round(zero_at * SECOND), group)
    stopped = times.seconds.get("stopped")
    stops = [None] if stopped is None else list(elapsed_at(recorded, day_ns + round(stopped * SECOND), group))
    pairs = [(zero, stop) for zero in zeros for stop in stops if stop is None or stop > zero]
    if len(pairs) != 1:
        faults.refuse(
            f"burns.csv, burn {burn}",
            f"clock times in an hour that {LOGS}/{recorded.name} shows twice, since its clock was put back"
            if pairs
            else "a stop that is not after time zero",
            "times that stand for one moment",
            "Note times outside that hour, or leave `stopped` blank.",
        )
        return None
    zero, stop = pairs[0]
    end = float(
        recorded.log.group(group)["elapsed_s"].iloc[-1] if group else recorded.log.table["elapsed_s"].iloc[-1]
    )
    if times.rolled and zero + (times.seconds[times.rolled[-1]] - zero_at) > end + _COVERED_S:
        column = times.rolled[-1]
        faults.refuse(
            f"burns.csv, burn {burn}, column {column}",
            f"{_spoken(times, times.seconds[column])}, before the time it follows; as a time of "
            "the next day the log does not reach it",
            "clock times in order, or a log that goes on past midnight",
            "Mend the time.",
        )
        return None
    first = zero - (zero_at - min(times.seconds.values()))
    return Window(burn, recorded.name, zero, first, stop, day_ns=day_ns, group=group)


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
