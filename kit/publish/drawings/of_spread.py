"""The drawings of variation: where it comes from, and burns that stand apart."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from kit.page.numbers import plain
from kit.publish.drawings.common import axis_unit, n_note, n_words, turned
from kit.publish.facts import Facts
from kit.publish.figures.drawing import Drawing
from kit.publish.figures.spread import SpreadWords, odd_ones, spreads
from kit.publish.wording import capital, label_of, places

if TYPE_CHECKING:
    import pandas as pd

SOURCES = {
    "kind": "between kinds",
    "fuel": "between fuels",
    "bag": "between bags",
    "day": "between days",
    "burn": "between burns of a bag",
}


def source_name(component: str, facts: Facts) -> str:
    """Return a source of variation in words; 'burn:GROUP' where spread differs by group."""
    stem, _, group = str(component).partition(":")
    words = SOURCES.get(stem, str(component))
    return f"{words}, {facts.name(group)}" if group else words


def spread_table(facts: Facts, metric: str) -> pd.DataFrame:
    """Return the components of a metric as shown: per cent on the log scale, else units as shown."""
    spec = facts.spec(metric)
    table = facts.rows("components", metric).reset_index(drop=True)
    names = ("sd", "low", "high")
    if spec.scale == "log":
        shown = {name: 100 * np.expm1(table[name].astype(float)) for name in names}
    else:
        shown = {name: turned(table[name], spec.unit, facts.units, difference=True) for name in names}
    return table.assign(label=[source_name(part, facts) for part in table["component"]], **shown)


def spread_unit(facts: Facts, metric: str) -> str:
    """Return the unit of that table's numbers."""
    spec = facts.spec(metric)
    return "%" if spec.scale == "log" else axis_unit(spec.unit, facts.units, difference=True)


def spread_drawing(facts: Facts, metric: str) -> Drawing | None:
    """Return the drawing of where the variation of a metric comes from, or None where nothing is known."""
    table = spread_table(facts, metric)
    if not len(table):
        return None
    spec, unit = facts.spec(metric), spread_unit(facts, metric)
    label = label_of(spec, facts.units)
    told = "; ".join(_told(row, unit) for row in table.itertuples(index=False))
    return Drawing(
        id=f"spread {metric}",
        title=f"Where the variation comes from: {label}",
        alt=f"Spread of {label} by source. {told}.",
        caption=(
            f"Bar: typical difference from the average (standard deviation) that each source brings; line: its "
            f"{facts.percent} interval. {capital(n_words(facts))}."
        ),
        headline="Where the variation comes from",
        note=f"line: {facts.percent} interval; {n_note(facts)}",
        data=table[["component", "label", "sd", "low", "high", "level", "method", "at_boundary"]],
        draw=partial(spreads, table, SpreadWords(f"spread of {label}, {unit}".rstrip(", "))),
    )


def _told(row: object, unit: str) -> str:
    sd, low, high = (float(getattr(row, name)) for name in ("sd", "low", "high"))
    digits = places(low, high) if np.isfinite(high - low) else 1
    return f"{row.label} {plain(sd, digits)} {unit}, interval {plain(low, digits)} to {plain(high, digits)}"  # type: ignore[attr-defined]


def odd_drawing(facts: Facts, metric: str) -> Drawing | None:
    """Return the drawing of how far each burn lies from the others, or None where that was not asked."""
    table = facts.rows("odd_burns", metric).dropna(subset=["residual"]).reset_index(drop=True)
    if not len(table):
        return None
    table = table.assign(odd=table["odd"].astype(bool))
    label = label_of(facts.spec(metric), facts.units)
    odd = table[table["odd"]]
    named = "; ".join(
        f"burn {row.burn} of {facts.name(row.fuel)} at {plain(row.residual, 1)}"
        for row in odd.itertuples(index=False)
    )
    return Drawing(
        id=f"odd burns {metric}",
        title=f"Odd burns: {label}",
        alt=f"How far each of {len(table)} burns lies from what the others let expect. "
        + (f"Odd: {named}." if named else "None is odd."),
        caption=(
            "Each mark is one burn: its distance from what all other burns let expect, in units of its "
            "own doubt, in "
            f"the order of the burn sheet ({len(table)} burns). A named burn is one that chance alone would bring in "
            f"fewer than {plain(100 * (1 - facts.level), 0)} of 100 such trials."
        ),
        headline=f"Odd burns: {label}",
        note=f"{len(table)} burns",
        data=table[["burn", "fuel", "value", "expected", "residual", "p", "odd", "conditions"]],
        draw=partial(
            odd_ones, table, None, facts.cast, SpreadWords("burn, in the order of the sheet", "distance")
        ),
    )
