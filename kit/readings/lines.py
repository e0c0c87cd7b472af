"""The lines of a piece of a log: where each begins and ends, how many fields it has, and those out of shape."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from kit.errors import KitError, Problem
from kit.readings.cells import BLANKS, kind_of
from kit.readings.layout import BLANK_RUN, Layout, is_row, split_line

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
class Rows:
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
    data: bytes, first_line: int, layout: Layout, time_places: Sequence[int], ends_open: bool, name: str
) -> Rows:
    """Return the rows of a piece from the body's first line on; blank lines are left out."""
    data, delimiter = _one_delimiter(data, layout)
    buffer = np.frombuffer(data, np.uint8)
    ends = np.flatnonzero(buffer == 10)
    if len(data) and not data.endswith(b"\n"):
        ends = np.append(ends, len(data))
    starts = np.concatenate([[0], ends[:-1] + 1]) if len(ends) else np.zeros(0, np.int64)
    numbers = first_line + np.arange(len(starts))
    keep = (numbers >= layout.body_line) & (ends > starts)
    counts = _field_counts(buffer, starts, ends, delimiter, b'"' in data)
    bad = np.flatnonzero(keep & (counts != layout.width))
    if len(bad) > _MOST_BAD and 2 * len(bad) > keep.sum():
        first = int(bad[0])
        raise KitError(
            Problem(
                "refuse",
                f"{name}, line {int(numbers[first])}",
                f"{int(counts[first])} fields; most lines from there on have not the {layout.width} of the table",
                "one table with the same fields in every row",
                "Split the file where its shape changes, or export it again.",
            )
        )
    if not len(bad):
        return _plain_rows(data, delimiter, starts, ends, numbers, keep)
    return _mended(data, delimiter, starts, ends, numbers, keep, bad, layout, time_places, ends_open)


def _one_delimiter(data: bytes, layout: Layout) -> tuple[bytes, bytes]:
    if layout.delimiter == BLANK_RUN:
        data = re.sub(rb"[ \t]+", _TAB, data).replace(b"\n\t", b"\n").replace(b"\t\n", b"\n")
        return data.removeprefix(_TAB).removesuffix(_TAB), _TAB
    delimiter = layout.delimiter.encode() or _NOTHING
    return (_GLUE.sub(rb"\1" + delimiter, data) if layout.glued else data), delimiter


def _field_counts(
    buffer: npt.NDArray[np.uint8], starts: Ints, ends: Ints, delimiter: bytes, quoted: bool
) -> Ints:
    marks = buffer == delimiter[0]
    if quoted:
        quotes = np.cumsum(buffer == 34)
        at_start = np.where(starts > 0, quotes[np.maximum(starts - 1, 0)], 0)
        places = np.flatnonzero(marks)
        line = np.searchsorted(ends, places)
        places = places[(quotes[places] - at_start[line]) % 2 == 0]
    else:
        places = np.flatnonzero(marks)
    upto = np.searchsorted(places, ends)
    return np.diff(upto, prepend=0) + 1


def _plain_rows(
    data: bytes, delimiter: bytes, starts: Ints, ends: Ints, numbers: Ints, keep: npt.NDArray[np.bool_]
) -> Rows:
    kept = np.flatnonzero(keep)
    if not len(kept):
        return Rows(b"", delimiter, numbers[:0], ())
    return Rows(data[starts[kept[0]] : ends[kept[-1]]], delimiter, numbers[kept], ())


def _mended(
    data: bytes,
    delimiter: bytes,
    starts: Ints,
    ends: Ints,
    numbers: Ints,
    keep: npt.NDArray[np.bool_],
    bad: Ints,
    layout: Layout,
    time_places: Sequence[int],
    ends_open: bool,
) -> Rows:
    """Put lines with too few or too many fields into shape, or take them out."""
    parts: list[bytes] = []
    odd: list[OddLine] = []
    remarks: dict[int, str] = {}
    done = int(np.flatnonzero(keep)[0])
    drop = ~keep
    last = int(np.flatnonzero(keep)[-1])
    for row in bad.tolist():
        if row > done:
            parts.append(data[starts[done] : ends[row - 1]])
        text = data[starts[row] : ends[row]].decode("utf-8", "replace")
        shaped = _shaped(
            text,
            delimiter.decode(),
            int(numbers[row]),
            layout,
            time_places,
            ends_open and row == last,
            odd,
            remarks,
        )
        if shaped is None:
            drop[row] = True
        else:
            parts.append(delimiter.join(_quoted(cell, delimiter) for cell in shaped))
        done = row + 1
    if done <= last:
        parts.append(data[starts[done] : ends[last]])
    return Rows(b"\n".join(part for part in parts if part), delimiter, numbers[~drop], tuple(odd), remarks)


def _quoted(cell: str, delimiter: bytes) -> bytes:
    text = cell.encode()
    return b'"' + text.replace(b'"', b'""') + b'"' if delimiter in text or b'"' in text else text


def _shaped(
    text: str,
    delimiter: str,
    number: int,
    layout: Layout,
    time_places: Sequence[int],
    cut: bool,
    odd: list[OddLine],
    remarks: dict[int, str],
) -> list[str] | None:
    """Return the fields of a line in the table's width, or None where it is no row."""
    if not text.strip(BLANKS):
        return None
    cells = split_line(text, delimiter if delimiter != "\x1f" else "")
    width, kinds = layout.width, layout.kinds
    while len(cells) > width and not cells[-1]:
        cells.pop()
    if len(cells) == width:
        return cells
    has_time = not time_places or all(
        place < len(cells) and _is_time_cell(cells[place], kinds[place]) for place in time_places
    )
    if len(cells) > width and has_time and is_row(cells[:width], kinds) and not _numbers_in(cells[width:]):
        remarks[number] = delimiter.join(cell for cell in cells[width:] if cell)
        return cells[:width]
    if len(cells) < width and not cut and all(kind in ("text", "blank") for kind in kinds[len(cells) :]):
        if has_time:
            return [*cells, *[""] * (width - len(cells))]
        odd.append(OddLine(number, tuple(cells), "outside"))
        return None
    if cut:
        odd.append(OddLine(number, tuple(cells), "cut"))
        return None
    words = any(
        kind_of(cell) == "text" and kind == "number" for cell, kind in zip(cells, kinds, strict=False)
    )
    if not has_time or not time_places or words:
        odd.append(OddLine(number, tuple(cells), "outside"))
        return None
    odd.append(OddLine(number, tuple(cells), "short" if len(cells) < width else "long"))
    return [cells[place] if place in time_places else "" for place in range(width)]


def _is_time_cell(cell: str, kind: str) -> bool:
    found = kind_of(cell)
    return found == kind or (kind == "text" and bool(cell))


def _numbers_in(cells: Sequence[str]) -> bool:
    return any(kind_of(cell) in ("number", "with unit") for cell in cells)
