"""The body of a table to arrays: pieces of lines through a CSV parser, then stamps and numbers by column."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from kit.readings.cells import ABSENT_WORDS
from kit.readings.layout import BLANK_RUN, Layout
from kit.readings.lines import Rows, rows_of
from kit.readings.numbers import ABSENT, OPEN, Numbers, mark_evidence, parse_numbers
from kit.readings.rows import Body, Texts, gathered
from kit.readings.source import Piece, Source
from kit.readings.stamps import Stamps, joined, parse_stamps
from kit.readings.timing import TimePlan

if TYPE_CHECKING:
    import pyarrow as pa

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
    parts = (_read_piece(rows, layout, wanted) for rows in shaped_pieces(source, layout, wanted.time))
    if source.complete:
        return next(iter(parts))
    return gathered(parts, source.most_lines(), wanted.numbers, wanted.texts)


def shaped_pieces(source: Source, layout: Layout, time: TimePlan) -> Iterable[Rows]:
    """Yield the rows of every piece of a file."""
    held: Piece | None = None
    for piece in source.pieces():
        if held is not None:
            yield rows_of(
                _kept_blanks(held.data, layout, time),
                held.first_line,
                layout,
                time.places,
                False,
                source.name,
            )
        held = piece
    if held is not None:
        data = (
            _kept_blanks(held.data.rstrip(b"\n") + b"\n", layout, time)
            if _only_order(layout, time)
            else held.data
        )
        yield rows_of(data, held.first_line, layout, time.places, source.ends_open, source.name)


def _only_order(layout: Layout, time: TimePlan) -> bool:
    """Return whether only the order of lines tells the time, so that a blank line is a reading missed."""
    single = layout.width == 1 or (
        layout.delimiter == BLANK_RUN and layout.width == 2 and layout.kinds.count("text") == 1
    )
    return time.kind == "implied" and single


def _kept_blanks(data: bytes, layout: Layout, time: TimePlan) -> bytes:
    if not _only_order(layout, time):
        return data
    absent = b" ".join([b"---"] * layout.width)
    while b"\n\n" in data:
        data = data.replace(b"\n\n", b"\n" + absent + b"\n")
    return data


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


def _read_piece(rows: Rows, layout: Layout, wanted: Wanted) -> Body:
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


def _empty(rows: Rows, wanted: Wanted) -> Body:
    import pyarrow as pa

    none = pa.array([], pa.string())
    stamps = parse_stamps(none) if wanted.time.kind == "stamp" else None
    numbers = {column: parse_numbers(none, ".") for column in wanted.numbers}
    texts = {column: Texts(np.zeros(0, np.int32), ("",)) for column in wanted.texts}
    return Body(rows.numbers, stamps, numbers, texts, rows.odd, rows.remarks)


def _parse(rows: Rows, layout: Layout, types: Mapping[int, str], decimal: str) -> dict[int, pa.Array]:
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


def _arrow(rows: Rows, layout: Layout, types: Mapping[int, str], decimal: str) -> Any:
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


def _by_hand(rows: Rows, layout: Layout, types: Mapping[int, str]) -> dict[int, pa.Array]:
    """Return columns as text by a slower parser, for lines whose quotes are amiss."""
    import pyarrow as pa

    texts = [line for line in rows.data.decode("utf-8", "replace").split("\n") if line]
    mark = rows.delimiter.decode()
    cells = [_cells(line, mark, layout.width) for line in texts]
    return {column: pa.array([row[column] for row in cells], pa.string()) for column in types}


def _cells(line: str, mark: str, width: int) -> list[str]:
    cells = next(csv.reader(io.StringIO(line), delimiter=mark), [])
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
