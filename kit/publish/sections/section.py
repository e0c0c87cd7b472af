"""One section of a report: its HTML and the figures that stand in it."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import wraps
from typing import Any, Final, Literal

import pandas as pd

from kit.page.html_tables import P_VALUES
from kit.page.shown_numbers import p_words
from kit.page.text import Html, element, join
from kit.publish.drawing import Drawing, begin
from kit.publish.provenance import report_date
from kit.publish.report_data import ReportData, report_data
from kit.publish.wording import row_places, table_of, words
from kit.runtime.kernel import is_kernel
from kit.schema import COLUMNS

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
        """The whole section with its heading; nothing where there is nothing to say."""
        if not self.body:
            return Html("")
        heading = element("h2", self.title, id=self.id)
        return element("section", heading, self.body, aria_labelledby=self.id, data_part=self.part)

    def _repr_html_(self) -> str:
        return str(self.html)

    def __repr__(self) -> str:
        return f"<section '{self.title}', {len(self.figures)} figures>"


def section(key: str, title: str, parts: Iterable[object], part: Part = "report") -> Section:
    """Return a section of parts: markup as it is, drawings as figures, text as paragraphs; lists are opened."""
    flat = list(_opened(parts))
    figures = tuple(each for each in flat if isinstance(each, Drawing))
    return Section(key, title, join(map(_as_html, flat)), figures, part)


def topic(
    key: str,
    title: str,
    part: Part = "report",
    read: Callable[[Any], Any] = report_data,
    of_burns: bool = True,
) -> Callable[[Callable[..., Iterable[object]]], Callable[..., Section]]:
    """Have a function that gives the parts of a section from what `read` takes of an analysis give the section.

    A topic of burns says nothing before one is done.
    """

    def made(parts: Callable[..., Iterable[object]]) -> Callable[..., Section]:
        @wraps(parts)
        def of(analysis: Any, /, *more: Any, **given: Any) -> Section:
            data = read(analysis)
            said = parts(data, *more, **given) if getattr(data, "begun", True) or not of_burns else ()
            return section(key, title, said, part)

        return of

    return made


def _opened(parts: Iterable[object]) -> Iterator[object]:
    for each in parts:
        if isinstance(each, list | tuple):
            yield from _opened(each)
        elif each is not None and each != "":
            yield each


def _as_html(part: object) -> Html | None:
    if isinstance(part, Drawing):
        return shown(part)
    return part if isinstance(part, Html) else paragraph(part)


def paragraph(*children: object, kind: str | None = None, id: str | None = None) -> Html:
    """Return a paragraph; text is escaped."""
    return element("p", *children, class_=kind, id=id)


def label(*children: object) -> Html:
    """Return a paragraph in smaller type: how to read what stands above it."""
    return paragraph(*children, kind="label")


def heading(title: object, key: str) -> Html:
    """Return a heading within a section."""
    return element("h3", title, id=key)


def bullets(items: Iterable[object]) -> Html | None:
    """Return a list, or None where there are no items."""
    made = [element("li", item) for item in items]
    return element("ul", *made) if made else None


def rows_table(data: ReportData, key: str, rows: pd.DataFrame, /, **parts: object) -> Html | None:
    """Return rows of one of the analysis's tables as `table_of` makes a table of them; None without rows.

    Beside the columns of the rows it may show, unless they have them: `name` of the fuel, `label` of the metric and
    `measure`, the same within a line, and `fuels`, both of a pair, with what stands there to be said `between` them.
    Words may tell the `measure` of the first row. Yes, no and p values are written as words; `places` are the decimals
    that low and high of a row ask for.
    """
    if not len(rows):
        return None
    made: dict[str, Any] = {}
    if "low" in rows and "places" not in rows:
        made["places"] = row_places(rows)
    if "fuel" in rows:
        made["name"] = rows["fuel"].map(data.name)
    if "metric" in rows:
        made["measure"] = rows["metric"].map(data.label)
        made["label"] = rows["metric"].map(data.title)
        parts |= {"measure": made["measure"].iloc[0]}
    if "a" in rows and "b" in rows:
        between = words()["table"][key].get("between", " and ")
        made["fuels"] = rows["a"].map(data.name) + between + rows["b"].map(data.name)
    for name in rows:
        kind = COLUMNS[name].kind if name in COLUMNS else ""
        if kind == "yes/no":
            made[name] = rows[name].fillna(False).astype(bool).map({True: "yes", False: "no"})
        elif name in P_VALUES:
            made[name] = rows[name].astype(float).map(p_words)
    shown = rows.assign(
        **{name: cells for name, cells in made.items() if name not in rows or name in COLUMNS}
    )
    return table_of(key, shown, data.units, data=data, **parts)


def to_appendix(what: str, key: str) -> Html:
    """Return a line that leads to a section of the appendix."""
    link = element("a", "appendix", href=f"{APPENDIX}#{key}")
    return label(f"{what}: see the ", link, ".")


def folded(summary: str, *children: object) -> Html | None:
    """Return parts folded away behind a line, open in print; None where there are none."""
    kept = [child for child in children if child is not None]
    return element("details", element("summary", summary), *kept, class_="more") if kept else None


def shown(drawing: Drawing) -> Html:
    """Return a drawing's figure; where a report is being made its files are begun with the SVG drawn for it."""
    figure = drawing.html()
    if is_kernel():
        begin([drawing], report_date())
    return figure
