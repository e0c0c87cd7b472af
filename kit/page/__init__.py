"""What every page and sheet shares: escaping, tables, figures, style, cautions, numbers as shown."""

from kit.page.cautions import EDITION, cautions_html, cautions_markdown, cautions_short
from kit.page.document import document, headings_of
from kit.page.html_tables import Col, as_table, numbers, table
from kit.page.inline_svg import figure, inlined
from kit.page.shown_numbers import Units, duration, quantity, to_range
from kit.page.style import FUELS_DARK, FUELS_LIGHT, stylesheet
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
    "numbers",
    "quantity",
    "spreadsheet_safe",
    "stylesheet",
    "table",
    "to_range",
    "visible",
]
