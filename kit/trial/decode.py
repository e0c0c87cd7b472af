"""Files to text, in whatever encoding an editor or a spreadsheet saved them; text made safe to keep and to show.

And what is said of a fault of a run folder's own files: the words of messages.toml, their {parts} filled in.
"""

import codecs
import json
import re
import unicodedata
import zipfile
from collections.abc import Mapping
from contextlib import suppress
from datetime import date, datetime, time, timedelta
from os import PathLike
from pathlib import Path
from typing import Any

from kit.data_file import data_file
from kit.errors import KitError, opening

MESSAGES: dict[str, dict[str, Any]] = data_file(__file__, "messages.toml")
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

SPREADSHEET = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")
"""First bytes of zipped and of older office files."""
VALID, A_TEXT = "valid UTF-8", "a text file, as a spreadsheet saves it as CSV"
EIGHT_BIT = ("cp1252", "latin-1")
"""What a text is read as that is none of Unicode's, the likelier first."""
# Control characters except tab and line ends; marks that turn or hide text. Joiners (emoji, scripts) stay.
_UNSEEN = re.compile(
    "[\x00-\x08\x0e-\x1f\x7f-\x9f\u00ad\u200b\u200e\u200f\u202a-\u202e\u2060\u2066-\u2069\ufeff\ud800-\udfff]"
)


def fault(name: str, /, **parts: object) -> tuple[str, str, str]:
    """Return what was found, what was expected and what to do.

    Examples
    --------
    >>> fault("no fuel")
    ('a fuel not filled in', 'the id of a fuel', 'Write which fuel was burned.')
    """
    found, expected, remedy = (words.format(**parts) for words in MESSAGES["fault"][name])
    return found, expected, remedy


def remedy_of(kind: str, text: str, /, **parts: object) -> str:
    """Return what to do about a text that is no 'day', 'time', 'number' or 'line': by the first pattern it fits."""
    fitting = ((re.search(pattern, text), words) for pattern, words in MESSAGES["remedy"][kind])
    return str(next(words.format(*fits.groups(), **parts) for fits, words in fitting if fits))


def path_of(value: object, what: str) -> Path:
    """Return the path that was given for something.

    Raises
    ------
    KitError
        Where it is none.
    """
    if isinstance(value, str | PathLike):
        return Path(value)
    raise KitError.refuse(what, *fault("no path", value=shown(value), type=type(value).__name__, what=what))


def read_text(path: Path, name: str) -> tuple[str, str]:
    """Return the text of a small file, and a remark where its encoding had to be guessed, '' elsewhere.

    Raises
    ------
    KitError
        Where the file cannot be read, is far too large, or holds no text.
    """
    with opening(name, A_TEXT, "Look at its permissions, or save it again."):
        if path.stat().st_size > LARGEST_BYTES:
            raise KitError.refuse(name, *fault("too large"))
        raw = path.read_bytes()
    text, encoding = decode(raw, name)
    guessed = f"{name} is not UTF-8; it was read as {encoding}: look at its accents and signs."
    return text, guessed if encoding in EIGHT_BIT else ""


def decode(raw: bytes, name: str) -> tuple[str, str]:
    """Return text, its lines ended by line feeds, and its encoding.

    By byte-order mark, else UTF-16 by its zero bytes, UTF-8, Windows-1252.

    Raises
    ------
    KitError
        Where the bytes are an office file or no text.
    """
    if raw.startswith(SPREADSHEET):
        raise KitError.refuse(name, *fault("a spreadsheet"))
    encoding = encoding_of(raw)[0]
    for known in (encoding,) if encoding else EIGHT_BIT:
        with suppress(UnicodeDecodeError):
            text = raw.decode(known).replace("\r\n", "\n").replace("\r", "\n")
            return text, known.removesuffix("-sig")
    raise KitError.refuse(name, *fault("no text", encoding=encoding.upper().removesuffix("-SIG")))


def encoding_of(raw: bytes, is_cut: bool = False) -> tuple[str, str]:
    """Return the encoding that the bytes of a text show, and how; '' where each stands for a letter, not told which.

    Parameters
    ----------
    raw
        The first bytes of a file.
    is_cut
        Whether there are more, so that the last character may be cut.
    """
    for mark, name in BYTE_ORDER_MARKS:
        if raw.startswith(mark):
            return name, "byte-order mark"
    even, odd = raw[:4096:2].count(0), raw[1:4096:2].count(0)
    half = max(len(raw[:4096]) // 2, 2)
    if max(even, odd) > 0.7 * half and min(even, odd) < 0.1 * half:
        return ("utf-16-le" if odd > even else "utf-16-be"), "every second byte is zero"
    if raw.isascii():
        return "utf-8", "plain ASCII"
    with suppress(UnicodeDecodeError):
        codecs.getincrementaldecoder("utf-8")().decode(raw, not is_cut)
        return "utf-8", VALID
    return "", ""


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


def toml_value(value: object) -> str:
    """Return a value as it stands in a TOML file, on one line."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return f"{value:g}"
    if isinstance(value, Mapping):
        keys = (key if re.fullmatch("[A-Za-z0-9_-]+", key) else toml_text(key) for key in value)
        pairs = (f"{key} = {toml_value(each)}" for key, each in zip(keys, value.values(), strict=True))
        return f"{{ {', '.join(pairs)} }}"
    if isinstance(value, tuple | list):
        return f"[{', '.join(map(toml_value, value))}]"
    return toml_text(str(value))


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


LARGEST_UNPACKED = 500_000_000


def filled_sheets(path: Path, name: str) -> dict[str, list[list[str]]]:
    """Return the cells of each sheet that holds any, as text: numbers with points, dates as ISO 8601.

    Raises
    ------
    KitError
        Where the file cannot be opened, is locked, or unpacks to far more than a sheet.
    """
    import python_calamine as calamine

    try:
        if zipfile.is_zipfile(path):
            with zipfile.ZipFile(path) as packed:
                if sum(part.file_size for part in packed.infolist()) > LARGEST_UNPACKED:
                    raise KitError.refuse(name, *fault("unpacked"))
        book = calamine.CalamineWorkbook.from_path(str(path))
        read = {title: book.get_sheet_by_name(title) for title in book.sheet_names}
        tables = {title: sheet.to_python(skip_empty_area=False) for title, sheet in read.items()}
    except calamine.PasswordError:
        raise KitError.refuse(name, *fault("locked")) from None
    except (calamine.CalamineError, OSError, zipfile.BadZipFile):
        raise KitError.refuse(name, *fault("no book")) from None
    texts = {each: [[_text(cell) for cell in row] for row in rows] for each, rows in tables.items()}
    return {each: rows for each, rows in texts.items() if any(any(row) for row in rows)}


def only_sheet(
    tables: Mapping[str, list[list[str]]], name: str, expected: str, remedy: str
) -> list[list[str]]:
    """Return the only sheet that holds anything; [] where none does.

    Raises
    ------
    KitError
        'ask' where several do.
    """
    if len(tables) > 1:
        titles = ", ".join(f"'{title}' ({len(rows)} rows)" for title, rows in list(tables.items())[:12])
        raise KitError.ask(name, f"{len(tables)} sheets: {titles}", expected, remedy)
    return next(iter(tables.values()), [])


def _text(cell: object) -> str:
    """Return a cell as a person would write it."""
    if isinstance(cell, bool):
        return str(cell).upper()
    if isinstance(cell, float):
        return str(int(cell)) if cell == int(cell) and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, datetime):
        return cell.isoformat(" ")
    if isinstance(cell, date | time):
        return cell.isoformat()
    if isinstance(cell, timedelta):
        whole, rest = divmod(cell, timedelta(seconds=1))
        fraction = f".{rest.microseconds:06d}".rstrip("0") if rest else ""
        return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}{fraction}"
    return " ".join(str(cell).split())
