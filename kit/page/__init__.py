"""What every page and sheet shares: escaping, tables, figures, style, cautions, numbers as shown."""

from kit.page.cautions import EDITION, cautions_html, cautions_markdown, cautions_short
from kit.page.document import document, headings_of
from kit.page.figures import figure, inlined
from kit.page.frames import as_table
from kit.page.numbers import Units, duration, plus_minus, quantity, ratio, spread, to_range
from kit.page.style import FUELS_DARK, FUELS_LIGHT, stylesheet
from kit.page.tables import Col, table
from kit.page.text import (
    Html,
    anchor,
    element,
    escape,
    escape_markdown,
    isolate,
    join,
    spreadsheet_safe,
    visible,
)

__all__ = [
    "EDITION",
    "FUELS_DARK",
    "FUELS_LIGHT",
    "Col",
    "Html",
    "Units",
    "anchor",
    "as_table",
    "cautions_html",
    "cautions_markdown",
    "cautions_short",
    "document",
    "duration",
    "element",
    "escape",
    "escape_markdown",
    "figure",
    "headings_of",
    "inlined",
    "isolate",
    "join",
    "plus_minus",
    "quantity",
    "ratio",
    "spread",
    "spreadsheet_safe",
    "stylesheet",
    "table",
    "to_range",
    "visible",
]
