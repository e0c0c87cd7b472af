"""One zip to publish: raw logs, sheets, the report and its numbers, described for people and programs."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
import shutil
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from kit.page.sentence_parts import filled
from kit.page.text import escape_markdown, visible
from kit.publish.compare import looks_of, state_of
from kit.publish.plain import canonical
from kit.publish.private import KEYS, Told, check_keys, leave_out, refuse_rest, what_is_told
from kit.publish.provenance import (
    dated,
    input_names,
    leaned_on,
    names_in,
    read_files,
    read_inputs,
    refuse_changes,
)
from kit.publish.report import make_report
from kit.publish.wording import called, paragraph_of, words
from kit.publish.zips import write_zip
from kit.results_file import ALWAYS, RESULTS, SCHEMA_FILE, needed_reports, read_results, schema_text
from kit.runtime.atomic_write import place_file, staging
from kit.schema import COLUMNS

CHECKSUMS: Final = "checksums.sha256"
LOOKED: Final = "looked-"
_LONGEST_HEADING: Final = 1 << 16  # of a table's first line; a reader of CSV takes no longer cell
_SHOWN: Final = 6  # texts of one kind listed before 'and so on'


@dataclass(frozen=True)
class Bundle:
    """A bundle made, or what one would tell.

    Attributes
    ----------
    path
        The zip; None where it was only listed.
    told
        Places, people, notes, serial numbers and positions in it.
    left_out
        Keys of what was left out.
    files
        Paths inside.
    """

    path: Path | None
    told: tuple[Told, ...]
    left_out: tuple[str, ...]
    files: tuple[str, ...]

    @property
    def words(self) -> str:
        """What was made or would be told, for the terminal."""
        left = [f"Left out: {', '.join(self.left_out)}."] if self.left_out else []
        yet = "Nothing is made yet. Make it with --yes, or leave some out: --leave-out KEYS --yes."
        return "\n".join([*_told_lines(self.told), *left, str(self.path or yet)])

    def as_record(self) -> dict[str, Any]:
        """Return it as plain data, for JSON."""
        return {
            "bundle": str(self.path) if self.path else None,
            "tells": [{"key": each.key, "where": each.where, "text": each.text} for each in self.told],
            "left_out": list(self.left_out),
            "files": list(self.files),
        }


def _told_lines(told: Sequence[Told]) -> list[str]:
    if not told:
        return ["It tells of no place, person, note, serial number or position."]
    lines = ["This is what it tells:"]
    for key, meaning in KEYS.items():
        texts = Counter(each.text for each in told if each.key == key)
        if texts:
            first = [f"'{text[:60]}'{f' ({n} times)' * (n > 1)}" for text, n in texts.most_common(_SHOWN)]
            more = f" and {len(texts) - _SHOWN} more" if len(texts) > _SHOWN else ""
            lines.append(f"  {key} ({meaning}): {', '.join(first)}{more}")
    return lines


def make_bundle(folder: str | Path, leave_out: Sequence[str] = (), agreed: bool = False) -> Bundle:
    """List what a bundle of a run folder's newest report would tell and, where agreed, make it.

    Nothing is overwritten; what `leave_out` names (keys of `kit.publish.private.KEYS`) is taken out of a copy of the
    inputs, and the report is made anew from that copy, so that all parts of the bundle agree. A sheet that is a
    spreadsheet's own file, which holds more than it shows, then stands there as CSV.

    Raises
    ------
    KitError
        Where there is no report, its inputs have changed since, or something left out still stands elsewhere.
    """
    place = Path(folder).absolute()
    keys = check_keys(leave_out)
    report = newest_report(place)
    told = tuple(each for each in what_is_told(place) if each.key not in keys)
    if not agreed:
        return Bundle(None, told, tuple(sorted(keys)), ())
    with staging(place / "reports") as room:
        copy = room / "copy"
        names, top = _lay_out(place, report, copy, keys), slug(place.name)
        texts = descriptions(copy, report.name, top, keys, names)
        for name, text in texts.items():
            (copy / name).write_text(text, "utf-8", newline="\n")
        files = sorted([*names, *texts])
        made = room / "bundle.zip"
        write_zip(made, copy, files, top)
        target = place_file(made, place / "reports", f"{report.name}-bundle")
    return Bundle(target, told, tuple(sorted(keys)), tuple(files))


def newest_report(folder: Path) -> Path:
    """Return the folder of the newest report by the standard template.

    Raises
    ------
    KitError
        Where there is none.
    """
    return needed_reports(folder, "standard")[0].folder


def _lay_out(folder: Path, report: Path, copy: Path, keys: frozenset[str]) -> list[str]:
    """Copy inputs and report, take out what is left out, and return the paths of all files."""
    _copy(folder, input_names(folder), copy)
    for place, held in leaned_on(folder).items():
        (copy / place).parent.mkdir(parents=True, exist_ok=True)
        (copy / place).write_bytes(held)
    results = read_results(report / RESULTS, ALWAYS)
    refuse_changes(results["inputs"], read_inputs(copy), "stale")
    target = copy / "reports" / report.name
    _write_looks(folder, copy, results)
    if keys:
        taken = leave_out(copy, keys)
        with dated(report.name[:10]):
            made = make_report(copy, results["template"]["name"], results["parameters"]).parent
        made.rename(target)
        refuse_rest(copy, taken)
    else:
        _copy(report, names_in(report), target)
    return sorted(names_in(copy))


def _copy(source: Path, names: Iterable[str], target: Path) -> None:
    for name in names:
        (target / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source / name, target / name)


def _write_looks(folder: Path, copy: Path, results: Mapping[str, Any]) -> None:
    """Tell of earlier reports that looked at other data, which this one counts: their inputs' hashes alone."""
    for name, earlier in looks_of(folder).items():
        if state_of(earlier) != state_of(results):
            stub = copy / "reports" / f"{LOOKED}{name.removeprefix(LOOKED)}"
            stub.mkdir(parents=True, exist_ok=True)
            (stub / RESULTS).write_text(canonical(earlier), "utf-8", newline="\n")


def descriptions(
    copy: Path, report: str, name: str, left_out: Iterable[str], names: Sequence[str]
) -> dict[str, str]:
    """Return the files that describe a bundle, by name, the list of hashes last.

    Parameters
    ----------
    copy
        Where its other files, `names`, stand.
    report, name, left_out
        Names of the report and of the run folder; keys of what was left out.
    """
    results, own = read_results(copy / "reports" / report / RESULTS, ALWAYS), words()["bundle"]
    trial, left = results["trial"], sorted(left_out)
    who = visible(trial.get("operator") or "") if "people" not in left else ""
    files = [_parts_of(place, **each) for place, each in enumerate(read_files(copy, names))]
    title, version = visible(trial.get("title") or ""), results["environment"].get("repeatburn", "")
    asked = visible(trial.get("question") or "")
    about = paragraph_of("bundle", question=asked, version=version, left_out=", ".join(left)).strip()
    parts: dict[str, Any] = {
        "title": title,
        "called": title or f"{name}-{report}",
        "name": escape_markdown(f"{name}-{report}"),
        "slug": slug(f"{name}-{report}"),
        "report": report,
        "date": report[:10],
        "report_id": results["report"],
        "version": version,
        "description": about,
        "told": escape_markdown(about),
        "left_out": left,
        "checksums": CHECKSUMS,
        "who": who,
        "contributors": [filled(own["contributor"], {"name": who})] if who else [],
        "resources": [_resource(copy, each, f"reports/{report}/tables/") for each in files],
    }
    package = {
        key: value for key, value in filled(own["package"], parts).items() if value or key == "leftOut"
    }
    quoted = {key: _quoted(parts[key]) for key in ("called", "report_id", "description")}
    people = f"  - name: {_quoted(who) if who else 'anonymous'}"
    texts = {
        "datapackage.json": _json(package),
        "ro-crate-metadata.json": _crate(parts, files, f"reports/{report}/"),
        "CITATION.cff": own["citation"].format(**parts | quoted, people=people),
        "README.md": own["readme"].format(**parts),
        SCHEMA_FILE.name: schema_text(),
    }
    hashes = {each["path"]: each["sha256"] for each in files}
    hashes |= {each: hashlib.sha256(text.encode()).hexdigest() for each, text in texts.items()}
    return texts | {CHECKSUMS: "".join(f"{hashes[each]}  {each}\n" for each in sorted(hashes))}


def slug(name: str) -> str:
    """Return a name in the letters that every reader of data packages takes."""
    return re.sub(r"[^a-z0-9._-]+", "-", name.lower()).strip("-.") or "trial"


def _parts_of(place: int, name: str, bytes: int, sha256: str) -> dict[str, Any]:
    """Return what descriptions tell of a file."""
    return {
        "slug": f"{slug(name.replace('/', '-'))[:80]}-{place}",
        "id": quote(name),
        "name": visible(name),
        "path": name,
        "media": called("media", name[name.rfind(".") :].lower(), "application/octet-stream"),
        "bytes": bytes,
        "size": str(bytes),
        "sha256": sha256,
    }


def _resource(copy: Path, file: dict[str, Any], tables: str) -> dict[str, Any]:
    """Return a file as a data package lists it: a table that the kit wrote, with the units of its columns."""
    kits_own, raw = file["path"].startswith(tables), file["media"] == "text/csv"
    # a raw log or sheet is no table with one header line: readers are told it is text
    shown = file | {"media": "text/plain"} if raw and not kits_own else file
    found: dict[str, Any] = filled(words()["bundle"]["resource"], shown)
    if kits_own:
        schema = {"fields": list(map(_field, _headings(copy / file["path"]))), "missingValues": [""]}
        return found | {"type": "table", "format": "csv", "encoding": "utf-8", "schema": schema}
    return {"name": found["name"], "format": "txt"} | found if raw else found


def _headings(path: Path) -> list[str]:
    with path.open(encoding="utf-8", errors="replace", newline="") as handle:
        return next(csv.reader(io.StringIO(handle.read(_LONGEST_HEADING))), [])


def _field(name: str) -> dict[str, Any]:
    column = COLUMNS.get(name)
    if column is None:
        return {"name": name, "type": "any"}
    found: dict[str, Any] = {"name": name, "type": called("type", column.kind), "description": column.meaning}
    if column.unit:
        found["unit"] = column.unit
    if column.kind == "yes/no":
        found |= {"trueValues": ["yes"], "falseValues": ["no"]}
    return found


def _crate(parts: Mapping[str, Any], files: Sequence[dict[str, Any]], inside: str) -> str:
    """Return ro-crate-metadata.json: the files, who made them, and the run that led from inputs to outputs."""

    def ids(of: Iterable[dict[str, Any]]) -> list[dict[str, str]]:
        return [{"@id": each["id"]} for each in of]

    own, person = words()["bundle"]["crate"], {"id": "#person-1", "name": parts["who"]}
    known = {
        **parts,
        "author": {"@id": person["id"]} if parts["who"] else None,
        "files": ids(files),
        "inputs": ids(each for each in files if not each["path"].startswith(inside)),
        "outputs": ids(each for each in files if each["path"].startswith(inside)),
    }
    itself, root, licence, *run = (
        filled(own[key], known) for key in ("itself", "root", "licence", "program", "run")
    )
    root = {key: value for key, value in root.items() if value}
    persons = [filled(own["person"], person)] if parts["who"] else []
    graph = [itself, root, licence, *persons, *run, *(filled(own["file"], each) for each in files)]
    return _json({"@context": own["context"], "@graph": graph})


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _json(data: object) -> str:
    return json.dumps(data, ensure_ascii=False, indent=1) + "\n"
