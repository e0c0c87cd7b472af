"""Where a plan takes its standard deviations from: an earlier run folder, or stated assumptions."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from kit.errors import KitError, Problem
from kit.plan.power import sds_of
from kit.schema import COMPONENTS, RESULTS_SCHEMA, Metric

ASSUMED = {
    "log": {"bag": 0.05, "burn": 0.08, "day": 0.04},
    "plain": {"bag": 8.0, "burn": 11.0, "day": 5.0},
}
ASSUMED_WORDS = "assumed, from nothing but the trade's experience that burns differ by 3 to 10 %: {list}"
ASSUMED_HINT = (
    "The spread is assumed. Name an earlier run folder in [model] borrow_from, and the plan is made from "
    "what was found there."
)
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
    """

    sds: dict[str, float]
    source: str
    earlier: str = ""


def assumed(metric: Metric) -> Spread | None:
    """Return assumptions for a metric; None for one on the plain scale that is no temperature."""
    if metric.scale == "plain" and metric.unit not in ASSUMED_UNITS:
        return None
    sds = dict(ASSUMED[metric.scale])
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
            found.append(Spread(sds_of(rows, upper=True), words, str(folder)))
    return max(found, key=lambda spread: spread.sds["burn"], default=None)


def components_of(folder: str | Path) -> pd.DataFrame:
    """Return the components table of a folder's newest report that has one; columns of schema.COMPONENTS.

    Raises
    ------
    KitError
        Where there is no report, or one cannot be read.
    """
    table = pd.DataFrame(columns=[column.name for column in COMPONENTS])
    for path in reports_of(folder):
        table = _read_components(path)
        if len(table):
            break
    numbers = ["sd", "low", "high", "level"]
    table[numbers] = table[numbers].apply(pd.to_numeric, errors="coerce")
    return table


def _read_components(path: Path) -> pd.DataFrame:
    try:
        results = json.loads(path.read_text(encoding="utf-8"))
        if results.get("schema") != RESULTS_SCHEMA:
            raise ValueError(str(results.get("schema")))
        return pd.DataFrame(results["components"], columns=[column.name for column in COMPONENTS])
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise KitError(
            Problem("refuse", str(path), f"results that cannot be read ({error})", RESULTS_SCHEMA,
                    "Make that folder's report again.")
        ) from error  # fmt: skip


def reports_of(folder: str | Path) -> list[Path]:
    """Return the results.json of each report of a run folder, newest first.

    Raises
    ------
    KitError
        Where there is no report.
    """
    found = [path for path in Path(folder).glob("reports/*/results.json") if path.parent.name[:1] != "."]
    if not found:
        raise KitError(
            Problem("refuse", str(folder), "no report with results.json", "a run folder that has one",
                    "Run `repeatburn report` on it first.")
        )  # fmt: skip
    return sorted(found, key=lambda path: _age(path.parent.name), reverse=True)


def _age(name: str) -> tuple[str, str, int]:
    """Order '2026-05-14-standard-10' after '-2', and both after the first of the day."""
    day, rest = name[:10], name[11:]
    stem, _, number = rest.rpartition("-")
    return (day, stem, int(number)) if number.isdigit() else (day, rest, 1)
