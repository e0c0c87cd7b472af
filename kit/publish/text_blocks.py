"""Blocks of a text that is written once and set twice: as HTML and as Markdown."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from kit.page.html_tables import Col, table
from kit.page.text import Html, anchor, element, escape_markdown, join


@dataclass(frozen=True)
class Para:
    """A paragraph of plain text."""

    text: str

    def html(self) -> Html:
        """Return it as HTML."""
        return element("p", self.text)

    def markdown(self) -> str:
        """Return it as Markdown."""
        return escape_markdown(self.text)


@dataclass(frozen=True)
class Items:
    """A list of plain texts."""

    texts: tuple[str, ...]

    def html(self) -> Html:
        """Return it as HTML."""
        return element("ul", *(element("li", text) for text in self.texts))

    def markdown(self) -> str:
        """Return it as Markdown."""
        return "\n".join(f"- {escape_markdown(text)}" for text in self.texts)


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
        lines = [self.heads, tuple("---" for _ in self.heads), *self.rows]
        shown = [
            "| " + " | ".join(cell if cell == "---" else escape_markdown(cell) for cell in line) + " |"
            for line in lines
        ]
        told = f"{escape_markdown(self.caption)}. {escape_markdown(self.note)}".strip()
        return f"{told}\n\n" + "\n".join(shown)


Block = Para | Items | Formula | Rows


@dataclass(frozen=True)
class Chapter:
    """A heading and its blocks."""

    title: str
    blocks: tuple[Block, ...]

    def html(self) -> Html:
        """Return it as an HTML section with an h2."""
        key = anchor("methods", self.title)
        heading = element("h2", self.title, id=key)
        return element("section", heading, *(block.html() for block in self.blocks), aria_labelledby=key)

    def markdown(self) -> str:
        """Return it as Markdown with a second-level heading."""
        return "\n\n".join(
            [f"## {escape_markdown(self.title)}", *(block.markdown() for block in self.blocks)]
        )


def chapter(title: str, blocks: Iterable[Block | None]) -> Chapter | None:
    """Return a chapter, or None where nothing is in it."""
    kept = tuple(block for block in blocks if block is not None)
    return Chapter(title, kept) if kept else None


def paras(texts: Sequence[str]) -> list[Block]:
    """Return texts as paragraphs."""
    return [Para(text) for text in texts if text]


def items(texts: Iterable[str]) -> Items | None:
    """Return texts as a list, or None where there are none."""
    found = tuple(texts)
    return Items(found) if found else None
