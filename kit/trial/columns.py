"""Columns of a sheet as the kit keeps them: clean texts, days, clock times."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence

from kit.errors import Faults
from kit.trial.clocks import Order, date_order, plain_clock, read_date
from kit.trial.decode import clean_id, clean_text
from kit.trial.faults_of_keys import shown
from kit.trial.sheet import Sheet

IDS = frozenset({"burn", "fuel", "bag", "cooker", "setting", "event", "probes", "taster", "attribute"})


def texts(sheet: Sheet, column: str, notes: list[str]) -> list[str]:
    """Return a column's texts, clean: unseen characters taken out (with a note), blanks trimmed."""
    clean: Callable[[str], tuple[str, bool]] = clean_id if column in IDS else clean_text
    cells = sheet.cells(column)
    cache = {cell: clean(cell) for cell in set(cells)}
    touched = [place for place, cell in enumerate(cells) if cache[cell][1]]
    if touched:
        notes.append(f"{sheet.where(touched[0], column)}: control or hidden characters were taken out.")
    return [cache[cell][0] for cell in cells]


def order_of_dates(sheet: Sheet, columns: Iterable[str], faults: Faults) -> Order | None:
    """Return whether day or month stands first in the sheet's dates; asked about where nothing tells."""
    cells: dict[str, tuple[int, str]] = {}
    for column in columns:
        for place, cell in enumerate(sheet.cells(column)):
            cells.setdefault(cell, (place, column))
    order = date_order(cells)
    if order not in ("unknown", "both"):
        return order
    dated = [cell for cell in cells if date_order([cell])]
    place, column = cells[min(dated, key=lambda cell: cells[cell])]
    text = sheet.cells(column)[place].strip()
    if order == "unknown":
        faults.ask(
            sheet.where(place, column),
            f"'{text}', in which day or month could stand first; no date of the sheet tells",
            "dates as 2026-05-14 (year-month-day)",
            "Write the sheet's dates so; in a spreadsheet, set that cell format before saving.",
        )
    else:
        faults.refuse(
            sheet.name,
            f"dates with the day first and dates with the month first, as '{text}'",
            "one order, best 2026-05-14 (year-month-day)",
            "Write the sheet's dates all in one way.",
        )
    return order


def days(sheet: Sheet, order: Order | None, faults: Faults) -> list[str]:
    """Return the column 'day' as yyyy-mm-dd, '' where blank."""
    found: list[str] = []
    for place, cell in enumerate(sheet.cells("day")):
        text = cell.strip()
        day = read_date(text.partition(" 00:00")[0], order) if text else None
        if text and day is None and not (order in ("unknown", "both") and date_order([text])):
            faults.refuse(
                sheet.where(place, "day"), shown(text), "a date as 2026-05-14", _remedy_of_day(text)
            )
        found.append(day.isoformat() if day else "")
    return found


def _remedy_of_day(text: str) -> str:
    number = re.fullmatch(r"([0-9]{5})(?:[.,]0*)?", text)
    if number and 30_000 < int(number[1]) < 60_000:
        from datetime import date, timedelta

        on = date(1899, 12, 30) + timedelta(days=int(number[1]))
        return f"As a spreadsheet's day number it would be {on}: set the cell format to date and save again."
    return "Write year-month-day, or leave it blank: then the log's own day is used."


def clock_times(sheet: Sheet, column: str, order: Order | None, faults: Faults) -> list[str]:
    """Return a clock column as hh:mm:ss or yyyy-mm-ddThh:mm:ss, '' where blank."""
    cells = sheet.cells(column)
    cache = {cell: plain_clock(cell, order) for cell in set(cells)}
    for place, cell in enumerate(cells):
        if cache[cell] is None and not (order in ("unknown", "both") and date_order([cell])):
            expected = "a time of day as 14:05 or 14:05:30, or a date and time as 2026-05-14 14:05"
            faults.refuse(sheet.where(place, column), shown(cell.strip()), expected, _remedy_of_time(cell))
    return [cache[cell] or "" for cell in cells]


def _remedy_of_time(cell: str) -> str:
    text = cell.strip()
    if re.fullmatch(r"[0-9]{1,2}[.h][0-9]{2}(h|min)?", text):
        hour, minute = re.findall("[0-9]+", text)
        return f"Write a colon: {hour}:{minute}."
    if re.match("24:00", text):
        return "Write midnight as 00:00; it is read as the next day's."
    if re.fullmatch(r"0?[.,][0-9]+", text):
        return "This is a spreadsheet's part of a day: set the cell format to time and save again."
    if re.search(r"([+-][0-9]{2}:?[0-9]{2}|Z)\Z", text):
        return "Write the local time without a zone; the zone belongs into trial.toml."
    return "Write what the clock showed, or leave it blank."


def note_unknown(
    sheet: Sheet, column: str, cells: Sequence[str], known: Sequence[str], note: Callable[[str, str], None]
) -> None:
    """Call `note` with place and word of every word of a column that is not known, once a word."""
    first: dict[str, list[int]] = {}
    for place, cell in enumerate(cells):
        if cell and cell not in known:
            first.setdefault(cell, []).append(place)
    for word, places in first.items():
        note(sheet.where(places[0], column) + also_rows(sheet, places[1:]), word)


def also_rows(sheet: Sheet, places: Sequence[int]) -> str:
    """Return ' (and rows 9, 12)' for further places, '' for none."""
    if not places:
        return ""
    named = ", ".join(str(sheet.rows[place]) for place in places[:8])
    more = " …" if len(places) > 8 else ""
    return f" (and row{'s' * (len(places) > 1)} {named}{more})"
