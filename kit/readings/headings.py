"""What the heading of a column says: its unit, and whether it could be a temperature or a time."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache

from kit.readings.cells import WORDS

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
