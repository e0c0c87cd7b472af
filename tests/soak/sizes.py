"""Sizes a tester may bring: time and memory of each, in a process of its own.

    python -m tests.soak.sizes [SHARE]

A share of 1 tries the full sizes (a log of 2 GB among them); the suite tries 0.005 of them.
"""

import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

START = datetime(2026, 1, 1)
TIMES, PLUS = 3.0, 200 << 20
CHILD = """
import resource, sys, numpy, pandas, pyarrow.csv, pyarrow.compute
from kit.errors import KitError
from kit.readings import read_log, read_run
from kit.trial import open_run
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
try:
    found = read_run(open_run(sys.argv[1])).readings if sys.argv[2] == "run" else read_log(sys.argv[1]).table
    print(len(found), end=" ")
except KitError as error:
    print("error", str(error)[:200].replace(" ", "_"), end=" ")
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""


@dataclass(frozen=True)
class Size:
    """What came of one size; `mb` is how far the memory grew, `survived` that every row came within the bound."""

    name: str
    tried: str
    seconds: float
    mb: float
    survived: bool


def sizes(share: float = 1.0) -> Iterator[Size]:
    """Yield what came of each size, at a share of the full one."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        long = max(1000, int(60_000_000 * share))
        yield measured("long log", log(root / "long.csv", long, 1, 1.0), long)
        yield measured("100 probes", log(root / "wide.csv", max(200, int(86_400 * share)), 100, 1.0), None)
        yield measured("burn of 3 readings", run(root / "three", 1, 3, 60.0), 3)
        days = max(1000, int(3 * 864_000 * share))
        yield measured("burn of three days at 10 Hz", run(root / "days", 1, days, 0.1), days)
        burns = max(5, int(5000 * share))
        yield measured("many burns", run(root / "many", burns, 60, 60.0), burns * 60)


def log(path: Path, rows: int, probes: int, step: float, start: datetime = START) -> Path:
    """Write a log of so many rows, piece by piece."""
    at = np.datetime64(start, "ms")
    with path.open("w", encoding="utf-8") as file:
        file.write("Stamp," + ",".join(f"P{k + 1} (°C)" for k in range(probes)) + "\n")
        for first in range(0, rows, 100_000):
            place = np.arange(first, min(rows, first + 100_000))
            stamps = np.datetime_as_string(at + (place * step * 1000).astype("timedelta64[ms]")).tolist()
            cells = [f"{value:.1f}" for value in (200 + 100 * np.sin(place / (rows / 6 + 1))).tolist()]
            file.writelines(
                f"{stamp}{(',' + cell) * probes}\n" for stamp, cell in zip(stamps, cells, strict=True)
            )
    return path


def run(folder: Path, burns: int, rows: int, step: float) -> Path:
    """Write a run folder with a log a burn, one after another."""
    (folder / "logs").mkdir(parents=True)
    (folder / "trial.toml").write_text('[[fuel]]\nid = "oak"\n', encoding="utf-8")
    lines, length = ["burn,fuel,bag,log,lit,stopped"], timedelta(seconds=rows * step)
    for burn in range(burns):
        lit = START + burn * (length + timedelta(hours=1))
        log(folder / "logs" / f"b{burn:05d}.csv", rows, 1, step, lit)
        lines.append(
            f"b{burn:05d},oak,bag{burn % 50},b{burn:05d}.csv,{lit.isoformat()},{(lit + length).isoformat()}"
        )
    (folder / "burns.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def measured(name: str, path: Path, rows: int | None) -> Size:
    """Read a file or a run folder in a process of its own."""
    bytes_ = sum(file.stat().st_size for file in ([path] if path.is_file() else path.rglob("*.csv")))
    began = time.perf_counter()
    how = "log" if path.is_file() else "run"
    done = subprocess.run(
        [sys.executable, "-c", CHILD, str(path), how], capture_output=True, text=True, check=False
    )
    seconds, out = time.perf_counter() - began, done.stdout.split()
    path.unlink() if path.is_file() else None
    tried = f"{bytes_ / 2**20:.1f} MiB, " + (" ".join(out[:-1]) if out else done.stderr[-200:])
    grown = int(out[-1]) * 1024 if out else 0
    whole = bool(out) and out[0] != "error" and (rows is None or int(out[0]) == rows)
    return Size(name, tried, seconds, grown / 2**20, whole and grown <= TIMES * bytes_ + PLUS)


def main() -> int:
    """Print every size; exit 1 where one did not survive."""
    survived = True
    for size in sizes(float(sys.argv[1]) if len(sys.argv) > 1 else 1.0):
        survived &= size.survived
        print(
            f"{size.name:30} {size.tried:50} {size.seconds:8.1f} s {size.mb:8.0f} MB  "
            f"{'survived' if size.survived else 'FAILED'}",
            flush=True,
        )
    return int(not survived)


if __name__ == "__main__":
    sys.exit(main())
