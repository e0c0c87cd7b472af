"""Files to text, in whatever encoding an editor or a spreadsheet saved them, and text made safe to keep."""

from __future__ import annotations

import codecs
import json
import re
import unicodedata
import zipfile
from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from pathlib import Path

from kit.errors import KitError, Problem

LARGEST_BYTES = 50_000_000
"""A sheet or a trial file beyond this is none that a person wrote."""

LONGEST_SHOWN = 60
BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
"""First bytes that name their encoding, the longer marks before those they begin with."""

_ARCHIVE, _OLD_OFFICE = b"PK\x03\x04", b"\xd0\xcf\x11\xe0"
# Control characters except tab and line ends; marks that turn or hide text. Joiners (emoji, scripts) stay.
_UNSEEN = re.compile(
    "[\x00-\x08\x0e-\x1f\x7f-\x9f\u00ad\u200b\u200e\u200f\u202a-\u202e\u2060\u2066-\u2069\ufeff\ud800-\udfff]"
)


def read_text(path: Path, name: str) -> tuple[str, str]:
    """Return the text of a small file and the name of its encoding.

    Raises
    ------
    KitError
        Where the file cannot be read, is far too large, or holds no text.
    """
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise KitError(
                _problem(name, "a file above 50 MB", "Save the sheet alone, without the readings.")
            )
        raw = path.read_bytes()
    except OSError as error:
        words = f"a file that cannot be opened ({error.strerror or type(error).__name__})"
        raise KitError(_problem(name, words, "Look at its permissions, or save it again.")) from None
    return decode(raw, name)


def decode(raw: bytes, name: str) -> tuple[str, str]:
    """Return text, its lines ended by line feeds, and its encoding.

    By byte-order mark, else UTF-16 by its zero bytes, UTF-8, Windows-1252.

    Raises
    ------
    KitError
        Where the bytes are an office file or no text.
    """
    if raw.startswith((_ARCHIVE, _OLD_OFFICE)):
        remedy = "In the spreadsheet choose 'Save as' and then CSV; renaming the file is not enough."
        raise KitError(_problem(name, "a spreadsheet's own file format", remedy))
    encoding = next((known for mark, known in BYTE_ORDER_MARKS if raw.startswith(mark)), None) or _unmarked(
        raw
    )
    try:
        return _with_line_feeds(raw.decode(encoding)), encoding.removesuffix("-sig")
    except UnicodeDecodeError:
        if encoding != "utf-8":
            words = f"bytes that are not the {encoding.upper().removesuffix('-SIG')} they claim to be"
            raise KitError(_problem(name, words, "Save it again as UTF-8.")) from None
    return _eight_bit(raw)


def _unmarked(raw: bytes) -> str:
    head = raw[:2000]
    even, odd = head[0::2].count(0), head[1::2].count(0)
    if len(head) >= 4 and max(even, odd) > 0.3 * len(head) / 2 and min(even, odd) == 0:
        return "utf-16-le" if odd else "utf-16-be"
    return "utf-8"


def _eight_bit(raw: bytes) -> tuple[str, str]:
    try:
        return _with_line_feeds(raw.decode("cp1252")), "cp1252"
    except UnicodeDecodeError:
        return _with_line_feeds(raw.decode("latin-1")), "latin-1"


def _with_line_feeds(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _problem(name: str, found: str, remedy: str) -> Problem:
    return Problem("refuse", name, found, "a text file, as a spreadsheet saves it as CSV", remedy)


def visible(text: str) -> str:
    """Return a text as it may stand in a message: what would steer a terminal or hide becomes a mark."""
    if text.isprintable():
        return text
    return "".join("\ufffd" if _UNSEEN.match(mark) else " " if mark.isspace() else mark for mark in text)


def shown(value: object) -> str:
    """Return a value as it may stand in a message: short, texts in quotes."""
    words = visible(f"'{value}'" if isinstance(value, str) else str(value))
    return words if len(words) <= LONGEST_SHOWN else words[: LONGEST_SHOWN - 1] + "…"


def toml_text(text: str) -> str:
    """Return a text in quotes, as it has to stand in a TOML file."""
    return json.dumps(visible(text), ensure_ascii=False)  # JSON's strings are TOML's basic strings


def without_hidden(text: str) -> str:
    """Return a text without the characters that steer a terminal, turn text or hide it; line ends stay."""
    return _UNSEEN.sub("", text)


def clean_text(text: str) -> tuple[str, bool]:
    """Return text composed, trimmed and without unseen characters, and whether there were any."""
    if text.isascii() and text.isprintable():
        return text.strip(), False
    bare = without_hidden(text)
    return unicodedata.normalize("NFC", bare).strip(), bare != text


def clean_id(text: str) -> tuple[str, bool]:
    """Return a name of something: clean text with every run of blanks, line ends too, as one blank."""
    cleaned, unseen = clean_text(text)
    return " ".join(cleaned.split()), unseen


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
