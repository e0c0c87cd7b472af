"""The drawings of pairs of fuels: differences against the margin, and the break-even price."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

from kit.page.numbers import plain
from kit.publish.claims import Claim, claim_id, ranked_claims
from kit.publish.drawings.common import axis_unit, turned
from kit.publish.facts import UNDECIDED, Facts
from kit.publish.figures.canvas import short
from kit.publish.figures.comparisons import DifferenceWords, PriceWords, break_even, differences
from kit.publish.figures.drawing import Drawing
from kit.publish.figures.side_by_side import side_by_side
from kit.publish.price import break_even_table
from kit.publish.wording import Told, label_of, number_word
from kit.schema import Metric

if TYPE_CHECKING:
    import pandas as pd

ADJUSTED = {
    "tukey": "for all {n} comparisons of this metric at once (Tukey)",
    "dunnett": "for all {n} comparisons with the control fuel at once (Dunnett)",
    "holm": "for all {n} comparisons of this metric at once (Holm)",
    "none": "for each comparison alone, not adjusted",
}


def family_words(facts: Facts, metric: str) -> str:
    """Return over what the intervals of a metric's comparisons hold."""
    table = facts.rows("comparisons", metric)
    size = int(table["family"].iloc[0]) if "family" in table and len(table) else len(table)
    multiplicity = str(table["multiplicity"].iloc[0]) if len(table) else "none"
    if size <= 1:
        return "for this one comparison"
    return ADJUSTED.get(multiplicity, ADJUSTED["none"]).format(n=size)


def pairs_table(facts: Facts, metric: str) -> pd.DataFrame:
    """Return the comparisons of a metric as drawn: per cent on the log scale, else units as shown."""
    spec = facts.spec(metric)
    table = facts.in_order(facts.rows("comparisons", metric)).reset_index(drop=True)
    log = spec.scale == "log"
    columns = {
        "value": table["ratio" if log else "difference"],
        **{name: table[name] for name in ("low", "high", "low_alone", "high_alone")},
    }
    shown = {name: _as_drawn(values, spec, facts) for name, values in columns.items()}
    sign = "÷" if log else "−"
    pairs = zip(table["a"], table["b"], strict=True)
    named = [(facts.name(a), facts.name(b)) for a, b in pairs]
    place = {player.id: player.place for player in facts.cast}
    return table.assign(
        label=[f"{a} {sign} {b}" for a, b in named],
        short_label=[f"{short(a, 21)} {sign} {short(b, 21)}" for a, b in named],
        settled=~table["verdict"].isin(UNDECIDED),
        place=table["a"].map(place).fillna(0).astype(int),
        **shown,
    )


def _as_drawn(values: pd.Series, spec: Metric, facts: Facts) -> pd.Series:
    import pandas as pd

    # an end that is not finite, as of burns known by bounds alone, is no place on an axis
    known = pd.to_numeric(values).replace([math.inf, -math.inf], math.nan)
    if spec.scale == "log":
        return 100 * (known - 1)
    return turned(known, spec.unit, facts.units, difference=True)


def pairs_drawing(facts: Facts, metric: str, claims: Sequence[Claim]) -> Drawing | None:
    """Return the drawing of every comparison of a metric, or None where none has an interval."""
    table = pairs_table(facts, metric).dropna(subset=["low", "high"])
    if not len(table):
        return None
    spec = facts.spec(metric)
    table = table.assign(told=_ranks(facts, metric, table))
    margin = _margin(facts, metric, table)
    label = label_of(spec, facts.units)
    unit = "%" if spec.scale == "log" else axis_unit(spec.unit, facts.units, difference=True)
    own = [claim for claim in claims if claim.metric == metric]
    words = DifferenceWords(f"difference in {label}, {unit}".rstrip(", "), spec.less, spec.more, margin)
    return Drawing(
        id=f"comparisons {metric}",
        title=f"Comparisons: {label}",
        alt=f"{label}: differences between fuels. " + " ".join(claim.sentence for claim in own),
        caption=_caption(facts, metric, table, margin is not None),
        headline=own[0].caption if len(own) == 1 else f"Differences in {label}",
        note=f"bar: {facts.percent} interval{_n(own)}",
        data=table.drop(columns=["place", "short_label", "told"]),
        draw=partial(differences, table, words),
        claim=own[0].id if len(own) == 1 else "",
    )


def _ranks(facts: Facts, metric: str, table: pd.DataFrame) -> list[int]:
    """Return for each row its place in the order in which findings are told."""
    order = [claim.id for claim in ranked_claims(facts, metric)]
    ids = [claim_id(metric, a, b) for a, b in zip(table["a"], table["b"], strict=True)]
    return [order.index(each) if each in order else len(order) for each in ids]


def _n(claims: Sequence[Claim]) -> str:
    found = {(claim.n, claim.bags) for claim in claims}
    if len(found) != 1:
        return ""
    (n, bags) = found.pop()
    return f"; {bags[0]} bags, {n[0]} burns each" if n[0] == n[1] and bags[0] == bags[1] else ""


def _margin(facts: Facts, metric: str, table: pd.DataFrame) -> tuple[float, float] | None:
    margins = table["margin"].dropna()
    if not len(margins):
        return None
    spec, half = facts.spec(metric), float(margins.iloc[0])
    if spec.scale == "log":
        return 100 * math.expm1(-half), 100 * math.expm1(half)
    import pandas as pd

    low, high = turned(pd.Series([-half, half]), spec.unit, facts.units, difference=True)
    return float(low), float(high)


def _caption(facts: Facts, metric: str, table: pd.DataFrame, margin: bool) -> str:
    n = {(int(row.n_a), int(row.n_b)) for row in table.itertuples(index=False)}
    each = f"{number_word(next(iter(n))[0])} burns of each fuel" if len(n) == 1 and len(set(*n)) == 1 else ""
    zone = (
        " Shaded zone: differences too small to matter, as declared beforehand."
        if margin
        else " No margin was declared, so it is not said whether a difference matters."
    )
    return (
        f"Dot: difference; thin bar: {facts.percent} interval, {family_words(facts, metric)}, which the "
        "verdicts use; thick "
        f"bar: {facts.percent} interval of that comparison alone. Filled dot: settled; open dot: not settled.{zone} "
        f"{each[:1].upper() + each[1:] or 'Burns of each fuel: see the table'}."
    )


def break_even_drawing(facts: Facts) -> Drawing | None:
    """Return the drawing of break-even prices, or None where time above a temperature was not compared."""
    table = break_even_table(facts)
    if not len(table):
        return None
    told = "; ".join(
        f"{row.label}: {plain(row.value, 2)}, interval {plain(row.low, 2)} to {plain(row.high, 2)}"
        for row in table.itertuples(index=False)
    )
    known = table["actual"].notna().any()
    return Drawing(
        id="break-even",
        title="Break-even price",
        alt=f"Up to what price ratio the first fuel is the better value. {told}.",
        caption=(
            "Dot and bar: the price of a kilogram of the first fuel over that of the second at which both "
            "give an hour "
            f"of heat for the same money, with its {facts.percent} interval. Below it the first fuel is "
            "the better value. "
            + ("Diamond: the ratio of the prices paid. " if known else "")
            + "Good in any currency."
        ),
        headline="Worth how many times the price?",
        note=f"bar: {facts.percent} interval",
        data=table.drop(columns=["place", "short_label", "told"]),
        draw=partial(break_even, table, PriceWords("price of a kilogram, first over second")),
    )


def pair_drawing(facts: Facts, claims: Sequence[Claim]) -> Drawing | None:
    """Return the drawing of two fuels on every measure, each with its margin, or None where none has an interval."""
    import pandas as pd

    rows = [row for claim in claims if (row := _side_row(facts, claim)) is not None]
    if not rows:
        return None
    table, first = pd.DataFrame(rows), claims[0]
    a, b = facts.name(first.a), facts.name(first.b)
    return Drawing(
        id=f"side by side {' '.join(sorted((first.a, first.b)))}",
        title=f"{a} against {b}, measure by measure",
        alt=f"{a} against {b}. " + " ".join(claim.sentence for claim in claims),
        caption=(
            f"A row a measure, each on a scale of its own about a common zero; to the right {a} has more. "
            "Dot and bar: difference "
            f"and its {facts.percent} interval {family_words(facts, first.metric)}. Filled dot: "
            "settled; open dot: not settled. Shaded "
            "zone: too small to matter, as declared beforehand; none where nothing was declared."
        ),
        headline=f"{a.split()[0][:16]} against {b.split()[0][:16]}",
        note=f"bar: {facts.percent} interval{_n(claims)}",
        data=table,
        draw=partial(side_by_side, table),
    )


def _words(facts: Facts, claim: Claim, row: pd.Series) -> str:
    if claim.verdict == "the same within the margin" or not claim.settled:
        return claim.verdict
    return _told(facts, claim.metric, row)


def _told(facts: Facts, metric: str, row: pd.Series) -> str:
    spec = facts.spec(metric)
    source = (
        facts.rows("comparisons", metric).loc[lambda t: (t["a"] == row["a"]) & (t["b"] == row["b"])].iloc[0]
    )
    value = source["ratio" if spec.scale == "log" else "difference"]
    told = Told(float(value), float(source["low"]), float(source["high"]), float("nan"), spec, facts.units)
    return told.end(told.value)


def _side_row(facts: Facts, claim: Claim) -> dict[str, object] | None:
    drawn = pairs_table(facts, claim.metric)
    pair = {claim.a, claim.b}
    own = drawn[drawn["a"].isin(pair) & drawn["b"].isin(pair)].dropna(subset=["low", "high"])
    if not len(own):
        return None
    row = own.iloc[0]
    margin = _margin(facts, claim.metric, own) or (float("nan"), float("nan"))
    ends = [abs(float(row[name])) for name in ("low", "high")] + [
        abs(edge) for edge in margin if edge == edge
    ]
    return {
        "label": label_of(facts.spec(claim.metric), facts.units),
        "words": _words(facts, claim, row),
        "value": float(row["value"]),
        "low": float(row["low"]),
        "high": float(row["high"]),
        "reach": 1.15 * max(ends),
        "margin_low": margin[0],
        "margin_high": margin[1],
        "settled": claim.settled,
        "verdict": claim.verdict,
    }
