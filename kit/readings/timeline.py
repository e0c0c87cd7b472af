"""From the time column, of whatever kind, to elapsed seconds and clock times in order.

Which field of its dates is the day is settled once for a column, from all rows.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.readings.body import Body, picked
from kit.readings.columns import TimePlan
from kit.readings.headings import TIME_UNITS, names
from kit.readings.open_log import OpenLog
from kit.readings.stamps import (
    DAY,
    NAMED,
    NO_DATE,
    NO_OFFSET,
    SECOND,
    THREE,
    YEAR_FIRST,
    Order,
    Stamps,
    date_fields,
    day_numbers,
    days_of,
    nanoseconds_of,
    to_utc,
)
from kit.trial.cells import WEEKDAYS, WORDS, Bools, Floats, Ints, date_of, stamp_fields
from kit.trial.decode import fault

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
    _, first = np.unique(stamps.date_code()[rows], return_index=True)
    rows = rows[np.sort(first)]
    could_be = dict[Order, bool]()
    for order in _WORDS:
        year, month, day = date_fields(stamps, order, rows)
        plausible = (year >= _EARLIEST) & (year <= date.today().year + 1)
        could_be[order] = bool((days_of(year, month, day)[1] & plausible).all())
    orders: list[Order] = [order for order in _WORDS if order != "ymd" and could_be[order]]
    year_first = "yy" in stamps.written and could_be["ymd"]
    if year_first and (stamps.separators == {"-"} or not orders):
        orders.append("ymd")
    if timed.log.keys.day_first is not None:
        wanted: Order = "dmy" if timed.log.keys.day_first else "mdy"
        if wanted in orders:
            return wanted, "declared"
        timed.refuse(None, "declared order", date=timed.text(rows[0]), order=_WORDS[wanted])
        return None
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


def _ask_order(stamps: Stamps, orders: Sequence[Order], rows: Ints, timed: Timed) -> None:
    texts = ", ".join(f"'{timed.text(row)}'" for row in rows)
    readings = []
    for order in orders:
        fields = zip(*(part.tolist() for part in date_fields(stamps, order, rows)), strict=True)
        readings.append(f"{_WORDS[order]}: {' … '.join(str(date(*each)) for each in fields)}")
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
    for _, values in header.stated:
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
        own = ((at.year % 100, 100), (at.month, 10_000), (at.day, 10_000))
        for words, (part, modulus) in zip(WORDS["dates"]["parts"], own, strict=False):
            if name.casefold() in words.split() and len(word) <= 4:
                return int(word) % modulus == part
        if 9.4e8 <= int(word) <= 2.6e9:
            return _is_near(at, date.fromtimestamp(int(word)))
    other = date_of(stamp_fields(cell.strip()))
    return None if other is None else _is_near(at, other)


HOUR = 3600 * SECOND
_MINUTE = 60 * SECOND
_COUNTED = {
    "unix s": (0, 1e6, 1_000, "s since 1970 (by their size), UTC"),
    "unix ms": (0, 1e3, 1_000, "ms since 1970 (by their size), UTC"),
    "unix us": (0, 1.0, 1_000, "us since 1970 (by their size), UTC"),
    "unix ns": (0, 1e-3, 1_000, "ns since 1970 (by their size), UTC"),
    "1904 s": (2_082_844_800, 1e6, 1_000, "seconds since 1904 (by their size)"),
    "day number": (25_569, 864e5, 1_000_000, "spreadsheet day numbers of the 1900 system (by their size)"),
}
"""Of stamps that are numbers: which of them is 1970, ticks in one, nanoseconds in a tick, and what they count."""
_SECONDS = TIME_UNITS | {unit: ticks * tick / SECOND for unit, (_, ticks, tick, _) in _COUNTED.items()}
_LONGEST_S = 9e9
"""Times beyond are no times: nanoseconds would not fit."""
_MOST_MOVED, _LOST, _ENOUGH = 0.02, 0.5, 200_000
_EVEN_STEPS = (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 10.0, 12.0, 15.0, 20.0, 30.0)


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
    order
        Which of them stood elsewhere in the file or share their stamp, and the run each belongs to.
    """

    rows: Ints
    elapsed_s: Floats
    clock_ns: Ints | None
    dated: bool
    offset_min: int | None
    order: Ordered


def time_of(timed: Timed) -> Timeline | None:
    """Return the timeline of a body, or None where a question stands in the way."""
    if timed.plan.kind == "stamp" and timed.body.stamps is not None:
        return _from_stamps(timed, timed.body.stamps)
    return _from_numbers(timed) if timed.plan.kind == "number" else _implied(timed)


def _nanoseconds(seconds: Floats) -> Ints:
    return np.asarray(np.rint(seconds * SECOND), np.int64)


def _from_numbers(timed: Timed) -> Timeline | None:
    values, unit = timed.body.numbers[timed.plan.places[0]].values, timed.plan.unit
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero(np.abs(values) < _LONGEST_S / _SECONDS.get(unit, 1.0))
    values, timed = values[rows], timed.of(rows)
    if not unit:
        if len(values):
            first, last = float(values[0]), float(values[-1])
            timed.ask(None, "time without unit", first=first, last=last, span=last - first)
        else:
            timed.ask(None, "no unit of time")
        return None
    if unit not in _COUNTED:
        seconds, timed.log.reasons["time"] = values * _SECONDS[unit], f"elapsed, in {unit}"
        order = in_order(timed, _nanoseconds(seconds), False)
        _note_repeated(timed, order)
        return Timeline(order.placed(rows), order.placed(seconds), None, False, None, order)
    origin, ticks, tick, timed.log.reasons["time"] = _COUNTED[unit]
    time = np.asarray(np.rint((values - origin) * ticks), np.int64) * tick
    if unit == "1904 s":
        timed.log.faults.note("seconds since 1904: the clock is shown as UTC; it may have been local time")
    order = in_order(timed, time, unit == "day number")
    _note_repeated(timed, order)
    elapsed, offset = since_start(order.time, order.placed(timed.run)), 0 if unit.startswith("unix") else None
    return Timeline(order.placed(rows), elapsed, order.placed(time), True, offset, order)


def _implied(timed: Timed) -> Timeline | None:
    total, step = len(timed.body), timed.step_s
    if step is None:
        timed.ask(None, "no column of time", rows=f"{total} row{'s' * (total > 1)}")
        return None
    elapsed = pd.Series(timed.run).groupby(timed.run).cumcount().to_numpy() * step
    timed.log.reasons["time"] = f"implied: a row every {step:g} s"
    clock = None if timed.clock is None else timed.clock[:1] + _nanoseconds(elapsed)
    order = in_order(timed, _nanoseconds(elapsed), False)
    return Timeline(np.arange(total), elapsed, clock, clock is not None, None, order)


def _from_stamps(timed: Timed, stamps: Stamps) -> Timeline | None:
    """Return the timeline of stamps: in UTC where it can be, in order, lost seconds restored as declared."""
    log = timed.log
    settled = settle_order(stamps, timed)
    if settled is None:
        return None
    dated = (stamps.form == NO_DATE).sum() * 2 <= (stamps.form > 0).sum()
    if dated:
        log.reasons["date order"] = f"{settled[0]}: {settled[1]}"
        time, fine = day_numbers(stamps, settled[0])
        time *= DAY
        time += stamps.nanoseconds
        rows = np.flatnonzero(fine & (stamps.form != NO_DATE))
        time, is_clock = time if len(rows) == len(time) else time[rows], True
    else:
        rows = np.flatnonzero(stamps.form == NO_DATE)
        alone = _clock_alone(timed.of(rows), stamps.taken(rows))
        if alone is None:
            return None
        time, is_clock = alone
    if timed.plan.millis is not None:
        time = time + nanoseconds_of(timed.body.numbers[timed.plan.millis].values[rows])
    timed = timed.of(rows)
    clock, zone, offset = time, log.keys.timezone, None
    east = stamps.offset[rows]
    written = east != NO_OFFSET
    if written.any():
        known, counts = np.unique(east[written], return_counts=True)
        offset = int(known[counts.argmax()])
        time = time - np.where(written, east, offset).astype(np.int64) * _MINUTE
        log.reasons["offset"] = "written in the stamps"
    elif zone and is_clock and dated:
        time = to_utc(time, zone)
        log.reasons["timezone"] = f"{zone}, declared"
    order = in_order(timed, time, is_clock and not zone and offset is None)
    clock = order.placed(clock)
    elapsed = since_start(order.time, order.placed(timed.run)) if is_clock else order.time / SECOND
    if len(rows) and order.repeated.mean() >= _LOST and timed.plan.millis is None:
        restored = _restored(timed.of(order.order), rows, order, elapsed)
        if restored is None:
            return None
        elapsed, order = restored, replace(order, repeated=np.zeros(len(rows), bool))
        runs, starts = np.unique(order.run, return_index=True)
        first = starts[np.searchsorted(runs, order.run)]
        clock = clock[first] + _nanoseconds(elapsed - elapsed[first])
    else:
        _note_repeated(timed, order)
    if "s" not in stamps.written and timed.plan.format is None:
        log.faults.note("the stamps carry no seconds: times are good to a minute")
    shown = clock if is_clock else None
    return Timeline(order.placed(rows), elapsed, shown, bool(dated and is_clock), offset, order)


def _clock_alone(timed: Timed, stamps: Stamps) -> tuple[Ints, bool] | None:
    """Return times without a date, and whether they are times of day (carried over midnight) and no durations."""
    time, run, heading = stamps.nanoseconds, timed.run, timed.plan.heading
    if not len(time):
        return time, False
    if not ({"s", "half"} & stamps.written or timed.plan.format or names("clock", heading)):
        hours = (int(time.max()) - int(time[0])) / HOUR
        timed.ask(None, "hours or minutes", clock=timed.text(0), hours=hours)
        return None
    elapsed = names("elapsed", heading)
    if "half" not in stamps.written and (elapsed or (time >= DAY).any() or (time < 0).any() or time[0] == 0):
        why = "its heading" if elapsed else "they begin at zero or run past 24 hours"
        timed.log.reasons["time"] = f"durations: {why}"
        return time, False
    timed.log.reasons["time"] = "times of day without a date"
    steps, within = np.diff(time), np.diff(run) == 0
    over = (
        (steps < 0)
        & (np.abs(steps + DAY) <= max(20 * usual_step(sampled(steps)[sampled(within)]), HOUR))
        & within
    )
    if count := int(over.sum()):
        nights = f"{count} midnight{'s' * (count > 1)} passed"
        timed.log.faults.note(f"{nights}: a day added from line {timed.line(over.argmax() + 1)}")
    return time + np.concatenate([[0], np.cumsum(over)]) * DAY, True


def _restored(timed: Timed, rows: Ints, order: Ordered, elapsed: Floats) -> Floats | None:
    """Return seconds finer than the stamps: from the step declared, else from a column of elapsed times beside them."""
    if timed.step_s is not None:
        timed.log.reasons["step_s"] = f"{timed.step_s:g} s, declared: the stamps are too coarse"
        return _spread(timed, order.run, elapsed, timed.step_s)
    if timed.plan.beside is not None:
        column, unit = timed.plan.beside
        values = order.placed(timed.body.numbers[column].values[rows]) * TIME_UNITS[unit]
        if np.isfinite(values).all() and (np.diff(values) >= 0).all():
            timed.log.reasons["seconds"] = "from the column of elapsed times: the stamps are too coarse"
            return since_start(_nanoseconds(values), order.run)
    stamps, counts = np.unique(order.time, return_counts=True)
    steps = np.diff(stamps) / SECOND
    every = float(np.median(steps)) if len(steps) else 60.0
    # the likely step: the first and the last stamp may be cut, so they do not count, and an even step is taken that
    # fits within the rows that are lost there
    per, slack = float(counts.max()), 0.05
    if len(counts) > 2:
        whole, slack = counts[1:-1], 0.02
        usual = whole[:-1][steps[1:-1] <= 1.5 * every] if len(whole) > 2 else whole
        per = float(np.mean(usual)) if len(usual) else per
    guess = every / per
    even = [step for step in _EVEN_STEPS if abs(step / guess - 1) <= slack]
    likely = min(even, key=lambda step: abs(step / guess - 1), default=guess)
    timed.ask(None, "coarse stamps", rows=round(per), stamp=timed.text(0), every=every, step=likely)
    return None


def _spread(timed: Timed, run: Ints, elapsed: Floats, step_s: float) -> Floats | None:
    """Return elapsed seconds of rows a declared step apart; a gap in the stamps stays a gap."""
    coarse = np.diff(elapsed)
    unit = usual_step(coarse) or step_s
    breaks = (np.diff(run) != 0) | (coarse > 2.5 * max(unit, step_s))
    starts = np.concatenate([[0], np.flatnonzero(breaks) + 1])
    first = np.repeat(starts, np.diff([*starts, len(elapsed)]))
    spread = elapsed[first] + (np.arange(len(elapsed)) - first) * step_s
    off = spread - elapsed
    worst = int(np.argmax(np.abs(off)))
    if abs(off[worst]) > 2 * unit + step_s:
        where = f"{timed.at(worst)}, [[logger]] key step_s"
        words = fault("step off", step=step_s, off=off[worst], stamp=timed.text(worst))
        timed.log.faults.refuse(where, *words)
        return None
    return np.asarray(spread, np.float64)


def _note_repeated(timed: Timed, order: Ordered) -> None:
    if order.repeated.any():
        first = timed.of(order.order).line(order.repeated.argmax())
        timed.log.faults.note(
            f"{int(order.repeated.sum())} rows share their stamp with a neighbour (first at line {first}): flagged, "
            "none dropped"
        )


@dataclass(frozen=True)
class Ordered:
    """Rows in time.

    Attributes
    ----------
    time
        Nanoseconds, rising within each run.
    order
        Rows of the file in that order, None where they stand so already.
    moved, repeated
        Which rows stood elsewhere in the file; which share their stamp with a neighbour.
    run
        Number of the run each belongs to.
    """

    time: Ints
    order: Ints | None
    moved: Bools
    repeated: Bools
    run: Ints

    def placed(self, values: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Return one value a row in the order of time."""
        return values if self.order is None else values[self.order]


def in_order(timed: Timed, time: Ints, is_clock: bool) -> Ordered:
    """Return rows in the order of time; what a step back means is asked unless it is plainly a row out of place."""
    run, change = timed.run, timed.log.keys.clock_change
    order: Ints | None = None
    moved = np.zeros(len(time), bool)
    if change == "dst" and is_clock:
        time = _through_change(timed, time)
    back = np.flatnonzero((np.diff(time) < 0) & (np.diff(run) == 0)) + 1
    if len(back) and change == "restart":
        run = run + np.cumsum(np.isin(np.arange(len(time)), back))
        lines = ", ".join(str(timed.line(row)) for row in back[:5])
        timed.log.faults.note(f"the clock starts anew at line {lines}: read as another run, as declared")
    elif len(back):
        put = np.lexsort((time, run))
        moved = (time < pd.Series(time).groupby(run).cummax().to_numpy())[put]
        if _plainly_misplaced(time, put, moved):
            order, time, run, count = put, time[put], run[put], int(moved.sum())
            out = f"{count} row{'s' * (count > 1)} stood out of order (first at line {timed.line(back[0])})"
            timed.log.faults.note(f"{out}: put in order and flagged")
        else:
            _ask_back(timed, time, back, is_clock)
    if is_clock and change is None and order is None:
        _ask_forward(timed, time)
    same = np.concatenate([[False], (np.diff(time) == 0) & (np.diff(run) == 0), [False]])
    return Ordered(time, order, moved, (same[1:] | same[:-1])[: len(time)], run)


def since_start(time: Ints, run: Ints) -> Floats:
    """Return seconds since the first row of each run that the file was split into."""
    start, seconds = time[:1], np.empty(len(time))
    if run.any():
        _, first, place = np.unique(run, return_index=True, return_inverse=True)
        start = time[first][place]
    np.subtract(time, start, out=seconds, casting="unsafe")
    seconds /= SECOND
    return seconds


def sampled(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return enough of very many values for a median of them."""
    return values[:: max(1, len(values) // _ENOUGH)]


def usual_step(steps: npt.NDArray[Any]) -> float:
    """Return the median of steps, those back and those between repeated stamps left out; 0 where none is left."""
    forward = steps[steps > 0]
    return float(np.median(forward)) if len(forward) else 0.0


def _plainly_misplaced(time: Ints, order: Ints, moved: Bools) -> bool:
    """Return whether rows were merely swapped: few, near their place, and in it an even step from both neighbours."""
    steps = np.diff(time[order])
    usual = float(np.median(steps)) if len(steps) else 0.0
    few = int(moved.sum()) <= max(3, _MOST_MOVED * len(time))
    near = int(np.abs(order - np.arange(len(order))).max()) <= max(10, 0.01 * len(time))
    fills = np.flatnonzero(moved)
    around = steps[np.unique(np.clip(np.concatenate([fills - 1, fills]), 0, len(steps) - 1))]
    return few and near and usual > 0 and bool(((around > 0) & (around <= 2.5 * usual)).all())


def _ask_back(timed: Timed, time: Ints, back: Ints, is_clock: bool) -> None:
    row = int(back[0])
    step = (int(time[row]) - int(time[row - 1])) / SECOND
    usual = usual_step(sampled(np.diff(time))) / SECOND
    dst = time.astype(np.float64)  # stamps of a broken file may lie too far apart for whole numbers
    dst[row:] += round((usual - step) / 1800) * 1800 * SECOND
    spans = (dst[-1] - dst[0]) / SECOND, (int(time[-1]) - int(time[0])) / SECOND
    many = f", the first of {len(back)} such steps" if len(back) > 1 else ""
    half_day = ", as if am and pm were lost" if is_clock and abs(step + 43_200) <= 3600 else ""
    stamps = {"before": timed.text(row - 1), "after": timed.text(row)}
    parts = {"step": step, "usual": usual, "more": half_day + many, "begins": spans[0], "ends": spans[1]}
    timed.ask(row, "clock goes back" if is_clock else "time goes back", **stamps, **parts)


def _ask_forward(timed: Timed, time: Ints) -> None:
    """Ask about a jump of one hour on a Sunday night of spring, which may be summer time and no gap."""
    steps, within = np.diff(time), np.diff(timed.run) == 0
    usual = usual_step(sampled(steps)[sampled(within)])
    if not 0 < usual < HOUR:
        return
    near = (steps > HOUR + 0.5 * usual) & (steps < HOUR + 1.5 * usual) & within
    for row in np.flatnonzero(near).tolist():
        before = datetime(1970, 1, 1) + timedelta(microseconds=(int(time[row]) + int(usual)) // 1000)
        if before.weekday() == 6 and before.hour < 4 and before.month in (3, 4, 9, 10):
            timed.ask(row + 1, "hour missing", before=timed.text(row), after=timed.text(row + 1))
            return


def _through_change(timed: Timed, time: Ints) -> Ints:
    """Return time that goes on through declared clock changes: a step back or forward of an hour is taken out."""
    half, steps, within = HOUR // 2, np.diff(time), np.diff(timed.run) == 0
    usual = usual_step(sampled(steps)[sampled(within)])
    changed = (steps < 0) | (np.abs(steps - HOUR - usual) < min(0.5 * usual, half))
    shift = np.zeros(len(time), np.int64)
    for row in np.flatnonzero(within & changed).tolist():
        change, after = round((usual - int(steps[row])) / half) * half, row + 1
        if abs(change) in (half, HOUR):
            shift[row + 1 :] += change
            by = f"line {timed.line(after)}: clock changed by {-change // SECOND} s"
            timed.log.faults.note(f"{by}; the time goes on, as declared")
            continue
        texts = {"before": timed.text(row), "after": timed.text(after)}
        timed.refuse(after, "no hour", step=int(steps[row]) / SECOND, **texts)
    return time + shift
