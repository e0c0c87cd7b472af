"""What people scored: each fuel's place in its tasters' own order, how far tasters differ."""

from __future__ import annotations

from typing import Any, Final

from kit.page.tables import Col, table
from kit.page.text import Html
from kit.publish.report_data import ReportData
from kit.publish.sections.section import bullets, heading, numbers, paragraph
from kit.publish.wording import capital, counted

_HOW: Final = (
    "Each taster's scores count by their place in that taster's own order. 'Above the others' is the chance that a "
    "score of this fuel lies above one that the same taster gave to any burn; 50 % is the middle. Which end of a scale "
    "is good is the tester's to say. Tasters are not burns: a burn has one value, the mean of its tasters, and "
    "intervals come from burns and bags."
)


def scores_sentences(data: ReportData) -> list[Html | None]:
    """Return what is settled of the scores, and how many comparisons are not; nothing where nobody scored."""
    rows = data.table("scores")
    if not len(rows):
        return []
    told = [
        line for attribute in dict.fromkeys(rows["attribute"]) for line in _pairs_told(str(attribute), data)
    ]
    n = int(rows["scores"].sum()), int(rows["tasters"].max())
    return [
        heading("What people scored", "scored"),
        bullets(told),
        paragraph(
            f"{n[0]} scores by {counted(n[1], 'taster')}; the tables stand in the appendix.", kind="label"
        ),
    ]


def scores_html(data: ReportData) -> list[Html | None]:
    """Return the scores of each attribute with their intervals and n; nothing where nobody scored."""
    rows = data.in_order(data.table("scores"))
    if not len(rows):
        return []
    parts: list[Html | None] = [heading("What people scored", "scores"), paragraph(_HOW)]
    for attribute in dict.fromkeys(rows["attribute"]):
        own = rows[rows["attribute"] == attribute]
        parts += [_table(str(attribute), own, data), _pairs_table(str(attribute), data)]
    tasters = data.table("tasters")
    parts.append(
        bullets(
            f"{capital(row.attribute)}: standard deviation {_source(row.source)} {row.sd:.1f} ({row.low:.1f} to "
            f"{row.high:.1f}), on the scale as scored."
            for row in tasters.itertuples(index=False)
        )
    )
    return parts


def _source(source: str) -> str:
    return "of one taster's scores of one burn" if source == "one taster, one burn" else source


def _table(attribute: str, rows: Any, data: ReportData) -> Html:
    made = rows.assign(
        name=rows["fuel"].map(data.name),
        **{name: 100 * rows[name].astype(float) for name in ("chance", "low", "high")},
    )
    columns = [
        Col("name", "Fuel", kind="head"),
        *numbers(("score", "median score"), decimals=1),
        *numbers(("chance", "above the others"), ("low", "from"), ("high", "to"), unit="%"),
        *numbers(("n", "burns"), ("bags", "bags"), ("scores", "scores")),
    ]
    tasters = counted(int(rows["tasters"].max()), "taster")
    note = f"From and to: {data.percent} interval of each fuel for itself; {tasters}."
    return table(made, f"Scored: {attribute}", columns, note=note)


def _pairs_table(attribute: str, data: ReportData) -> Html | None:
    rows = data.table("score_pairs")
    rows = rows[rows["attribute"] == attribute]
    if not len(rows):
        return None
    made = rows.assign(
        fuels=[f"{data.name(row.a)} − {data.name(row.b)}" for row in rows.itertuples(index=False)],
        **{name: 100 * rows[name].astype(float) for name in ("difference", "low", "high")},
    )
    columns = [Col("fuels", "Fuels", kind="head")]
    columns += numbers(("difference", "difference, percentage points"), ("low", "from"), ("high", "to"))
    columns += [*numbers(("p_adjusted", "p"), decimals=3), Col("verdict")]
    note = f"Of the chance to lie above the others. {data.percent} intervals for all of them at once."
    return table(made, f"Scored: {attribute}, fuels compared", columns, note=note)


def _pairs_told(attribute: str, data: ReportData) -> list[str]:
    pairs = data.table("score_pairs")
    pairs = pairs[pairs["attribute"] == attribute]
    settled = pairs[pairs["verdict"] == "different"]
    told = []
    for row in settled.itertuples(index=False):
        ends = sorted((abs(100 * row.low), abs(100 * row.high)))
        told.append(
            f"{capital(attribute)}: {data.name(row.a)} was scored {'higher' if row.difference > 0 else 'lower'} than "
            f"{data.name(row.b)}, its chance to lie above the others being {abs(100 * row.difference):.0f} percentage "
            f"points {'more' if row.difference > 0 else 'less'} ({ends[0]:.0f} to {ends[1]:.0f})."
        )
    rest = len(pairs) - len(told)
    if rest:
        other = f"{counted(rest, 'other comparison')}" if told else counted(rest, "comparison")
        told.append(f"{capital(attribute)}: {other} {'is' if rest == 1 else 'are'} not settled.")
    return told
