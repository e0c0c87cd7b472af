"""The readings of one burn at one probe, from one log file or put together from several."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from kit.errors import Faults
from kit.readings.cutting import Recorded, Window
from kit.trial.cells import NOT_DUE
from kit.trial.logs import LOGS

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Rows = npt.NDArray[np.int64] | slice


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
            faults.refuse(
                f"burns.csv, burn {first.burn}, column log",
                f"{' and '.join((*first.files, *other.files))} both hold probe {first.probe}, "
                "both from their own zero and without a clock",
                "files whose times go on from one to the next",
                "Join the files, or give one.",
            )
            return first
        new = other.taken(_new_rows(first, other, tolerance_s, faults))
        order = np.argsort(np.concatenate([first.seconds, new.seconds]), kind="stable")
        rows: dict[str, Any] = {
            name: np.concatenate([getattr(first, name), getattr(new, name)])[order] for name in _BY_ROW
        }
        files = tuple(dict.fromkeys((*first.files, *other.files)))
        first = replace(first, files=files, lost=first.lost + other.lost, **rows)
    return first


def _new_rows(first: Trace, other: Trace, tolerance_s: float, faults: Faults) -> npt.NDArray[np.int64]:
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
        faults.refuse(
            f"{LOGS}/{other.files[0]}, line {int(other.lines[row])}",
            f"{b[row]:g} °C at probe {other.probe} of burn {other.burn}, where {first.files[0]}, line "
            f"{int(first.lines[nearer[row]])}, has {a[row]:g} °C at the same time ({len(conflict)} such rows)",
            "overlapping files that agree",
            "Leave out the file that is wrong, or give one of the loggers its clock_offset_s or its own probe.",
        )
    return np.flatnonzero(~same & ~(equal & (apart <= min(tolerance_s, _WITHIN * step))))
