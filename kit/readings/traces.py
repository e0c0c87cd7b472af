"""The readings of one burn at one probe, from one log file or put together from several."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from kit.errors import Faults
from kit.readings.cutting import Recorded, Window
from kit.readings.read import Log
from kit.trial.cells import NOT_DUE
from kit.trial.logs import LOGS

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


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
    codes: npt.NDArray[np.int8]
    moved: Bools
    repeated: Bools
    lines: npt.NDArray[np.int64]
    lost: int

    def taken(self, rows: npt.NDArray[np.int64] | slice) -> Trace:
        """Return some of its readings."""
        return replace(self, **{name: getattr(self, name)[rows] for name in _BY_ROW})


_WITHIN = 0.4
"""Share of a step within which stamps of two files can be of one reading."""
_BY_ROW = ("seconds", "celsius", "codes", "moved", "repeated", "lines")


def traces_of(window: Window, recorded: Recorded) -> list[Trace]:
    """Return the readings of one burn in one file, probe by probe."""
    log = recorded.log
    elapsed = log.table["elapsed_s"].to_numpy()
    rows = _rows_of(window, recorded, elapsed)
    found = []
    for probe, heading in recorded.probes.items():
        codes = log.codes[heading][rows]
        trace = Trace(
            window.burn,
            probe,
            (window.file,),
            elapsed[rows] - window.zero,
            log.table[heading].to_numpy()[rows],
            codes,
            log.moved[rows],
            log.repeated[rows],
            log.lines[rows],
            _lost_within(log, log.lines[rows]),
        )
        found.append(trace.taken(np.flatnonzero(codes != NOT_DUE)) if (codes == NOT_DUE).any() else trace)
    return found


def _lost_within(log: Log, lines: npt.NDArray[np.int64]) -> int:
    if not len(lines) or not len(log.lost):
        return 0
    return int(((log.lost >= lines.min()) & (log.lost <= lines.max())).sum())


def _rows_of(window: Window, recorded: Recorded, elapsed: Floats) -> npt.NDArray[np.int64] | slice:
    groups = recorded.log.groups
    if groups is not None:
        inside = (elapsed >= window.begin) & (elapsed < window.end)
        return np.flatnonzero(inside & (groups == window.group) if window.group else inside)
    return slice(int(np.searchsorted(elapsed, window.begin)), int(np.searchsorted(elapsed, window.end)))


def joined(parts: list[Trace], has_clock: bool, tolerance_s: float, faults: Faults) -> Trace:
    """Return one trace of several files: rows both hold count once, those that conflict are refused.

    Both hold a row where they say the same within the tolerance of their clocks, or anything at one moment.
    """
    if len(parts) == 1:
        return parts[0]
    first = parts[0]
    for other in parts[1:]:
        if not has_clock and _overlaps(first, other):
            faults.refuse(
                f"burns.csv, burn {first.burn}, column log",
                f"{' and '.join((*first.files, *other.files))} both hold probe {first.probe}, "
                "both from their own zero and without a clock",
                "files whose times go on from one to the next",
                "Join the files, or give one.",
            )
            return first
        kept = _new_rows(first, other, tolerance_s, faults)
        first = _merged(first, other.taken(kept))
    return first


def _overlaps(first: Trace, other: Trace) -> bool:
    if not len(first.seconds) or not len(other.seconds):
        return False
    return bool(other.seconds[0] <= first.seconds[-1] and first.seconds[0] <= other.seconds[-1])


def _new_rows(first: Trace, other: Trace, tolerance_s: float, faults: Faults) -> npt.NDArray[np.int64]:
    """Return the rows of another file that the first does not hold; refuse those that say something else."""
    place = np.clip(np.searchsorted(first.seconds, other.seconds), 0, max(len(first.seconds) - 1, 0))
    if not len(first.seconds):
        return np.arange(len(other.seconds))
    before = np.maximum(place - 1, 0)
    nearer = np.where(
        np.abs(first.seconds[before] - other.seconds) < np.abs(first.seconds[place] - other.seconds),
        before,
        place,
    )
    apart = np.abs(first.seconds[nearer] - other.seconds)
    step = float(np.median(np.diff(first.seconds))) if len(first.seconds) > 1 else 0.0
    same = apart < 1e-3
    a, b = first.celsius[nearer], other.celsius
    equal = (np.abs(a - b) < 1e-6) | (np.isnan(a) & np.isnan(b))
    conflict = np.flatnonzero(same & ~equal)
    if len(conflict):
        row = int(conflict[0])
        faults.refuse(
            f"{LOGS}/{other.files[0]}, line {int(other.lines[row])}",
            f"{b[row]:g} °C at probe {other.probe} of burn {other.burn}, where {first.files[0]}, line "
            f"{int(first.lines[nearer[row]])}, has "
            f"{a[row]:g} °C at the same time ({len(conflict)} such rows)",
            "overlapping files that agree",
            "Leave out the file that is wrong, or give one of the loggers its clock_offset_s or its own "
            "probe.",
        )
    return np.flatnonzero(~same & ~(equal & (apart <= min(tolerance_s, _WITHIN * step))))


def _merged(first: Trace, other: Trace) -> Trace:
    order = np.argsort(np.concatenate([first.seconds, other.seconds]), kind="stable")
    rows: dict[str, Any] = {
        name: np.concatenate([getattr(first, name), getattr(other, name)])[order] for name in _BY_ROW
    }
    files = tuple(dict.fromkeys((*first.files, *other.files)))
    return replace(first, files=files, lost=first.lost + other.lost, **rows)
