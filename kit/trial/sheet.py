"""A sheet as a spreadsheet saved it: which mark parts the cells, which heading stands over which column."""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from kit.errors import Faults, KitError
from kit.schema import BURNS, EVENTS, SCORES, Column
from kit.trial.decode import clean_id, read_text
from kit.trial.spreadsheet import ENDINGS, filled_sheets, the_sheet

DELIMITERS = (",", ";", "\t")
NEAR = 0.8
"""How alike a heading and a known one must be for the difference to be a slip of the pen."""
_KNOWN = frozenset(column.name for column in (*BURNS, *EVENTS, *SCORES))
_DECLARED = re.compile(r'"?sep=(.)"?[ ;,\t]*\n', re.IGNORECASE)
"""A spreadsheet's own first line that names the mark between cells."""


@dataclass(frozen=True)
class Sheet:
    """The cells of a sheet by column, as text.

    Attributes
    ----------
    name
        The file's name, for messages.
    columns
        Cells by heading; known headings in the kit's spelling, further ones as they stand.
    rows
        The row of each entry as a spreadsheet counts them, the headings on row 1.
    further
        Headings the kit does not know.
    delimiter
        The mark between cells.
    """

    name: str
    columns: dict[str, list[str]]
    rows: list[int]
    further: tuple[str, ...]
    delimiter: str

    def where(self, place: int, column: str = "") -> str:
        """Return 'burns.csv, row 7, column charge_g' for the entry at a place."""
        return f"{self.name}, row {self.rows[place]}" + (f", column {column}" if column else "")

    def cells(self, column: str) -> list[str]:
        """Return the cells of a column, blank ones where the sheet has no such column."""
        return self.columns.get(column) or [""] * len(self.rows)


def read_sheet(
    path: Path,
    known: Sequence[Column],
    required: Sequence[str],
    own: Iterable[str],
    faults: Faults,
    notes: list[str],
) -> Sheet | None:
    """Return a sheet's cells, or None with faults noted where headings or rows cannot be told.

    Parameters
    ----------
    path
        The file.
    known, required, own
        Columns of the kit, those of them that must be there, and headings that the trial declares.
    faults, notes
        Where faults and remarks are gathered.
    """
    name = path.name
    try:
        records, delimiter, encoding = sheet_rows(path)
    except KitError as error:
        faults.take(error)
        return None
    if encoding in ("cp1252", "latin-1"):
        notes.append(f"{name} is not UTF-8; it was read as {encoding}: look at its accents.")
    return _sheet(records, delimiter, name, _Headings(known, required, tuple(own)), faults, notes)


def sheet_rows(path: Path) -> tuple[list[list[str]], str, str]:
    """Return the cells of a sheet row by row, the mark that parts them, and how its text is encoded.

    Of a spreadsheet's own file the encoding is ''.

    Raises
    ------
    KitError
        Where the file cannot be read, or its quotes do not close.
    """
    if path.suffix.casefold() in ENDINGS:
        return the_sheet(filled_sheets(path, path.name), path), ",", ""
    text, encoding = read_text(path, path.name)
    text, delimiter = _delimiter(text)
    return _records(text, delimiter, path.name), delimiter, encoding


def sheet_path(folder: Path, stem: str, faults: Faults) -> Path:
    """Return the one file of a sheet: stem.csv, or a spreadsheet's own file of that name; asked about where several."""
    there = [path for ending in (".csv", *ENDINGS) if (path := folder / f"{stem}{ending}").is_file()]
    if len(there) > 1:
        found = " and ".join(path.name for path in there)
        faults.ask(found, "the same sheet twice", "one of them", "Put the one that does not count elsewhere.")
    return there[0] if there else folder / f"{stem}.csv"


def heading_key(heading: str) -> str:
    """Return a heading in the form headings are compared in: 'Charge (g)' and 'charge g' are 'charge_g'."""
    plain = unicodedata.normalize("NFKC", heading).casefold()
    return re.sub("[^a-z0-9]+", "_", plain).strip("_")


def _delimiter(text: str) -> tuple[str, str]:
    """Return the text without a 'sep=;' line, and the mark between its cells."""
    declared = _DECLARED.match(text)
    if declared:
        return text[declared.end() :], declared[1]
    head = next((line for line in text.splitlines() if line.strip(' ,;\t"\ufeff')), "")
    if not head:
        return "", ","

    def fit(mark: str) -> tuple[int, int]:
        cells = [heading_key(cell) for cell in head.split(mark)]
        return len(_KNOWN.intersection(cells)), len(cells)

    return text, max(DELIMITERS, key=fit)


def _records(text: str, delimiter: str, name: str) -> list[list[str]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    records: list[list[str]] = []
    begins = 1
    try:
        for record in reader:
            records.append(record)
            begins = reader.line_num + 1
    except csv.Error as error:
        where = f"{name}, row {len(records) + 1} (line {begins} of the file)"
        remedy = 'A cell that holds " is written in quotes with each " doubled; look for one left open.'
        found = f"a cell whose quotes do not close ({error})"
        raise KitError.refuse(where, found, "quotes in pairs", remedy) from None
    return records


@dataclass(frozen=True)
class _Headings:
    known: Sequence[Column]
    required: Sequence[str]
    own: tuple[str, ...]


def _sheet(
    records: list[list[str]], delimiter: str, name: str, words: _Headings, faults: Faults, notes: list[str]
) -> Sheet | None:
    head = next((n for n, record in enumerate(records) if any(cell.strip() for cell in record)), None)
    if head is None:
        expected = f"a row of headings, at least {', '.join(words.required)}"
        faults.refuse(name, "an empty sheet", expected, "Write the headings, then a row each.")
        return None
    body = [(n + 1, record) for n, record in enumerate(records) if n > head and any(map(str.strip, record))]
    headings = _headings(records[head], name, head + 1, words, body, faults, notes)
    if headings is None or not _rows_fit(body, len(records[head]), name, delimiter, faults):
        return None
    columns = {
        heading: [record[place] if place < len(record) else "" for _, record in body]
        for place, heading in headings.items()
    }
    named = {column.name for column in words.known} | set(words.own)
    further = tuple(heading for heading in columns if heading not in named)
    if further:
        notes.append(
            f"Columns of {name} kept as they are, without a meaning for the kit: {', '.join(further)}."
        )
    return Sheet(name, columns, [row for row, _ in body], further, delimiter)


def _headings(
    record: list[str],
    name: str,
    row: int,
    words: _Headings,
    body: list[tuple[int, list[str]]],
    faults: Faults,
    notes: list[str],
) -> dict[int, str] | None:
    """Return the heading of each column by its place, or None with faults noted."""
    keys = {column.name: column.name for column in words.known} | {heading_key(w): w for w in words.own}
    found: dict[int, str] = {}
    for place, cell in enumerate(record):
        cleaned = clean_id(cell)[0]
        heading = keys.get(heading_key(cleaned), cleaned)
        if not heading:
            if not any(place < len(cells) and cells[place].strip() for _, cells in body):
                continue
            heading = f"column {place + 1}"
            notes.append(f"{name}: column {place + 1} has no heading.")
        found[place] = heading
    before = len(faults)
    _note_doubled(found, name, row, faults)
    _note_near(found, name, row, keys, faults)
    _note_lacking(found, name, row, words, faults)
    return found if len(faults) == before else None


def _note_doubled(found: dict[int, str], name: str, row: int, faults: Faults) -> None:
    for heading, count in Counter(found.values()).items():
        if count > 1:
            where = f"{name}, row {row}, column {heading}"
            remedy = "Rename or delete one of the columns."
            faults.refuse(where, f"{count} columns with this heading", "one", remedy)


def _note_near(found: dict[int, str], name: str, row: int, keys: dict[str, str], faults: Faults) -> None:
    missing = {key: known for key, known in keys.items() if known not in found.values()}
    stems = {key.split("_")[0]: key for key in missing if "_" in key}
    for heading in found.values():
        key = heading_key(heading)
        if heading in keys.values() or not key:
            continue
        near = get_close_matches(key, missing, n=1, cutoff=NEAR) or [stems[k] for k in (key,) if k in stems]
        if near:
            faults.refuse(
                f"{name}, row {row}, column {heading}",
                f"the heading '{heading}'",
                "a heading of the kit, or one that is not so like one",
                f"Did you mean '{missing[near[0]]}'? Else rename it.",
            )


def _note_lacking(found: dict[int, str], name: str, row: int, words: _Headings, faults: Faults) -> None:
    here = list(found.values())
    unknown = [heading for heading in here if heading not in {column.name for column in words.known}]
    for column in words.required:
        if column not in here and not get_close_matches(column, map(heading_key, unknown), cutoff=NEAR):
            near = get_close_matches(column, unknown, n=1, cutoff=0.6)
            hint = (
                f"Is it the column '{near[0]}'? Head it '{column}'."
                if near
                else f"Add the column '{column}'."
            )
            headings = ", ".join(f"'{heading}'" for heading in here)
            faults.refuse(
                f"{name}, row {row}", f"the headings {headings}"[:300], f"a column '{column}'", hint
            )


def _rows_fit(
    body: list[tuple[int, list[str]]], width: int, name: str, delimiter: str, faults: Faults
) -> bool:
    """Note rows that are longer than the headings: a stray mark has pushed their cells to the right."""
    usual = Counter(len(record) for _, record in body).most_common(1)[0][0] if body else width
    allowed = max(width, usual if all(_is_bare(record, width) for _, record in body) else width)
    before = len(faults)
    for row, record in body:
        if len(record) > allowed:
            comma = " or a decimal comma" if delimiter == "," else ""
            mark = {"\t": "tab", ";": "semicolon", ",": "comma"}.get(delimiter, f"'{delimiter}'")
            remedy = f"Look for a {mark} inside a cell{comma}: put that cell in double quotes."
            faults.refuse(
                f"{name}, row {row}", f"{len(record)} cells", f"{width}, as there are headings", remedy
            )
    return len(faults) == before


def _is_bare(record: list[str], width: int) -> bool:
    return not any(cell.strip() for cell in record[width:])
