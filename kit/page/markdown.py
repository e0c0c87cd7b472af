"""A person's own Markdown as HTML that cannot harm a page."""

from __future__ import annotations

from typing import Any

from kit.page.text import Html, visible


def markdown_html(text: str) -> Html:
    """Return Markdown as HTML below a section's headings: HTML in it shows as text, pictures as their words.

    Links lead to http, https and mailto addresses alone; every heading is one of the third, so that the page's own
    stay apart.
    """
    import mistune

    class Renderer(mistune.HTMLRenderer):
        def heading(self, text: str, level: int, **attrs: Any) -> str:
            return f"<h3>{text}</h3>\n"

        def table(self, text: str) -> str:
            caption = "<caption>A table of the tester's own</caption>"
            box = 'class="scroll" role="region" tabindex="0" aria-label="Table"'
            return f"<div {box}><table>{caption}{text}</table></div>"

        def table_cell(self, text: str, align: str | None = None, head: bool = False) -> str:
            return f'<th scope="col">{text}</th>' if head else f"<td>{text}</td>"

        def image(self, text: str, url: str, title: str | None = None) -> str:
            return f"[{text}]" if text else ""

        def link(self, text: str, url: str, title: str | None = None) -> str:
            kept = url.lower().startswith(("http://", "https://", "mailto:"))
            return super().link(text, url) if kept else text

    shown: Any = mistune.create_markdown(renderer=Renderer(escape=True), plugins=["table", "strikethrough"])
    return Html(shown(visible(text)))
