"""Checks a report, one's own or somebody else's: hashes, then the whole run again, then value by value."""

from __future__ import annotations

import hashlib
import json
import re
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from kit.errors import KitError, Problem
from kit.page.text import visible
from kit.publish.bundle import CHECKSUMS, newest_report
from kit.publish.compare import ABSOLUTE, RELATIVE, Moved, changed_entries, compare_results
from kit.publish.notebook import Progress
from kit.publish.provenance import read_inputs
from kit.publish.report import rerun, take_order
from kit.publish.zips import unpack_hostile
from kit.results_file import RESULTS
from kit.schema import RESULTS_SCHEMA

_SHOWN: Final = 12
_LINE: Final = re.compile(r"([0-9a-f]{64})  (.+)")


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
    """

    name: str
    values: int = 0
    moved: tuple[Moved, ...] = ()
    files: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    faults: str = ""
    left_out: tuple[str, ...] = field(default=())

    @property
    def agrees(self) -> bool:
        """Whether every file and every value is what was recorded; other versions alone are no difference."""
        return not (self.moved or self.files or self.faults)

    @property
    def words(self) -> str:
        """What was found, for the terminal."""
        lines = [self._verdict(), *self.files]
        lines += [f"It cannot be run again: {self.faults}"] if self.faults else []
        largest = sorted(self.moved, key=lambda each: -each.size)[:_SHOWN]
        lines += [f"  {each}" for each in largest]
        if len(self.moved) > len(largest):
            lines.append(f"  and {len(self.moved) - len(largest)} more")
        if self.changed:
            lines.append(f"Not as recorded: {'; '.join(self.changed)}.")
        if self.left_out:
            lines.append(f"Left out by its maker: {', '.join(self.left_out)}.")
        return visible("\n".join(lines))

    def _verdict(self) -> str:
        tolerance = f"within 1 part in {1 / RELATIVE:,.0f} (or {ABSOLUTE:g})"
        if self.agrees:
            return f"{self.name}: all {self.values} values equal {tolerance}, all files as recorded."
        if not self.values:
            return f"{self.name}: differs."
        return f"{self.name}: {len(self.moved)} of {self.values} values moved {tolerance}."

    def as_record(self) -> dict[str, Any]:
        """Return it as plain data, for JSON."""
        return {
            "agrees": self.agrees,
            "values": self.values,
            "moved": [{"where": each.where, "was": each.was, "now": each.now} for each in self.moved],
            "files": list(self.files),
            "changed": list(self.changed),
            "faults": self.faults,
            "left_out": list(self.left_out),
        }


def recheck(target: str | Path, progress: Progress | None = None) -> Recheck:
    """Check the newest report of a run folder, a report's own folder, or a bundle.

    Nothing is run but the kit's own template of the recorded name, and nothing is written beside the target.

    Raises
    ------
    KitError
        Where the target is no run folder with a report and no bundle, or a zip that is made to harm.
    """
    path = Path(target).absolute()
    if not path.exists():
        remedy = "Check the path."
        raise KitError(
            Problem("refuse", str(target), "no such file or folder", "a run folder or a bundle", remedy)
        )
    if path.is_file():
        return _recheck_zip(path, progress)
    report = path if (path / RESULTS).is_file() else newest_report(path)
    run = report.parents[1]
    return _run_again(run, report, run.name, (), progress)


def _recheck_zip(path: Path, progress: Progress | None) -> Recheck:
    with tempfile.TemporaryDirectory(prefix="repeatburn-") as scratch:
        room = Path(scratch) / "unpacked"
        room.mkdir()
        names = unpack_hostile(path, room)
        tops = {name.split("/")[0] for name in names}
        run = room / min(tops, default="")
        if len(tops) != 1 or not (run / CHECKSUMS).is_file():
            found, remedy = f"no {CHECKSUMS} in one top folder", "Ask its maker for the bundle."
            raise KitError(Problem("refuse", path.name, found, "what `repeatburn bundle` makes", remedy))
        wrong = _wrong_files(run)
        return _run_again(run, newest_report(run), path.name, wrong, progress)


def _wrong_files(run: Path) -> tuple[str, ...]:
    """Hold every file against the list of hashes; return what is wrong in words."""
    found = (_LINE.fullmatch(line) for line in (run / CHECKSUMS).read_text("utf-8", "replace").splitlines())
    listed = {line[2]: line[1] for line in found if line}
    there = {path.relative_to(run).as_posix(): path for path in run.rglob("*") if path.is_file()}
    there.pop(CHECKSUMS)
    wrong = [f"{name}: missing." for name in sorted(listed.keys() - there.keys())]
    wrong += [f"{name}: not in the list of files." for name in sorted(there.keys() - listed.keys())]
    for name in sorted(there.keys() & listed.keys()):
        with there[name].open("rb") as handle:
            if hashlib.file_digest(handle, "sha256").hexdigest() != listed[name]:
                wrong.append(f"{name}: not what its hash says: changed since the bundle was made.")
    return tuple(wrong)


def _run_again(
    run: Path, report: Path, name: str, wrong: tuple[str, ...], progress: Progress | None
) -> Recheck:
    was = _read_results(report / RESULTS)
    inputs = [*wrong, *_changed_inputs(was, run)]
    left_out = _left_out(run)
    with tempfile.TemporaryDirectory(prefix="repeatburn-") as room:
        try:
            order = take_order(run, was["template"]["name"], was["parameters"])
            now = rerun(order, Path(room), progress)
        except KitError as error:
            return Recheck(name, files=tuple(dict.fromkeys(inputs)), faults=str(error), left_out=left_out)
    comparison = compare_results(was, now)
    return Recheck(
        name,
        comparison.values,
        tuple(comparison.moved),
        tuple(dict.fromkeys(inputs)),
        tuple(_changed(was, now)),
        left_out=left_out,
    )


def _read_results(path: Path) -> dict[str, Any]:
    """Return recorded results.

    Raises
    ------
    KitError
        Where they are not what this kit writes.
    """
    try:
        found = json.loads(path.read_text("utf-8"))
        wanted = {"inputs": list, "parameters": dict, "environment": dict, "template": dict}
        if found["schema"] == RESULTS_SCHEMA and all(
            isinstance(found[k], kind) for k, kind in wanted.items()
        ):
            named: dict[str, Any] = {**found, "template": {**found["template"], "name": _plain(found)}}
            return named
    except (ValueError, KeyError, TypeError, RecursionError):
        pass
    expected = f"results of schema {RESULTS_SCHEMA}"
    raise KitError(
        Problem("refuse", f"{path.parent.name}/{path.name}", "something else", expected, "Get it again.")
    )


def _plain(found: Mapping[str, Any]) -> str:
    """Return the template's recorded name as a bare word: a path in somebody else's file is never followed."""
    name = str(found["template"]["name"])
    if not re.fullmatch(r"[a-z_]+", name):
        raise ValueError("no template of the kit's")
    return name


def _changed_inputs(was: Mapping[str, Any], run: Path) -> list[str]:
    then = {each["name"]: each["sha256"] for each in was["inputs"]}
    now = {each.name: each.sha256 for each in read_inputs(run)}
    gone = [f"{name}: an input that is missing." for name in sorted(then.keys() - now.keys())]
    new = [f"{name}: an input that the report did not have." for name in sorted(now.keys() - then.keys())]
    both = sorted(then.keys() & now.keys())
    return [
        *gone,
        *new,
        *(f"{n}: an input that changed since the report." for n in both if then[n] != now[n]),
    ]


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
        return tuple(str(key) for key in found)
    except (OSError, ValueError, KeyError, TypeError):
        return ()
