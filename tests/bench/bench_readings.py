"""Time the log reader against a bare CSV parse and against pandas on the same bytes, in one run.

    python tests/bench/bench_readings.py [FOLDER OF REAL RUN FOLDERS]    or    make bench REAL=FOLDER

A day at 1 Hz with eight probes (6 MB), with ISO stamps and with month-first stamps of two-digit years and
AM/PM. Figures are processor times of this process, the least of several repeats, and wall times beside them. A
folder that holds shrub-burns adds its 61 burns, read and cut.
"""

import os
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from kit.readings import read_log, read_run
from kit.trial import open_run

ROWS, PROBES = 86_400, 8
BARE_TIMES, BARE_PLUS_MS = 3.0, 40.0
PANDAS_TIMES = 15.0
REAL_S = 1.5
MEMORY_TIMES, MEMORY_PLUS = 3.0, 200 << 20


def day(folder, name, time_format):
    """Write a day's log and return its path."""
    rng = np.random.default_rng(1)
    values = np.round(200 + rng.normal(0, 1, (ROWS, PROBES)).cumsum(0) * 0.1, 1)
    table = pd.DataFrame(values, columns=[f"Probe {k + 1} (°C)" for k in range(PROBES)])
    table.insert(0, "Stamp", pd.date_range("2026-04-28", periods=ROWS, freq="s").strftime(time_format))
    path = Path(folder) / name
    table.to_csv(path, index=False)
    return path


def timed(call, repeats=7):
    """Return the least processor time and wall time of a call, in ms."""
    call()
    taken = []
    for _ in range(repeats):
        cpu, wall = time.process_time(), time.perf_counter()
        call()
        taken.append((time.process_time() - cpu, time.perf_counter() - wall))
    return min(cpu for cpu, _ in taken) * 1e3, min(wall for _, wall in taken) * 1e3


def guessed(path):
    """What a person writes without a kit: read_csv, then to_datetime with a guessed format."""
    table = pd.read_csv(path)
    table["Stamp"] = pd.to_datetime(table["Stamp"])
    return table


def shown(what, ours, other, limit, within):
    print(
        f"{what:58} {ours[0]:8.1f} ms cpu {ours[1]:8.1f} ms wall | {other:8.1f} ms | {limit:22} | "
        f"{'within' if within else 'BEYOND'}"
    )


def main():
    from pyarrow import csv

    print(f"{'reading a day at 1 Hz, 8 probes':58} {'kit':>38} | {'yardstick':>11} | limit")
    with tempfile.TemporaryDirectory() as folder:
        iso = day(folder, "iso.csv", "%Y-%m-%dT%H:%M:%S")
        month_first = day(folder, "month_first.csv", "%m/%d/%y %I:%M:%S %p")
        bare = timed(lambda: csv.read_csv(iso))
        ours = timed(lambda: read_log(iso))
        within = (
            ours[0] <= BARE_TIMES * bare[0] + BARE_PLUS_MS or ours[1] <= BARE_TIMES * bare[1] + BARE_PLUS_MS
        )
        shown("ISO stamps, against pyarrow's bare parse", ours, bare[1], "3 x bare + 40 ms", within)
        by_pandas = timed(lambda: guessed(month_first), 1)
        ours = timed(lambda: read_log(month_first))
        shown(
            "month first, two-digit year, AM/PM, against pandas", ours, by_pandas[1],
            f"{by_pandas[0] / ours[0]:.0f} times, not < 15", by_pandas[0] >= PANDAS_TIMES * ours[0],
        )  # fmt: skip
        memory(iso)
    for real in map(Path, sys.argv[1:] or filter(None, [os.environ.get("REAL")])):
        run = open_run(real / "shrub-burns")
        ours = timed(partial(read_run, run), 3)
        shown(
            "61 burns of shrub-burns (14 MB), read and cut",
            ours,
            float("nan"),
            "1,500 ms",
            min(ours) <= REAL_S * 1e3,
        )


def memory(path):
    """Print how far the memory of a process grows that reads a log of 40 such days, against 3 x the file + 200 MB."""
    with tempfile.TemporaryDirectory() as folder:
        long = Path(folder) / "long.csv"
        head, _, body = path.read_bytes().partition(b"\n")
        with long.open("wb") as file:
            file.write(head + b"\n")
            for place in range(40):
                file.write(
                    body.replace(b"2026-04-28", f"2026-{place // 28 + 4:02d}-{place % 28 + 1:02d}".encode())
                )
        size = long.stat().st_size
        code = (
            "import resource,sys,numpy,pandas,pyarrow.csv,pyarrow.compute\n"
            "from kit.readings import read_log\n"
            "before=resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
            "log=read_log(sys.argv[1]);print(len(log.table))\n"
            "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss-before)"
        )
        began = time.perf_counter()
        out = subprocess.run(
            [sys.executable, "-c", code, str(long)], capture_output=True, text=True, check=True
        ).stdout.split()
        grown = int(out[1]) * 1024
        limit = MEMORY_TIMES * size + MEMORY_PLUS
        print(
            f"{size / 2**20:.0f} MiB, {int(out[0]):,} rows: memory grew by {grown / 2**20:.0f} MiB "
            f"(limit {limit / 2**20:.0f}) in {time.perf_counter() - began:.1f} s: "
            f"{'within' if grown <= limit else 'BEYOND'}"
        )


if __name__ == "__main__":
    main()
