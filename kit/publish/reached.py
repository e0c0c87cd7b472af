"""The share of burns that reached a temperature, with its exact interval."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kit.publish.facts import Facts

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = ("metric", "fuel", "reached", "burns", "share", "low", "high")


def reached_table(facts: Facts) -> pd.DataFrame:
    """Return for each threshold that some burn never reached, fuel by fuel, the share that did.

    Clopper and Pearson (1934): low = B(α/2; k, n−k+1), high = B(1−α/2; k+1, n−k).
    """
    import pandas as pd

    rows = facts.table("metrics")
    rows = rows[rows["metric"].str.startswith("time_to:") & (rows["status"] != "missing")]
    some = rows.loc[rows["status"] == "never", "metric"].unique()
    made = [
        (metric, fuel, *_share(own, facts.level))
        for metric in some
        for fuel, own in rows[rows["metric"] == metric].groupby("fuel", sort=False)
    ]
    return pd.DataFrame(made, columns=list(COLUMNS))


def _share(rows: pd.DataFrame, level: float) -> tuple[int, int, float, float, float]:
    from scipy.stats import beta

    n, k = len(rows), int((rows["status"] != "never").sum())
    tail = (1 - level) / 2
    low = float(beta.ppf(tail, k, n - k + 1)) if k else 0.0
    high = float(beta.ppf(1 - tail, k + 1, n - k)) if k < n else 1.0
    return k, n, k / n, low, high
