"""Burn sheets to print, one side a burn, with coded charges; and the key to the codes on its own sheet."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from kit.page.cautions import cautions_html, cautions_short
from kit.page.document import POLICY
from kit.page.text import Html, element
from kit.plan.schedule import Workday
from kit.schema import BURNS
from kit.trial import Plan, Trial

SHEETS, KEY = "plan/sheets.html", "plan/key.html"
STYLE = Path(__file__).with_name("sheets.css").read_text(encoding="utf-8")
LETTERS = "ACEFHJKLMNPRTUVWXY"  # none that is taken for a digit or another letter
DIGITS = "34679"
EVENT_ROWS = 3
HALF_HOURLY = 5.0  # hours up to which attendance is ticked every half hour
LAST_ROWS = 8
"""So many rows of the calendar are kept together at its end, that no page holds one line alone."""
BEFORE = ("charge_g", "charge_l", "operator", "day", "ambient_c", "wind_m_s", "humidity_pct")
CALENDAR = {
    "light": "light at",
    "next": "earliest next lighting, only if checked cold and emptied",
    "weigh": "weigh if cold right through: burns",
}
CLOCKS = ("lit", "tipped", "lid_on", "stopped", "log")
WORDS: dict[str, Any] = tomllib.loads(Path(__file__).with_name("sheets.toml").read_text(encoding="utf-8"))
"""What stands on the sheets, by name."""


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

    @cached_property
    def codes(self) -> dict[str, str]:
        """The code of each burn's charge."""
        return codes(self.plan.table["burn"].tolist(), self.plan.seed or 1)

    @property
    def banner(self) -> Html | None:
        """What a simulated sheet says of itself."""
        return element("p", WORDS["simulated"], class_="banner") if self.simulated else None

    @property
    def care(self) -> list[Html]:
        """The cautions in short, and the handling of every charge: a code hides no hazard and gives no fuel away."""
        hazards = list(dict.fromkeys(hazard for fuel in self.trial.fuels for hazard in fuel.hazards))
        lines = [WORDS["hazards"].format("; ".join(hazards))] if hazards else []
        lines += [WORDS["additives"]] if any(fuel.additives for fuel in self.trial.fuels) else []
        cautions = _list("ul", cautions_short(), "care")
        return [cautions, *([element("p", " ".join(lines), class_="hazard")] if lines else [])]


def plan_pages(sheets: Sheets) -> dict[str, str]:
    """Return the text of the burn sheets and of the key, by their place in the run folder."""
    return {SHEETS: sheets_page(sheets), KEY: key_page(sheets)}


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


def sheets_page(sheets: Sheets) -> str:
    """Return the page of burn sheets: what to do beforehand, cautions, the calendar, then one side a burn."""
    title = f"Burn sheets: {sheets.trial.title or 'trial'}"
    front = element("section", *_front(sheets, title), cautions_html(), *_calendar(sheets), class_="front")
    at = {row["burn"]: row for row in sheets.calendar.to_dict("records")}
    burns = [_sheet(sheets, burn, at.get(burn["burn"], {})) for burn in sheets.plan.table.to_dict("records")]
    return _page(title, element("main", front, *burns))


def key_page(sheets: Sheets) -> str:
    """Return the key: which fuel and bag sit behind each code. Whoever burns does not see it."""
    labels = {fuel.id: fuel.label for fuel in sheets.trial.fuels}
    burns = sheets.plan.table[["burn", "fuel", "bag", "day"]].to_numpy()
    rows = [(sheets.codes[burn], burn, labels.get(fuel, fuel), *where) for burn, fuel, *where in burns]
    title = f"Key to the codes: {sheets.trial.title or 'trial'}"
    parts = (
        element("h1", title),
        sheets.banner,
        element("p", WORDS["keep_apart"]),
        _table("Charges", ("code", "burn", "fuel", "bag", "day"), rows),
        element("p", sheets.plan.line, class_="foot"),
    )
    return _page(title, element("main", *parts))


def _page(title: str, body: Html) -> str:
    head = element(
        "head",
        element("meta", charset="utf-8"),
        element("meta", http_equiv="Content-Security-Policy", content=POLICY),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("title", title), Html(f"<style>{STYLE}</style>"),
    )  # fmt: skip
    return f"<!doctype html>\n{element('html', head, element('body', body), lang='en')}\n"


def _table(
    caption: str, headings: Sequence[str], rows: Sequence[Sequence[str]], class_: str | None = None
) -> Html:
    """Return a table whose first cells are headings where they are not left blank, its last rows kept together."""
    head = element("thead", element("tr", *(element("th", heading, scope="col") for heading in headings)))
    lines = []
    for first, *others in rows:
        cell = element("th", first, scope="row", class_="day") if first else element("td")
        lines.append(element("tr", cell, *(element("td", each) for each in others)))
    bodies = element("tbody", *lines[:-LAST_ROWS]), element("tbody", *lines[-LAST_ROWS:], class_="last")
    made = element("table", element("caption", caption), head, *bodies, class_=class_)
    return element("div", made, class_="scroll", role="group", tabindex=0, aria_label=caption)


def _list(kind: str, lines: Iterable[str], class_: str | None = None) -> Html:
    return element(kind, *(element("li", line) for line in lines), class_=class_)


def _front(sheets: Sheets, title: str) -> tuple[Html | None, ...]:
    trial, plan = sheets.trial, sheets.plan
    zero, rule = f"Time zero is: {trial.time_zero}. {WORDS['photo']}", f"Stop rule: {_stop_rule(trial)}."
    always = [zero, rule, *plan.exclusions, WORDS["vents"], WORDS["scores"], WORDS["copy"]]
    return (
        element("h1", title),
        sheets.banner,
        *sheets.care,
        element("p", trial.question) if trial.question else None,
        element("h2", "Before the first burn"),
        element("p", WORDS["post"]),
        element("p", plan.line, class_="banner foot"),
        element("h2", "A fair charge from a bag"),
        _list("ol", WORDS["fair_charge"]),
        element("h2", "At every burn"),
        _list("ul", always),
    )


def _stop_rule(trial: Trial) -> str:
    return trial.stop_rule.rstrip(". ") or "write it down before the first burn"


def _calendar(sheets: Sheets) -> tuple[Html, ...]:
    rows = []
    for row in sheets.calendar.to_dict("records"):
        cooker = f", {row['cooker']}" if row["cooker"] else ""
        what = f"{row['burn']}: {sheets.codes[row['burn']]}{cooker}" if row["burn"] else row["what"]
        rows.append((f"{row['weekday'][:3]} {row['day']}", what, *(row[name] for name in CALENDAR)))
    table = _table(WORDS["calendar"], ("day", "burn: code", *CALENDAR.values()), rows, "calendar")
    paragraphs = (element("p", WORDS[name]) for name in ("no_promise", "overrun"))
    return element("h2", "Calendar"), *paragraphs, table


def _sheet(sheets: Sheets, burn: Mapping[str, object], at: Mapping[str, str]) -> Html:
    """Return the sheet of one burn, from top to bottom as it is filled in."""
    trial, code = sheets.trial, sheets.codes[str(burn["burn"])]
    aim = element("span", f"{_aim(trial, burn)}.", class_="day")
    rules = f"Time zero: {trial.time_zero}. Stop rule: {_stop_rule(trial)}. {WORDS['photo']}"
    known = {column.name for column in BURNS}
    own = [name for name in dict.fromkeys(own_columns(trial)) if name not in known]
    return element(
        "section",
        element("div", code, class_="code", aria_label=f"code {code}"),
        element("h2", f"Burn {burn['burn']}", class_="burn"),
        element("p", _when(burn, at), f" Container {code}, ", aim),
        sheets.banner,
        *sheets.care,
        element("h3", "Before: weigh and set"),
        _boxes(BEFORE),
        _list("ul", WORDS["ticks"], "ticks"),
        element("h3", "At the cooker: clock times and events"),
        _boxes(CLOCKS, "five"),
        element("p", rules, class_="small"),
        *_attended(sheets.workday),
        _boxes([*own, "notes"]),
        *_afterwards(sheets.workday, at.get("next", "")),
        class_="sheet",
    )


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


def _aim(trial: Trial, burn: Mapping[str, object]) -> str:
    """Return what to charge: grams with their tolerance, or a volume, or a full starter."""
    if trial.charge.by == "mass" and isinstance(grams := burn.get("charge_g"), float) and grams == grams:
        allowed = trial.charge.tolerance_g or 0.01 * grams
        return f"{grams:g} ± {allowed:g} g"
    litres = trial.charge.litres
    if trial.charge.by == "volume" and litres:
        return f"{litres:g} L, weighed"
    return str(WORDS["aim"][trial.charge.by])


def _attended(workday: Workday) -> tuple[Html, Html]:
    """Return ticks for as long as the burn, hourly where it is long, and a table for what happens in it."""
    step = 30 if workday.burn_h <= HALF_HOURLY else 60
    minutes = [step * n for n in range(1, math.ceil(workday.burn_h * 60 / step) + 2)]
    ticks = (element("span", f"{at // 60}:{at % 60:02d}", class_="half") for at in minutes)
    return (
        element("p", element("strong", "Attended, hours after lit: "), *ticks, class_="small"),
        _table(WORDS["events"], ("at", "until", "event", "notes"), [[""] * 4] * EVENT_ROWS, "blank"),
    )


def _afterwards(workday: Workday, following: str) -> list[Html]:
    """Return when the cooker is lit again at the earliest, and the boxes of what is weighed cold."""
    again = WORDS["lit_again"].format(f"not before {following}" if ":" in following else "on another day")
    weighed = WORDS["ash_bin"] if workday.weighed else WORDS["not_weighed"]
    return [
        element("h3", WORDS["cold"] if workday.weighed else "Afterwards"),
        *([_boxes(("leftover_g", "ash_g"))] if workday.weighed else []),
        element("p", weighed, " ", element("strong", again), class_="small"),
    ]


def _boxes(names: Iterable[str], class_: str = "") -> Html:
    boxes = []
    for name in names:
        label = element("span", WORDS["labels"].get(name, name.replace("_", " ")), element("small", name))
        wide = "box wide" if name == "notes" else "box"
        boxes.append(element("div", label, element("b", ""), class_=wide))
    return element("div", *boxes, class_=f"boxes {class_}".strip())
