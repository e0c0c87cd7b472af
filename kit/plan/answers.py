"""The tester's answers: what the trial file and the burn sheet say of fuels, margins, hours and money."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from kit.errors import Faults, KitError, Problem
from kit.plan.alternatives import Means
from kit.plan.power import Design
from kit.plan.spreads import ASSUMED_HINT, Spread, assumed, from_earlier
from kit.plan.timetable import Workday, workday_of
from kit.schema import Metric
from kit.trial import Trial, open_run
from kit.trial.earlier import lender_folders, newest_results
from kit.trial.trial_file import read_trial

BAGS, BURNS = 3, 2
SHEET = "burns.csv"


@dataclass(frozen=True)
class PlannedMetric:
    """A primary metric to plan for: its margin on the analysis scale and as written, and its spread."""

    metric: Metric
    margin: float
    written: str
    spread: Spread


def read_answers(folder: Path) -> tuple[Trial, pd.DataFrame, list[str]]:
    """Return the trial, the burns of the sheet (no rows where none is filled in), and notes.

    Raises
    ------
    KitError
        With every fault of trial.toml and burns.csv; where fewer than two fuels are named.
    """
    path = folder / "trial.toml"
    if not path.is_file():
        remedy = "`repeatburn start` makes a run folder."
        raise KitError(Problem("refuse", str(path), "no trial file", "a run folder with trial.toml", remedy))
    if is_empty(folder / SHEET):
        trial, notes = _trial_alone(path)
        sheet = pd.DataFrame(columns=["burn", "fuel", "bag", "day", "order"])
    else:
        run = open_run(folder)
        trial, sheet, notes = run.trial, run.burns, list(run.notes)
    if len(trial.fuels) < 2:
        found, remedy = f"{len(trial.fuels)} fuel(s)", "Write a table [[fuel]] for each."
        raise KitError(Problem("ask", "trial.toml, [[fuel]]", found, "two or more to compare", remedy))
    return trial, sheet, notes


def _trial_alone(path: Path) -> tuple[Trial, list[str]]:
    faults, notes = Faults(), list[str]()
    trial, _ = read_trial(path, faults, notes)
    faults.settle()
    assert trial is not None
    return trial, notes


def is_empty(sheet: Path) -> bool:
    """Return whether a burn sheet is not there, or holds headings alone."""
    if not sheet.is_file():
        return True
    lines = [line for line in sheet.read_bytes().splitlines() if line.strip(b" \t,;\xef\xbb\xbf\x00")]
    return len(lines) <= 1


def planned_metrics(
    folder: Path, trial: Trial, earlier: Sequence[str | Path], notes: list[str]
) -> tuple[PlannedMetric, ...]:
    """Return the primary metrics that have a margin and a spread to plan with; notes say which have not.

    Raises
    ------
    KitError
        Where none has both.
    """
    folders = list(earlier) or lender_folders(folder, trial.model.borrow_from)
    found = []
    for metric_id in trial.primary:
        metric, margin = trial.metric(metric_id), trial.margins.get(metric_id)
        spread = from_earlier(folders, metric) or assumed(metric)
        if margin is None:
            notes.append(f"No margin is declared for {metric.label}: nothing can be planned for it.")
        elif spread is None:
            notes.append(f"Nothing is known of the spread of {metric.label}: name an earlier run folder.")
        else:
            found.append(PlannedMetric(metric, margin.value, margin.written, spread))
    if not found:
        remedy = 'Write in [margins] the smallest difference that matters to a cook, as peak = "15 °C".'
        primary = ", ".join(trial.primary)
        raise KitError(
            Problem("ask", "trial.toml, [margins]", "none to plan for", f"one of {primary}", remedy)
        )
    if not all(each.spread.earlier for each in found):
        notes.append(ASSUMED_HINT)
    return tuple(found)


def planned_workday(folder: Path, trial: Trial, earlier: Sequence[str | Path]) -> Workday:
    """Return the day at the cooker: [plan]'s own, how long a burn takes else from the earlier folders' burns."""
    lasted: list[tuple[float, str]] = []
    for lender in list(earlier) or lender_folders(folder, trial.model.borrow_from):
        rows = pd.DataFrame(newest_results(lender, "burns").get("burns", []))
        if {"lit", "stopped"} <= set(rows.columns):
            clocks = [pd.to_timedelta(rows[name], errors="coerce") for name in ("lit", "stopped")]
            hours = ((clocks[1] - clocks[0]).dt.total_seconds() / 3600 % 24).dropna()
            if len(hours):
                lasted.append((math.ceil(4 * float(hours.quantile(0.9))) / 4, Path(lender).name))
    return workday_of(trial, *max(lasted, default=(None, "")))


def means_of(trial: Trial, workday: Workday) -> Means:
    """Return what there is to spend: the days' burns, else as many as the usual three bags burned twice take."""
    asked, fuels = trial.plan, len(trial.fuels)
    burns = (
        asked.days * workday.per_day if asked.days else fuels * (asked.bags or BAGS) * (asked.burns or BURNS)
    )
    prices = {fuel.id: math.nan if fuel.price is None else fuel.price for fuel in trial.fuels}
    return Means(burns, asked.budget, prices, workday)


def chosen_design(trial: Trial, options: pd.DataFrame, notes: list[str]) -> Design:
    """Return bags and burns: as answered, else the best that days and money allow; notes say where they do not."""
    fuels, asked = len(trial.fuels), trial.plan
    if asked.bags and asked.burns:
        return Design(fuels, asked.bags, asked.burns)
    fitting = options[
        (options["bags"] == (asked.bags or options["bags"]))
        & (options["burns"] == (asked.burns or options["burns"]))
    ]
    if fitting.empty:
        notes.append(
            "The days do not hold two bags of each fuel: this is the least that gives a verdict at all."
        )
        return Design(fuels, asked.bags or 2, asked.burns or 1)
    best = fitting.iloc[0]
    if not best["allowed"]:
        notes.append("No design keeps within the budget: fewer fuels, or more money.")
    return Design(fuels, int(best["bags"]), int(best["burns"]))


def design_of(sheet: pd.DataFrame) -> Design:
    """Return the design that a filled burn sheet comes nearest to."""
    fuels = sheet["fuel"].nunique()
    bags = max(1, round(sheet.groupby("fuel")["bag"].nunique().mean()))
    return Design(fuels, bags, max(1, round(len(sheet) / fuels / bags)))


def bag_cost(trial: Trial, order: pd.DataFrame, notes: list[str]) -> float | None:
    """Return what the bags of an order cost, and note where that is more than the budget."""
    bags = order.groupby("fuel")["bag"].nunique()
    prices = {fuel.id: fuel.price for fuel in trial.fuels}
    missing = [fuel for fuel in bags.index if prices.get(fuel) is None]
    if missing:
        notes.append(f"No price is given for {', '.join(missing)}: the cost of the bags is not known.")
        return None
    cost = float(sum((prices[fuel] or 0.0) * count for fuel, count in bags.items()))
    budget = trial.plan.budget
    if budget is not None and cost > budget:
        money = f"{cost:.0f} {trial.currency}".strip()
        notes.append(
            f"The bags cost {money}, more than the budget of {budget:g}: fewer fuels, or fewer bags."
        )
    return cost
