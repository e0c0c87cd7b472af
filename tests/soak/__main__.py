"""Faults, odd places and sizes, as one table: python -m tests.soak [SHARE] [--only …] [--kinds …] [--write]."""

from __future__ import annotations

import argparse
import csv
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from tests.soak import faults, places, strangers
from tests.soak.bench import Row, prepared, tried
from tests.soak.sizes import sizes

TABLE = Path(__file__).parents[1] / "reference" / "soak_table.csv"
SIZE = "size"
HEADINGS = ("kind", "tried", "faults", "survived", "seconds")


def main() -> int:
    """Print every row as it comes; exit 1 where a fault was not survived."""
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=__doc__)
    parser.add_argument("share", nargs="?", type=float, default=1.0, help="so much of the full run")
    parser.add_argument("--only", nargs="+", default=faults.COMMANDS, help="only these commands")
    parser.add_argument("--kinds", nargs="+", default=[], help="only these kinds of fault")
    parser.add_argument("--write", action="store_true", help=f"put the rows into {TABLE.name}")
    given = parser.parse_args()
    made = []
    for row in rows(given.share, given.only, given.kinds):
        made.append(row)
        print(line(row), flush=True)
        if given.write:
            write(row)
    print(f"{sum(row.faults for row in made)} faults, {sum(row.survived for row in made)} survived")
    return int(any(row.survived < row.faults for row in made))


def rows(share: float, only: Sequence[str], kinds: Sequence[str]) -> Iterator[Row]:
    """Yield every row: what befalls the machine, odd places, what strangers send, sizes."""
    if [*kinds] != [SIZE]:
        with tempfile.TemporaryDirectory(prefix="soak-", ignore_cleanup_errors=True) as folder:
            bench = prepared(Path(folder), share, only)
            for attempt in (*faults.rows(bench), *places.rows(bench), *strangers.rows(bench)):
                if not kinds or attempt.kind in kinds:
                    yield tried(attempt)
    if SIZE in kinds or (not kinds and only == faults.COMMANDS):
        for size in sizes(share):
            yield Row(SIZE, f"{size.name}: {size.tried}", 1, int(size.survived), size.seconds)


def line(row: Row) -> str:
    lost = "" if row.survived == row.faults else f"  FAILED: {row.note}"
    return f"{row.kind:14} {row.tried:64} {row.faults:5} {row.survived:5} {row.seconds:8.1f} s{lost}"


def write(row: Row) -> None:
    """Put a row into the table, in the place of an earlier one of what was tried."""
    kept = {}
    if TABLE.is_file():
        with TABLE.open(encoding="utf-8", newline="") as file:
            kept = {(cells[0], cells[1].split(":")[0]): cells for cells in [*csv.reader(file)][1:]}
    cells = [row.kind, row.tried, str(row.faults), str(row.survived), f"{row.seconds:.1f}"]
    kept[row.kind, row.tried.split(":")[0]] = cells
    with TABLE.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([HEADINGS, *kept.values()])


if __name__ == "__main__":
    sys.exit(main())
