"""Blocks of a text that is written once and set twice: as HTML and as Markdown."""

from __future__ import annotations

from dataclasses import dataclass

from kit.page.html_tables import Col, table
from kit.page.text import Html, anchor, element, escape_markdown, join


@dataclass(frozen=True)
class Formula:
    """A formula in LaTeX, and what it says."""

    latex: str
    words: str

    def html(self) -> Html:
        """Return it as MathML with its words."""
        from latex2mathml.converter import convert

        # the converter writes the markup; the LaTeX is the kit's own, never a tester's
        formula = Html(convert(self.latex, display="block"))
        box = element("div", formula, class_="scroll", role="group", tabindex=0, aria_label=self.words)
        return join([element("p", f"{self.words}:"), box])

    def markdown(self) -> str:
        """Return it as Markdown with its formula between dollar signs."""
        return f"{escape_markdown(self.words)}:\n\n$$\n{self.latex}\n$$"


@dataclass(frozen=True)
class Rows:
    """A small table of texts."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""

    def html(self) -> Html:
        """Return it as an HTML table."""
        import pandas as pd

        frame = pd.DataFrame(list(self.rows), columns=list(self.heads))
        columns = [
            Col(name, name, kind="head" if place == 0 else "text") for place, name in enumerate(self.heads)
        ]
        return table(frame, self.caption, columns, note=self.note)

    def markdown(self) -> str:
        """Return it as a Markdown table."""
        lines = [" | ".join(map(escape_markdown, line)) for line in (self.heads, *self.rows)]
        shown = [f"| {line} |" for line in (lines[0], " | ".join("---" for _ in self.heads), *lines[1:])]
        told = f"{escape_markdown(self.caption)}. {escape_markdown(self.note)}".strip()
        return f"{told}\n\n" + "\n".join(shown)


Block = str | list[str] | Formula | Rows
"""A paragraph, a list, a formula or a table; all texts are plain."""


def block_html(block: Block) -> Html:
    """Return a block as HTML."""
    if isinstance(block, str):
        return element("p", block)
    if isinstance(block, list):
        return element("ul", *(element("li", text) for text in block))
    return block.html()


def block_markdown(block: Block) -> str:
    """Return a block as Markdown."""
    if isinstance(block, str):
        return escape_markdown(block)
    if isinstance(block, list):
        return "\n".join(f"- {escape_markdown(text)}" for text in block)
    return block.markdown()


@dataclass(frozen=True)
class Chapter:
    """A heading and its blocks."""

    title: str
    blocks: tuple[Block, ...]

    def html(self) -> Html:
        """Return it as HTML, a section with an h2."""
        key = anchor("methods", self.title)
        heading = element("h2", self.title, id=key)
        return element("section", heading, *map(block_html, self.blocks), aria_labelledby=key)

    def markdown(self) -> str:
        """Return it as Markdown with a second-level heading."""
        return "\n\n".join([f"## {escape_markdown(self.title)}", *map(block_markdown, self.blocks)])
