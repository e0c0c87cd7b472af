"""Whole simulated folders: a rehearsal of the tester's own plan, and the demo, a cookery school's choice of fuel."""

import sys
import tomllib
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from kit.data_file import data_text
from kit.errors import Faults, KitError
from kit.plan.answers import obstacle, trial_path
from kit.plan.burning import KINDS, KNOWN, Recipe
from kit.plan.planned import RULES, make_plan
from kit.plan.schedule import WORDS, Sheets, plan_pages, refuse_no_count, run_order, workday_of
from kit.plan.simulated import NOTE, PROBES, Fault, simulate_trial
from kit.runtime.atomic_write import locked_folder
from kit.trial import open_run, plan_of, read_plan, write_plan
from kit.trial.decode import read_text
from kit.trial.models import ALL_ALIKE

FEWEST_FOR_FAULTS = 8


def rehearse(run_folder: str | Path, seed: int = 1) -> Path:
    """Simulate a whole trial of a run folder's plan in FOLDER/rehearsal-SEED/ and return its path.

    The tester's own fuels, margins, settings, probes and order; the fuels' behaviour is that of their kinds,
    drawn from the seed. From eight burns on a spike, an opened lid, a stuck probe and a log cut short are in
    it, so that their treatment can be seen. Every file says that it is simulated.

    Raises
    ------
    KitError
        Where the folder has no trial file or a fault in it, that rehearsal is there already, or the seed is none.
    """
    faults = Faults()
    refuse_no_count(faults, "rehearsal, seed", seed, least=0)
    faults.settle()
    folder = Path(run_folder).absolute()
    target = folder / f"rehearsal-{seed}"
    if target.exists():
        raise KitError.refuse(str(target), *obstacle("rehearsed"))
    text = rehearsal_text(read_text(trial_path(folder), "trial.toml")[0], seed)
    plan = read_plan(folder)
    order = _dated(plan.table if plan else make_plan(folder).plan.table)
    with locked_folder(folder, ".rehearsal-") as work:
        work.rmdir()  # made anew there, as deep as it will stand: earlier folders are named relative to it
        simulate_trial(work, text, order, seed, faults=_faults(order, seed))
        write_simulated_plan(work, order, plan.written if plan else min(order["day"]))
        work.rename(target)
    return target


def rehearsal_text(text: str, seed: int) -> str:
    """Return the trial file of a rehearsal: the tester's own, titled as simulated, with the kit's logger."""
    import tomli_w

    table: dict[str, Any] = tomllib.loads(text)
    about = table.setdefault("trial", {})
    about["title"] = f"Simulated rehearsal: {about.get('title') or 'trial'}"
    about["interests"] = "None: every burn is simulated."
    probes = [probe["id"] for probe in table.get("probe", [])] or list(PROBES)
    if not table.get("probe"):
        table["probe"] = [{"id": probe} for probe in probes]
        about["probe"] = probes[0]
    columns = {probe: f"{probe} (°C)" for probe in probes}
    table["logger"] = [{"id": "simulated", "columns": columns}]
    borrowed = table.get("model", {}).get("borrow_from")
    if borrowed:
        listed = [borrowed] if isinstance(borrowed, str) else borrowed
        names = [name for name in listed if name != ALL_ALIKE]  # beside a rehearsal stand none but rehearsals
        table["model"]["borrow_from"] = [name if Path(name).is_absolute() else f"../{name}" for name in names]
    return str(WORDS["rehearsal"]).format(seed=seed) + tomli_w.dumps(table)


def _dated(order: pd.DataFrame) -> pd.DataFrame:
    """Return the planned burns with a day for each: the plan's, else one a day from tomorrow on."""
    order = order.copy()
    order["order"] = order["order"].fillna(pd.Series(range(1, len(order) + 1), index=order.index))
    order = order.sort_values("order", kind="stable", ignore_index=True)
    if (order["day"] == "").any():
        order["day"] = [(date.today() + timedelta(days=1 + n)).isoformat() for n in range(len(order))]
    return order


def _faults(order: pd.DataFrame, seed: int) -> Sequence[Fault]:
    if len(order) < FEWEST_FOR_FAULTS:
        return ()
    drawn = np.random.default_rng([seed, 81]).choice(len(order), len(KNOWN["rehearsal_fault"]), replace=False)
    burns = [str(order["burn"].iloc[n]) for n in drawn]
    return [Fault(burn=burn, **own) for burn, own in zip(burns, KNOWN["rehearsal_fault"], strict=True)]


def write_simulated_plan(folder: Path, order: pd.DataFrame, written: str) -> None:
    """Write plan.toml, sheets and key for burns that were simulated, so that they can be held against it."""
    trial = open_run(folder).trial
    spare = order.attrs.get("spare_days", [])
    plan = write_plan(folder, plan_of(trial, order, written, spare_days=spare, exclusions=RULES))
    place = folder / "plan" / "plan.toml"
    place.write_text(f"# {NOTE}.\n" + place.read_text(encoding="utf-8"), encoding="utf-8", newline="\n")
    for name, page in plan_pages(Sheets(trial, plan, workday_of(trial), simulated=True)).items():
        (folder / name).write_text(page, encoding="utf-8", newline="\n")


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
