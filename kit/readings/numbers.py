"""A column of number texts to numbers, under one decimal mark, a whole column at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from kit.readings.cells import missing_kind, split_unit, to_number

if TYPE_CHECKING:
    import pyarrow as pa

Floats = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int8]
READ, ABSENT, OPEN, UNREAD = 0, 1, 2, 3
_UNIT = r"(?:°|º|˚)?\s?(?:[Dd]eg(?:rees)?\.?\s?)?(?:[CFKcfk]|[Cc]elsius|[Ff]ahrenheit|[Kk]elvin)\.?|℃|℉|°|º"
_BLANK = r"[ \x{00a0}\x{202f}\x{2009}]"
_EXPONENT = r"(?:[eE][+-]?[0-9]+)?"


@dataclass(frozen=True)
class Numbers:
    """Numbers of one column.

    Attributes
    ----------
    values
        NaN where a cell holds no number.
    codes
        READ; ABSENT (blank or a word for it), OPEN (a word for an open circuit) or UNREAD (anything else).
    units
        Letter glued to the number: 0 none, else ord('C'), ord('F') or ord('K'); None where no cell has one.
    unread
        Distinct texts of UNREAD cells with the first row of each.
    """

    values: Floats
    codes: Codes
    units: Codes | None
    unread: dict[str, int]


def _thousands(decimal: str) -> tuple[str, ...]:
    return ("\\." if decimal == "," else ",", "'", "’", _BLANK)


def _pattern(decimal: str, mark: str) -> str:
    point = "," if decimal == "," else r"\."
    return rf"^[+\-−]?\s*(?:[0-9]{{1,3}}(?:{mark}[0-9]{{3}})+)(?:{point}[0-9]*)?{_EXPONENT}$"


def parse_numbers(cells: pa.Array, decimal: str) -> Numbers:
    """Return the numbers of a string column.

    Thousands marks count only in groups of three before the decimal mark.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    text = pc.utf8_trim_whitespace(pc.fill_null(cells, ""))
    bare, units = _without_units(text)
    bare = pc.replace_substring_regex(bare, r"^(?:\+\s*|([\-−])\s+)", r"\1")
    bare = pc.replace_substring(bare, "−", "-")
    for mark in _thousands(decimal):
        grouped = pc.match_substring_regex(bare, _pattern(decimal, mark))
        if pc.any(grouped).as_py():
            bare = pc.if_else(grouped, pc.replace_substring_regex(bare, mark, ""), bare)
    point = "," if decimal == "," else r"\."
    good = pc.match_substring_regex(bare, rf"^[+-]?(?:[0-9]+{point}?[0-9]*|{point}[0-9]+){_EXPONENT}$")
    if decimal == ",":
        bare = pc.replace_substring(bare, ",", ".")
    number = pc.cast(pc.if_else(good, bare, pa.scalar(None, pa.string())), pa.float64())
    values = np.array(_column(number), np.float64)
    codes, unread = _rest(text, np.asarray(_column(good), bool), values, decimal)
    return Numbers(values, codes, units, unread)


def _column(array: Any) -> npt.NDArray[Any]:
    return np.asarray(array.to_numpy(zero_copy_only=False))


def _without_units(text: Any) -> tuple[Any, Codes | None]:
    import pyarrow.compute as pc

    glued = rf"^([+\-−]?\s*[0-9.,][^A-Za-z°º˚℃℉]*?(?:[eE][+-]?[0-9]+)?)\s*(?:{_UNIT})$"
    with_unit = pc.match_substring_regex(text, glued)
    if not pc.any(with_unit).as_py():
        return text, None
    units = np.zeros(len(text), np.int8)
    for letter, pattern in (("C", "[Cc]|℃"), ("F", "[Ff]|℉"), ("K", "[Kk]")):
        mask = pc.match_substring_regex(text, rf"(?:{pattern})(?:\.|elsius|ahrenheit|elvin)?$")
        units[_column(pc.and_(with_unit, mask)).astype(bool)] = ord(letter)
    bare = pc.replace_substring_regex(text, glued, r"\1")
    return pc.utf8_trim_whitespace(bare), units


def _rest(
    text: Any, good: npt.NDArray[np.bool_], values: Floats, decimal: str
) -> tuple[Codes, dict[str, int]]:
    """Sort the cells that hold no plain number; each distinct text is looked at once."""
    codes = np.zeros(len(good), np.int8)
    codes[good & ~np.isfinite(values)] = OPEN
    values[~np.isfinite(values)] = np.nan
    rows = np.flatnonzero(~good)
    unread: dict[str, int] = {}
    if not len(rows):
        return codes, unread
    known: dict[str, tuple[int, float]] = {}
    for row, cell in zip(rows.tolist(), text.take(_indices(rows)).to_pylist(), strict=True):
        if cell not in known:
            known[cell] = _one(cell, decimal)
            if known[cell][0] == UNREAD:
                unread[cell] = row
        codes[row], values[row] = known[cell]
    return codes, unread


def _indices(rows: npt.NDArray[np.int64]) -> Any:
    import pyarrow as pa

    return pa.array(rows)


def _one(cell: str, decimal: str) -> tuple[int, float]:
    kind = missing_kind(cell)
    if kind:
        return (ABSENT if kind == "absent" else OPEN), np.nan
    number = to_number(split_unit(cell)[0], decimal)
    return (UNREAD, np.nan) if number is None else (READ, number)


def _proof(mark: str, other: str) -> str:
    """Return the pattern of numbers whose decimal mark can be no thousands mark, or whose thousands marks show it."""
    grouped = rf"[0-9]{{1,3}}(?:{other}[0-9]{{3}})"
    decimals = rf"[0-9]*{mark}(?:[0-9]{{0,2}}|[0-9]{{4,}})|0?{mark}[0-9]{{3}}|[0-9]{{4,}}{mark}[0-9]*"
    return rf"^(?:{decimals}|{grouped}+{mark}[0-9]*|{grouped}{{2,}})$"


def mark_evidence(cells: pa.Array) -> dict[str, int]:
    """Return the first row whose text proves '.', proves ',' or could be either ('both ways'), for those there are."""
    import pyarrow.compute as pc

    text = pc.utf8_trim_whitespace(pc.fill_null(cells, ""))
    text = pc.replace_substring_regex(text, rf"^[+\-−]\s*|(?:[eE][+-]?[0-9]+)?\s*(?:{_UNIT})?$", "")
    tests = {
        ".": _proof(r"\.", ","),
        ",": _proof(",", r"\."),
        "comma": r"^[1-9][0-9]{0,2},[0-9]{3}$",
        "point": r"^[1-9][0-9]{0,2}\.[0-9]{3}$",
    }
    found = {}
    for name, pattern in tests.items():
        row = pc.index(pc.match_substring_regex(text, pattern), True).as_py()
        if row >= 0:
            found[name] = row
    return found
