"""Section 10: cautions."""

from __future__ import annotations

from typing import Any

from kit.page.cautions import CAUTIONS, EDITION
from kit.page.text import element
from kit.publish.sections.section import Section, paragraph, section


def cautions(analysis: Any) -> Section:
    """Return the cautions: the same in every report, whatever was burned."""
    items = (
        element("li", element("strong", f"{each.about}. "), each.text, id=f"caution-{each.key}")
        for each in CAUTIONS
    )
    parts = [element("ol", *items, class_="cautions"), paragraph(f"{EDITION}.", kind="label")]
    return section("cautions", "Cautions", parts)
