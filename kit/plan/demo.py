"""The demo run folder: a cookery school chooses fuel; every burn of it is simulated, from seed 1."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pandas as pd

from kit.data_file import data_text
from kit.plan.burning import KINDS, KNOWN, Recipe
from kit.plan.rehearsal import write_simulated_plan
from kit.plan.schedule import run_order
from kit.plan.simulated import Fault, simulate_trial

DEMO_SEED = 1  # fixed before the first run; never chosen for its results
BAGS, BURNS = 3, 2
OVENS = ("drum oven 1", "drum oven 2")
TASTERS = ("P", "R", "T")
PLANNED_ON = "2026-02-27"
SPARE_LOGGER_DAYS = ("2026-03-12", "2026-03-13")

RECIPES: dict[str, Recipe] = {
    fuel: replace(KINDS[own["kind"]], **{name: value for name, value in own.items() if name != "kind"})
    for fuel, own in KNOWN["demo"].items()
}

FAULTS = tuple(Fault(**own) for own in KNOWN["demo_fault"])

TRIAL = data_text(__file__, "demo.toml")


def demo_order() -> pd.DataFrame:
    """Return the order of the demo's 36 burns: two a day on eighteen weekdays, one in each oven."""
    return run_order(
        list(RECIPES), BAGS, BURNS, len(OVENS), DEMO_SEED,
        first_day="2026-03-02", weekdays=range(5), cookers=OVENS,
    )  # fmt: skip


def make_demo(folder: str | Path) -> Path:
    """Write the demo run folder, the same bytes each time.

    Raises
    ------
    KitError
        Where the folder exists.
    """
    order = demo_order()
    target = simulate_trial(
        folder, TRIAL, order, DEMO_SEED, RECIPES, FAULTS, comma_days=SPARE_LOGGER_DAYS, tasters=TASTERS
    )
    write_simulated_plan(target, order, PLANNED_ON)
    return target


if __name__ == "__main__":
    make_demo(sys.argv[1])
