"""A spreadsheet's own file (.xlsx, .xls, .ods) as tables of text."""

from __future__ import annotations

import zipfile
from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from pathlib import Path

from kit.errors import KitError

ENDINGS = (".xlsx", ".ods", ".xls")
LARGEST_UNPACKED = 500_000_000


def filled_sheets(path: Path, name: str) -> dict[str, list[list[str]]]:
    """Return the cells of each sheet that holds any, as text: numbers with points, dates as ISO 8601.

    Raises
    ------
    KitError
        Where the file cannot be opened, is locked, or unpacks to far more than a sheet.
    """
    import python_calamine as calamine

    expected = "an .xlsx, .xls or .ods file, or text"
    try:
        if _unpacked_bytes(path) > LARGEST_UNPACKED:
            raise KitError.refuse(name, "more than 500 MB unpacked", expected, "Save it as CSV.")
        book = calamine.CalamineWorkbook.from_path(str(path))
        tables = {
            each: book.get_sheet_by_name(each).to_python(skip_empty_area=False) for each in book.sheet_names
        }
    except calamine.PasswordError:
        found = "a spreadsheet's file that is locked by a password"
        raise KitError.refuse(name, found, expected, "Take the password off.") from None
    except (calamine.CalamineError, OSError, zipfile.BadZipFile):
        found = "a file that begins like a spreadsheet's and cannot be opened as one"
        remedy = "Save the sheet again, or save it as CSV and use that."
        raise KitError.refuse(name, found, expected, remedy) from None
    texts = {each: [[_text(cell) for cell in row] for row in rows] for each, rows in tables.items()}
    return {each: rows for each, rows in texts.items() if any(any(row) for row in rows)}


def the_sheet(tables: Mapping[str, list[list[str]]], path: Path) -> list[list[str]]:
    """Return the sheet named as its file is, else the only one that holds anything; [] where none does.

    Raises
    ------
    KitError
        'ask' where several hold something and none is named so.
    """
    named = [rows for title, rows in tables.items() if title.strip().casefold() == path.stem.casefold()]
    if named or len(tables) < 2:
        return (named or [*tables.values(), []])[0]
    shown = ", ".join(f"'{title}' ({len(rows)} rows)" for title, rows in list(tables.items())[:12])
    remedy = f"Name the sheet '{path.stem}' in the file, or save it alone."
    raise KitError.ask(path.name, f"{len(tables)} sheets: {shown}", "the sheet that is meant", remedy)


def _unpacked_bytes(path: Path) -> int:
    if not zipfile.is_zipfile(path):
        return 0
    with zipfile.ZipFile(path) as packed:
        return sum(part.file_size for part in packed.infolist())


def _text(cell: object) -> str:
    """Return a cell as a person would write it."""
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
