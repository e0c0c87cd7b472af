"""A plan in plain words: what it can settle, what it costs in days, and the line to post."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from kit.page import cautions_short
from kit.plan.alternatives import shown_alternatives
from kit.plan.answers import PlannedMetric
from kit.plan.choosing import ENOUGH
from kit.plan.planned import Planned
from kit.plan.power import BEYOND, DIFFERENCES, SAME, Design, chance_of
from kit.plan.timetable import Workday

SPLITS = (0.5, 1.0, 2.0, 4.0)
OVERRUN = (
    "A burn that runs over, or a cooker still warm: the rest of that day moves, as it stands, to the next day or a "
    "spare one. Keep the order and the numbers, and let all else of the calendar follow: the blocks stay whole."
)
SINGLE = (
    "A single burn of each fuel gives its curve and its values, and shows whether the kit works. It has no "
    "error bars: it cannot tell a fuel from an odd burn, and the report will give no verdict."
)


def percent(chance: float) -> str:
    """Return a chance as a tester reads it: '8 in 10' is '80 %'; nearly never and nearly always in words."""
    if chance < 0.005:
        return "under 1 %"
    return "over 99 %" if chance > 0.995 else f"{100 * chance:.0f} %"


def plan_words(planned: Planned) -> str:
    """Return the whole plan in lines of plain words, the line to post last."""
    lines = [
        " ".join(cautions_short()),
        "",
        *design_lines(planned),
        "",
        *alternative_lines(planned),
        "",
        *(line for each in planned.metrics for line in chance_lines(planned, each)),
        "",
        *settles_lines(planned),
        "",
        SINGLE,
        split_line(planned),
        *planned.notes,
        "",
        "Post this line where others see it, before the first burn:",
        planned.plan.line,
    ]
    return "\n".join(lines)


def design_lines(planned: Planned) -> list[str]:
    """Return what will be burnt, when, and at what cost."""
    design, order, workday = planned.design, planned.order, planned.workday
    days = sorted(set(order["day"]) - {""})
    lines = [
        f"{len(order)} burns: {design.fuels} fuels, {design.bags} bags of each, {_times(design.burns)} from a bag."
    ]
    if days:
        spare = (planned.calendar["what"] == "spare day").sum()
        weather = f", with {_count(spare, 'spare day')} for weather" if spare else ""
        lines.append(
            f"{len(days)} days of burning from {days[0]} to {days[-1]}{weather}. {day_words(workday)}"
        )
        lines.append(OVERRUN)
    if planned.cost is not None:
        lines.append(f"The bags cost {planned.cost:.0f} {planned.trial.currency}".strip() + ".")
    return lines


def alternative_lines(planned: Planned) -> list[str]:
    """Return the best design for the money and the hours, what the others would settle, and what fewer fuels buy."""
    table, design, first = planned.alternatives, planned.design, planned.metrics[0]
    if table.empty:
        return []
    best = table.iloc[0]
    own = table[(table["bags"] == design.bags) & (table["burns"] == design.burns)]
    lines = [
        f"Best for the days and the money, by {first.metric.label} (margin {first.written}): {_option(best)}."
    ]
    if len(own) and own.index[0] != 0:
        lines.append(f"  As planned: {_option(own.iloc[0])}.")
    if len(own) and own["found_at_twice"].iloc[0] < best["found_at_twice"] - 0.05:
        lines.append(
            f"  Recommended: {best['bags']:.0f} bags of each fuel, {_times(int(best['burns']))} from a bag. A bag "
            "costs money, a burn a morning; more bags settle more than more burns of a bag."
        )
    lines.append(
        "  Others: bags × burns a bag; burns, cost; the margin found, twice the margin found; the best named"
    )
    lines += [f"    {_short(row)}" for _, row in shown_alternatives(table, design).iterrows()]
    if first.spread.df and (enough := smallest_total(table)) is not None:
        alone = planned.smallest_twice.total if planned.smallest_twice else None
        without = f", where {alone} would be without" if alone and alone > enough else ""
        lines.append(
            f"  With what {Path(first.spread.earlier).name} tells of the spread, {enough} burns find twice the margin "
            f"in {percent(ENOUGH)} of trials{without}."
        )
    names = {fuel.id: fuel.label for fuel in planned.trial.fuels}
    for _, row in planned.fewer.iloc[1:].iterrows():
        out = ", ".join(names[fuel] for fuel in planned.drop[: design.fuels - int(row["fuels"])])
        lines.append(f"  Without {out}: {_option(row)}.")
    return lines


def smallest_total(table: pd.DataFrame) -> int | None:
    """Return the fewest burns of a table of designs that find twice the margin often enough; None where none does."""
    enough = table.loc[table["found_at_twice"] >= ENOUGH, "total"]
    return int(enough.min()) if len(enough) else None


def _option(row: pd.Series) -> str:
    return (
        f"{row['bags']:.0f} bags of each fuel, {_times(int(row['burns']))} from a bag, {row['total']:.0f} burns on "
        f"{_count(int(row['days']), 'day')}{_money(row['cost'])}: twice the margin is found in "
        f"{percent(row['found_at_twice'])} of trials, and a fuel that leads by so much is named the best in "
        f"{percent(row['best_named'])}"
    )


def _short(row: pd.Series) -> str:
    return (
        f"{row['bags']:.0f} × {row['burns']:.0f}; {row['total']:.0f} burns{_money(row['cost'])}; "
        f"{percent(row['found_at_margin'])}, {percent(row['found_at_twice'])}; {percent(row['best_named'])}"
    )


def _money(cost: float) -> str:
    return "" if cost != cost else f", bags for {cost:.0f}"


def day_words(workday: Workday) -> str:
    """Return what a day at the cooker holds, how long a burn is taken to last, and what its end is no proof of."""
    cookers = len(workday.cookers)
    each = _count(workday.in_one_cooker, "burn")
    where = f"in each of {cookers} cookers of one make, a block each" if cookers > 1 else "in the cooker"
    weighed = (
        "Ash and leftovers are weighed next morning at the earliest, cold right through, before anything is lit."
        if workday.weighed
        else "Ash and leftovers are not weighed (weigh_ash = false): leave their boxes blank."
    )
    return (
        f"A day holds {each} {where}. A burn is taken to last {workday.burn_h:g} h from lit to stopped "
        f"({workday.source}) and the cooker to need {workday.cool_h:g} h more to cool: the earliest next lighting, and "
        f"only if it was checked and is cold and emptied. {weighed}"
    )


def chance_lines(planned: Planned, each: PlannedMetric) -> list[str]:
    """Return what a report will say of one metric if the truth is nothing, the margin, twice the margin."""
    power = planned.chances[planned.chances["metric"] == each.metric.id]
    lines = [f"{each.metric.label} (margin {each.written}); spread: {each.spread.source}."]
    if power.empty:
        return lines
    alike = chance_of(power, 0.0, [SAME])
    pair = "a fuel and the control fuel" if planned.trial.control_fuel else "two fuels"
    lines.append(f"  {pair} alike: 'the same within the margin' in {percent(alike)} of such trials")
    for factor, words in ((1, "as far apart as the margin"), (2, "twice the margin apart")):
        at = factor * each.margin
        lines.append(
            f"  {words}: a difference found in {percent(chance_of(power, at, DIFFERENCES))}, "
            f"'by more than the margin' in {percent(chance_of(power, at, [BEYOND]))}"
        )
    return lines


def settles_lines(planned: Planned) -> list[str]:
    """Return what 12, 24, 36 burns settle for all fuels, and how many fuels to keep for a fair chance."""
    first, names = planned.metrics[0], {fuel.id: fuel.label for fuel in planned.trial.fuels}
    lines = [f"What so many burns can settle, by {first.metric.label}:"]
    everything = planned.design.fuels
    for total in sorted(set(planned.settles["asked"])):
        rows = planned.settles[planned.settles["asked"] == total].set_index("fuels")
        if everything in rows.index:
            lines.append(f"  {total} burns, all fuels: {_settles(rows.loc[everything])}")
        else:
            lines.append(f"  {total} burns: too few for two bags of all {everything} fuels")
        kept = _kept(rows, everything)
        if kept is not None:
            out = ", ".join(names[fuel] for fuel in planned.drop[: everything - kept])
            lines.append(f"    leaving out {out}: {_settles(rows.loc[kept])}")
    lines.append(smallest_line(planned.smallest, everything, "as large as the margin"))
    lines.append(smallest_line(planned.smallest_twice, everything, "of twice the margin"))
    return lines


def smallest_line(smallest: Design | None, fuels: int, apart: str) -> str:
    """Return what would be enough to see a difference of some size."""
    if smallest is None:
        return (
            f"No affordable number of burns sees a difference {apart} between all {fuels} fuels in "
            f"{percent(ENOUGH)} of trials: fewer fuels, or a larger margin."
        )
    return (
        f"To see a difference {apart} in {percent(ENOUGH)} of trials takes {smallest.total} burns: "
        f"{smallest.bags} bags of each fuel, {_times(smallest.burns)} from a bag."
    )


def split_line(planned: Planned) -> str:
    """Return the cheapest number of burns a bag, by what a bag costs against a burn."""
    if planned.split == float("inf"):
        return "If bags do not differ at all, burns of one bag are as good as any; nobody knows beforehand."
    parts = [f"{max(1, round(planned.split * ratio**0.5))} if {_ratio(ratio)}" for ratio in SPLITS]
    return "Most economical number of burns per bag: " + ", ".join(parts) + "."


def _ratio(ratio: float) -> str:
    words = {0.5: "a bag costs half a burn", 1.0: "as much as one", 2.0: "two burns", 4.0: "four burns"}
    return words[ratio]


def _kept(rows: pd.DataFrame, everything: int) -> int | None:
    """Return for how many fuels twice the margin is seen often enough; None where that is all or none."""
    enough = [int(kept) for kept in rows.index[rows["different_at_twice"] >= ENOUGH]]
    best = max(enough, default=None)
    return None if best == everything else best


def _settles(row: pd.Series) -> str:
    margin, twice = (percent(row[name]) for name in ("different_at_margin", "different_at_twice"))
    size = f"{row['bags']:.0f} bags × {row['burns']:.0f}"
    return f"{size}; the margin found in {margin}, twice the margin in {twice}"


def _times(burns: int) -> str:
    return {1: "one burn", 2: "two burns", 3: "three burns"}.get(burns, f"{burns} burns")


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" + ("" if number == 1 else "s")
