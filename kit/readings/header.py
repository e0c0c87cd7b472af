"""What stands above a table's body: names, units, what a preamble states, and what the heading of a column says."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from kit.errors import KitError
from kit.readings.layout import BLANK_RUN, Layout, Line, split_line
from kit.readings.stamps import DAY, YEAR_FIRST, day_numbers, parse_stamps
from kit.trial.cells import BLANKS, TYPED, WORDS, decimal_evidence, kind_of, to_number

CELSIUS, FAHRENHEIT, KELVIN = "degC", "degF", "K"
SCALES = {"C": CELSIUS, "F": FAHRENHEIT, "K": KELVIN}
TIME_UNITS = {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0, "d": 86400.0, "us": 1e-6, "ns": 1e-9}

_DEGREE = r"(?:°|º|˚|\ufffd|∞|¡|deg(?:ree)?s?\.?[ _]?|grad[ _]?|d[eé]gr[eé]s?[ _]?)"
_SIGNED = re.compile(rf"{_DEGREE}\s?(C|F|K)(?:elsius|ahrenheit|elvin)?(?![a-z])|(℃)|(℉)", re.IGNORECASE)
_NAMED = re.compile(r"(?<![a-z])(celsius|centigrade|fahrenheit|kelvin)(?![a-z])", re.IGNORECASE)
_BRACKETED = re.compile(r"[(\[{<]\s*(C|F|K)\s*[)\]}>]")
_SUFFIXED = re.compile(r"(?:(?<=[_,/;])|(?<=[_,/;]\s)|(?<=[a-z0-9)#] ))(C|F|K|c|f|k)$")
_ALONE = re.compile(r"[(\[{<]?\s*(?:°|º|˚|deg\.?\s?)?\s*(C|F|K)\s*[)\]}>]?$", re.IGNORECASE)
_TIME_UNIT: dict[str, str] = {
    word: unit for unit, words in WORDS["units"]["time"].items() for word in words.split()
}
_PARTS_OF_DATE = frozenset(WORDS["units"]["parts_of_date"].split())
_OTHER_UNITS = frozenset([*WORDS["units"]["other"].split(), *WORDS["units"]["other_with_blanks"]])


def _any_of(name: str, around: str = "{}") -> re.Pattern[str]:
    """Return the pattern of a list of words.toml: alternatives of a regular expression."""
    words = WORDS["headings"][name]
    return re.compile(around.format(words if isinstance(words, str) else "|".join(words)), re.IGNORECASE)


_NO_TEMPERATURE, _TEMPERATURE, _SET_POINT = map(_any_of, ("no_temperature", "temperature", "set_point"))
_TIME = re.compile(
    r"^\W*(?:(?:date|datum|fecha|data|day|tag|jour)\W*(?:[/&+]|and|und|et|y|_| )?\W*)?"
    r"(?:time|zeit|uhrzeit|heure|hora|ora|tid|tijd|clock|"
    r"timestamp|time ?stamp|stamp|elapsed|runtime|run time|laufzeit|dauer|duration|"
    r"temps(?! ?[(\[]?°)|tiempo|tempo|horodatage|epoch|unix|datum|date|"
    r"fecha|seconds?|secs?|sekunden|minutes?|mins?|minuten|hours?|zeitstempel|zeitpunkt|datetime|messzeit|时间"
    r"|(?:when|t|x|s|ms|min|h|day|ts|utc)(?=\s*(?:$|[(\[,/;]))"
    r"|(?:ms|msecs?|millis|milli ?sec(?:ond)?s?|millisekunden)(?=\W*$|[ _](?:since|seit|from|elapsed))"
    r"|t_(?:ms|s|sec|min|h)(?=\W*$))(?![a-z])",
    re.IGNORECASE,
)
_INDEX = _any_of("index", r"^\W*(?:{})\W*$")
_NUMBERED = r"^\W*(?:{})\W*(?:name|no|nr|number|id|#)?\W*$"
_PROBE, _RUN = _any_of("probe", _NUMBERED), _any_of("run", _NUMBERED)
_MILLIS = re.compile(
    r"^\W*(?:ms|msec|msecs|millis|milli ?sec(?:onds?)?s?|milliseconds?|millisekunden?)\W*$", re.IGNORECASE
)
_DIFFERENCE = re.compile(
    r"^\W*(?:Δ|∆|delta|diff|difference|differenz|d[ _]?t(?![a-z]))|(?:diff|delta|difference)\W*$|\w\s*[-−–]\s*\w",
    re.IGNORECASE,
)


@lru_cache(maxsize=4096)
def temperature_unit_in(text: str) -> str:
    """Return 'degC', 'degF', 'K' or '' as a heading says, by signs and words that mean nothing else."""
    found = _SIGNED.search(text)
    if found:
        return CELSIUS if found[2] else FAHRENHEIT if found[3] else SCALES[found[1].upper()]
    found = _NAMED.search(text)
    if found:
        return SCALES[found[1][0].upper()]
    found = _BRACKETED.search(text)
    return SCALES[found[1]] if found else ""


@lru_cache(maxsize=4096)
def letter_unit_in(text: str) -> str:
    """Return the unit a lone letter at a heading's end may stand for ('Panel_C'), or ''."""
    found = _SUFFIXED.search(text.strip())
    return SCALES[found[1].upper()] if found else ""


def is_enumerated(name: str, others: Sequence[str]) -> bool:
    """Return whether a lone letter in a heading counts columns ('probe_a, probe_b, probe_c')."""
    for found in re.finditer(r"(?<![A-Za-z])[A-Za-z](?![A-Za-z])", name):
        spot = found.start()
        shape = re.compile(re.escape(name[:spot]) + r"([A-Za-z])" + re.escape(name[spot + 1 :]) + "$")
        letters = {match[1].upper() for other in others if (match := shape.match(other))}
        if letters - {name[spot].upper()}:
            return True
    return False


@lru_cache(maxsize=4096)
def bare_unit(cell: str) -> str:
    """Return the unit a cell consists of: a temperature unit, 'time:s', 'other' or '' for none."""
    text = cell.strip().strip("[](){}<>").strip()
    if not text:
        return ""
    found = _ALONE.match(text)
    if found:
        return SCALES[found[1].upper()]
    if re.fullmatch(r"℃|celsius|degrees? celsius", text, re.IGNORECASE):
        return CELSIUS
    if re.fullmatch(r"℉|fahrenheit|degrees? fahrenheit", text, re.IGNORECASE):
        return FAHRENHEIT
    if re.fullmatch(r"kelvin", text, re.IGNORECASE):
        return KELVIN
    low = text.casefold()
    if low in _TIME_UNIT and low not in _PARTS_OF_DATE:
        return f"time:{_TIME_UNIT[low]}"
    return "other" if low in _OTHER_UNITS else ""


@lru_cache(maxsize=4096)
def other_unit_in(text: str) -> bool:
    """Return whether a heading names a unit that is no temperature: '(kW)', ', %', '[g]', 'Supply_V'."""
    brackets = re.findall(r"[(\[{<]([^)\]}>]*)[)\]}>]", text)
    parts = [*brackets, *re.findall(r"(?:[,;/_]\s*)([^,;/_()\[\]]+)$", text)]
    return any(part.strip().casefold() in _OTHER_UNITS for part in parts if part.strip())


@lru_cache(maxsize=4096)
def time_unit_in(text: str) -> str:
    """Return 's', 'ms', 'min', 'h', 'd', … as a heading of a time column says, or ''."""
    brackets = re.findall(r"[(\[{<]\s*([^)\]}>]*?)\s*[)\]}>]", text)
    words = [*brackets, *re.split(r"[\s_,;:/.\-]+", re.sub(r"[(\[{<][^)\]}>]*[)\]}>]", " ", text))]
    for word in words:
        unit = _TIME_UNIT.get(word.strip(" .").casefold(), "")
        if unit:
            return unit
    return ""


def could_be_temperature(name: str) -> bool:
    """Return whether a heading without a unit names a temperature."""
    return bool(_TEMPERATURE.search(name)) and not is_no_temperature(name)


def is_no_temperature(name: str) -> bool:
    """Return whether a heading names a quantity that is no temperature."""
    return bool(_NO_TEMPERATURE.search(name)) or is_set_point(name) or other_unit_in(name)


def is_set_point(name: str) -> bool:
    """Return whether a heading names the temperature that was set, not one that was read."""
    return bool(_SET_POINT.search(name))


def names_probes(name: str) -> bool:
    """Return whether a column of that heading tells by row which probe was read."""
    return bool(_PROBE.match(name))


def names_runs(name: str) -> bool:
    """Return whether a column of that heading tells by row which burn or trial it belongs to."""
    return bool(_RUN.match(name))


def is_time(name: str) -> bool:
    """Return whether a heading names a time."""
    return bool(_TIME.match(name)) and not temperature_unit_in(name)


def is_index(name: str) -> bool:
    """Return whether a heading names a running number."""
    return bool(_INDEX.match(name))


def is_millis(name: str) -> bool:
    """Return whether a heading names the milliseconds that go with a stamp."""
    return bool(_MILLIS.match(name.strip()))


def may_be_difference(name: str) -> bool:
    """Return whether a heading could name a difference of two temperatures."""
    return bool(_DIFFERENCE.search(name))


_COMMENT = re.compile(r"^ *(?:#+|%+|//+|\*+|!+) *(?=[^\s,;|])")
_STEP, _UNIT_WORD = (
    re.compile(rf"(?<![^\W_])(?:{WORDS['headings'][name]})(?![^\W_])", re.IGNORECASE)
    for name in ("step", "unit")
)
_STATED = re.compile(rf"(?:{WORDS['headings']['stated']})\b", re.IGNORECASE)
_LOOK_ABOVE, _MOST_ABOVE = 8, 200
_LONGEST_NAME, _LONGEST_STATED = 200, 1000
_ONE_NAME = (("date", "clock"), ("clock", "date"), ("clock", "text"))
_PROCESSING = frozenset(WORDS["headings"]["statistic"].split())


@dataclass(frozen=True)
class Header:
    """What the rows above the body say.

    Attributes
    ----------
    names
        One name a column, distinct; made up where the file has none.
    units
        One cell of the units row a column, '' where there is none.
    row, units_row
        Their line numbers, 0 where there is none.
    made_up
        Whether the names were made up.
    preamble
        The other lines above the body.
    """

    names: tuple[str, ...]
    units: tuple[str, ...]
    row: int
    units_row: int
    made_up: bool
    preamble: tuple[Line, ...]


def read_header(
    above: Sequence[Line], layout: Layout, first_row: Sequence[str], header_row: int | None, place: str
) -> Header:
    """Return names and units of a table's columns from the lines above its body.

    Raises
    ------
    KitError
        Where the declared header row lies in or below the body, or the header names too few columns.
    """
    rows = [(line, _fields(line, layout)) for line in above[-_MOST_ABOVE:] if line.text.strip(BLANKS)]
    near = rows[-_LOOK_ABOVE:] if header_row is None else [row for row in rows if row[0].number >= header_row]
    units = _units_row(near, layout)
    names = _names_row(near, layout, units) if header_row is None else _declared_row(rows, header_row, place)
    cells = _widened(names, layout, first_row, place) if names else [""] * layout.width
    unit_cells = [*(_over_blanks(units[1], layout) if units else []), *[""] * layout.width][: layout.width]
    unit_cells = [cell[:_LONGEST_NAME] for cell in unit_cells]
    taken = {each[0].number for each in (names, units) if each}
    return Header(
        _distinct(cells),
        tuple(unit_cells),
        names[0].number if names else 0,
        units[0].number if units else 0,
        names is None,
        tuple(
            Line(line.number, line.text[:_LONGEST_STATED])
            for line in above
            if line.number not in taken and line.text.strip(BLANKS)
        ),
    )


def _fields(line: Line, layout: Layout) -> list[str]:
    bare = _COMMENT.sub("", line.text)
    cells = _cells(bare, layout)
    if bare != line.text and len(cells) != layout.width:
        whole = _cells(line.text, layout)
        cells = whole if _mark_is_name(cells, whole, layout) else cells
    if len(cells) != layout.width:
        others = [
            split_line(bare, mark) for mark in (",", ";", "\t", "|", BLANK_RUN) if mark != layout.delimiter
        ]
        fitting = [other for other in others if len(other) == layout.width and len(cells) < layout.width]
        return fitting[0] if fitting else _merged(cells, layout.width)
    return cells


def _mark_is_name(bare: list[str], whole: list[str], layout: Layout) -> bool:
    """Return whether the mark before a header is the name of a column of numbers, and not that of a comment.

    Where the cells fit the columns either way, a date under one name with its clock, the cell over the stamp decides.
    """
    if _fits(bare, layout) and _fits(whole, layout):
        return _suits_stamp(whole, layout) >= _suits_stamp(bare, layout)
    return len(whole) == layout.width or _fits(whole, layout)


def _suits_stamp(cells: list[str], layout: Layout) -> int:
    """Return 2 where the cell over the first stamp names a time, 0 where it holds a unit of temperature, else 1."""
    first = next(
        (place for place, kind in enumerate(layout.kinds) if kind in ("stamp", "date", "clock")), None
    )
    cell = "" if first is None else _over_blanks(cells, layout)[first]
    if is_time(cell):
        return 2
    return 0 if temperature_unit_in(cell) or bare_unit(cell) in ("degC", "degF", "K") else 1


def _fits(cells: list[str], layout: Layout) -> bool:
    return len(_over_blanks(cells, layout)) == layout.width


def _cells(text: str, layout: Layout) -> list[str]:
    cells = split_line(text, layout.delimiter)
    if layout.delimiter != BLANK_RUN:
        while len(cells) > layout.width and not cells[-1]:
            cells.pop()
        if layout.glued and len(cells) == layout.width - 1:
            cells = _split_first(cells)
    return cells


def _split_first(cells: list[str]) -> list[str]:
    head, _, rest = cells[0].partition(" ")
    return [head, rest, *cells[1:]] if rest else ["", *cells]


def _merged(cells: list[str], width: int) -> list[str]:
    """Put a lone unit back to the name before it, where an unquoted comma had parted them."""
    if len(cells) <= width:
        return cells
    merged: list[str] = []
    for cell in cells:
        if merged and re.match(r"(?:°|º|deg)\s?[CFK]\b|[CFK%]$", cell, re.IGNORECASE):
            merged[-1] += f", {cell}"
        else:
            merged.append(cell)
    return merged if len(merged) == width else cells


Row = tuple[Line, list[str]]


def _filled(cells: Sequence[str]) -> list[str]:
    return [cell for cell in cells if cell]


def _units_row(rows: Sequence[Row], layout: Layout) -> Row | None:
    """Return the row nearest to the body most of whose cells are units."""
    for line, cells in reversed(rows):
        filled = _filled(cells)
        known = [bare_unit(cell) for cell in filled]
        if len(cells) > layout.width or not filled or (layout.width < 2 and len(rows) < 2):
            continue
        enough = len(filled) >= min(2, layout.width) or (len(cells) == layout.width and all(known))
        if sum(map(bool, known)) >= 0.6 * len(filled) and enough and _differs(known):
            return line, cells
    return None


def _differs(units: Sequence[str]) -> bool:
    return any(unit in ("degC", "degF", "K") or unit.startswith("time:") for unit in units)


def _names_row(rows: Sequence[Row], layout: Layout, units: Row | None) -> Row | None:
    """Return the row of names: of those wide enough the fullest, the nearest to the body first."""
    best: tuple[float, Row] | None = None
    for line, cells in reversed(rows):
        if (units and line.number == units[0].number) or not _could_be_names(cells, layout):
            continue
        if layout.width == 1 and (stated := stated_step((line,), "")) and stated[1][:1].isdigit():
            continue
        filled = _filled(cells)
        distinct = len(set(filled))
        if best is None or distinct > best[0]:
            best = (distinct, (line, cells))
        told = any(map(is_time, filled)) and any(map(_names_temperature, filled))
        if told or distinct >= max(0.6 * _expected(layout), 1):
            break
    return best[1] if best else None


def _expected(layout: Layout) -> int:
    """Return how many names a header needs: one a column that is not blank, one for a date and its clock."""
    used = sum(kind != "blank" for kind in layout.kinds)
    return used - sum(layout.kinds[k - 1 : k + 1] in _ONE_NAME for k in range(1, layout.width)) * (
        layout.delimiter == BLANK_RUN
    )


def _names_temperature(name: str) -> bool:
    return could_be_temperature(name) or bool(temperature_unit_in(name))


def _could_be_names(cells: Sequence[str], layout: Layout) -> bool:
    filled = _filled(cells)
    if not filled or len(cells) > layout.width or (len(filled) == 1 and _expected(layout) > 1):
        return False
    told = [is_time(cell) or is_index(cell) for cell in filled], [_names_temperature(cell) for cell in filled]
    if len(filled) < 0.6 * _expected(layout) and not (any(told[0]) and any(told[1])):
        return False
    if len(cells) < _expected(layout) and not (any(told[0]) and any(told[1])):
        return False
    if _STATED.match(filled[0]) and not any(told[0]):
        return False
    if (
        len(filled) == 2 < _expected(layout) and kind_of(filled[1]) == "number"
    ):  # 'Record 17' names no columns
        return False
    if len(filled) == 2 and _STEP.search(filled[0]) and filled[1][0].isdigit():
        return False
    typed = sum(kind_of(cell) in TYPED for cell in filled)
    if typed > 0.5 * len(filled) and kind_of(filled[0]) in TYPED:
        return False
    processing = sum(cell.casefold() in _PROCESSING for cell in filled)
    if processing * 2 > len(filled):
        return False
    return not (len(filled) > 2 and len(set(filled)) * 2 < len(filled) + 1 and len(filled) * 2 < layout.width)


def _declared_row(rows: Sequence[Row], header_row: int, place: str) -> Row | None:
    if header_row == 0:
        return None
    for line, cells in rows:
        if line.number == header_row:
            return line, cells
    raise KitError.refuse(
        f"{place}, line {header_row}, [[logger]] key header_row",
        "no row of names above the readings there",
        "the line number of the column names, 0 for none",
        "Mend the key.",
    )


def _over_blanks(cells: Sequence[str], layout: Layout) -> list[str]:
    """Return header cells with a blank for the clock where runs of blanks part it from its date under one name."""
    used = sum(kind != "blank" for kind in layout.kinds)
    wide = list(cells)
    if layout.delimiter != BLANK_RUN:
        return wide
    for place in range(1, len(layout.kinds)):
        if len(wide) < used and layout.kinds[place - 1 : place + 1] in _ONE_NAME:
            wide.insert(place, "")
    return wide


def _widened(row: Row, layout: Layout, first_row: Sequence[str], place: str) -> list[str]:
    """Return as many names as there are columns: a group's name may cover several, a row-number column none."""
    names = [" ".join(cell[:_LONGEST_NAME].split()).strip(" \"'") for cell in _over_blanks(row[1], layout)]
    used = max([column + 1 for column, kind in enumerate(layout.kinds) if kind != "blank"] or [0])
    while len(names) > 1 and not names[-1] and (len(names) > used or layout.delimiter != BLANK_RUN):
        names.pop()
    if len(names) < used and any(kind not in ("text", "blank") for kind in layout.kinds[len(names) :]):
        if _counts_rows(names, layout, first_row):
            names = ["No.", *names]
        elif _is_group(names, layout, used):
            group = names.pop()
            covered = used - len(names)
            names += [f"{group} #{number}" for number in range(1, covered + 1)]
        elif layout.delimiter == "," and all(
            cell.isdigit() for cell in first_row if kind_of(cell) == "number"
        ):
            raise KitError.refuse(
                f"{place}, line {row[0].number}",
                f"{len(names)} names for {used} columns of whole numbers: commas part the fields and "
                "the decimals alike",
                "another mark between the fields, or decimal points",
                "Export the log again with semicolons or tabs.",
            )
        else:
            raise KitError.ask(
                f"{place}, line {row[0].number}",
                f"{len(names)} names for {used} columns: {', '.join(names)}",
                "a name a column",
                "Add header_row = 0 to the [[logger]] table to have names made up, or mend the header.",
            )
    return [*names, *[""] * layout.width][: layout.width]


def _is_group(names: Sequence[str], layout: Layout, used: int) -> bool:
    """Return whether the last name can be that of all the columns left: the only temperature among the names."""
    temperatures = [_names_temperature(name) for name in names]
    return (
        bool(names)
        and temperatures[-1]
        and sum(temperatures) == 1
        and set(layout.kinds[len(names) - 1 : used]) == {"number"}
    )


def _counts_rows(names: Sequence[str], layout: Layout, first_row: Sequence[str]) -> bool:
    if len(names) != layout.width - 1 or not names or is_index(names[0]) or not first_row:
        return False
    shifted = layout.kinds[1] in ("stamp", "date", "clock") and is_time(names[0])
    return shifted and layout.kinds[0] == "number" and first_row[0] in ("0", "1")


def _distinct(names: Sequence[str]) -> tuple[str, ...]:
    seen: dict[str, int] = {}
    found = []
    for name in names:
        seen[name] = seen.get(name, 0) + 1
        found.append(f"{name} ({seen[name]})" if name and seen[name] > 1 else name)
    return tuple(found)


def stated_values(preamble: Sequence[Line], delimiter: str) -> list[tuple[Line, str, list[str]]]:
    """Return the lines of a preamble that read 'name: value', as line, name and values."""
    found = []
    for line in preamble:
        cells = split_line(_COMMENT.sub("", line.text), delimiter)
        if len(cells) == 1:
            cells = max((split_line(_COMMENT.sub("", line.text), mark) for mark in "\t;|,"), key=len)
        if len(_filled(cells)) < 2 and (
            match := re.match(r"([^:=]{2,60}?)\s*(?:[:=]\s+?|=)(\S.*)$", cells[0] if cells else "")
        ):
            cells = [match[1], match[2]]
        if len(cells) >= 2 and cells[0] and _filled(cells[1:]):
            found.append((line, cells[0].rstrip(" :="), _filled(cells[1:])))
    return found


def stated_unit(preamble: Sequence[Line], delimiter: str) -> str:
    """Return the temperature unit a preamble states for all channels, or ''."""
    for _, name, values in stated_values(preamble, delimiter):
        if _UNIT_WORD.search(name):
            units = {bare_unit(value) or temperature_unit_in(value) for value in values}
            if len(units) == 1 and units <= {"degC", "degF", "K"}:
                return units.pop()
    return ""


def stated_step(preamble: Sequence[Line], delimiter: str) -> tuple[str, str] | None:
    """Return name and value of the sampling interval a preamble states (the last one), or None."""
    stated = [
        (name, values[0]) for _, name, values in stated_values(preamble, delimiter) if _STEP.search(name)
    ]
    return stated[-1] if stated else None


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
