"""Where a log's table lies: its delimiter and its body first, then what stands above the body."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

from kit.trial.cells import BLANKS, TYPED, kind_of, split_glued_stamp

BLANK_RUN = " "
"""The delimiter of files whose fields are parted by runs of blanks."""

_CANDIDATES = (",", ";", "\t", "|", BLANK_RUN)
_UNSPLIT = {",": ";\t|", ";": "\t|", "\t": ";|", "|": ";\t", BLANK_RUN: ",;|", "": ",;\t|"}
_CLOCKLIKE = frozenset({"stamp", "date", "clock"})
_NUMERIC = frozenset({"number", "with unit"})
_EMPTY = frozenset({"blank", "absent", "open"})
_SAMPLE = 60
_SURE = 1.0
_LOOKED_AT = 200


@dataclass(frozen=True)
class Line:
    """One physical line: its number, counted from 1, and its text."""

    number: int
    text: str


@dataclass(frozen=True)
class Layout:
    """The shape of the table's body.

    Attributes
    ----------
    delimiter, width
        What parts the fields (BLANK_RUN for runs of blanks, '' for none), and how many fields a row has.
    kinds
        A column's kind: 'stamp', 'date', 'clock', 'number', 'blank' or 'text'.
    body_line
        Number of the first row.
    glued
        Whether a blank parts the stamp in the first field from the first reading.
    """

    delimiter: str
    width: int
    kinds: tuple[str, ...]
    body_line: int
    glued: bool


def split_line(text: str, delimiter: str) -> list[str]:
    """Return the fields of one line, quotes taken off and blanks trimmed."""
    if not delimiter:
        return [text.strip(BLANKS).strip('"').strip(BLANKS)]
    if delimiter == BLANK_RUN:
        text = " ".join(text.split())
    cells = text.split(delimiter) if text else []
    if '"' in text:
        with suppress(csv.Error):  # a cell beyond what the parser takes is no cell
            cells = next(csv.reader([text], delimiter=delimiter, skipinitialspace=delimiter != BLANK_RUN), [])
    return [cell.strip(BLANKS) for cell in cells] if text or delimiter == BLANK_RUN else [""]


def split_glued(cells: list[str], glued: bool) -> list[str]:
    """Return fields with a stamp and the reading glued to it by a blank put into two."""
    parts = split_glued_stamp(cells[0]) if glued and cells else None
    return [*parts, *cells[1:]] if parts else cells


def find_layout(lines: Sequence[Line], sample: Sequence[Line], delimiter: str | None) -> Layout | None:
    """Return the layout of the table whose body the sample was taken from, or None where there is none."""
    filled = [line.text for line in sample if line.text.strip(BLANKS)]
    found = []
    for texts in (filled, filled[-max(12, len(filled) // 3) :]):
        choice = _best(texts, delimiter)
        if choice is not None:
            found.append((choice, texts))
            if choice[0] >= _SURE:
                break
    if not found:
        return None
    (_, name, width, glued), texts = max(found, key=lambda each: (each[0][0], len(each[1])))
    if delimiter is None and _one_column(name, width, lines, texts):
        name, width, glued = "", 1, False
    rows = [split_glued(split_line(text, name), glued) for text in texts]
    rows = [row for row in rows if len(row) == width and any(kind_of(cell) in TYPED for cell in row)]
    kinds = column_kinds(rows, width)
    kinds = column_kinds([row for row in rows if begins_like_row(row, kinds)] or rows, width)
    return _from_first_row(lines, name, kinds, glued)


def _best(texts: Sequence[str], delimiter: str | None) -> tuple[float, str, int, bool] | None:
    """Return score, delimiter, width and whether a stamp is glued, for the delimiter that parts the texts best."""
    names = [delimiter] if delimiter is not None else _candidates(texts)
    best: tuple[float, str, int, bool] | None = None
    for name in names:
        score, width, glued = _score(texts[:_SAMPLE], name)
        if width and (best is None or score > best[0] + 1e-9):
            best = (score, name, width, glued)
    return best


def _from_first_row(lines: Sequence[Line], name: str, kinds: tuple[str, ...], glued: bool) -> Layout | None:
    above: list[tuple[int, list[str]]] = []
    for line in lines:
        if not line.text.strip(BLANKS):
            continue
        cells = split_glued(split_line(line.text, name), glued)
        if is_row(cells, kinds):
            number = line.number
            while above and begins_like_row(above[-1][1], kinds):
                number = above.pop()[0]
            kinds = _filled_by_first(lines, number, name, kinds, glued)
            return Layout(name, len(kinds), kinds, number, glued)
        above.append((line.number, cells))
    return None


def _filled_by_first(
    lines: Sequence[Line], number: int, name: str, kinds: tuple[str, ...], glued: bool
) -> tuple[str, ...]:
    """Return kinds in which a column that the sample found blank has the kind of its cells in the first rows."""
    if "blank" not in kinds:
        return kinds
    body = [split_glued(split_line(line.text, name), glued) for line in lines if line.number >= number]
    rows = [cells for cells in body if len(cells) == len(kinds) and begins_like_row(cells, kinds)]
    first = column_kinds(rows, len(kinds))
    return tuple(there if here == "blank" else here for here, there in zip(kinds, first, strict=True))


def _candidates(texts: Sequence[str]) -> list[str]:
    stripped = [_SIGN_APART.sub(r"\1", text.strip(BLANKS)) for text in texts]
    counts = {
        name: sum(name in text for text in (stripped if name == BLANK_RUN else texts)) for name in _CANDIDATES
    }
    return [name for name, count in counts.items() if count * 2 > len(texts)] or [""]


def _score(texts: Sequence[str], delimiter: str) -> tuple[float, int, bool]:
    """Return how well a delimiter parts the sample into typed columns, the width, and whether a stamp is glued."""
    rows = [split_line(text, delimiter) for text in texts]
    firsts = [row[0] for row in rows if row and row[0]]
    glued = bool(firsts) and sum(bool(split_glued_stamp(cell)) for cell in firsts) > 0.7 * len(firsts)
    rows = [split_glued(row, glued) for row in rows]
    rows = [row for row in rows if any(kind_of(cell) in TYPED for cell in row)]
    counts = Counter(map(len, rows))
    if not counts:
        return 0.0, 0, False
    width = counts.most_common(1)[0][0]
    rows = [row for row in rows if len(row) == width]
    columns = list(zip(*rows, strict=True))
    filled = [column for column in columns if any(column)]
    typed = sum(_is_typed(column) for column in filled)
    unsplit = sum(_is_unsplit(column, delimiter) for column in filled)
    share = counts[width] / sum(counts.values())
    worth = (typed - unsplit) / max(len(filled), 1) + 0.02 * typed
    worth += 0.2 * (glued or any(kind_of(row[0]) in _CLOCKLIKE for row in rows[-3:]))
    against = 0.1 * (delimiter == BLANK_RUN) + _foreign(texts, delimiter)
    against += 0.4 * (glued and _cut_numbers(texts, rows, delimiter))
    return worth * (0.5 + 0.5 * share) - against, width if typed else 0, glued


def _is_typed(column: Sequence[str]) -> bool:
    kinds = [kind_of(cell) for cell in column]
    typed = sum(kind in TYPED for kind in kinds)
    if not typed and all(cell.upper() in ("AM", "PM") for cell in column):
        return True
    return typed > 0 and typed >= 0.8 * sum(kind not in _EMPTY for kind in kinds)


_SIGN_APART = re.compile(r"(?<![^\s])([+\-−])\s+(?=[0-9.,])")
_MARK_BEFORE_UNIT = re.compile(r"[,;|]\s*[^0-9\s]")
_BLANK_WITHIN = re.compile(r"[0-9,.]\s+[0-9+-]")


def _is_unsplit(column: Sequence[str], delimiter: str) -> bool:
    """Return whether most cells of a column look as if another mark should have parted them."""
    marks = re.escape(_UNSPLIT[delimiter])
    pattern = re.compile(rf"[0-9].*[{marks}]|[{marks}].*[0-9]")
    apart = 0
    for cell in (each[:_LOOKED_AT] for each in column):
        kind = kind_of(cell)
        apart += kind in ("text", "number", "with unit") and bool(_BLANK_WITHIN.search(cell))
        apart += kind == "text" and bool(pattern.search(cell))
        apart += kind == "with unit" and bool(_MARK_BEFORE_UNIT.search(cell))
    return apart * 2 > len(column)


_COMMA_NUMBER = re.compile(
    r" *\"?[+-]? *[0-9]+(?:[. '’][0-9]{3})*,[0-9]+ ?(?:(?:°|º|deg ?)?[CFK]|℃|℉)?\"? *$", re.IGNORECASE
)
_NAMED_UNIT = re.compile(r", ?(?:°|º|deg ?)?[CFK]\b|, ?℃")


def _one_column(delimiter: str, width: int, lines: Sequence[Line], texts: Sequence[str]) -> bool:
    """Return whether the only comma of each line is a decimal mark: one name stands above, digits on both sides."""
    if delimiter != "," or width != 2:
        return False
    first = next((place for place, line in enumerate(lines) if _COMMA_NUMBER.match(line.text)), len(lines))
    above = [line.text for line in lines[:first] if line.text.strip(BLANKS)][-1:]
    plain = sum(bool(_COMMA_NUMBER.match(text)) or kind_of(text) in _EMPTY for text in texts)
    return plain >= 0.8 * len(texts) and not any("," in _NAMED_UNIT.sub("", text) for text in above)


def _cut_numbers(texts: Sequence[str], rows: Sequence[Sequence[str]], delimiter: str) -> bool:
    """Return whether commas after a glued stamp look like decimal marks: no blank after them, no point anywhere."""
    if delimiter != ",":
        return False
    whole = all(
        cell.replace(" ", "").isdigit() or kind_of(cell) in _EMPTY for row in rows for cell in row[1:]
    )
    return whole and not any(", " in text for text in texts)


def _foreign(texts: Sequence[str], delimiter: str) -> float:
    """Return what it counts against a delimiter that another one stands in nearly every line."""
    others = {mark: against for mark, against in (("\t", 0.9), (";", 0.5), ("|", 0.5)) if mark != delimiter}
    return sum(
        against for mark, against in others.items() if sum(mark in text for text in texts) >= 0.6 * len(texts)
    )


def column_kinds(rows: Sequence[Sequence[str]], width: int) -> tuple[str, ...]:
    """Return the kind of each column by its cells: the commonest typed kind, if enough cells are of it."""
    if not rows:
        return ("text",) * width
    return tuple(_column_kind(column) for column in zip(*rows, strict=True))


def _column_kind(column: Sequence[str]) -> str:
    counts = Counter("number" if kind in _NUMERIC else kind for kind in map(kind_of, column))
    full = sum(count for kind, count in counts.items() if kind not in _EMPTY)
    if not full:
        return "number" if counts["absent"] + counts["open"] > 0.5 * len(column) else "blank"
    typed = max(("number", "stamp", "date", "clock"), key=lambda kind: counts[kind])
    return typed if counts[typed] and counts[typed] >= 0.7 * full else "text"


def is_row(cells: Sequence[str], kinds: Sequence[str]) -> bool:
    """Return whether fields fit a table's columns exactly, as the first row of the body must."""
    width = len(kinds)
    if len(cells) > width and any(cells[width:]):
        return False
    if len(cells) < width and any(kind not in ("text", "blank") for kind in kinds[len(cells) :]):
        return False
    found = [kind_of(cell) for cell in cells[:width]]
    pairs = list(zip(found, kinds, strict=False))
    if not all(_fits(kind, column) for kind, column in pairs):
        return False
    clocks = [kind for kind, column in pairs if column in _CLOCKLIKE]
    if clocks:
        return all(kind in _CLOCKLIKE for kind in clocks)
    return any(kind in _NUMERIC for kind in found)


def begins_like_row(cells: Sequence[str], kinds: Sequence[str]) -> bool:
    """Return whether fields are a row's, with a word too many: its time fits, or most of its numbers."""
    if len(cells) != len(kinds):
        return False
    found = [kind_of(cell) for cell in cells]
    clocks = [kind in _CLOCKLIKE for kind, column in zip(found, kinds, strict=True) if column in _CLOCKLIKE]
    if clocks:
        return all(clocks)
    numbers = [
        kind in _NUMERIC or kind in _EMPTY
        for kind, column in zip(found, kinds, strict=True)
        if column == "number"
    ]
    return kinds[0] == "number" and found[0] in _NUMERIC and 2 * sum(numbers) > len(numbers)


def _fits(kind: str, column: str) -> bool:
    if column == "text":
        return True
    if column == "number":
        return kind in _NUMERIC or kind in _EMPTY
    if column == "blank":
        return kind == "blank"
    return kind == column or (kind in _EMPTY)
