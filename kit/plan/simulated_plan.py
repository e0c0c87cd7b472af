"""The plan of simulated burns, written beside them and marked as what it is."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from kit.plan.loggers import NOTE
from kit.plan.planned import RULES
from kit.plan.sheets import codes, key_page, sheets_page
from kit.plan.timetable import timetable, workday_of
from kit.plan.writing import KEY, SHEETS
from kit.trial import open_run, plan_of, write_plan


def write_simulated_plan(folder: Path, order: pd.DataFrame, written: str) -> None:
    """Write plan.toml, sheets and key for burns that were simulated, so that they can be held against it."""
    run = open_run(folder)
    spare = order.attrs.get("spare_days", [])
    plan = write_plan(folder, plan_of(run.trial, order, written, spare_days=spare, exclusions=RULES))
    place = folder / "plan" / "plan.toml"
    place.write_text(f"# {NOTE}.\n" + place.read_text(encoding="utf-8"), encoding="utf-8", newline="\n")
    coded = codes(plan.table["burn"].tolist(), plan.seed or 1)
    workday = workday_of(run.trial)
    calendar = timetable(plan.table, plan.spare_days, workday)
    pages = {
        SHEETS: sheets_page(run.trial, plan, calendar, coded, workday, simulated=True),
        KEY: key_page(run.trial, plan, coded, simulated=True),
    }
    for name, page in pages.items():
        (folder / name).write_text(page, encoding="utf-8", newline="\n")
