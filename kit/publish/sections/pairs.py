"""Section 4: comparisons of fuels and of kinds, with margins and verdicts, and the break-even price."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from kit.page.numbers import plain, quantity
from kit.page.tables import Col, table
from kit.page.text import Html
from kit.publish.claims import claims_of
from kit.publish.drawings.common import axis_unit
from kit.publish.drawings.of_pairs import break_even_drawing, family_words, pairs_drawing, pairs_table
from kit.publish.facts import Facts, facts_of
from kit.publish.price import break_even_table
from kit.publish.sections.section import (
    Section,
    bullets,
    folded,
    heading,
    paragraph,
    section,
    shown,
)
from kit.publish.wording import counted, label_of, margin_words, places, row_places
from kit.schema import VERDICTS

if TYPE_CHECKING:
    import pandas as pd


def comparisons(analysis: Any) -> Section:
    """Return all comparisons with verdicts, margins drawn; kinds against kinds; break-even prices."""
    facts = facts_of(analysis)
    if facts.interim:
        told = "This report is interim: comparisons and verdicts are made once all planned burns are done."
        return section("comparisons", "Comparisons", [paragraph(told)])
    if not len(facts.table("comparisons")):
        return section(
            "comparisons", "Comparisons", [paragraph("Only one fuel was burned: nothing to compare.")]
        )
    claims = claims_of(facts)
    compared = [metric for metric in facts.metrics if len(facts.rows("comparisons", metric))]
    main = [metric for metric in compared if metric in facts.primary] or compared[:1]
    drawings = [pairs_drawing(facts, metric, claims) for metric in main]
    price = break_even_drawing(facts)
    parts = [
        *_how_to_read(facts, main),
        *(
            part
            for metric, each in zip(main, drawings, strict=True)
            for part in (shown(each), pairs_html(facts, metric))
        ),
        *further_html(facts),
        folded("Tables of the other measures", *(pairs_html(facts, m) for m in compared if m not in main)),
        not_compared_html(facts),
        *kinds_html(facts),
        *_price(facts, price),
    ]
    return section("comparisons", "Comparisons", parts, [*drawings, price])


def _how_to_read(facts: Facts, metrics: list[str]) -> list[Html]:
    told = [
        f"{label_of(facts.spec(metric), facts.units)} "
        f"{margin_words(facts.trial.margins[metric].value, facts.spec(metric), facts.units)}"
        for metric in metrics
        if metric in facts.trial.margins
    ]
    lines = ["A verdict rests on the whole interval, not on whether a number looks small."]
    if told:
        lines.append(
            f"Declared before the first burn as the smallest difference that matters: {'; '.join(told)}."
        )
    else:
        lines.append(
            "No smallest difference that matters was declared, so no two fuels are ever called equal here."
        )
    return [paragraph(" ".join(lines))]


def pairs_html(facts: Facts, metric: str) -> Html | None:
    """Return the table of a metric's comparisons, or None where it has none."""
    rows = pairs_table(facts, metric)
    if not len(rows):
        return None
    spec = facts.spec(metric)
    unit = "%" if spec.scale == "log" else axis_unit(spec.unit, facts.units, difference=True)
    burns = [f"{row.n_a}, {row.n_b}" for row in rows.itertuples(index=False)]
    bags = [
        f"{row.bags_a}, {row.bags_b}" if row.bags_a or row.bags_b else ""
        for row in rows.itertuples(index=False)
    ]
    label = label_of(spec, facts.units)
    what = (
        "ratio, first over second, as per cent more or less" if spec.scale == "log" else "first minus second"
    )
    note = (
        f"Difference: {what}. From and to: {facts.percent} interval {family_words(facts, metric)}; "
        f"alone: {facts.percent} interval "
        f"of that comparison alone. Burns and bags: of the first, of the second. p: {_p_words(facts, metric)}."
    )
    digits = _digits(rows)
    columns = [
        Col("label", "Fuels", kind="head"),
        Col("value", "difference", kind="number", decimals=digits),
        Col("low", "from", kind="number", decimals=digits),
        Col("high", "to", kind="number", decimals=digits),
        Col("low_alone", "alone, from", kind="number", decimals=digits),
        Col("high_alone", "to", kind="number", decimals=digits),
        Col("p_adjusted", "p", kind="number", decimals=3),
        Col("verdict", "verdict"),
        Col("burns", "burns", kind="number"),
        Col("bags", "bags", kind="number"),
    ]
    named = [
        Col(
            c.name,
            f"{c.heading}, {unit}" if c.name == "value" and unit else c.heading,
            kind=c.kind,
            decimals=c.decimals,
        )
        for c in columns
    ]
    caption = f"{label[:1].upper()}{label[1:]}: comparisons"
    return table(_rounded(rows).assign(burns=burns, bags=bags), caption, named, note=note)


def _digits(rows: pd.DataFrame) -> int:
    return max(row_places(rows) or [1])


def _rounded(rows: pd.DataFrame) -> pd.DataFrame:
    digits = _digits(rows)
    names = ("value", "low", "high", "low_alone", "high_alone")
    rounded = {name: rows[name].astype(float).round(digits) for name in names}
    return rows.assign(**rounded, p_adjusted=[_p_shown(p) for p in rows["p_adjusted"]])


def _p_shown(p: float) -> str:
    return "–" if p != p else "<0.001" if p < 0.0005 else plain(float(p), 3)


def _p_words(facts: Facts, metric: str) -> str:
    alone = family_words(facts, metric).startswith("for this one") or (
        str(facts.rows("comparisons", metric)["multiplicity"].iloc[0]) == "none"
    )
    return "chance of so large a difference were there none" + (
        "" if alone else ", adjusted like the interval"
    )


def further_html(facts: Facts) -> list[Html | None]:
    """Return what would settle what is open: further bags and burns, fuel and hours, or 'no affordable number'."""
    rows, declared = facts.table("further"), facts.table("comparisons")
    asked = set(zip(declared["metric"], declared["a"], declared["b"], strict=True))
    told = [
        _needed(row, facts)
        for row in rows.itertuples(index=False)
        if row.metric in facts.primary and (row.metric, row.a, row.b) in asked
    ]
    if not told:
        return []
    note = (
        "Enough bags for a chance of 80 % of a settled verdict, should the difference be what it seems and bags "
        "and burns differ as found (upper 80 % limits). Bags, burns, fuel and hours are those of the two fuels."
    )
    return [
        heading("What would settle the open questions", "further"),
        bullets(told),
        paragraph(note, kind="label"),
    ]


def _needed(row: Any, facts: Facts) -> str:
    label = label_of(facts.spec(row.metric), facts.units)
    between = f"{label[:1].upper()}{label[1:]}, {facts.name(row.a)} and {facts.name(row.b)}"
    if row.bags != row.bags:
        return f"{between}: no affordable number of burns would settle it."
    a_bag = f", {counted(int(row.burns), 'burn')} a bag" if row.burns > 1 else ""
    takes = [f"{int(row.more_burns)} burns"]
    if row.grams == row.grams:
        takes.append(f"{quantity(row.grams / 1000, 'kg', facts.units, decimals=0)} of fuel")
    if row.cost == row.cost:
        takes.append(f"{plain(row.cost, 0)} {facts.trial.currency} for the bags".replace("  ", " "))
    if row.hours == row.hours:
        takes.append(f"{plain(row.hours, 0)}\u00a0h of burning")
    return f"{between}: {counted(int(row.bags), 'more bag')} of each{a_bag}: {', '.join(takes)}."


def not_compared_html(facts: Facts) -> Html | None:
    """Return which measures have no comparison, and why."""
    reasons = facts.extra("why_not", {})
    told = [
        f"{label_of(facts.spec(metric), facts.units)}: {why}."
        for metric, why in reasons.items()
        if metric in facts.metrics
    ]
    return folded("Measures that could not be compared", bullets(told)) if told else None


def kinds_html(facts: Facts) -> list[Html]:
    """Return kinds against kinds: for the fuels tested, and in general where enough fuels were tested."""
    rows = facts.table("kinds")
    if not len(rows):
        return []
    told = [kind_sentence(row, facts) for row in rows.itertuples(index=False)]
    note = (
        "'The fuels tested' says how these fuels differ; 'kinds in general' would hold for other fuels of "
        "the kind and "
        "needs at least three of each."
    )
    return [
        heading("Kinds against kinds", "kinds"),
        *(paragraph(text) for text in told),
        paragraph(note, kind="label"),
    ]


def kind_sentence(row: Any, facts: Facts) -> str:
    """Return one comparison of kinds in a sentence, with the spread within a kind beside the gap."""
    from kit.publish.phrases import phrase_of
    from kit.publish.wording import Told, threshold

    spec = facts.spec(row.metric)
    value = row.ratio if row.scale == "log" else row.difference
    told = Told(float(value), float(row.low), float(row.high), float("nan"), spec, facts.units)
    names = {"a": row.a, "b": row.b, "at": threshold(spec, facts.units), "amount": told.amount}
    phrase = phrase_of(spec)
    scope = f"{row.scope[:1].upper()}{row.scope[1:]}"
    n = f"{int(row.fuels_a)} and {int(row.fuels_b)} fuels"
    if row.verdict in ("not settled", "no repeats", "cannot be separated") or row.low != row.low:
        reach = f": the burns fit {told.reach} for {row.a}" if row.low == row.low else ""
        return f"{scope}: whether {phrase.question.format(**names)} is not settled{reach}; {n}."
    clause = (phrase.times if told.multiple else phrase.more if told.above else phrase.less).format(**names)
    return f"{scope}: {clause}: {told.interval}; {n}{_within(row, facts)}."


def _within(row: Any, facts: Facts) -> str:
    if row.spread_within != row.spread_within:
        return ""
    import math

    from kit.publish.wording import in_degrees, is_degrees

    spec = facts.spec(row.metric)
    if row.scale == "log":
        size = f"{plain(100 * math.expm1(row.spread_within), 0)}\u00a0%"
    elif is_degrees(spec.unit):
        size = in_degrees(row.spread_within, 0, 0, facts.units)
    else:
        size = f"{plain(row.spread_within, 1)} {spec.unit}".strip()
    return f"; fuels of one kind differ from one another by {size} (standard deviation)"


def _price(facts: Facts, drawing: Any) -> list[object]:
    rows = break_even_table(facts)
    if not len(rows):
        return []
    told = [price_sentence(row, facts) for row in rows.itertuples(index=False)]
    basis = (
        "From the cost of an hour above the temperature, fuel left over credited as the trial file says."
        if str(rows["metric"].iloc[0]).startswith("cost")
        else "From the time above the temperature, charges being of equal mass; fuel left over is not credited."
    )
    return [
        heading("Break-even price", "break-even-price"),
        shown(drawing),
        bullets(told),
        paragraph(basis, kind="label"),
    ]


def price_sentence(row: Any, facts: Facts) -> str:
    """Return a break-even price in words."""
    digits = max(1, min(2, places(row.low, row.high)))
    a, b = facts.name(row.a), facts.name(row.b)
    text = (
        f"{a}: better value than {b} while its price per kg is below {plain(row.value, digits)} times that of {b} "
        f"({plain(row.low, digits)}–{plain(row.high, digits)})"
    )
    return f"{text}; price paid: {plain(row.actual, 2)} times." if row.actual == row.actual else f"{text}."


def verdict_meanings() -> list[str]:
    """Return each verdict with what it rests on."""
    return [f"{verdict}: {meaning}" for verdict, meaning in VERDICTS.items()]
