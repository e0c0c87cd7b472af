"""A whole HTML page: one file, no script, no network, contents from its own headings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html.parser import HTMLParser
from typing import Final

from kit.page.style import stylesheet
from kit.page.text import Html, element, escape, join

POLICY: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
)
"""Content-Security-Policy of every page: no script, no network."""


@dataclass(frozen=True)
class Heading:
    """A heading of a page: its level, the id it can be reached by, and its text."""

    level: int
    id: str
    text: str


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.found: list[Heading] = []
        self._open: tuple[int, str] | None = None
        self._text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("h1", "h2", "h3", "h4"):
            self._open, self._text = (int(tag[1]), dict(attrs).get("id") or ""), []

    def handle_endtag(self, tag: str) -> None:
        if self._open and tag == f"h{self._open[0]}":
            self.found.append(Heading(*self._open, " ".join("".join(self._text).split())))
            self._open = None

    def handle_data(self, data: str) -> None:
        if self._open:
            self._text.append(data)


def headings_of(body: str) -> list[Heading]:
    """Return the headings of a piece of HTML, in order."""
    reader = _Reader()
    reader.feed(body)
    reader.close()
    return reader.found


def contents_list(headings: Sequence[Heading], deepest: int = 3) -> Html:
    """Return a contents list of the headings from level 2 to the deepest; '' for fewer than three."""
    entries = [each for each in headings if 2 <= each.level <= deepest and each.id]
    if len(entries) < 3:
        return Html("")
    items: list[Html] = []
    i = 0
    while i < len(entries):
        j = i + 1
        while j < len(entries) and entries[j].level > 2:
            j += 1
        below = element("ol", *map(_entry, entries[i + 1 : j])) if j > i + 1 else None
        items.append(_entry(entries[i], below))
        i = j
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
    lang: str = "en",
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
    page = element(
        "div",
        element("header", _strip(strip), element("h1", title), class_="masthead"),
        element("div", menu, element("main", body, id="main"), class_="columns" if menu else None),
        element("footer", footer) if footer else None,
        class_="page",
    )
    skip = element("a", "Skip to the content", href="#main", class_="skip")
    whole = element("html", element("head", join(head, "\n")), element("body", skip, page), lang=lang)
    return f"<!doctype html>\n{whole}\n"


def _strip(strip: object) -> Html | None:
    return element("p", escape(strip), class_="strip") if strip else None
