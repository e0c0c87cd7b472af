"""From the tester's answers to a plan (design, what it can settle, order, calendar), and into the run folder."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from kit.burns.logged_burns import bag_prices
from kit.errors import Faults, KitError, Problem, disk_faults, refuse_way_out
from kit.plan.answers import SHEET, Goal, is_empty, read_answers
from kit.plan.designs import (
    DESIGN_COLUMNS,
    Allowance,
    cheapest_split,
    designs,
    fuels_kept,
    option,
    smallest_design,
    what_burns_settle,
)
from kit.plan.power import CHANCE_COLUMNS, Design
from kit.plan.schedule import Workday, as_date, run_order, timetable
from kit.plan.sheets import Sheets, own_columns, plan_pages
from kit.runtime.atomic_write import sweep_drafts, write_atomically
from kit.schema import BURNS as BURN_SHEET
from kit.trial import Plan, Trial, plan_of, read_plan, write_plan

TOTALS = (12, 24, 36)
BAGS, BURNS = 3, 2
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
    alternatives
        Designs for all the fuels (columns of `kit.plan.designs.designs`), the best within the days and the money
        first; the design as planned with the figures of its own order.
    fewer
        The best design within the same allowance for fewer fuels, a row each; columns of `alternatives`.
    metrics
        What is to be settled of the primary metrics that can be planned for.
    chances
        Columns of `power_of` and 'metric', at no difference, at the margin and at twice the margin.
    settles
        The best that 12, 24, 36 burns and the plan's own number can do, for all fuels and for fewer; first metric.
    smallest, smallest_twice
        The smallest design that is enough for all fuels to see the margin, and twice the margin; None where
        there is no affordable one.
    smallest_alone
        The smallest that sees twice the margin without what earlier folders know of the spread.
    split
        Cheapest number of burns a bag where a burn costs as much as a bag.
    cost
        What the bags cost, in the trial's currency; None where prices are missing.
    obstacles
        Why this plan cannot be carried out as it was asked for: no such plan is written.
    notes
        What else a tester should know, a sentence each.
    files
        What was written, relative to the run folder; nothing by `make_plan`.
    """

    folder: Path
    trial: Trial
    plan: Plan
    order: pd.DataFrame
    calendar: pd.DataFrame
    design: Design
    workday: Workday
    alternatives: pd.DataFrame
    fewer: pd.DataFrame
    metrics: tuple[Goal, ...]
    chances: pd.DataFrame
    settles: pd.DataFrame
    smallest: Design | None
    smallest_twice: Design | None
    smallest_alone: Design | None
    split: float
    cost: float | None
    obstacles: tuple[Problem, ...]
    notes: tuple[str, ...]
    files: tuple[str, ...] = ()

    def as_record(self) -> dict[str, Any]:
        """Return the plan as plain values, for JSON."""
        return {
            "folder": str(self.folder),
            "files": list(self.files),
            "line": self.plan.line,
            "sha256": self.plan.sha256,
            "burns": len(self.order),
            "days": int(self.order["day"].nunique()),
            "chances": self.chances.to_dict("records"),
            "settles": self.settles.to_dict("records"),
            "smallest": self.smallest.total if self.smallest else None,
            "cheapest_split": self.split if self.split != math.inf else None,
            "cost": self.cost,
            "notes": list(self.notes),
        }

    def left_out(self, kept: int) -> list[str]:
        """Return the names of the fuels to leave out where only so many are kept."""
        ids = [fuel.id for fuel in self.trial.fuels]
        stay = fuels_kept(ids, kept, self.trial.control_fuel)
        return [fuel.label for fuel in reversed(self.trial.fuels) if fuel.id not in stay]


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
    answers = read_answers(folder, earlier)
    trial, workday, written = answers.trial, answers.workday, as_date(today or date.today(), "today")
    notes = list(answers.notes)
    first, allowance = answers.metrics[0], _allowance(trial, workday)

    ids = [fuel.id for fuel in trial.fuels]
    most = max(*TOTALS, allowance.burns)
    everything = designs(ids, first, allowance)
    kept = [fuels_kept(ids, count, trial.control_fuel) for count in range(len(ids) - 1, 1, -1)]
    for_fewer = [designs(fuels, first, allowance, most) for fuels in kept]
    alone = replace(first, spread=replace(first.spread, df=0.0))
    unaided = designs(ids, alone, allowance) if first.spread.df else everything[:0]
    if len(answers.sheet):
        design, order = _design_of(answers.sheet), _as_sheet(folder, answers.sheet, notes)
    else:
        design = _chosen(trial, everything, allowance)
        first_burn = first_day or trial.plan.first_day or written + timedelta(days=1)
        order = _draw(trial, workday, design, first_burn, notes)
        notes += _remarks(trial, workday, design)
    cost = allowance.cost(order)
    unpriced = [fuel for fuel in sorted(set(order["fuel"])) if fuel not in allowance.prices]
    if unpriced:
        notes.append(f"No price is given for {', '.join(unpriced)}: the cost of the bags is not known.")
    spare, chances = order.attrs.get("spare_days", []), _chances(order, answers.metrics, notes)
    totals = sorted({*TOTALS, len(order)})
    return Planned(
        folder=folder,
        trial=trial,
        plan=plan_of(trial, order, written, order.attrs.get("seed"), spare_days=spare, exclusions=RULES),
        order=order,
        calendar=timetable(order, spare, workday),
        design=design,
        workday=workday,
        alternatives=everything if chances.empty else _with_own(everything, design, order, first, allowance),
        fewer=pd.concat([table[table["allowed"]].head(1) for table in (*for_fewer, everything[:0])]),
        metrics=answers.metrics,
        chances=chances,
        settles=what_burns_settle(totals, [everything, *for_fewer]),
        smallest=smallest_design(everything, "found_at_margin"),
        smallest_twice=smallest_design(everything, "found_at_twice"),
        smallest_alone=smallest_design(unaided, "found_at_twice"),
        split=cheapest_split(first.spread.sds, 1.0),
        cost=None if math.isnan(cost) else cost,
        obstacles=() if len(answers.sheet) else tuple(_obstacles(trial, workday, order, cost)),
        notes=tuple(notes),
    )


def _allowance(trial: Trial, workday: Workday) -> Allowance:
    """Return what there is to spend: the days' burns, else as many as the usual three bags burned twice take."""
    asked = trial.plan
    usual = len(trial.fuels) * (asked.bags or BAGS) * (asked.burns or BURNS)
    burns = asked.days * workday.per_day if asked.days else usual
    return Allowance(burns, asked.budget, bag_prices(trial), workday)


def _chosen(trial: Trial, options: pd.DataFrame, allowance: Allowance) -> Design:
    """Return bags and burns: as answered, else the best that days and money allow, else the least there is."""
    fuels, asked = len(trial.fuels), trial.plan
    bags, burns = asked.bags or options["bags"], asked.burns or options["burns"]
    fitting = options[
        options["total"].le(allowance.burns) & options["bags"].eq(bags) & options["burns"].eq(burns)
    ]
    if fitting.empty or (asked.bags and asked.burns):
        return Design(fuels, asked.bags or 2, asked.burns or (BURNS if asked.bags else 1))
    return Design(fuels, int(fitting["bags"].iloc[0]), int(fitting["burns"].iloc[0]))


def _design_of(sheet: pd.DataFrame) -> Design:
    """Return the design that a filled burn sheet comes nearest to."""
    fuels = sheet["fuel"].nunique()
    bags = max(1, round(sheet.groupby("fuel")["bag"].nunique().mean()))
    return Design(fuels, bags, max(1, round(len(sheet) / fuels / bags)))


def _as_sheet(folder: Path, sheet: pd.DataFrame, notes: list[str]) -> pd.DataFrame:
    notes.append("The order is that of burns.csv; empty its rows to have a new one drawn from the seed.")
    done = int((sheet["state"] != "planned").sum())
    if done:
        words = "of the burns are done already: this plan was not written before the first burn."
        notes.append(f"{done} {words}")
    order = sheet.drop(columns="state").reset_index(drop=True)
    if (earlier := read_plan(folder)) is not None:
        order.attrs.update(spare_days=list(earlier.spare_days), seed=earlier.seed)
    return order


def _draw(
    trial: Trial, workday: Workday, design: Design, first_day: date | str, notes: list[str]
) -> pd.DataFrame:
    """Draw the order; the control fuel burns on every day where the days reach for it."""
    fuels, days, per_day = [fuel.id for fuel in trial.fuels], trial.plan.days, workday.per_day

    def drawn(control: str | None) -> pd.DataFrame:
        return run_order(
            fuels, design.bags, design.burns, per_day, trial.plan.seed or 1, control, first_day,
            workday.weekdays, SPARE_EVERY, workday.cookers,
        )  # fmt: skip

    order = drawn(None)
    if trial.control_fuel in fuels and 1 < per_day < len(fuels):
        daily = drawn(trial.control_fuel)
        needed = daily["day"].nunique()
        if days is None or needed <= days:
            order = daily
        else:
            notes.append(
                f"The control fuel does not burn on every day: that would take {needed} days. Fuels are linked "
                "through the days they share."
            )
    if len(trial.settings) == 1:
        order["setting"] = trial.settings[0].id
    return order


def _remarks(trial: Trial, workday: Workday, design: Design) -> list[str]:
    """Return what the answers leave open, and what the design cannot tell."""
    charge = trial.charge
    amount = {"mass": charge.grams, "volume": charge.litres, "full starter": 1}[charge.by]
    remarks = {
        "The plan is for one of the settings: they are never pooled, so each takes as many burns. Write which into "
        "burns.csv, and plan again.": len(trial.settings) > 1,
        "How much is burned is not said: write grams, or litres, in [charge].": not amount,
        "When a burn is over is not said: write it as stop_rule in [trial].": not trial.stop_rule,
        "One bag of each fuel: verdicts will be for these bags alone, and say nothing of the next. Buy two or more.":
            design.bags == 1 < design.burns,
        "One burn a day: differences between days are part of those between burns.": workday.per_day == 1,
    }  # fmt: skip
    return [words for words, holds in remarks.items() if holds]


def _obstacles(trial: Trial, workday: Workday, order: pd.DataFrame, cost: float) -> Faults:
    """Return where the burns, their length and their bags go beyond what [plan] gives."""
    obstacles, where = Faults(), "trial.toml, [plan]"
    days, budget, needed = trial.plan.days, trial.plan.budget, order["day"].nunique()
    if days is not None and needed > days:
        found = f"{needed} days for {len(order)} burns, {workday.per_day} a day"
        remedy = "Allow more days, or ask for fewer fuels, bags or burns."
        obstacles.ask(where, found, f"at most days = {days}", remedy)
    if workday.overruns:
        found = f"a burn of {workday.burn_h:g} h in a day of {workday.latest_h - workday.earliest_h:g} h"
        remedy = "Write as `earliest` and `latest` when somebody can stay with it, or a shorter burn_h."
        obstacles.ask(where, found, "a burn that ends within its day", remedy)
    if budget is not None and cost > budget:
        found = f"bags for {cost:.0f} {trial.currency}".strip()
        remedy = "Ask for fewer fuels, fewer bags, or allow more money."
        obstacles.ask(where, found, f"at most budget = {budget:g}", remedy)
    return obstacles


def _with_own(
    table: pd.DataFrame, design: Design, order: pd.DataFrame, goal: Goal, allowance: Allowance
) -> pd.DataFrame:
    """Return the table with the design as planned by its own order; as it is where that one is not in it."""
    own = table["bags"].eq(design.bags) & table["burns"].eq(design.burns)
    if own.any():
        table = table.copy()
        table.loc[own, list(DESIGN_COLUMNS)] = list(option(design, order, goal, allowance).values())
    return table


def _chances(order: pd.DataFrame, goals: Sequence[Goal], notes: list[str]) -> pd.DataFrame:
    parts = [pd.DataFrame(columns=["metric", *CHANCE_COLUMNS])]
    try:
        parts = [goal.chances(order).assign(metric=goal.metric.id) for goal in goals]
    except KitError as error:
        notes.append(f"These burns settle nothing: {error.problems[0].found}.")
    return pd.concat(parts, ignore_index=True)[["metric", *CHANCE_COLUMNS]]


def plan_run(
    run_folder: str | Path,
    earlier: Sequence[str | Path] = (),
    today: date | str | None = None,
    first_day: date | str | None = None,
    simulated: bool = False,
) -> Planned:
    """Plan a trial and write the plan into its run folder, whole or not at all.

    Writes plan/plan.toml with its hash (an earlier plan is kept beside it), plan/sheets.html, plan/key.html,
    and rows for the planned burns into burns.csv where it has none. The plan returned carries the recorded hash.

    Parameters
    ----------
    run_folder, earlier, today, first_day
        As for `make_plan`.
    simulated
        Say on every sheet that nothing is burned by it.

    Raises
    ------
    KitError
        As `make_plan`; where the plan cannot be carried out as it was asked for, or the folder not be written.
    """
    refuse_way_out(Path(run_folder) / "plan")
    planned = make_plan(run_folder, earlier, today, first_day)
    if planned.obstacles:
        raise KitError(planned.obstacles)
    sheets = Sheets(planned.trial, planned.plan, planned.calendar, planned.workday, simulated)
    plan_pages(sheets)  # what goes wrong goes wrong before the first file
    with disk_faults(planned.folder):
        return _write(planned, sheets)


def _write(planned: Planned, sheets: Sheets) -> Planned:
    folder = planned.folder
    (folder / "plan").mkdir(exist_ok=True)
    sweep_drafts(folder)
    plan = write_plan(folder, planned.plan)
    texts = plan_pages(replace(sheets, plan=plan))
    if is_empty(folder / SHEET):  # a burn sheet with rows is not written again
        texts[SHEET] = burn_rows(plan.table, [*_headings(folder / SHEET), *own_columns(planned.trial)])
    for name, text in texts.items():
        write_atomically(folder / name, text)
    return replace(planned, plan=plan, files=("plan/plan.toml", *texts))


def _headings(sheet: Path) -> list[str]:
    """Return the headings of a sheet without rows: a tester's own columns are kept."""
    if not sheet.is_file():
        return []
    lines = sheet.read_text(encoding="utf-8-sig", errors="replace").splitlines()
    cells = next(csv.reader([line for line in lines if line.strip()][:1]), [])
    return [cell.strip() for cell in cells if cell.strip()]


def burn_rows(order: pd.DataFrame, headings: Sequence[str] = ()) -> str:
    """Return a burn sheet of planned rows: what is planned stands in it, the rest is blank."""
    names = list(dict.fromkeys([*(column.name for column in BURN_SHEET), *headings]))
    table = order.drop(columns="charge_g").reindex(columns=names)
    return str(table.to_csv(index=False, float_format="%g", lineterminator="\n"))
