"""The rows whose time is read, and which field of their dates is the day: settled once for a column, from all rows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from kit.readings.body import Body, picked
from kit.readings.columns import TimePlan
from kit.readings.headings import stated_values
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
    days_of,
)
from kit.trial.cells import WEEKDAYS, WORDS, Ints, date_of, stamp_fields
from kit.trial.messages import fault

_WORDS: dict[Order, str] = {"dmy": "day first", "mdy": "month first", "ymd": "year first"}
_EARLIEST = 1990


@dataclass(frozen=True)
class Timed:
    """The rows whose time is to be read.

    Attributes
    ----------
    log, plan, body
        The file, where its time stands, and its rows.
    lines
        Line number of each row.
    run
        Number of the run each belongs to (all 0 where the file holds one).
    clock
        Clock time of the first row as a preamble states it, or None.
    step_s
        Step between rows, declared or stated, or None.
    """

    log: OpenLog
    plan: TimePlan
    body: Body
    lines: Ints
    run: Ints
    clock: Ints | None
    step_s: float | None

    def of(self, rows: Ints | None) -> Timed:
        """Return the same of some rows alone, in the order given; None for all."""
        if rows is None:
            return self
        return replace(self, lines=picked(self.lines, rows), run=picked(self.run, rows))

    def line(self, row: int | np.int64) -> int:
        """Return the line number of a row."""
        return int(self.lines[row])

    def cells(self, row: int | np.int64) -> list[str]:
        """Return the cells of a row."""
        return self.log.fields([self.line(row)])[self.line(row)]

    def text(self, row: int | np.int64) -> str:
        """Return what a row holds in its time columns."""
        cells = self.cells(row)
        return " ".join(cells[place] for place in self.plan.places if place < len(cells))

    def at(self, row: int | np.int64 | None) -> str:
        """Return the time column, or a row of it, as messages name it."""
        where = self.log.at(column=self.plan.heading)
        return where if row is None else f"{where}, line {self.line(row)}"

    def ask(self, row: int | np.int64 | None, what: str, /, **parts: object) -> None:
        """Ask for what is missing about the time, in the words of messages.toml."""
        self.log.faults.ask(self.at(row), *fault(what, **parts))

    def refuse(self, row: int | np.int64 | None, what: str, /, **parts: object) -> None:
        """Note a fault of the time, in the words of messages.toml."""
        self.log.faults.refuse(self.at(row), *fault(what, **parts))


def settle_order(stamps: Stamps, timed: Timed) -> tuple[Order, str] | None:
    """Return the order of a column's dates and why, or None where it has to be asked for.

    A field above 12 proves it; so does a log that runs on through midnight under one order only, and a
    point between the fields, which is written with the day first. Two-digit years stand last, unless
    dashes part the fields or what stands beside them says so.
    """
    rows = np.flatnonzero(stamps.form == THREE)
    others = np.flatnonzero((stamps.form == YEAR_FIRST) | (stamps.form == NAMED))
    if not len(rows):
        named = (stamps.form == NAMED).any()
        return "ymd", "the month is written as a word" if named else "the year stands first"
    if len(others):
        timed.refuse(None, "dates in two ways", one=timed.text(rows[0]), other=timed.text(others[0]))
        return None
    date_key = [field[rows].astype(np.int64) for field in (stamps.a, stamps.b, stamps.c)]
    _, first = np.unique(date_key[0] * 40_000_000 + date_key[1] * 40_000 + date_key[2], return_index=True)
    rows = rows[np.sort(first)]
    could_be = {order: _possible(stamps, order, rows) for order in _WORDS}
    orders: list[Order] = [order for order in _WORDS if order != "ymd" and could_be[order]]
    year_first = "yy" in stamps.written and could_be["ymd"]
    if year_first and (stamps.separators == {"-"} or not orders):
        orders.append("ymd")
    if timed.log.keys.day_first is not None:
        return _declared(stamps, orders, rows, timed)
    if not orders:
        by_day = next((row for row in rows if stamps.a[row] > 12), rows[0])
        by_month = next((row for row in rows if stamps.b[row] > 12), rows[-1])
        timed.refuse(None, "no single order", one=timed.text(by_day), other=timed.text(by_month))
        return None
    if year_first and "ymd" not in orders:
        supported = _supported_orders(stamps, [*orders, "ymd"], timed)
        if list(supported) == ["ymd"]:
            return "ymd", supported["ymd"]
    if len(orders) == 1:
        field = {"dmy": stamps.a, "mdy": stamps.b, "ymd": stamps.c}[orders[0]]
        proof = timed.text(rows[np.argmax(field[rows])])
        return orders[0], f"{_WORDS[orders[0]]}: shown by '{proof}'"
    if stamps.separators == {"."} and "dmy" in orders:
        return "dmy", "points part day, month and year: day first"
    if len({tuple(day_numbers(stamps, order)[0][rows].tolist()) for order in orders}) == 1:
        return orders[0], "day and month are the same number"
    running = [order for order in orders if _runs_on(stamps, order)]
    if len(running) == 1:
        return running[0], "the log runs on through midnight only so"
    supported = _supported_orders(stamps, orders, timed)
    if len(supported) == 1:
        return next(iter(supported.items()))
    _ask_order(stamps, orders, rows if len(rows) <= 2 else rows[[0, -1]], timed)
    return None


def _possible(stamps: Stamps, order: Order, rows: Ints) -> bool:
    year, month, day = date_fields(stamps, order, rows)
    plausible = (year >= _EARLIEST) & (year <= date.today().year + 1)
    return bool((days_of(year, month, day)[1] & plausible).all())


def _declared(stamps: Stamps, orders: Sequence[Order], rows: Ints, timed: Timed) -> tuple[Order, str] | None:
    wanted: Order = "dmy" if timed.log.keys.day_first else "mdy"
    if wanted in orders:
        return wanted, "declared"
    timed.refuse(None, "declared order", date=timed.text(rows[0]), order=_WORDS[wanted])
    return None


def _ask_order(stamps: Stamps, orders: Sequence[Order], rows: Ints, timed: Timed) -> None:
    texts = ", ".join(f"'{timed.text(row)}'" for row in rows)
    readings = []
    for order in orders:
        fields = zip(*(part.tolist() for part in date_fields(stamps, order, rows)), strict=True)
        dates = " … ".join(f"{year:04d}-{month:02d}-{day:02d}" for year, month, day in fields)
        readings.append(f"{_WORDS[order]}: {dates}")
    what = "three orders" if "ymd" in orders else "two orders"
    timed.ask(None, what, dates=texts, readings=" or ".join(readings))


def _runs_on(stamps: Stamps, order: Order) -> bool:
    """Return whether the clock runs on from row to row at its usual pace over every change of date."""
    days, fine = day_numbers(stamps, order)
    steps = np.abs(np.diff((days * DAY + stamps.nanoseconds)[fine]))
    changes = np.diff(days[fine]) != 0
    if not changes.any() or len(steps) < 3:
        return False
    usual = float(np.median(steps if changes.all() else steps[~changes]))
    return bool((steps[changes] <= 3 * usual).all()) and usual > 0


def _supported_orders(stamps: Stamps, orders: Sequence[Order], timed: Timed) -> dict[Order, str]:
    """Return the orders under which something else in the file names the first row's date, and nothing denies it."""
    supported: dict[Order, str] = {}
    for order in orders:
        votes = {name: vote for name, vote in _votes(stamps, order, timed) if vote is not None}
        if votes and all(votes.values()):
            supported[order] = f"{_WORDS[order]}: {next(iter(votes))} agrees only so"
    return supported


def _votes(stamps: Stamps, order: Order, timed: Timed) -> Iterator[tuple[str, bool | None]]:
    try:
        at = date(*(int(part[0]) for part in date_fields(stamps, order, np.array([0]))))
    except ValueError:
        yield "the calendar", False
        return
    header = timed.log.header
    for place, (name, cell) in enumerate(zip(header.names, timed.cells(0), strict=False)):
        if place not in timed.plan.places:
            yield f"column {name}", _agrees(at, name, cell)
    for _, values in stated_values(header.preamble, timed.log.layout.delimiter):
        if any(_is_near(at, date_of(stamp_fields(value.strip()))) for value in values):
            yield "a date above the table", True


def _is_near(at: date, other: date | None) -> bool:
    return other is not None and abs((other - at).days) <= 1


def _agrees(at: date, name: str, cell: str) -> bool | None:
    """Return whether another cell of a row agrees with its date, None where it says nothing of it."""
    word = cell.strip(" .,").casefold()
    if word in WEEKDAYS:
        return WEEKDAYS[word] == at.weekday()
    if word.isdigit():
        parts = zip(WORDS["dates"]["parts"], (at.year % 100, at.month, at.day), strict=False)
        part = next(
            ((place, own) for place, (words, own) in enumerate(parts) if name.casefold() in words.split()),
            None,
        )
        if part and len(word) <= 4:
            return int(word) % (100 if part[0] == 0 else 10_000) == part[1]
        if 9.4e8 <= int(word) <= 2.6e9:
            return _is_near(at, date.fromtimestamp(int(word)))
    other = date_of(stamp_fields(cell.strip()))
    return None if other is None else _is_near(at, other)
