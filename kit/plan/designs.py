"""Which design: every balanced one worth a thought, what it would settle, and the best for the money and the hours."""

import itertools
import math
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from kit.errors import KitError
from kit.judge.verdicts import BEYOND, SAME
from kit.plan.answers import Goal
from kit.plan.power import Components, Design, Designed, Precision, burns_of, chance_of, held_together, sds_of
from kit.plan.schedule import Workday, daily_control

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
    workday: Workday
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
    control = daily_control(fuels, each, workday.per_day, allowance.control, allowance.days)
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
