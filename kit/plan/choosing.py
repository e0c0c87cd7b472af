"""Choosing a design: the cheapest split, the smallest that is enough, and what given burns can settle."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from kit.plan.power import BEYOND, SAME, Components, Design, chance_of, power_of, sds_of

ENOUGH = 0.80
MOST_BAGS, MOST_BURNS, AFFORDABLE = 12, 6, 200
SETTLES_COLUMNS = (
    "asked", "total", "fuels", "bags", "burns", "same_at_0", "different_at_margin", "different_at_twice",
    "beyond_at_twice", "half_width", "enough",
)  # fmt: skip


@dataclass(frozen=True)
class Costs:
    """What a bag and a burn cost, in any one currency or in hours."""

    bag: float
    burn: float

    def of(self, design: Design) -> float:
        """Return what a design costs."""
        return design.fuels * design.bags * (self.bag + design.burns * self.burn)


def cheapest_split(components: Components, costs: Costs) -> float:
    """Return the best number of burns a bag for any budget: n = √[(c_bag/c_burn)(σ²_burn/σ²_bag)].

    Infinite where bags do not differ: then every burn may be of one bag, which no trial can know beforehand.
    """
    sds = sds_of(components)
    if sds["bag"] == 0:
        return float("inf")
    split: float = (costs.bag / costs.burn * sds["burn"] ** 2 / sds["bag"] ** 2) ** 0.5
    return split


def smallest_design(
    fuels: int,
    components: Components,
    margin: float,
    at: float = 1.0,
    target: float = ENOUGH,
    costs: Costs | None = None,
    multiplicity: str = "tukey",
    level: float = 0.95,
    upper: bool = False,
) -> Design | None:
    """Return the design of fewest burns (or least cost) that tells fuels apart often enough.

    Parameters
    ----------
    fuels
        Fuels compared.
    components, margin, multiplicity, level, upper
        As for `power_of`.
    at
        True difference, in margins, at which zero must be excluded with the target's chance.
    costs
        With it, the least cost decides.

    Returns
    -------
    Design or None
        None where 200 burns in all, or 12 bags of 6 burns a fuel, are not enough: no affordable number.
    """

    def is_enough(design: Design) -> bool:
        power = power_of(design, components, at * margin, margin, multiplicity, level, upper)
        return chance_of(power, at * margin) >= target

    found = []
    for burns in range(1, MOST_BURNS + 1):
        most = min(MOST_BAGS, AFFORDABLE // (fuels * burns))
        options = [Design(fuels, bags, burns) for bags in range(2, most + 1)]
        # more bags never settle less, so the first that is enough is found by halving
        first = bisect_left(options, True, key=is_enough)
        found += options[first : first + 1]
    return min(found, key=lambda d: (costs.of(d) if costs else d.total, -d.bags), default=None)


def what_burns_settle(
    totals: Sequence[int],
    fuels: int,
    components: Components,
    margin: float,
    burns: int = 2,
    multiplicity: str = "tukey",
    level: float = 0.95,
    upper: bool = False,
) -> pd.DataFrame:
    """Return what so many burns can settle for all the fuels, and for fewer of them.

    Parameters
    ----------
    totals, fuels
        Burns in all; fuels at most.
    components, margin, multiplicity, level, upper
        As for `power_of`.
    burns
        Burns a bag.

    Returns
    -------
    DataFrame
        A row for each total asked for and number of fuels from all down to two: burns used, fuels, bags,
        burns a bag, chance of 'the same' where fuels are alike, of any difference seen at the margin and at
        twice the margin, of 'by more than the margin' at twice it, median half-width, and whether the chance
        at the margin is enough (80 %). A single burn of each fuel has no row: it settles nothing.
    """
    rows = []
    for total in totals:
        for kept in range(fuels, 1, -1):
            design = best_design(total, kept, burns)
            if design is not None:
                rows.append((total, *_settles(design, components, margin, multiplicity, level, upper)))
    return pd.DataFrame(rows, columns=list(SETTLES_COLUMNS))


def best_design(total: int, fuels: int, burns: int = 2) -> Design | None:
    """Return the balanced design of at most so many burns: two bags or more, each burnt so often.

    One burn a bag where they do not reach for more; None where they do not reach for two bags of each fuel,
    since burns of one bag tell nothing of the next bag.
    """
    for each in (burns, 1):
        bags = total // (fuels * each)
        if bags >= 2:
            return Design(fuels, bags, each)
    return None


def _settles(
    design: Design, components: Components, margin: float, multiplicity: str, level: float, upper: bool
) -> tuple[object, ...]:
    power = power_of(design, components, [0.0, margin, 2 * margin], margin, multiplicity, level, upper)
    seen = chance_of(power, margin)
    return (
        design.total, design.fuels, design.bags, design.burns, chance_of(power, 0.0, [SAME]), seen,
        chance_of(power, 2 * margin), chance_of(power, 2 * margin, [BEYOND]),
        float(power["half_width"].iloc[0]), seen >= ENOUGH,
    )  # fmt: skip


def dropped(fuels: Sequence[str], kept: int, control: str | None) -> list[str]:
    """Return which fuels to leave out to keep so many: the last listed first, the control fuel never."""
    order = [fuel for fuel in reversed(fuels) if fuel != control]
    return order[: max(len(fuels) - kept, 0)]
