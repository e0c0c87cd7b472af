"""Tables of burns and whole run folders for the tests of judgements."""

import numpy as np
import pandas as pd

from kit.judge.question import counted_burns
from kit.judge.verdicts import verdicts_of
from tests.burns.helpers import run_of, sheet


def burns_table(fuels=4, bags=3, burns=3, bag_sd=0.5, burn_sd=1.0, step=1.0, seed=1, days=False):
    """A table of repeats on the plain scale; every fuel a step above the one before it."""
    rng = np.random.default_rng(seed)
    rows = [(f, b, i) for f in range(fuels) for b in range(bags) for i in range(burns)]
    fuel, bag = np.array([row[0] for row in rows]), np.array([row[0] * bags + row[1] for row in rows])
    value = 20 + step * fuel + bag_sd * rng.standard_normal(fuels * bags)[bag]
    return pd.DataFrame(
        {
            "burn": [f"{n:03}" for n in range(len(rows))],
            "fuel": [f"fuel {f}" for f in fuel],
            "bag": [f"bag {b}" for b in bag],
            "day": [f"2026-05-{1 + n % 12:02}" if days else "" for n in range(len(rows))],
            "value": value + burn_sd * rng.standard_normal(len(rows)),
            "status": "exact",
        }
    )


def verdict_of(low, high, margin=None, equivalence=None, apart=False):
    """The verdict on one difference and its direction; both intervals are the same where one is given."""
    D, E = np.array([[low, high], equivalence or (low, high)])
    found = verdicts_of(D, E, None if margin is None or np.isnan(margin) else margin, apart)
    return tuple(each.item() for each in found)


def counted_of(values, metric, trial, status=None, **columns):
    """One metric of burns as `judge` takes it: the counted burns and their run."""
    n = len(values)
    table = sheet(burn=[f"{k}" for k in range(n)], day="2026-05-01", **columns)
    run = run_of(table, **trial)
    metrics = table[["burn", "fuel", "bag", "day"]].assign(
        metric=metric, value=values, unit="min", u=0.0, status=status or ["exact"] * n, n_used=10, n_flagged=0
    )
    return counted_burns(metrics, run), run
