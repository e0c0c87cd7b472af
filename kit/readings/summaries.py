"""Tables about the readings: spans of the burns, counts of flags, the files and what is to be said of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit import schema
from kit.readings.fires import fires_in
from kit.readings.flags import Stack, resolutions
from kit.readings.marks import BIT, Bits, is_usable
from kit.readings.recorded import Recorded
from kit.readings.traces import Trace
from kit.readings.windows import Window
from kit.trial import Run

_LATE_STEPS, _GAP_STEPS = 1.5, 3


def span_table(
    traces: Sequence[Trace],
    stack: Stack,
    bits: Bits,
    windows: Mapping[str, tuple[Window | None, str]],
    run: Run,
) -> pd.DataFrame:
    """Return schema.SPANS: from when to when each burn was read, how often and how finely."""
    steps = resolutions(stack, np.flatnonzero(np.isfinite(stack.celsius) & is_usable(bits)))
    tolerance = run.trial.measuring.end_tolerance_min * 60
    rows = []
    for place, trace in enumerate(traces):
        mark = bits[stack.starts[place] : stack.starts[place + 1]]
        window, clock_zero = windows[trace.burn]
        stop = None if window is None or window.stop is None else window.stop - window.zero
        gaps = np.diff(trace.seconds)
        interval = float(np.median(gaps[gaps > 0])) if (gaps > 0).any() else 0.0
        slack = max(tolerance, _LATE_STEPS * interval)
        start, end = float(trace.seconds[0]), float(trace.seconds[-1])
        rows.append(
            (
                trace.burn,
                trace.probe,
                ";".join(trace.files),
                clock_zero,
                start,
                end,
                np.nan if stop is None else stop,
                interval,
                steps[place],
                len(trace.seconds),
                int((mark > 0).sum()),
                stop is not None and end < stop - slack,
                start > slack,
            )
        )
    return pd.DataFrame(rows, columns=[column.name for column in schema.SPANS])


def quality_table(traces: Sequence[Trace], stack: Stack, bits: Bits, run: Run) -> pd.DataFrame:
    """Return schema.QUALITY: what was lost, marked or never logged of each burn and probe, in true counts."""
    rows = []
    for place, trace in enumerate(traces):
        part = slice(int(stack.starts[place]), int(stack.starts[place + 1]))
        usable = is_usable(bits[part])
        steps = np.diff(trace.seconds)
        usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
        gaps = steps[steps > max(run.trial.cleaning.bridge_gap_s, _GAP_STEPS * usual)]
        rows.append(
            (
                trace.burn,
                trace.probe,
                len(trace.seconds),
                int(np.isnan(trace.celsius).sum()),
                int((~usable).sum()),
                trace.lost,
                len(gaps),
                float(gaps.max(initial=0.0)),
                len(fires_in(trace.seconds, np.where(usable, trace.celsius, np.nan))),
            )
        )
    return pd.DataFrame(rows, columns=[column.name for column in schema.QUALITY])


def flag_table(
    traces: Sequence[Trace], stack: Stack, bits: Bits, celsius: npt.NDArray[np.float64]
) -> pd.DataFrame:
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


def file_table(recorded: Mapping[str, Recorded]) -> pd.DataFrame:
    """Return a row a file: its content's hash, its size, and how it was read."""
    rows = []
    for name, each in recorded.items():
        log, dialect = each.log, each.log.dialect
        clock = log.table["clock"]
        rows.append(
            {
                "file": name,
                "sha256": log.sha256,
                "bytes": log.path.stat().st_size,
                "rows": len(log.table),
                "first": str(clock.iloc[0]) if dialect.dated else "",
                "last": str(clock.iloc[-1]) if dialect.dated else "",
                "encoding": dialect.encoding,
                "delimiter": dialect.delimiter,
                "decimal": dialect.decimal,
                "time": dialect.time,
                "units": "; ".join(f"{heading}: {unit}" for heading, unit in dialect.units.items()),
                "reasons": "; ".join(f"{what}: {why}" for what, why in dialect.reasons.items() if why),
            }
        )
    columns = [
        "file",
        "sha256",
        "bytes",
        "rows",
        "first",
        "last",
        "encoding",
        "delimiter",
        "decimal",
        "time",
        "units",
        "reasons",
    ]
    return pd.DataFrame(rows, columns=columns)


def note_table(recorded: Mapping[str, Recorded], further: Sequence[str]) -> pd.DataFrame:
    """Return file and note: what a person should know of each file, '' for what concerns several."""
    rows = [(name, note) for name, each in recorded.items() for note in each.log.notes]
    return pd.DataFrame([*rows, *(("", note) for note in further)], columns=["file", "note"])
