"""A logger's file while it is read: what was declared, what has been settled so far, and where problems go."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from kit.errors import Faults
from kit.readings.cells import decimal_evidence, kind_of, split_unit, to_number
from kit.readings.layout import split_glued, split_line
from kit.readings.sniff import Sniffed, raw_lines
from kit.readings.source import Source


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
