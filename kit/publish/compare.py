"""Results compared value by value, reports file by file, within one tolerance; a report and the earlier ones."""

from __future__ import annotations

import base64
import io
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import takewhile, zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from kit.errors import KitError
from kit.publish.plain import records
from kit.publish.private import PNG, picture_parts
from kit.publish.provenance import COMPARED, RESTS_ON, changes, environment, names_in, read_inputs
from kit.publish.wording import called
from kit.results_file import RESULTS, corrected_report, read_part, read_results

if TYPE_CHECKING:
    import pandas as pd

RELATIVE: Final = 1e-6
ABSOLUTE: Final = 1e-9
"""Two numbers are one where they differ by less than either: more than rounding on another machine, far less than
any digit shown."""

_NOT_COMPARED: Final = frozenset({"report", *RESTS_ON})
"""What a report is made from, and the id made of it: recheck holds these against the inputs, and tells of versions."""
_KEYS: Final = (
    "metric", "quantity", "component", "fuel", "a", "b", "burn", "bag", "day", "cook", "setting", "probe", "flag",
    "source", "scope", "level_left_out", "left_out", "what", "where", "planned", "elapsed_s", "files", "id", "name",
)  # fmt: skip


@dataclass(frozen=True)
class Moved:
    """One value that is not what it was: where it stands, what it was and is."""

    where: str
    was: object
    now: object

    @property
    def size(self) -> float:
        """How far it moved, relative to its size; infinite for what is no number, or has come or gone."""
        if isinstance(self.was, int | float) and isinstance(self.now, int | float):
            return abs(self.was - self.now) / max(abs(self.was), abs(self.now), 1e-300)
        return math.inf

    def __str__(self) -> str:
        return f"{self.where}: was {said(self.was)}, is {said(self.now)}"


def said(value: object) -> str:
    """Return a value as it stands in a sentence: nine digits of a number."""
    if value is None:
        return "no value"
    return f"{value:.9g}" if isinstance(value, float) else repr(value)


def _side_by_side(was: Any, now: Any, where: str) -> Iterator[Moved]:
    """Yield every single value of two results, with what it was and is."""
    if _is_rows(was) and _is_rows(now):
        was, now = dict(_named(was)), dict(_named(now))
    elif isinstance(was, list) and isinstance(now, list) and len(was) == len(now):
        was, now = ({f"entry {i}": each for i, each in enumerate(values, 1)} for values in (was, now))
    if isinstance(was, Mapping) and isinstance(now, Mapping):
        for key in {**was, **now}:
            yield from _side_by_side(was.get(key), now.get(key), f"{where}, {key}" if where else str(key))
    else:
        yield Moved(where, was, now)


def _is_rows(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(row, Mapping) for row in value)


def _named(rows: Sequence[Mapping[str, Any]]) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Name each row by what it is of, so that a row that came or went does not shift the others."""
    seen: dict[str, int] = {}
    for row in rows:
        parts = (f"{key} {row[key]}" for key in _KEYS if isinstance(row.get(key), str | int | float))
        name = ", ".join(parts) or "row"
        seen[name] = seen.get(name, 0) + 1
        yield (name if seen[name] == 1 else f"{name}, no. {seen[name]}"), row


def same(was: Any, now: Any) -> bool:
    """Return whether two single values are one, numbers within the tolerance."""
    numbers = [each for each in (was, now) if isinstance(each, int | float) and not isinstance(each, bool)]
    if len(numbers) == 2:
        return math.isclose(was, now, rel_tol=RELATIVE, abs_tol=ABSOLUTE)
    return type(was) is type(now) and was == now


def compare_results(was: Mapping[str, Any], now: Mapping[str, Any]) -> tuple[int, list[Moved]]:
    """Return how many single values two results hold, apart from what they are made from, and those that differ."""
    then, here = ({key: each for key, each in of.items() if key not in _NOT_COMPARED} for of in (was, now))
    pairs = list(_side_by_side(then, here, ""))
    differing = (pair for pair in pairs if not same(pair.was, pair.now))
    return len(pairs), [Moved(each.where, _size(each.was), _size(each.now)) for each in differing]


def _size(value: object) -> object:
    """Return how much a value holds, where it is no single one: a stranger may have nested it deep."""
    return f"{len(value)} values" if isinstance(value, Mapping | list) else value


def changed_entries(was: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """Return 'numpy 2.0.1, now 2.1.0' for each entry that differs."""
    return [
        f"{key} {was.get(key, 'absent')}, now {now.get(key, 'absent')}"
        for key in sorted({*was, *now})
        if was.get(key) != now.get(key)
    ]


# a number begins where no letter or digit stands before it, so that no digit is looked at twice
# and its digits are ASCII's: others make the same number, and no line of a drawing
_NUMBER: Final = re.compile(r"(?<![\w.])(-?[0-9]+\.[0-9]+(?:e[-+]?[0-9]+)?)(?![\w.])")
_TAG: Final = re.compile(r"<[^<>]*>")
_KIND: Final = re.compile(r"</?[\w:-]+|\s[\w:-]+=")
_ADDRESS: Final = re.compile(r"//[^\s\"'<>)]*")
_VERSION: Final = re.compile(r"[\w.+ -]{1,40}")
_PICTURE: Final = re.compile(r"data:image/(?:svg\+xml|png);base64,([A-Za-z0-9+/=]*)")
_PIXELS: Final = 2  # of 255: rounding in a picture's colours
_SHOWN: Final = 60


@dataclass
class FilesCompared:
    """What came of it.

    Attributes
    ----------
    equal, alike
        How many files are the same bytes; the same text, values and pictures.
    differing
        What is wrong with the others, in words.
    in_words
        How many are alike but for what another program drew in them: there only the words of drawings were compared.
    """

    equal: int = 0
    alike: int = 0
    differing: list[str] = field(default_factory=list)
    in_words: int = 0


def compare_files(was: Path, now: Path, names: Mapping[str, str], same_pen: bool = True) -> FilesCompared:
    """Compare every file of a recorded report with the one made again; results.json is compared value by value.

    Parameters
    ----------
    was, now
        The folders.
    names
        What stands for what: ids and versions, as they are now, and as they were.
    same_pen
        Whether the same version of what draws drew both: another sets lines and letters elsewhere, and leaves alone
        what words a drawing holds and of what kinds of element it is made.
    """
    found = FilesCompared()
    recorded, made = (set(names_in(of)) for of in (was, now))
    found.differing += [f"{name}: missing." for name in sorted(made - recorded)]
    found.differing += [f"{name}: no file of this report." for name in sorted(recorded - made)]
    for name in sorted(recorded & made):
        theirs, ours = (was / name).read_bytes(), (now / name).read_bytes()
        if theirs == ours:
            found.equal += 1
        elif name != RESULTS:
            difference = _difference(name, theirs, ours, names)
            if not difference:
                found.alike += 1
            elif same_pen or _difference(name, theirs, ours, names, in_words=True):
                found.differing.append(f"{name}: {difference}")
            else:
                found.in_words += 1
    return found


def known_names(was: Mapping[str, str], now: Mapping[str, str]) -> dict[str, str]:
    """Return, for each of now's ids or versions, what it was: of those that look like one."""
    return {
        value: was[key]
        for key, value in now.items()
        if key in was and value != was[key] and len(value) > 2 and _VERSION.fullmatch(was[key])
    }


def _difference(
    name: str, theirs: bytes, ours: bytes, names: Mapping[str, str], in_words: bool = False
) -> str:
    if name.endswith(".png"):
        return "" if _same_picture(theirs, ours, in_words) else "another picture."
    was, now = _texts(theirs, ours)
    if not name.endswith(".csv"):  # a table holds no versions
        now = _renamed(now, names)
    return _first_difference(_in_words(was), _in_words(now)) if in_words else _first_difference(was, now)


def _texts(*contents: bytes) -> tuple[str, ...]:
    return tuple(content.decode("utf-8", "surrogateescape") for content in contents)


def _in_words(page: str) -> str:
    """Return a text in which drawings are replaced by their words, kinds of elements, and addresses."""
    pieces = _PICTURE.split(page)
    drawings = map(_decoded, pieces[1::2])
    pieces[1::2] = ["" if each.startswith(PNG) else each.decode("utf-8", "replace") for each in drawings]
    before, *drawn = "".join(pieces).split("<svg")
    for each in drawn:
        drawing, _, after = each.partition("</svg>")
        words = (word for word in _TAG.split(drawing) if word.strip())
        kinds = sorted({*_KIND.findall(drawing)})
        before += "\n".join([*words, *kinds, *_ADDRESS.findall(drawing), after])
    return before


def _renamed(text: str, names: Mapping[str, str]) -> str:
    """Return a text with each of these words, where it stands by itself, replaced by another."""
    if not names:
        return text
    words = re.compile(rf"(?<!\w)(?<!\w\.)(?:{'|'.join(map(re.escape, names))})(?!\w|\.\w)")
    return words.sub(lambda found: names[found[0]], text)


def _first_difference(was: str, now: str) -> str:
    """Return in words where two texts part: numbers in them within the tolerance, pictures by what they show."""
    pairs = zip_longest(_PICTURE.split(was), _PICTURE.split(now), fillvalue="")
    for place, (one, other) in enumerate(pairs):
        if place % 2 or one == other:
            if one != other and not _same_picture(_decoded(one), _decoded(other)):
                return "a picture in it is another one."
            continue
        for piece, (before, after) in enumerate(zip_longest(_NUMBER.split(one), _NUMBER.split(other)), 1):
            if before != after and not (before and after and _same_number(before, after)):
                exact = _short(before, after), _short(after, before)
                spaced = tuple(each.replace(r"\xa0", " ") for each in exact)
                shown = spaced if spaced[0] != spaced[1] else exact
                return f"piece {piece} was {shown[0]}, is {shown[1]}."
    return ""


def _same_number(was: str, now: str) -> bool:
    return bool(_NUMBER.fullmatch(was) and _NUMBER.fullmatch(now)) and same(float(was), float(now))


def _short(piece: str | None, other: str | None) -> str:
    """Return a piece from where it parts from the other."""
    if piece is None:
        return "nothing"
    alike = takewhile(lambda pair: pair[0] == pair[1], zip(piece, other or "", strict=False))
    begin = max(0, len(list(alike)) - _SHOWN // 3)
    return repr(piece[begin : begin + _SHOWN])


def _decoded(words: str) -> bytes:
    try:
        return base64.b64decode(words)
    except ValueError:
        return b""


def _same_picture(theirs: bytes, ours: bytes, in_words: bool = False) -> bool:
    """Return whether two PNG or SVG show the same: an SVG its elements, a PNG its pixels, and nothing beside them."""
    if not ours.startswith(PNG):
        return not _first_difference(*_texts(theirs, ours))
    parts, own = ([*picture_parts(each)] if each.startswith(PNG) else [] for each in (theirs, ours))
    if in_words:  # it holds none: parts of the same kinds, and nothing beside them
        return {kind or part for kind, part in parts} == {kind or part for kind, part in own}
    # size, colours, notes and further frames make the same pixels look otherwise
    if [part for part in parts if part[0] != b"IDAT"] != [part for part in own if part[0] != b"IDAT"]:
        return False
    import numpy as np
    from PIL import Image

    try:
        before, after = (np.asarray(Image.open(io.BytesIO(each)), dtype=int) for each in (theirs, ours))
    except (OSError, ValueError, SyntaxError):  # as the reader of pictures says of what is none
        return False
    return bool(np.abs(before - after).max(initial=0) <= _PIXELS)


def earlier_looks(folder: Path) -> int:
    """Return how many different states of the data earlier reports of a folder were made from, this one not counted.

    A report made again from the same files is no further look, so the same inputs give the same count.
    """
    now = state_of({"inputs": read_inputs(folder)})
    return len({*map(state_of, looks_of(folder).values())} - {now, frozenset()})


def looks_of(folder: Path) -> dict[str, dict[str, Any]]:
    """Return what reports of a folder, by name, say of their inputs; one that cannot be read tells of no look."""
    found = {}
    for path in sorted((folder / "reports").glob(f"[!.]*/{RESULTS}")):
        with suppress(KitError):
            found[path.parent.name] = read_part(path, {"inputs"}, {"inputs"})
    return found


def state_of(results: Mapping[str, Any]) -> frozenset[tuple[str, str]]:
    """Return names and hashes of the data a report was made from."""
    pairs = ((row["name"], row["sha256"]) for row in results["inputs"])
    return frozenset(pair for pair in pairs if pair[0] == "burns.csv" or pair[0].startswith("logs/"))


_FIRST: Final = ("comparisons", "means")


@dataclass(frozen=True, eq=False)
class Correction:
    """What a report changes of an earlier one.

    Attributes
    ----------
    moved
        Columns table, what, was, now: a row a value, verdicts first, then comparisons and means.
    verdicts
        How many verdicts changed.
    causes
        Inputs, exclusions and versions that differ between the two, in words.
    """

    moved: pd.DataFrame
    verdicts: int
    causes: tuple[str, ...]


def correction_of(analysis: Any) -> Correction | None:
    """Return what differs from the report that the trial file's `corrects` names; None where it names none.

    Parameters
    ----------
    analysis
        The analysis; `corrects` holds the name of a folder in reports/.

    Raises
    ------
    KitError
        Where no report of that name stands in the folder.
    """
    import pandas as pd

    name = getattr(analysis.run.trial, "corrects", "")
    if not name:
        return None
    was = read_results(corrected_report(analysis.run.folder, name))
    tables = {key: table for key in COMPARED if hasattr(table := getattr(analysis, key, None), "iterrows")}
    earlier = {key: was.get(key, []) for key in tables}
    now = {key: records(table) for key, table in tables.items()}
    moved = sorted(compare_results(earlier, now)[1], key=_weight)
    rows = [(*each.where.split(", ", 1), said(each.was), said(each.now)) for each in moved]
    verdicts = sum(each.where.endswith(", verdict") for each in moved)
    frame = pd.DataFrame(rows, columns=["table", "what", "was", "now"], dtype=object)
    return Correction(frame, verdicts, tuple(_causes(analysis, was)))


def _weight(moved: Moved) -> tuple[bool, int]:
    table = moved.where.partition(",")[0]
    return not moved.where.endswith(", verdict"), _FIRST.index(table) if table in _FIRST else len(_FIRST)


def _causes(analysis: Any, was: Mapping[str, Any]) -> Iterator[str]:
    for name, change in changes(was.get("inputs", []), read_inputs(Path(analysis.run.folder))):
        if change != "new" or not name.startswith("reports/"):
            yield f"{name} {called('behind', change)}"
    yield from _exclusions(analysis, was)
    yield from changed_entries(was.get("environment", {}), environment())


def _exclusions(analysis: Any, was: Mapping[str, Any]) -> Iterator[str]:
    then = {str(row.get("burn")): str(row.get("excluded") or "") for row in was.get("burns", [])}
    for row in records(analysis.run.burns):
        before, reason = then.get(str(row["burn"])), str(row.get("excluded") or "")
        if before is not None and before != reason:
            yield f"burn {row['burn']} {f'is left out now: {reason}' if reason else 'counts again'}"
