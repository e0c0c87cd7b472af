"""A plan in plain words and in tables: what it can settle, what else could be done, what it costs in days and money."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pandas as pd

from kit.judge.verdicts import BEYOND, DIFFERENCES, LITTLE, OPEN, SAME, UNSIZED
from kit.page.cautions import cautions_short
from kit.page.html_tables import Col, cols, numbers, table
from kit.page.text import Html, element
from kit.plan.answers import Goal
from kit.plan.designs import AFFORDABLE, ENOUGH, SHOWN
from kit.plan.planned import Planned
from kit.plan.power import Design, chance_of
from kit.plan.schedule import Workday
from kit.plan.sheets import CALENDAR, KEY, OVERRUN, SHEETS

SPLITS = {0.5: "a bag costs half a burn", 1.0: "as much as one", 2.0: "two burns", 4.0: "four burns"}
PAIRS = {
    "pairs": "two fuels of a pair asked about beforehand",
    "control": "a fuel and the control fuel",
    "all": "two fuels",
}
"""What the chances are of, by what the report will compare."""
TRUTHS = {0: "alike", 1: "the margin apart", 2: "twice the margin apart"}
NEXT = f"Next: print {SHEETS}, one side a burn; {KEY} is for whoever fills the charges, not for whoever burns them."
WORTH = 0.05
"""So much more often a better design must find twice the margin to be recommended before the one planned."""
SINGLE = (
    "A single burn of each fuel gives its curve and its values, and shows whether the kit works. It has no "
    "error bars: it cannot tell a fuel from an odd burn, and the report will give no verdict."
)


def plan_words(planned: Planned) -> str:
    """Return the whole plan in lines of plain words, the line to post last, then where its files are."""
    blocks = [
        list(cautions_short()),
        obstacle_lines(planned),
        design_lines(planned),
        [*_alternatives_text(planned), *alternative_lines(planned)],
        [line for each in planned.metrics for line in chance_lines(planned, each)],
        settles_lines(planned),
        [SINGLE, split_line(planned), *planned.notes],
        ["Post this line where others see it, before the first burn:", planned.plan.line],
        [f"Written in {planned.folder}: {', '.join(planned.files)}", NEXT] if planned.files else [],
    ]
    return "\n\n".join("\n".join(block) for block in blocks if block)


def obstacle_lines(planned: Planned) -> list[str]:
    """Return why the plan cannot be carried out as it was asked for; nothing where it can."""
    lines = [f"  {obstacle}" for obstacle in planned.obstacles]
    return ["This plan cannot be carried out as it was asked for:", *lines] if lines else []


def design_lines(planned: Planned) -> list[str]:
    """Return what will be burned, when, and at what cost."""
    design, order = planned.design, planned.order
    days = sorted(set(order["day"]) - {""})
    lines = [
        f"{len(order)} burns: {design.fuels} fuels, {_count(design.bags, 'bag')} of each, "
        f"{_times(design.burns)} from a bag."
    ]
    if days:
        spare = int((planned.calendar["what"] == "spare day").sum())
        weather = f", with {_count(spare, 'spare day')} for weather" if spare else ""
        lines += [f"{_count(len(days), 'day')} of burning from {days[0]} to {days[-1]}{weather}."]
        lines += [*day_lines(planned.workday), OVERRUN]
    if planned.cost is not None:
        lines.append(f"The bags cost {planned.cost:.0f} {planned.trial.currency}".strip() + ".")
    return lines


def day_lines(workday: Workday) -> list[str]:
    """Return what a day at the cooker holds, how long a burn is taken to last, and what its end is no proof of."""
    cookers = len(workday.cookers)
    where = f"in each of {cookers} cookers of one make, a block each" if cookers > 1 else "in the cooker"
    weighed = (
        "Ash and leftovers are weighed next morning at the earliest, cold right through, before anything is lit."
        if workday.weighed
        else "Ash and leftovers are not weighed (weigh_ash = false): leave their boxes blank."
    )
    return [
        f"A day holds {_count(workday.in_one_cooker, 'burn')} {where}. A burn is taken to last {workday.burn_h:g} h "
        f"from lit to stopped ({workday.source}), and the cooker to need {workday.cool_h:g} h more to cool: it is lit "
        "again then at the earliest, and only if it was checked and is cold and emptied.",
        weighed,
    ]


def shown_alternatives(planned: Planned) -> pd.DataFrame:
    """Return the few designs that a tester chooses between: the best ones allowed, and the design as planned."""
    options = planned.alternatives
    own = options["bags"].eq(planned.design.bags) & options["burns"].eq(planned.design.burns)
    shown = options.loc[sorted({*options[options["allowed"]].head(SHOWN - 1).index, *options.index[own]})]
    return shown.assign(remark=["as planned" if is_own else "" for is_own in own[shown.index]])


def _alternatives_text(planned: Planned) -> list[str]:
    """Return the designs to choose between as lines of text, a column below the other."""
    shown = shown_alternatives(planned)
    if shown.empty:
        return []
    cells = {
        "bags × burns a bag": [f"{bags} × {burns}" for bags, burns in shown[["bags", "burns"]].to_numpy()],
        "burns": shown["total"].map(str),
        "days": shown["days"].map(str),
        "cost of bags": ["–" if cost != cost else f"{cost:.0f}" for cost in shown["cost"]],
        "margin found": shown["found_at_margin"].map(percent),
        "twice the margin found": shown["found_at_twice"].map(percent),
        "best named": shown["best_named"].map(percent),
        "": shown["remark"],
    }
    return [
        f"Designs for the days and the money, the best first, by {_first(planned)}. Best named: how often a fuel that "
        "leads all others by twice the margin is named the best.",
        *(f"  {line.rstrip()}" for line in pd.DataFrame(cells).to_string(index=False).splitlines()),
    ]


def alternative_lines(planned: Planned) -> list[str]:
    """Return which design is recommended, what earlier folders spare, and what fewer fuels buy."""
    shown, first, lines = shown_alternatives(planned), planned.metrics[0], []
    own = shown[shown["remark"] != ""]
    if len(own) and own["found_at_twice"].iloc[0] < (best := shown.iloc[0])["found_at_twice"] - WORTH:
        lines.append(
            f"Recommended: {best['bags']:.0f} bags of each fuel, {_times(best['burns'])} from a bag. A bag "
            "costs money, a burn a morning; more bags settle more than more burns of a bag."
        )
    enough, alone = planned.smallest_twice, planned.smallest_alone
    if first.spread.df and enough is not None and (alone is None or alone.total > enough.total):
        without = f"more than {AFFORDABLE}" if alone is None else str(alone.total)
        lines.append(
            f"With what {Path(first.spread.earlier).name} tells of the spread, {enough.total} burns "
            f"find twice the margin in {percent(ENOUGH)} of trials; without it {without} would be needed."
        )
    for _, row in planned.fewer.iterrows():
        lines.append(
            f"Without {', '.join(planned.left_out(row['fuels']))}: {row['bags']:.0f} bags of each, "
            f"{_times(row['burns'])} from a bag, {row['total']:.0f} burns: twice the margin is found in "
            f"{percent(row['found_at_twice'])}, the best named in {percent(row['best_named'])}."
        )
    return lines


def chance_lines(planned: Planned, each: Goal) -> list[str]:
    """Return what a report will say of one metric if the truth is nothing, the margin, twice the margin."""
    power = planned.chances[planned.chances["metric"] == each.metric.id]
    scope = " For these bags alone:" if planned.design.bags == 1 else ""
    lines = [f"{each.metric.label} (margin {each.written}); spread: {each.spread.source}.{scope}"]
    if power.empty:
        return [f"{lines[0]} Whatever the truth, the report will give no verdict."]
    pair = PAIRS[_asked(planned)].capitalize()
    alike = percent(chance_of(power, 0.0, [SAME]))
    lines.append(f"  {pair} alike: 'the same within the margin' in {alike} of such trials")
    for factor, words in ((1, "As far apart as the margin"), (2, "Twice the margin apart")):
        at = factor * each.margin
        lines.append(
            f"  {words}: a difference found in {percent(chance_of(power, at, DIFFERENCES))}, "
            f"'by more than the margin' in {percent(chance_of(power, at, [BEYOND]))}"
        )
    return lines


def settles_lines(planned: Planned) -> list[str]:
    """Return what 12, 24, 36 burns settle for all fuels, and how many fuels to keep for a fair chance."""
    everything = planned.design.fuels
    lines = [f"What so many burns can settle at best, by {planned.metrics[0].metric.label}:"]
    for total in sorted(set(planned.settles["asked"]) | {len(planned.order)}):
        rows = planned.settles[planned.settles["asked"] == total].set_index("fuels")
        if everything in rows.index:
            lines.append(f"  {total} burns, all fuels: {_settles(rows.loc[everything])}")
        else:
            lines.append(f"  {total} burns: too few for two bags of all {everything} fuels")
        enough = rows.index[rows["found_at_twice"] >= ENOUGH]
        if len(enough) and (kept := int(enough.max())) != everything:
            lines.append(f"    without {', '.join(planned.left_out(kept))}: {_settles(rows.loc[kept])}")
    lines.append(_smallest_line(planned.smallest, everything, "as large as the margin"))
    lines.append(_smallest_line(planned.smallest_twice, everything, "of twice the margin"))
    return lines


def _settles(row: pd.Series) -> str:
    margin, twice = percent(row["found_at_margin"]), percent(row["found_at_twice"])
    return f"{row['bags']:.0f} bags × {row['burns']:.0f}; the margin found in {margin}, twice the margin in {twice}"


def _smallest_line(smallest: Design | None, fuels: int, apart: str) -> str:
    if smallest is None:
        return (
            f"No affordable number of burns (up to {AFFORDABLE}) sees a difference {apart} between all {fuels} fuels "
            f"in {percent(ENOUGH)} of trials: fewer fuels, or a larger margin."
        )
    return (
        f"To see a difference {apart} in {percent(ENOUGH)} of trials takes {smallest.total} burns: "
        f"{smallest.bags} bags of each fuel, {_times(smallest.burns)} from a bag."
    )


def split_line(planned: Planned) -> str:
    """Return the cheapest number of burns a bag, by what a bag costs against a burn."""
    if planned.split == float("inf"):
        return "If bags do not differ at all, burns of one bag are as good as any; nobody knows beforehand."
    parts = [f"{max(1, round(planned.split * ratio**0.5))} if {words}" for ratio, words in SPLITS.items()]
    return "Most economical number of burns per bag: " + ", ".join(parts) + "."


def percent(chance: float) -> str:
    """Return a chance as a tester reads it: 0.8 is '80 %'; nearly never and nearly always in words."""
    if chance < 0.005:
        return "under 1 %"
    return "over 99 %" if chance > 0.995 else f"{100 * chance:.0f} %"


def _times(burns: float) -> str:
    return {1: "one burn", 2: "two burns", 3: "three burns"}.get(int(burns), f"{burns:.0f} burns")


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" + ("" if number == 1 else "s")


def lines_html(lines: Iterable[str]) -> Html:
    """Return lines of words as paragraphs."""
    return element("div", *(element("p", line) for line in lines if line))


def chances_html(planned: Planned) -> Html:
    """Return the chance of each verdict, a row for each primary metric and truth, in per cent."""
    verdicts = [BEYOND, UNSIZED, LITTLE, SAME, OPEN]
    power = planned.chances[planned.chances["verdict"].isin(verdicts)]
    rows = [
        {
            "metric": each.metric.label,
            "truth": words,
            **own[own["difference"] == factor * each.margin].set_index("verdict")["chance"],
        }
        for each in planned.metrics
        for own in [power[power["metric"] == each.metric.id]]
        for factor, words in TRUTHS.items()
    ]
    columns = cols(Col("truth", "if two fuels are", kind="head"), numbers(*verdicts, share=True))
    level = "none can be given" if power.empty else f"{100 * float(power['level'].iloc[0]):.3g} %"
    note = (
        f"For {PAIRS[_asked(planned)]} in the planned order; intervals hold for all of them at once, {level}."
    )
    shown = pd.DataFrame(rows, columns=["metric", "truth", *verdicts])
    return table(shown, "How often the report will say what", columns, note=note, group="metric")


def settles_html(planned: Planned) -> Html:
    """Return what 12, 24, 36 burns settle for all the fuels and for fewer, in per cent."""
    shown = planned.settles.assign(group=[f"{asked} burns" for asked in planned.settles["asked"]])
    shown["fuels"] = [f"{fuels} fuels" for fuels in shown["fuels"]]
    chances = (
        ("same_at_0", "alike: 'the same'"),
        ("found_at_margin", "the margin apart: found"),
        ("found_at_twice", "twice the margin: found"),
        ("beyond_at_twice", "twice the margin: 'by more than the margin'"),
    )
    columns = cols(
        Col("fuels", "fuels kept", kind="head"),
        numbers(("bags", "bags of each"), ("burns", "burns a bag")),
        numbers(*chances, share=True),
    )
    caption = f"What so many burns can settle at best, by {_first(planned)}"
    return table(shown, caption, columns, group="group")


def alternatives_html(planned: Planned) -> Html:
    """Return the designs within the days and the money, the best first, in one small table."""
    shown = shown_alternatives(planned)
    shown["design"] = [f"{bags} bags × {burns}" for bags, burns in shown[["bags", "burns"]].to_numpy()]
    chances = (
        ("found_at_margin", "the margin: found"),
        ("found_at_twice", "twice the margin: found"),
        ("same_at_0", "alike: 'the same'"),
        ("best_named", "the best named, where it leads by twice the margin"),
    )
    columns = cols(
        Col("design", "bags of each fuel × burns a bag", kind="head"),
        numbers(("total", "burns"), ("days", "days")),
        numbers(("hours", "hours"), unit="h"),
        numbers(("cost", "cost of bags")),
        numbers(*chances, share=True),
        Col("remark"),
    )
    return table(shown, f"Designs to choose between, by {_first(planned)}", columns)


def calendar_html(planned: Planned) -> Html:
    """Return the calendar: burns, cooling, spare days, and when ash is weighed."""
    shown = planned.calendar.copy()
    shown["date"] = shown["weekday"].str[:3] + " " + shown["day"]
    cooker = ["cooker"] if (shown["cooker"] != "").any() else []
    columns = cols(Col("date", "day", kind="head"), "what", "burn", *cooker, *CALENDAR.items())
    return table(shown, "Calendar. A clock time is no proof that anything is cold", columns)


def _first(planned: Planned) -> str:
    return f"{planned.metrics[0].metric.label} (margin {planned.metrics[0].written})"


def _asked(planned: Planned) -> str:
    return "pairs" if planned.trial.pairs else "control" if planned.trial.control_fuel else "all"
