"""Burn sheets to print, one side a burn, with coded charges; and the key to the codes on its own sheet."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from kit.page import Html, cautions_html, cautions_short, element, join
from kit.page.document import POLICY
from kit.plan.sheet_style import STYLE
from kit.plan.timetable import Workday
from kit.schema import BURNS
from kit.trial import Plan, Trial

LETTERS = "ACEFHJKLMNPRTUVWXY"  # none that is taken for a digit or another letter
DIGITS = "34679"
EVENT_ROWS = 3
LAST_ROWS = 8
"""So many rows of the calendar are kept together at its end, that no page holds one line alone."""
PHOTO = "Photograph the logger's display and a clock together at lit, at tipped and at lid on."
LABELS = {
    "charge_g": "charge, g",
    "charge_l": "volume, L",
    "ambient_c": "air, °C",
    "wind_m_s": "wind, m/s",
    "humidity_pct": "humidity, %",
    "operator": "operator",
    "cooker": "cooker",
    "setting": "setting",
    "lit": "fuel lit",
    "tipped": "tipped in",
    "lid_on": "lid on",
    "stopped": "stopped",
    "leftover_g": "left over, g",
    "ash_g": "ash, g",
    "log": "log file",
    "notes": "notes",
}

KEEP_APART = (
    "For the one who fills the charges. Keep it from whoever burns and scores until the last burn is done."
)
COPY = "Copy each sheet into burns.csv the same day; the small word in a box is the column."
NO_PROMISE = (
    "A clock time is no proof that anything is cold. Hot ash is never emptied to keep to this calendar: what is still "
    "warm is weighed later, or not at all, and the next burn waits."
)
SCORES = (
    "Smoke is scored from upwind. Taste is scored only of fuels sold for cooking, fully ashed over, by a cook who "
    "knows what burns; nothing of a coded charge is eaten."
)
HAZARDS = "Handle every charge as if it did this, for a fuel of this trial does: {list}."
ADDITIVES = "A fuel of this trial has additives: let every charge ash over fully, and stay out of its smoke."
NOT_WEIGHED = "Ash and leftovers are not weighed in this trial: their cells stay blank."

FAIR_CHARGE = (
    "Outdoors, upwind, with a dust mask on: tip the whole bag out on a clean sheet.",
    "Mix it by turning it over, and heap it to a cone. Flatten the cone, divide it into four, keep two opposite "
    "quarters, return the rest to the bag.",
    "Cone and quarter again until about twice a charge is left. Keep large and small pieces in the mix they "
    "came in; break only pieces over 10 cm.",
    "Weigh the charge from that heap piece by piece, to within 1 % or one piece. Sieve out and weigh the "
    "fines first; leave them out of the charge.",
    "Write the code of the charge on its container, and nothing else. The one who burns it does not see the key.",
)


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


def sheets_page(
    trial: Trial,
    plan: Plan,
    calendar: pd.DataFrame,
    coded: Mapping[str, str],
    workday: Workday,
    simulated: bool = False,
) -> str:
    """Return the page of burn sheets: what to do beforehand, cautions, the calendar, then one side a burn."""
    title = f"Burn sheets: {trial.title or 'trial'}"
    front = element(
        "section",
        *_before(trial, plan, title, simulated),
        cautions_html(),
        *_calendar(calendar, coded),
        class_="front",
    )
    light = dict(zip(calendar["burn"], calendar["light"], strict=True))
    burns = [
        _sheet(trial, {**burn, "light": light.get(burn["burn"], "")}, coded[burn["burn"]], workday, simulated)
        for burn in plan.table.to_dict("records")
    ]
    return _page(title, element("main", front, *burns))


def key_page(trial: Trial, plan: Plan, coded: Mapping[str, str], simulated: bool = False) -> str:
    """Return the key: which fuel and bag sit behind each code. Whoever burns does not see it."""
    labels = {fuel.id: fuel.label for fuel in trial.fuels}
    rows = [
        element(
            "tr", element("th", coded[burn["burn"]], scope="row"), element("td", burn["burn"]),
            element("td", labels.get(burn["fuel"], burn["fuel"])), element("td", burn["bag"]),
            element("td", burn["day"]),
        )
        for burn in plan.table.to_dict("records")
    ]  # fmt: skip
    title = f"Key to the codes: {trial.title or 'trial'}"
    body = element(
        "main", element("h1", title), _simulated(simulated),
        element("p", KEEP_APART),
        _table("Charges", ("code", "burn", "fuel", "bag", "day"), rows),
        element("p", plan.line, class_="foot"),
    )  # fmt: skip
    return _page(title, body)


def _page(title: str, body: Html) -> str:
    head = element(
        "head", element("meta", charset="utf-8"),
        element("meta", http_equiv="Content-Security-Policy", content=POLICY),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("title", title), Html(f"<style>{STYLE}</style>"),
    )  # fmt: skip
    return f"<!doctype html>\n{element('html', head, element('body', body), lang='en')}\n"


def _simulated(simulated: bool) -> Html | None:
    words = "SIMULATED: made for a rehearsal or a demonstration. No fuel is burned by this sheet."
    return element("p", words, class_="banner") if simulated else None


def _table(caption: str, headings: Sequence[str], rows: Sequence[Html], class_: str | None = None) -> Html:
    head = element("tr", *(element("th", heading, scope="col") for heading in headings))
    parts = (
        element("thead", head),
        element("tbody", *rows[:-LAST_ROWS]),
        element("tbody", *rows[-LAST_ROWS:], class_="last"),
    )
    made = element("table", element("caption", caption), *parts, class_=class_)
    return element("div", made, class_="scroll", role="group", tabindex=0, aria_label=caption)


def _before(trial: Trial, plan: Plan, title: str, simulated: bool) -> tuple[Html | None, ...]:
    return (
        element("h1", title), _simulated(simulated),
        element("p", join(cautions_short(), " "), class_="care"), *_handling(trial),
        element("p", trial.question) if trial.question else None,
        element("h2", "Before the first burn"),
        element("p", "Post this line where others see it: a hash kept at home proves nothing."),
        element("p", plan.line, class_="banner foot"),
        element("h2", "A fair charge from a bag"),
        element("ol", *(element("li", step) for step in FAIR_CHARGE)),
        element("h2", "At every burn"),
        element(
            "ul",
            element("li", f"Time zero is: {trial.time_zero}. {PHOTO}"),
            element("li", f"Stop rule: {trial.stop_rule or 'write it down before the first burn'}."),
            *(element("li", rule) for rule in plan.exclusions),
            element("li", "Vents as marked, the same at every burn. Light only a cold, emptied cooker."),
            element("li", SCORES),
            element("li", COPY),
        ),
    )  # fmt: skip


def _handling(trial: Trial) -> list[Html]:
    """Return the handling that every sheet carries, so that a code hides no hazard and no fuel gives itself away."""
    hazards = list(dict.fromkeys(hazard for fuel in trial.fuels for hazard in fuel.hazards))
    lines = [HAZARDS.format(list="; ".join(hazards))] if hazards else []
    lines += [ADDITIVES] if any(fuel.additives for fuel in trial.fuels) else []
    return [element("p", line, class_="hazard") for line in lines]


def _calendar(calendar: pd.DataFrame, coded: Mapping[str, str]) -> tuple[Html, ...]:
    rows = [
        element(
            "tr", element("th", f"{row['weekday'][:3]} {row['day']}", scope="row", class_="day"),
            element("td", _where(row, coded)),
            element("td", row["light"]), element("td", row["next"]), element("td", row["weigh"]),
        )
        for row in calendar.to_dict("records")
    ]  # fmt: skip
    headings = (
        "day", "burn: code", "light", "next lighting not before, and only if checked cold and emptied",
        "first weigh, if cold right through, burns",
    )  # fmt: skip
    return element("h2", "Calendar"), _table(NO_PROMISE, headings, rows)


def _where(row: Mapping[str, str], coded: Mapping[str, str]) -> str:
    cooker = f", {row['cooker']}" if row["cooker"] else ""
    return f"{row['burn']}: {coded[row['burn']]}{cooker}" if row["burn"] else row["what"]


def _sheet(trial: Trial, burn: Mapping[str, object], code: str, workday: Workday, simulated: bool) -> Html:
    when = ", light at ".join(str(part) for part in (burn["day"] or "Any day", burn["light"]) if part)
    return element(
        "section",
        element("div", code, class_="code", aria_label=f"code {code}"),
        element("h2", f"Burn {burn['burn']}", class_="burn"),
        element("p", f"{when}. Container {code}, {_aim(trial, burn)}."),
        _simulated(simulated),
        element("p", join(cautions_short(), " "), class_="care"),
        *_handling(trial),
        *_bench(burn),
        *_outdoors(workday),
        *_cold(trial, workday),
        class_="sheet",
    )


def _bench(burn: Mapping[str, object]) -> tuple[Html, ...]:
    names = ("charge_g", "charge_l", "ambient_c", "wind_m_s", "humidity_pct", "operator")
    given = [(name, str(burn[name])) for name in ("cooker", "setting") if burn.get(name)]
    ticks = ("scale zeroed", "cooker cold and emptied", "vents at their marks", "logger running, clock right")
    return (
        element("h3", "Before: weigh and set"),
        _boxes([*((name, "") for name in names), *given]),
        element("ul", *(element("li", tick) for tick in ticks), class_="ticks"),
    )


def _aim(trial: Trial, burn: Mapping[str, object]) -> str:
    """Return what to charge: grams with their tolerance, or a volume, or a full starter."""
    if trial.charge.by == "mass" and isinstance(grams := burn.get("charge_g"), float) and grams == grams:
        allowed = trial.charge.tolerance_g or 0.01 * grams
        return f"{grams:g} ± {allowed:g} g"
    litres = trial.charge.litres
    return f"{litres:g} L, weighed" if trial.charge.by == "volume" and litres else f"by {trial.charge.by}"


def _outdoors(workday: Workday) -> tuple[Html, ...]:
    clocks = [("lit", ""), ("tipped", ""), ("lid_on", ""), ("stopped", "")]
    halves = math.ceil(2 * workday.burn_h) + 1
    attended = (element("span", f"{n // 2}:{30 * (n % 2):02d}", class_="half") for n in range(1, halves + 1))
    blank = [element("tr", *(element("td", "") for _ in range(4))) for _ in range(EVENT_ROWS)]
    events = "lid open, top-up, vent moved, rain, probe moved, other; wind that changes"
    return (
        element("h3", "At the cooker: clock times and events"),
        _boxes(clocks),
        element("p", PHOTO, class_="small"),
        element("p", element("strong", "Attended, hours after lit: "), *attended, class_="small"),
        _table(events, ("at", "until", "event", "notes"), blank, "blank"),
    )


def _cold(trial: Trial, workday: Workday) -> tuple[Html, ...]:
    known = {column.name for column in BURNS}
    weighed = ["leftover_g", "ash_g"] if workday.weighed else []
    names = [*weighed, "log", "notes", *(name for name in own_columns(trial) if name not in known)]
    heading = "Next day or later, only when cold right through; else leave blank" if weighed else NOT_WEIGHED
    return element("h3", heading), _boxes([(name, "") for name in dict.fromkeys(names)])


def _boxes(names: Sequence[tuple[str, str]]) -> Html:
    boxes = (
        element(
            "div",
            element("span", LABELS.get(name, name.replace("_", " ")), element("small", name)),
            element("b", inside),
            class_="box",
        )
        for name, inside in names
    )
    return element("div", *boxes, class_="boxes")
