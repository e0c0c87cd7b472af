"""A whole HTML page: one file, no script, no network, contents from its own headings."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from html import unescape
from typing import Any, Final

from kit.data_file import data_text
from kit.page.style import stylesheet
from kit.page.text import Html, escape

POLICY: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
)
"""Content-Security-Policy of every page: no script, no network."""
_HEADING: Final = re.compile(r"<h([1-4])\b([^>]*)>(.*?)</h\1>", re.DOTALL)
_ID: Final = re.compile(r'\bid="([^"]*)"')
_TAG: Final = re.compile(r"<[^>]*>")


@dataclass(frozen=True)
class Heading:
    """A heading of a page: its level, the id it can be reached by, and its text."""

    level: int
    id: str
    text: str


def headings_of(body: str) -> list[Heading]:
    """Return the headings of a piece of HTML, in order."""
    return [
        Heading(
            int(level), "".join(_ID.findall(attributes)[:1]), " ".join(unescape(_TAG.sub("", text)).split())
        )
        for level, attributes, text in _HEADING.findall(body)
    ]


def chapters_of(body: str) -> list[list[Heading]]:
    """Return each heading of level 2 with those of level 3 below it, as contents list them; none below three."""
    chapters: list[list[Heading]] = []
    listed = [each for each in headings_of(body) if each.level in (2, 3) and each.id]
    for each in listed if len(listed) > 2 else ():
        if each.level == 2 or not chapters:
            chapters.append([])
        chapters[-1].append(each)
    return chapters


def escaping_template(text: str, **known: object) -> Any:
    """Return a Jinja template in which every text that is no markup is escaped, and no name may be missing."""
    from jinja2 import Environment, StrictUndefined

    def shown(value: object) -> object:
        return value if hasattr(value, "__html__") else escape(value)

    pages = Environment(
        autoescape=True, undefined=StrictUndefined, finalize=shown, keep_trailing_newline=True
    )
    return pages.from_string(text, globals=known)


@cache
def _template() -> Any:
    return escaping_template(data_text(__file__, "page.html"))


def document(
    title: str, body: Html, *, strip: object = "", footer: object = "", contents: bool = True
) -> str:
    """Return a whole page.

    Parameters
    ----------
    title
        Of the window; also the page's one h1.
    body
        Sections whose headings start at h2 and carry ids.
    strip
        A line above the heading: what kind of page, date, folder.
    """
    parts = {"title": title, "body": body, "strip": strip, "footer": footer, "policy": POLICY}
    listed = chapters_of(body) if contents else []
    page: str = _template().render(**parts, chapters=listed, style=Html(stylesheet()))
    return page
