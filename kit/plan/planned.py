"""From the tester's answers to a plan: design, what it can settle, order and calendar."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from kit.errors import KitError
from kit.plan.alternatives import alternatives, fuels_dropped
from kit.plan.answers import (
    PlannedMetric,
    bag_cost,
    chosen_design,
    design_of,
    means_of,
    planned_metrics,
    planned_workday,
    read_answers,
)
from kit.plan.choosing import Costs, cheapest_split, dropped, smallest_design, what_burns_settle
from kit.plan.order import run_order
from kit.plan.power import CHANCE_COLUMNS, Design, power_of
from kit.plan.timetable import Workday, timetable
from kit.trial import Plan, Trial, plan_of, read_plan

TOTALS = (12, 24, 36)
SPARE_EVERY = 4
RULES = (
    "Not lit in rain, or in a mean wind above 5 m/s (18 km/h, 11 mph): the burn moves to a spare day.",
    "A burn is left out only if fuel was added, a vent or probe was moved by mistake, or the log was lost.",
)


@dataclass(frozen=True, eq=False)
class Planned:
    """A plan with everything a tester decides by.

    Attributes
    ----------
    folder, trial, plan
        The run folder, its trial file, and the plan as written (or as it would be).
    order, calendar
        Burns in their order; days, clock times, cooling and weighing.
    design, workday
        Bags and burns; what a day at the cooker holds.
    alternatives, fewer
        Designs within the days and the money, the best first; the best for all fuels, and for fewer.
    metrics
        Primary metrics that can be planned for.
    chances
        Columns of `power_of` and 'metric', at no difference, at the margin and at twice the margin.
    settles
        What 12, 24, 36 burns and the plan's own number settle, for all fuels and for fewer; first metric.
    smallest, smallest_twice
        The smallest design that is enough for all fuels to see the margin, and twice the margin; None where
        there is no affordable one.
    split
        Cheapest number of burns a bag where a burn costs as much as a bag.
    cost
        What the bags cost, in the trial's currency; None where prices are missing.
    drop
        Which fuels to leave out first, should they be too many.
    notes
        What a tester should know, a sentence each.
    """

    folder: Path
    trial: Trial
    plan: Plan
    order: pd.DataFrame
    calendar: pd.DataFrame
    design: Design
    alternatives: pd.DataFrame
    fewer: pd.DataFrame
    workday: Workday
    metrics: tuple[PlannedMetric, ...]
    chances: pd.DataFrame
    settles: pd.DataFrame
    smallest: Design | None
    smallest_twice: Design | None
    split: float
    cost: float | None
    drop: tuple[str, ...]
    notes: tuple[str, ...]


def make_plan(
    run_folder: str | Path,
    earlier: Sequence[str | Path] = (),
    today: date | str | None = None,
    first_day: date | str | None = None,
) -> Planned:
    """Work out a plan from a run folder's trial file, and write nothing.

    Parameters
    ----------
    run_folder
        With trial.toml; the order is drawn unless burns.csv holds rows already.
    earlier
        Run folders with a report to take the spread from; by default those of [model] borrow_from.
    today, first_day
        When the plan is written, and the first day of burning: by default today and the day after.

    Raises
    ------
    KitError
        With every fault of the trial file and the burn sheet; where fewer than two fuels are named, or no
        primary metric has a margin.
    """
    folder = Path(run_folder).absolute()
    trial, sheet, notes = read_answers(folder)
    written = _day(today) or date.today()
    workday = planned_workday(folder, trial, earlier)
    metrics = planned_metrics(folder, trial, earlier, notes)
    first, fuels, level = metrics[0], len(trial.fuels), level_of(trial)
    family = family_of(trial)
    split = cheapest_split(first.spread.sds, Costs(1.0, 1.0))
    about = {"multiplicity": family, "level": level, "earlier_df": first.spread.df}
    means = means_of(trial, workday)
    sds = dict(first.spread.sds)
    if workday.per_day == 1:  # days and burns are one then
        sds = {**sds, "burn": math.hypot(sds["burn"], sds["day"]), "day": 0.0}
    options = alternatives(fuels, sds, first.margin, means, about)
    if len(sheet):
        order, design = _as_sheet(folder, sheet, notes), design_of(sheet)
    else:
        design = chosen_design(trial, options, notes)
        first_burn = _day(first_day) or trial.plan.first_day or written + timedelta(days=1)
        order = _draw(trial, design, workday, first_burn, notes)
    if design.bags == 1:
        notes.append(
            "One bag of each fuel: verdicts will be for these bags alone, and say nothing of the next. Buy two or more."
        )
    spare = order.attrs.get("spare_days", [])
    seed = order.attrs.get("seed")
    totals = sorted({*TOTALS, len(order)})
    return Planned(
        folder=folder,
        trial=trial,
        plan=plan_of(trial, order, written, seed, spare_days=spare, exclusions=RULES),
        order=order,
        calendar=timetable(order, spare, workday),
        design=design,
        alternatives=options,
        fewer=fuels_dropped([fuel.id for fuel in trial.fuels], sds, first.margin, means, about),
        workday=workday,
        metrics=metrics,
        chances=_chances(trial, order, metrics, notes),
        settles=what_burns_settle(totals, fuels, first.spread.sds, first.margin, design.burns, family, level),
        smallest=smallest_design(fuels, first.spread.sds, first.margin, multiplicity=family, level=level),
        smallest_twice=smallest_design(
            fuels, first.spread.sds, first.margin, 2.0, multiplicity=family, level=level
        ),
        split=split,
        cost=bag_cost(trial, order, notes),
        drop=tuple(dropped([fuel.id for fuel in trial.fuels], 2, trial.control_fuel)),
        notes=tuple(notes),
    )


def family_of(trial: Trial) -> str:
    """Return the family of comparisons of the report: against the control fuel, or every pair."""
    return "dunnett" if trial.control_fuel else "tukey"


def level_of(trial: Trial) -> float:
    """Return the confidence of each look: planned stages share out α (DEVELOPERS.md, method 6)."""
    from kit.judge.judging import planned_level

    return planned_level(trial)


def _day(day: date | str | None) -> date | None:
    return date.fromisoformat(day) if isinstance(day, str) else day


def _as_sheet(folder: Path, sheet: pd.DataFrame, notes: list[str]) -> pd.DataFrame:
    notes.append("The order is that of burns.csv; empty its rows to have a new one drawn from the seed.")
    done = int((sheet["state"] != "planned").sum()) if "state" in sheet else 0
    if done:
        notes.append(
            f"{done} of the burns are done already: this plan was not written before the first burn."
        )
    order = sheet.drop(columns=[c for c in ("state",) if c in sheet]).reset_index(drop=True)
    earlier = read_plan(folder)
    if earlier is not None:
        order.attrs.update(spare_days=list(earlier.spare_days), seed=earlier.seed)
    return order


def _draw(trial: Trial, design: Design, workday: Workday, first_day: date, notes: list[str]) -> pd.DataFrame:
    fuels, seed = [fuel.id for fuel in trial.fuels], trial.plan.seed or 1
    days = trial.plan.days

    def drawn(control: str | None) -> pd.DataFrame:
        return run_order(
            fuels, design.bags, design.burns, workday.per_day, seed, control, first_day,
            workday.weekdays, SPARE_EVERY, workday.cookers,
        )  # fmt: skip

    order = drawn(None)
    if trial.control_fuel in fuels and 1 < workday.per_day < len(fuels):
        daily = drawn(trial.control_fuel)
        if days is None or daily["day"].nunique() <= days:
            order = daily
        else:
            notes.append(
                f"The control fuel does not burn on every day: that would take {daily['day'].nunique()} "
                "days. Fuels are linked through the days they share."
            )
    needed = order["day"].nunique()
    if days is not None and needed > days:
        notes.append(f"The burns need {needed} days of {workday.per_day}; [plan] days says {days}.")
    _set_up(trial, order, notes)
    if workday.per_day == 1:
        notes.append("One burn a day: differences between days are part of those between burns.")
    if workday.overruns:
        day = workday.latest_h - workday.earliest_h
        notes.append(
            f"A burn of {workday.burn_h:g} h does not end within a day of {day:g} h: begin earlier, or end later."
        )
    return order


def _set_up(trial: Trial, order: pd.DataFrame, notes: list[str]) -> None:
    """Plan the one setting there is; several are a choice of the tester's."""
    if len(trial.settings) == 1:
        order["setting"] = trial.settings[0].id
    elif len(trial.settings) > 1:
        notes.append(
            "The plan is for one of the settings: they are never pooled, so each takes as many burns. Write which into "
            "burns.csv, and plan again."
        )


def _chances(
    trial: Trial, order: pd.DataFrame, metrics: Sequence[PlannedMetric], notes: list[str]
) -> pd.DataFrame:
    parts = []
    about: dict[str, Any] = {
        "multiplicity": family_of(trial),
        "level": level_of(trial),
        "control": trial.control_fuel,
    }
    for each in metrics:
        about["earlier_df"] = each.spread.df
        at = [0.0, each.margin, 2 * each.margin]
        try:
            power = power_of(order, each.spread.sds, at, each.margin, **about)
        except KitError as error:
            notes.append(f"These burns settle nothing: {error.problems[0].found}.")
            break
        parts.append(power.assign(metric=each.metric.id))
    columns = ["metric", *CHANCE_COLUMNS]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)
