"""The simulation table of the methods text: python -m tests.simulate [--trials N] [--row TEXT] [--out FILE]."""

import argparse
import sys
import time
from collections.abc import Iterable
from pathlib import Path

import pandas as pd

from tests.simulate import history
from tests.simulate.cases import CASES
from tests.simulate.measures import measure

TABLE = Path(__file__).parents[1] / "reference" / "simulation_table.csv"
TRIALS = 10_000
SEASON_TRIALS = 1_000
SEED = 20_000


def simulated(trials: int, row: str = "", out: Iterable[Path] = ()) -> pd.DataFrame:
    """Return the table; each row has a seed of its own, so that it can be made alone. Written as it grows."""
    table = pd.DataFrame()
    for place, case in enumerate(CASES):
        if row in case.name:
            start = time.perf_counter()
            table = pd.concat([table, measure(case, trials, SEED + place)], ignore_index=True)
            print(f"{case.name}: {time.perf_counter() - start:.0f} s", file=sys.stderr, flush=True)
            for path in out:
                table.to_csv(path, index=False, float_format="%.5f")
    return table


def main() -> int:
    """Print the table, and write it where --out says; the committed one with --write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=TRIALS)
    parser.add_argument("--row", default="", help="only rows whose name holds this")
    parser.add_argument("--out", type=Path, help="write the table to this file")
    parser.add_argument("--write", action="store_true", help=f"write it to {TABLE.name}, the committed one")
    given = parser.parse_args()
    out = [path for path in (given.out, TABLE if given.write else None) if path is not None]
    print(simulated(given.trials, given.row, out).round(4).to_string(index=False))
    if not given.row:
        print(history.words(SEASON_TRIALS))
    return 0


if __name__ == "__main__":
    sys.exit(main())
