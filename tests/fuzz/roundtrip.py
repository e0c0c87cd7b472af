"""Writes tables in random dialects, reads them back and counts what came of it."""

from __future__ import annotations

import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

from kit.errors import KitError
from kit.readings import read_log
from tests.fuzz.writer import Written, write

RIGHT, ASKED, NEEDLESS, REFUSED, WRONG, CRASHED = (
    "right",
    "asked, then right",
    "asked without need",
    "refused",
    "WRONG",
    "CRASHED",
)


CUT = "is cut off: missing"


def differences(written: Written, table) -> str:
    """Return '' where a table holds what was written, else what differs first."""
    if len(table) != len(written.elapsed):
        return f"{len(table)} rows, not {len(written.elapsed)}"
    if table.shape[1] - 2 != len(written.celsius):
        return f"columns {list(table.columns[2:])}, not {len(written.celsius)} probes"
    elapsed = table["elapsed_s"].to_numpy()
    if np.abs(elapsed - written.elapsed).max() > 0.02:
        return f"elapsed {elapsed[:4]} … {elapsed[-1]}, not {written.elapsed[:4]} … {written.elapsed[-1]}"
    found = table.iloc[:, 2:].to_numpy(float).T
    if (np.isnan(found) != np.isnan(written.celsius)).any():
        return f"missing readings: {int(np.isnan(found).sum())}, not {int(np.isnan(written.celsius).sum())}"
    off = np.nanmax(np.abs(found - written.celsius)) if np.isfinite(found).any() else 0.0
    return f"temperatures off by {off:g}" if off > 0.01 else ""


def tried(seed: int, path: Path) -> tuple[str, str]:
    """Return what came of one file, and words on it."""
    written = write(seed)
    path.write_bytes(written.data)
    try:
        return _read(written, path)
    except KitError as error:
        return REFUSED, f"{error} | {written.what}"
    except Exception as error:
        return CRASHED, f"{type(error).__name__}: {error} | {written.what}"


def _read(written: Written, path: Path) -> tuple[str, str]:
    try:
        log = read_log(path)
        what = RIGHT
    except KitError as error:
        asked = {
            key
            for key in written.answers
            if any(problem.kind == "ask" and key in problem.remedy for problem in error.problems)
        }
        if not asked:
            return REFUSED, f"{error} | {written.what}"
        log = read_log(path, {key: written.answers[key] for key in asked})
        what = ASKED if asked <= written.doubtful else NEEDLESS
        if what == NEEDLESS and not differences(_owed(written, log), log.table):
            return NEEDLESS, f"{error} | {written.what}"
    wrong = differences(_owed(written, log), log.table)
    return (WRONG, f"{wrong} | {written.what}") if wrong else (what, "")


def _owed(written: Written, log) -> Written:
    """Return what was written less what no reader can know, where the log's own notes say so or nothing is there."""
    rows, celsius = len(log.table), written.celsius.copy()
    if any(CUT in note for note in log.notes):  # a last reading of fewer digits than all the others
        celsius[:, -1] = np.where(log.table.iloc[-1, 2:].isna(), np.nan, celsius[:, -1])
    if log.dialect.time_kind == "implied" and np.isnan(celsius[:, rows:]).all():
        # where only the order of lines tells the time, nothing tells a last blank line from the end
        return replace(written, elapsed=written.elapsed[:rows], celsius=celsius[:, :rows])
    return replace(written, celsius=celsius)


def run(count: int, first: int = 0, shown: int = 10) -> Counter[str]:
    """Try many files and print the first failures."""
    counts: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        for seed in range(first, first + count):
            what, words = tried(seed, path)
            counts[what] += 1
            if what not in (RIGHT, ASKED) and counts[what] <= shown:
                print(f"{what}: seed {seed}: {words}", flush=True)
    return counts
