"""Tables that people and screen readers can follow: caption, scope, units in headings, decimals aligned."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from html import unescape
from itertools import groupby
from operator import itemgetter
from typing import TYPE_CHECKING, Final, Literal

from kit.page.shown_numbers import METRIC, NONE, Units, convert, decimals_for, decimals_in, p_words, plain
from kit.page.text import Html, element, isolate
from kit.schema import COLUMNS

if TYPE_CHECKING:
    import pandas as pd

_FIGURE_SPACE: Final = "\u2007"
_POINT_SPACE: Final = "\u2008"
_UNBROKEN: Final = "white-space:nowrap"
"""Of a number that ends in such spaces: a line may break behind them, and notebooks have no style sheet of the kit."""
_LONG: Final = 20  # letters of a word that may be broken: a phone shows about thirty in a line
MOST_ROWS: Final = 60
_TAG: Final = re.compile(r"<[^>]+>")
_WHOLE: Final = re.compile("[0-9\u2212\u202f]+")
_UNIT_OF_NAME: Final = re.compile(r"_(g|c|s|l|h|pct|m_s|min)$")
"""The unit at the end of a column's name, which its heading gives below."""
HEADINGS: Final = {
    "name": "Fuel", "fuels": "Fuels", "label": "Measure", "measure": "measure", "low": "from", "high": "to",
    "low_alone": "alone, from", "high_alone": "to", "n": "burns", "p_adjusted": "p", "mc_error": "±",
}  # fmt: skip
"""What stands above a column of the kit's tables where that is not its name."""
P_VALUES: Final = ("p", "p_adjusted", "p_equivalent", "p_conflict")
"""Columns that hold a probability, which is never shown as nothing."""


Kind = Literal["text", "number", "head"]


@dataclass(frozen=True)
class Col:
    """One column as shown.

    Attributes
    ----------
    name
        Column of the frame.
    heading
        What stands above it; that of HEADINGS, or the column's name, where it is ''.
    unit
        The kit's unit of the column's numbers; shown as `show` says, a column a system for 'both'.
    kind
        'text' (left), 'number' (right, decimals aligned) or 'head' (the cell that names its row).
    decimals
        Places after the point in the kit's unit, for all rows or row by row; None takes what three digits of the
        column's range need.
    difference
        Whether the numbers are differences: of temperatures, these turn by 1.8 alone.
    share
        Whether the numbers are shares of one, to be shown in per cent.
    """

    name: str
    heading: object = ""
    unit: str = ""
    kind: Kind = "text"
    decimals: int | Sequence[int] | None = None
    difference: bool = False
    share: bool = False


def cols(*each: str | tuple[str, str] | Col | list[Col]) -> list[Col]:
    """Return columns of a table: a name, or name and heading, stands for one of text."""
    made: list[Col] = []
    for one in each:
        if isinstance(one, list):
            made += one
        else:
            made.append(one if isinstance(one, Col) else Col(one) if isinstance(one, str) else Col(*one))
    return made


def numbers(
    *named: str | tuple[str, str],
    unit: str = "",
    decimals: int | Sequence[int] | None = 0,
    share: bool = False,
) -> list[Col]:
    """Return columns of numbers, by name or name and heading, in one unit and with the same decimals."""
    pairs = [(each, "") if isinstance(each, str) else each for each in named]
    return [
        Col(name, heading, "%" if share else unit, "number", decimals, share=share) for name, heading in pairs
    ]


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
    named = any(col.kind == "head" for col in columns)
    shown = columns if named else [replace(columns[0], kind="head"), *columns[1:]]
    headings, cells = zip(*(part for col in shown for part in _column(frame, col, units)), strict=True)
    rows = [element("tr", *row) for row in zip(*cells, strict=True)]
    labels = frame[group].astype(str) if group else []
    bodies = [] if len(labels) else [element("tbody", *rows)]
    for label, own in groupby(zip(labels, rows, strict=False), key=itemgetter(0)):
        head = element("tr", element("th", isolate(label), scope="rowgroup", colspan=len(headings)))
        bodies.append(element("tbody", head, *(row for _, row in own)))
    # a break keeps caption and note apart where the style sheet is absent
    below = [Html("<br> "), element("span", note, class_="label")] if note else []
    title = element("caption", element("span", caption), *below)
    inner = element("table", title, element("thead", element("tr", *headings)), *bodies)
    label = unescape(_TAG.sub("", caption)) if isinstance(caption, Html) else caption
    return element("div", inner, class_="scroll", role="region", tabindex=0, aria_label=label)


def _column(frame: pd.DataFrame, col: Col, units: Units) -> Iterator[tuple[Html, list[Html]]]:
    """Yield heading and cells: of a column of numbers for each unit that is shown."""
    values = frame[col.name].tolist()
    if col.kind != "number":
        cells = [_text_cell(value, col.kind == "head") for value in values]
        yield _heading(col, units.heading(col.unit, difference=col.difference)), cells
        return
    systems = {us: replace(units, show="us" if us else "metric") for us in units.systems()}
    shown = {each.heading(col.unit, difference=col.difference): us for us, each in systems.items()}
    for unit, us in shown.items():
        texts = _numbers(values, col, us)
        styles = [_UNBROKEN if _POINT_SPACE in text else None for text in texts]
        pairs = zip(texts, styles, strict=True)
        yield _heading(col, unit), [element("td", text, class_="number", style=look) for text, look in pairs]


def _heading(col: Col, unit: str) -> Html:
    name = col.heading or HEADINGS.get(col.name, col.name)
    # a plain space keeps "peak °C" two words where the style sheet is absent
    behind = element("span", f" {unit}", class_="unit") if unit else None
    return element("th", name, behind, scope="col", class_="number" if col.kind == "number" else None)


def _text_cell(value: object, head: bool) -> Html:
    blank = value is None or (isinstance(value, float) and math.isnan(value)) or value == ""
    shown = NONE if blank else isolate(value)
    is_long = any(len(word) > _LONG for word in str(value).split())
    look = " ".join([*["text"] * (not head), *["long"] * is_long]) or None
    return element("th", shown, scope="row", class_=look) if head else element("td", shown, class_=look)


def _numbers(values: Sequence[object], col: Col, us: bool) -> list[str]:
    numbers = [_turned(value, col, us) for value in values]
    if col.decimals is None:
        real = [x for x in numbers if isinstance(x, float) and math.isfinite(x)]
        widest, whole = max(map(abs, real), default=0.0), all(x == round(x) for x in real)
        places = [0 if whole else max(0, min(decimals_for(-widest, widest, 3), 4))] * len(numbers)
    else:
        given = [col.decimals] * len(numbers) if isinstance(col.decimals, int) else col.decimals
        places = [max(0, decimals_in(col.unit, us, each)) for each in given]
    pairs = zip(numbers, places, strict=True)
    texts = [each if isinstance(each, str) else plain(each, decimals) for each, decimals in pairs]
    # spaces as wide as digits fill each number's right, so that points stand under one another
    longest = max((len(text.partition(".")[2]) + ("." in text) for text in texts), default=0)
    fill = _POINT_SPACE + _FIGURE_SPACE * (longest - 1) if longest else ""
    return [text + fill if _WHOLE.fullmatch(text) else text for text in texts]


def _turned(value: object, col: Col, us: bool) -> str | float | None:
    if value is None or isinstance(value, str):
        return value
    number = float(value) * (100.0 if col.share else 1.0)  # type: ignore[arg-type]
    return convert(number, col.unit, us, difference=col.difference)


def as_table(
    frame: pd.DataFrame, caption: str, *, note: str = "", units: Units = METRIC, rows: int = MOST_ROWS
) -> Html:
    """Return a table of `kit.schema`, or any other frame, as HTML.

    Parameters
    ----------
    frame
        The rows, in their order; the first column names them.
    caption, note
        What it shows, and what to know of it.
    units
        As the trial shows them.
    rows
        The most that are shown; the note then says how many there are.

    Examples
    --------
    >>> import pandas as pd
    >>> "°C" in as_table(pd.DataFrame({"burn": ["07"], "temp_c": [251.3]}), "Hottest readings")
    True
    """
    import pandas as pd

    shown = frame.head(rows).rename(columns=str)
    columns = []
    for name in shown.columns:
        if pd.api.types.is_bool_dtype(shown[name]):
            shown[name] = shown[name].map({True: "yes", False: "no"})
        unit = COLUMNS[name].unit if name in COLUMNS else ""
        heading = (_UNIT_OF_NAME.sub("", name) if unit else name).replace("_", " ")
        number = pd.api.types.is_numeric_dtype(shown[name])
        if number and name in P_VALUES:
            shown[name] = shown[name].astype(float).map(p_words)
        columns.append(Col(name, heading, unit, "number" if number else "text"))
    if not len(frame):
        return element("p", f"{caption}: no rows.")
    words = [note, f"The first {rows} of {len(frame)} rows." if len(frame) > rows else ""]
    return table(shown, caption, columns, units=units, note=" ".join(filter(None, words)))
