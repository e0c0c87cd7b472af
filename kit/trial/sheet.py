"""A sheet as a spreadsheet saved it: cells and headings, and columns as texts, days, clock times and numbers."""

import csv
import io
import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from difflib import get_close_matches
from functools import cached_property
from itertools import islice, zip_longest
from pathlib import Path

import numpy as np
import pandas as pd

from kit.errors import Faults, KitError, did_you_mean
from kit.schema import BURNS, EVENTS, SCORES, SPREADSHEETS, Column
from kit.trial.cells import Floats, decimal_evidence, to_number
from kit.trial.clocks import Order, date_order, plain_clock, plain_day
from kit.trial.decode import (
    clean_id,
    clean_text,
    fault,
    filled_sheets,
    only_sheet,
    read_text,
    remedy_of,
    shown,
    toml_text,
)

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab"}
MOST_COLUMNS = 1000
NEAR = 0.8
"""How alike a heading and a known one must be for the difference to be a slip of the pen."""
IDS = frozenset({"burn", "fuel", "bag", "cooker", "setting", "event", "probes", "taster", "attribute"})
Places = int | Sequence[int]
Hint = Callable[[str, Sequence[str]], str]
Plain = Callable[[str, Order | None], str | None]
UNTOLD = ("unknown", "both")
"""Orders of day and month that no date of a sheet settles."""
BLANKS = frozenset({"", "-", "–", "—", "n/a", "na", "nan", "n.a."})
_KNOWN = frozenset(column.name for column in (*BURNS, *EVENTS, *SCORES))
_DECLARED = re.compile(r'"?sep=(.)"?[ ;,\t]*\n', re.IGNORECASE)
"""A spreadsheet's own first line that names the mark between cells."""


@dataclass(frozen=True)
class SheetKind:
    """What may stand in a sheet.

    Attributes
    ----------
    columns
        Columns of the kit.
    required
        Names of those that must be there.
    own
        Headings of further columns of numbers, which the trial declares.
    """

    columns: Sequence[Column]
    required: Sequence[str]
    own: Sequence[str] = ()

    @cached_property
    def names(self) -> dict[str, str]:
        """Every heading that means something, by the form in which headings are compared."""
        return {column.name: column.name for column in self.columns} | {heading_key(w): w for w in self.own}


@dataclass(frozen=True)
class Sheet:
    """The cells of a sheet by column, as text, and what is noted about them.

    Attributes
    ----------
    name
        The file's name, for messages.
    kind
        What may stand in it.
    columns
        Cells by heading; known headings in the kit's spelling, further ones as they stand.
    rows
        The row of each entry as a spreadsheet counts them, the headings on row 1.
    delimiter
        The mark between cells.
    faults
        Where faults and remarks are gathered.
    faulty
        Place and column ('' for the whole row) of every single cell with a fault.
    """

    name: str
    kind: SheetKind
    columns: dict[str, list[str]]
    rows: list[int]
    delimiter: str
    faults: Faults
    faulty: set[tuple[int, str]] = field(default_factory=set)

    def where(self, places: Places, column: str = "") -> str:
        """Return 'burns.csv, row 7, column charge_g (and rows 9, 12)' for an entry, or several."""
        first, *also = [places] if isinstance(places, int) else places
        named = ", ".join(str(self.rows[each]) for each in also[:8]) + " …" * (len(also) > 8)
        more = f" (and row{'s' * (len(also) > 1)} {named})" if also else ""
        return f"{self.name}, row {self.rows[first]}" + f", column {column}" * bool(column) + more

    def refuse(self, places: Places, column: str, what: str, /, **parts: object) -> None:
        """Note a fault of a cell, or one of several cells; no column for the whole row."""
        self.faults.refuse(self._marked(places, column), *fault(what, **parts))

    def ask(self, places: Places, column: str, what: str, /, **parts: object) -> None:
        """Note what a cell, or several, leave open; nothing where there is none."""
        if places != []:
            self.faults.ask(self._marked(places, column), *fault(what, **parts))

    def _marked(self, places: Places, column: str) -> str:
        self.faulty.update((each, column) for each in ([places] if isinstance(places, int) else places))
        return self.where(places, column)

    def cells(self, column: str) -> list[str]:
        """Return the cells of a column, blank ones where the sheet has no such column."""
        return self.columns.get(column) or [""] * len(self.rows)

    def refuse_where(self, cells: pd.Series, amiss: pd.Series, what: str, /, **parts: object) -> None:
        """Note every cell of a column of the table that is amiss."""
        for place in np.flatnonzero(amiss).tolist():
            cell = cells[place]
            found = (shown(cell) if cell else "a blank") if isinstance(cell, str) else f"{cell:g}"
            self.refuse(place, str(cells.name), what, found=found, **parts)

    def refuse_unknown(
        self, words: pd.Series, known: Sequence[str], what: str, hint: Hint = did_you_mean, **parts: object
    ) -> None:
        """Note every word of a column of the table, or some rows of it, that is not known, once a word."""
        for word, places in places_of(words).items():
            if word not in known:
                parts |= {"word": shown(word), "written": toml_text(word), "known": ", ".join(known)}
                self.refuse(places, str(words.name), what, hint=hint(word, known), **parts)


def places_of(words: pd.Series) -> dict[str, list[int]]:
    """Return the places, by the index, at which each word of a column stands, blanks left out."""
    filled = words[words != ""]
    return {word: places.tolist() for word, places in filled.groupby(filled, sort=False).groups.items()}


def sheet_path(folder: Path, stem: str, faults: Faults) -> Path:
    """Return the one file of a sheet: stem.csv, or a spreadsheet's own file of that name; asked about where several."""
    there = [path for ending in (".csv", *SPREADSHEETS) if (path := folder / f"{stem}{ending}").is_file()]
    if len(there) > 1:
        faults.ask(" and ".join(path.name for path in there), *fault("two files"))
    return there[0] if there else folder / f"{stem}.csv"


def read_sheet(path: Path, kind: SheetKind, faults: Faults) -> Sheet | None:
    """Return a sheet's cells, or None with faults noted where headings or rows cannot be told."""
    name = path.name
    with faults.gathering():
        records, delimiter, remark = sheet_rows(path)
        if remark:
            faults.note(remark)
        filled = [(n, record) for n, record in enumerate(records, 1) if any(map(str.strip, record))]
        if not filled:
            raise KitError.refuse(name, *fault("empty sheet", required=", ".join(kind.required)))
        if (width := max(map(len, records))) > MOST_COLUMNS:
            raise KitError.refuse(name, *fault("too wide", width=width, most=MOST_COLUMNS))
        (head, titles), *body = filled
        whole = zip_longest(titles, *(record for _, record in body), fillvalue="")
        named: list[tuple[str, list[str]]] = []
        for place, (title, *cells) in enumerate(islice(whole, len(titles)), 1):
            cleaned = clean_id(title)[0]
            if heading := kind.names.get(heading_key(cleaned), cleaned):
                named.append((heading, cells))
            elif any(map(str.strip, cells)):
                named.append((f"column {place}", cells))
                faults.note(f"{name}: column {place} has no heading.")
        _judge_headings(f"{name}, row {head}", [heading for heading, _ in named], kind)
        _judge_lengths(name, body, len(titles), delimiter)
        columns = dict(named)
        if further := [heading for heading in columns if heading not in kind.names.values()]:
            listed = ", ".join(further)
            faults.note(f"Columns of {name} kept as they are, without a meaning for the kit: {listed}.")
        return Sheet(name, kind, columns, [row for row, _ in body], delimiter, faults)
    return None


def sheet_rows(path: Path) -> tuple[list[list[str]], str, str]:
    """Return the cells of a sheet row by row, the mark that parts them, and a remark on its encoding or ''.

    Raises
    ------
    KitError
        Where the file cannot be read, or its quotes do not close.
    """
    if path.suffix.casefold() in SPREADSHEETS:
        tables = filled_sheets(path, path.name)
        named = {
            title: rows for title, rows in tables.items() if title.strip().casefold() == path.stem.casefold()
        }
        remedy = f"Name the sheet '{path.stem}' in the file, or save it alone."
        return only_sheet(named or tables, path.name, "the sheet that is meant", remedy), ",", ""
    text, remark = read_text(path, path.name)
    text, delimiter = _delimiter(text)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    records: list[list[str]] = []
    begins = 1
    try:
        for record in reader:
            records.append(record)
            begins = reader.line_num + 1
    except csv.Error as error:
        where = f"{path.name}, row {len(records) + 1} (line {begins} of the file)"
        raise KitError.refuse(where, *fault("open quotes", error=error)) from None
    return records, delimiter, remark


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


def _judge_headings(where: str, headings: Sequence[str], kind: SheetKind) -> None:
    """Refuse headings that stand twice, are nearly one of the kit's, or lack."""
    faults = Faults()
    for heading, count in Counter(headings).items():
        if count > 1:
            faults.refuse(f"{where}, column {heading}", *fault("heading twice", count=count))
    missing = {key: known for key, known in kind.names.items() if known not in headings}
    stems = {key.split("_")[0]: key for key in missing if "_" in key}
    for heading in headings:
        key = heading_key(heading)
        if heading in kind.names.values() or not key:
            continue
        if known := next(iter(get_close_matches(key, missing, n=1, cutoff=NEAR)), stems.get(key)):
            words = fault("near heading", heading=heading, known=missing[known])
            faults.refuse(f"{where}, column {heading}", *words)
    unknown = [heading for heading in headings if heading not in {column.name for column in kind.columns}]
    named = "the headings " + ", ".join(f"'{heading}'" for heading in headings)
    for column in kind.required:
        if column not in headings and not get_close_matches(column, map(heading_key, unknown), cutoff=NEAR):
            near = get_close_matches(column, unknown, n=1, cutoff=0.6)
            what = "misnamed column" if near else "no column"
            faults.refuse(where, *fault(what, headings=named[:300], column=column, near="".join(near)))
    faults.settle()


def _judge_lengths(name: str, body: list[tuple[int, list[str]]], width: int, delimiter: str) -> None:
    """Refuse rows that are longer than the headings: a stray mark has pushed their cells to the right."""
    faults = Faults()
    allowed = width
    if body and not any(cell.strip() for _, record in body for cell in record[width:]):
        allowed = max(width, Counter(len(record) for _, record in body).most_common(1)[0][0])
    comma = " or a decimal comma" if delimiter == "," else ""
    mark = DELIMITERS.get(delimiter, f"'{delimiter}'")
    for row, record in body:
        if len(record) > allowed:
            words = fault("long row", count=len(record), width=width, mark=mark, comma=comma)
            faults.refuse(f"{name}, row {row}", *words)
    faults.settle()


def table_of(sheet: Sheet) -> pd.DataFrame:
    """Return the columns of a sheet, each as its kind: text, day, clock time or number; further ones as they stand."""
    kinds = {column.name: "day" if column.name == "day" else column.kind for column in sheet.kind.columns}
    units = {column.name: column.unit for column in sheet.kind.columns if column.kind == "number"}
    units |= {name: "" for name in sheet.kind.own if name in sheet.columns}
    order = _order_of_dates(sheet, [name for name, kind in kinds.items() if kind in ("day", "clock")])
    marks = _decimal_marks(sheet, units)
    read: dict[str, object] = {}
    for name in dict.fromkeys([*kinds, *units, *sheet.columns]):
        if name in units:
            read[name] = _numbers(sheet, name, units[name], marks)
        elif kinds.get(name) == "day":
            read[name] = _dated(sheet, name, order, plain_day, "day")
        elif kinds.get(name) == "clock":
            read[name] = _dated(sheet, name, order, plain_clock, "time")
        else:
            read[name] = _texts(sheet, name)
    return pd.DataFrame(read)


def _texts(sheet: Sheet, column: str) -> list[str]:
    """Return a column's texts, clean: unseen characters taken out (with a note), blanks trimmed."""
    clean = clean_id if column in IDS else clean_text
    cells = sheet.cells(column)
    cache = {cell: clean(cell) for cell in set(cells)}
    touched = next((place for place, cell in enumerate(cells) if cache[cell][1]), None)
    if touched is not None:
        sheet.faults.note(f"{sheet.where(touched, column)}: control or hidden characters were taken out.")
    return [cache[cell][0] for cell in cells]


def _order_of_dates(sheet: Sheet, columns: Iterable[str]) -> Order | None:
    """Return whether day or month stands first in the sheet's dates; asked about where nothing tells."""
    cells: dict[str, tuple[int, str]] = {}
    for column in columns:
        for place, cell in enumerate(sheet.cells(column)):
            cells.setdefault(cell, (place, column))
    order = date_order(cells)
    if order in UNTOLD:
        cell, at = min(((c, at) for c, at in cells.items() if date_order([c])), key=lambda each: each[1])
        if order == "unknown":
            sheet.ask(*at, "unknown order", cell=cell.strip())
        else:
            sheet.faults.refuse(sheet.name, *fault("both orders", cell=cell.strip()))
    return order


def _dated(sheet: Sheet, column: str, order: Order | None, plain: Plain, kind: str) -> list[str]:
    """Return a column of days or clock times in one form, '' where blank; what cannot be read is noted."""
    cells = [cell.strip() for cell in sheet.cells(column)]
    cache = {cell: plain(cell, order) for cell in set(cells)}
    for place, cell in enumerate(cells):
        if cache[cell] is None and not (order in UNTOLD and date_order([cell])):
            number = re.match("[0-9]{5}", cell)  # to a spreadsheet, days since 1899
            on = date(1899, 12, 30) + timedelta(days=int(number[0]) if number else 0)
            remedy = remedy_of(kind, cell, on=on)
            sheet.refuse(place, column, f"no {kind}", cell=shown(cell), remedy=remedy)
    return [cache[cell] or "" for cell in cells]


def _decimal_marks(sheet: Sheet, units: Mapping[str, str]) -> dict[str, str]:
    """Return the decimal mark of every number, one of the sheet's own for those that could be read in two ways.

    It is '' where 1.234 could be two numbers; what is no number is left out.
    """
    texts = {_without_unit(cell, unit) for name, unit in units.items() for cell in sheet.cells(name)}
    proved = {text: decimal_evidence(text) or "." for text in texts}
    doubtful = [text for text in texts if proved[text] == "both ways"]
    marks = {
        text: mark for text, mark in proved.items() if mark in ".," and to_number(text, mark) is not None
    }
    decimals = {mark for text, mark in marks.items() if mark in text}
    thousands = {sign for text, mark in marks.items() for sign in ".," if sign in text and sign != mark}
    usual = decimals or ({"."} if sheet.delimiter == "," else set())
    for text in doubtful:
        if any(to_number(text, mark) is None for mark in ".,"):
            continue
        mark, other = (".", ",") if "." in text else (",", ".")
        is_decimal, is_thousands = mark in decimals, mark in thousands
        as_thousands = other if is_thousands and not is_decimal else ""
        marks[text] = mark if usual == {mark} and not is_thousands else as_thousands
    return marks


def _numbers(sheet: Sheet, name: str, unit: str, marks: Mapping[str, str]) -> Floats:
    """Return a column's numbers, NaN where blank; what is no number, or two numbers, is noted."""
    values = np.full(len(sheet.rows), np.nan)
    unsure: list[int] = []
    within = f", in {unit}" if unit else ""
    for place, cell in enumerate(map(str.strip, sheet.cells(name))):
        text = _without_unit(cell, unit)
        if text not in marks:
            if cell.casefold() not in BLANKS:
                remedy = remedy_of("number", cell, unit=within)
                sheet.refuse(place, name, "no number", cell=shown(cell), unit=within, remedy=remedy)
        elif marks[text]:
            values[place] = to_number(text, marks[text])
        else:
            unsure.append(place)
    if unsure:
        cell = sheet.cells(name)[unsure[0]].strip()
        whole, decimal = re.sub("[.,]", "", cell), cell.replace(",", ".")
        sheet.ask(unsure, name, "two numbers", cell=cell, whole=whole, decimal=decimal)
    return values


def _without_unit(cell: str, unit: str) -> str:
    text = cell.strip()
    return text.removesuffix(unit).rstrip() if unit and text != unit else text
