"""The designs that the money and the hours allow, the best of them first, with what each would settle."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from kit.plan.power import BEYOND, SAME, Components, Design, chance_of, power_of, precision_of, sds_of
from kit.plan.timetable import Workday

MOST_BAGS, MOST_BURNS = 12, 4
SHOWN = 6
DRAWS = 4000
ALTERNATIVE_COLUMNS = (
    "fuels", "bags", "burns", "total", "days", "hours", "cost", "allowed", "found_at_margin", "found_at_twice",
    "beyond_at_twice", "same_at_0", "best_named", "chosen",
)  # fmt: skip


@dataclass(frozen=True)
class Means:
    """What there is to spend.

    Attributes
    ----------
    burns
        Most burns in all; None where days set no limit.
    budget
        Most money for bags; None where none is set.
    prices
        Of a bag of each fuel; NaN where it is not known.
    workday
        What a day at the cooker holds.
    """

    burns: int | None
    budget: float | None
    prices: Mapping[str, float]
    workday: Workday

    def cost(self, design: Design) -> float:
        """Return what the bags of a design cost, its fuels the first of those priced; NaN where not known."""
        return float(design.bags * sum(list(self.prices.values())[: design.fuels]))

    def allow(self, design: Design) -> bool:
        """Return whether a design keeps within the burns and the money."""
        within = self.burns is None or design.total <= self.burns
        return within and not (self.budget is not None and self.cost(design) > self.budget)


def alternatives(
    fuels: int, components: Components, margin: float, means: Means, about: Mapping[str, Any]
) -> pd.DataFrame:
    """Return the designs worth choosing between, the best within the means first.

    Parameters
    ----------
    fuels
        Fuels to compare.
    components, margin
        As for `power_of`.
    means
        What there is to spend.
    about
        multiplicity, level and earlier_df, as for `power_of`.

    Returns
    -------
    DataFrame
        A row a design of two bags or more: its burns, days, hours at the cooker and cost of bags, whether the
        means allow it, the chance that a difference of the margin and of twice the margin is found, that one of
        twice the margin is found to be more than the margin, that equal fuels are called the same, and that a fuel
        better than all others by twice the margin is named as the best; chosen for the best within the means.
    """
    most = means.burns or fuels * MOST_BAGS * MOST_BURNS
    kept = [
        design
        for burns in range(1, MOST_BURNS + 1)
        for bags in range(2, MOST_BAGS + 1)
        if (design := Design(fuels, bags, burns)).total <= most
    ]
    rows = [_row(design, components, margin, means, about) for design in kept]
    table = pd.DataFrame(rows, columns=list(ALTERNATIVE_COLUMNS))
    if table.empty:
        return table
    order = ["allowed", "found_at_twice", "total", "bags"]
    rounded = table.assign(found_at_twice=table["found_at_twice"].round(2))
    table = table.loc[rounded.sort_values(order, ascending=[False, False, True, True]).index]
    table = table.reset_index(drop=True)
    table["chosen"] = table.index == 0
    return table


def _row(
    design: Design, components: Components, margin: float, means: Means, about: Mapping[str, Any]
) -> tuple[object, ...]:
    power = power_of(design, components, [0.0, margin, 2 * margin], margin, **about)
    days = -(-design.total // means.workday.per_day)
    return (
        design.fuels, design.bags, design.burns, design.total, days, design.total * means.workday.burn_h,
        means.cost(design), means.allow(design), chance_of(power, margin), chance_of(power, 2 * margin),
        chance_of(power, 2 * margin, [BEYOND]), chance_of(power, 0.0, [SAME]),
        chance_best_named(design, components, 2 * margin, about.get("level", 0.95), about.get("earlier_df", 0.0)),
        False,
    )  # fmt: skip


def chance_best_named(
    design: Design,
    components: Components,
    lead: float,
    level: float = 0.95,
    earlier_df: float = 0.0,
    seed: int = 1,
) -> float:
    """Return the chance that a fuel better than all others by some lead is named as the only one that can be best.

    The others are alike. Their one-sided simultaneous limits (Hsu 1984, the best as the control) must all lie
    beyond zero; by simulation of 4,000 trials from the seed, correct to two points.
    """
    from kit.variance.families import correlated

    known = precision_of(design, sds_of(components))
    others, df = design.fuels - 1, known.df + earlier_df
    rng = np.random.default_rng([seed, 61])
    each, best = rng.standard_normal((DRAWS, others)), rng.standard_normal((DRAWS, 1))
    estimate = lead + known.true_sd * (best + each) / np.sqrt(2)
    se = known.se * np.sqrt(rng.chisquare(df, (DRAWS, 1)) / df)
    correlation = np.full((others, others), 0.5) + 0.5 * np.eye(others)
    critical = float(correlated(correlation, sides=1).critical(level, np.array([df]))[0])
    return float((estimate > critical * se).all(axis=1).mean())


def shown_alternatives(table: pd.DataFrame, design: Design) -> pd.DataFrame:
    """Return the few rows that a tester chooses between: the best ones allowed, and the design as planned."""
    planned = (table["bags"] == design.bags) & (table["burns"] == design.burns)
    first = table[table["allowed"]].head(SHOWN - 1)
    return table.loc[sorted({*first.index, *table.index[planned]})]


def fuels_dropped(
    fuels: Sequence[str], components: Components, margin: float, means: Means, about: Mapping[str, Any]
) -> pd.DataFrame:
    """Return the best design within the same means for all the fuels, and for fewer down to two; a row each."""
    rows = [
        found.head(1)
        for kept in range(len(fuels), 1, -1)
        if len(found := alternatives(kept, components, margin, means, about))
    ]
    return pd.concat(rows, ignore_index=True) if rows else pd.DataFrame(columns=list(ALTERNATIVE_COLUMNS))
