"""Two folders of one report, recorded and made again, compared file by file."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import zip_longest
from pathlib import Path
from typing import Final

from kit.publish.compare import same
from kit.results_file import RESULTS

# a number begins where no letter or digit stands before it, so that no digit is looked at twice
_NUMBER: Final = re.compile(r"(?<![\w.])(-?\d+\.\d+(?:e[-+]?\d+)?)(?![\w.])")
_VERSION: Final = re.compile(r"[\w.+ -]{1,40}")
_DRAWN: Final = frozenset({".png", ".svg", ".jpg", ".mp4", ".webm"})
_PIXELS: Final = 2  # of 255: rounding in a picture's colours
_SHOWN: Final = 60


@dataclass
class FilesCompared:
    """What came of it.

    Attributes
    ----------
    equal, alike
        How many files are the same bytes; the same text and values.
    differing
        What is wrong with the others, in words.
    trusted
        Pictures that other versions drew: they can only be taken on their maker's word.
    """

    equal: int = 0
    alike: int = 0
    differing: list[str] = field(default_factory=list)
    trusted: list[str] = field(default_factory=list)


def compare_files(was: Path, now: Path, names: Mapping[str, str], same_programs: bool) -> FilesCompared:
    """Compare every file of a recorded report with the one made again.

    Parameters
    ----------
    was, now
        The folders.
    names
        What stands for what: ids and versions, as they are now, and as they were.
    same_programs
        Whether the same versions of all libraries made both: then pictures and mark-up are held against each other
        too, else the words and numbers that a reader sees.
    """
    found = FilesCompared()
    recorded, made = _listed(was), _listed(now)
    found.differing += [f"{name}: missing." for name in sorted(made - recorded)]
    found.differing += [f"{name}: no file of this report." for name in sorted(recorded - made)]
    for name in sorted(recorded & made):
        theirs, ours = (was / name).read_bytes(), (now / name).read_bytes()
        if theirs == ours:
            found.equal += 1
            continue
        if name == RESULTS:  # compared value by value
            continue
        suffix = Path(name).suffix
        if suffix in _DRAWN and not same_programs:
            found.trusted.append(name)
            continue
        difference = _difference(suffix, theirs, ours, names, same_programs)
        if difference:
            found.differing.append(f"{name}: {difference}")
        else:
            found.alike += 1
    return found


def known_names(was: Mapping[str, str], now: Mapping[str, str]) -> dict[str, str]:
    """Return, for each of now's ids or versions, what it was: of those that look like one."""
    return {
        value: was[key]
        for key, value in now.items()
        if key in was and value != was[key] and len(value) > 2 and _VERSION.fullmatch(was[key])
    }


def _listed(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


def _difference(
    suffix: str, theirs: bytes, ours: bytes, names: Mapping[str, str], same_programs: bool
) -> str:
    if suffix in (".png", ".jpg"):
        return "" if _same_picture(theirs, ours) else "another picture."
    before, after = (content.decode("utf-8", "surrogateescape") for content in (theirs, ours))
    for value, recorded in names.items():
        after = after.replace(value, recorded)
    if suffix == ".csv":
        return _first_difference(_cells(before), _cells(after), "cell")
    if same_programs:
        return _first_difference(_NUMBER.split(before), _NUMBER.split(after), "piece")
    read: Callable[[str], list[str]] = _seen if suffix == ".html" else str.split
    return _first_difference(read(before), read(after), "word")


def _cells(text: str) -> list[str]:
    return [cell for row in csv.reader(io.StringIO(text, newline="")) for cell in row]


def _seen(page: str) -> list[str]:
    """Return the words of a page: what stands outside tags, style sheets and drawings."""
    words, hidden = [], ""
    for piece in page.split("<"):
        tag, _, text = piece.partition(">")
        name = tag.split(None, 1)[0] if tag.strip() else ""
        if hidden:
            hidden = "" if name == f"/{hidden}" else hidden
        elif name in ("style", "svg"):
            hidden = name
        if not hidden:
            words += text.split()
    return words


def _first_difference(before: Sequence[str], after: Sequence[str], what: str) -> str:
    """Return in words where two sequences part, numbers being one within the tolerance of values."""
    for place, (was, now) in enumerate(zip_longest(before, after), 1):
        if was != now and not (was and now and _same_number(was, now)):
            return f"{what} {place} was {_short(was, now)}, is {_short(now, was)}."
    return ""


def _same_number(was: str, now: str) -> bool:
    return bool(_NUMBER.fullmatch(was) and _NUMBER.fullmatch(now)) and same(float(was), float(now))


def _short(piece: str | None, other: str | None) -> str:
    """Return a piece from where it parts from the other."""
    if piece is None:
        return "nothing"
    pairs = enumerate(zip(piece, other or "", strict=False))
    start = next((i for i, (a, b) in pairs if a != b), min(len(piece), len(other or "")))
    begin = max(0, start - _SHOWN // 3)
    return repr(piece[begin : begin + _SHOWN]).replace(r"\xa0", " ")


def _same_picture(theirs: bytes, ours: bytes) -> bool:
    import numpy as np
    from matplotlib.image import imread

    try:
        pictures = [np.asarray(imread(io.BytesIO(each))) for each in (theirs, ours)]
    except (OSError, ValueError, SyntaxError):  # as the reader of pictures says of what is none
        return False
    before, after = pictures
    return before.shape == after.shape and bool(np.abs(before - after).max(initial=0) * 255 <= _PIXELS)
