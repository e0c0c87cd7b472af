"""Simulated trials of one design, all of its trials fitted at once.

A Layout says which burn is of which fuel, bag and day; a Truth how much they vary; `drawn` makes the values of any
number of trials from both and a seed, and `fitted` fits them as responses of one design. True means are zero:
with equivariant estimates every other truth gives the same errors.
"""

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from kit.variance.burn_arrays import Roles, levels_of, read_columns
from kit.variance.design import design_of
from kit.variance.fit import RepeatFit
from kit.variance.model import Choices, fit_design

Sizes = tuple[tuple[int, ...], ...]
"""Burns of each bag, fuel by fuel."""

SECTION_3: Sizes = ((4, 2), (1, 3, 2), (2, 2), (3, 1, 1, 2))
REFERENCE: Sizes = ((1, 2, 1), (3, 2, 4, 4), (4, 1, 2), (2, 2, 3, 1), (3, 1, 1, 4))
"""The unbalanced design of DEVELOPERS.md, method 3, and that of tests/reference/burns_unbalanced.csv."""


def even(fuels: int, bags: int, burns: int) -> Sizes:
    return ((burns,) * bags,) * fuels


def places(sizes: Sizes) -> list[tuple[int, int]]:
    """Return fuel and bag of each burn, counted from 0, bags anew in each fuel."""
    return [(f, b) for f, bags in enumerate(sizes) for b, burns in enumerate(bags) for _ in range(burns)]


@dataclass(frozen=True)
class Layout:
    """A design: its name, burns of each bag, and the day of each burn (bag after bag) where days count."""

    name: str
    sizes: Sizes
    days: tuple[int, ...] = ()

    def table(self) -> pd.DataFrame:
        """Return a row a burn, without values."""
        rows = [(f"fuel {f}", f"bag {b}") for f, b in places(self.sizes)]
        table = pd.DataFrame(rows, columns=["fuel", "bag"])
        return table.assign(day=[f"day {d}" for d in self.days]) if self.days else table


@dataclass(frozen=True)
class Truth:
    """Standard deviations, `burn` one for all or one for each fuel; and how bags and burns are distributed."""

    bag: float = 0.0
    day: float = 0.0
    burn: tuple[float, ...] = (1.0,)
    errors: str = "normal"


@dataclass(frozen=True)
class Case:
    """What one row of the table simulates, and how it is analysed."""

    layout: Layout
    truth: Truth
    use_days: bool = True
    spread: str = "common"
    bag: str | None = "bag"
    note: str = field(default="")

    @property
    def name(self) -> str:
        bag, day = f"bag SD {self.truth.bag:g}", f", day SD {self.truth.day:g}" if self.truth.day else ""
        errors = "" if self.truth.errors == "normal" else f", {self.truth.errors} errors"
        return f"{self.layout.name}; {bag}{day}{errors}" + (f"; {self.note}" if self.note else "")


def complete_days(fuels: int, bags: int, burns: int) -> Layout:
    """Every bag burnt once on each day."""
    days = tuple(range(burns)) * (fuels * bags)
    return Layout(
        f"{fuels} × {bags} × {burns}, every bag on each of {burns} days", even(fuels, bags, burns), days
    )


def block_days(fuels: int, bags: int, burns: int, per_day: int, seed: int) -> Layout:
    """Days of a few burns of different fuels: incomplete blocks in random order."""
    sizes, n = even(fuels, bags, burns), fuels * bags * burns
    fuel = np.repeat(np.arange(fuels), bags * burns)
    rng = np.random.default_rng(seed)
    while True:
        days = np.empty(n, dtype=int)
        days[rng.permutation(n)] = np.arange(n) // per_day
        if len(set(zip(fuel.tolist(), days.tolist(), strict=True))) == n:
            name = f"{fuels} × {bags} × {burns}, {n // per_day} days of {per_day} fuels"
            return Layout(name, sizes, tuple(days.tolist()))


def scattered_days(fuels: int, bags: int, burns: int, days: int, seed: int) -> Layout:
    """Nearly a day a burn: a burn on each day, the other burns on any of them."""
    n, rng = fuels * bags * burns, np.random.default_rng(seed)
    of = rng.permutation([*range(days), *rng.integers(0, days, n - days)])
    name = f"{fuels} × {bags} × {burns}, {n} burns on {days} days"
    return Layout(name, even(fuels, bags, burns), tuple(of.tolist()))


def drawn(case: Case, trials: int, seed: int) -> np.ndarray:
    """Return values (trials, burns)."""
    table, rng = case.layout.table(), np.random.default_rng(seed)
    fuel = levels_of(table["fuel"].tolist())
    bag = levels_of(zip(table["fuel"], table["bag"], strict=True))
    burn = np.broadcast_to(case.truth.burn, fuel.count) if len(case.truth.burn) == 1 else case.truth.burn
    y = _errors(case.truth.errors, rng, (trials, len(table))) * np.asarray(burn)[fuel.codes]
    y += case.truth.bag * _errors(case.truth.errors, rng, (trials, bag.count))[:, bag.codes]
    if case.layout.days:
        day = levels_of(table["day"].tolist())
        y += case.truth.day * rng.standard_normal((trials, day.count))[:, day.codes]
    return y


def _errors(kind: str, rng: np.random.Generator, size: tuple[int, int]) -> np.ndarray:
    """Draw errors of mean 0 and SD 1."""
    if kind == "t3":
        return rng.standard_t(3, size) / np.sqrt(3)
    if kind == "log-normal":
        return (rng.lognormal(0, 0.5, size) - np.exp(0.125)) / np.sqrt(np.exp(0.25) * (np.exp(0.25) - 1))
    return rng.standard_normal(size)


def fitted(case: Case, values: np.ndarray) -> RepeatFit:
    """Return one fit of all trials: each is a response of the same design."""
    table = case.layout.table().assign(value=0.0)
    roles = Roles(("value",), bag=case.bag, day="day" if case.use_days and case.layout.days else None)
    columns = read_columns(table, roles, "plain")
    design = design_of(columns, "fixed", case.spread)
    many = replace(roles, values=tuple(f"trial {i}" for i in range(len(values))))
    choices = Choices("fixed", case.spread, "plain", "REML", None)
    return fit_design(table, many, replace(columns, values=values), design, choices)
