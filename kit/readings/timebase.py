"""What reading a time column needs and yields."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from collections.abc import Sequence as Sequence_
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from kit.errors import Faults
from kit.readings.dates import Beside
from kit.readings.sequence import Sequence, in_order
from kit.readings.stamps import SECOND
from kit.readings.timing import TimePlan

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Timeline:
    """The time of every usable row.

    Attributes
    ----------
    rows
        Rows of the body in the order of time; those without a usable stamp are left out.
    elapsed_s
        Seconds: as given by an elapsed column, from the first row for stamps.
    clock_ns
        Clock time as the logger showed it, nanoseconds since 1970, or None.
    dated
        Whether the clock carries a date.
    offset_min
        Minutes east of UTC the clock runs at, where the file says so.
    moved, repeated, run
        As in `Sequence`.
    reasons, notes
        What was decided, and what a person should know.
    """

    rows: Ints
    elapsed_s: Floats
    clock_ns: Ints | None
    dated: bool
    offset_min: int | None
    moved: Bools
    repeated: Bools
    run: Ints
    reasons: Mapping[str, str]
    notes: tuple[str, ...]


class Setting:
    """What a time column is read with: declared keys, names for messages, and where problems go."""

    def __init__(
        self,
        plan: TimePlan,
        declared: Mapping[str, object],
        where: str,
        lines: Ints,
        cells_of: Callable[[int], list[str]],
        faults: Faults,
        names: Sequence_[str] = (),
        above: Sequence_[str] = (),
    ) -> None:
        self.plan, self.declared, self.where, self.faults = plan, declared, where, faults
        self.names, self.above = names, above
        self._lines, self._cells_of = lines, cells_of
        self.reasons: dict[str, str] = {}
        self.notes: list[str] = []

    def line_of(self, row: int) -> int:
        """Return the line number of a row of the body."""
        return int(self._lines[row])

    def beside(self) -> Beside:
        """Return the cells beside the stamp of a body's first row, and the words above the table."""
        cells = self._cells_of(self.line_of(0))[: len(self.names)]
        others = {
            self.names[place]: cell for place, cell in enumerate(cells) if place not in self.plan.places
        }
        return Beside([(0, others)], self.above)

    def text_of(self, row: int) -> str:
        """Return the text that a row holds in its time columns."""
        cells = self._cells_of(self.line_of(row))
        return " ".join(cells[place] for place in self.plan.places if place < len(cells))


def since_start(time: Ints, run: Ints) -> Floats:
    """Return seconds since the first row of each run that the file was split into."""
    seconds = np.empty(len(time))
    if not run.any():
        np.subtract(time, time[:1], out=seconds, casting="unsafe")
        seconds /= SECOND
        return seconds
    for each in np.unique(run):
        rows = run == each
        seconds[rows] = (time[rows] - time[rows][0]) / SECOND
    return seconds


def sequence_of(time: Ints, run: Ints, is_clock: bool, rows: Ints, setting: Setting) -> Sequence:
    """Return rows in the order of time, with the setting's words for questions."""
    return in_order(
        time,
        run,
        setting.declared.get("clock_change"),
        is_clock,
        setting.where,
        lambda row: setting.text_of(int(rows[row])),
        lambda row: setting.line_of(int(rows[row])),
        setting.faults,
        setting.notes,
    )
