"""Where a plan takes its standard deviations from: an earlier run folder, or stated assumptions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from kit.plan.power import sds_of
from kit.schema import COMPONENTS, Metric
from kit.trial.earlier import newest_results

ASSUMED = {
    "log": {"bag": 0.05, "burn": 0.08, "day": 0.04},
    "plain": {"bag": 8.0, "burn": 11.0, "day": 5.0},
}
ASSUMED_OF = {
    "steadiness": {"bag": 0.08, "burn": 0.16, "day": 0.06},
    "mean_rate": {"bag": 0.06, "burn": 0.12, "day": 0.05},
    "ash": {"bag": 0.10, "burn": 0.08, "day": 0.02},
    "unburnt": {"bag": 0.10, "burn": 0.20, "day": 0.05},
    "time_to": {"bag": 0.08, "burn": 0.15, "day": 0.06},
}
"""Of metrics that spread more than a duration or a temperature does; relative, by metric."""
ASSUMED_WORDS = "assumed (the usual range of the trade, not measured by you): {list}"
ASSUMED_HINT = (
    "The spread is assumed. Name an earlier run folder in [model] borrow_from, and the plan is made from "
    "what was found there."
)
EARLIER_POWER = 0.5
"""An earlier folder's degrees of freedom count half: it was another season."""
ASSUMED_UNITS = ("°C", "K")


@dataclass(frozen=True)
class Spread:
    """Standard deviations to plan with.

    Attributes
    ----------
    sds
        bag, burn and day, on the analysis scale: upper 80 % limits where they come from an earlier trial.
    source
        In words, for the tester.
    earlier
        Folder they come from; '' where they are assumed.
    df
        Degrees of freedom by which the earlier folder knows them, at half weight; 0 where they are assumed.
    """

    sds: dict[str, float]
    source: str
    earlier: str = ""
    df: float = 0.0


def assumed(metric: Metric) -> Spread | None:
    """Return assumptions for a metric; None for one on the plain scale that is no temperature."""
    if metric.scale == "plain" and metric.unit not in ASSUMED_UNITS:
        return None
    sds = dict(ASSUMED_OF.get(metric.base, ASSUMED[metric.scale]))
    words = ", ".join(f"{name} {shown_sd(sd, metric)}" for name, sd in sds.items())
    return Spread(sds, ASSUMED_WORDS.format(list=words))


def shown_sd(sd: float, metric: Metric) -> str:
    """Return a standard deviation as a person reads it: '8 °C', or '5 %' on the log scale."""
    return f"{100 * sd:.0f} %" if metric.scale == "log" else f"{sd:.3g} {metric.unit}"


def from_earlier(folders: Sequence[str | Path], metric: Metric) -> Spread | None:
    """Return the upper 80 % limits that the newest report of these folders supports, None without any.

    Of several folders that know the metric the one with the largest burn SD counts.

    Raises
    ------
    KitError
        Where a folder has no report, or its results cannot be read.
    """
    found = []
    for folder in folders:
        table = components_of(folder)
        rows = table[table["metric"] == metric.id].dropna(subset=["sd"])
        if len(rows) and rows["component"].str.startswith("burn").any():
            words = f"upper 80 % limits of what {Path(folder).name} found"
            found.append(
                Spread(sds_of(rows, upper=True), words, str(folder), EARLIER_POWER * known_df(folder, metric))
            )
    return max(found, key=lambda spread: spread.sds["burn"], default=None)


def known_df(folder: str | Path, metric: Metric) -> float:
    """Return the degrees of freedom of a folder's least known mean of a metric; 0 where none is told."""
    rows = newest_results(folder, "means").get("means", [])
    known = [float(row["df"]) for row in rows if row.get("metric") == metric.id and row.get("df") is not None]
    return min((df for df in known if math.isfinite(df)), default=0.0)


def components_of(folder: str | Path) -> pd.DataFrame:
    """Return the components table of a folder's newest report that has one; columns of schema.COMPONENTS.

    Raises
    ------
    KitError
        Where there is no report, or one cannot be read.
    """
    rows = newest_results(folder, "components").get("components", [])
    table = pd.DataFrame(rows, columns=[column.name for column in COMPONENTS])
    numbers = ["sd", "low", "high", "level"]
    table[numbers] = table[numbers].apply(pd.to_numeric, errors="coerce")
    return table
