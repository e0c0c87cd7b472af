"""Section 6: which fuel for which cook, from burns run at that cook's setting alone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from kit.page.tables import Col, table
from kit.publish.facts import Facts, facts_of
from kit.publish.sections.section import Section, heading, paragraph, section
from kit.publish.wording import label_of, row_places

if TYPE_CHECKING:
    import pandas as pd


def cooks(analysis: Any) -> Section:
    """Return for each cook what was found at that cook's setting, or what the burns can and cannot tell."""
    facts = facts_of(analysis)
    rows = facts.table("cooks")
    named = [cook.name for cook in facts.trial.cooks]
    if not named:
        return section("cooks", "Which fuel for which cook", [paragraph(_none_named(facts))])
    parts: list[object] = []
    for place, cook in enumerate(named, 1):
        parts.extend([heading(cook, f"cook-{place}"), paragraph(_band(facts, cook))])
        parts.extend(_one(facts, rows[rows["cook"] == cook]))
    parts.append(paragraph(f"{FULL_VENT} What these burns do tell: {_above(facts)}."))
    return section("cooks", "Which fuel for which cook", parts)


def _none_named(facts: Facts) -> str:
    return (
        "The trial file names no cook, so no fuel is fitted to one. "
        + FULL_VENT
        + f" What these burns do tell: {_above(facts)}."
    )


FULL_VENT = (
    "Minutes held at a cook's temperatures mean something only for burns run to hold them: at full vents "
    "a hotter fuel "
    "rushes through a low band and would look the worse for it. From such burns only the time above a "
    "temperature is given, "
    "and nothing is derived from them for a throttled cooker."
)


def _above(facts: Facts) -> str:
    found = [
        metric for metric in facts.metrics if metric.partition(":")[0] in ("time_above", "longest_spell")
    ]
    labels = [label_of(facts.spec(metric), facts.units) for metric in found]
    return (
        ", ".join(labels) + " (under 'Fuel by fuel' and 'Comparisons')" if labels else "peak and curve alone"
    )


def _band(facts: Facts, name: str) -> str:
    from kit.page.numbers import convert, duration, plain

    cook = next(each for each in facts.trial.cooks if each.name == name)
    texts = []
    for is_us in facts.units.systems():
        low, high = (plain(convert(value, "°C", is_us), 0) for value in (cook.low, cook.high))
        texts.append(f"{low} to {high}\u00a0{'°F' if is_us else '°C'}")
    held = texts[0] if len(texts) == 1 else f"{texts[0]} ({texts[1]})"
    hours = f", for {duration(60 * cook.hours)}" if cook.hours else ""
    return f"Wants {held}{hours}: a temperature of the cooker, not of the food."


def _one(facts: Facts, rows: pd.DataFrame) -> list[object]:
    valued = rows[rows["value"].notna()]
    notes = list(dict.fromkeys(text for text in rows["note"].fillna("") if text))
    if not len(valued):
        told = notes or [
            "No burn was run at a setting for this cook, so nothing is said of how long a fuel would serve it."
        ]
        return [paragraph(text) for text in told]
    valued = facts.in_order(valued)
    order = list(dict.fromkeys(valued["quantity"]))
    valued = valued.sort_values("quantity", key=lambda names: names.map(order.index), kind="stable")
    made = valued.assign(
        name=[facts.name(fuel) for fuel in valued["fuel"]],
        label=[_quantity(row) for row in valued.itertuples(index=False)],
    )
    decimals = _places(valued)
    columns = [
        Col("name", "Fuel", kind="head"),
        Col("setting", "setting"),
        Col("value", "value", kind="number", decimals=decimals),
        Col("low", "from", kind="number", decimals=decimals),
        Col("high", "to", kind="number", decimals=decimals),
        Col("n", "burns", kind="number", decimals=0),
    ]
    note = f"Burns run at this cook's setting alone. From and to: {facts.percent} interval."
    return [
        table(made, "What was found at this setting", columns, note=note, group="label"),
        *(paragraph(text) for text in notes),
    ]


def _places(rows: pd.DataFrame) -> list[int] | None:
    """Return decimals row by row: none for whole top-ups."""
    whole = (rows[["value", "low", "high"]].astype(float) % 1 == 0).all(axis=1)
    found = row_places(rows)
    return found and [0 if is_whole else each for is_whole, each in zip(whole, found, strict=True)]


def _quantity(row: Any) -> str:
    return f"{row.quantity}, {row.unit}" if row.unit else str(row.quantity)
