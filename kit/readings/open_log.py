"""A logger's file while it is read: a first look at it, what was declared and settled so far, and where problems go."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from kit.errors import Faults, KitError, did_you_mean
from kit.readings.header import Header, read_header
from kit.readings.layout import (
    BLANK_RUN,
    Layout,
    Line,
    begins_like_row,
    filled,
    find_layout,
    is_row,
    split_line,
)
from kit.readings.source import Source
from kit.trial.cells import BLANKS, WORDS, decimal_evidence, kind_of, split_unit, to_number

_HEAD_LINES, _MORE_LINES, _ALL_BELOW = 300, 5000, 240
_MOST_COLUMNS, _LONGEST = 1000, 1 << 16
_ROWS, _MOST_ROWS, _AS_ROWS = 60, 400, 120
_MARKS = {
    **{"tab": "\t", "\\t": "\t", "comma": ",", "semicolon": ";", "pipe": "|"},
    **dict.fromkeys(("space", "blank", ""), BLANK_RUN),
}


@dataclass
class OpenLog:
    """One file, handed from stage to stage.

    Attributes
    ----------
    source, keys
        The file and the [[logger]] keys declared for it.
    layout, header
        Where its table lies, and what stands above it.
    rows
        A sample of its rows, in the table's width, from its beginning, middle and end.
    faults, notes, reasons
        Problems found so far, what a person should know, and why each thing was decided as it was.
    """

    source: Source
    keys: Mapping[str, object]
    layout: Layout
    header: Header
    rows: Sequence[Sequence[str]]
    faults: Faults = field(default_factory=Faults)
    notes: list[str] = field(default_factory=list)
    reasons: dict[str, str] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The file's name in messages."""
        return self.source.name

    def at(self, line: int = 0, column: str = "") -> str:
        """Return a place in the file, as messages name it."""
        return self.name + (f", line {line}" if line else "") + (f", column {column}" if column else "")

    def refuse_key(self, key: str, found: str, expected: str, remedy: str = "Mend the key.") -> None:
        """Note a fault of a declared key."""
        self.faults.refuse(f"{self.name}, [[logger]] key {key}", found, expected, remedy)

    def refuse_name(self, key: str, found: str, wanted: str, known: Iterable[str]) -> None:
        """Note that a declared key names something else than what is known."""
        names = [name for name in known if name]
        if names:
            expected = "one of " + ", ".join(f"'{name}'" for name in names)
            self.refuse_key(key, found, expected, did_you_mean(wanted, names))
        else:
            self.refuse_key(key, found, "a column of this file; it has none such", "Take the key out.")

    def text(self, key: str) -> str:
        """Return a declared key as text, '' where it was not declared."""
        value = self.keys.get(key)
        return "" if value is None else str(value).strip()

    @property
    def columns(self) -> Mapping[str, str]:
        """The declared heading of each probe."""
        return self.keys.get("columns") or {}  # type: ignore[return-value]

    def fields(self, numbers: Iterable[int]) -> dict[int, list[str]]:
        """Return the fields of some lines, by line number."""
        return {number: self.layout.split(text) for number, text in raw_lines(self.source, numbers).items()}

    def numeric(self) -> list[int]:
        """Return the columns of numbers."""
        return [column for column, kind in enumerate(self.layout.kinds) if kind == "number"]

    def cells(self, column: int) -> list[str]:
        """Return the cells of a column in the sample."""
        return [row[column] for row in self.rows]

    def values(self, column: int) -> list[float]:
        """Return the numbers of a column in the sample, units left aside, under whichever decimal mark they prove."""
        bare = [split_unit(cell)[0] for cell in self.cells(column)]
        proved = {decimal_evidence(cell) for cell in bare if kind_of(cell) == "number"}
        values = (to_number(cell, "," if "," in proved else ".") for cell in bare)
        return [value for value in values if value is not None]


def open_log(source: Source, keys: Mapping[str, object]) -> OpenLog:
    """Find a table's body and its header.

    Raises
    ------
    KitError
        Where there is no table, or a header and no rows.
    """
    lines = _first_lines(source.head, _HEAD_LINES)
    sample = _sample(source.head, lines)
    widths = sorted(max(map(line.text.count, ",;\t|")) for line in sample)
    if widths and widths[len(widths) // 2] >= _MOST_COLUMNS:
        where, found = f"{source.name}, line {sample[0].number}", f"more than {_MOST_COLUMNS} columns"
        remedy = "Export the log again, or turn its rows into columns."
        raise KitError.refuse(where, found, "a column a probe and a row a moment", remedy)
    delimiter = _delimiter(keys, lines, source.name)
    layout = find_layout(lines, sample, delimiter)
    if layout is None:
        lines = _first_lines(source.head, _MORE_LINES)
        layout = find_layout(lines, sample, delimiter) or find_layout(
            lines, filled(lines)[-_AS_ROWS:], delimiter
        )
    if layout is None:
        raise _no_rows(filled(lines), source.name, delimiter)
    above, below = lines[: layout.body_line - 1], lines[layout.body_line - 1 :]
    header = read_header(above, layout, layout.split(below[0].text), keys.get("header_row"), source.name)
    layout, header = _with_remarks(layout, header, above, sample, source.name)
    known = {line.number: line for line in below[: len(lines) if len(lines) <= _ALL_BELOW else _ROWS + 1]}
    known |= {line.number: line for line in sample if line.number >= layout.body_line}
    rows = [layout.split(known[number].text) for number in sorted(known)]
    rows = [row for row in rows if begins_like_row(row, layout.kinds) or _is_whole_row(row, layout)]
    reasons = {"encoding": source.encoding_reason}
    return OpenLog(source, keys, layout, header, rows[:_MOST_ROWS], notes=list(source.notes), reasons=reasons)


def _is_whole_row(cells: Sequence[str], layout: Layout) -> bool:
    return len(cells) == layout.width and is_row(cells, layout.kinds)


def _first_lines(head: bytes, count: int) -> list[Line]:
    texts = head.split(b"\n", count)[:count]
    return [Line(number, text.decode("utf-8", "replace")[:_LONGEST]) for number, text in enumerate(texts, 1)]


def _sample(head: bytes, lines: Sequence[Line]) -> list[Line]:
    """Return lines from the middle on, where a table's body is."""
    there = filled(lines)
    found: list[Line] = []
    for share in (0.5, 0.75) if len(there) > _ALL_BELOW else ():
        start = head.find(b"\n", int(len(head) * share)) + 1
        texts = head[start : start + 16384].decode("utf-8", "replace").split("\n")[:-1]
        numbers = range(1_000_000_000 + len(found), 2_000_000_000)
        found += [Line(number, text[:_LONGEST]) for number, text in zip(numbers, texts[:_ROWS], strict=False)]
    return found or (there[len(there) // 3 :] if len(there) > 3 else there)


def _delimiter(keys: Mapping[str, object], lines: Sequence[Line], name: str) -> str | None:
    wanted = keys.get("delimiter")
    if wanted is None:
        first = lines[0].text.strip(BLANKS + '"') if lines else ""
        return first[4] if first.casefold().startswith("sep=") and len(first) == 5 else None
    mark = _MARKS.get(str(wanted).strip(" ").casefold(), str(wanted))
    if len(mark) != 1 or mark in '"\n\r0123456789.':
        where, expected = f"{name}, [[logger]] key delimiter", "one character such as ',' ';' or '\\t'"
        raise KitError.refuse(where, f"'{wanted}'", expected, "Mend the key.")
    return mark


def _no_rows(there: Sequence[Line], name: str, delimiter: str | None) -> KitError:
    last = there[-1].text if there else ""
    names = [cell for cell in split_line(last, delimiter or max(",;\t|", key=last.count)) if cell]
    found = "no data rows that repeat one pattern of times and numbers"
    if names and len(there) <= 3:
        found = f"no data rows: a header ({', '.join(names[:20])}) and nothing below it"
    remedy = "Export the log again; if the table is there, declare delimiter and header_row."
    return KitError.refuse(name, found, "rows of readings", remedy)


def _with_remarks(
    layout: Layout, header: Header, above: Sequence[Line], sample: Sequence[Line], place: str
) -> tuple[Layout, Header]:
    """Widen the table by columns of words that a header names and few rows fill."""
    near = filled(above)[-1:]
    if not near or header.row == near[0].number:
        return layout, header
    cells = split_line(near[0].text, layout.delimiter)
    extra = len(cells) - layout.width
    if not 0 < extra <= 3 or not all(cells[1:]) or not {*map(kind_of, cells)} <= {"text", "blank"}:
        return layout, header
    beyond = [cell for line in sample for cell in split_line(line.text, layout.delimiter)[layout.width :]]
    kinds = {*map(kind_of, beyond)} - {"blank"}
    remark = cells[layout.width].casefold().startswith(tuple(WORDS["headings"]["remark"].split()))
    if kinds & {"number", "with unit"} or not (kinds or remark):
        return layout, header
    wide = replace(layout, kinds=(*layout.kinds, *["text"] * extra))
    return wide, read_header(above, wide, cells, None, place)


def raw_lines(source: Source, numbers: Iterable[int]) -> dict[int, str]:
    """Return the text of some lines of a file, by number, in one pass."""
    wanted = sorted(set(numbers))
    found: dict[int, str] = {}
    for piece in source.pieces():
        if not wanted:
            break
        if piece.first_line + piece.data.count(b"\n") < wanted[0]:
            continue
        ends = np.flatnonzero(np.frombuffer(piece.data, np.uint8) == 10).tolist()
        for number in [each for each in wanted if each - piece.first_line <= len(ends)]:
            place = number - piece.first_line
            start = ends[place - 1] + 1 if place else 0
            text = piece.data[start : ends[place] if place < len(ends) else None]
            found[number] = text.decode("utf-8", "replace")
        wanted = [number for number in wanted if number not in found]
    return found
