"""From the tester's answers to a plan (design, what it can settle, order, calendar), and into the run folder.

Which design: every balanced one worth a thought, what it would settle, and the best for the money and the hours.
"""

import itertools
import math
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from kit.burns.logged_burns import bag_prices
from kit.errors import Faults, KitError, Problem, disk_faults, refuse_way_out
from kit.judge.verdicts import BEYOND, SAME
from kit.plan import schedule
from kit.plan.answers import SHEET, Answers, Goal, obstacle, read_answers, times
from kit.plan.power import (
    CHANCE_COLUMNS,
    Components,
    Design,
    Designed,
    Precision,
    burns_of,
    chance_of,
    held_together,
    sds_of,
)
from kit.runtime.atomic_write import MAKING, sweep, write_atomically
from kit.schema import BURNS as BURN_SHEET
from kit.trial import Plan, Trial, plan_of, read_plan, write_plan
from kit.trial.sheet import heading_key

TOTALS = (12, 24, 36)
BAGS, BURNS = 3, 2
"""Usual bags of a fuel, and burns of a bag."""
SPARE_EVERY = 4
RULES, NOTES = tuple(schedule.WORDS["rules"]), schedule.WORDS["note"]
ENOUGH = 0.80
MOST_BAGS, MOST_BURNS, AFFORDABLE = 12, 4, 120
SHOWN = 6
DRAWS = 4000
DESIGN_COLUMNS = (
    "fuels", "bags", "burns", "total", "days", "hours", "cost", "allowed", "found_at_margin", "found_at_twice",
    "beyond_at_twice", "same_at_0", "best_named",
)  # fmt: skip


@dataclass(frozen=True)
class Allowance:
    """What there is to spend.

    Attributes
    ----------
    burns
        Most burns in all.
    budget
        Most money for bags; None where none is set.
    prices
        Of a bag of each fuel that has one.
    workday
        What a day at the cooker holds.
    control
        The control fuel, which burns on every day where the days reach for it; None without.
    days
        Most days; None where none are set.
    """

    burns: int
    budget: float | None
    prices: Mapping[str, float]
    workday: schedule.Workday
    control: str | None = None
    days: int | None = None

    def cost(self, burns: pd.DataFrame) -> float:
        """Return what the bags of some burns cost; NaN where a price is not known."""
        bags = burns.groupby("fuel")["bag"].nunique()
        return float(sum(self.prices.get(str(fuel), math.nan) * count for fuel, count in bags.items()))


def designs(fuels: Sequence[str], goal: Goal, allowance: Allowance, most: int = AFFORDABLE) -> pd.DataFrame:
    """Return the designs of two bags or more of each of some fuels, the best within the allowance first.

    Parameters
    ----------
    fuels
        Ids of the fuels to compare.
    goal, allowance
        What the burns are to settle, and what there is to spend.
    most
        Most burns in all.

    Returns
    -------
    DataFrame
        A row a design: its burns, days, hours at the cooker and cost of bags, whether the allowance covers it, the
        chance that a difference of the margin and of twice the margin is found, that one of twice the margin is
        found to be more than the margin, that equal fuels are called the same, and that a fuel better than all
        others by twice the margin is named as the best.
    """
    rows = []
    for burns, bags in itertools.product(range(1, MOST_BURNS + 1), range(2, MOST_BAGS + 1)):
        if (design := Design(len(fuels), bags, burns)).total <= most:
            # of so few burns in such days and cookers the report would give no verdict
            with suppress(KitError):
                rows.append(option(design, _in_days(design, fuels, allowance), goal, allowance))
    table = pd.DataFrame(rows, columns=list(DESIGN_COLUMNS))
    # those allowed first, then what finds most, to a point, in fewest burns and bags
    found = table["found_at_twice"].astype(float).round(2)
    order = np.lexsort((table["bags"], table["total"], -found, ~table["allowed"].astype(bool)))
    return table.iloc[order].reset_index(drop=True)


def option(design: Design, burns: pd.DataFrame, goal: Goal, allowance: Allowance) -> dict[str, object]:
    """Return one design as a row of `designs`, its burns with fuel, bag and day as they will lie."""
    known, cost = goal.precision(burns), allowance.cost(burns)
    power = goal.chances(known)
    # without days of its own a plan has room for a control fuel that burns oftener
    enough = (len(burns) if allowance.days else min(design.total, len(burns))) <= allowance.burns
    return {
        "fuels": design.fuels,
        "bags": design.bags,
        "burns": design.burns,
        "total": len(burns),
        "days": burns["day"].nunique(),
        "hours": len(burns) * allowance.workday.burn_h,
        "cost": cost,
        "allowed": enough and not cost > (allowance.budget or math.inf),
        "found_at_margin": chance_of(power, goal.margin),
        "found_at_twice": chance_of(power, 2 * goal.margin),
        "beyond_at_twice": chance_of(power, 2 * goal.margin, [BEYOND]),
        "same_at_0": chance_of(power, 0.0, [SAME]),
        "best_named": chance_best_named(burns, 2 * goal.margin, goal, asked=known),
    }


def _in_days(design: Design, fuels: Sequence[str], allowance: Allowance) -> pd.DataFrame:
    """Deal a design's burns into days and cookers: round after round of all the fuels, each in another order."""
    each, workday = design.bags * design.burns, allowance.workday
    rng = np.random.default_rng([len(fuels), 81])
    control = schedule.daily_control(fuels, each, workday.per_day, allowance.control, allowance.days)
    others = [fuel for fuel in fuels if fuel != control]
    rows = [(others[f], n % design.bags) for n in range(each) for f in rng.permutation(len(others))]
    table = pd.DataFrame(rows, columns=["fuel", "bag"])
    table["day"] = table.index // (workday.per_day - (control is not None))
    if control is not None:
        days = table["day"].unique()
        daily = pd.DataFrame({"fuel": control, "bag": days % design.bags, "day": days})
        table = pd.concat([table, daily]).sort_values("day", kind="stable", ignore_index=True)
    turn = table["day"] if control else 0  # so that the control fuel goes round the cookers
    table["cooker"] = (table.groupby("day").cumcount() + turn) % len(workday.cookers)
    return table


def chance_best_named(design: Designed, lead: float, goal: Goal, asked: Precision | None = None) -> float:
    """Return the chance that a fuel better than all others by some lead is named as the only one that can be best.

    The others are alike. Their one-sided simultaneous limits (Hsu 1984, the best as the control) must all lie
    beyond zero; by simulation of 4,000 trials, correct to two points. How standard errors vary from
    trial to trial is as found of the differences that are `asked` about.
    """
    known = replace(goal, question=replace(goal.question, control=None, pairs=())).precision(design)
    like = asked if asked is not None and asked.simulated else known
    others = burns_of(design)["fuel"].nunique() - 1
    rng = np.random.default_rng([1, 61])
    each, best = rng.standard_normal((DRAWS, others)), rng.standard_normal((DRAWS, 1))
    estimate = lead + known.true_sd * (best + each) / np.sqrt(2)
    se, df = (np.resize(each, (DRAWS, 1)) for each in like.errors)
    se = se * (known.se / like.se)
    correlation = np.full((others, others), 0.5) + 0.5 * np.eye(others)
    critical = held_together(correlation.tobytes(), 1).critical(goal.question.level, df)
    return float((estimate > critical * se).all(axis=1).mean())


def what_burns_settle(totals: Sequence[int], tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Return the design of so many burns that finds the margin most often, for each total and table of `designs`.

    A row each, with the total asked for; none where the burns do not reach for two bags of each fuel, since burns
    of one bag tell nothing of the next bag.
    """
    rows = [
        reached.sort_values("found_at_margin", ascending=False, kind="stable").head(1).assign(asked=total)
        for total in totals
        for table in tables
        if len(reached := table[table["total"] <= total])
    ]
    return pd.concat(rows, ignore_index=True)[["asked", *DESIGN_COLUMNS]]


def smallest_design(table: pd.DataFrame, chance: str) -> Design | None:
    """Return the design of fewest burns in a table whose chance ('found_at_margin', …) is enough, None without one."""
    enough = table[table[chance] >= ENOUGH].sort_values(["total", "bags"], ascending=[True, False])
    sizes = (int(enough[name].iloc[0]) for name in ("fuels", "bags", "burns"))
    return None if enough.empty else Design(*sizes)


def cheapest_split(components: Components, bag_in_burns: float) -> float:
    """Return the best number of burns a bag for any budget: n = √[(c_bag/c_burn)(σ²_burn/σ²_bag)].

    What a bag costs is given in burns. Infinite where bags do not differ: then every burn may be of one bag, which
    no trial can know beforehand.
    """
    sds = sds_of(components)
    if sds["bag"] == 0:
        return float("inf")
    return float((bag_in_burns * sds["burn"] ** 2 / sds["bag"] ** 2) ** 0.5)


def fuels_kept(fuels: Sequence[str], kept: int, control: str | None) -> list[str]:
    """Return the fuels to keep where only so many are: the last listed go first, the control fuel never."""
    leaving = [fuel for fuel in reversed(fuels) if fuel != control][: max(len(fuels) - kept, 0)]
    return [fuel for fuel in fuels if fuel not in leaving]


@dataclass(frozen=True, eq=False)
class Planned(Answers):
    """A plan with everything a tester decides by, the answers it is made from among it.

    Attributes
    ----------
    folder, plan
        The run folder, and the plan as written (or as it would be).
    order, calendar
        Burns in their order; days, clock times, cooling and weighing.
    design
        Bags and burns.
    alternatives
        Designs for all the fuels (columns of `designs`), the best within the days and the money
        first; the design as planned with the figures of its own order.
    fewer
        The best design within the same allowance for fewer fuels, a row each; columns of `alternatives`.
    chances
        Columns of `power_of` and 'metric', at no difference, at the margin and at twice the margin.
    settles
        The best that 12, 24, 36 burns and the plan's own number can do, for all fuels and for fewer; first metric.
    alone
        Designs for all the fuels without what earlier folders know of the spread; none where there are no such.
    cost
        What the bags cost, in the trial's currency; None where prices are missing.
    obstacles
        Why this plan cannot be carried out as it was asked for: no such plan is written.
    files
        What was written, relative to the run folder; nothing by `make_plan`.
    """

    folder: Path
    plan: Plan
    order: pd.DataFrame
    calendar: pd.DataFrame
    design: Design
    alternatives: pd.DataFrame
    fewer: pd.DataFrame
    chances: pd.DataFrame
    settles: pd.DataFrame
    alone: pd.DataFrame
    cost: float | None
    obstacles: tuple[Problem, ...]
    files: tuple[str, ...] = ()

    @property
    def most_in_one_cooker(self) -> int:
        """The most burns of a day in one cooker: as the order names it, and at least its share of the day's."""
        dated = self.order[self.order["day"] != ""].reindex(columns=["day", "cooker"], fill_value="")
        shares = -(-dated["day"].value_counts() // len(self.workday.cookers))
        named = dated[dated["cooker"] != ""].value_counts()
        return max([*shares, *named], default=0)

    def option(self, bags: int, burns: int) -> Any:
        """Return the row of `alternatives` with so many bags and burns a bag; None where there is none."""
        rows = self.alternatives
        return next(rows[rows["bags"].eq(bags) & rows["burns"].eq(burns)].itertuples(), None)

    def as_record(self) -> dict[str, Any]:
        """Return the plan as plain values, for JSON."""
        smallest = smallest_design(self.alternatives, "found_at_margin")
        split = cheapest_split(self.metrics[0].spread.sds, 1.0)
        return {
            "folder": str(self.folder),
            "files": list(self.files),
            "line": self.plan.line,
            "sha256": self.plan.sha256,
            "burns": len(self.order),
            "days": int(self.order["day"].nunique()),
            "chances": self.chances.to_dict("records"),
            "settles": self.settles.astype(object).where(self.settles.notna(), None).to_dict("records"),
            "smallest": smallest.total if smallest else None,
            "cheapest_split": split if split != math.inf else None,
            "cost": self.cost,
            "notes": list(self.notes),
        }


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
    trial, workday, written = answers.trial, answers.workday, schedule.as_date(today or date.today(), "today")
    notes, first, allowance = list(answers.notes), answers.metrics[0], _allowance(trial, workday)
    ids = [fuel.id for fuel in trial.fuels]
    everything = designs(ids, first, allowance)
    for_fewer = [
        designs(fuels_kept(ids, kept, trial.control_fuel), first, allowance, max(*TOTALS, allowance.burns))
        for kept in range(len(ids) - 1, 1, -1)
    ]
    fewer = pd.concat([table[table["allowed"]].head(1) for table in (*for_fewer, everything[:0])])
    unaided = replace(first, spread=replace(first.spread, df=0.0))
    if len(answers.sheet):
        # the design that a filled burn sheet comes nearest to
        fuels = answers.sheet["fuel"].nunique()
        bags = max(1, round(answers.sheet.groupby("fuel")["bag"].nunique().mean()))
        design = Design(fuels, bags, max(1, round(len(answers.sheet) / fuels / bags)))
        order = _as_sheet(folder, answers.sheet, notes)
    else:
        design = _chosen(trial, everything)
        first_day = first_day or trial.plan.first_day
        order = _draw(trial, workday, design, first_day or written + timedelta(days=1), notes)
        is_over = min(order["day"]) < written.isoformat()
        notes += _remarks(trial, workday, design, first_day, is_over)
    cost = allowance.cost(order)
    if unpriced := sorted(set(order["fuel"]) - set(allowance.prices)):
        notes.append(NOTES["unpriced"].format(fuels=", ".join(unpriced)))
    chances = _chances(order, answers.metrics, notes)
    alternatives = everything.copy()
    own = everything["bags"].eq(design.bags) & everything["burns"].eq(design.burns)
    if own.any() and not chances.empty:
        alternatives.loc[own, list(DESIGN_COLUMNS)] = list(option(design, order, first, allowance).values())
    spare, totals = order.attrs.get("spare_days", []), sorted({*TOTALS, len(order)})
    return Planned(
        **{**vars(answers), "notes": tuple(notes)},
        folder=folder,
        plan=plan_of(trial, order, written, order.attrs.get("seed"), spare_days=spare, exclusions=RULES),
        order=order,
        calendar=schedule.timetable(order, spare, workday),
        design=design,
        alternatives=alternatives,
        fewer=fewer,
        chances=chances,
        settles=what_burns_settle(totals, [alternatives, *for_fewer]),
        alone=designs(ids, unaided, allowance) if first.spread.df else everything[:0],
        cost=None if math.isnan(cost) else cost,
        obstacles=tuple(_crowded(answers) if len(answers.sheet) else _obstacles(answers, order, cost, fewer)),
    )


def _allowance(trial: Trial, workday: schedule.Workday) -> Allowance:
    """Return what there is to spend: the days' burns, else as many as the usual three bags burned twice take."""
    asked = trial.plan
    usual = len(trial.fuels) * (asked.bags or BAGS) * (asked.burns or BURNS)
    burns = asked.days * workday.per_day if asked.days else usual
    return Allowance(burns, asked.budget, bag_prices(trial), workday, trial.control_fuel, asked.days)


def _chosen(trial: Trial, options: pd.DataFrame) -> Design:
    """Return bags and burns: as answered, else the best that days and money allow, else the least there is."""
    fuels, asked = len(trial.fuels), trial.plan
    bags, burns = asked.bags or options["bags"], asked.burns or options["burns"]
    fitting = options[options["allowed"].astype(bool) & options["bags"].eq(bags) & options["burns"].eq(burns)]
    if fitting.empty or (asked.bags and asked.burns):
        return Design(fuels, asked.bags or 2, asked.burns or (BURNS if asked.bags else 1))
    return Design(fuels, int(fitting["bags"].iloc[0]), int(fitting["burns"].iloc[0]))


def _as_sheet(folder: Path, sheet: pd.DataFrame, notes: list[str]) -> pd.DataFrame:
    notes.append(NOTES["as_sheet"])
    if done := int((sheet["state"] != "planned").sum()):
        notes.append(NOTES["done"].format(done=done))
    order = sheet.drop(columns="state").reset_index(drop=True)
    if (earlier := read_plan(folder)) is not None:
        order.attrs.update(spare_days=list(earlier.spare_days), seed=earlier.seed)
    return order


def _draw(
    trial: Trial, workday: schedule.Workday, design: Design, first_day: date | str, notes: list[str]
) -> pd.DataFrame:
    """Draw the order; the control fuel burns on every day where the days reach for it."""
    fuels, each, per_day = [fuel.id for fuel in trial.fuels], design.bags * design.burns, workday.per_day
    seed = 1 if trial.plan.seed is None else trial.plan.seed
    control = schedule.daily_control(fuels, each, per_day, trial.control_fuel, trial.plan.days)
    order = schedule.run_order(
        fuels, design.bags, design.burns, per_day, seed, control, first_day, workday.weekdays, SPARE_EVERY,
        workday.cookers,
    )  # fmt: skip
    needed = schedule.days_with_control(fuels, each, per_day, trial.control_fuel)
    if needed and control is None:
        notes.append(NOTES["control_not_daily"].format(days=needed))
    if len(trial.settings) == 1:
        order["setting"] = trial.settings[0].id
    return order


def _remarks(
    trial: Trial, workday: schedule.Workday, design: Design, first_day: object, is_over: bool
) -> list[str]:
    """Return what the answers leave open, and what the design cannot tell."""
    charge, said = trial.charge, vars(trial.plan) | {"first_day": first_day}
    said["latest"] = said["latest"] or said["hours"]
    taken = ", ".join(
        f"{key} = {value}" for key, value in schedule.WORDS["taken"].items() if said[key] in (None, ())
    )
    holds = {
        "taken": bool(taken),
        "is_over": is_over,
        "settings": len(trial.settings) > 1,
        "amount": not {"mass": charge.grams, "volume": charge.litres, "full starter": 1}[charge.by],
        "stop_rule": not trial.stop_rule,
        "one_bag": design.bags == 1 < design.burns,
        "one_burn": workday.per_day == 1,
    }
    return [NOTES[name].format(taken=taken, first_day=first_day) for name, is_so in holds.items() if is_so]


def _obstacles(answers: Answers, order: pd.DataFrame, cost: float, fewer: pd.DataFrame) -> Faults:
    """Return where the burns, their length, bags and cookers go beyond what the trial file gives."""
    obstacles, trial, workday = _unnamed(answers), answers.trial, answers.workday
    asked, needed = trial.plan, order["day"].nunique()
    holds = {
        "days": asked.days is not None and needed > asked.days,
        "overrun": workday.burn_h > workday.room_h,
        "budget": asked.budget is not None and cost > asked.budget,
    }
    fitting = ""
    for row in fewer.head(1).itertuples():
        names = ", ".join(left_out(trial, row.fuels))
        fitting = schedule.WORDS["fitting"].format(names=names, bags=row.bags, times=times(row.burns))
    parts = {
        "asked": asked, "workday": workday, "days": needed, "burns": len(order), "fitting": fitting,
        "day_h": workday.latest_h - workday.earliest_h, "cost": f"{cost:.0f} {trial.currency}".strip(),
    }  # fmt: skip
    for name in (name for name, is_so in holds.items() if is_so):
        obstacles.ask("trial.toml, [plan]", *obstacle(name, **parts))
    return obstacles


def _unnamed(answers: Answers) -> Faults:
    """Return that there are cookers without a name, where they are still to be dealt burns."""
    unnamed, named, marked = Faults(), len(answers.trial.cookers), list(answers.workday.cookers)
    if max(named, 1) < len(marked) and not len(answers.sheet):
        unnamed.ask("trial.toml, [plan]", *obstacle("cookers", count=len(marked), named=named, names=marked))
    return unnamed


def _crowded(answers: Answers) -> Faults:
    """Return the days of the sheet, and cookers on a day, with more burns ahead than can burn and cool within it."""
    crowded, workday, sheet = Faults(), answers.workday, answers.sheet
    ahead = set(sheet.loc[sheet["state"] == "planned", "day"]) - {""}
    for day in sorted(ahead):
        cookers = sheet.loc[sheet["day"] == day, "cooker"]
        counts = {f"{day} in {each}": n for each, n in cookers.value_counts().items() if each}
        most = workday.in_one_cooker
        if len(cookers) > workday.per_day:
            counts, most = {day: len(cookers)}, workday.per_day
        for place in (place for place in counts if counts[place] > most):
            crowded.ask("burns.csv", *obstacle("crowded", burns=counts[place], place=place, per_day=most))
    return crowded


def left_out(trial: Trial, kept: int) -> list[str]:
    """Return the names of the fuels to leave out where only so many are kept."""
    stay = fuels_kept([fuel.id for fuel in trial.fuels], kept, trial.control_fuel)
    return [fuel.label for fuel in reversed(trial.fuels) if fuel.id not in stay]


def _chances(order: pd.DataFrame, goals: Sequence[Goal], notes: list[str]) -> pd.DataFrame:
    parts = [pd.DataFrame(columns=["metric", *CHANCE_COLUMNS])]
    try:
        parts = [goal.chances(goal.precision(order)).assign(metric=goal.metric.id) for goal in goals]
    except KitError as error:
        notes.append(NOTES["nothing_settled"].format(why=error.problems[0]))
    return pd.concat(parts, ignore_index=True)[["metric", *CHANCE_COLUMNS]]


def plan_run(
    run_folder: str | Path,
    earlier: Sequence[str | Path] = (),
    today: date | str | None = None,
    first_day: date | str | None = None,
) -> Planned:
    """Plan a trial and write the plan into its run folder, whole or not at all.

    Writes plan/plan.toml with its hash (an earlier plan is kept beside it), plan/sheets.html, plan/key.html,
    and rows for the planned burns into burns.csv where it has none. The plan returned carries the recorded hash.

    Parameters
    ----------
    run_folder, earlier, today, first_day
        As for `make_plan`.

    Raises
    ------
    KitError
        As `make_plan`; where the plan cannot be carried out as it was asked for, or the folder not be written.
    """
    refuse_way_out(Path(run_folder) / "plan")
    _unnamed(read_answers(Path(run_folder).absolute(), earlier)).settle()  # before designs are weighed
    planned = make_plan(run_folder, earlier, today, first_day)
    if planned.obstacles:
        raise KitError(planned.obstacles)
    sheets = schedule.Sheets(planned.trial, planned.plan, planned.workday)
    schedule.plan_pages(sheets)  # what goes wrong goes wrong before the first file
    with disk_faults(planned.folder):
        (planned.folder / "plan").mkdir(exist_ok=True)
        sweep(planned.folder, MAKING)
        plan = write_plan(planned.folder, planned.plan)
        texts = schedule.plan_pages(replace(sheets, plan=plan))
        if planned.headings is not None:  # a burn sheet with rows is not written again
            texts[SHEET] = burn_rows(plan.table, [*planned.headings, *planned.trial.own_columns])
        for name, text in texts.items():
            write_atomically(planned.folder / name, text)
    return replace(planned, plan=plan, files=("plan/plan.toml", *texts))


def burn_rows(order: pd.DataFrame, headings: Sequence[str] = ()) -> str:
    """Return a burn sheet of planned rows: what is planned stands in it, the rest is blank."""
    known = [column.name for column in BURN_SHEET]
    names = dict.fromkeys(
        [*known, *(own for own in headings if own.strip() and heading_key(own) not in known)]
    )
    table = order.drop(columns="charge_g").reindex(columns=list(names))
    return str(table.to_csv(index=False, float_format="%g", lineterminator="\n"))
