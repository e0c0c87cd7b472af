"""What kind of thing stands in a cell of a log, told by the very patterns that read it: a stamp can be read as one."""

from __future__ import annotations

import re
from functools import lru_cache

from kit.trial.cells import (
    BLANKS,
    LONGEST_CELL,
    NUMBER,
    PLAIN_NUMBER,
    UNIT,
    WITH_UNIT,
    WORDS,
    any_number,
    match_stamp,
)

ABSENT_WORDS = frozenset(WORDS["cells"]["absent"])
_OPEN_WORDS = frozenset(WORDS["cells"]["open"])
_DASHES = re.compile(r"[-–—_.*#?=~/<>]+$|\+{2,}$|(?:[-+*?] )+[-+*?]$")
_GLUED_NUMBER = re.compile(rf" +(({NUMBER})\s*(?:{UNIT})?)$", re.IGNORECASE)
TYPED = frozenset({"number", "with unit", "stamp", "date", "clock"})
"""Kinds of cells that hold a reading or a time."""


def kind_of(cell: str) -> str:
    """Return 'blank', 'number', 'with unit', 'stamp', 'date', 'clock', 'open', 'absent' or 'text'.

    'absent' is a word or sign for no reading, 'open' one for an open circuit or a range exceeded.
    """
    return _kind_of(cell) if len(cell) <= LONGEST_CELL else _kind_of(cell.strip(BLANKS)[: LONGEST_CELL + 1])


@lru_cache(maxsize=65536)
def _kind_of(cell: str) -> str:
    cell = cell.strip(BLANKS)
    if not cell:
        return "blank"
    if len(cell) > LONGEST_CELL:
        return "text"
    if PLAIN_NUMBER.match(cell):
        return "stamp" if len(cell) == 14 and cell.isdigit() and cell[:2] in ("19", "20") else "number"
    missing = missing_kind(cell)
    if missing:
        return missing
    found = match_stamp(cell)
    if found:
        return found[0]
    if cell[-1] != "," and any(any_number(cell, decimal) is not None for decimal in ".,"):
        return "number"
    return "with unit" if WITH_UNIT.match(cell) else "text"


def missing_kind(cell: str) -> str:
    """Return 'absent', 'open' or '' for a cell that is neither."""
    low = cell.strip(BLANKS).casefold()
    if low in ABSENT_WORDS or (_DASHES.match(low) and "+" not in low):
        return "absent"
    return "open" if low in _OPEN_WORDS or _DASHES.match(low) else ""


def split_glued_stamp(cell: str) -> tuple[str, str] | None:
    """Return stamp and reading of a cell in which a blank parts them ('02/17/2026 09:08:14 26.73C'), else None."""
    if " " not in cell or len(cell) > LONGEST_CELL or match_stamp(cell):
        return None
    found = _GLUED_NUMBER.search(cell)
    while found:
        stamp = match_stamp(cell[: found.start()])
        if stamp:
            return cell[: found.start()], found[1]
        found = _GLUED_NUMBER.search(cell, found.start() + 1)
    return None
