"""Burn sheets to print, one side a burn, with coded charges; and the key to the codes on its own sheet."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from kit.page.cautions import cautions_html, cautions_short
from kit.page.document import POLICY
from kit.page.text import Html, escape
from kit.plan.schedule import Workday
from kit.schema import BURNS
from kit.trial import Plan, Trial

SHEETS, KEY = "plan/sheets.html", "plan/key.html"
LETTERS = "ACEFHJKLMNPRTUVWXY"  # none that is taken for a digit or another letter
DIGITS = "34679"
HALF_HOURLY = 5.0  # hours up to which attendance is ticked every half hour
CALENDAR = {
    "light": "light at",
    "next": "earliest next lighting, only if checked cold and emptied",
    "weigh": "weigh if cold right through: burns",
}
OVERRUN = (
    "A burn that runs over, or a cooker still warm: the rest of that day moves, as it stands, to the next day or a "
    "spare one. Keep the order and the numbers, and let all else of the calendar follow: the blocks stay whole."
)
NO_AMOUNT = {
    "mass": "the mass agreed on for every burn",
    "volume": "the volume agreed on for every burn, weighed",
    "full starter": "a full starter, weighed",
}
"""What to charge where [charge] does not say how much."""


@dataclass(frozen=True, eq=False)
class Sheets:
    """What burn sheets are printed from.

    Attributes
    ----------
    trial, plan
        The trial file and the plan as written.
    calendar, workday
        Of the planned burns; what a day at the cooker holds.
    simulated
        Whether every sheet says that nothing is burned by it.
    """

    trial: Trial
    plan: Plan
    calendar: pd.DataFrame
    workday: Workday
    simulated: bool = False

    @property
    def title(self) -> str:
        """What the trial is called."""
        return self.trial.title or "trial"

    @property
    def hazards(self) -> list[str]:
        """What any of the fuels does that asks for handling."""
        return list(dict.fromkeys(hazard for fuel in self.trial.fuels for hazard in fuel.hazards))

    @property
    def additives(self) -> bool:
        """Whether any of the fuels has additives."""
        return any(fuel.additives for fuel in self.trial.fuels)

    @property
    def stop_rule(self) -> str:
        """When a burn is over, or that it is to be said."""
        return self.trial.stop_rule.rstrip(". ") or "write it down before the first burn"

    @property
    def own_boxes(self) -> list[str]:
        """Columns of the trial's own that have a box on every sheet."""
        known = {column.name for column in BURNS}
        return [name for name in dict.fromkeys(own_columns(self.trial)) if name not in known]

    @property
    def attended(self) -> list[str]:
        """Hours to tick for as long as a burn lasts and a step more, whole ones where it is long."""
        step = 30 if self.workday.burn_h <= HALF_HOURLY else 60
        minutes = [step * n for n in range(1, math.ceil(self.workday.burn_h * 60 / step) + 2)]
        return [f"{at // 60}:{at % 60:02d}" for at in minutes]

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
    def burns(self) -> list[dict[str, str]]:
        """Of each burn its id, code, when and where it is lit, what is charged, and when the next may be lit."""
        at = {row["burn"]: row for row in self.calendar.to_dict("records")}
        return [
            {
                "burn": str(burn["burn"]),
                "code": self.codes[burn["burn"]],
                "when": _when(burn, at.get(burn["burn"], {})),
                "charge": _amount(self.trial, burn),
                "next": str(at.get(burn["burn"], {}).get("next", "")),
            }
            for burn in self.plan.table.to_dict("records")
        ]


def plan_pages(sheets: Sheets) -> dict[str, str]:
    """Return the text of the burn sheets and of the key, by their place in the run folder."""
    made = _template()
    pages = {SHEETS: made.sheets_page(sheets), KEY: made.key_page(sheets)}
    return {name: f"<!doctype html>\n{page}\n" for name, page in pages.items()}


@lru_cache(maxsize=1)
def _template() -> Any:
    """Return the macros of sheets.html, in which every text is escaped."""
    from jinja2 import Environment, StrictUndefined

    def shown(value: object) -> object:
        return value if hasattr(value, "__html__") else escape(value)

    folder = Path(__file__).parent
    lines = (folder / "sheets.html").read_text(encoding="utf-8").splitlines()
    pages = Environment(autoescape=True, undefined=StrictUndefined, finalize=shown)
    known = {
        "policy": POLICY, "style": Html((folder / "sheets.css").read_text(encoding="utf-8")), "overrun": OVERRUN,
        "calendar_headings": list(CALENDAR.values()), "cautions_short": cautions_short, "cautions_html": cautions_html,
    }  # fmt: skip
    return pages.from_string("".join(line.strip() for line in lines), globals=known).module


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


def _when(burn: Mapping[str, object], at: Mapping[str, str]) -> str:
    day = str(burn["day"])
    weekday = date.fromisoformat(day).strftime("%A ") if day else ""
    parts = {
        f"{weekday}{day or 'Any day'}": True,
        f"light at {at.get('light')}": at.get("light"),
        f"in {burn['cooker']}": burn["cooker"],
        f"at setting {burn['setting']}": burn["setting"],
    }
    return ", ".join(words for words, known in parts.items() if known) + "."


def _amount(trial: Trial, burn: Mapping[str, object]) -> str:
    """Return what to charge: grams with their tolerance, or a volume, or a full starter."""
    if trial.charge.by == "mass" and isinstance(grams := burn.get("charge_g"), float) and grams == grams:
        allowed = trial.charge.tolerance_g or 0.01 * grams
        return f"{grams:g} ± {allowed:g} g"
    litres = trial.charge.litres
    if trial.charge.by == "volume" and litres:
        return f"{litres:g} L, weighed"
    return NO_AMOUNT[trial.charge.by]
