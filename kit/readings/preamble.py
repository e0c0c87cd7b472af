"""Facts that a preamble states about the readings below it: when they began, and the step between them."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

from kit.readings.cells import decimal_evidence, kind_of, to_number
from kit.readings.dates import DAY, day_numbers
from kit.readings.header import Header, stated_step, stated_values
from kit.readings.headings import TIME_UNITS, time_unit_in
from kit.readings.layout import Layout
from kit.readings.stamps import YEAR_FIRST, parse_stamps

_DATE_NAME = re.compile(r"date|datum|\bday\b|fecha|data|tag", re.IGNORECASE)
_CLOCK_NAME = re.compile(r"time|zeit|clock|start|heure|hora|ora", re.IGNORECASE)


def clock_stated(header: Header, layout: Layout) -> npt.NDArray[np.int64] | None:
    """Return the clock time of the first row as the last header block states it (nanoseconds), or None.

    Only dates that begin with the year are taken, since no other row could settle their order.
    """
    import pyarrow as pa

    date = clock = ""
    for _, name, values in stated_values(header.preamble, layout.delimiter):
        value = values[0].replace(",", ".")
        if _DATE_NAME.search(name) and kind_of(value) == "date":
            date = value
        elif _CLOCK_NAME.search(name) and kind_of(value) == "clock":
            clock = value
        elif _CLOCK_NAME.search(name) and kind_of(value) == "stamp":
            date, clock = value, ""
    if not date:
        return None
    stamps = parse_stamps(pa.array([f"{date} {clock}".strip()]))
    if stamps.form[0] != YEAR_FIRST:
        return None
    days, fine = day_numbers(stamps, "ymd")
    return days * DAY + stamps.nanoseconds if fine[0] else None


def step_stated(header: Header, layout: Layout) -> tuple[float, str] | None:
    """Return the step between rows in seconds that a preamble states, with the words it does so in, or None."""
    stated = stated_step(header.preamble, layout.delimiter)
    if stated is None:
        return None
    name, value = stated
    seconds = seconds_stated(name, value, any("(s)" in line.text for line in header.preamble))
    return None if seconds is None or seconds <= 0 else (seconds, f"'{name} {value}' above the table")


def seconds_stated(name: str, value: str, in_seconds: bool) -> float | None:
    """Return seconds that a stated step means, or None where its unit is not said."""
    parts = re.fullmatch(r"\s*([0-9]{1,3}):([0-9]{2})(?::([0-9]{2}(?:[.,][0-9]+)?))?\s*", value)
    if parts and parts[3]:
        return int(parts[1]) * 3600 + int(parts[2]) * 60 + float(parts[3].replace(",", "."))
    match = re.fullmatch(r"\s*([+-]?[0-9.,]+(?:[eE][+-]?[0-9]+)?)\s*([A-Za-zµ]*)\.?\s*", value)
    number = to_number(match[1], "," if decimal_evidence(match[1]) == "," else ".") if match else None
    if match is None or number is None:
        return None
    unit = time_unit_in(f"({match[2]})") if match[2] else time_unit_in(name) or ("s" if in_seconds else "")
    if re.search("rate|frequency|hz", f"{name} {match[2]}", re.IGNORECASE):
        return 1 / number if match[2].casefold() == "hz" and number > 0 else None
    return number * TIME_UNITS[unit] if unit in TIME_UNITS else None
