"""What words above a table say: the heading of a column, its unit, and the lines that read 'name: value'."""

import re
from collections.abc import Iterable, Sequence
from functools import lru_cache
from unicodedata import normalize

from kit.readings.source import Line, kind_of, split_line
from kit.readings.stamps import DAY, YEAR_FIRST, day_numbers, parse_stamps
from kit.trial.cells import WORDS, Ints, decimal_evidence, temperature_unit, to_number

SCALES = {"C": "degC", "F": "degF", "K": "K"}
TIME_UNITS = {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0, "d": 86400.0, "us": 1e-6, "ns": 1e-9}
TIME_WORDS: dict[str, str] = {
    word: unit for unit, words in WORDS["units"]["time"].items() for word in words.split()
}

_DEGREE = r"(?:°|º|˚|\ufffd|∞|¡|deg(?:ree)?s?\.?[ _]?|grad[ _]?|d[eé]gr[eé]s?[ _]?)"
_SAID = (
    re.compile(rf"{_DEGREE}\s?(C|F|K)(?:elsius|ahrenheit|elvin)?(?![a-z])|(℃)|(℉)", re.IGNORECASE),
    re.compile(r"(?<![a-z])(celsius|centigrade|fahrenheit|kelvin)(?![a-z])", re.IGNORECASE),
    re.compile(r"[(\[{<]\s*(C|F|K)\s*[)\]}>]"),
)
_SUFFIXED = re.compile(r"(?:(?<=[_,/;])|(?<=[_,/;]\s)|(?<=[a-z0-9)#] ))(C|F|K|c|f|k)$")
_SIGNS = str.maketrans("℃℉", "CF")
_PARTS_OF_DATE = frozenset(WORDS["units"]["parts_of_date"].split())
_OTHER_UNITS = frozenset([*WORDS["units"]["other"].split(), *WORDS["units"]["other_with_blanks"]])
_NUMBERED = r"^\W*(?:{})\W*(?:name|no|nr|number|id|#)?\W*$"
_WHOLE_WORD = r"(?<![^\W_])(?:{})(?![^\W_])"
_AROUND = {
    "time": r"^\W*(?:(?:date|datum|fecha|data|day|tag|jour)\W*(?:[/&+]|and|und|et|y|_| )?\W*)?(?:{})(?![a-z])",
    "index": r"^\W*(?:{})\W*$",
    "probe": _NUMBERED,
    "run": _NUMBERED,
    "step": _WHOLE_WORD,
    "unit": _WHOLE_WORD,
    "stated": r"^(?:{})\b",
}
_COMMENT = re.compile(r"^ *(?:#+|%+|//+|\*+|!+) *(?=[^\s,;|])")


def column_of(heading: str, headings: Sequence[str]) -> int | None:
    """Return the place of a heading: as written, else whatever its case, blanks and way of accents, or None."""
    if heading in headings:
        return list(headings).index(heading)
    key, *plain = ("".join(normalize("NFC", name).split()).casefold() for name in (heading, *headings))
    return plain.index(key) if plain.count(key) == 1 else None


@lru_cache(maxsize=32)
def _pattern(what: str) -> re.Pattern[str]:
    words = WORDS["headings"][what]
    alternatives = words if isinstance(words, str) else "|".join(words)
    return re.compile(_AROUND.get(what, "{}").replace("{}", alternatives), re.IGNORECASE)


def names(what: str, text: str) -> bool:
    """Return whether a heading, or the name of a stated value, has a word for something, as words.toml lists them.

    Among them: 'probe', 'run' (the column tells by row which probe was read, which burn it belongs to), 'index' (a
    running number), 'millis' (the milliseconds that go with a stamp), 'difference' (it could be one of two
    temperatures).
    """
    return bool(_pattern(what).search(text))


def _scale(found: re.Match[str]) -> str:
    return SCALES[str(found[found.lastindex or 0]).translate(_SIGNS)[0].upper()]


@lru_cache(maxsize=4096)
def temperature_unit_in(text: str) -> str:
    """Return 'degC', 'degF', 'K' or '' as a heading says, by signs and words that mean nothing else."""
    return next((_scale(found) for pattern in _SAID if (found := pattern.search(text))), "")


@lru_cache(maxsize=4096)
def letter_unit_in(text: str) -> str:
    """Return the unit a lone letter at a heading's end may stand for ('Panel_C'), or ''."""
    found = _SUFFIXED.search(text.strip())
    return _scale(found) if found else ""


def is_enumerated(name: str, others: Sequence[str]) -> bool:
    """Return whether a lone letter in a heading counts columns ('probe_a, probe_b, probe_c')."""
    for found in re.finditer(r"(?<![A-Za-z])[A-Za-z](?![A-Za-z])", name):
        spot = found.start()
        shape = re.compile(re.escape(name[:spot]) + r"([A-Za-z])" + re.escape(name[spot + 1 :]) + "$")
        if {match[1].upper() for other in others if (match := shape.match(other))} - {name[spot].upper()}:
            return True
    return False


@lru_cache(maxsize=4096)
def bare_unit(cell: str) -> str:
    """Return the unit a cell consists of: a temperature unit, 'time:s', 'other' or '' for none."""
    text = cell.strip().strip("[](){}<>").strip()
    if letter := temperature_unit(text):
        return SCALES[letter]
    low = text.casefold()
    if low in TIME_WORDS and low not in _PARTS_OF_DATE:
        return f"time:{TIME_WORDS[low]}"
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
    units = (TIME_WORDS.get(word.strip(" .").casefold(), "") for word in words)
    return next(filter(None, units), "")


def could_be_temperature(name: str) -> bool:
    """Return whether a heading without a unit names a temperature."""
    return names("temperature", name) and not is_no_temperature(name)


def is_no_temperature(name: str) -> bool:
    """Return whether a heading names a quantity that is no temperature, or the temperature that was set."""
    return names("no_temperature", name) or names("set_point", name) or other_unit_in(name)


def is_time(name: str) -> bool:
    """Return whether a heading names a time."""
    return names("time", name) and not temperature_unit_in(name)


def uncommented(text: str) -> str:
    """Return a line without the mark of a comment before its words."""
    return _COMMENT.sub("", text)


Stated = Sequence[tuple[str, list[str]]]
"""Name and values of each line above a table that reads 'name: value'."""


def stated_values(preamble: Iterable[Line], delimiter: str) -> Stated:
    """Return what the lines above a table state."""
    stated = []
    for text in (uncommented(line.text) for line in preamble):
        cells = split_line(text, delimiter)
        if len(cells) == 1:
            cells = max((split_line(text, mark) for mark in "\t;|,"), key=len)
        match = re.match(r"([^:=]{2,60}?)\s*(?:[:=]\s+?|=)(\S.*)$", cells[0] if cells else "")
        if match and sum(map(bool, cells)) < 2:
            cells = [match[1], match[2]]
        values = [cell for cell in cells[1:] if cell]
        if values and cells[0]:
            stated.append((cells[0].rstrip(" :="), values))
    return stated


def stated_unit(stated: Stated) -> str:
    """Return the temperature unit that is stated for all channels, or ''."""
    for name, values in stated:
        units = {bare_unit(value) or temperature_unit_in(value) for value in values}
        if names("unit", name) and len(units) == 1 and units <= {*SCALES.values()}:
            return units.pop()
    return ""


def stated_clock(stated: Stated) -> Ints | None:
    """Return the clock time of the first row as the last header block states it (nanoseconds), or None.

    Only dates that begin with the year are taken, since no other row could settle their order.
    """
    import pyarrow as pa

    date = clock = ""
    for name, values in stated:
        value = values[0].replace(",", ".")
        kind = kind_of(value)
        if names("date", name) and kind == "date":
            date = value
        elif names("start", name) and kind in ("clock", "stamp"):
            date, clock = (date, value) if kind == "clock" else (value, "")
    stamps = parse_stamps(pa.array([f"{date} {clock}".strip()]))
    if not date or stamps.form[0] != YEAR_FIRST:
        return None
    days, fine = day_numbers(stamps, "ymd")
    return days * DAY + stamps.nanoseconds if fine[0] else None


def stated_step(stated: Stated) -> tuple[str, str]:
    """Return name and value of the sampling interval that is stated (the last one), '' and '' for none."""
    return next(((name, values[0]) for name, values in reversed(stated) if names("step", name)), ("", ""))


def seconds_stated(name: str, value: str, in_seconds: bool) -> float | None:
    """Return seconds that a stated step means, or None where its unit is not said; some stand in seconds by custom."""
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
