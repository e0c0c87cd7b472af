"""A plan written into its run folder: plan.toml, sheets, key and planned rows, whole or not at all."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from kit.errors import KitError, disk_faults, refuse_way_out
from kit.plan.answers import SHEET, is_empty
from kit.plan.planned import Planned, make_plan
from kit.plan.sentences import plan_words
from kit.plan.sheets import KEY, SHEETS, Sheets, own_columns, plan_pages
from kit.runtime.atomic_write import sweep_drafts, write_atomically
from kit.schema import BURNS
from kit.trial import write_plan

NEXT = f"Next: print {SHEETS}, one side a burn; {KEY} is for whoever fills the charges, not for whoever burns them."


@dataclass(frozen=True, eq=False)
class Written:
    """A plan that stands in its run folder.

    Attributes
    ----------
    planned
        What it says; its plan carries the recorded hash.
    files
        What was written, relative to the run folder.
    """

    planned: Planned
    files: tuple[str, ...]

    @property
    def words(self) -> str:
        """The plan in plain words, then where its files are and what to do with them."""
        written = f"Written in {self.planned.folder}: {', '.join(self.files)}"
        return f"{plan_words(self.planned)}\n\n{written}\n{NEXT}"

    def as_record(self) -> dict[str, Any]:
        """Return the plan as plain values, for JSON."""
        planned = self.planned
        return {
            "folder": str(planned.folder),
            "files": list(self.files),
            "line": planned.plan.line,
            "sha256": planned.plan.sha256,
            "burns": len(planned.order),
            "days": int(planned.order["day"].nunique()),
            "chances": planned.chances.to_dict("records"),
            "settles": planned.settles.to_dict("records"),
            "smallest": planned.smallest.total if planned.smallest else None,
            "cheapest_split": planned.split if planned.split != float("inf") else None,
            "cost": planned.cost,
            "notes": list(planned.notes),
        }


def plan_run(
    run_folder: str | Path,
    earlier: Sequence[str | Path] = (),
    today: date | str | None = None,
    first_day: date | str | None = None,
    simulated: bool = False,
) -> Written:
    """Plan a trial and write the plan into its run folder, whole or not at all.

    Writes plan/plan.toml with its hash (an earlier plan is kept beside it), plan/sheets.html, plan/key.html,
    and rows for the planned burns into burns.csv where it has none.

    Parameters
    ----------
    run_folder, earlier, today, first_day
        As for `make_plan`.
    simulated
        Say on every sheet that nothing is burned by it.

    Raises
    ------
    KitError
        As `make_plan`; where the plan cannot be carried out as it was asked for, or the folder not be written.
    """
    refuse_way_out(Path(run_folder) / "plan")
    planned = make_plan(run_folder, earlier, today, first_day)
    if planned.obstacles:
        raise KitError(planned.obstacles)
    sheets = Sheets(planned.trial, planned.plan, planned.calendar, planned.workday, simulated)
    plan_pages(sheets)  # what goes wrong goes wrong before the first file
    with disk_faults(planned.folder):
        return _write(planned, sheets)


def _write(planned: Planned, sheets: Sheets) -> Written:
    folder = planned.folder
    (folder / "plan").mkdir(exist_ok=True)
    sweep_drafts(folder)
    plan = write_plan(folder, planned.plan)
    texts = plan_pages(replace(sheets, plan=plan))
    if is_empty(folder / SHEET):  # a burn sheet with rows is not written again
        texts[SHEET] = burn_rows(plan.table, [*_headings(folder / SHEET), *own_columns(planned.trial)])
    for name, text in texts.items():
        write_atomically(folder / name, text)
    return Written(replace(planned, plan=plan), ("plan/plan.toml", *texts))


def _headings(sheet: Path) -> list[str]:
    """Return the headings of a sheet without rows: a tester's own columns are kept."""
    if not sheet.is_file():
        return []
    lines = sheet.read_text(encoding="utf-8-sig", errors="replace").splitlines()
    cells = next(csv.reader([line for line in lines if line.strip()][:1]), [])
    return [cell.strip() for cell in cells if cell.strip()]


def burn_rows(order: pd.DataFrame, headings: Sequence[str] = ()) -> str:
    """Return a burn sheet of planned rows: what is planned stands in it, the rest is blank."""
    names = list(dict.fromkeys([*(column.name for column in BURNS), *headings]))
    table = order.drop(columns="charge_g").reindex(columns=names)
    return str(table.to_csv(index=False, float_format="%g", lineterminator="\n"))
