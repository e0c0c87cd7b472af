"""The rows whose time is read, and which field of their dates is the day: settled once for a column, from all rows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from kit.readings.body import Body
from kit.readings.header import stated_values
from kit.readings.open_log import OpenLog
from kit.readings.stamps import (
    DAY,
    NAMED,
    THREE,
    YEAR_FIRST,
    Order,
    Stamps,
    date_fields,
    day_numbers,
    is_date,
)
from kit.readings.time_column import TimePlan
from kit.trial.cells import MONTHS, WEEKDAYS, WORDS, Ints, match_stamp

_WORDS: dict[str, str] = {"dmy": "day first", "mdy": "month first", "ymd": "year first"}
_EARLIEST = 1990


@dataclass(frozen=True)
class Timed:
    """The rows whose time is to be read.

    Attributes
    ----------
    log, plan, body
        The file, where its time stands, and its rows.
    run
        Number of the run each row belongs to (all 0 where the file holds one).
    clock
        Clock time of the first row as a preamble states it, or None.
    step_s
        Step between rows, declared or stated, or None.
    """

    log: OpenLog
    plan: TimePlan
    body: Body
    run: Ints
    clock: Ints | None
    step_s: float | None

    @property
    def day_first(self) -> object:
        """The order of dates as declared, None where it was not."""
        return self.log.keys.get("day_first")

    def at(self, row: int | None = None) -> str:
        """Return the time column, or a row of it, as messages name it."""
        where = self.log.at(column=self.plan.heading)
        return where if row is None else f"{where}, line {self.line(row)}"

    def line(self, row: int) -> int:
        """Return the line number of a row."""
        return int(self.body.lines[row])

    def text(self, row: int) -> str:
        """Return what a row holds in its time columns."""
        cells = self.log.fields([self.line(row)])[self.line(row)]
        return " ".join(cells[place] for place in self.plan.places if place < len(cells))

    def cells_beside(self) -> dict[str, str]:
        """Return the cells beside the stamp of the first row, by heading."""
        cells = self.log.fields([self.line(0)])[self.line(0)]
        names = enumerate(zip(self.log.header.names, cells, strict=False))
        return {name: cell for place, (name, cell) in names if place not in self.plan.places}

    def ask(self, row: int | None, found: str, expected: str, remedy: str) -> None:
        """Ask for what is missing about the time."""
        self.log.faults.ask(self.at(row), found, expected, remedy)


def settle_order(stamps: Stamps, timed: Timed) -> tuple[Order | None, str]:
    """Return the order of a column's dates and why, or None where it has to be asked for.

    A field above 12 proves it; so does a log that runs on through midnight under one order only, and a
    point between the fields, which is written with the day first. Two-digit years stand last, unless
    dashes part the fields or what stands beside them says so.
    """
    if not (stamps.form == THREE).any():
        named = (stamps.form == NAMED).any()
        return "ymd", "the month is written as a word" if named else "the year stands first"
    rows = np.flatnonzero(stamps.form == THREE)
    if ((stamps.form == YEAR_FIRST) | (stamps.form == NAMED)).any():
        _refuse_mixed(stamps, timed)
        return None, ""
    rows = rows[_distinct(stamps, rows)]
    orders: list[Order] = ["dmy", "mdy"]
    if stamps.short_year and (
        stamps.separator == "-" or not any(_possible(stamps, order, rows) for order in orders)
    ):
        orders.append("ymd")
    possible = [order for order in orders if _possible(stamps, order, rows)]
    if timed.day_first is not None:
        wanted: Order = "dmy" if timed.day_first else "mdy"
        if wanted in possible:
            return wanted, "declared"
        timed.log.faults.refuse(
            timed.at(),
            f"dates such as '{timed.text(int(rows[0]))}'",
            f"dates with the {_WORDS[wanted][:-6]} first, as declared",
            "Mend the key day_first.",
        )
        return None, ""
    if not possible:
        _refuse_impossible(stamps, rows, timed)
        return None, ""
    if stamps.short_year and "ymd" not in possible and _possible(stamps, "ymd", rows):
        supported = _supported_orders(stamps, [*possible, "ymd"], timed)
        if list(supported) == ["ymd"]:
            return "ymd", supported["ymd"]
    if len(possible) == 1:
        return possible[0], _proof(stamps, possible[0], rows, timed)
    if stamps.separator == "." and "dmy" in possible:
        return "dmy", "points part day, month and year: day first"
    if len({tuple(day_numbers(stamps, order)[0][rows].tolist()) for order in possible}) == 1:
        return possible[0], "day and month are the same number"
    running = [order for order in possible if _runs_on(stamps, order)]
    if len(running) == 1:
        return running[0], "the log runs on through midnight only so"
    supported = _supported_orders(stamps, possible, timed)
    if len(supported) == 1:
        return next(iter(supported.items()))
    _ask_order(stamps, possible, rows, timed)
    return None, ""


def _possible(stamps: Stamps, order: Order, rows: Ints) -> bool:
    year, month, day = date_fields(stamps, order, rows)
    plausible = (year >= _EARLIEST) & (year <= date.today().year + 1)
    return bool((is_date(year, month, day) & plausible).all())


def _distinct(stamps: Stamps, rows: Ints) -> Ints:
    keys = (
        stamps.a[rows].astype(np.int64) * 40_000_000
        + stamps.b[rows].astype(np.int64) * 40_000
        + stamps.c[rows]
    )
    _, first = np.unique(keys, return_index=True)
    return np.sort(first)


def _refuse_mixed(stamps: Stamps, timed: Timed) -> None:
    three = int(np.flatnonzero(stamps.form == THREE)[0])
    other = int(np.flatnonzero((stamps.form == YEAR_FIRST) | (stamps.form == NAMED))[0])
    timed.log.faults.refuse(
        timed.at(),
        f"dates written in two ways, '{timed.text(three)}' and '{timed.text(other)}'",
        "one way for a whole column",
        "Export the log again with one format, or split the file.",
    )


def _refuse_impossible(stamps: Stamps, rows: Ints, timed: Timed) -> None:
    by_day = next((int(row) for row in rows if stamps.a[row] > 12), int(rows[0]))
    by_month = next((int(row) for row in rows if stamps.b[row] > 12), int(rows[-1]))
    timed.log.faults.refuse(
        timed.at(),
        f"'{timed.text(by_day)}' and '{timed.text(by_month)}', which no single order of day and month explains",
        "one order for a whole column",
        "Export the log again with one date format, or split the file.",
    )


def _proof(stamps: Stamps, order: Order, rows: Ints, timed: Timed) -> str:
    field = {"dmy": stamps.a, "mdy": stamps.b, "ymd": stamps.c}[order]
    row = int(rows[int(np.argmax(field[rows]))])
    return f"{_WORDS[order]}: shown by '{timed.text(row)}'"


def _runs_on(stamps: Stamps, order: Order) -> bool:
    """Return whether the clock runs on from row to row at its usual pace over every change of date."""
    days, fine = day_numbers(stamps, order)
    time = (days * DAY + stamps.nanoseconds)[fine]
    steps = np.diff(time)
    changes = np.diff(days[fine]) != 0
    if not changes.any() or len(steps) < 3:
        return False
    usual = float(np.median(np.abs(steps[~changes]))) if (~changes).any() else float(np.median(np.abs(steps)))
    return bool((np.abs(steps[changes]) <= 3 * usual).all()) and usual > 0


def _supported_orders(stamps: Stamps, orders: Sequence[Order], timed: Timed) -> dict[Order, str]:
    """Return the orders under which something else in the file names the first row's date, and nothing denies it."""
    found: dict[Order, str] = {}
    for order in orders:
        votes = {name: vote for name, vote in _votes(stamps, order, timed) if vote is not None}
        if votes and all(votes.values()):
            found[order] = f"{_WORDS[order]}: {next(iter(votes))} agrees only so"
    return found


def _votes(stamps: Stamps, order: Order, timed: Timed) -> Iterator[tuple[str, bool | None]]:
    year, month, day = (int(part[0]) for part in date_fields(stamps, order, np.array([0])))
    try:
        at = date(year, month, day)
    except ValueError:
        yield "the calendar", False
        return
    for name, cell in timed.cells_beside().items():
        yield f"column {name}", _agrees(at, name, cell)
    stated = stated_values(timed.log.header.preamble, timed.log.layout.delimiter)
    for text in (value for _, _, values in stated for value in values):
        if (other := _plain_date(text)) is not None and abs((other - at).days) <= 1:
            yield "a date above the table", True


def _agrees(at: date, name: str, cell: str) -> bool | None:
    """Return whether another cell of a row agrees with its date, None where it says nothing of it."""
    word = cell.strip(" .,").casefold()
    if word in WEEKDAYS:
        return WEEKDAYS[word] == at.weekday()
    part = next(
        (
            place
            for place, words in enumerate(WORDS["dates"]["parts"][:3])
            if name.casefold() in words.split()
        ),
        None,
    )
    if part is not None and word.isdigit() and len(word) <= 4:
        return int(word) % (100 if part == 0 else 10_000) == (at.year % 100, at.month, at.day)[part]
    if word.isdigit() and 9.4e8 <= int(word) <= 2.6e9:
        return abs((date.fromtimestamp(int(word)) - at).days) <= 1
    other = _plain_date(cell)
    return None if other is None else abs((other - at).days) <= 1


def _plain_date(text: str) -> date | None:
    """Return the date of a stamp that can be read in one way alone, or None."""
    found = match_stamp(text.strip()) if len(text) < 80 else None
    if found is None or found[0] == "clock":
        return None
    part = found[1].groupdict()
    month = MONTHS[part["mon"].casefold()] if part.get("mon") else int(part.get("m") or 0)
    try:
        if part.get("y"):
            return date(
                int(part["y"]) % 2000 + 2000 if len(part["y"]) == 2 else int(part["y"]), month, int(part["d"])
            )
        a, b, year = int(part["a"]), int(part["b"]), int(part["c"])
        day, month = (a, b) if a > 12 else (b, a) if b > 12 else (0, 0)
        return date(year + 2000 if year < 100 else year, month, day)
    except ValueError:
        return None


def _ask_order(stamps: Stamps, possible: list[Order], rows: Ints, timed: Timed) -> None:
    shown = rows if len(rows) <= 2 else rows[[0, -1]]
    texts = ", ".join(f"'{timed.text(int(row))}'" for row in shown)
    readings = " or ".join(
        f"{_WORDS[order]}: {' … '.join(_iso(stamps, order, int(row)) for row in shown)}" for order in possible
    )
    timed.log.faults.ask(
        timed.at(),
        f"{texts}, which can be read in two ways: {readings}",
        "day first or month first",
        "Add day_first = true or day_first = false to the [[logger]] table"
        + (' (or time_format = "%y-%m-%d …" where the year stands first).' if "ymd" in possible else "."),
    )


def _iso(stamps: Stamps, order: Order, row: int) -> str:
    year, month, day = date_fields(stamps, order, np.array([row]))
    return f"{int(year[0]):04d}-{int(month[0]):02d}-{int(day[0]):02d}"
