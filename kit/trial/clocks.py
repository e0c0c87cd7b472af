"""Clock times and dates of a burn sheet: as written, in one form, and as seconds of one burn."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Literal

CLOCK_COLUMNS = ("lit", "tipped", "lid_on", "stopped")
DAY_S = 86_400.0

_TIME = re.compile(
    r"([0-9]{1,2}):([0-9]{2})(?::([0-9]{2})(?:[.,]([0-9]{1,6}))?)?\s*([ap])?\.?(m)?\.?\Z", re.IGNORECASE
)
_YEAR_FIRST = re.compile(r"([0-9]{4})([-/.])([0-9]{1,2})\2([0-9]{1,2})\Z")
_YEAR_LAST = re.compile(r"([0-9]{1,2})([-/.])([0-9]{1,2})\2([0-9]{4}|[0-9]{2})\Z")
_NAMED = re.compile(r"([0-9]{1,2})[-. ]+([A-Za-z]{3,9})\.?[-, ]+([0-9]{4})\Z")
_NAMED_FIRST = re.compile(r"([A-Za-z]{3,9})\.?\s+([0-9]{1,2}),?\s+([0-9]{4})\Z")
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_ZERO_DAY = re.compile(
    r"(1900[-/]0?1[-/]0?0|0?1[-/]0?0[-/]1900|0?[01][-/]0?1[-/]190[04]|30[-/]12[-/]1899|12[-/]30[-/]1899)\Z"
)
_EPOCHS = frozenset({(1899, 12), (1900, 1), (1904, 1)})
"""What spreadsheets put before a bare time of day."""

Order = Literal["day first", "month first", "unknown", "both"]


def date_order(cells: Iterable[str]) -> Order | None:
    """Return which number of dates such as 05/06/2026 is the day, from all cells; None where none is such.

    'unknown' where no number is above 12, 'both' where cells contradict each other.
    """
    signs: set[str] = set()
    for cell in set(cells):
        match = _YEAR_LAST.match(_parts(cell)[0])
        if match and match[2] != ".":
            signs.add("day" if int(match[1]) > 12 else "month" if int(match[3]) > 12 else "none")
    if not signs:
        return None
    told = signs - {"none"}
    return (
        "both" if len(told) == 2 else "day first" if "day" in told else "month first" if told else "unknown"
    )


def _parts(cell: str) -> tuple[str, str]:
    """Cut a cell into its date and its time of day, either of which may be ''."""
    text = " ".join(cell.replace("\u202f", " ").replace("\u00a0", " ").split())
    if _TIME.match(text):
        return "", text
    head, mark, tail = re.sub(r"(?<=[0-9])T(?=[0-9])", " ", text).partition(" ")
    while mark and not _TIME.match(tail):
        more, mark, tail = tail.partition(" ")
        head = f"{head} {more}"
    return head.rstrip(","), tail


def read_date(text: str, order: Order | None) -> date | None:
    """Return the date of a text, or None where it is none, or in an order that is not known."""
    for pattern, places in ((_YEAR_FIRST, (1, 3, 4)), (_NAMED, (3, 2, 1)), (_NAMED_FIRST, (3, 1, 2))):
        if match := pattern.match(text):
            return _date(*(match[place] for place in places))
    match = _YEAR_LAST.match(text)
    if match and (match[2] == "." or order == "day first"):
        return _date(match[4], match[3], match[1])
    return _date(match[4], match[1], match[3]) if match and order == "month first" else None


def _date(year: str, month: str, day: str) -> date | None:
    number = int(year) + 2000 * (len(year) == 2)
    in_year = (
        int(month)
        if month.isdigit()
        else 1 + next((place for place, name in enumerate(_MONTHS) if month[:3].casefold() == name), 99)
    )
    try:
        return date(number, in_year, int(day))
    except ValueError:
        return None


def read_time(text: str) -> float | None:
    """Return the seconds since midnight of a time of day such as 10:34, 10:34:59.5 or 2:15 pm."""
    match = _TIME.match(text)
    if match is None or bool(match[5]) != bool(match[6]):
        return None
    hour, minute, second = int(match[1]), int(match[2]), int(match[3] or 0)
    if minute > 59 or second > 59 or hour > 23 or (match[5] and not 1 <= hour <= 12):
        return None
    if match[5]:
        hour = hour % 12 + 12 * (match[5].casefold() == "p")
    return hour * 3600.0 + minute * 60 + second + float(f"0.{match[4] or 0}")


def plain_clock(cell: str, order: Order | None) -> str | None:
    """Return a clock cell as hh:mm:ss or yyyy-mm-ddThh:mm:ss ('' for blank), None where it is no time."""
    if not cell.strip():
        return ""
    day, time = _parts(cell)
    seconds = read_time(time)
    if seconds is None:
        return None
    if not day:
        return written_time(seconds)
    on = read_date(day, order) or _spreadsheet_zero(day)
    if on is None:
        return None
    return written_time(seconds) if (on.year, on.month) in _EPOCHS else f"{on}T{written_time(seconds)}"


def _spreadsheet_zero(day: str) -> date | None:
    return date(1900, 1, 1) if _ZERO_DAY.match(day) else None


def written_time(seconds: float) -> str:
    """Return seconds since midnight as hh:mm:ss, with decimals only where there are any."""
    whole = int(seconds)
    text = f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"
    part = f"{seconds - whole:.6f}".rstrip("0")[1:]
    return text + (part if part != "." else "")


@dataclass(frozen=True)
class Times:
    """The clock times of one burn on one axis.

    Attributes
    ----------
    day
        Calendar day of second 0, at whose midnight the axis begins; None where the sheet names no day.
    seconds
        By column ('lit', 'tipped', 'lid_on', 'stopped'), those that the sheet gives; beyond 86,400 on the
        next day.
    rolled
        Columns at which a time before its predecessor was taken to be of the next day.
    fault
        '' or why the times cannot be right.
    """

    day: date | None
    seconds: Mapping[str, float] = field(default_factory=dict)
    rolled: tuple[str, ...] = ()
    fault: str = ""

    def at(self, column: str) -> datetime | None:
        """Return a time as calendar day and clock, None without a day or time."""
        if self.day is None or column not in self.seconds:
            return None
        return datetime.combine(self.day, datetime.min.time()) + timedelta(seconds=self.seconds[column])


def relative_times(
    row: Mapping[str, object], columns: Iterable[str] = CLOCK_COLUMNS, day: date | None = None
) -> Times:
    """Return the clock times of a row of the burn table, in seconds from midnight of its day.

    A time before its predecessor is of the next day; a full date and time stands where it says.

    Parameters
    ----------
    row
        A row of `Run.burns`, its clock cells as `open_run` writes them (hh:mm:ss, or with a date before).
    columns
        The clock columns, in the order in which things happened.
    day
        The day to use where the row has none; by default there is none, and times count from an unnamed day.
    """
    written = [(column, str(row.get(column) or "")) for column in columns]
    cells = [(column, *_date_and_seconds(text)) for column, text in written if text]
    own = str(row.get("day") or "")
    start = date.fromisoformat(own) if own else day
    start = start or _day_of_first(cells)
    return _walk(cells, start)


def _date_and_seconds(text: str) -> tuple[date | None, float]:
    day, mark, time = text.partition("T")
    return (date.fromisoformat(day), read_time(time) or 0.0) if mark else (None, read_time(text) or 0.0)


def _day_of_first(cells: list[tuple[str, date | None, float]]) -> date | None:
    """Return the day of the first time, told by the first full date: earlier times stand just before it."""
    dated = next((place for place, cell in enumerate(cells) if cell[1]), None)
    if dated is None:
        return None
    day, later = cells[dated][1], cells[dated][2]
    for _, _, seconds in reversed(cells[:dated]):
        day = day - timedelta(days=1) if day and seconds > later else day
        later = seconds
    return day


def _walk(cells: list[tuple[str, date | None, float]], start: date | None) -> Times:
    seconds: dict[str, float] = {}
    rolled: list[str] = []
    last, fault, days = 0.0, "", 0
    for column, dated, time in cells:
        if dated is not None and start is not None:
            here = (dated - start).days * DAY_S + time
            if here < last and not fault:
                before = next(reversed(seconds), "")
                fault = f"{column} {dated} {written_time(time)} is before " + (
                    before or f"the row's day, {start}"
                )
            days = (dated - start).days
        else:
            here = days * DAY_S + time
            if seconds and here < last:
                days, here = days + 1, here + DAY_S
                rolled.append(column)
        seconds[column] = last = here
    if len(rolled) > 1 and not fault:
        fault = f"{' and '.join(rolled)} each stand before the time they follow"
    return Times(start, seconds, tuple(rolled), fault)


def event_times(event: Mapping[str, object], burn: Times) -> Times:
    """Return `at` and `until` of an event on the axis of its burn.

    A time of day before the burn's first is of the next day if the burn lasts until then, or if its end is
    not known and it began more than half a day later.

    Parameters
    ----------
    event
        A row of `Run.events`.
    burn
        The times of its burn.
    """
    day = burn.day.isoformat() if burn.day else ""
    times = relative_times({"day": day, "at": event.get("at"), "until": event.get("until")}, ("at", "until"))
    if "at" not in times.seconds or "T" in str(event.get("at")):
        return times
    first, last = min(burn.seconds.values(), default=0.0), burn.seconds.get("stopped")
    shift = first // DAY_S * DAY_S
    at = times.seconds["at"] + shift
    if at < first and (at + DAY_S <= last if last is not None else first - at > DAY_S / 2):
        shift += DAY_S
    moved = {column: seconds + shift for column, seconds in times.seconds.items()}
    return Times(burn.day, moved, times.rolled, times.fault)
