"""Which fuel for which cook, from burns run at that cook's setting alone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from kit.page.numbers import convert, duration, plain
from kit.page.tables import Col, table
from kit.publish.report_data import ReportData, report_data
from kit.publish.sections.section import Section, heading, numbers, paragraph, section
from kit.publish.wording import capital, listed, row_places

if TYPE_CHECKING:
    import pandas as pd

    from kit.trial.models import Cook

FULL_VENT: Final = (
    "Minutes held at a cook's temperatures mean something only for burns run to hold them: at full vents a hotter fuel "
    "rushes through a low band and would look the worse for it. From such burns only the time above a temperature is "
    "given, and nothing is derived from them for a throttled cooker."
)


def cooks(analysis: Any) -> Section:
    """Return for each cook what was found at that cook's setting, or what the burns can and cannot tell."""
    data = report_data(analysis)
    rows = data.table("cooks")
    told = f"{FULL_VENT} What these burns do tell: {_above(data)}."
    title = "Which fuel for which cook"
    if not data.trial.cooks:
        none = "The trial file names no cook, so no fuel is fitted to one."
        return section("cooks", title, [paragraph(f"{none} {told}")])
    found = rows[rows["value"].notna()]
    parts: list[object] = []
    silent = [cook for cook in data.trial.cooks if cook.name not in set(found["cook"])]
    for place, cook in enumerate(data.trial.cooks, 1):
        if cook not in silent:
            own = rows[rows["cook"] == cook.name]
            parts += [heading(cook.name, f"cook-{place}"), paragraph(_band(data, cook)), *_one(data, own)]
    if silent:
        named = [f"{cook.name} ({_held(data, cook)})" for cook in silent]
        parts.append(paragraph(f"No burn was run at a setting for {listed(named, 'or')}."))
    parts.append(paragraph(told))
    return section("cooks", title, parts)


def _above(data: ReportData) -> str:
    wanted = [m for m in data.metrics if m.partition(":")[0] == "time_above" and data.has_values(m)]
    return (
        f"{listed([data.label(metric) for metric in wanted])} (in the first table and the appendix)"
        if wanted
        else ("peak and curve alone")
    )


def _held(data: ReportData, cook: Cook) -> str:
    texts = []
    for is_us in data.units.systems():
        low, high = (plain(convert(value, "°C", is_us), 0) for value in (cook.low, cook.high))
        texts.append(f"{low} to {high}\u00a0{'°F' if is_us else '°C'}")
    hours = f" for {duration(60 * cook.hours)}" if cook.hours else ""
    return f"{', '.join(texts)}{hours}"


def _band(data: ReportData, cook: Cook) -> str:
    return f"Needs {_held(data, cook)}: a temperature of the cooker, not of the food."


def _one(data: ReportData, rows: pd.DataFrame) -> list[object]:
    notes = dict.fromkeys(text for text in rows["note"].fillna("") if text)
    valued = data.in_order(rows[rows["value"].notna()])
    order = list(dict.fromkeys(valued["quantity"]))
    valued = valued.sort_values("quantity", key=lambda names: names.map(order.index), kind="stable")
    made = valued.assign(
        name=valued["fuel"].map(data.name),
        label=[f"{capital(row.quantity)}, {row.unit}".rstrip(", ") for row in valued.itertuples(index=False)],
    )
    whole = (valued[["value", "low", "high"]].astype(float) % 1 == 0).all(axis=1)
    found = row_places(valued)
    decimals = found and [0 if is_whole else each for is_whole, each in zip(whole, found, strict=True)]
    columns = [
        Col("name", "Fuel", kind="head"),
        Col("setting", "setting"),
        *numbers(("value", "value"), ("low", "from"), ("high", "to"), decimals=decimals),
        *numbers(("n", "burns")),
    ]
    note = f"Burns run at this cook's setting alone. From and to: {data.percent} interval."
    return [
        table(made, "What was found at this setting", columns, note=note, group="label"),
        *(paragraph(text) for text in notes),
    ]
