"""Checks a report, one's own or somebody else's: hashes, then the whole report made again, then file by file."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path, PurePosixPath
from typing import Any, Final

from kit.errors import Faults, KitError
from kit.page.text import visible
from kit.publish.bundle import CHECKSUMS, LOOKED, descriptions
from kit.publish.compare import (
    ABSOLUTE,
    RELATIVE,
    FilesCompared,
    Moved,
    changed_entries,
    compare_files,
    compare_results,
    known_names,
)
from kit.publish.notebook import NotRunError, Order, Progress
from kit.publish.plain import canonical
from kit.publish.private import KEYS
from kit.publish.provenance import changes, dated, lenders, read_files, report_id
from kit.publish.report import rerun, take_order
from kit.publish.zips import unpack_hostile
from kit.results_file import ALWAYS, RESULTS, Report, read_part, read_results, reports_of
from kit.runtime.locked_tmp import private_folder

_SHOWN: Final = 12
_MOST_REPORTS: Final = 20  # in one bundle: each is made again
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
    equal, alike, drawn
        Files that are the same bytes; the same in text, values and pictures; the same but for what another version of
        the program that draws drew in them.
    trusted
        What nobody but its maker can vouch for.
    """

    name: str
    values: int = 0
    moved: tuple[Moved, ...] = ()
    files: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    faults: str = ""
    left_out: tuple[str, ...] = ()
    equal: int = 0
    alike: int = 0
    drawn: int = 0
    trusted: tuple[str, ...] = ()

    @property
    def agrees(self) -> bool:
        """Whether every file and every value is what was recorded; other versions alone are no difference."""
        return not (self.moved or self.files or self.faults)

    @property
    def words(self) -> str:
        """What was found, for the terminal; the last line says what was compared, and what was not."""
        more, largest = len(self.files) - _SHOWN, sorted(self.moved, key=lambda each: -each.size)[:_SHOWN]
        left = len(self.moved) - len(largest)
        drawn = "Pictures and pages can differ for that: recheck with what was recorded to be sure."
        lines = [
            self._verdict(),
            *self.files[:_SHOWN],
            f"and {more} files more" if more > 0 else "",
            f"It cannot be run again: {self.faults}" if self.faults else "",
            *(f"  {each}" for each in largest),
            f"  and {left} more" if left else "",
            f"Not as recorded: {'; '.join(self.changed)}." if self.changed else "",
            drawn if self.changed and self.files else "",
            f"Left out by its maker: {', '.join(self.left_out)}." if self.left_out else "",
            self._compared(),
        ]
        return visible("\n".join(filter(None, lines)))

    def _verdict(self) -> str:
        tolerance = f"within 1 part in {1 / RELATIVE:,.0f} (or {ABSOLUTE:g})"
        if self.agrees:
            but = f" but for what is drawn in {self.drawn}" if self.drawn else ""
            return f"{self.name}: all {self.values} values equal {tolerance}, all files as recorded{but}."
        if not self.values:
            return f"{self.name}: differs."
        files = f", {len(self.files)} faults of files" if self.files else ""
        return f"{self.name}: {len(self.moved)} of {self.values} values moved {tolerance}{files}."

    def _compared(self) -> str:
        done = (
            f"Compared: {self.values} values, {self.equal} files byte by byte, {self.alike} by what they show"
        )
        if self.faults or not self.trusted:
            return f"{done}."
        return f"{done}. Taken on its maker's word: {'; '.join(self.trusted)}."

    def as_record(self) -> dict[str, Any]:
        """Return it as plain data, for JSON."""
        names = {"equal": "files_equal", "alike": "files_alike", "drawn": "files_drawn_otherwise"}
        names |= {"trusted": "on_its_makers_word"}
        held = {names.get(key, key): value for key, value in asdict(self).items() if key != "name"}
        return {"agrees": self.agrees, **held}

    def __add__(self, other: Recheck) -> Recheck:
        both = {of.name: getattr(self, of.name) + getattr(other, of.name) for of in fields(self)}
        once = {of: tuple(dict.fromkeys(both[of])) for of in ("files", "changed", "trusted")}
        faults = "; ".join(filter(None, [self.faults, other.faults]))
        left_out = self.left_out or other.left_out
        return Recheck(**both | once | {"name": self.name, "faults": faults, "left_out": left_out})


def recheck(target: str | Path, progress: Progress | None = None) -> Recheck:
    """Check the newest report of a run folder, a report's own folder, or every report of a bundle.

    Nothing is run but the kit's own template of the recorded name, and nothing is written beside the target.

    Raises
    ------
    KitError
        Where the target is no run folder with a report and no bundle, or a zip that is made to harm.
    """
    path = Path(target).absolute()
    if not path.exists():
        remedy = "Check the path."
        raise KitError.refuse(str(target), "no such file or folder", "a run folder or a bundle", remedy)
    if path.is_file():
        return _recheck_zip(path, progress)
    inside = (path / RESULTS).is_file()
    reports = [
        each for each in reports_of(path.parents[1] if inside else path) if not inside or each.folder == path
    ]
    if not reports:
        remedy = f"Make one first: repeatburn report {path.name}"
        raise KitError.refuse(f"{path.name}/reports", "no report", "a report", remedy)
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
            found, remedy = f"no {CHECKSUMS} in one top folder", "Ask its maker for the bundle."
            raise KitError.refuse(path.name, found, "what `repeatburn bundle` makes", remedy)
        there = {name.partition("/")[2] for name in names}
        checked = Recheck(path.name, files=(*_wrong_files(run, there),), left_out=_left_out(run))
        _refuse_lenders_elsewhere(run)
        # what a correction kept of the report that it corrects is an input of that
        reports = [
            each for each in reports_of(run) if {path.name for path in each.folder.iterdir()} != {RESULTS}
        ]
        if not 0 < len(reports) <= _MOST_REPORTS:
            found, expected = (
                f"{len(reports) or 'no'} reports in it",
                f"one report, and at most {_MOST_REPORTS}",
            )
            raise KitError.refuse(path.name, found, expected, "Ask its maker for the bundle of one report.")
        for report in reports:
            checked += _run_again(report, path.name, progress)
        return checked + Recheck(path.name, files=(*_strangers(run, reports, there, checked.left_out),))


def _refuse_lenders_elsewhere(run: Path) -> None:
    """Refuse to read, for a stranger's bundle, what stands elsewhere on this disk."""
    faults = Faults()
    for place in lenders(run):
        if not place.resolve().is_relative_to(run.resolve()):
            expected, remedy = "a copy of it in the bundle", "Ask its maker for the bundle anew."
            faults.refuse("trial.toml, [model] borrow_from", f"'{place}', outside", expected, remedy)
    faults.settle()


def _wrong_files(run: Path, there: Iterable[str]) -> Iterator[str]:
    """Hold every file against the list of hashes; give what is wrong in words."""
    found = (_LINE.fullmatch(line) for line in (run / CHECKSUMS).read_text("utf-8", "replace").splitlines())
    listed = {line[2]: line[1] for line in found if line}
    names = {*there} - {CHECKSUMS}
    yield from (f"{name}: missing." for name in sorted(listed.keys() - names))
    yield from (f"{name}: not in the list of files." for name in sorted(names - listed.keys()))
    for file in read_files(run, sorted(names & listed.keys())):
        if file.sha256 != listed[file.name]:
            yield f"{file.name}: not what its hash says: changed since the bundle was made."


def _strangers(
    run: Path, reports: Iterable[Report], there: set[str], left_out: Iterable[str]
) -> Iterator[str]:
    """Give what in a bundle is no input, no file of a report, and no description as the kit writes it."""
    known = set()
    for report in reports:
        results = read_results(report.results, ALWAYS)
        known |= {each["name"] for each in results["inputs"]}
        known |= {name for name in there if name.startswith(f"reports/{report.folder.name}/")}
    known |= {name for name in there if name.startswith(f"reports/{LOOKED}") and _is_look(run / name)}
    newest = max(reports, key=lambda each: (each.date, each.number))
    names = sorted(known & there)
    for name, text in descriptions(run, newest.folder.name, run.name, left_out, names).items():
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
        wrong += _changed_inputs(was, order)
        with private_folder() as made, dated(report.date):
            now = rerun(order, made, progress)
            comparison, files = compare_results(was, now), _files_of(report, made, was, now)
    except (KitError, NotRunError, ValueError) as error:
        return Recheck(name, files=tuple(dict.fromkeys(wrong)), faults=str(error))
    except (RecursionError, OverflowError):
        return Recheck(name, faults=f"{RESULTS} holds values nested too deep, or too large, for any report")
    return Recheck(
        name,
        comparison.values,
        tuple(comparison.moved),
        tuple(dict.fromkeys([*wrong, *files.differing])),
        tuple(_changed(was, now)),
        equal=files.equal,
        alike=files.alike,
        drawn=files.in_words,
        trusted=(*_drawn(files, was), *_trusted(was, order)),
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
        expected = "a template of the kit's own"
        raise KitError.refuse(RESULTS, f"template {template[:60]!r}", expected, "Do not trust it.")
    named = [key for key in _PLACES if key in parameters]
    if named:
        found = f"a parameter that names a folder ({', '.join(named)})"
        raise KitError.refuse(RESULTS, found, "parameters without places", "Do not trust it.")
    order = take_order(run, template, parameters)
    if template != "history":
        return order
    sources = tuple(f"{name}/{RESULTS}" for name in parameters.get("reports", ()))
    for source in sources:
        inside = (run / source).resolve().is_relative_to(run.resolve())
        if not inside or ".." in PurePosixPath(source).parts:
            expected = "reports below the folder of the history"
            raise KitError.refuse(RESULTS, f"{source[:60]!r}", expected, "Do not trust it.")
    return replace(order, sources=sources)


def _false_record(report: Report, was: Mapping[str, Any]) -> Iterator[str]:
    place = f"reports/{report.folder.name}/{RESULTS}"
    if was["template"].get("name", "").replace("_", "-") != report.template:
        yield f"{place}: of another template than the folder's name says."
    if was["report"] != report_id(was["inputs"], was["parameters"], was["environment"], was["template"]):
        yield f"{place}: the report's id is not made of what it records."
    if canonical(was) != report.results.read_text("utf-8"):
        yield f"{place}: not set out as the kit does: something may stand in it twice."


def _files_of(report: Report, made: Path, was: Mapping[str, Any], now: Mapping[str, Any]) -> FilesCompared:
    then, here = was["environment"], now["environment"]
    if then.get("repeatburn") != here["repeatburn"] or was["template"] != now["template"]:
        version = then.get("repeatburn", "?")[:40]
        found = FilesCompared()
        found.differing.append(
            f"reports/{report.folder.name}: its pages cannot be compared: made by repeatburn {version} or by another "
            "template. Recheck it with that version."
        )
        return found
    names = known_names({**then, "report": was["report"]}, {**here, "report": now["report"]})
    found = compare_files(report.folder, made, names, then.get(PEN) == here[PEN])
    found.differing = [f"reports/{report.folder.name}/{each}" for each in found.differing]
    return found


def _drawn(files: FilesCompared, was: Mapping[str, Any]) -> tuple[str, ...]:
    if not files.in_words:
        return ()
    version = was["environment"].get(PEN, "?")[:40]
    return (
        f"what {PEN} {version}, as it says, drew in {files.in_words} files, of which only the words of SVG were "
        "compared: recheck with that version to be sure",
    )


def _trusted(was: Mapping[str, Any], order: Order) -> tuple[str, ...]:
    """Return in words what nothing in a report can show."""
    from kit.trial.run import BORROWED  # brings pandas, which a report needs in another process only

    if order.sources:
        return ("what the reports say that it is made of", "its date")
    names = [each["name"] for each in was["inputs"]]
    leaned = {
        "what the earlier trials that it borrows from measured": f"{BORROWED}/",
        "what the report that it corrects said": "reports/",
    }
    return (
        "that logs and sheets are of these burns",
        "that no earlier report is kept back",
        "its date",
        *(words for words, place in leaned.items() if any(name.startswith(place) for name in names)),
    )


def _changed_inputs(was: Mapping[str, Any], order: Order) -> list[str]:
    listed = [asdict(each) for each in order.read()]
    happened = changes(was["inputs"], listed)
    words = {
        "gone": "an input that is missing",
        "new": "an input that the report did not have",
        "changed": "an input that changed since the report",
    }
    found = [
        f"{name}: {said}." for kind, said in words.items() for name, change in happened if change == kind
    ]
    if not found and was["inputs"] != listed:
        found = [f"{RESULTS}: lists its inputs otherwise than they are."]
    return found


def _changed(was: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    template = was["template"].get("sha256") != now["template"].get("sha256")
    return [
        *changed_entries(was["environment"], now["environment"]),
        *(f"parameter {entry}" for entry in changed_entries(was["parameters"], now["parameters"])),
        *(["the template itself"] if template else []),
    ]


def _left_out(run: Path) -> tuple[str, ...]:
    try:
        found = json.loads((run / "datapackage.json").read_text("utf-8"))["leftOut"]
        return tuple(sorted(key for key in KEYS if key in found))
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return ()
