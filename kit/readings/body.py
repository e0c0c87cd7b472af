"""The body of a table to arrays: lines put into shape, through a CSV parser, then stamps and numbers by column."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from kit.errors import KitError
from kit.readings.layout import BLANK_RUN, Layout, is_row, split_line
from kit.readings.source import Piece, Source
from kit.readings.stamps import Stamps, joined, parse_stamps, stamps_of_all
from kit.readings.time_column import TimePlan
from kit.trial.cells import (
    ABSENT,
    ABSENT_WORDS,
    BLANKS,
    OPEN,
    Numbers,
    kind_of,
    mark_evidence,
    parse_numbers,
)

if TYPE_CHECKING:
    import pyarrow as pa

Ints = npt.NDArray[np.int64]
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
        UTF-8 lines that all have `width` fields.
    delimiter
        What parts them now (one byte).
    numbers
        Line number of each.
    odd
        Lines out of shape; 'short' and 'long' ones stand in `data` with their time alone.
    remarks
        Text found beyond the table's last column, by line number.
    texts
        The raw lines, to look one up.
    """

    data: bytes
    delimiter: bytes
    numbers: Ints
    odd: tuple[OddLine, ...]
    remarks: dict[int, str] = field(default_factory=dict)


def rows_of(
    piece: Piece, layout: Layout, time_places: Sequence[int], ends_open: bool, name: str
) -> ShapedRows:
    """Return the rows of a piece from the body's first line on; blank lines are left out."""
    data, delimiter = _one_delimiter(piece.data, layout)
    buffer = np.frombuffer(data, np.uint8)
    ends = np.flatnonzero(buffer == 10)
    if len(data) and not data.endswith(b"\n"):
        ends = np.append(ends, len(data))
    starts = np.concatenate([[0], ends[:-1] + 1]) if len(ends) else np.zeros(0, np.int64)
    numbers = piece.first_line + np.arange(len(starts))
    kept = np.flatnonzero((numbers >= layout.body_line) & (ends > starts))
    if not len(kept):
        return ShapedRows(b"", delimiter, numbers[:0], ())
    counts = _field_counts(buffer, starts, ends, delimiter, b'"' in data)[kept]
    bad = kept[counts != layout.width]
    if len(bad) > _MOST_BAD and 2 * len(bad) > len(kept):
        count = int(counts[counts != layout.width][0])
        raise KitError.refuse(
            f"{name}, line {int(numbers[bad[0]])}",
            f"{count} fields; most lines from there on have not the {layout.width} of the table",
            "one table with the same fields in every row",
            "Split the file where its shape changes, or export it again.",
        )
    shaper = _Shaper(layout, time_places, delimiter)
    parts, begin, last, dropped = [], int(starts[kept[0]]), int(kept[-1]), []
    for row in bad.tolist():
        parts.append(data[begin : max(int(starts[row]) - 1, begin)])
        text = data[starts[row] : ends[row]].decode("utf-8", "replace")
        cells = shaper.shaped(text, int(numbers[row]), ends_open and row == last)
        if cells is None:
            dropped.append(row)
        else:
            parts.append(delimiter.join(_quoted(cell, delimiter) for cell in cells))
        begin = int(ends[row]) + 1
    parts.append(data[begin : ends[last]])
    rows = numbers[np.setdiff1d(kept, dropped)] if dropped else numbers[kept]
    data = b"\n".join(part for part in parts if part) if len(bad) else parts[0]
    return ShapedRows(data, delimiter, rows, tuple(shaper.odd), shaper.remarks)


def _one_delimiter(data: bytes, layout: Layout) -> tuple[bytes, bytes]:
    if layout.delimiter == BLANK_RUN:
        data = re.sub(rb"[ \t]+", _TAB, data).replace(b"\n\t", b"\n").replace(b"\t\n", b"\n")
        return data.removeprefix(_TAB).removesuffix(_TAB), _TAB
    delimiter = layout.delimiter.encode() or _NOTHING
    return (_GLUE.sub(rb"\1" + delimiter, data) if layout.glued else data), delimiter


def _field_counts(
    buffer: npt.NDArray[np.uint8], starts: Ints, ends: Ints, delimiter: bytes, quoted: bool
) -> Ints:
    places = np.flatnonzero(buffer == delimiter[0])
    if quoted:
        quotes = np.cumsum(buffer == 34)
        at_start = np.where(starts > 0, quotes[np.maximum(starts - 1, 0)], 0)
        line = np.searchsorted(ends, places)
        places = places[(quotes[places] - at_start[line]) % 2 == 0]
    return np.diff(np.searchsorted(places, ends), prepend=0) + 1


def _quoted(cell: str, delimiter: bytes) -> bytes:
    text = cell.encode()
    return b'"' + text.replace(b'"', b'""') + b'"' if delimiter in text or b'"' in text else text


class _Shaper:
    """Puts lines with too few or too many fields into the table's shape, and keeps those that are no rows."""

    def __init__(self, layout: Layout, time_places: Sequence[int], delimiter: bytes) -> None:
        self.layout, self.time_places = layout, time_places
        self.delimiter = "" if delimiter == _NOTHING else delimiter.decode()
        self.odd: list[OddLine] = []
        self.remarks: dict[int, str] = {}

    def shaped(self, text: str, number: int, cut: bool) -> list[str] | None:
        """Return the fields of a line in the table's width, or None where it is no row."""
        if not text.strip(BLANKS):
            return None
        cells = split_line(text, self.delimiter)
        width, kinds = self.layout.width, self.layout.kinds
        while len(cells) > width and not cells[-1]:
            cells.pop()
        if len(cells) == width:
            return cells
        has_time = all(
            place < len(cells)
            and (kind_of(cells[place]) == kinds[place] or (kinds[place] == "text" and cells[place]))
            for place in self.time_places
        )
        beyond = cells[width:]
        no_numbers = not any(kind_of(cell) in ("number", "with unit") for cell in beyond)
        if beyond and has_time and is_row(cells[:width], kinds) and no_numbers:
            self.remarks[number] = self.delimiter.join(cell for cell in beyond if cell)
            return cells[:width]
        words_alone = all(kind in ("text", "blank") for kind in kinds[len(cells) :])
        if not beyond and not cut and words_alone and has_time:
            return [*cells, *[""] * (width - len(cells))]
        pairs = zip(cells, kinds, strict=False)
        words = any(kind_of(cell) == "text" and kind == "number" for cell, kind in pairs)
        outside = not has_time or not self.time_places or words or (not beyond and words_alone)
        kind = "cut" if cut else "outside" if outside else "long" if beyond else "short"
        self.odd.append(OddLine(number, tuple(cells), kind))
        if kind in ("cut", "outside"):
            return None
        return [cells[place] if place in self.time_places else "" for place in range(width)]


@dataclass(frozen=True)
class Texts:
    """A column of words: code of each row (0 blank) into the distinct words, or None where there are too many."""

    codes: npt.NDArray[np.int32]
    words: tuple[str, ...]


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

    lines: npt.NDArray[np.int64]
    stamps: Stamps | None
    numbers: dict[int, Numbers]
    texts: dict[int, Texts]
    odd: tuple[OddLine, ...]
    remarks: Mapping[int, str]

    def __len__(self) -> int:
        return len(self.lines)


def _one_body(parts: Sequence[Body]) -> Body:
    """Return the rows of all pieces of a file; each column of theirs is let go once it is put together."""
    starts = np.cumsum([0, *map(len, parts)]).tolist()
    stamps = [part.stamps for part in parts if part.stamps is not None]
    return Body(
        np.concatenate([part.lines for part in parts]),
        stamps_of_all(stamps) if stamps else None,
        {
            column: _numbers_of_all([p.numbers.pop(column) for p in parts], starts)
            for column in [*parts[0].numbers]
        },
        {column: _texts_of_all([p.texts.pop(column) for p in parts]) for column in [*parts[0].texts]},
        tuple(line for part in parts for line in part.odd),
        {line: text for part in parts for line, text in part.remarks.items()},
    )


def _numbers_of_all(parts: Sequence[Numbers], starts: Sequence[int]) -> Numbers:
    unread: dict[str, int] = {}
    for part, start in zip(parts, starts, strict=False):
        unread = {text: row + start for text, row in part.unread.items()} | unread
    units = [np.zeros(len(part.codes), np.int8) if part.units is None else part.units for part in parts]
    return Numbers(
        np.concatenate([part.values for part in parts]),
        np.concatenate([part.codes for part in parts]),
        None if all(part.units is None for part in parts) else np.concatenate(units),
        unread,
    )


def _texts_of_all(parts: Sequence[Texts]) -> Texts:
    known: dict[str, int] = {}
    places = [
        np.array([known.setdefault(word, len(known)) for word in part.words], np.int32) for part in parts
    ]
    codes = [place[part.codes] for place, part in zip(places, parts, strict=True)]
    return Texts(np.concatenate(codes), tuple(known))


def take(body: Body, rows: npt.NDArray[np.int64]) -> Body:
    """Return some rows of a body, in the order given."""
    if len(rows) == len(body) and (np.diff(rows) == 1).all():
        return body
    return replace(
        body,
        lines=body.lines[rows],
        stamps=body.stamps and body.stamps.taken(rows),
        numbers={column: part.taken(rows) for column, part in body.numbers.items()},
        texts={column: Texts(part.codes[rows], part.words) for column, part in body.texts.items()},
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
    parts = [_read_piece(rows, layout, wanted) for rows in shaped_pieces(source, layout, wanted.time)]
    return parts[0] if len(parts) == 1 else _one_body(parts)


def shaped_pieces(source: Source, layout: Layout, time: TimePlan) -> Iterable[ShapedRows]:
    """Yield the rows of every piece of a file."""
    by_order = _only_order(layout, time)
    held: Piece | None = None
    for piece in source.pieces():
        if held is not None:
            yield rows_of(_kept_blanks(held, layout, by_order), layout, time.places, False, source.name)
        held = piece
    if held is not None:
        last = replace(held, data=held.data.rstrip(b"\n") + b"\n") if by_order else held
        yield rows_of(
            _kept_blanks(last, layout, by_order), layout, time.places, source.ends_open, source.name
        )


def _only_order(layout: Layout, time: TimePlan) -> bool:
    """Return whether only the order of lines tells the time, so that a blank line is a reading missed."""
    single = layout.width == 1 or (
        layout.delimiter == BLANK_RUN and layout.width == 2 and layout.kinds.count("text") == 1
    )
    return time.kind == "implied" and single


def _kept_blanks(piece: Piece, layout: Layout, by_order: bool) -> Piece:
    data, absent = piece.data, b" ".join([b"---"] * layout.width)
    while by_order and b"\n\n" in data:
        data = data.replace(b"\n\n", b"\n" + absent + b"\n")
    return replace(piece, data=data)


def read_marks(
    source: Source, layout: Layout, time: TimePlan, columns: Sequence[int]
) -> dict[int, dict[str, int]]:
    """Return, for each column of numbers, what its cells prove of the decimal mark, with the line that does."""
    found: dict[int, dict[str, int]] = {column: {} for column in columns}
    for rows in shaped_pieces(source, layout, time):
        if not len(rows.numbers):
            continue
        table = _parse(rows, layout, dict.fromkeys(columns, "text"), ".")
        for column in columns:
            for mark, row in mark_evidence(table[column]).items():
                found[column].setdefault(mark, int(rows.numbers[row]))
    return found


def _read_piece(rows: ShapedRows, layout: Layout, wanted: Wanted) -> Body:
    text_columns = {*wanted.texts, *wanted.loose}
    if wanted.time.kind == "stamp":
        text_columns |= set(wanted.time.places)
    types = dict.fromkeys(text_columns, "text")
    types |= {column: "number" for column in wanted.numbers if column not in wanted.loose}
    if not len(rows.numbers):
        return _empty(rows, wanted)
    table = _parse(rows, layout, types, wanted.decimal)
    stamps = _stamps(table, wanted.time) if wanted.time.kind == "stamp" else None
    numbers = {column: _numbers(table[column], wanted.decimal) for column in wanted.numbers}
    texts = {column: _texts(table[column]) for column in wanted.texts}
    return Body(rows.numbers, stamps, numbers, texts, rows.odd, rows.remarks)


def _empty(rows: ShapedRows, wanted: Wanted) -> Body:
    import pyarrow as pa

    none = pa.array([], pa.string())
    stamps = parse_stamps(none) if wanted.time.kind == "stamp" else None
    numbers = {column: parse_numbers(none, ".") for column in wanted.numbers}
    texts = {column: Texts(np.zeros(0, np.int32), ("",)) for column in wanted.texts}
    return Body(rows.numbers, stamps, numbers, texts, rows.odd, rows.remarks)


def _parse(rows: ShapedRows, layout: Layout, types: Mapping[int, str], decimal: str) -> dict[int, pa.Array]:
    """Return the columns asked for as arrays of text or of numbers; a column that does not parse comes as text."""
    import pyarrow as pa

    types = dict(types)
    for _ in range(2):
        try:
            table = _arrow(rows, layout, types, decimal)
        except pa.ArrowInvalid:
            if "number" not in types.values():
                break
            types = dict.fromkeys(types, "text")
            continue
        if table.num_rows == len(rows.numbers):
            return {column: _whole(table.column(str(column))) for column in types}
        break
    return _by_hand(rows, layout, types)


def _arrow(rows: ShapedRows, layout: Layout, types: Mapping[int, str], decimal: str) -> Any:
    import pyarrow as pa
    from pyarrow import csv as arrow

    column_types = {
        str(column): pa.float64() if kind == "number" else pa.string() for column, kind in types.items()
    }
    return arrow.read_csv(
        pa.py_buffer(rows.data),
        arrow.ReadOptions(
            use_threads=len(rows.data) > _BLOCK,
            column_names=[str(column) for column in range(layout.width)],
            block_size=max(_BLOCK, len(rows.data) // 64),
        ),
        arrow.ParseOptions(delimiter=rows.delimiter.decode(), quote_char='"', double_quote=True),
        arrow.ConvertOptions(
            column_types=column_types,
            include_columns=list(column_types),
            null_values=_NULLS,
            strings_can_be_null=False,
            quoted_strings_can_be_null=False,
            decimal_point=decimal,
            check_utf8=False,
        ),
    )


def _whole(column: Any) -> pa.Array:
    whole = column.combine_chunks()
    return whole.chunk(0) if hasattr(whole, "chunk") and whole.num_chunks else whole


def _by_hand(rows: ShapedRows, layout: Layout, types: Mapping[int, str]) -> dict[int, pa.Array]:
    """Return columns as text by a slower parser, for lines whose quotes are amiss."""
    import pyarrow as pa

    texts = [line for line in rows.data.decode("utf-8", "replace").split("\n") if line]
    mark = rows.delimiter.decode()
    cells = [_cells(line, mark, layout.width) for line in texts]
    return {column: pa.array([row[column] for row in cells], pa.string()) for column in types}


def _cells(line: str, mark: str, width: int) -> list[str]:
    cells = split_line(line, mark)
    if len(cells) != width:
        cells = [cell.strip('"') for cell in line.split(mark)]
    return [*cells, *[""] * width][:width]


def _stamps(table: Mapping[int, pa.Array], time: TimePlan) -> Stamps:
    import pyarrow.compute as pc

    columns = [table[place] for place in time.places]
    if len(columns) > 1:
        columns = [pc.utf8_trim_whitespace(column) for column in columns]
    text = joined(columns, time.marks) if len(columns) > 1 else columns[0]
    return parse_stamps(text, time.format)


def _numbers(column: pa.Array, decimal: str) -> Numbers:
    import pyarrow as pa
    import pyarrow.compute as pc

    if not pa.types.is_floating(column.type):
        if pc.any(pc.match_substring(column, '"')).as_py():
            column = pc.utf8_trim(column, ' "\t')
        return parse_numbers(column, decimal)
    values = np.array(column.to_numpy(zero_copy_only=False), np.float64)
    codes = np.zeros(len(values), np.int8)
    finite = np.isfinite(values)
    if not finite.all():
        codes[~finite] = ABSENT
        codes[np.isinf(values)] = OPEN
        values[~finite] = np.nan
    return Numbers(values, codes, None, {})


def _texts(column: pa.Array) -> Texts:
    import pyarrow as pa
    import pyarrow.compute as pc

    coded = pc.utf8_trim_whitespace(column).dictionary_encode()
    words = coded.dictionary.to_pylist()
    codes = np.asarray(coded.indices.cast(pa.int32()).to_numpy(zero_copy_only=False), np.int32)
    if len(words) > _MOST_TEXTS:
        codes = np.where(codes < _MOST_TEXTS, codes, np.int32(_MOST_TEXTS))
        words = [*words[:_MOST_TEXTS], "(one of many texts)"]
    place = np.arange(1, len(words) + 1, dtype=np.int32)
    if "" in words:
        blank = words.index("")
        place[blank] = 0
        place[blank + 1 :] -= 1
    return Texts(place[codes] if len(words) else codes, ("", *(word for word in words if word)))


def could_be_number(text: str) -> bool:
    """Return whether a text that was not read consists of digits and marks alone."""
    return bool(re.match(r"[+\-−]?\s*[0-9][0-9.,'’ ]*$", text.strip()))
