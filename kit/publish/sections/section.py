"""One section of a report: its HTML and the figures that stand in it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from kit.page.tables import Col
from kit.page.text import Html, element, join
from kit.publish.figures.drawing import Drawing
from kit.publish.figures.export import begin
from kit.publish.staging import report_date
from kit.runtime.kernel_process import is_kernel

Part = Literal["report", "appendix"]
APPENDIX: Final = "appendix.html"


@dataclass(frozen=True)
class Section:
    """One section, shown by a notebook as it stands.

    Attributes
    ----------
    id, title
        Anchor and heading.
    body
        What stands below the heading.
    figures
        The drawings in it, for export.
    part
        The page it stands in: the report for its audience, or the appendix for whoever checks.
    """

    id: str
    title: str
    body: Html
    figures: tuple[Drawing, ...] = ()
    part: Part = "report"

    @property
    def html(self) -> Html:
        """The whole section with its heading."""
        heading = element("h2", self.title, id=self.id)
        return element("section", heading, self.body, aria_labelledby=self.id, data_part=self.part)

    def _repr_html_(self) -> str:
        return str(self.html)

    def __repr__(self) -> str:
        return f"<section '{self.title}', {len(self.figures)} figures>"


def section(
    key: str,
    title: str,
    parts: Iterable[object],
    figures: Iterable[Drawing | None] = (),
    part: Part = "report",
) -> Section:
    """Return a section of parts, None among them left out; text among them is escaped."""
    body = join(each for each in parts if each is not None)
    return Section(key, title, body, tuple(drawing for drawing in figures if drawing is not None), part)


def paragraph(*children: object, kind: str | None = None, id: str | None = None) -> Html:
    """Return a paragraph; text is escaped."""
    return element("p", *children, class_=kind, id=id)


def heading(title: object, key: str) -> Html:
    """Return a heading within a section."""
    return element("h3", title, id=key)


def bullets(items: Iterable[object]) -> Html | None:
    """Return a list, or None where there are no items."""
    made = [element("li", item) for item in items]
    return element("ul", *made) if made else None


def numbers(
    *named: tuple[str, str],
    unit: str = "",
    decimals: int | Sequence[int] | None = 0,
    difference: bool = False,
) -> list[Col]:
    """Return columns of numbers, each named with its heading, in one unit and with the same decimals."""
    return [Col(name, words, unit, "number", decimals, difference) for name, words in named]


def to_appendix(what: str, key: str) -> Html:
    """Return a line that leads to a section of the appendix."""
    link = element("a", "appendix", href=f"{APPENDIX}#{key}")
    return paragraph(f"{what}: see the ", link, ".", kind="label")


def folded(summary: str, *children: object) -> Html | None:
    """Return parts folded away behind a line, open in print; None where there are none."""
    kept = [child for child in children if child is not None]
    return element("details", element("summary", summary), *kept, class_="more") if kept else None


def shown(drawing: Drawing | None) -> Html | None:
    """Return a drawing's figure, or None; where a report is being made its files are begun meanwhile."""
    if drawing is None:
        return None
    if is_kernel():
        begin([drawing], report_date())
    return drawing.html()
