"""Which field of a date is the day: settled once for a whole column, from all its rows."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np
import numpy.typing as npt

from kit.errors import Faults
from kit.readings.cells import MONTHS, WEEKDAYS, WORDS, match_stamp
from kit.readings.stamps import NAMED, SECOND, THREE, YEAR_FIRST, Stamps, days_of, is_date

Ints = npt.NDArray[np.int64]
Order = Literal["ymd", "dmy", "mdy"]
DAY = 86_400 * SECOND
_WORDS: dict[str, str] = {"dmy": "day first", "mdy": "month first", "ymd": "year first"}
_EARLIEST = 1990
_AT_ONCE = 1 << 18


def _fields(stamps: Stamps, order: Order, rows: Ints | slice) -> tuple[Ints, Ints, Ints]:
    a, b, c = (field[rows].astype(np.int64) for field in (stamps.a, stamps.b, stamps.c))
    year, month, day = {"ymd": (a, b, c), "dmy": (c, b, a), "mdy": (c, a, b)}[order]
    return np.where(year < 100, year + 2000, year), month, day


def _possible(stamps: Stamps, order: Order, rows: Ints) -> bool:
    year, month, day = _fields(stamps, order, rows)
    plausible = (year >= _EARLIEST) & (year <= date.today().year + 1)
    return bool((is_date(year, month, day) & plausible).all())


def day_numbers(stamps: Stamps, order: Order) -> tuple[Ints, npt.NDArray[np.bool_]]:
    """Return days since 1970-01-01 of every row, and which rows hold a date of the calendar."""
    days, fine = np.zeros(len(stamps), np.int64), np.zeros(len(stamps), bool)
    for first in range(0, len(stamps), _AT_ONCE):
        rows = slice(first, first + _AT_ONCE)
        year, month, day = _fields(stamps, order, rows)
        fine[rows] = is_date(year, month, day) & (stamps.form[rows] > 0)
        good = fine[rows]
        days[rows] = days_of(year, np.where(good, month, 1), np.where(good, day, 1))
    return days, fine


def settle_order(
    stamps: Stamps,
    day_first: object,
    beside: Callable[[], Beside],
    where: str,
    text_of: Callable[[int], str],
    faults: Faults,
) -> tuple[Order | None, str]:
    """Return the order of a column's dates and why, or None where it has to be asked for.

    A field above 12 proves it; so does a log that runs on through midnight under one order only, and a
    point between the fields, which is written with the day first. Two-digit years stand last, unless
    dashes part the fields.
    """
    if not (stamps.form == THREE).any():
        named = (stamps.form == NAMED).any()
        return "ymd", "the month is written as a word" if named else "the year stands first"
    rows = np.flatnonzero(stamps.form == THREE)
    if ((stamps.form == YEAR_FIRST) | (stamps.form == NAMED)).any():
        return _mixed(stamps, where, text_of, faults)
    rows = rows[_distinct(stamps, rows)]
    orders: list[Order] = ["dmy", "mdy"]
    if stamps.short_year and (
        stamps.separator == "-" or not any(_possible(stamps, order, rows) for order in orders)
    ):
        orders.append("ymd")
    possible = [order for order in orders if _possible(stamps, order, rows)]
    if day_first is not None:
        wanted: Order = "dmy" if day_first else "mdy"
        if wanted in possible:
            return wanted, "declared"
        faults.refuse(
            where,
            f"dates such as '{text_of(int(rows[0]))}'",
            f"dates with the {_WORDS[wanted][:-6]} first, as declared",
            "Mend the key day_first.",
        )
        return None, ""
    if not possible:
        _impossible(stamps, rows, where, text_of, faults)
        return None, ""
    if stamps.short_year and "ymd" not in possible and _possible(stamps, "ymd", rows):
        supported = supported_orders(stamps, [*possible, "ymd"], beside())
        if list(supported) == ["ymd"]:
            return "ymd", supported["ymd"]
    if len(possible) == 1:
        return possible[0], _proof(stamps, possible[0], rows, text_of)
    if stamps.separator == "." and "dmy" in possible:
        return "dmy", "points part day, month and year: day first"
    running = [order for order in possible if _runs_on(stamps, order)]
    if len(running) == 1:
        return running[0], "the log runs on through midnight only so"
    supported = supported_orders(stamps, possible, beside())
    if len(supported) == 1:
        return next(iter(supported.items()))
    _ask(stamps, possible, rows, where, text_of, faults)
    return None, ""


def _distinct(stamps: Stamps, rows: Ints) -> Ints:
    keys = (
        stamps.a[rows].astype(np.int64) * 40_000_000
        + stamps.b[rows].astype(np.int64) * 40_000
        + stamps.c[rows]
    )
    _, first = np.unique(keys, return_index=True)
    return np.sort(first)


def _mixed(stamps: Stamps, where: str, text_of: Callable[[int], str], faults: Faults) -> tuple[None, str]:
    three = int(np.flatnonzero(stamps.form == THREE)[0])
    other = int(np.flatnonzero((stamps.form == YEAR_FIRST) | (stamps.form == NAMED))[0])
    faults.refuse(
        where,
        f"dates written in two ways, '{text_of(three)}' and '{text_of(other)}'",
        "one way for a whole column",
        "Export the log again with one format, or split the file.",
    )
    return None, ""


def _impossible(
    stamps: Stamps, rows: Ints, where: str, text_of: Callable[[int], str], faults: Faults
) -> None:
    by_day = next((int(row) for row in rows if stamps.a[row] > 12), int(rows[0]))
    by_month = next((int(row) for row in rows if stamps.b[row] > 12), int(rows[-1]))
    faults.refuse(
        where,
        f"'{text_of(by_day)}' and '{text_of(by_month)}', which no single order of day and month explains",
        "one order for a whole column",
        "Export the log again with one date format, or split the file.",
    )


def _proof(stamps: Stamps, order: Order, rows: Ints, text_of: Callable[[int], str]) -> str:
    field = {"dmy": stamps.a, "mdy": stamps.b, "ymd": stamps.c}[order]
    row = int(rows[int(np.argmax(field[rows]))])
    return f"{_WORDS[order]}: shown by '{text_of(row)}'"


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


@dataclass(frozen=True)
class Beside:
    """What stands beside a column of stamps: for some of its rows the other cells by heading, and words above."""

    rows: Sequence[tuple[int, Mapping[str, str]]]
    above: Sequence[str]


def supported_orders(stamps: Stamps, orders: Sequence[Order], beside: Beside) -> dict[Order, str]:
    """Return the orders under which something else in the file names the very dates, and nothing denies them."""
    found: dict[Order, str] = {}
    for order in orders:
        votes = {name: vote for name, vote in _votes(stamps, order, beside) if vote is not None}
        if votes and all(votes.values()):
            found[order] = f"{_WORDS[order]}: {next(iter(votes))} agrees only so"
    return found


def _votes(stamps: Stamps, order: Order, beside: Beside) -> Iterator[tuple[str, bool | None]]:
    for row, cells in beside.rows:
        year, month, day = (int(part[0]) for part in _fields(stamps, order, np.array([row])))
        try:
            at = date(year, month, day)
        except ValueError:
            yield "the calendar", False
            continue
        for name, cell in cells.items():
            yield f"column {name}", _agrees(at, name, cell)
        for text in beside.above:
            if (other := plain_date(text)) is not None and abs((other - at).days) <= 1:
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
    other = plain_date(cell)
    return None if other is None else abs((other - at).days) <= 1


def plain_date(text: str) -> date | None:
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


def _ask(
    stamps: Stamps,
    possible: list[Order],
    rows: Ints,
    where: str,
    text_of: Callable[[int], str],
    faults: Faults,
) -> None:
    shown = rows if len(rows) <= 2 else rows[[0, -1]]
    texts = ", ".join(f"'{text_of(int(row))}'" for row in shown)
    readings = " or ".join(
        f"{_WORDS[order]}: {' … '.join(_iso(stamps, order, int(row)) for row in shown)}" for order in possible
    )
    faults.ask(
        where,
        f"{texts}, which can be read in two ways: {readings}",
        "day first or month first",
        "Add day_first = true or day_first = false to the [[logger]] table"
        + (' (or time_format = "%y-%m-%d …" where the year stands first).' if "ymd" in possible else "."),
    )


def _iso(stamps: Stamps, order: Order, row: int) -> str:
    year, month, day = _fields(stamps, order, np.array([row]))
    return f"{int(year[0]):04d}-{int(month[0]):02d}-{int(day[0]):02d}"
