"""One loop over designs for every simulation of judgements: printed as it goes, and kept in one small table."""

import argparse
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

TABLE = Path(__file__).parents[1] / "reference" / "decisions_table.csv"
TRIALS = 2_000
LEFT_OUT = ("scene", "trials", "seed")

Row = dict[str, Any]


def run(
    kind: str,
    scenes: Sequence[Any],
    simulate: Callable[[Any, int, int], Row],
    outside: Callable[[Row], list[str]],
) -> int:
    """Simulate every scene, print a line each, keep them in the table where asked; 1 where a quantity misses."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=TRIALS)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--scene", default="", help="only scenes whose name holds this")
    parser.add_argument("--write", action="store_true", help=f"keep the rows in {TABLE.name}")
    given = parser.parse_args()
    missed = False
    for scene in (each for each in scenes if given.scene in each.name):
        began = time.perf_counter()
        row = simulate(scene, given.trials, given.seed)
        wrong = outside(row)
        missed |= bool(wrong)
        print(_line(row, time.perf_counter() - began, wrong), flush=True)
        if given.write:
            write(kind, row)
    return int(missed)


def _line(row: Row, seconds: float, wrong: Sequence[str]) -> str:
    told = "  ".join(f"{name} {value:.3f}" for name, value in row.items() if name not in LEFT_OUT)
    return f"{row['scene']:<46}{told}  ({seconds:.0f} s){'  MISSED: ' + ', '.join(wrong) if wrong else ''}"


def write(kind: str, row: Row, path: Path = TABLE) -> None:
    """Put the quantities of one scene into the table, in the place of those it had."""
    known = pd.read_csv(path) if path.exists() else pd.DataFrame(columns=["kind", "scene"])
    kept = known[(known["kind"] != kind) | (known["scene"] != row["scene"])]
    values = {name: float(value) for name, value in row.items() if name not in LEFT_OUT and value == value}
    trials = int(row["trials"])
    new = pd.DataFrame(
        [
            (kind, row["scene"], name, value, monte_carlo_error(value, trials), trials, int(row["seed"]))
            for name, value in values.items()
        ],
        columns=["kind", "scene", "quantity", "value", "mc_error", "trials", "seed"],
    )
    table = new if kept.empty else pd.concat([kept, new], ignore_index=True)
    table.to_csv(path, index=False, float_format="%.5f")


def spread_over(days: int, n: int) -> np.ndarray:
    """Return the day of each burn: equally many a day, in an order drawn once for all trials."""
    day_of = np.empty(n, dtype=np.int64)
    day_of[np.random.default_rng(7).permutation(n)] = np.arange(n) * days // n
    return day_of


def monte_carlo_error(share: float, trials: int) -> float:
    """Return the standard error of a share of trials; NaN of what is no share."""
    return float(np.sqrt(share * (1 - share) / trials)) if 0 <= share <= 1 else float("nan")
