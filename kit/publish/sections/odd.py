"""Section 7: odd burns, what stood beside them, and whether any verdict hangs on one burn, bag or day."""

from __future__ import annotations

from typing import Any

from kit.judge.influence import NO_ANSWER
from kit.page.tables import Col, table
from kit.page.text import Html
from kit.publish.drawings.of_spread import odd_drawing
from kit.publish.facts import Facts, facts_of
from kit.publish.sections.section import Section, bullets, heading, paragraph, section, shown
from kit.publish.wording import label_of


def odd_burns(analysis: Any) -> Section:
    """Return burns that stand apart with their conditions, and what each verdict hangs on."""
    facts = facts_of(analysis)
    table_ = facts.table("odd_burns")
    if not len(table_):
        told = "Without repeated burns no burn can be called odd: there is nothing to hold it against."
        return section("odd-burns", "Odd burns", [paragraph(told)])
    measured = [metric for metric in facts.metrics if len(facts.rows("odd_burns", metric))]
    drawings = [odd_drawing(facts, metric) for metric in measured if metric in facts.primary]
    parts = [
        paragraph(
            "An odd burn is a reason to look into what happened, never a reason to leave it out: every "
            "burn here counts "
            "unless the burn sheet gives a reason that was stated beforehand."
        ),
        *(shown(drawing) for drawing in drawings),
        odd_table(facts),
        heading("Does a verdict hang on one burn?", "influence"),
        *influence_words(facts),
    ]
    return section("odd-burns", "Odd burns", parts, drawings)


def odd_table(facts: Facts) -> Html:
    """Return the odd burns with what stood beside them, or the statement that there are none."""
    rows = facts.table("odd_burns")
    odd = rows[rows["odd"].fillna(False).astype(bool)]
    measures = rows["metric"].nunique()
    if not len(odd):
        burns = rows["burn"].nunique()
        return paragraph(f"No burn is odd: {burns} burns were looked at, on {measures} measures.")
    made = odd.assign(
        name=[facts.name(fuel) for fuel in odd["fuel"]],
        label=[label_of(facts.spec(metric), facts.units) for metric in odd["metric"]],
        shown=[_value(facts, row.metric, row.value) for row in odd.itertuples(index=False)],
        others=[_value(facts, row.metric, row.expected) for row in odd.itertuples(index=False)],
        beside=odd["conditions"].fillna("").replace("", "nothing recorded that sets it apart"),
    )
    columns = [
        Col("burn", "Burn", kind="head"),
        Col("name", "fuel"),
        Col("label", "measure"),
        Col("shown", "value"),
        Col("others", "expected"),
        Col("p", "p", kind="number", decimals=3),
        Col("beside", "what stood beside it"),
    ]
    note = "Expected: from all other burns. p: chance that any burn of such a trial lies so far out, were none odd."
    return table(made, "Odd burns and what stood beside them", columns, note=note)


def _value(facts: Facts, metric: str, value: float) -> str:
    from kit.page.numbers import quantity

    return quantity(float(value), facts.spec(metric).unit, facts.units, decimals=1)


def influence_words(facts: Facts, pair: tuple[str, str] | None = None) -> list[Html | None]:
    """Return which verdicts change when one burn, bag or day is left out."""
    rows = facts.table("influence")
    if facts.interim:
        return [paragraph("Not asked: no verdict is given before all planned burns are done.")]
    if pair:
        rows = rows[rows["a"].isin(pair) & rows["b"].isin(pair)]
    if not len(rows):
        return [paragraph("Not asked: there is no verdict to try it on.")]
    changing = rows[rows["matters"].fillna(False).astype(bool)]
    tried = rows[["metric", "a", "b"]].drop_duplicates()
    if not len(changing):
        return [
            paragraph(
                f"No. Each of {len(tried)} verdicts stays as it is whichever burn, bag or day is left out."
            )
        ]
    told = []
    for (metric, a, b), own in changing.groupby(["metric", "a", "b"], sort=False):
        label = label_of(facts.spec(str(metric)), facts.units)
        each = "; ".join(_without(own))
        told.append(
            f"{label}, {facts.name(str(a))} and {facts.name(str(b))} ({own['verdict'].iloc[0]}): {each}."
        )
    count = len(changing[["metric", "a", "b"]].drop_duplicates())
    start = paragraph(
        f"Yes, {count} of {len(tried)} verdicts would read otherwise if one burn, bag or day were left out:"
    )
    return [start, bullets(told)]


def _without(changes: Any) -> list[str]:
    """Return 'without burn 04, 05 or 07: not settled' for each kind of thing left out and verdict."""
    told = []
    for (level, verdict), own in changes.groupby(["level_left_out", "verdict_without"], sort=False):
        names = list(map(str, own["left_out"]))
        listed = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"
        said = "nothing is left to compare" if verdict == NO_ANSWER else verdict
        told.append(f"without {level} {listed}: {said}")
    return told
