"""A plan in plain words and in tables: what it can settle, what else could be done, what it costs in days and money."""

import re
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Any

import pandas as pd

from kit.data_file import data_text
from kit.judge.verdicts import BEYOND, DIFFERENCES, LITTLE, OPEN, SAME, UNSIZED
from kit.page.document import cautions_short
from kit.page.html_tables import Col, cols, numbers, table
from kit.page.text import Html, element
from kit.plan.answers import Goal, times
from kit.plan.planned import AFFORDABLE, ENOUGH, SHOWN, Planned, cheapest_split, left_out, smallest_design
from kit.plan.power import chance_of
from kit.plan.schedule import CALENDAR, WORDS

WORTH = 0.05
"""So much more often a better design must find twice the margin to be recommended before the one planned."""
COLUMNS: dict[str, str] = WORDS["designs"]
"""What is shown of each design to choose between, and its heading."""


def plan_words(planned: Planned) -> str:
    """Return the whole plan in lines of plain words, the line to post last, then where its files are."""
    shown = shown_designs(planned).rename(columns=COLUMNS)
    text = [f"  {line.rstrip()}" for line in shown.to_string(index=False).splitlines()] if len(shown) else []
    blocks = [
        list(cautions_short()),
        plan_lines(planned, "obstacles"),
        plan_lines(planned, "design"),
        [*(plan_lines(planned, "above_table") if text else []), *text, *plan_lines(planned, "alternatives")],
        plan_lines(planned, "chances"),
        plan_lines(planned, "settles"),
        [*plan_lines(planned, "single", "split"), *planned.notes],
        plan_lines(planned, "to_post"),
        plan_lines(planned, "written"),
    ]
    return "\n\n".join("\n".join(block) for block in blocks if block)


def plan_lines(planned: Planned, *parts: str) -> list[str]:
    """Return what parts of plan.txt say of a plan, line by line.

    Parts
    -----
    obstacles
        Why the plan cannot be carried out as it was asked for; nothing where it can.
    design
        What will be burned, when, and at what cost.
    alternatives
        Which design is recommended, what a bag or a burn more takes, what fewer fuels spare.
    settles
        What 12, 24, 36 burns settle for all fuels, and how many fuels to keep for a fair chance.
    split
        The cheapest number of burns a bag, by what a bag costs against a burn.
    """
    said = (str(getattr(_template(), part)(planned)) for part in parts)
    return [line for text in said for line in text.splitlines() if line.strip()]


@lru_cache(maxsize=1)
def _template() -> Any:
    """Return the macros of plan.txt."""
    from jinja2 import Environment, StrictUndefined

    text = data_text(__file__, "plan.txt")
    lines = Environment(undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    lines.filters |= {
        "times": times, "percent": percent, "chance": _chance, "smallest": smallest_design,
        "split": lambda sds, ratio: max(1, round(cheapest_split(sds, ratio))),
        "left_out": lambda kept, planned: ", ".join(left_out(planned.trial, kept)),
    }  # fmt: skip
    known = {
        "words": WORDS, "worth": WORTH, "usual": ENOUGH, "most": AFFORDABLE, "found": DIFFERENCES, "beyond": [BEYOND],
        "same": [SAME],
    }  # fmt: skip
    return lines.from_string(re.sub(r"\\\n *", "", text), globals=known).module


def percent(chance: float) -> str:
    """Return a chance as a tester reads it: 0.8 is '80 %'; nearly never and nearly always in words."""
    if chance < 0.005:
        return "under 1 %"
    return "over 99 %" if chance > 0.995 else f"{100 * chance:.0f} %"


def _chance(planned: Planned, each: Goal, factor: float, verdicts: Sequence[str]) -> str:
    """Return how often the report will give one of some verdicts on fuels so many margins apart."""
    power = planned.chances[planned.chances["metric"] == each.metric.id]
    return percent(chance_of(power, factor * each.margin, verdicts))


def shown_designs(planned: Planned) -> pd.DataFrame:
    """Return the designs to choose between as they are shown: the best ones allowed, and the design as planned."""
    options, own = planned.alternatives, planned.option(planned.design.bags, planned.design.burns)
    allowed = options[options["allowed"].astype(bool)].head(SHOWN - 1).index
    shown = options.loc[sorted({*allowed, *([own.Index] if own else [])})]
    shown = shown.assign(
        design=[f"{bags} × {burns}" for bags, burns in shown[["bags", "burns"]].to_numpy()],
        hours=shown["hours"].map("{:g}".format),
        money=["–" if cost != cost else f"{cost:.0f}" for cost in shown["cost"]],
        remark=["as planned" if own and place == own.Index else "" for place in shown.index],
    )
    chances = ["found_at_margin", "found_at_twice", "same_at_0", "best_named"]
    return shown.assign(**{name: shown[name].map(percent) for name in chances})[list(COLUMNS)]


def lines_html(lines: Iterable[str]) -> Html:
    """Return lines of words as paragraphs."""
    return element("div", *(element("p", line) for line in lines if line))


def chances_html(planned: Planned) -> Html:
    """Return the chance of each verdict, a row for each primary metric and truth, in per cent."""
    verdicts = [BEYOND, UNSIZED, LITTLE, SAME, OPEN]
    power = planned.chances.astype({"chance": float})
    index = ["metric", "difference"]
    shown = power.pivot_table("chance", index, "verdict", sort=False).reindex(columns=verdicts).reset_index()
    labels = {each.metric.id: each.metric.label for each in planned.metrics}
    shown = shown.assign(label=shown["metric"].map(labels), truth=WORDS["truths"] * (len(shown) // 3))
    columns = cols(Col("truth", "if two fuels are", kind="head"), numbers(*verdicts, share=True))
    levels = [f"{100 * level:.3g} %" for level in planned.chances["level"].unique()] or ["none can be given"]
    note = f"For {_template().pair(planned)} in the planned order; intervals hold for all of them at once, {levels[0]}."
    return table(shown, "How often the report will say what", columns, note=note, group="label")


def settles_html(planned: Planned) -> Html:
    """Return what 12, 24, 36 burns settle for all the fuels and for fewer, in per cent."""
    shown = planned.settles.assign(group=[f"{asked} burns" for asked in planned.settles["asked"]])
    shown["fuels"] = [f"{fuels} fuels" for fuels in shown["fuels"]]
    head, settled = Col("fuels", "fuels kept", kind="head"), WORDS["settled"]
    chances = numbers(*settled["chances"].items(), share=True)
    columns = cols(head, numbers(*settled["counts"].items()), chances)
    caption = f"What so many burns can settle at best, by {_template().first_metric(planned)}"
    return table(shown, caption, columns, group="group")


def alternatives_html(planned: Planned) -> Html:
    """Return the designs within the days and the money, the best first, in one small table."""
    head, *others, remark = COLUMNS.items()
    columns = cols(Col(*head, kind="head"), numbers(*others), Col(*remark))
    caption = f"Designs to choose between, by {_template().first_metric(planned)}"
    return table(shown_designs(planned), caption, columns)


def calendar_html(planned: Planned) -> Html:
    """Return the calendar: burns, cooling, spare days, and when ash is weighed."""
    shown = planned.calendar.copy()
    shown["date"] = shown["weekday"].str[:3] + " " + shown["day"]
    cooker = ["cooker"] if (shown["cooker"] != "").any() else []
    columns = cols(Col("date", "day", kind="head"), "what", "burn", *cooker, *CALENDAR.items())
    return table(shown, "Calendar. A clock time is no proof that anything is cold", columns)
