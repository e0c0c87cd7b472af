"""What the methods did on simulated trials whose truth was known, from the tables that `make simulate` writes."""

from __future__ import annotations

import csv
import math
import re
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from kit.page.shown_numbers import plain
from kit.publish.report_data import ReportData
from kit.publish.sections.how import method_words
from kit.publish.text_blocks import Block, Rows

_KIT: Final = Path(__file__).resolve().parents[1]
_ROW: Final = re.compile(r"(\d+) × (\d+) × (\d+)(?:, ([^;]*))?; bag SD ([\d.]+)(?:, day SD ([\d.]+))?")


def simulations(packaged: str, written: str) -> list[dict[str, str]]:
    """Return the lines of a table: under its packaged name, else where it is written; none where it is absent."""
    places = (_KIT / "packaged" / packaged, _KIT.parent / "tests" / "reference" / written)
    for place in filter(Path.is_file, places):
        with place.open(encoding="utf-8", newline="") as handle:
            return list(csv.DictReader(handle))
    return []


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
        unlike = sum(abs(math.log(a / b)) for a, b in sizes) + sum(abs(a - b) for a, b in spreads)
        return unlike + 100.0 * (bool(self.days) != bool(other.days))

    @property
    def words(self) -> str:
        """The design in words: '6 fuels, 3 bags of each, 2 burns of each bag'."""
        sizes = self.fuels, self.bags, self.burns
        fuels, bags, burns = (plain(n, 0 if n == round(n) else 1) for n in sizes)
        days = f", days {self.day_ratio:.2g} times" if self.days else ""
        return (
            f"{fuels} fuels, {bags} bags of each, {burns} burns of each bag, and bags that vary "
            f"{self.bag_ratio:.2g} times as much as burns{days}"
        )


def tried(data: ReportData) -> list[Block | None]:
    """Return what the method did at the tried design nearest this trial's; nothing where nothing was repeated."""
    lines, own = simulations("simulations.csv", "simulation_table.csv"), design_of(data)
    if not lines or own is None:
        return []
    designs = {line["row"]: design for line in lines if (design := read_design(line["row"]))}
    name, near = min(designs.items(), key=lambda row: own.distance(row[1]))
    measured = {line["quantity"]: line for line in lines if line["row"] == name and line["method"] == "best"}
    trials = int(next(iter(measured.values()))["trials"])
    laid = f" ({near.days})" if near.days else ""
    words = (
        "The method was also tried on simulated trials whose truth was known. Of the designs tried, the nearest to "
        f"this trial has {near.words}{laid}. This trial has {own.words}, by the fit of its "
        f"{data.label(data.metrics[0])}."
    )
    rows = tuple(
        (row["said"], row["nominal"], *(plain(100 * float(line[name]), 1) for name in ("value", "mc_error")))
        for row in method_words()["trials"]
        if (line := measured.get(row["quantity"]))
    )
    heads = ("What was counted", "nominal, %", "observed, %", "standard error, %")
    note = f"{plain(trials, 0)} simulated trials of that nearest design, not of this one; intervals at 95 %"
    return [words, Rows("Simulated trials of the method", heads, rows, note)]


def read_design(name: str) -> Design | None:
    """Return the design a row's name tells; None for uneven ones, which are nobody else's nearest."""
    match = _ROW.fullmatch(name)
    if not match:
        return None
    fuels, bags, burns, days, bag, day = match.groups(default="")
    return Design(int(fuels), int(bags), int(burns), float(bag), float(day or 0), days)


def design_of(data: ReportData) -> Design | None:
    """Return the design of a trial, its spread by its first metric; None where that has no fitted spread."""
    if data.bare or not data.metrics:
        return None
    parts = data.rows("components", data.metrics[0])
    sds = {name: float(group.median()) for name, group in parts.groupby("component")["sd"]}
    burns = data.values_of(data.metrics[0])
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


def decided(data: ReportData) -> Rows | None:
    """Return how often each kind of statement was right, lowest to highest over the designs; None for bare trials."""
    lines = simulations("decisions.csv", "decisions_table.csv")
    if not lines or data.bare:
        return None
    shares: dict[tuple[str, str], list[float]] = defaultdict(list)
    for line in lines:
        shares[line["kind"], line["quantity"]].append(100 * float(line["value"]))
    rows = tuple(
        (row["said"], row["nominal"], plain(min(own), 1), plain(max(own), 1), str(len(own)))
        for row in method_words()["decisions"]
        if (own := shares[row["kind"], row["quantity"]])
    )
    heads = ("What was counted", "nominal, %", "lowest, %", "highest, %", "designs")
    fewest = min(int(line["trials"]) for line in lines)
    note = f"at least {plain(fewest, 0)} simulated trials of each design; none of them is this trial"
    return Rows("Simulated trials of curves and predictions", heads, rows, note)
