"""Pages read as a parser reads them: headings, ids, links, figures, tables, words."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser

from kit.page.document import inlined

VOID = {"br", "col", "hr", "img", "link", "meta", "wbr", "source", "path", "use"}


@dataclass
class Page(HTMLParser):
    """What a test wants to know of a piece of HTML."""

    ids: list[str] = field(default_factory=list)
    links: list[str] = field(default_factory=list)
    headings: list[tuple[int, str]] = field(default_factory=list)
    tags: list[str] = field(default_factory=list)
    figures: list[dict[str, str]] = field(default_factory=list)
    tables: list[dict[str, object]] = field(default_factory=list)
    text: str = ""
    attributes: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self._open: list[str] = []

    def handle_starttag(self, tag, attrs):
        found = dict(attrs)
        self.tags.append(tag)
        self.attributes.extend(name for name, _ in attrs)
        if "id" in found:
            self.ids.append(found["id"])
        if tag == "a":
            self.links.append(found.get("href", ""))
        if tag in ("h1", "h2", "h3", "h4"):
            self.headings.append((int(tag[1]), ""))
        if tag == "figure":
            self.figures.append({"title": "", "desc": "", "figcaption": ""})
        if tag == "table":
            self.tables.append({"caption": "", "heads": 0, "scoped": 0})
        if tag == "th":
            self.tables[-1]["heads"] += 1
            self.tables[-1]["scoped"] += "scope" in found
        if tag not in VOID:
            self._open.append(tag)

    def handle_endtag(self, tag):
        if tag in self._open:
            while self._open and self._open.pop() != tag:
                pass

    def handle_data(self, data):
        self.text += data
        inside = set(self._open)
        if self.headings and inside & {"h1", "h2", "h3", "h4"}:
            level, words = self.headings[-1]
            self.headings[-1] = (level, words + data)
        if self.figures and "figure" in inside:
            for part in ("title", "desc", "figcaption"):
                if part in inside:
                    self.figures[-1][part] += data
        if self.tables and "caption" in inside:
            self.tables[-1]["caption"] += data


def read(html: str) -> Page:
    page = Page()
    page.feed(inlined(html))
    page.close()
    return page
