"""What people scored, within 'Fuel by fuel': each fuel's place in its tasters' own order, how far tasters differ."""

from __future__ import annotations

from typing import Any

from kit.page.tables import Col, table
from kit.page.text import Html
from kit.publish.facts import Facts
from kit.publish.sections.section import bullets, heading, paragraph


def scores_html(facts: Facts) -> list[Html | None]:
    """Return the scores of each attribute with their intervals and n; nothing where nobody scored."""
    rows = facts.in_order(facts.table("scores"))
    if not len(rows):
        return []
    parts: list[Html | None] = [heading("What people scored", "scores"), paragraph(_HOW)]
    for attribute in dict.fromkeys(rows["attribute"]):
        own = rows[rows["attribute"] == attribute]
        parts.append(_table(str(attribute), own, facts))
        parts.append(bullets(_told(str(attribute), facts)))
    return parts


_HOW = (
    "Each taster's scores count by their place in that taster's own order. 'Above the others' is the chance that a "
    "score of this fuel lies above one that the same taster gave to any burn; 50 % is the middle. Tasters are not "
    "burns: a burn has one value, the mean of its tasters, and intervals come from burns and bags."
)


def _table(attribute: str, rows: Any, facts: Facts) -> Html:
    made = rows.assign(
        name=[facts.name(fuel) for fuel in rows["fuel"]],
        **{name: 100 * rows[name].astype(float) for name in ("chance", "low", "high")},
    )
    columns = [
        Col("name", "Fuel", kind="head"),
        Col("score", "median score", kind="number", decimals=1),
        Col("chance", "above the others", unit="%", kind="number", decimals=0),
        Col("low", "from", unit="%", kind="number", decimals=0),
        Col("high", "to", unit="%", kind="number", decimals=0),
        Col("n", "burns", kind="number", decimals=0),
        Col("bags", "bags", kind="number", decimals=0),
        Col("scores", "scores", kind="number", decimals=0),
    ]
    tasters = int(rows["tasters"].max())
    note = f"From and to: {facts.percent} interval of each fuel for itself; {tasters} tasters."
    return table(made, f"Scored: {attribute}", columns, note=note)


def _told(attribute: str, facts: Facts) -> list[str]:
    pairs = facts.table("score_pairs")
    pairs = pairs[pairs["attribute"] == attribute]
    apart = pairs[pairs["verdict"] == "different"]
    told = [
        f"{facts.name(row.a)} was scored {'higher' if row.difference > 0 else 'lower'} than {facts.name(row.b)}: by "
        f"{_points(row.difference)} points of that chance, {_range(row.low, row.high)}."
        for row in apart.itertuples(index=False)
    ]
    rest = len(pairs) - len(apart)
    if rest:
        told.append(f"Of {'the other' if told else 'all'} {rest} comparisons none is settled.")
    tasters = facts.table("tasters")
    told += [
        f"Spread {row.source}: SD {row.sd:.1f}, {row.low:.1f} to {row.high:.1f}, on the scale as scored."
        for row in tasters[tasters["attribute"] == attribute].itertuples(index=False)
    ]
    return told


def _points(difference: float) -> str:
    return f"{100 * abs(difference):.0f}"


def _range(low: float, high: float) -> str:
    ends = sorted((abs(low), abs(high)))
    return f"{_points(ends[0])} to {_points(ends[1])}"
