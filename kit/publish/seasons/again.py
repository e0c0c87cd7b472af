"""Fuels tested again: did the product change?"""

from __future__ import annotations

from kit.history import History, MetricHistory
from kit.page.html_tables import Col, table
from kit.publish.seasons.words import change_words, label, reach_words, units_of
from kit.publish.sections.section import Section, heading, paragraph, section


def again_section(history: History) -> Section:
    """Return for each metric the fuels that came again, their change and its verdict."""
    parts: list[object] = [
        paragraph(
            "The newest season of each fuel against the mean of its earlier ones; where a control fuel was burned "
            "along, both as differences from it, so that a drift of probe or cooker is not taken for a change "
            "of the fuel."
        )
    ]
    found = [_of(each, history) for each in history.metrics.values() if len(each.again)]
    parts += [part for each in found for part in each]
    if not found:
        parts = [paragraph("No fuel beside the control came again in seasons measured alike.")]
    return section("again", "Fuels tested again: did the product change?", parts)


def _of(found: MetricHistory, history: History) -> list[object]:
    units = units_of(history)
    rows = found.again.assign(
        told=[
            change_words(row.change, row.low, row.high, found.spec, units)
            if row.low > 0 or row.high < 0
            else reach_words(row.change, row.low, row.high, found.spec, units)
            for row in found.again.itertuples(index=False)
        ]
    )
    columns = [
        Col("fuel", "Fuel", kind="head"),
        Col("season", "newest season"),
        Col("seasons", "seasons", kind="number", decimals=0),
        Col("told", "change"),
        Col("verdict", "verdict"),
    ]
    note = "95 % intervals, simultaneous over the fuels. 'Not settled' is not 'the same'."
    name = label(found, units)
    return [
        heading(name, f"again-{found.spec.id}"),
        table(rows, f"{name}: fuels tested again", columns, note=note),
    ]
