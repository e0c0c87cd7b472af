"""Any tidy table as a page or a notebook shows it: a caption, units in the headings, numbers one can read."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from kit.page.numbers import METRIC, Units
from kit.page.tables import Col, table
from kit.page.text import Html, element
from kit.schema import COLUMNS

if TYPE_CHECKING:
    import pandas as pd

MOST_ROWS: Final = 60
_UNIT: Final = re.compile(r"_(g|c|s|l|h|pct|m_s|min)$")
"""The unit at the end of a column's name, which its heading gives below."""


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
        heading = (_UNIT.sub("", name) if unit else name).replace("_", " ")
        number = pd.api.types.is_numeric_dtype(shown[name])
        columns.append(Col(name, heading, unit, "number" if number else "text"))
    if not len(frame):
        return element("p", f"{caption}: no rows.")
    words = [note, f"The first {rows} of {len(frame)} rows." if len(frame) > rows else ""]
    return table(shown, caption, columns, units=units, note=" ".join(filter(None, words)))
