"""Tables that people and screen readers can follow: caption, scope, units in headings, decimals aligned."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from kit.page.numbers import METRIC, NONE, Units, convert, decimals_for, plain
from kit.page.text import Html, element, isolate, join

if TYPE_CHECKING:
    import pandas as pd

_FIGURE_SPACE: Final = "\u2007"
_POINT_SPACE: Final = "\u2008"
_LONG: Final = 20  # letters of a word that may be broken: a phone shows about thirty in a line


@dataclass(frozen=True)
class Col:
    """One column as shown.

    Attributes
    ----------
    name
        Column of the frame.
    heading
        What stands above it; the column's name where it is ''.
    unit
        The kit's unit of the column's numbers; shown as `show` says, a column a system for 'both'.
    kind
        'text' (left), 'number' (right, decimals aligned) or 'head' (the cell that names its row).
    decimals
        Places after the point in the kit's unit, for all rows or row by row; None takes what three digits of the
        column's range need.
    difference
        Whether the numbers are differences: of temperatures, these turn by 1.8 alone.
    """

    name: str
    heading: str = ""
    unit: str = ""
    kind: Literal["text", "number", "head"] = "text"
    decimals: int | Sequence[int] | None = None
    difference: bool = False


def table(
    frame: pd.DataFrame,
    caption: object,
    columns: Sequence[Col],
    *,
    units: Units = METRIC,
    note: object = "",
    group: str = "",
) -> Html:
    """Return a frame as an accessible HTML table.

    Parameters
    ----------
    frame
        The rows, in the order shown.  Strings are escaped; `Html` stands as it is, in a column of dtype
        object (pandas turns others into plain strings); blanks read '–'.
    caption
        What the table shows; `note` follows it in smaller type (what an interval is, over what, its n).
    columns
        The columns shown; where none is of kind 'head' the first one names the row.
    group
        A column whose runs of equal values become headed groups of rows.

    Raises
    ------
    KeyError
        At a column the frame does not have.
    """
    shown = _with_a_head(columns)
    cells = [list(_column(frame, col, units)) for col in shown]
    flat = [part for parts in cells for part in parts]
    head = element("thead", element("tr", *(part.heading for part in flat)))
    rows = [element("tr", *(part.cells[i] for part in flat)) for i in range(len(frame))]
    bodies = _grouped(rows, [str(v) for v in frame[group]] if group else [], len(flat))
    # a space keeps caption and note two sentences where the style sheet is absent
    below = [" ", element("span", note, class_="label")] if note else []
    title = element("caption", element("span", caption), *below)
    inner = element("table", title, head, *bodies)
    return element("div", inner, class_="scroll", role="region", tabindex=0, aria_label=_plain_text(caption))


@dataclass(frozen=True)
class _Part:
    heading: Html
    cells: list[Html]


def _with_a_head(columns: Sequence[Col]) -> list[Col]:
    if any(col.kind == "head" for col in columns):
        return list(columns)
    first = columns[0]
    return [
        Col(first.name, first.heading, first.unit, "head", first.decimals, first.difference),
        *columns[1:],
    ]


def _plain_text(caption: object) -> str:
    import re
    from html import unescape

    return unescape(re.sub(r"<[^>]+>", "", caption)) if isinstance(caption, Html) else str(caption)


def _column(frame: pd.DataFrame, col: Col, units: Units) -> Iterator[_Part]:
    values = frame[col.name].tolist()
    if col.kind != "number":
        cells = [_text_cell(value, col.kind == "head") for value in values]
        yield _Part(_heading(col, units.heading(col.unit, difference=col.difference)), cells)
        return
    seen: set[str] = set()
    for us in units.systems():
        unit = Units("us" if us else "metric", units.currency).heading(col.unit, difference=col.difference)
        if unit not in seen:
            seen.add(unit)
            texts = _numbers(values, col, us)
            yield _Part(_heading(col, unit), [element("td", text, class_="number") for text in texts])


def _heading(col: Col, unit: str) -> Html:
    name = col.heading or col.name
    return element(
        "th",
        name,
        # a plain space keeps "peak °C" two words where the style sheet is absent
        element("span", f" {unit}", class_="unit") if unit else None,
        scope="col",
        class_="number" if col.kind == "number" else None,
    )


def _text_cell(value: object, head: bool) -> Html:
    blank = value is None or (isinstance(value, float) and math.isnan(value)) or value == ""
    shown = NONE if blank else isolate(value)
    kinds = ["text"] if not head else []
    if any(len(word) > _LONG for word in str(value).split()):
        kinds.append("long")
    look = " ".join(kinds) or None
    return element("th", shown, scope="row", class_=look) if head else element("td", shown, class_=look)


def _numbers(values: Sequence[object], col: Col, us: bool) -> list[str]:
    numbers = [_turned(value, col, us) for value in values]
    decimals = _decimals(numbers) if col.decimals is None else col.decimals
    places = [decimals] * len(numbers) if isinstance(decimals, int) else decimals
    texts = [
        value if isinstance(value, str) else plain(value, decimals)
        for value, decimals in zip(numbers, places, strict=True)
    ]
    return _padded(texts)


def _turned(value: object, col: Col, us: bool) -> str | float | None:
    if value is None or isinstance(value, str):
        return value
    return convert(float(value), col.unit, us, difference=col.difference)  # type: ignore[arg-type]


def _decimals(numbers: Sequence[str | float | None]) -> int:
    real = [x for x in numbers if isinstance(x, float) and math.isfinite(x)]
    if not real or all(x == round(x) for x in real):
        return 0
    widest = max(abs(x) for x in real)
    return max(0, min(decimals_for(-widest, widest, 3), 4))


def _padded(texts: Sequence[str]) -> list[str]:
    """Fill each number's right with spaces as wide as digits, so that points stand under one another."""
    tails = [len(text.partition(".")[2]) + ("." in text) for text in texts]
    longest = max(tails, default=0)
    return [
        text + (_POINT_SPACE + _FIGURE_SPACE * (longest - 1) if "." not in text and longest else "")
        if text != NONE and _is_plain(text)
        else text
        for text in texts
    ]


def _is_plain(text: str) -> bool:
    return all(char.isdigit() or char in "\u2212\u202f." for char in text)


def _grouped(rows: Sequence[Html], labels: Sequence[str], width: int) -> list[Html]:
    if not labels:
        return [element("tbody", *rows)]
    bodies: list[Html] = []
    start = 0
    for i in range(1, len(rows) + 1):
        if i == len(rows) or labels[i] != labels[start]:
            head = element("tr", element("th", isolate(labels[start]), scope="rowgroup", colspan=width))
            bodies.append(element("tbody", head, join(rows[start:i])))
            start = i
    return bodies
