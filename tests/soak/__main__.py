"""Faults, odd places and sizes, as one table: python -m tests.soak [SHARE] [--only WORD] [--write]."""

from __future__ import annotations

import argparse
import csv
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.soak import faults, places
from tests.soak.bench import Row, prepared
from tests.soak.sizes import sizes

TABLE = Path(__file__).parents[1] / "reference" / "soak_table.csv"
HEADINGS = ("kind", "tried", "faults", "survived", "seconds")


def main() -> int:
    """Print every row as it comes; exit 1 where a fault was not survived."""
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=__doc__)
    parser.add_argument("share", nargs="?", type=float, default=1.0, help="so much of the full run")
    parser.add_argument("--only", nargs="+", default=[], help="only these commands")
    parser.add_argument("--write", action="store_true", help=f"keep the table in {TABLE.name}")
    given = parser.parse_args()
    made = []
    for row in rows(given.share, given.only):
        made.append(row)
        print(line(row), flush=True)
        if given.write:
            write(made)
    print(f"{sum(row.faults for row in made)} faults, {sum(row.survived for row in made)} survived")
    return int(any(row.survived < row.faults for row in made))


def rows(share: float, only: list[str]) -> Iterator[Row]:
    """Yield every row: what befalls the machine, odd places, sizes."""
    with tempfile.TemporaryDirectory(prefix="soak-", ignore_cleanup_errors=True) as folder:
        bench = prepared(Path(folder), share, only or faults.COMMANDS)
        yield from faults.rows(bench)
        yield from places.rows(bench)
    if not only:
        for size in sizes(share):
            yield Row("size", f"{size.name}: {size.tried}", 1, int(size.survived), size.seconds)


def line(row: Row) -> str:
    lost = "" if row.survived == row.faults else f"  FAILED: {row.note}"
    return f"{row.kind:14} {row.tried:64} {row.faults:5} {row.survived:5} {row.seconds:8.1f} s{lost}"


def write(made: list[Row]) -> None:
    with TABLE.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(HEADINGS)
        writer.writerows((r.kind, r.tried, r.faults, r.survived, f"{r.seconds:.1f}") for r in made)


if __name__ == "__main__":
    sys.exit(main())
