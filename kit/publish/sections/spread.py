"""Section 5: where the variation comes from, and what another bag will do."""

from __future__ import annotations

from typing import Any

from kit.page.numbers import plain
from kit.page.tables import Col, table
from kit.page.text import Html
from kit.publish.drawings.of_spread import source_name, spread_drawing, spread_table, spread_unit
from kit.publish.drawings.of_values import next_bag_drawing
from kit.publish.facts import Facts, facts_of
from kit.publish.sections.section import Section, bullets, heading, paragraph, section, shown
from kit.publish.wording import label_of, places, threshold

MOST_CHANCES = 8


def variation(analysis: Any) -> Section:
    """Return the spread by source with intervals, the ISO 5725 terms, and predictions for a new bag."""
    facts = facts_of(analysis)
    if facts.bare:
        told = (
            "Nothing was repeated, so the variation between burns, bags and days is unknown: it is not "
            "zero, it was not "
            "looked for."
        )
        return section("variation", "Where the variation comes from", [paragraph(told)])
    metrics = list(facts.primary) or list(facts.metrics[:1])
    sources = [spread_drawing(facts, metric) for metric in metrics]
    nexts = [next_bag_drawing(facts, metric) for metric in metrics]
    chances = chances_words(facts)
    parts: list[object] = [
        paragraph(
            "What differs from burn to burn sets how many burns are needed; what differs from bag to bag "
            "sets what a shopper can expect."
        ),
        *(
            part
            for metric, each in zip(metrics, sources, strict=True)
            for part in (shown(each), components_html(facts, metric))
        ),
        *_at_zero(facts, metrics),
        shares_html(facts, metrics),
        heading("The next bag", "next-bag"),
        *(shown(each) for each in nexts),
        bullets(chances),
        paragraph(_brackets(facts), kind="label") if chances else None,
    ]
    if not any(nexts):
        parts.append(paragraph("No prediction: these burns do not tell bags or burns apart well enough."))
    return section("variation", "Where the variation comes from", parts, [*sources, *nexts])


def _brackets(facts: Facts) -> str:
    return f"In brackets: {facts.percent} intervals of the chance, from the spread of bags and burns that was found."


def components_html(facts: Facts, metric: str) -> Html | None:
    """Return the table of a metric's spread by source."""
    rows = spread_table(facts, metric)
    if not len(rows):
        return None
    unit = spread_unit(facts, metric)
    label = label_of(facts.spec(metric), facts.units)
    digits = max((places(row.low, row.high) for row in rows.itertuples(index=False)), default=1)
    columns = [
        Col("label", "Source", kind="head"),
        Col("sd", f"spread, {unit}", kind="number", decimals=digits),
        Col("low", "from", kind="number", decimals=digits),
        Col("high", "to", kind="number", decimals=digits),
        Col("method", "interval by"),
    ]
    note = f"Spread: standard deviation. From and to: {facts.percent} interval. {_iso(rows, unit)}"
    return table(rows, f"{label[:1].upper()}{label[1:]}: spread by source", columns, note=note)


def _iso(rows: Any, unit: str) -> str:
    burn = rows.loc[rows["component"] == "burn", "sd"]
    if not len(burn):
        return ""
    s_r = float(burn.iloc[0])
    whole = float((rows.loc[rows["component"].isin(["burn", "bag", "day"]), "sd"] ** 2).sum() ** 0.5)
    # r = 2.8 s_r, ISO 5725-6
    return (
        f"In the words of ISO 5725: repeatability s_r {plain(s_r, 1)}\u00a0{unit}, repeatability limit r = 2.8 s_r = "
        f"{plain(2.8 * s_r, 1)}\u00a0{unit}, intermediate precision (bags and days in it) "
        f"{plain(whole, 1)}\u00a0{unit}."
    )


def _at_zero(facts: Facts, metrics: list[str]) -> list[Html]:
    told = []
    for metric in metrics:
        rows = spread_table(facts, metric)
        for row in rows[rows["at_boundary"].fillna(False).astype(bool)].itertuples(index=False):
            stem = str(row.component).partition(":")[0]
            less = {"bag": "between bags than within them", "day": "between days than within them"}.get(
                stem, "than chance brings"
            )
            limit = (
                f", but up to {plain(row.high, 1)} {spread_unit(facts, metric)} is not ruled out"
                if row.high == row.high
                else ""
            )
            label = label_of(facts.spec(metric), facts.units)
            told.append(
                paragraph(f"{label[:1].upper()}{label[1:]}: the data show no more variation {less}{limit}.")
            )
    return told


def shares_html(facts: Facts, metrics: list[str]) -> Html | None:
    """Return the table of shares of the variance."""
    import pandas as pd

    rows = (
        pd.concat([facts.rows("shares", metric) for metric in metrics]) if metrics else facts.table("shares")
    )
    if not len(rows):
        return None
    made = rows.assign(
        source=[source_name(part, facts) for part in rows["component"]],
        label=[label_of(facts.spec(metric), facts.units) for metric in rows["metric"]],
        **{name: 100 * rows[name].astype(float) for name in ("share", "low", "high")},
    )
    columns = [Col("source", "Source", kind="head")]
    columns += [
        Col(name, words, unit="%", kind="number", decimals=0)
        for name, words in (("share", "share"), ("low", "from"), ("high", "to"))
    ]
    note = f"Of the variance of all burns. From and to: {facts.percent} interval."
    return table(made, "Shares of the variation", columns, note=note, group="label")


def chances_words(facts: Facts, pair: tuple[str, str] | None = None) -> list[str]:
    """Return for a shopper the chance that a new bag of one fuel beats a new bag of another, with its interval."""
    if facts.interim:
        return []
    table_ = facts.table("chances")
    primary = table_[table_["metric"].isin(facts.primary)] if facts.primary else table_
    rows = primary if pair is None else primary[primary["a"].isin(pair) & primary["b"].isin(pair)]
    control = facts.trial.control_fuel
    if pair is None and control:
        rows = rows[(rows["a"] == control) | (rows["b"] == control)]
    ranked = rows.assign(far=(rows["chance"].astype(float) - 0.5).abs()).sort_values(
        "far", ascending=False, kind="stable"
    )
    return [chance_sentence(row, facts) for row in ranked.head(MOST_CHANCES).itertuples(index=False)]


def chance_sentence(row: Any, facts: Facts) -> str:
    """Return one chance in words: 'in about 97 of 100 such pairs (86 to 99)'."""
    spec = facts.spec(row.metric)
    a, b, chance, low, high = row.a, row.b, row.chance, row.low, row.high
    if chance < 0.5:
        a, b, chance, low, high = b, a, 1 - chance, 1 - high, 1 - low
    words = spec.phrases.chance.format(at=threshold(spec, facts.units))
    often = "more than 99" if chance >= 0.995 else f"about {plain(100 * chance, 0)}"
    fewest, most = plain(100 * low, 0), plain(100 * high, 0)
    limits = f"{fewest} to {most}" if low < 0.985 else "99 or more"
    return (
        f"Buy a new bag of {facts.name(a)} and one of {facts.name(b)}, and burn each once: {facts.name(a)} "
        f"will {words} in {often} of 100 such pairs ({limits})."
    )
