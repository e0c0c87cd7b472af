"""One cell of a log: what kind of thing stands in it, and the number it says."""

from __future__ import annotations

import re
from functools import lru_cache

BLANKS = " \t\u00a0\u202f\u2009\u200b\ufeff"
BLANK_WORDS = frozenset(
    {
        "",
        "na",
        "n/a",
        "n.a.",
        "n.a",
        "nan",
        "null",
        "none",
        "nil",
        "-nan",
        "#n/a",
        "\\n",
        "no data",
        "nodata",
        "missing",
        "blank",
    }
)
OPEN_WORDS = frozenset(
    [
        "ol",
        "err",
        "error",
        "over",
        "overrange",
        "over-range",
        "over",
        "range",
        "overflow",
        "under",
        "underrange",
        "open",
        "opened",
        "open",
        "circuit",
        "oc",
        "o.c.",
        "burnout",
        "b.o.",
        "bo",
        "fault",
        "fail",
        "failed",
        "short",
        "-ol",
        "+ol",
        "o.l.",
        "o.l",
        "inf",
        "-inf",
        "+inf",
        "infinity",
        "-infinity",
        "#value!",
        "#div/0!",
        "#ref!",
        "#num!",
        "invalid",
        "bad",
        "out",
        "of",
        "range",
        "oor",
        "disconnected",
        "no",
        "sensor",
        "no",
        "probe",
        "sensor",
        "error",
        "1.#qnan",
        "1.#inf",
        "-1.#inf",
        "-1.#ind",
        "1.#ind",
        "hi",
        "lo",
        "high",
        "low",
        "hhh",
        "lll",
        "hhhh",
        "llll",
        "---c",
        "---f",
        "unplugged",
        "off",
        "1.#nan",
    ]
) | {"over range", "open circuit", "out of range", "no sensor", "no probe", "sensor error", "not connected"}
_DASHES = re.compile(r"[-–—_.*#?=~/<>]{1,}$|\+{2,}$|(?:[-+*?] ){1,}[-+*?]$")
_UNIT = r"(?:°|º|˚|deg\.?|degrees)?\s?(?:celsius|fahrenheit|kelvin|[CFK])|℃|℉|°|º"
_NUMBER = r"[+\-−]?\s*(?:[0-9](?:[0-9.,'’\u00a0\u202f\u2009]| (?=[0-9]{3}(?![0-9])))*|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?"
_PLAIN = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?$")
_LOOSE = re.compile(rf"({_NUMBER})$")
_WITH_UNIT = re.compile(rf"({_NUMBER})\s*({_UNIT})\.?$", re.IGNORECASE)
_MONTHS = (
    "january jan januar janvier janv ene enero gen gennaio jän jänner|"
    "february feb februar février févr fév febrero febbraio|march mar märz mär mrz mars marzo maart mrt|"
    "april apr avril avr abr abril aprile|may mai mayo mag maggio mei|june jun juni juin junio giu giugno|"
    "july jul juli juil juillet julio lug luglio|august aug août aoû ago agosto augustus|"
    "september sep sept septembre septiembre set settembre|october oct okt oktober octobre octubre ott "
    "ottobre|"
    "november nov novembre noviembre|december dec dez dezember déc décembre dic diciembre dicembre"
)
MONTHS = {word: month for month, words in enumerate(_MONTHS.split("|"), 1) for word in words.split()}
_MONTH = r"[^\W\d_]{3,10}\.?"
_WEEKDAY = r"(?:[^\W\d_]{2,10}\.?,?\s+)?"
_DATE = (
    r"[0-9]{4}[-/.][0-9]{1,2}[-/.][0-9]{1,2}\.?|[0-9]{1,2}[-/.]\s?[0-9]{1,2}[-/.]\s?(?:[0-9]{4}|[0-9]{2})|"
    rf"{_WEEKDAY}[0-9]{{1,2}}[-/ .]+{_MONTH}[-/ ,]+(?:[0-9]{{4}}|[0-9]{{2}})|"
    rf"{_WEEKDAY}{_MONTH}\s+[0-9]{{1,2}},?\s+[0-9]{{4}}|[0-9]{{4}}[-/ ]{_MONTH}[-/ ][0-9]{{1,2}}"
)
_HALF = r"(?:\s*[ap]\.?\s?m\.?)?"
_CLOCK = (
    rf"[0-9]{{1,3}}:[0-9]{{2}}(?:[:.][0-9]{{2}}(?:[.,:][0-9]{{1,9}})?)?{_HALF}|"
    r"[0-9]{1,2}h[0-9]{2}(?:m[0-9]{2}s?)?"
)
_OFFSET = r"(?:\s?(?:Z|UTC|GMT)?(?:[+-][0-9]{2}:?[0-9]{2})?)"
DATE = re.compile(rf"(?:{_DATE})$", re.IGNORECASE)
CLOCK = re.compile(rf"-?(?:{_CLOCK})$", re.IGNORECASE)
STAMP = re.compile(
    rf"(?:(?:{_DATE})(?:[T_ ,-]\s*|:(?=[0-9][0-9]:))(?:{_CLOCK}){_OFFSET}|"
    rf"{_WEEKDAY}{_MONTH}\s+[0-9]{{1,2}}\s+(?:{_CLOCK})\s+[0-9]{{4}}|(?:{_CLOCK})[ ,]\s*(?:{_DATE})|"
    rf"[0-9]{{8}}T[0-9]{{6}}(?:\.[0-9]+)?{_OFFSET}|(?:19|20)[0-9]{{12}})$",
    re.IGNORECASE,
)
GLUED_STAMP = re.compile(
    rf"((?:{_DATE})[T ](?:{_CLOCK})(?:\.[0-9]+)?|(?:{_CLOCK})|(?:{_DATE})) +((?:{_NUMBER})\s*(?:{_UNIT})?)$",
    re.IGNORECASE,
)
_SHAPES = ((STAMP, "stamp"), (DATE, "date"), (CLOCK, "clock"))
_SIGNS = str.maketrans("℃℉", "CF", "°º˚")
TYPED = frozenset({"number", "with unit", "stamp", "date", "clock"})


@lru_cache(maxsize=65536)
def kind_of(cell: str) -> str:
    """Return 'blank', 'number', 'with unit', 'stamp', 'date', 'clock', 'open', 'absent' or 'text'.

    'absent' is a word or sign for no reading, 'open' one for an open circuit or a range exceeded.
    """
    cell = cell.strip(BLANKS)
    if not cell:
        return "blank"
    if _PLAIN.match(cell):
        return "stamp" if len(cell) == 14 and STAMP.match(cell) else "number"
    missing = missing_kind(cell)
    if missing:
        return missing
    if cell[0].isdigit() or cell[0] in "-+−.," or cell[-1].isdigit() or cell[-1] in "mM.ZCT":
        for pattern, kind in _SHAPES:
            if pattern.match(cell):
                return kind
        if DATE.match(cell.rstrip(".")) and cell.endswith("."):
            return "date"
        if cell[-1] != "," and _LOOSE.match(cell) and _grouped(cell):
            return "number"
    return "with unit" if _WITH_UNIT.match(cell) else "text"


def missing_kind(cell: str) -> str:
    """Return 'absent', 'open' or '' for a cell that is neither."""
    low = cell.strip(BLANKS).casefold()
    if low in BLANK_WORDS or (_DASHES.match(low) and "+" not in low):
        return "absent"
    return "open" if low in OPEN_WORDS or _DASHES.match(low) else ""


def _grouped(cell: str) -> bool:
    """Return whether the marks within a number could be decimal and thousands marks at all."""
    digits = re.sub(r"^[+\-−]?\s*|[eE][+-]?[0-9]+$", "", cell)
    groups = re.split(r"[.,'’ \u00a0\u202f\u2009]", digits)
    marks = re.findall(r"[.,'’ \u00a0\u202f\u2009]", digits)
    if len(marks) < 2:
        return True
    inner = groups[1:] if marks[0] == marks[-1] else groups[1:-1]
    return all(len(group) == 3 for group in inner) and len(set(marks[:-1])) == 1


@lru_cache(maxsize=65536)
def split_unit(cell: str) -> tuple[str, str]:
    """Return number text and unit letter ('C', 'F', 'K' or '') of a cell with its unit glued on."""
    match = _WITH_UNIT.match(cell.strip(BLANKS))
    if not match:
        return cell.strip(BLANKS), ""
    unit = match[2].translate(_SIGNS)
    unit = re.sub(r"^(deg\.?|degrees)\s*", "", unit.strip(), flags=re.IGNORECASE)
    return match[1].strip(), unit[:1].upper()


@lru_cache(maxsize=65536)
def to_number(cell: str, decimal: str) -> float | None:
    """Return the number a cell says under a decimal mark, or None where it says none.

    Thousands marks are accepted only in groups of three.
    """
    if decimal == "." and _PLAIN.match(cell):
        return _finite(float(cell))
    text = re.sub(r"^([+\-−]?)\s+", r"\1", cell.strip(BLANKS)).replace("−", "-")
    other = "." if decimal == "," else ","
    thousands = rf"[{other}'’ \u00a0\u202f\u2009]"
    mark = re.escape(decimal)
    grouped = rf"[+-]?[0-9]{{1,3}}(?:({thousands})[0-9]{{3}}(?:\1[0-9]{{3}})*)?(?:{mark}[0-9]*)?(?:[eE][+-]?[0-9]+)?$"
    plain = rf"[+-]?(?:[0-9]+{mark}?[0-9]*|{mark}[0-9]+)(?:[eE][+-]?[0-9]+)?$"
    if not (re.match(plain, text) or re.match(grouped, text)):
        return None
    return _finite(float(re.sub(thousands, "", text).replace(decimal, ".")))


def _finite(number: float) -> float | None:
    return number if abs(number) < 1e300 else None


@lru_cache(maxsize=65536)
def decimal_evidence(cell: str) -> str:
    """Return which decimal mark a number's text proves: '.', ',', 'both ways' or '' where it has no mark.

    'both ways' is one comma or point before exactly three digits: thousands or decimals.
    """
    if cell.isdigit():
        return ""
    text = re.sub(r"[eE][+-]?[0-9]+$", "", split_unit(cell)[0].lstrip("+-−" + BLANKS))
    points, commas = text.count("."), text.count(",")
    if points and commas:
        return "." if text.rfind(".") > text.rfind(",") else ","
    if not points + commas:
        return ""
    mark, other = (".", ",") if points else (",", ".")
    whole, _, rest = text.partition(mark)
    if points + commas > 1:
        return other
    return "both ways" if len(rest) == 3 and 1 <= len(whole) <= 3 and whole[0] != "0" else mark
