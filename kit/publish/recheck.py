"""Checks a report, one's own or somebody else's: hashes, then the whole report made again, then file by file."""

from __future__ import annotations

import base64
import io
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from itertools import takewhile, zip_longest
from pathlib import Path, PurePosixPath
from typing import Any, Final

from kit.errors import KitError
from kit.page.text import told_each, visible
from kit.publish.bundle import CHECKSUMS, LOOKED, descriptions, unpack_hostile
from kit.publish.notebook import NotRunError, Order, Progress, take_order
from kit.publish.plain import ABSOLUTE, RELATIVE, Moved, canonical, changed_entries, compare_values, same
from kit.publish.private import KEYS, PNG, picture_parts
from kit.publish.provenance import RESTS_ON, Records, changes, dated, lenders, names_in, read_files, report_id
from kit.publish.report import rerun
from kit.publish.wording import called, paragraph_of, refuse_all, refused, words
from kit.results_file import ALWAYS, RESULTS, Report, needed_reports, read_part, read_results, reports_of
from kit.runtime.atomic_write import private_folder

_SHOWN: Final = 12
_LINE: Final = re.compile(r"([0-9a-f]{64})  (.+)")
_PLACES: Final = ("run_folder", "output")
PEN: Final = "matplotlib"
"""What draws: no other program's version changes a picture."""


@dataclass(frozen=True)
class Recheck:
    """What a recheck found.

    Attributes
    ----------
    name
        Of what was checked.
    values
        How many values were compared; 0 where the run could not be done again.
    moved
        Values that differ.
    files
        What is wrong with files: changed, missing or unknown ones.
    changed
        Versions, template or parameters that differ from the recorded ones.
    faults
        Why it could not be run again, '' where it was.
    left_out
        What the bundle's maker left out.
    files_equal, files_alike, files_drawn_otherwise
        Files that are the same bytes; the same in text, values and pictures; the same but for what another version of
        the program that draws drew in them.
    on_its_makers_word
        What nobody but its maker can vouch for.
    """

    name: str
    values: int = 0
    moved: tuple[Moved, ...] = ()
    files: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    faults: str = ""
    left_out: tuple[str, ...] = ()
    files_equal: int = 0
    files_alike: int = 0
    files_drawn_otherwise: int = 0
    on_its_makers_word: tuple[str, ...] = ()

    @property
    def agrees(self) -> bool:
        """Whether every file and every value is what was recorded; other versions alone are no difference."""
        return not (self.moved or self.files or self.faults)

    @property
    def words(self) -> str:
        """What was found, for the terminal; the last line says what was compared, and what was not."""
        largest = sorted(self.moved, key=lambda each: -each.size)[:_SHOWN]
        parts = vars(self) | {
            "agrees": self.agrees,
            "unread": not (self.agrees or self.values),
            "moved": "" if self.agrees or not self.values else str(len(self.moved)),
            "wrong": f", {len(self.files)} faults of files" if self.files else "",
            "tolerance": f"1 part in {1 / RELATIVE:,.0f} (or {ABSOLUTE:g})",
            "files": "\n".join(self.files[:_SHOWN]),
            "more_files": max(0, len(self.files) - _SHOWN),
            "largest": "\n".join(f"  {each}" for each in largest),
            "more_moved": len(self.moved) - len(largest),
            "changed": "; ".join(self.changed),
            "pictures": self.changed and self.files,
            "left_out": ", ".join(self.left_out),
            "trusted": "" if self.faults else "; ".join(self.on_its_makers_word),
        }
        return visible("\n".join(told_each(words()["recheck"], parts)))

    def as_record(self) -> dict[str, Any]:
        """Return it as plain data, for JSON."""
        return {"agrees": self.agrees, **{key: held for key, held in asdict(self).items() if key != "name"}}


def recheck(target: str | Path, progress: Progress | None = None) -> Recheck:
    """Check the newest report of a run folder, a report's own folder, or the report of a bundle.

    Nothing is run but the kit's own template of the recorded name, and nothing is written beside the target.

    Raises
    ------
    KitError
        Where the target is no run folder with a report and no bundle, or a zip that is made to harm.
    """
    path = Path(target).absolute()
    if not path.exists():
        raise refused("nothing_there", target)
    if path.is_file():
        return _recheck_zip(path, progress)
    inside = (path / RESULTS).is_file()
    reports = needed_reports(path.parents[1], at=path) if inside else needed_reports(path)
    newest = next((each for each in reports if each.template == "standard"), reports[0])
    return _run_again(newest, newest.run.name, progress)


def _recheck_zip(path: Path, progress: Progress | None) -> Recheck:
    with private_folder() as folder:
        unpacked = folder / "unpacked"
        unpacked.mkdir()
        names = unpack_hostile(path, unpacked)
        tops = {name.split("/")[0] for name in names}
        run = unpacked / min(tops, default="")
        if len(tops) != 1 or not (run / CHECKSUMS).is_file():
            raise refused("no_bundle", path.name, checksums=CHECKSUMS)
        there = {name.partition("/")[2] for name in names}
        left_out: tuple[str, ...] = ()
        with suppress(OSError, ValueError, KeyError, TypeError, RecursionError):
            listed = json.loads((run / "datapackage.json").read_text("utf-8"))["leftOut"]
            left_out = tuple(sorted(key for key in KEYS if key in listed))
        found = map(_LINE.fullmatch, (run / CHECKSUMS).read_text("utf-8", "replace").splitlines())
        sums = ({"name": line[2], "sha256": line[1]} for line in found if line)
        wrong = _told("listed", sums, read_files(run, sorted(there - {CHECKSUMS})))
        # a stranger's bundle has nothing to read that stands elsewhere on this disk
        refuse_all(
            refused("borrows_outside", "trial.toml, [model] borrow_from", place=place)
            for place in lenders(run)
            if not place.resolve().is_relative_to(run.resolve())
        )
        # what a correction kept of the report that it corrects is an input of that
        reports = [
            each for each in reports_of(run) if {path.name for path in each.folder.iterdir()} != {RESULTS}
        ]
        if len(reports) != 1:
            raise refused("many_reports", path.name, n=len(reports) or "no")
        checked = _run_again(reports[0], path.name, progress)
        files = dict.fromkeys([*wrong, *checked.files, *_strangers(run, reports[0], there, left_out)])
        return replace(checked, files=tuple(files), left_out=left_out)


def _told(key: str, before: Records, now: Records) -> list[str]:
    """Say which files are gone, new or changed, in the words of words.toml for these."""
    return [f"{name}: {called(key, change)}." for name, change in changes(before, now)]


def _strangers(run: Path, report: Report, there: set[str], left_out: Iterable[str]) -> Iterator[str]:
    """Give what in a bundle is no input, no file of its report, and no description as the kit writes it."""
    known = {each["name"] for each in read_results(report.results, ALWAYS)["inputs"]}
    known |= {name for name in there if name.startswith(f"reports/{report.folder.name}/")}
    known |= {name for name in there if name.startswith(f"reports/{LOOKED}") and _is_look(run / name)}
    names = sorted(known & there)
    for name, text in descriptions(run, report.folder.name, run.name, left_out, names).items():
        known.add(name)
        if name in there and (run / name).read_bytes() != text.encode():
            yield f"{name}: not as the kit describes this bundle."
    yield from (f"{name}: no input of a report and no file of one." for name in sorted(there - known))


def _is_look(path: Path) -> bool:
    """Return whether a file tells of an earlier look at the data as a bundle does, and of nothing else."""
    keys = {"schema", "inputs"}
    return path.name == RESULTS and canonical(read_part(path, keys, keys)) == path.read_text("utf-8")


def _run_again(report: Report, name: str, progress: Progress | None) -> Recheck:
    was = read_results(report.results, ALWAYS)
    wrong: list[str] = []
    try:
        wrong += _false_record(report, was)
        order = _order_of(report.run, was)
        if was["inputs"] != (inputs := order.read()):
            otherwise = [f"{RESULTS}: lists its inputs otherwise than they are."]
            wrong += _told("inputs", was["inputs"], inputs) or otherwise
        with private_folder() as made, dated(report.date):
            now = rerun(order, made, progress)
            (values, moved), files = compare_results(was, now), _files_of(report, made, was, now)
        changed = changed_entries(was["environment"], now["environment"])
        of_run = changed_entries(was["parameters"], now["parameters"])
        another = was["template"].get("sha256") != now["template"].get("sha256")
        changed += [*(f"parameter {entry}" for entry in of_run), *["the template itself"] * another]
    except (KitError, NotRunError, ValueError) as error:
        return Recheck(name, files=tuple(dict.fromkeys(wrong)), faults=str(error))
    except (RecursionError, OverflowError):
        return Recheck(name, faults=f"{RESULTS} holds values nested too deep, or too large, for any report")
    return Recheck(
        name,
        values,
        tuple(moved),
        tuple(dict.fromkeys([*wrong, *files.differing])),
        tuple(changed),
        files_equal=files.equal,
        files_alike=files.alike,
        files_drawn_otherwise=files.in_words,
        on_its_makers_word=_trusted(files, was, order),
    )


def _order_of(run: Path, was: Mapping[str, Any]) -> Order:
    """Return what is to be made again: by the kit's own template, in the folder that is there, and nowhere else.

    Raises
    ------
    KitError
        Where a parameter names a folder, or the template is none of the kit's.
    """
    template, parameters = was["template"].get("name", ""), was["parameters"]
    if not re.fullmatch(r"[a-z_]+", template):
        raise refused("strange_template", RESULTS, name=template[:60])
    if named := [key for key in _PLACES if key in parameters]:
        raise refused("places_named", RESULTS, named=", ".join(named))
    order = take_order(run, template, parameters)
    for source in order.sources:
        inside = (run / source).resolve().is_relative_to(run.resolve())
        if not inside or ".." in PurePosixPath(source).parts:
            raise refused("sources_outside", RESULTS, source=source[:60])
    return order


def _false_record(report: Report, was: Mapping[str, Any]) -> Iterator[str]:
    place = f"reports/{report.folder.name}/{RESULTS}"
    if was["template"].get("name", "").replace("_", "-") != report.template:
        yield f"{place}: of another template than the folder's name says."
    if was["report"] != report_id(was):
        yield f"{place}: the report's id is not made of what it records."
    if canonical(was) != report.results.read_text("utf-8"):
        yield f"{place}: not set out as the kit does: something may stand in it twice."


def _files_of(report: Report, made: Path, was: Mapping[str, Any], now: Mapping[str, Any]) -> FilesCompared:
    then, here = was["environment"], now["environment"]
    if then.get("repeatburn") != here["repeatburn"] or was["template"] != now["template"]:
        version = then.get("repeatburn", "?")[:40]
        told = paragraph_of("another_version", report=report.folder.name, version=version)
        return FilesCompared(differing=[told])
    # what stands for what: ids and versions, of those that look like one
    pairs = [*((here[key], then[key]) for key in here if key in then), (now["report"], was["report"])]
    names = {new: old for new, old in pairs if new != old and len(new) > 2 and _VERSION.fullmatch(old)}
    found = compare_files(report.folder, made, names, then.get(PEN) == here[PEN])
    found.differing = [f"reports/{report.folder.name}/{each}" for each in found.differing]
    return found


def _trusted(files: FilesCompared, was: Mapping[str, Any], order: Order) -> tuple[str, ...]:
    """Return in words what nothing in a report can show."""
    from kit.trial.run import BORROWED  # brings pandas, which a report needs in another process only

    names = [each["name"] for each in was["inputs"]]
    parts = {
        "pen": f"{PEN} {was['environment'].get(PEN, '?')[:40]}",
        "drawn": files.in_words,
        "history": bool(order.sources),
        "borrows": not order.sources and any(name.startswith(f"{BORROWED}/") for name in names),
        "corrects": not order.sources and any(name.startswith("reports/") for name in names),
    }
    return tuple(told_each(words()["trusted"], parts))


_NOT_COMPARED: Final = frozenset({"report", *RESTS_ON})
"""What a report is made from, and the id made of it: recheck holds these against the inputs, and tells of versions."""


def compare_results(was: Mapping[str, Any], now: Mapping[str, Any]) -> tuple[int, list[Moved]]:
    """Return how many single values two results hold, apart from what they are made from, and those that differ."""
    then, here = ({key: each for key, each in of.items() if key not in _NOT_COMPARED} for of in (was, now))
    return compare_values(then, here)


# a number begins where no letter or digit stands before it, so that no digit is looked at twice
# and its digits are ASCII's: others make the same number, and no line of a drawing
_NUMBER: Final = re.compile(r"(?<![\w.])(-?[0-9]+\.[0-9]+(?:e[-+]?[0-9]+)?)(?![\w.])")
_TAG: Final = re.compile(r"<[^<>]*>")
_KIND: Final = re.compile(r"</?[\w:-]+|\s[\w:-]+=")
_ADDRESS: Final = re.compile(r"//[^\s\"'<>)]*")
_VERSION: Final = re.compile(r"[\w.+ -]{1,40}")
_PICTURE: Final = re.compile(r"data:image/(?:svg\+xml|png);base64,([A-Za-z0-9+/=]*)")
_PIXELS: Final = 2  # of 255: rounding in a picture's colours
_PIECE: Final = 60


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


def _difference(
    name: str, theirs: bytes, ours: bytes, names: Mapping[str, str], in_words: bool = False
) -> str:
    if name.endswith(".png"):
        return "" if _same_picture(theirs, ours, in_words) else "another picture."
    was, now = (each.decode("utf-8", "surrogateescape") for each in (theirs, ours))
    if names and not name.endswith(".csv"):  # a table holds no versions
        known = re.compile(rf"(?<!\w)(?<!\w\.)(?:{'|'.join(map(re.escape, names))})(?!\w|\.\w)")
        now = known.sub(lambda found: names[found[0]], now)
    return _first_difference(_in_words(was), _in_words(now)) if in_words else _first_difference(was, now)


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


def _first_difference(was: str, now: str) -> str:
    """Return in words where two texts part: numbers in them within the tolerance, pictures by what they show."""
    pairs = zip_longest(_PICTURE.split(was), _PICTURE.split(now), fillvalue="")
    for place, (one, other) in enumerate(pairs):
        if place % 2 or one == other:
            if one != other and not _same_picture(_decoded(one), _decoded(other)):
                return "a picture in it is another one."
            continue
        for piece, (before, after) in enumerate(zip_longest(_NUMBER.split(one), _NUMBER.split(other)), 1):
            numbers = all(each and _NUMBER.fullmatch(each) for each in (before, after))
            if before != after and not (numbers and same(float(before), float(after))):
                exact = _short(before, after), _short(after, before)
                spaced = tuple(each.replace(r"\xa0", " ") for each in exact)
                shown = spaced if spaced[0] != spaced[1] else exact
                return f"piece {piece} was {shown[0]}, is {shown[1]}."
    return ""


def _short(piece: str | None, other: str | None) -> str:
    """Return a piece from where it parts from the other."""
    if piece is None:
        return "nothing"
    alike = takewhile(lambda pair: pair[0] == pair[1], zip(piece, other or "", strict=False))
    begin = max(0, len(list(alike)) - _PIECE // 3)
    return repr(piece[begin : begin + _PIECE])


def _decoded(words: str) -> bytes:
    try:
        return base64.b64decode(words)
    except ValueError:
        return b""


def _same_picture(theirs: bytes, ours: bytes, in_words: bool = False) -> bool:
    """Return whether two PNG or SVG show the same: an SVG its elements, a PNG its pixels, and nothing beside them."""
    if not ours.startswith(PNG):
        return not _first_difference(*(each.decode("utf-8", "surrogateescape") for each in (theirs, ours)))
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
