"""What cooks ask: which fuel for which cook, from burns at that cook's setting alone; and what people scored."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from kit.page.html_tables import cols, numbers
from kit.page.shown_numbers import convert, duration, plain
from kit.page.text import Html
from kit.publish.report_data import ReportData, report_data
from kit.publish.sections.section import Section, bullets, heading, label, paragraph, rows_table, section
from kit.publish.wording import capital, counted, listed, row_places, with_unit_after

if TYPE_CHECKING:
    import pandas as pd

    from kit.trial.models import Cook

FULL_VENT: Final = (
    "Minutes held at a cook's temperatures mean something only for burns run to hold them: at full vents a hotter fuel "
    "rushes through a low band and would look the worse for it. From such burns only the time above a temperature is "
    "given, and nothing is derived from them for a throttled cooker."
)
HOW_SCORED: Final = (
    "Each taster's scores count by their place in that taster's own order. 'Above the others' is the chance that a "
    "score of this fuel lies above one that the same taster gave to any burn; 50 % is the middle. Which end of a scale "
    "is good is the tester's to say. Tasters are not burns: a burn has one value, the mean of its tasters, and "
    "intervals come from burns and bags."
)


def cooks(analysis: Any) -> Section:
    """Return for each cook what was found at that cook's setting, or what the burns can and cannot tell."""
    data = report_data(analysis)
    wanted = [m for m in data.metrics if m.partition(":")[0] == "time_above" and data.has_values(m)]
    above = f"{listed(list(map(data.label, wanted)))} (in the first table or the appendix)"
    told = f"{FULL_VENT} What these burns do tell: {above if wanted else 'peak and curve alone'}."
    title = "Which fuel for which cook"
    if not data.trial.cooks:
        return section("cooks", title, [f"The trial file names no cook, so no fuel is fitted to one. {told}"])
    found = data.table("cooks").dropna(subset=["value"])
    parts: list[object] = []
    silent = []
    for place, cook in enumerate(data.trial.cooks, 1):
        own = found[found["cook"] == cook.name]
        if not len(own):
            silent.append(f"{cook.name} ({_held(data, cook)})")
            continue
        needs = f"Needs {_held(data, cook)}: a temperature of the cooker, not of the food."
        parts += [heading(cook.name, f"cook-{place}"), needs, *_one(data, own)]
    if silent:
        parts.append(f"No burn was run at a setting for {listed(silent, 'or')}.")
    return section("cooks", title, [*parts, told])


def _held(data: ReportData, cook: Cook) -> str:
    ends = []
    for us in data.units.systems():
        low, high = (plain(convert(value, "°C", us), 0) for value in (cook.low, cook.high))
        ends.append(f"{low} to {high}\u00a0{'°F' if us else '°C'}")
    return ", ".join(ends) + (f" for {duration(60 * cook.hours)}" if cook.hours else "")


def _one(data: ReportData, rows: pd.DataFrame) -> list[Html | str | None]:
    notes = dict.fromkeys(text for text in rows["note"].fillna("") if text)
    valued = data.in_order(rows)
    order = list(dict.fromkeys(valued["quantity"]))
    valued = valued.sort_values("quantity", key=lambda names: names.map(order.index), kind="stable")
    whole = (valued[["value", "low", "high"]].astype(float) % 1 == 0).all(axis=1)
    found = row_places(valued)
    decimals = found and [0 if is_whole else each for is_whole, each in zip(whole, found, strict=True)]
    what = [with_unit_after(capital(row.quantity), row.unit) for row in valued.itertuples(index=False)]
    columns = cols("name", "setting", numbers("value", "low", "high", decimals=decimals), numbers("n"))
    note = f"Burns run at this cook's setting alone. From and to: {data.percent} interval."
    caption = "What was found at this setting"
    return [rows_table(data, valued.assign(what=what), caption, columns, note=note, group="what"), *notes]


def scores_sentences(data: ReportData) -> list[Html | None]:
    """Return what is settled of the scores, and how many comparisons are not; nothing where nobody scored."""
    rows = data.table("scores")
    if not len(rows):
        return []
    told = [line for name in dict.fromkeys(rows["attribute"]) for line in _pairs_told(str(name), data)]
    n, tasters = int(rows["scores"].sum()), counted(int(rows["tasters"].max()), "taster")
    stand = label(f"{n} scores by {tasters}; the tables stand in the appendix.")
    return [heading("What people scored", "scored"), bullets(told), stand]


def _pairs_told(attribute: str, data: ReportData) -> list[str]:
    pairs = data.table("score_pairs")
    pairs = pairs[pairs["attribute"] == attribute]
    told = []
    for row in pairs[pairs["verdict"] == "different"].itertuples(index=False):
        low, high = sorted((abs(100 * row.low), abs(100 * row.high)))
        higher, more = ("higher", "more") if row.difference > 0 else ("lower", "less")
        told.append(
            f"{capital(attribute)}: {data.name(row.a)} was scored {higher} than {data.name(row.b)}, its chance to lie "
            f"above the others being {abs(100 * row.difference):.0f} percentage points {more} "
            f"({low:.0f} to {high:.0f})."
        )
    rest = len(pairs) - len(told)
    if rest:
        other = counted(rest, "other comparison" if told else "comparison")
        told.append(f"{capital(attribute)}: {other} {'is' if rest == 1 else 'are'} not settled.")
    return told


def scores_html(data: ReportData) -> list[Html | None]:
    """Return the scores of each attribute with their intervals and n; nothing where nobody scored."""
    rows, pairs = data.in_order(data.table("scores")), data.table("score_pairs")
    if not len(rows):
        return []
    parts: list[Html | None] = [heading("What people scored", "scores"), paragraph(HOW_SCORED)]
    for attribute, own in rows.groupby("attribute", sort=False):
        parts.append(_scores_table(str(attribute), own, data))
        parts.append(_pairs_table(str(attribute), pairs[pairs["attribute"] == attribute], data))
    of = {"one taster, one burn": "of one taster's scores of one burn"}
    spreads = (
        f"{capital(row.attribute)}: standard deviation {of.get(row.source, row.source)} {row.sd:.1f} ({row.low:.1f} to "
        f"{row.high:.1f}), on the scale as scored."
        for row in data.table("tasters").itertuples(index=False)
    )
    return [*parts, bullets(spreads)]


def _scores_table(attribute: str, rows: pd.DataFrame, data: ReportData) -> Html | None:
    columns = cols(
        "name",
        numbers(("score", "median score"), decimals=1),
        numbers(("chance", "above the others"), "low", "high", share=True),
        numbers("n", "bags", "scores"),
    )
    tasters = counted(int(rows["tasters"].max()), "taster")
    note = f"From and to: {data.percent} interval of each fuel for itself; {tasters}."
    return rows_table(data, rows, f"Scored: {attribute}", columns, note=note)


def _pairs_table(attribute: str, rows: pd.DataFrame, data: ReportData) -> Html | None:
    pairs = zip(rows["a"], rows["b"], strict=True)
    made = rows.assign(fuels=[f"{data.name(a)} − {data.name(b)}" for a, b in pairs])
    for name in ("difference", "low", "high"):
        made[name] = 100 * rows[name].astype(float)
    points = numbers(("difference", "difference, percentage points"), "low", "high")
    columns = cols("fuels", points, numbers("p_adjusted", decimals=3), "verdict")
    note = f"Of the chance to lie above the others. {data.percent} intervals for all of them at once."
    return rows_table(data, made, f"Scored: {attribute}, fuels compared", columns, note=note)
