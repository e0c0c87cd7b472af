"""Section 2: every burn, and the mean of each fuel with its band."""

from __future__ import annotations

from typing import Any

from kit.publish.drawings.of_curves import curves_drawing, main_probe
from kit.publish.facts import facts_of
from kit.publish.sections.section import Section, paragraph, section, shown


def curves(analysis: Any) -> Section:
    """Return the curves of every burn, flagged readings visible, with means and simultaneous bands."""
    facts = facts_of(analysis)
    if not len(facts.table("readings")):
        return section(
            "curves", "Curves", [paragraph("No readings: the values came from the burn sheet alone.")]
        )
    drawing = curves_drawing(facts)
    others = sorted(set(facts.table("readings")["probe"]) - {main_probe(facts)})
    also = f" Other probes in the logs, not drawn: {', '.join(others)}." if others else ""
    told = (
        "One curve a fuel: how far another burn of it would lie from this one is not known."
        if facts.singles
        else "Look first at how far burns of one fuel lie apart: that is what every error bar below is made of."
    )
    return section("curves", "Curves", [paragraph(f"{told}{also}"), shown(drawing)], [drawing])
