"""A sheet as a spreadsheet saved it: cells and headings, and columns as texts, days, clock times and numbers."""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.errors import Faults, KitError
from kit.schema import BURNS, EVENTS, SCORES, Column
from kit.trial.cells import decimal_evidence, to_number
from kit.trial.clocks import Order, date_order, plain_clock, read_date
from kit.trial.decode import ENDINGS, clean_id, clean_text, filled_sheets, read_text, shown, the_sheet

DELIMITERS = (",", ";", "\t")
NEAR = 0.8
MOST_COLUMNS = 1000
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
    if (width := max(map(len, records))) > MOST_COLUMNS:
        expected, remedy = (
            f"at most {MOST_COLUMNS} columns",
            "Keep tables of readings in logs/, a file a burn.",
        )
        faults.refuse(name, f"{width} columns", expected, remedy)
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


IDS = frozenset({"burn", "fuel", "bag", "cooker", "setting", "event", "probes", "taster", "attribute"})


def texts(sheet: Sheet, column: str, notes: list[str]) -> list[str]:
    """Return a column's texts, clean: unseen characters taken out (with a note), blanks trimmed."""
    clean: Callable[[str], tuple[str, bool]] = clean_id if column in IDS else clean_text
    cells = sheet.cells(column)
    cache = {cell: clean(cell) for cell in set(cells)}
    touched = [place for place, cell in enumerate(cells) if cache[cell][1]]
    if touched:
        notes.append(f"{sheet.where(touched[0], column)}: control or hidden characters were taken out.")
    return [cache[cell][0] for cell in cells]


def table_of(
    sheet: Sheet, known: Sequence[Column], own: Sequence[str], faults: Faults, notes: list[str]
) -> pd.DataFrame:
    """Return the columns of a sheet, each as its kind: text, day, clock time or number; further ones as they stand.

    Parameters
    ----------
    sheet
        The cells.
    known, own
        Columns of the kit, and headings of further columns of numbers.
    faults, notes
        Where faults and remarks are gathered.
    """
    numeric = {column.name: column.unit for column in known if column.kind == "number"}
    numeric |= {name: "" for name in own if name in sheet.columns}
    dated = [column.name for column in known if column.name == "day" or column.kind == "clock"]
    order = order_of_dates(sheet, dated, faults)
    numbers = Numbers(sheet, numeric)
    read: dict[str, object] = {}
    for name in dict.fromkeys([*(column.name for column in known), *numeric, *sheet.further]):
        if name in numeric:
            read[name] = numbers.column(name, faults)
        elif name == "day":
            read[name] = days(sheet, order, faults)
        elif name in dated:
            read[name] = clock_times(sheet, name, order, faults)
        else:
            read[name] = texts(sheet, name, notes)
    return pd.DataFrame(read)


def order_of_dates(sheet: Sheet, columns: Iterable[str], faults: Faults) -> Order | None:
    """Return whether day or month stands first in the sheet's dates; asked about where nothing tells."""
    cells: dict[str, tuple[int, str]] = {}
    for column in columns:
        for place, cell in enumerate(sheet.cells(column)):
            cells.setdefault(cell, (place, column))
    order = date_order(cells)
    if order not in ("unknown", "both"):
        return order
    dated = [cell for cell in cells if date_order([cell])]
    place, column = cells[min(dated, key=lambda cell: cells[cell])]
    text = sheet.cells(column)[place].strip()
    if order == "unknown":
        faults.ask(
            sheet.where(place, column),
            f"'{text}', in which day or month could stand first; no date of the sheet tells",
            "dates as 2026-05-14 (year-month-day)",
            "Write the sheet's dates so; in a spreadsheet, set that cell format before saving.",
        )
    else:
        faults.refuse(
            sheet.name,
            f"dates with the day first and dates with the month first, as '{text}'",
            "one order, best 2026-05-14 (year-month-day)",
            "Write the sheet's dates all in one way.",
        )
    return order


def days(sheet: Sheet, order: Order | None, faults: Faults) -> list[str]:
    """Return the column 'day' as yyyy-mm-dd, '' where blank."""
    found: list[str] = []
    for place, cell in enumerate(sheet.cells("day")):
        text = cell.strip()
        day = read_date(text.partition(" 00:00")[0], order) if text else None
        if text and day is None and not (order in ("unknown", "both") and date_order([text])):
            faults.refuse(
                sheet.where(place, "day"), shown(text), "a date as 2026-05-14", _remedy_of_day(text)
            )
        found.append(day.isoformat() if day else "")
    return found


def _remedy_of_day(text: str) -> str:
    number = re.fullmatch(r"([0-9]{5})(?:[.,]0*)?", text)
    if number and 30_000 < int(number[1]) < 60_000:
        from datetime import date, timedelta

        on = date(1899, 12, 30) + timedelta(days=int(number[1]))
        return f"As a spreadsheet's day number it would be {on}: set the cell format to date and save again."
    return "Write year-month-day, or leave it blank: then the log's own day is used."


def clock_times(sheet: Sheet, column: str, order: Order | None, faults: Faults) -> list[str]:
    """Return a clock column as hh:mm:ss or yyyy-mm-ddThh:mm:ss, '' where blank."""
    cells = sheet.cells(column)
    cache = {cell: plain_clock(cell, order) for cell in set(cells)}
    for place, cell in enumerate(cells):
        if cache[cell] is None and not (order in ("unknown", "both") and date_order([cell])):
            expected = "a time of day as 14:05 or 14:05:30, or a date and time as 2026-05-14 14:05"
            faults.refuse(sheet.where(place, column), shown(cell.strip()), expected, _remedy_of_time(cell))
    return [cache[cell] or "" for cell in cells]


def _remedy_of_time(cell: str) -> str:
    text = cell.strip()
    if re.fullmatch(r"[0-9]{1,2}[.h][0-9]{2}(h|min)?", text):
        hour, minute = re.findall("[0-9]+", text)
        return f"Write a colon: {hour}:{minute}."
    if re.match("24:00", text):
        return "Write midnight as 00:00; it is read as the next day's."
    if re.fullmatch(r"0?[.,][0-9]+", text):
        return "This is a spreadsheet's part of a day: set the cell format to time and save again."
    if re.search(r"([+-][0-9]{2}:?[0-9]{2}|Z)\Z", text):
        return "Write the local time without a zone; the zone belongs into trial.toml."
    return "Write what the clock showed, or leave it blank."


def note_unknown(
    sheet: Sheet, column: str, cells: Sequence[str], known: Sequence[str], note: Callable[[str, str], None]
) -> None:
    """Call `note` with place and word of every word of a column that is not known, once a word."""
    first: dict[str, list[int]] = {}
    for place, cell in enumerate(cells):
        if cell and cell not in known:
            first.setdefault(cell, []).append(place)
    for word, places in first.items():
        note(sheet.where(places[0], column) + also_rows(sheet, places[1:]), word)


def also_rows(sheet: Sheet, places: Sequence[int]) -> str:
    """Return ' (and rows 9, 12)' for further places, '' for none."""
    if not places:
        return ""
    named = ", ".join(str(sheet.rows[place]) for place in places[:8])
    more = " …" if len(places) > 8 else ""
    return f" (and row{'s' * (len(places) > 1)} {named}{more})"


BLANKS = frozenset({"", "-", "–", "—", "n/a", "na", "nan", "n.a."})


@dataclass(frozen=True)
class _Cell:
    """A number with its readings: `value` where it is certain, else `mark` as decimal or thousands mark."""

    value: float | None = None
    mark: str = ""
    decimal: float = 0.0
    grouped: float = 0.0
    decimal_mark: str = ""
    thousands_mark: str = ""


def _read(text: str) -> _Cell | None:
    proved = decimal_evidence(text)
    marks = {mark for mark in ".," if mark in text}
    if proved == "both ways":  # 1.234
        mark, other = (".", ",") if "." in marks else (",", ".")
        decimal, grouped = to_number(text, mark), to_number(text, other)
        return None if decimal is None or grouped is None else _Cell(None, mark, decimal, grouped)
    value = to_number(text, proved or ".")
    others = marks - {proved}  # 1.234.567 or 1.234,5
    return None if value is None else _Cell(value, "", 0.0, 0.0, proved * (proved in marks), "".join(others))


class Numbers:
    """Reads the number columns of one sheet, with one decimal mark for all of them.

    Parameters
    ----------
    sheet
        The sheet.
    columns
        Headings of its columns of numbers, with the unit each may carry in its cells.
    """

    def __init__(self, sheet: Sheet, columns: dict[str, str]) -> None:
        self._sheet, self._units = sheet, columns
        self._read: dict[str, list[_Cell | None]] = {}
        cache: dict[str, _Cell | None] = {}
        for column, unit in columns.items():
            texts = [_without_unit(cell, unit) for cell in sheet.cells(column)]
            for text in set(texts) - set(cache):
                cache[text] = None if text.casefold() in BLANKS else _read(text)
            self._read[column] = [cache[text] for text in texts]
        cells = [cell for column in self._read.values() for cell in set(column) if cell]
        self._decimals = {cell.decimal_mark for cell in cells} - {""}
        self._thousands = {cell.thousands_mark for cell in cells} - {""}

    def column(self, column: str, faults: Faults) -> npt.NDArray[np.float64]:
        """Return a column's numbers, NaN where blank; what is no number, or two numbers, is noted."""
        values = np.full(len(self._sheet.rows), np.nan)
        unsure: list[int] = []
        for place, (cell, text) in enumerate(zip(self._read[column], self._sheet.cells(column), strict=True)):
            value = cell and self._settled(cell)
            if value is not None:
                values[place] = value
            elif cell is not None:
                unsure.append(place)
            elif text.strip().casefold() not in BLANKS:
                _note_no_number(self._sheet, place, column, self._units[column], faults)
        self._ask(column, unsure, faults)
        return values

    def _settled(self, cell: _Cell) -> float | None:
        if cell.value is not None:
            return cell.value
        usual = self._decimals or ({"."} if self._sheet.delimiter == "," else set())
        if usual == {cell.mark} and cell.mark not in self._thousands:
            return cell.decimal
        if cell.mark in self._thousands and cell.mark not in self._decimals:
            return cell.grouped
        return None

    def _ask(self, column: str, places: Sequence[int], faults: Faults) -> None:
        if not places:
            return
        text = self._sheet.cells(column)[places[0]].strip()
        bare = re.sub("[.,]", "", text)
        further = also_rows(self._sheet, places[1:])
        faults.ask(
            self._sheet.where(places[0], column) + further,
            f"'{text}', which is {bare} or {text.replace(',', '.')} with a decimal mark",
            "a number that can be read in one way",
            f"Write {bare}, or with one more digit behind the mark: {text}0.",
        )


def _without_unit(cell: str, unit: str) -> str:
    text = cell.strip()
    return text.removesuffix(unit).rstrip() if unit and text != unit else text


def _note_no_number(sheet: Sheet, place: int, column: str, unit: str, faults: Faults) -> None:
    text = sheet.cells(column)[place].strip()
    remedy = "Write digits only, or leave the cell blank where nothing was measured."
    if text.startswith("#"):
        remedy = "The spreadsheet could not compute this cell: mend its formula, or leave it blank."
    elif re.search("[0-9]", text) and re.search(r"[A-Za-z°%]\s*\Z", text):
        remedy = f"Write the number without a unit{', in ' + unit if unit else ''}."
    faults.refuse(
        sheet.where(place, column), shown(text), f"a number{', in ' + unit if unit else ''}", remedy
    )


def note_outside(
    sheet: Sheet,
    column: str,
    values: npt.NDArray[np.float64],
    bounds: tuple[float, float],
    words: tuple[str, str],
    faults: Faults,
) -> None:
    """Note the cells whose number lies outside bounds, with what is expected and what to do."""
    for place in _places(values, bounds):
        faults.refuse(sheet.where(place, column), f"{values[place]:g}", *words)


def _places(values: npt.NDArray[np.float64], bounds: tuple[float, float]) -> Iterable[int]:
    with np.errstate(invalid="ignore"):
        return [int(place) for place in np.flatnonzero((values < bounds[0]) | (values > bounds[1]))]
