"""Clock times and dates of a burn sheet: as written, in one form, and as seconds of one burn."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from functools import lru_cache
from typing import Literal

from kit.trial.cells import date_of, stamp_fields

CLOCK_COLUMNS = ("lit", "tipped", "lid_on", "stopped")
DAY_S = 86_400.0
NOT_OF_A_SHEET = frozenset({"minus", "zone", "off", "s2"})
"""Fields of a log's stamps that a sheet's cells have not: durations, zones, and 10:34.20, which could be minutes."""
ZERO_YEARS = frozenset({1899, 1900, 1904})
"""Years of the dates that spreadsheets put before a bare time of day."""

Order = Literal["day first", "month first", "unknown", "both"]


@lru_cache(maxsize=65536)
def _fields(cell: str) -> Mapping[str, str]:
    """Return the fields of a date, a time of day or both, by the grammar of logs' stamps; none where it is no such."""
    fields = stamp_fields(" ".join(cell.split()).removesuffix("."))
    return {} if NOT_OF_A_SHEET & fields.keys() else fields


def date_order(cells: Iterable[str]) -> Order | None:
    """Return which number of dates such as 05/06/2026 is the day, from all cells; None where none is such.

    'unknown' where no date tells, 'both' where they contradict each other.
    """
    dates = [
        fields for cell in set(cells) if date_of(fields := _fields(cell), True) != date_of(fields, False)
    ]
    first = {sure == date_of(fields, True) for fields in dates if (sure := date_of(fields))}
    if len(first) == 1:
        return "day first" if first.pop() else "month first"
    return "both" if first else "unknown" if dates else None


def _seconds(fields: Mapping[str, str]) -> float | None:
    if len(fields["mi"] + fields.get("s", "00")) < 4:  # 10:5 is a slip of the pen
        return None
    hour, minute, second = (int(fields.get(name, 0)) for name in ("h", "mi", "s"))
    if hour > 23 or minute > 59 or second > 59 or ("half" in fields and not 1 <= hour <= 12):
        return None
    hour = hour % 12 + 12 * (fields["half"] in "pP") if "half" in fields else hour
    return hour * 3600.0 + minute * 60 + second + float(f"0.{fields.get('f', 0)}")


def _date(fields: Mapping[str, str], order: Order | None) -> date | None:
    return date_of(fields, {"day first": True, "month first": False}.get(order or ""))


def plain_day(cell: str, order: Order | None) -> str | None:
    """Return a cell of a day as yyyy-mm-dd ('' for blank), None where it is none or its order is not known."""
    if not cell.strip():
        return ""
    fields = _fields(cell)
    on = _date(fields, order) if "h" not in fields or _seconds(fields) == 0 else None
    return on.isoformat() if on else None


def read_time(text: str) -> float | None:
    """Return the seconds since midnight of a time of day such as 10:34, 10:34:59.5 or 2:15 pm."""
    fields = _fields(text)
    return _seconds(fields) if "h" in fields and not fields.keys() & {"a", "d"} else None


def plain_clock(cell: str, order: Order | None) -> str | None:
    """Return a clock cell as hh:mm:ss or yyyy-mm-ddThh:mm:ss ('' for blank), None where it is no time."""
    if not cell.strip():
        return ""
    fields = _fields(cell)
    seconds = _seconds(fields) if "h" in fields else None
    if seconds is None:
        return None
    year = fields.get("y") or fields.get("c")
    if year is None or int(year) in ZERO_YEARS:
        return written_time(seconds)
    on = _date(fields, order)
    return f"{on}T{written_time(seconds)}" if on else None


def written_time(seconds: float) -> str:
    """Return seconds since midnight as hh:mm:ss, with decimals only where there are any."""
    whole = int(seconds)
    text = f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"
    return text + f"{seconds - whole:.6f}".rstrip("0")[1:].removesuffix(".")


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


def relative_times(row: Mapping[str, object], columns: Iterable[str] = CLOCK_COLUMNS) -> Times:
    """Return the clock times of a row of the burn table, in seconds from midnight of its day.

    A time before its predecessor is of the next day; a full date and time stands where it says.

    Parameters
    ----------
    row
        A row of `Run.burns`, its clock cells as `open_run` writes them (hh:mm:ss, or with a date before). Without a
        day of its own or a full date, times count from an unnamed day.
    columns
        The clock columns, in the order in which things happened.
    """
    cells: list[tuple[str, date | None, float]] = []
    for column in columns:
        if text := str(row.get(column) or ""):
            on, _, clock = text.rpartition("T")
            cells.append((column, date.fromisoformat(on) if on else None, read_time(clock) or 0.0))
    own = str(row.get("day") or "")
    start = date.fromisoformat(own) if own else None
    seconds: dict[str, float] = {}
    rolled: list[str] = []
    last, fault, days = 0.0, "", 0
    for column, dated, clock_s in cells:
        if dated and start is None:  # earlier times stand just before the first full date
            start = dated - timedelta(days=days + (days * DAY_S + clock_s < last))
        if dated and start:
            days = (dated - start).days
        here = days * DAY_S + clock_s
        if dated and here < last and not fault:
            before = next(reversed(seconds), "") or f"the row's day, {start}"
            fault = f"{column} {dated} {written_time(clock_s)} is before {before}"
        elif not dated and seconds and here < last:
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
