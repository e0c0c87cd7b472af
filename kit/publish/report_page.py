"""The page of a report: nbconvert's exporter over a page template of our own, one file without script."""

from __future__ import annotations

import re
from copy import copy
from functools import cache
from html import unescape
from itertools import count
from pathlib import Path
from typing import Any, Final

from kit.page.document import document
from kit.page.inline_svg import inlined
from kit.page.text import anchor, escape
from kit.publish.notebook import loading

_LIVE: Final = re.compile(r"<\s*(script|iframe|object|embed|base|form)\b", re.IGNORECASE)
_ID: Final = re.compile(r'\bid="([^"]+)"')
_BARE_HEADING: Final = re.compile(r"<h([2-4])>(.*?)</h\1>", re.DOTALL)
_TITLE: Final = re.compile(r"<h2\b[^>]*>([^<]*)</h2>")
_TEMPLATES: Final = Path(__file__).resolve().parent / "page_template"


@cache
def exporter() -> Any:
    """Return nbconvert's HTML exporter over the kit's page template; the first call imports nbconvert.

    It looks for templates in the kit's own folder alone, so none of the user's can stand in for them, and
    leaves out nbconvert's pass over the finished page, which would read megabytes of drawings once more.
    """
    with loading():
        from nbconvert import filters
        from nbconvert.exporters import html

    highlight: Any = filters.Highlight2HTML
    base: Any = html.HTMLExporter

    class PageExporter(base):  # type: ignore[misc]
        def from_notebook_node(self, nb: Any, resources: Any = None, **how: Any) -> tuple[str, Any]:
            self.register_filter("highlight_code", highlight(pygments_lexer="python3", parent=self))
            self.register_filter("visible_text", lambda text: str(escape(text)))
            page: tuple[str, Any] = super(base, self).from_notebook_node(nb, resources, **how)
            return page

    return PageExporter(
        template_paths=[str(_TEMPLATES)],
        template_name=_TEMPLATES.name,
        default_preprocessors=[],
        exclude_anchor_links=True,
    )


def parts_of(notebook: Any) -> dict[str, Any]:
    """Return an executed notebook for each page it makes: 'report', and 'appendix' where some cell belongs there.

    A cell is of the appendix where it is tagged so or shows a section of that part; code stands in the appendix.
    """
    parts: dict[str, Any] = {"report": copy(notebook), "appendix": copy(notebook)}
    for name, part in parts.items():
        part.cells = [cell for cell in notebook.cells if (name == "appendix") == _of_appendix(cell)]
    if not parts["appendix"].cells:
        return {"report": notebook}
    parts["appendix"].cells = [_of_the_other(cell) for cell in notebook.cells]
    parts["report"].cells = [_tagged(cell, "page-hides-code") for cell in parts["report"].cells]
    return parts


def _of_appendix(cell: Any) -> bool:
    return "appendix" in cell.metadata.get("tags", []) or 'data-part="appendix"' in _shown(cell)


def _shown(cell: Any) -> str:
    return "".join("".join(out.get("data", {}).get("text/html", "")) for out in cell.get("outputs", ()))


def _of_the_other(cell: Any) -> Any:
    """Return a cell for the appendix: of the report's cells their code alone."""
    if _of_appendix(cell):
        return cell
    if cell.cell_type == "code":
        title = _TITLE.search(_shown(cell))
        bare = copy(cell)
        bare.outputs = []
        if title:
            bare.metadata = {**cell.metadata, "code_of": f"Code of the section '{unescape(title[1])}'"}
        return bare
    return _tagged(cell, "page-leaves-out")


def _tagged(cell: Any, tag: str) -> Any:
    tagged = copy(cell)
    tagged.metadata = {**cell.metadata, "tags": [*cell.metadata.get("tags", []), tag]}
    return tagged


def render(notebook: Any, *, title: str, strip: object, footer: object) -> str:
    """Return the whole page of an executed notebook.

    Raises
    ------
    RuntimeError
        Where something live stands in it: then it is not published.
    """
    body, _ = exporter().from_notebook_node(notebook)
    live = _LIVE.search(body)
    if live:
        raise RuntimeError(f"the page would hold a live element ({live[0]}…), so it was not published")
    return document(title, inlined(with_ids(body)), strip=strip, footer=footer)


def with_ids(body: str) -> str:
    """Return the body with an id for each heading that has none, so that the contents list can reach it."""
    taken = set(_ID.findall(body))

    def name(found: re.Match[str]) -> str:
        word = anchor(" ".join(re.sub(r"<[^>]+>", "", found[2]).split()).lower())
        tried = (word if i == 1 else f"{word}-{i}" for i in count(1))
        own = next(each for each in tried if each not in taken)
        taken.add(own)
        return f'<h{found[1]} id="{own}">{found[2]}</h{found[1]}>'

    return _BARE_HEADING.sub(name, body)
