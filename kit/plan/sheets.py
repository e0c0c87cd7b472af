"""Burn sheets to print, one side a burn, with coded charges; and the key to the codes on its own sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from typing import Any

import numpy as np
import pandas as pd

from kit.data_file import data_text
from kit.page.document import POLICY, cautions_html, cautions_short, escaping_template
from kit.page.text import Html
from kit.plan.schedule import WORDS, Workday, timetable
from kit.schema import BURNS
from kit.trial import Plan, Trial

SHEETS, KEY = "plan/sheets.html", "plan/key.html"
LETTERS = "ACEFHJKLMNPRTUVWXY"  # none that is taken for a digit or another letter
DIGITS = "34679"
CALENDAR: dict[str, str] = WORDS["calendar"]
"""Columns of the calendar, and their headings."""


@dataclass(frozen=True, eq=False)
class Sheets:
    """What burn sheets are printed from.

    Attributes
    ----------
    trial, plan
        The trial file and the plan as written.
    workday
        What a day at the cooker holds.
    simulated
        Whether every sheet says that nothing is burned by it.
    """

    trial: Trial
    plan: Plan
    workday: Workday
    simulated: bool = False

    @cached_property
    def calendar(self) -> pd.DataFrame:
        """The days of the planned burns."""
        return timetable(self.plan.table, self.plan.spare_days, self.workday)

    @property
    def own_boxes(self) -> list[str]:
        """Columns of the trial's own that have a box on every sheet."""
        known = {column.name for column in BURNS}
        return [name for name in dict.fromkeys(own_columns(self.trial)) if name not in known]

    @cached_property
    def codes(self) -> dict[str, str]:
        """The code of each burn's charge."""
        return codes(self.plan.table["burn"].tolist(), self.plan.seed or 1)

    @property
    def calendar_rows(self) -> list[tuple[str, ...]]:
        """Day, burn with its code, and the columns of CALENDAR."""
        rows = []
        for row in self.calendar.to_dict("records"):
            cooker = f", {row['cooker']}" if row["cooker"] else ""
            what = f"{row['burn']}: {self.codes[row['burn']]}{cooker}" if row["burn"] else row["what"]
            rows.append((f"{row['weekday'][:3]} {row['day']}", what, *(row[name] for name in CALENDAR)))
        return rows

    @property
    def key_rows(self) -> list[tuple[str, ...]]:
        """Code, burn, fuel, bag and day of each charge."""
        labels = {fuel.id: fuel.label for fuel in self.trial.fuels}
        burns = self.plan.table[["burn", "fuel", "bag", "day"]].to_numpy()
        return [(self.codes[burn], burn, labels.get(fuel, fuel), *where) for burn, fuel, *where in burns]

    @property
    def burns(self) -> list[dict[str, Any]]:
        """Of each burn what was planned of it, its code, the weekday, when it is lit and when the next may be."""
        times = self.calendar[["burn", "weekday", "light", "after", "next"]]
        table = self.plan.table.merge(times, how="left", on="burn").assign(code=self.codes.values())
        return [
            {name: "" if cell != cell else cell for name, cell in row.items()}
            for row in table.to_dict("records")
        ]


def plan_pages(sheets: Sheets) -> dict[str, str]:
    """Return the text of the burn sheets and of the key, by their place in the run folder."""
    made = _template()
    pages = {SHEETS: made.sheets_page(sheets), KEY: made.key_page(sheets)}
    return {name: f"<!doctype html>\n{page}\n" for name, page in pages.items()}


@cache
def _template() -> Any:
    """Return the macros of sheets.html."""
    return escaping_template(
        "".join(line.strip() for line in data_text(__file__, "sheets.html").splitlines()),
        policy=POLICY,
        style=Html(data_text(__file__, "sheets.css")),
        words=WORDS,
        calendar_headings=list(CALENDAR.values()),
        cautions_short=cautions_short,
        cautions_html=cautions_html,
    ).module


def codes(burns: Sequence[str], seed: int) -> dict[str, str]:
    """Return a code for each burn: a letter and two digits that tell nothing of fuel or order."""
    known = [f"{letter}{a}{b}" for letter in LETTERS for a in DIGITS for b in DIGITS]
    drawn = np.random.default_rng([seed, 71]).permutation(len(known))
    return {
        burn: known[drawn[n % len(known)]] + ("" if n < len(known) else str(n // len(known)))
        for n, burn in enumerate(burns)
    }


def own_columns(trial: Trial) -> list[str]:
    """Return the columns of the burn sheet that the trial itself declares."""
    return [*(each.column for each in trial.declared), *trial.model.covariates]
