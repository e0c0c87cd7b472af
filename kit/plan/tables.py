"""A plan as tables for a notebook: chances of each verdict, what given burns settle, the calendar."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from kit.page import Col, Html, element, table
from kit.plan.alternatives import shown_alternatives
from kit.plan.planned import Planned
from kit.plan.power import BEYOND, LITTLE, OPEN, SAME, UNSIZED

TRUTHS = {0: "alike", 1: "the margin apart", 2: "twice the margin apart"}


def lines_html(lines: Iterable[str]) -> Html:
    """Return lines of words as paragraphs."""
    return element("div", *(element("p", line) for line in lines if line))


def chances_html(planned: Planned) -> Html:
    """Return the chance of each verdict, a row for each primary metric and truth, in per cent."""
    rows = [
        {
            "metric": each.metric.label,
            "truth": words,
            **_verdicts(planned, each.metric.id, factor * each.margin),
        }
        for each in planned.metrics
        for factor, words in TRUTHS.items()
    ]
    columns = [
        Col("truth", "if two fuels are", kind="head"),
        Col(BEYOND, "different, by more than the margin", "%", "number", 0),
        Col(UNSIZED, "different, size not settled", "%", "number", 0),
        Col(LITTLE, "different, too little to matter", "%", "number", 0),
        Col(SAME, "the same within the margin", "%", "number", 0),
        Col(OPEN, "not settled", "%", "number", 0),
    ]
    against = "each fuel against the control fuel" if planned.trial.control_fuel else "any two of the fuels"
    note = f"For {against} in the planned order; intervals hold for all of them at once, {_level(planned)}."
    caption = "How often the report will say what"
    return table(pd.DataFrame(rows, columns=["metric", "truth", *(c.name for c in columns[1:])]), caption,
                 columns, note=note, group="metric")  # fmt: skip


def _verdicts(planned: Planned, metric: str, difference: float) -> dict[str, float]:
    power = planned.chances
    held = power[power["metric"].eq(metric) & power["difference"].eq(difference)]
    return {str(row["verdict"]): 100 * float(row["chance"]) for row in held.to_dict("records")}


def _level(planned: Planned) -> str:
    levels = planned.chances["level"]
    return f"{100 * float(levels.iloc[0]):.3g} %" if len(levels) else "none can be given"


def settles_html(planned: Planned) -> Html:
    """Return what 12, 24, 36 burns settle for all the fuels and for fewer, in per cent."""
    shown = planned.settles.copy()
    chances = ("same_at_0", "different_at_margin", "different_at_twice", "beyond_at_twice")
    shown[list(chances)] = 100 * shown[list(chances)]
    shown["group"] = [f"{asked} burns" for asked in shown["asked"]]
    shown["fuels"] = [f"{fuels} fuels" for fuels in shown["fuels"]]
    columns = [
        Col("fuels", "fuels kept", kind="head"),
        Col("bags", "bags of each", "", "number", 0),
        Col("burns", "burns a bag", "", "number", 0),
        Col("same_at_0", "alike: 'the same'", "%", "number", 0),
        Col("different_at_margin", "the margin apart: seen", "%", "number", 0),
        Col("different_at_twice", "twice the margin: seen", "%", "number", 0),
        Col("beyond_at_twice", "twice the margin: 'by more than the margin'", "%", "number", 0),
    ]
    first = planned.metrics[0]
    caption = f"What so many burns can settle, by {first.metric.label} (margin {first.written})"
    return table(shown, caption, columns, group="group")


def alternatives_html(planned: Planned) -> Html:
    """Return the designs within the days and the money, the best first, in one small table."""
    shown = shown_alternatives(planned.alternatives, planned.design)
    chances = ["found_at_margin", "found_at_twice", "same_at_0", "best_named"]
    shown = shown.assign(**{name: 100 * shown[name] for name in chances})
    shown["design"] = [
        f"{bags} bags × {burns}" for bags, burns in zip(shown["bags"], shown["burns"], strict=True)
    ]
    columns = [
        Col("design", "bags of each fuel × burns a bag", kind="head"),
        Col("total", "burns", "", "number", 0),
        Col("days", "days", "", "number", 0),
        Col("hours", "hours", "h", "number", 0),
        Col("cost", "cost of bags", "", "number", 0),
        Col("found_at_margin", "the margin: found", "%", "number", 0),
        Col("found_at_twice", "twice the margin: found", "%", "number", 0),
        Col("same_at_0", "alike: 'the same'", "%", "number", 0),
        Col("best_named", "the best named, where it leads by twice the margin", "%", "number", 0),
    ]
    first = planned.metrics[0]
    return table(
        shown, f"Designs to choose between, by {first.metric.label} (margin {first.written})", columns
    )


def calendar_html(planned: Planned) -> Html:
    """Return the calendar: burns, cooling, spare days, and when ash is weighed."""
    shown = planned.calendar.copy()
    shown["date"] = [
        f"{weekday[:3]} {day}" for weekday, day in zip(shown["weekday"], shown["day"], strict=True)
    ]
    columns = [
        Col("date", "day", kind="head"),
        Col("what", "what"),
        Col("burn", "burn"),
        *([Col("cooker", "cooker")] if (shown["cooker"] != "").any() else []),
        Col("light", "light at"),
        Col("next", "next lighting not before, and only if checked cold and emptied"),
        Col("weigh", "first weigh, if cold right through, ash of burns"),
    ]
    return table(shown, "Calendar. A clock time is no proof that anything is cold", columns)
