"""Time a history over 1,000 and 10,000 burns from results already made; prints seconds, memory and how time grows.

    python tests/bench/bench_history.py [--results results.json]

Every season is a copy of one report's results with values of its own: bags, days and burns drawn anew.  Where no
report is given, the demo's is made first.  Each size is timed in a process of its own, by
processor time, so that a busy machine changes it little.
"""

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
SIZES = {"1,000 burns": 28, "10,000 burns": 278}
SECONDS, GIGABYTES = 10.0, 1.0


def seasons(folder, source, number):
    """Write run folders that hold only a report's results, and return them."""
    from kit.publish.plain import canonical

    known = json.loads(Path(source).read_text("utf-8"))
    made = []
    for k in range(number):
        rng = np.random.default_rng(k)
        year, half = divmod(k, 6)
        results = {
            **known,
            "metrics": [moved(row, 1800 + year, 2 * half + 1, rng) for row in known["metrics"]],
        }
        target = folder / f"season-{k:03d}" / "reports" / "2026-05-14-standard" / "results.json"
        target.parent.mkdir(parents=True)
        target.write_text(canonical(results), "utf-8")
        made.append(folder / f"season-{k:03d}")
    return made


def moved(row, year, month, rng):
    day = f"{year}-{month:02d}{row['day'][7:]}"
    value = row["value"] if row["value"] is None else row["value"] * float(np.exp(rng.normal(0, 0.05)))
    return {**row, "day": day, "value": value}


def timed(folder):
    """Make the history's numbers and page sections of every season below a folder, and print what it took."""
    from kit.history import history_of, newest_reports, open_seasons
    from kit.publish import history_report as pages
    from kit.publish.history_report import tables_of

    begun, worked = time.perf_counter(), time.process_time()
    history = history_of(open_seasons(newest_reports(sorted(Path(folder).iterdir()))))
    tables = tables_of(history)
    topics = (
        *(pages.answer, pages.control, pages.drift, pages.repeatability, pages.again, pages.fuels),
        pages.differently,
    )
    sections = [topic(history) for topic in topics]
    seconds, wall = time.process_time() - worked, time.perf_counter() - begun
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    burns = int(tables["seasons"]["burns"].sum())
    found = {"burns": burns, "seconds": seconds, "wall": wall, "gigabytes": memory, "sections": len(sections)}
    print(json.dumps(found))


def demo_results(folder):
    from kit.publish import make_report
    from kit.start import start_run

    return make_report(start_run(folder / "demo", demo=True).folder).parent / "results.json"


def measured(source, scratch):
    found = {}
    for name, number in SIZES.items():
        folder = scratch / f"runs-{number}"
        seasons(folder, source, number)
        command = [sys.executable, __file__, "--time", str(folder)]
        said = subprocess.run(command, capture_output=True, text=True, check=True, cwd=ROOT).stdout
        found[name] = json.loads(said)
    return found


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--results", type=Path, help="results.json to copy; the demo's by default")
    parser.add_argument("--time", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.time:
        timed(given.time)
        return 0
    with tempfile.TemporaryDirectory() as scratch:
        found = measured(given.results or demo_results(Path(scratch)), Path(scratch))
    small, large = found.values()
    for name, each in found.items():
        spent = f"{each['seconds']:.2f} s of processor time, {each['wall']:.2f} s by the clock"
        print(f"{name} ({each['burns']}): {spent}, {each['gigabytes']:.2f} GB")
    growth = large["seconds"] / small["seconds"] / (large["burns"] / small["burns"])
    print(f"time grew {growth:.2f} times as fast as the number of burns (1: linear)")
    return 0 if large["seconds"] < SECONDS and large["gigabytes"] < GIGABYTES and growth <= 1.1 else 1


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    sys.exit(main())
