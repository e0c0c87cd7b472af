"""Cautions for people who burn charcoal: data with an edition, for reports, plans, sheets and the README."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from kit.data_file import data_file
from kit.page.text import Html, element, join


@dataclass(frozen=True)
class Caution:
    """One caution: a key, what it is about, the whole of it, and a line for a burn sheet ('' for none)."""

    key: str
    about: str
    text: str
    short: str = ""


_WRITTEN: Final = data_file(__file__, "cautions.toml")
EDITION: Final[str] = _WRITTEN["edition"]
CAUTIONS: Final = tuple(Caution(**each) for each in _WRITTEN["caution"])


def cautions_html() -> Html:
    """Return all cautions as a section with its heading, edition named."""
    heading = element("h2", "Cautions", id="cautions")
    return element("section", heading, cautions_list(), aria_labelledby="cautions")


def cautions_list() -> Html:
    """Return all cautions as a numbered list, edition named."""
    items = (
        element("li", element("strong", f"{each.about}. "), each.text, id=f"caution-{each.key}")
        for each in CAUTIONS
    )
    return join([element("ol", *items, class_="cautions"), element("p", f"{EDITION}.", class_="label")])


def cautions_markdown() -> str:
    """Return all cautions as Markdown, edition named."""
    items = "\n".join(f"{place}. **{each.about}.** {each.text}" for place, each in enumerate(CAUTIONS, 1))
    return f"## Cautions\n\n{items}\n\n{EDITION}.\n"


def cautions_short() -> tuple[str, ...]:
    """Return the lines for a burn sheet, one a caution that has one."""
    return tuple(each.short for each in CAUTIONS if each.short)
