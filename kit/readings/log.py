"""What reading a logger's file yields: the table, how it was read, and what was left aside."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd


@dataclass(frozen=True)
class Dialect:
    """All that was decided about a file before its numbers were believed, and why.

    Attributes
    ----------
    encoding, line_end, delimiter, decimal
        How the text is written; delimiter ' ' stands for runs of blanks.
    header_row, units_row, body_line
        Line numbers of names, units and the first row; 0 where there is none.
    time
        The columns that hold the time, by heading.
    time_kind
        'stamp', 'number' or 'implied'.
    dated, offset_min
        Whether clock times carry a date; minutes east of UTC where the file says so.
    units
        Unit in the file of each temperature column: 'degC', 'degF', 'K', '0.1 degC' or 'by row'.
    differences, others
        Columns that are a difference of temperatures; other columns left aside, with the reason.
    split_by
        The column that parts the file into runs, '' where there is one run.
    reasons
        Why each of these was decided as it was.
    """

    encoding: str
    line_end: str
    delimiter: str
    decimal: str
    header_row: int
    units_row: int
    body_line: int
    time: str
    time_kind: str
    dated: bool
    offset_min: int | None
    units: Mapping[str, str]
    differences: Mapping[str, str]
    others: Mapping[str, str]
    split_by: str
    reasons: Mapping[str, str]

    def as_record(self) -> dict[str, Any]:
        """Return the fields as a plain dictionary, for JSON."""
        return asdict(self)


Codes = npt.NDArray[np.int8]


@dataclass(frozen=True)
class Log:
    """The readings of one logger's file.

    Attributes
    ----------
    table
        elapsed_s (float, s), clock (datetime64[ns], all NaT without a clock), then a column of °C for each
        probe under its heading; a row for every row of the file with a usable stamp.
    dialect
        How the file was read.
    notes
        What a person should know: lines left aside, words that stood for no reading, …
    path, sha256
        The file and its content's hash.
    lines
        Line number of each row.
    lost
        Line numbers within the table whose readings could not be used: no usable time, cut, out of shape.
    codes
        For each probe and row: 0 read, 1 nothing there, 2 a sign of an open circuit, 4 no reading was due.
    moved, repeated
        Rows that stood out of order in the file; rows that share their stamp with a neighbour.
    groups
        Label of the run each row belongs to, or None where the file holds one.
    differences
        Columns that are a difference of two temperatures, in K, scaled and never shifted.
    events
        Words logged beside or between readings: line, elapsed_s, clock, column, text; with
        only_event where the row held nothing else and is no row of `table`.
    """

    table: pd.DataFrame
    dialect: Dialect
    notes: list[str]
    path: Path
    sha256: str = field(repr=False)
    lines: npt.NDArray[np.int64] = field(repr=False)
    lost: npt.NDArray[np.int64] = field(repr=False)
    codes: Mapping[str, Codes] = field(repr=False)
    moved: npt.NDArray[np.bool_] = field(repr=False)
    repeated: npt.NDArray[np.bool_] = field(repr=False)
    groups: npt.NDArray[np.object_] | None = field(repr=False)
    differences: pd.DataFrame = field(repr=False)
    events: pd.DataFrame = field(repr=False)

    @property
    def probes(self) -> list[str]:
        """Headings of the temperature columns."""
        return [str(name) for name in self.table.columns[2:]]

    @property
    def has_clock(self) -> bool:
        """Whether the rows carry clock times."""
        return bool(len(self.table)) and not bool(self.table["clock"].isna().iloc[0])

    def group(self, label: str) -> pd.DataFrame:
        """Return the rows of one run of a file that was split."""
        if self.groups is None:
            return self.table
        return self.table[self.groups == label]
