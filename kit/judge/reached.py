"""The share of burns that reached a temperature, with its exact interval."""

from __future__ import annotations

import pandas as pd
from scipy import special

from kit import schema
from kit.judge.counted import Counted

COLUMNS = [column.name for column in schema.REACHED]
REACHED = ("exact", "at most")


def share_reached(counted: Counted, level: float = 0.95) -> pd.DataFrame:
    """Return for each threshold and fuel how many burns reached it (schema.REACHED).

    A burn whose log ends before the threshold is reached tells nothing of it and is left out.

    Parameters
    ----------
    counted
        The burns that count; those compared with one another are counted here.
    level
        Confidence.

    Notes
    -----
    Clopper & Pearson (1934): of n burns k reached it; low = B(α/2; k, n − k + 1), high = B(1 − α/2; k + 1, n − k).
    """
    names = [name for name in dict.fromkeys(counted.metrics["metric"]) if name.startswith("time_to:")]
    records = [
        (metric, fuel, *_share(rows["status"], level), level)
        for metric in names
        for fuel, rows in _told(counted.compared(metric)).groupby("fuel", sort=False)
    ]
    return pd.DataFrame(records, columns=COLUMNS)


def _told(rows: pd.DataFrame) -> pd.DataFrame:
    return rows[rows["status"].isin([*REACHED, "never"])]


def _share(status: pd.Series, level: float) -> tuple[int, int, float, float, float]:
    n, k = len(status), int(status.isin(REACHED).sum())
    tail = (1 - level) / 2
    low = float(special.betaincinv(k, n - k + 1, tail)) if k else 0.0
    high = float(special.betaincinv(k + 1, n - k, 1 - tail)) if k < n else 1.0
    return k, n, k / n, low, high
