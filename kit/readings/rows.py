"""The rows of a table as arrays, gathered from its pieces."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from kit.readings.lines import OddLine
from kit.readings.numbers import Numbers
from kit.readings.stamps import Stamps

_STAMP_FIELDS = {
    "form": np.int8,
    "a": np.int16,
    "b": np.int16,
    "c": np.int16,
    "nanoseconds": np.int64,
    "offset": np.int16,
}


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


class _Gathering:
    """Arrays as long as the file can have rows, filled piece by piece, so that nothing is held twice."""

    def __init__(self, most: int, numbers: Sequence[int], texts: Sequence[int]) -> None:
        self.count = 0
        self.most = most
        self.lines = np.empty(most, np.int64)
        self.values = {column: np.empty(most) for column in numbers}
        self.codes = {column: np.empty(most, np.int8) for column in numbers}
        self.units: dict[int, npt.NDArray[np.int8]] = {}
        self.unread: dict[int, dict[str, int]] = {column: {} for column in numbers}
        self.words: dict[int, dict[str, int]] = {column: {"": 0} for column in texts}
        self.word_codes = {column: np.empty(most, np.int32) for column in texts}
        self.stamps: dict[str, npt.NDArray[Any]] = {}
        self.kinds: list[Stamps] = []
        self.odd: list[OddLine] = []
        self.remarks: dict[int, str] = {}

    def add(self, part: Body) -> None:
        """Take the rows of the next piece."""
        rows = slice(self.count, self.count + len(part))
        self.lines[rows] = part.lines
        for column, numbers in part.numbers.items():
            self._add_numbers(column, numbers, rows)
        for column, texts in part.texts.items():
            words = self.words[column]
            place = np.array([words.setdefault(word, len(words)) for word in texts.words], np.int32)
            self.word_codes[column][rows] = place[texts.codes]
        if part.stamps is not None:
            self._add_stamps(part.stamps, rows)
        self.odd += part.odd
        self.remarks |= part.remarks
        self.count = rows.stop

    def _add_numbers(self, column: int, numbers: Numbers, rows: slice) -> None:
        self.values[column][rows], self.codes[column][rows] = numbers.values, numbers.codes
        if numbers.units is not None:
            self.units.setdefault(column, np.zeros(self.most, np.int8))[rows] = numbers.units
        for text, row in numbers.unread.items():
            self.unread[column].setdefault(text, row + self.count)

    def _add_stamps(self, stamps: Stamps, rows: slice) -> None:
        if not self.stamps:
            self.stamps = {name: np.empty(self.most, kind) for name, kind in _STAMP_FIELDS.items()}
        for name, array in self.stamps.items():
            array[rows] = getattr(stamps, name)
        bare = {name: getattr(stamps, name)[:0] for name in _STAMP_FIELDS}
        self.kinds += [replace(stamps, **bare)] if len(stamps) or not self.kinds else []

    def done(self) -> Body:
        """Return all rows."""
        n = self.count
        numbers = {
            column: Numbers(
                values[:n],
                self.codes[column][:n],
                self.units[column][:n] if column in self.units else None,
                self.unread[column],
            )
            for column, values in self.values.items()
        }
        texts = {
            column: Texts(codes[:n], tuple(self.words[column])) for column, codes in self.word_codes.items()
        }
        return Body(self.lines[:n], self._stamps(n), numbers, texts, tuple(self.odd), self.remarks)

    def _stamps(self, n: int) -> Stamps | None:
        if not self.kinds:
            return None
        separators = {kind.separator for kind in self.kinds}
        return replace(
            self.kinds[0],
            **{name: array[:n] for name, array in self.stamps.items()},
            separator=separators.pop() if len(separators) == 1 else "",
            short_year=any(kind.short_year for kind in self.kinds),
            padded=all(kind.padded for kind in self.kinds),
            has_seconds=any(kind.has_seconds for kind in self.kinds),
            twelve=any(kind.twelve for kind in self.kinds),
        )


def gathered(parts: Iterable[Body], most: int, numbers: Sequence[int], texts: Sequence[int]) -> Body:
    """Return the rows of all pieces of a file; `most` is as many as it has lines."""
    gathering = _Gathering(most, numbers, texts)
    for part in parts:
        gathering.add(part)
    return gathering.done()


def take(body: Body, rows: npt.NDArray[np.int64]) -> Body:
    """Return some rows of a body, in the order given."""
    if len(rows) == len(body) and (np.diff(rows) == 1).all():
        return body
    place = np.full(len(body), -1, np.int64)
    place[rows] = np.arange(len(rows))
    stamps = body.stamps
    if stamps is not None:
        arrays = {
            name: getattr(stamps, name)[rows] for name in ("form", "a", "b", "c", "nanoseconds", "offset")
        }
        stamps = replace(stamps, **arrays)
    numbers = {column: _take_numbers(part, rows, place) for column, part in body.numbers.items()}
    texts = {column: Texts(part.codes[rows], part.words) for column, part in body.texts.items()}
    return replace(body, lines=body.lines[rows], stamps=stamps, numbers=numbers, texts=texts)


def _take_numbers(part: Numbers, rows: npt.NDArray[np.int64], place: npt.NDArray[np.int64]) -> Numbers:
    unread = {text: int(place[row]) for text, row in part.unread.items() if place[row] >= 0}
    return Numbers(
        part.values[rows], part.codes[rows], None if part.units is None else part.units[rows], unread
    )
