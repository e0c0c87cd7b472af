"""Repeatability borrowed from earlier run folders, for a trial in which nothing was repeated."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from kit.errors import Faults
from kit.trial import Run, Trial
from kit.trial.earlier import lender_folders, newest_results

SAME = ("time_zero", "cookers", "measuring", "charge", "probe")
"""What must be alike before a spread is carried from one trial to another."""


@dataclass(frozen=True)
class Lender:
    """One earlier trial: the folder's name and its newest results."""

    name: str
    results: Mapping[str, Any]


def lenders_of(run: Run) -> tuple[Lender, ...]:
    """Return the earlier trials that the trial file borrows from.

    Raises
    ------
    KitError
        Where one has no report, or measured in another way, with every difference.
    """
    faults = Faults()
    lenders = []
    for folder in lender_folders(run.folder, run.trial.model.borrow_from):
        results = newest_results(folder, "components")
        _refuse_differences(folder.name, results.get("trial", {}), run.trial, faults)
        lenders.append(Lender(folder.resolve().name, results))
    faults.settle()
    return tuple(lenders)


def _refuse_differences(name: str, theirs: Mapping[str, Any], ours: Trial, faults: Faults) -> None:
    for key in SAME:
        then, now = theirs.get(key), _plain(getattr(ours, key))
        if key == "charge":
            then, now = ((each or {}).get("grams") for each in (then, now))
        if then != now:
            remedy = (
                "Take the folder out of [model] borrow_from: spreads measured differently are not pooled."
            )
            faults.refuse(f"{name}: {key}", repr(then), f"{now!r}, as in this trial", remedy)


def _plain(value: Any) -> Any:
    if hasattr(value, "model_dump"):
        return value.model_dump()
    return list(value) if isinstance(value, tuple) else value


def borrowed_spread(lenders: Sequence[Lender], metric_id: str) -> tuple[float, float] | None:
    """Return the pooled SD of one burn from a new bag, and its degrees of freedom, or None.

    Of each trial the variances of bags, days and burns are added, on the degrees of freedom of its prediction
    for the next bag; trials are pooled by those.
    """
    parts = [part for lender in lenders if (part := _of_one(lender.results, metric_id)) is not None]
    freedom = sum(df for _, df in parts)
    if not freedom:
        return None
    return math.sqrt(sum(variance * df for variance, df in parts) / freedom), freedom


def _of_one(results: Mapping[str, Any], metric_id: str) -> tuple[float, float] | None:
    sds = [
        row["sd"]
        for row in results.get("components", ())
        if row["metric"] == metric_id and row["component"] in ("bag", "day", "burn") and row["sd"] is not None
    ]
    dfs = [
        row["df"]
        for row in results.get("next_bag", ())
        if row["metric"] == metric_id and row["df"] is not None
    ]
    return (sum(sd * sd for sd in sds), min(dfs)) if sds and dfs else None


def borrowed_words(run: Run) -> tuple[str, ...]:
    """Return what was borrowed and from where, where this trial repeated nothing; else nothing."""
    lenders = lenders_of(run)
    if not lenders or run.in_state("done")["fuel"].duplicated().any():
        return ()
    spreads = {metric_id: borrowed_spread(lenders, metric_id) for metric_id in run.trial.primary}
    known = "; ".join(_spread_words(run.trial, name, *found) for name, found in spreads.items() if found)
    names = ", ".join(lender.name for lender in lenders)
    return (
        f"Nothing here was repeated: every error bar rests on how far burns of new bags lay apart in earlier trials "
        f"that measured in the same way ({names}): {known}. These burns themselves say nothing of it.",
    )


def _spread_words(trial: Trial, metric_id: str, sd: float, df: float) -> str:
    spec = trial.metric(metric_id)
    size = f"{100 * sd:.1f} %" if spec.scale == "log" else f"{sd:.1f} {spec.unit}"
    return f"{spec.label}, standard deviation {size} on {df:.0f} degrees of freedom"
