"""What the logs of a run held, as tables: a row a burn and probe, a flag, a file, a note."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from kit import schema
from kit.readings.cutting import Recorded, Trace, Window
from kit.readings.fires import fires_in
from kit.readings.flags import BIT, Bits, Stack, is_usable, resolutions
from kit.trial import Run
from kit.trial.cells import Floats

_LATE_STEPS, _GAP_STEPS = 1.5, 3


def span_table(
    traces: Sequence[Trace],
    stack: Stack,
    bits: Bits,
    windows: Mapping[str, tuple[Window | None, str]],
    run: Run,
) -> pd.DataFrame:
    """Return schema.SPANS: from when to when each burn was read, how often and how finely."""
    finest = resolutions(stack, np.flatnonzero(np.isfinite(stack.celsius) & is_usable(bits)))
    rows = []
    for place, trace in enumerate(traces):
        window, clock_zero = windows[trace.burn]
        stop = np.nan if window is None or window.stop is None else window.stop - window.zero
        start, end, step = float(trace.seconds[0]), float(trace.seconds[-1]), _usual_step(trace)
        slack = max(run.trial.measuring.end_tolerance_min * 60, _LATE_STEPS * step)
        whose = trace.burn, trace.probe, ";".join(trace.files), clock_zero
        counts = len(trace.seconds), int((bits[stack.rows_of(place)] > 0).sum())
        ends = bool(end < stop - slack), start > slack
        rows.append((*whose, start, end, stop, step, finest[place], *counts, *ends))
    return pd.DataFrame(rows, columns=[column.name for column in schema.SPANS])


def quality_table(traces: Sequence[Trace], stack: Stack, bits: Bits, run: Run) -> pd.DataFrame:
    """Return schema.QUALITY: what was lost, marked or never logged of each burn and probe, in true counts."""
    rows = []
    for place, trace in enumerate(traces):
        usable = is_usable(bits[stack.rows_of(place)])
        steps = np.diff(trace.seconds)
        gaps = steps[steps > max(run.trial.cleaning.bridge_gap_s, _GAP_STEPS * _usual_step(trace))]
        counts = len(trace.seconds), int(np.isnan(trace.celsius).sum()), int((~usable).sum()), trace.lost
        fires = fires_in(trace.seconds, np.where(usable, trace.celsius, np.nan))
        rows.append((trace.burn, trace.probe, *counts, len(gaps), float(gaps.max(initial=0.0)), len(fires)))
    return pd.DataFrame(rows, columns=[column.name for column in schema.QUALITY])


def _usual_step(trace: Trace) -> float:
    steps = np.diff(trace.seconds)
    return float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0


def flag_table(traces: Sequence[Trace], stack: Stack, bits: Bits, celsius: Floats) -> pd.DataFrame:
    """Return schema.FLAG_COUNTS: how many readings of each burn and probe carry each flag, from when to when."""
    found = []
    for name, bit in BIT.items():
        rows = np.flatnonzero(bits & bit)
        if not len(rows):
            continue
        for part in np.split(rows, np.flatnonzero(np.diff(stack.seg[rows])) + 1):
            trace, values = traces[int(stack.seg[part[0]])], celsius[part]
            values = values[np.isfinite(values)]
            low, high = (float(values.min()), float(values.max())) if len(values) else (np.nan, np.nan)
            first, last = float(stack.seconds[part[0]]), float(stack.seconds[part[-1]])
            found.append(
                (int(stack.seg[part[0]]), trace.burn, trace.probe, name, len(part), first, last, low, high)
            )
    found.sort(key=lambda row: row[0])
    return pd.DataFrame([row[1:] for row in found], columns=[column.name for column in schema.FLAG_COUNTS])


_HASHED, _WRITTEN = ("file", "sha256", "bytes", "rows", "first", "last"), ("encoding", "delimiter", "decimal")


def file_table(recorded: Mapping[str, Recorded]) -> pd.DataFrame:
    """Return a row a file: its content's hash, its size, and how it was read."""
    rows = []
    for name, log in ((name, each.log) for name, each in recorded.items()):
        dialect, clock = log.dialect, log.table["clock"]
        ends = [str(clock.iloc[place]) if dialect.dated else "" for place in (0, -1)]
        written = [getattr(dialect, name) for name in _WRITTEN]
        units = "; ".join(f"{heading}: {unit}" for heading, unit in dialect.units.items())
        reasons = "; ".join(f"{what}: {why}" for what, why in dialect.reasons.items() if why)
        size = log.path.stat().st_size
        rows.append((name, log.sha256, size, len(log.table), *ends, *written, dialect.time, units, reasons))
    return pd.DataFrame(rows, columns=[*_HASHED, *_WRITTEN, "time", "units", "reasons"])


def note_table(recorded: Mapping[str, Recorded], further: Sequence[str]) -> pd.DataFrame:
    """Return file and note: what a person should know of each file, '' for what concerns several."""
    rows = [(name, note) for name, each in recorded.items() for note in each.log.notes]
    return pd.DataFrame([*rows, *(("", note) for note in further)], columns=["file", "note"])
