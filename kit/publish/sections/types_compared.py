"""Types of fuel compared: for the fuels tested, and in general where enough fuels were tested."""

from __future__ import annotations

import math
from typing import Any

from kit.page.numbers import plain
from kit.page.text import Html
from kit.publish.report_data import UNDECIDED, ReportData
from kit.publish.sections.section import heading, paragraph
from kit.publish.wording import Amount, capital, counted, in_degrees, is_degrees, number_word, threshold


def kinds_html(data: ReportData) -> list[Html]:
    """Return kinds against kinds: for the fuels tested, and in general where enough fuels were tested."""
    rows = data.table("kinds")
    rows = rows[rows["metric"].isin(data.primary)] if data.primary else rows
    judged = data.table("comparisons")
    rows = rows[~rows["metric"].isin(judged.loc[judged["verdict"] == "cannot be separated", "metric"])]
    if not len(rows):
        return []
    names = dict.fromkeys(kind for row in rows.itertuples(index=False) for kind in (row.a, row.b))
    note = (
        "'The fuels tested' says how these fuels differ; 'types in general' would hold for other fuels of "
        "the type and needs at least three of each."
    )
    title = (
        f"{capital(' against '.join(map(plural, names)))} (types compared)"
        if len(names) == 2
        else "Types compared"
    )
    told = [paragraph(kind_sentence(row, data)) for row in rows.itertuples(index=False)]
    return [heading(title, "kinds"), *told, paragraph(note, kind="label")]


def plural(kind: str) -> str:
    """Return a kind as fuels of it are called: 'lump fuels', 'briquettes'."""
    return f"{kind}s" if kind.endswith("ette") else f"{kind} fuels"


def kind_sentence(row: Any, data: ReportData) -> str:
    """Return one comparison of kinds in a sentence, with the spread within a kind beside the gap."""
    spec, phrase = data.spec(row.metric), data.spec(row.metric).phrases
    value = float(row.ratio if row.scale == "log" else row.difference)
    amount = Amount(value, float(row.low), float(row.high), math.nan, spec, data.units)
    a, b = plural(row.a), plural(row.b)
    scope = capital(str(row.scope)).replace("Kinds", "Types")
    names = {"a": a, "b": b, "at": threshold(spec, data.units), "amount": amount.size}
    n = f"{counted(int(row.fuels_a), 'fuel')} and {number_word(int(row.fuels_b))}"
    if row.verdict in UNDECIDED or not amount.known:
        reach = f": the burns are compatible with {amount.reach} for {a}" if amount.known else ""
        return f"{scope}: we cannot yet say whether {phrase.question.format(**names)}{reach}; {n}."
    clause = (phrase.times if amount.multiple else phrase.more if amount.above else phrase.less).format(
        **names
    )
    return f"{scope}: {clause}: {amount.interval}; {n}{_within(row, data)}."


def _within(row: Any, data: ReportData) -> str:
    if row.spread_within != row.spread_within or row.scope != "kinds in general":
        return ""
    spec = data.spec(row.metric)
    if row.scale == "log":
        size = f"{plain(100 * math.expm1(row.spread_within), 0)}\u00a0%"
    elif is_degrees(spec.unit):
        size = in_degrees(row.spread_within, 0, 0, data.units)
    else:
        size = f"{plain(row.spread_within, 1)} {spec.unit}".strip()
    return f"; fuels of one type differ from one another by {size} (standard deviation)"
