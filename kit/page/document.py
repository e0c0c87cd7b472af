"""A whole HTML page: one file, no script, no network, contents from its own headings."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from html import unescape
from typing import Final

from kit.page.style import stylesheet
from kit.page.text import Html, element, join

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


def contents_list(headings: Sequence[Heading]) -> Html:
    """Return a contents list of the headings of levels 2 and 3; '' for fewer than three."""
    entries = [each for each in headings if each.level in (2, 3) and each.id]
    if len(entries) < 3:
        return Html("")
    chapters: list[list[Heading]] = []
    for each in entries:
        if each.level == 2 or not chapters:
            chapters.append([])
        chapters[-1].append(each)
    items = (
        _entry(first, element("ol", *map(_entry, below)) if below else None) for first, *below in chapters
    )
    folded = element("details", element("summary", "Contents"), element("ol", *items))
    return element("nav", folded, class_="contents", aria_label="Contents")


def _entry(heading: Heading, below: Html | None = None) -> Html:
    return element("li", element("a", heading.text, href=f"#{heading.id}"), below)


def document(
    title: str,
    body: Html,
    *,
    strip: object = "",
    footer: object = "",
    contents: bool = True,
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
    menu = contents_list(headings_of(body)) if contents else Html("")
    head = (
        element("meta", charset="utf-8"),
        element("meta", http_equiv="Content-Security-Policy", content=POLICY),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("meta", name="color-scheme", content="light dark"),
        element("meta", name="referrer", content="no-referrer"),
        element("title", title),
        Html(f"<style>{stylesheet()}</style>"),
    )
    lead = element("p", strip, class_="strip") if strip else None
    page = element(
        "div",
        element("header", lead, element("h1", title), class_="masthead"),
        element("div", menu, element("main", body, id="main"), class_="columns" if menu else None),
        element("footer", footer) if footer else None,
        class_="page",
    )
    skip = element("a", "Skip to the content", href="#main", class_="skip")
    whole = element("html", element("head", join(head, "\n")), element("body", skip, page), lang="en")
    return f"<!doctype html>\n{whole}\n"
