"""A spreadsheet's own file (.xlsx, .xls, .ods) as the text of a table."""

from __future__ import annotations

import csv
import io
from datetime import date, datetime, time, timedelta
from pathlib import Path

from kit.errors import KitError, Problem, did_you_mean

SPREADSHEET = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")
"""First bytes of zipped and of older office files."""


def sheet_text(path: Path, sheet: str | None, name: str) -> bytes:
    """Return a sheet as UTF-8 lines of cells parted by tabs, numbers with points, dates as ISO 8601.

    Raises
    ------
    KitError
        'ask' where several sheets hold tables and none was named; 'refuse' where the file cannot be opened.
    """
    import python_calamine as calamine

    try:
        book = calamine.CalamineWorkbook.from_path(str(path))
        if sheet is not None and sheet not in book.sheet_names:
            raise KitError(
                Problem(
                    "refuse",
                    f"{name}, [[logger]] key sheet",
                    f"no sheet '{sheet}'",
                    "one of " + ", ".join(f"'{each}'" for each in book.sheet_names),
                    did_you_mean(sheet, book.sheet_names),
                )
            )
        wanted = book.sheet_names if sheet is None else [sheet]
        tables = {each: book.get_sheet_by_name(each).to_python(skip_empty_area=False) for each in wanted}
    except (calamine.CalamineError, OSError) as error:
        locked = isinstance(error, calamine.PasswordError)
        raise KitError(
            Problem(
                "refuse",
                name,
                "a spreadsheet's file that is locked by a password"
                if locked
                else "a file that begins like a spreadsheet's and cannot be opened as one",
                "an .xlsx, .xls or .ods file, or text",
                "Take the password off."
                if locked
                else "Save the sheet again, or save it as CSV and use that.",
            )
        ) from None
    filled = {each: rows for each, rows in tables.items() if any(cell != "" for row in rows for cell in row)}
    if len(filled) > 1:
        shown = ", ".join(f"'{each}' ({len(rows)} rows)" for each, rows in list(filled.items())[:12])
        raise KitError(
            Problem(
                "ask",
                name,
                f"{len(filled)} sheets: {shown}",
                "the sheet that holds the readings",
                f'Add sheet = "{next(iter(filled))}" (or which it is) to the [[logger]] table.',
            )
        )
    if not filled:
        raise KitError(
            Problem(
                "refuse", name, "an empty file: no data rows", "a table of readings", "Export the log again."
            )
        )
    out = io.StringIO()
    writer = csv.writer(out, delimiter="\t", lineterminator="\n")
    writer.writerows([_text(cell) for cell in row] for row in next(iter(filled.values())))
    return out.getvalue().encode("utf-8", "replace")


def _text(cell: object) -> str:
    """Return a cell as a logger would write it."""
    if isinstance(cell, bool):
        return str(cell).upper()
    if isinstance(cell, float):
        return str(int(cell)) if cell == int(cell) and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, datetime):
        return cell.isoformat(" ") if cell.time() != time() or cell.tzinfo else f"{cell:%Y-%m-%d %H:%M:%S}"
    if isinstance(cell, date | time):
        return cell.isoformat()
    if isinstance(cell, timedelta):
        whole, rest = divmod(cell, timedelta(seconds=1))
        fraction = f".{rest.microseconds:06d}".rstrip("0") if rest else ""
        return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}{fraction}"
    return " ".join(str(cell).split())
