"""A logger's file while it is read: a first look at it, what was declared and settled so far, and where problems go."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from kit.errors import Faults, KitError, Problem
from kit.readings.header import Header, read_header
from kit.readings.layout import (
    BLANK_RUN,
    Layout,
    Line,
    begins_like_row,
    find_layout,
    is_row,
    split_glued,
    split_line,
)
from kit.readings.source import Source
from kit.trial.cells import BLANKS, WORDS, decimal_evidence, kind_of, split_unit, to_number

_HEAD_LINES, _MORE_LINES = 300, 5000
_ALL_BELOW = 240
_MOST_COLUMNS, _LONGEST = 1000, 1 << 16
_ROWS = 60
_MARKS = {
    "tab": "\t",
    "\\t": "\t",
    "comma": ",",
    "semicolon": ";",
    "space": BLANK_RUN,
    "blank": BLANK_RUN,
    "pipe": "|",
    "": BLANK_RUN,
}


@dataclass(frozen=True)
class Sniffed:
    """The shape of a file and a sample of its rows.

    Attributes
    ----------
    layout, header
        Where the table lies, and what stands above it.
    rows
        Rows of the body, in the table's width, from its beginning, middle and end.
    """

    layout: Layout
    header: Header
    rows: tuple[tuple[str, ...], ...]


def sniff(source: Source, declared: Mapping[str, object]) -> Sniffed:
    """Find a table's body and its header.

    Raises
    ------
    KitError
        Where there is no table, or a header and no rows.
    """
    lines = _first_lines(source.head, _HEAD_LINES)
    sample = _sample(source.head, lines)
    _too_wide(sample, source.name)
    delimiter = _delimiter(declared, lines, source.name)
    layout = find_layout(lines, sample, delimiter)
    if layout is None:
        lines = _first_lines(source.head, _MORE_LINES)
        layout = find_layout(lines, sample, delimiter) or find_layout(
            lines, [line for line in lines if line.text.strip(BLANKS)][-120:], delimiter
        )
    if layout is None:
        raise KitError(_no_rows(lines, source, delimiter))
    above = [line for line in lines if line.number < layout.body_line]
    first = _fields(next(line.text for line in lines if line.number == layout.body_line), layout)
    header_row = declared.get("header_row")
    header = read_header(
        above, layout, first, int(str(header_row)) if header_row is not None else None, source.name
    )
    layout, header = _remark_column(layout, header, above, sample, source.name)
    known = {
        line.number: line
        for line in [*lines[: layout.body_line + _rows_above(lines)], *sample]
        if line.number >= layout.body_line
    }
    body = [known[number] for number in sorted(known)]
    rows = [tuple(fields) for line in body if len(fields := _fields(line.text, layout)) == layout.width]
    return Sniffed(
        layout,
        header,
        tuple(row for row in rows if begins_like_row(row, layout.kinds) or is_row(row, layout.kinds))[:400],
    )


def _too_wide(sample: Sequence[Line], name: str) -> None:
    counts = sorted(max(map(line.text.count, ",;\t|")) for line in sample)
    if counts and counts[len(counts) // 2] >= _MOST_COLUMNS:
        raise KitError.refuse(
            f"{name}, line {sample[0].number}",
            f"more than {_MOST_COLUMNS} columns",
            "a column a probe and a row a moment",
            "Export the log again, or turn its rows into columns.",
        )


def _rows_above(lines: Sequence[Line]) -> int:
    return len(lines) if len(lines) <= _ALL_BELOW else _ROWS


def _fields(text: str, layout: Layout) -> list[str]:
    return split_glued(split_line(text, layout.delimiter), layout.glued)


def _first_lines(head: bytes, count: int) -> list[Line]:
    cut = 0
    for _ in range(count):
        cut = head.find(b"\n", cut) + 1
        if not cut:
            cut = len(head)
            break
    texts = head[:cut].decode("utf-8", "replace").split("\n")
    return [Line(number, text[:_LONGEST]) for number, text in enumerate(texts, 1)]


def _sample(head: bytes, lines: Sequence[Line]) -> list[Line]:
    """Return lines from the middle on, where a table's body is."""
    filled = [line for line in lines if line.text.strip(BLANKS)]
    if len(filled) <= _ALL_BELOW:
        return filled[len(filled) // 3 :] if len(filled) > 3 else filled
    found: list[Line] = []
    for share in (0.5, 0.75):
        start = head.find(b"\n", int(len(head) * share)) + 1
        texts = head[start : start + 16384].decode("utf-8", "replace").split("\n")[:-1]
        found += [
            Line(1_000_000_000 + len(found) + place, text[:_LONGEST]) for place, text in enumerate(texts[:60])
        ]
    return found or filled[len(filled) // 3 :]


def _delimiter(declared: Mapping[str, object], lines: Sequence[Line], name: str) -> str | None:
    wanted = declared.get("delimiter")
    if wanted is not None:
        mark = _MARKS.get(str(wanted).strip(" ").casefold(), str(wanted))
        if len(mark) != 1 or mark in '"\n\r0123456789.':
            raise KitError.refuse(
                f"{name}, [[logger]] key delimiter",
                f"'{wanted}'",
                "one character such as ',' ';' or '\\t'",
                "Mend the key.",
            )
        return mark
    first = lines[0].text.strip(BLANKS + '"') if lines else ""
    return first[4] if first.casefold().startswith("sep=") and len(first) == 5 else None


def _no_rows(lines: Sequence[Line], source: Source, delimiter: str | None) -> Problem:
    filled = [line for line in lines if line.text.strip(BLANKS)]
    last = filled[-1].text if filled else ""
    mark = delimiter or max(",;\t|", key=last.count)
    names = [cell for cell in split_line(last, mark) if cell]
    found = "no data rows"
    if names and len(filled) <= 3:
        found += f": a header ({', '.join(names[:20])}) and nothing below it"
    else:
        found += " that repeat one pattern of times and numbers"
    return Problem(
        "refuse",
        source.name,
        found,
        "rows of readings",
        "Export the log again; if the table is there, declare delimiter and header_row.",
    )


def _remark_column(
    layout: Layout, header: Header, above: Sequence[Line], sample: Sequence[Line], place: str
) -> tuple[Layout, Header]:
    """Widen the table by columns of words that a header names and few rows fill."""
    near = [line for line in above if line.text.strip(BLANKS)][-1:]
    if not near or (header.row == near[0].number):
        return layout, header
    cells = split_line(near[0].text, layout.delimiter)
    extra = len(cells) - layout.width
    if (
        not 0 < extra <= 3
        or not all(cells[1:])
        or any(kind_of(cell) not in ("text", "blank") for cell in cells)
    ):
        return layout, header
    longer = [split_line(line.text, layout.delimiter) for line in sample]
    beyond = [cell for row in longer for cell in row[layout.width :] if cell]
    if any(kind_of(cell) in ("number", "with unit") for cell in beyond) or not (
        beyond or _is_remark(cells[layout.width])
    ):
        return layout, header
    wide = Layout(
        layout.delimiter, len(cells), (*layout.kinds, *["text"] * extra), layout.body_line, layout.glued
    )
    return wide, read_header(above, wide, cells, None, place)


def _is_remark(name: str) -> bool:
    return name.casefold().startswith(tuple(WORDS["headings"]["remark"].split()))


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


class OpenLog:
    """One file, handed from stage to stage.

    Attributes
    ----------
    source, keys
        The file and the [[logger]] keys declared for it.
    layout, header, rows
        Shape of its table, what stands above it, and a sample of its rows.
    faults, notes, reasons
        Problems found so far, what a person should know, and why each thing was decided as it was.
    """

    def __init__(self, source: Source, keys: Mapping[str, object], sniffed: Sniffed) -> None:
        self.source, self.keys = source, keys
        self.layout, self.header, self.rows = sniffed.layout, sniffed.header, sniffed.rows
        self.faults, self.reasons = Faults(), {"encoding": source.encoding_reason}
        self.notes = list(source.notes)

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

    def text(self, key: str) -> str:
        """Return a declared key as text, '' where it was not declared."""
        value = self.keys.get(key)
        return "" if value is None else str(value).strip()

    def split(self, text: str) -> list[str]:
        """Return the fields of a line."""
        return split_glued(split_line(text, self.layout.delimiter), self.layout.glued)

    def fields(self, numbers: Iterable[int]) -> dict[int, list[str]]:
        """Return the fields of some lines, by line number."""
        return {number: self.split(text) for number, text in raw_lines(self.source, numbers).items()}

    def numeric(self) -> list[int]:
        """Return the columns of numbers."""
        return [column for column, kind in enumerate(self.layout.kinds) if kind == "number"]

    def cells(self, column: int) -> list[str]:
        """Return the cells of a column in the sample."""
        return [row[column] for row in self.rows]

    def values(self, column: int) -> list[float]:
        """Return the numbers of a column in the sample, under whichever decimal mark its cells prove."""
        return numbers_of(self.cells(column))


def numbers_of(cells: Sequence[str]) -> list[float]:
    """Return the numbers that cells say, units left aside, under whichever decimal mark they prove."""
    bare = [split_unit(cell)[0] for cell in cells]
    mark = "," if any(decimal_evidence(cell) == "," for cell in bare if kind_of(cell) == "number") else "."
    return [value for cell in bare if (value := to_number(cell, mark)) is not None]
