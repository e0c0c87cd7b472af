"""The tester's own words, from notes.md of the run folder: shown as theirs, as Markdown without HTML or pictures."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from kit.page.text import Html, element, visible
from kit.publish.report_data import report_data
from kit.publish.sections.section import Section, paragraph, section

NOTES: Final = "notes.md"
LARGEST: Final = 200_000
"""Characters that are shown; what is longer is cut, and says so."""


def tester_notes(analysis: Any) -> Section:
    """Return notes.md under a heading of its own and marked as the tester's; a line where there is none."""
    data = report_data(analysis)
    path = Path(data.analysis.run.folder) / NOTES
    title = "The tester's own notes"
    text = path.read_text("utf-8-sig", errors="replace") if path.is_file() else ""
    if not text.strip():
        return section("tester-notes", title, [paragraph(f"None: the folder holds no {NOTES}.")])
    who = data.trial.operator or "the tester"
    lead = f"Written by {who} in {NOTES}, shown as it stands; the kit neither wrote nor checked it."
    cut = "" if len(text) <= LARGEST else f"Cut after {LARGEST} characters."
    body = element("div", markdown_html(text[:LARGEST]), class_="note theirs")
    return section(
        "tester-notes", title, [paragraph(lead, kind="label"), body, paragraph(cut) if cut else None]
    )


def markdown_html(text: str) -> Html:
    """Return Markdown as HTML below a section's headings: HTML in it shows as text, pictures as their words.

    Links lead to http, https and mailto addresses alone; every heading is one of the third, so that the page's own
    stay apart.
    """
    import mistune

    class Renderer(mistune.HTMLRenderer):
        def heading(self, text: str, level: int, **attrs: Any) -> str:
            return f"<h3>{text}</h3>\n"

        def image(self, text: str, url: str, title: str | None = None) -> str:
            return f"[{text}]" if text else ""

        def link(self, text: str, url: str, title: str | None = None) -> str:
            kept = url.lower().startswith(("http://", "https://", "mailto:"))
            return super().link(text, url) if kept else text

    shown: Any = mistune.create_markdown(renderer=Renderer(escape=True), plugins=["table", "strikethrough"])
    return Html(shown(visible(text)))
