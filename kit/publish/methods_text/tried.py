"""What the method did on simulated trials whose truth was known: the row of the packaged table nearest a trial."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from kit.page.numbers import plain
from kit.publish.facts import Facts
from kit.publish.methods_text.blocks import Block, Para, Rows
from kit.publish.methods_text.simulations import simulations
from kit.publish.wording import label_of

_ROW: Final = re.compile(r"(\d+) × (\d+) × (\d+)(?:, ([^;]*))?; bag SD ([\d.]+)(?:, day SD ([\d.]+))?")
_COUNTED: Final = (
    ("type I, mean of the pairs", "a difference found between two fuels that are equal", "5"),
    ("familywise error, Tukey", "any difference found where all fuels are equal", "at most 5"),
    ("coverage of the pairs", "the interval of a difference held the truth", "95"),
    ("equivalence at the margin", "'the same' said of fuels as far apart as the margin", "at most 5"),
    ("coverage of the bag SD", "the interval of the bag SD held the truth", "95"),
    ("coverage of the day SD", "the interval of the day SD held the truth", "95"),
    ("coverage of the burn SD", "the interval of the burn SD held the truth", "95"),
)


@dataclass(frozen=True)
class Design:
    """Size and spread of a trial.

    Attributes
    ----------
    fuels, bags, burns
        Fuels, bags of each fuel, burns of each bag.
    bag_ratio, day_ratio
        Standard deviations of bags and days, over that of burns.
    days
        How fuels were laid over days, '' where days are no part of the model.
    """

    fuels: float
    bags: float
    burns: float
    bag_ratio: float
    day_ratio: float = 0.0
    days: str = ""

    def distance(self, other: Design) -> float:
        """Return how unlike two designs are; one with days in its model is unlike any without."""
        sizes = ((self.fuels, other.fuels), (self.bags, other.bags), (self.burns, other.burns))
        spreads = ((self.bag_ratio, other.bag_ratio), (self.day_ratio, other.day_ratio))
        apart = sum(abs(math.log(a / b)) for a, b in sizes) + sum(abs(a - b) for a, b in spreads)
        return apart + 100.0 * (bool(self.days) != bool(other.days))

    @property
    def words(self) -> str:
        """The design in words: '6 fuels, 3 bags of each, 2 burns of each bag'."""
        sizes = [f"{_size(self.fuels)} fuels", f"{_size(self.bags)} bags of each"]
        sizes.append(f"{_size(self.burns)} burns of each bag")
        days = f", days {self.day_ratio:.2g} times" if self.days else ""
        return f"{', '.join(sizes)}, and bags that vary {self.bag_ratio:.2g} times as much as burns{days}"


def _size(number: float) -> str:
    return plain(number, 0 if number == round(number) else 1)


def tried(facts: Facts) -> list[Block | None]:
    """Return what the method did at the tried design nearest this trial's; nothing where nothing was repeated."""
    lines, own = simulations("simulations.csv", "simulation_table.csv"), design_of(facts)
    if not lines or own is None:
        return []
    rows = {line["row"]: found for line in lines if (found := read_design(line["row"]))}
    name, near = min(rows.items(), key=lambda row: own.distance(row[1]))
    measured = {line["quantity"]: line for line in lines if line["row"] == name and line["method"] == "best"}
    trials = int(next(iter(measured.values()))["trials"])
    laid = f" ({near.days})" if near.days else ""
    words = (
        "The method was also tried on simulated trials whose truth was known. Of the designs tried, the nearest to "
        f"this trial has {near.words}{laid}. This trial has {own.words}, by the fit of its "
        f"{label_of(facts.spec(facts.metrics[0]), facts.units)}."
    )
    heads = ("What was counted", "should be, %", "found, %", "standard error, %")
    table = tuple(_counted(measured))
    note = f"{plain(trials, 0)} simulated trials of that nearest design, not of this one; intervals at 95 %"
    return [Para(words), Rows("Simulated trials of the method", heads, table, note)]


def read_design(name: str) -> Design | None:
    """Return the design a row's name tells; None for uneven ones, which are nobody else's nearest."""
    found = _ROW.fullmatch(name)
    if not found:
        return None
    fuels, bags, burns, days, bag, day = found.groups(default="")
    return Design(int(fuels), int(bags), int(burns), float(bag), float(day or 0), days)


def _counted(found: dict[str, dict[str, str]]) -> Iterator[tuple[str, ...]]:
    for quantity, words, promised in _COUNTED:
        if quantity in found:
            line = found[quantity]
            yield (
                words,
                promised,
                plain(100 * float(line["value"]), 1),
                plain(100 * float(line["mc_error"]), 1),
            )


def design_of(facts: Facts) -> Design | None:
    """Return the design of a trial, its spread by its first metric; None where that has no fitted spread."""
    if facts.bare or not facts.metrics:
        return None
    parts = facts.rows("components", facts.metrics[0])
    sds = {name: float(group.median()) for name, group in parts.groupby("component")["sd"]}
    burns = facts.values_of(facts.metrics[0])
    bags = burns[burns["bag"] != ""].groupby("fuel")["bag"].nunique()
    if not sds.get("burn") or bags.empty:
        return None
    return Design(
        fuels=burns["fuel"].nunique(),
        bags=float(bags.median()),
        burns=float(burns.groupby(["fuel", "bag"]).size().median()),
        bag_ratio=sds.get("bag", 0.0) / sds["burn"],
        day_ratio=sds.get("day", 0.0) / sds["burn"],
        days="days" if "day" in sds else "",
    )
