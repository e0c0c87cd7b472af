"""The body of a table to arrays: lines put into shape, through a CSV parser, then stamps and numbers by column."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from itertools import chain, pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from kit.errors import KitError
from kit.readings.columns import TimePlan
from kit.readings.source import (
    ABSENT_WORDS,
    BLANK_RUN,
    NUMERIC,
    Layout,
    Piece,
    Source,
    is_row,
    kind_of,
    missing_kind,
    split_line,
)
from kit.readings.stamps import Stamps, parse_stamps, stamps_of_all
from kit.trial.cells import BLANKS, LARGEST, Codes, Floats, Ints, any_number, decimal_evidence, split_unit
from kit.trial.decode import fault

if TYPE_CHECKING:
    import pyarrow as pa

_TAB = b"\t"
_NOTHING = b"\x1f"
_MOST_BAD = 20_000
_GLUE = re.compile(
    rb"(?m)^([ \t]*(?:[0-9A-Za-z./-]+[T ] ?[0-9]{1,2}:[0-9:.]+(?: ?[AaPp]\.?[Mm]\.?)?|"
    rb"[0-9./:-]+(?: ?[AaPp]\.?[Mm]\.?)?))[ \t]+(?=[+\-0-9.,])"
)


@dataclass(frozen=True)
class OddLine:
    """A line that has not the table's number of fields.

    Attributes
    ----------
    number, fields
        Its line number and fields.
    kind
        'short' or 'long' (its readings cannot be placed), 'cut' (the file ends within it), 'outside' (no row).
    """

    number: int
    fields: tuple[str, ...]
    kind: str


@dataclass(frozen=True)
class ShapedRows:
    """The rows of a piece, ready for a parser.

    Attributes
    ----------
    data
        UTF-8 lines that all have the table's fields.
    delimiter
        What parts them now (one byte).
    numbers
        Line number of each.
    odd
        Lines out of shape; 'short' and 'long' ones stand in `data` with their time alone.
    remarks
        Text found beyond the table's last column, by line number.
    """

    data: bytes
    delimiter: bytes
    numbers: Ints
    odd: list[OddLine] = field(default_factory=list)
    remarks: dict[int, str] = field(default_factory=dict)


def shaped_pieces(source: Source, layout: Layout, time: TimePlan) -> Iterator[ShapedRows]:
    """Yield the rows of every piece of a file."""
    words = layout.delimiter == BLANK_RUN and layout.width == 2 and layout.kinds.count("text") == 1
    by_order = time.kind == "implied" and (layout.width == 1 or words)
    for piece, after in pairwise(chain[Piece | None](source.pieces(), [None])):
        assert piece is not None
        data, ends_open = piece.data, after is None and source.ends_open
        if by_order:  # where only the order of lines tells the time, a blank line is a reading missed
            data = data.rstrip(b"\n") + b"\n" if after is None else data
            absent = b" ".join([b"---"] * layout.width)
            while b"\n\n" in data:
                data = data.replace(b"\n\n", b"\n" + absent + b"\n")
        yield _shaped_rows(replace(piece, data=data), layout, time.places, ends_open, source.name)


def _shaped_rows(
    piece: Piece, layout: Layout, time_places: Sequence[int], ends_open: bool, name: str
) -> ShapedRows:
    """Return the rows of a piece from the body's first line on; blank lines are left out."""
    data, delimiter = piece.data, layout.delimiter.encode() or _NOTHING
    if layout.delimiter == BLANK_RUN:
        delimiter = _TAB
        data = re.sub(rb"[ \t]+", _TAB, data).replace(b"\n\t", b"\n").replace(b"\t\n", b"\n")
        data = data.removeprefix(_TAB).removesuffix(_TAB)
    elif layout.glued:
        data = _GLUE.sub(rb"\1" + delimiter, data)
    buffer = np.frombuffer(data, np.uint8)
    ends = np.flatnonzero(buffer == 10)
    if len(data) and not data.endswith(b"\n"):
        ends = np.append(ends, len(data))
    starts = np.concatenate([[0], ends + 1])[: len(ends)]
    numbers = piece.first_line + np.arange(len(starts))
    kept = np.flatnonzero((numbers >= layout.body_line) & (ends > starts))
    if not len(kept):
        return ShapedRows(b"", delimiter, numbers[:0])
    places = np.flatnonzero(buffer == delimiter[0])
    if b'"' in data:  # what stands between quotes parts nothing
        before = np.concatenate([[0], np.cumsum(buffer == 34)])
        at_start = before[starts[np.searchsorted(ends, places)]]
        places = places[(before[places] - at_start) % 2 == 0]
    counts = (np.diff(np.searchsorted(places, ends), prepend=0) + 1)[kept]
    bad = kept[counts != layout.width]
    if not len(bad):
        return ShapedRows(data[int(starts[kept[0]]) : ends[kept[-1]]], delimiter, numbers[kept])
    if len(bad) > _MOST_BAD and 2 * len(bad) > len(kept):
        count = int(counts[counts != layout.width][0])
        told = fault("shape changes", count=count, width=layout.width)
        raise KitError.refuse(f"{name}, line {int(numbers[bad[0]])}", *told)
    odd, remarks = list[OddLine](), dict[int, str]()
    parts, begin, last, dropped = [], int(starts[kept[0]]), int(kept[-1]), []
    mark = "" if delimiter == _NOTHING else delimiter.decode()
    for row in bad.tolist():
        parts.append(data[begin : max(int(starts[row]) - 1, begin)])
        begin = int(ends[row]) + 1
        text, number = data[starts[row] : ends[row]].decode("utf-8", "replace"), int(numbers[row])
        if not text.strip(BLANKS):
            dropped.append(row)
            continue
        kind, cells, words = _shaped(split_line(text, mark), layout, time_places, ends_open and row == last)
        if kind:
            odd.append(OddLine(number, tuple(cells), kind))
        if kind in ("cut", "outside"):
            dropped.append(row)
            continue
        if kind:
            cells = [cells[place] if place in time_places else "" for place in range(layout.width)]
        if words:
            remarks[number] = mark.join(words)
        parts.append(delimiter.join(_quoted(cell, delimiter) for cell in cells))
    parts.append(data[begin : ends[last]])
    rows = numbers[np.setdiff1d(kept, dropped)]
    return ShapedRows(b"\n".join(part for part in parts if part), delimiter, rows, odd, remarks)


def _quoted(cell: str, delimiter: bytes) -> bytes:
    text = cell.encode()
    return b'"' + text.replace(b'"', b'""') + b'"' if delimiter in text or b'"' in text else text


def _shaped(
    cells: list[str], layout: Layout, time_places: Sequence[int], is_cut: bool
) -> tuple[str, list[str], list[str]]:
    """Return what is odd about the fields of a line ('' where they can be put into shape), them, and words beyond."""
    width, kinds = layout.width, layout.kinds
    while len(cells) > width and not cells[-1]:
        cells.pop()
    if len(cells) == width:
        return "", cells, []
    has_time = all(
        place < len(cells)
        and (kind_of(cells[place]) == kinds[place] or (kinds[place] == "text" and cells[place]))
        for place in time_places
    )
    beyond = [cell for cell in cells[width:] if cell]
    if beyond and has_time and is_row(cells[:width], kinds) and not NUMERIC & {*map(kind_of, beyond)}:
        return "", cells[:width], beyond
    words_alone = not beyond and all(kind in ("text", "blank") for kind in kinds[len(cells) :])
    if words_alone and has_time and not is_cut:
        return "", [*cells, *[""] * (width - len(cells))], []
    pairs = zip(cells, kinds, strict=False)
    words = any(kind_of(cell) == "text" and kind == "number" for cell, kind in pairs)
    outside = not has_time or not time_places or words or words_alone
    return "cut" if is_cut else "outside" if outside else "long" if beyond else "short", cells, []


READ, ABSENT, OPEN, UNREAD, NOT_DUE = range(5)
"""What a cell of numbers was: a number, nothing, a sign of an open circuit, anything else; a row not of its probe."""


@dataclass(frozen=True)
class Numbers:
    """Numbers of one column.

    Attributes
    ----------
    values
        NaN where a cell holds no number.
    codes
        READ; ABSENT (blank or a word for it), OPEN (a word for an open circuit) or UNREAD (anything else).
    units
        Letter glued to the number: 0 none, else ord('C'), ord('F') or ord('K').
    unread
        Distinct texts of UNREAD cells with the first row of each.
    """

    values: Floats
    codes: Codes
    units: Codes
    unread: Mapping[str, int]

    def taken(self, rows: Ints) -> Numbers:
        """Return some rows, in the order given."""
        place = np.full(len(self.values), -1, np.int64)
        place[rows] = np.arange(len(rows))
        unread = {text: int(place[row]) for text, row in self.unread.items() if place[row] >= 0}
        return Numbers(self.values[rows], self.codes[rows], self.units[rows], unread)


def _distinct(cells: pa.Array) -> tuple[list[str], Ints]:
    """Return the distinct texts of a column in the order they come in, and which of them each row holds."""
    import pyarrow.compute as pc

    coded = pc.utf8_trim_whitespace(pc.fill_null(cells, "")).dictionary_encode()
    return coded.dictionary.to_pylist(), np.asarray(coded.indices.to_numpy(zero_copy_only=False), np.int64)


def _number_in(cell: str, decimal: str) -> tuple[int, float, int]:
    """Return what a cell was, its number and the letter of its unit, 0 for none."""
    bare, unit = split_unit(cell)
    number = any_number(bare, decimal)
    if number is not None:
        is_one = abs(number) < LARGEST
        return (READ, number, ord(unit) if unit else 0) if is_one else (OPEN, np.nan, 0)
    kind = missing_kind(cell)
    return {"absent": ABSENT, "open": OPEN}.get(kind, UNREAD), np.nan, 0


@dataclass(frozen=True)
class Texts:
    """A column of words: code of each row (0 blank) into the distinct words, or None where there are too many."""

    codes: npt.NDArray[np.int32]
    words: tuple[str, ...]

    def taken(self, rows: Ints) -> Texts:
        """Return some rows, in the order given."""
        return Texts(picked(self.codes, rows), self.words)


@dataclass(frozen=True)
class Body:
    """All rows of a table.

    Attributes
    ----------
    lines
        Line number of each row.
    stamps
        The time, where it is written as text.
    numbers
        Columns of numbers by place.
    texts
        Columns of words by place.
    odd
        Lines out of shape.
    remarks
        Text beyond the table's last column, by line number.
    """

    lines: Ints
    stamps: Stamps | None
    numbers: dict[int, Numbers]
    texts: dict[int, Texts]
    odd: Sequence[OddLine]
    remarks: Mapping[int, str]

    def __len__(self) -> int:
        return len(self.lines)


def _no_units(count: int) -> Codes:
    return np.broadcast_to(np.int8(0), count)  # takes no memory


def _all_numbers(parts: Sequence[Numbers], starts: Sequence[int]) -> Numbers:
    unread: dict[str, int] = {}
    for part, start in zip(parts, starts, strict=False):
        unread = {text: row + start for text, row in part.unread.items()} | unread
    values, codes, units = (
        np.concatenate([getattr(part, name) for part in parts]) for name in ("values", "codes", "units")
    )
    return Numbers(values, codes, units if units.any() else _no_units(len(units)), unread)


def _all_texts(parts: Sequence[Texts]) -> Texts:
    known: dict[str, int] = {}
    codes = [
        np.array([known.setdefault(word, len(known)) for word in part.words], np.int32)[part.codes]
        for part in parts
    ]
    return Texts(np.concatenate(codes), tuple(known))


def picked(values: npt.NDArray[Any], rows: Ints) -> npt.NDArray[Any]:
    """Return some values, in the order given; without a copy where these are all."""
    return values if len(rows) == len(values) and (np.diff(rows) == 1).all() else values[rows]


def take(body: Body, rows: Ints) -> Body:
    """Return some rows of a body, in the order given."""
    if picked(body.lines, rows) is body.lines:
        return body
    return replace(
        body,
        lines=body.lines[rows],
        stamps=body.stamps and body.stamps.taken(rows),
        numbers={column: part.taken(rows) for column, part in body.numbers.items()},
        texts={column: part.taken(rows) for column, part in body.texts.items()},
    )


_NULLS = sorted(
    {word for known in ABSENT_WORDS for word in (known, known.upper(), known.title())}
    | {"NaN", "---", "--", "-"}
)
_MOST_TEXTS = 4000
_BLOCK = 1 << 20


@dataclass(frozen=True)
class Wanted:
    """What is to be read: time, columns of numbers (`loose` ones hold more than plain numbers), of words."""

    time: TimePlan
    numbers: tuple[int, ...]
    loose: frozenset[int]
    texts: tuple[int, ...]
    decimal: str


def read_body(source: Source, layout: Layout, wanted: Wanted) -> Body:
    """Return the rows of a table as arrays."""
    time, parts = wanted.time, list[Body]()
    words = {*wanted.texts, *wanted.loose, *(time.places if time.kind == "stamp" else ())}
    plain = [column for column in wanted.numbers if column not in wanted.loose]
    for rows in shaped_pieces(source, layout, time):
        table = _parse(rows, layout, words, plain, wanted.decimal)
        stamps = _stamps(table, time) if time.kind == "stamp" else None
        numbers = {column: _numbers(table[column], wanted.decimal) for column in wanted.numbers}
        texts = {column: _texts(table[column]) for column in wanted.texts}
        parts.append(Body(rows.numbers, stamps, numbers, texts, rows.odd, rows.remarks))
    if len(parts) == 1:
        return parts[0]
    starts = np.cumsum([0, *map(len, parts)]).tolist()
    all_stamps = [part.stamps for part in parts if part.stamps is not None]
    return Body(  # each column of the parts is let go once it is put together
        np.concatenate([part.lines for part in parts]),
        stamps_of_all(all_stamps) if all_stamps else None,
        {
            place: _all_numbers([part.numbers.pop(place) for part in parts], starts)
            for place in [*parts[0].numbers]
        },
        {place: _all_texts([part.texts.pop(place) for part in parts]) for place in [*parts[0].texts]},
        [line for part in parts for line in part.odd],
        {line: text for part in parts for line, text in part.remarks.items()},
    )


def read_marks(source: Source, layout: Layout, time: TimePlan, columns: Sequence[int]) -> dict[str, int]:
    """Return the first line that proves '.', proves ',' or could be either ('comma', 'point'), for those there are."""
    marks: dict[str, int] = {}
    for rows in shaped_pieces(source, layout, time):
        for column in _parse(rows, layout, columns, (), ".").values():
            texts, place = _distinct(column)
            first = rows.numbers[np.unique(place, return_index=True)[1]].tolist()
            for text, line in zip(texts, first, strict=True):
                mark = decimal_evidence(text) if kind_of(text) in NUMERIC else ""
                if mark == "both ways":
                    mark = "comma" if "," in text else "point"
                marks[mark] = min(line, marks.get(mark, line))
    marks.pop("", None)
    return marks


def _parse(
    rows: ShapedRows, layout: Layout, words: Iterable[int], plain: Sequence[int], decimal: str
) -> dict[int, pa.Array]:
    """Return columns as arrays of text, `plain` ones as numbers; where one of those does not parse, all as text."""
    import pyarrow as pa
    from pyarrow import csv as arrow

    texts, mark = dict.fromkeys([*plain, *words], pa.string()), rows.delimiter.decode()
    if not len(rows.numbers):
        return {column: pa.array([], kind) for column, kind in texts.items()}
    reading = arrow.ReadOptions(
        use_threads=len(rows.data) > _BLOCK,
        column_names=[str(column) for column in range(layout.width)],
        block_size=max(_BLOCK, len(rows.data) // 64),
    )
    parsing = arrow.ParseOptions(delimiter=mark, quote_char='"', double_quote=True)
    for types in (texts | dict.fromkeys(plain, pa.float64()), texts):
        converting = arrow.ConvertOptions(
            column_types={str(column): kind for column, kind in types.items()},
            include_columns=[str(column) for column in types],
            null_values=_NULLS,
            strings_can_be_null=False,
            quoted_strings_can_be_null=False,
            decimal_point=decimal,
            check_utf8=False,
        )
        with suppress(pa.ArrowInvalid):
            table = arrow.read_csv(pa.py_buffer(rows.data), reading, parsing, converting)
            if table.num_rows != len(rows.numbers):
                break
            return {column: table.column(str(column)).combine_chunks() for column in types}
    cells = []  # quotes are amiss: a slower parser
    for line in filter(None, rows.data.decode("utf-8", "replace").split("\n")):
        row = split_line(line, mark)
        if len(row) != layout.width:
            row = [cell.strip('"') for cell in line.split(mark)]
        cells.append([*row, *[""] * layout.width])
    return {column: pa.array([row[column] for row in cells], pa.string()) for column in texts}


def _stamps(table: Mapping[int, pa.Array], time: TimePlan) -> Stamps:
    import pyarrow.compute as pc

    columns = [table[place] for place in time.places]
    if len(columns) > 1:
        columns = [pc.utf8_trim_whitespace(column) for column in columns]
    text = columns[0]
    # 'date clock', 'year-month-day hour:minute:second'
    for mark, column in zip(time.marks, columns[1:], strict=True):
        text = pc.binary_join_element_wise(text, column, mark)
    return parse_stamps(text, time.format)


def _numbers(column: pa.Array, decimal: str) -> Numbers:
    import pyarrow as pa
    import pyarrow.compute as pc

    if pa.types.is_floating(column.type):
        values = np.array(column.to_numpy(zero_copy_only=False), np.float64)
        codes = np.where(np.isfinite(values), READ, np.where(np.isinf(values), OPEN, ABSENT)).astype(np.int8)
        values[codes != READ] = np.nan
        return Numbers(values, codes, _no_units(len(values)), {})
    if pc.any(pc.match_substring(column, '"')).as_py():
        column = pc.utf8_trim(column, ' "\t')
    texts, place = _distinct(column)
    read = [_number_in(text, decimal) for text in texts]
    codes, letters = (np.array([each[k] for each in read], np.int8) for k in (0, 2))
    values = np.array([each[1] for each in read], np.float64)
    unread = {texts[code]: int((place == code).argmax()) for code in np.flatnonzero(codes == UNREAD).tolist()}
    return Numbers(values[place], codes[place], letters[place], unread)


def _texts(column: pa.Array) -> Texts:
    words, places = _distinct(column)
    codes = places.astype(np.int32)
    if len(words) > _MOST_TEXTS:
        codes, words = np.minimum(codes, np.int32(_MOST_TEXTS)), [*words[:_MOST_TEXTS], "(one of many texts)"]
    known = {word: place for place, word in enumerate(dict.fromkeys(["", *words]))}
    return Texts(np.array([known[word] for word in words], np.int32)[codes], tuple(known))
