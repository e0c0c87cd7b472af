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
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from kit.errors import Faults, KitError
from kit.page.text import escape_markdown, visible
from kit.publish.compare import state_of
from kit.publish.plain import canonical
from kit.publish.private import KEYS, Told, check_keys, leave_out, still_told, what_is_told
from kit.publish.provenance import (
    InputFile,
    changes,
    dated,
    files_in,
    input_paths,
    leaned_on,
    read_files,
    read_inputs,
)
from kit.publish.report import make_report
from kit.publish.wording import called, filled, paragraph_of, words
from kit.publish.zips import write_zip
from kit.results_file import ALWAYS, RESULTS, SCHEMA_FILE, read_part, read_results, reports_of, schema_text
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


def newest_report(folder: Path, template: str = "standard") -> Path:
    """Return the folder of the newest report by a template.

    Raises
    ------
    KitError
        Where there is none.
    """
    found = [each for each in reports_of(folder) if each.template.replace("-", "_") == template]
    if found:
        return found[0].folder
    remedy = f"Make one first: repeatburn report {folder.name}"
    raise KitError.refuse(f"{folder.name}/reports", "no report", f"a {template} report", remedy)


def _lay_out(folder: Path, report: Path, copy: Path, keys: frozenset[str]) -> list[str]:
    """Copy inputs and report, take out what is left out, and return the paths of all files."""
    inputs = [path.relative_to(folder) for path in input_paths(folder)]
    for name in inputs:
        (copy / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(folder / name, copy / name)
    for place, held in leaned_on(folder).items():
        (copy / place).parent.mkdir(parents=True, exist_ok=True)
        (copy / place).write_bytes(held)
    results = read_results(report / RESULTS, ALWAYS)
    _refuse_stale(results, read_inputs(copy))
    target = copy / "reports" / report.name
    _write_looks(folder, copy, results)
    if keys:
        taken = leave_out(copy, keys)
        with dated(report.name[:10]):
            made = make_report(copy, results["template"]["name"], results["parameters"]).parent
        made.rename(target)
        _refuse_rest(copy, taken)
    else:
        shutil.copytree(report, target, copy_function=shutil.copyfile)
    return sorted(path.relative_to(copy).as_posix() for path in files_in(copy))


def _refuse_stale(results: Mapping[str, Any], now: tuple[InputFile, ...]) -> None:
    faults = Faults()
    for name, _ in changes(results["inputs"], map(asdict, now)):
        remedy = "Make a new report, then bundle that."
        faults.refuse(name, "not what the newest report was made from", "the same file", remedy)
    faults.settle()


def _write_looks(folder: Path, copy: Path, results: Mapping[str, Any]) -> None:
    """Tell of earlier reports that looked at other data, which this one counts: their inputs' hashes alone."""
    for each in reports_of(folder):
        with suppress(KitError):  # it counted none that cannot be read
            earlier = read_part(each.results, {"inputs"}, {"inputs"})
            if state_of(earlier) != state_of(results):
                stub = copy / "reports" / f"{LOOKED}{each.folder.name}"
                stub.mkdir(parents=True)
                (stub / RESULTS).write_text(canonical(earlier), "utf-8", newline="\n")


def _refuse_rest(copy: Path, taken: Iterable[Told]) -> None:
    faults = Faults()
    for told, where in still_told(copy, taken):
        remedy = f"Change it there, or leave out more than {told.key}."
        faults.refuse(where, f"'{told.text[:60]}', which was to be left out", "a file without it", remedy)
    faults.settle()


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
    results = read_results(copy / "reports" / report / RESULTS, ALWAYS)
    trial, inside = results["trial"], f"reports/{report}/"
    outputs = [each for each in names if each.startswith(inside)]
    members = read_files(copy, names)
    parts: dict[str, Any] = {
        "title": visible(trial.get("title") or ""),
        "name": f"{name}-{report}",
        "report": report,
        "date": report[:10],
        "report_id": results["report"],
        "version": results["environment"].get("repeatburn", ""),
        "left_out": sorted(left_out),
        "checksums": CHECKSUMS,
    }
    people = (
        [] if "people" in parts["left_out"] else [visible(trial["operator"])] * bool(trial.get("operator"))
    )
    asked, left = visible(trial.get("question") or ""), ", ".join(parts["left_out"])
    about = paragraph_of("bundle", question=asked, version=parts["version"], left_out=left).strip()
    parts |= {"description": about, "called": parts["title"] or parts["name"], "slug": slug(parts["name"])}
    own = words()["bundle"]
    package = filled(own["package"], parts) | {
        "contributors": [filled(own["contributor"], {"name": each}) for each in people],
        "resources": [_resource(copy, each, place, inside) for place, each in enumerate(members)],
    }
    quoted = {
        key: json.dumps(parts[key], ensure_ascii=False) for key in ("called", "report_id", "description")
    }
    named = [f"  - name: {json.dumps(each, ensure_ascii=False)}" for each in people] or [
        "  - name: anonymous"
    ]
    texts = {
        "datapackage.json": _json(
            {key: value for key, value in package.items() if value or key == "leftOut"}
        ),
        "ro-crate-metadata.json": _crate(parts, people, members, outputs),
        "CITATION.cff": own["citation"].format(**parts | quoted, people="\n".join(named)),
        "README.md": own["readme"].format(
            **parts | {key: escape_markdown(parts[key]) for key in ("name", "description")}
        ),
        SCHEMA_FILE.name: schema_text(),
    }
    hashes = {each.name: each.sha256 for each in members}
    hashes |= {each: hashlib.sha256(text.encode()).hexdigest() for each, text in texts.items()}
    return texts | {CHECKSUMS: "".join(f"{hashes[each]}  {each}\n" for each in sorted(hashes))}


def slug(name: str) -> str:
    """Return a name in the letters that every reader of data packages takes."""
    return re.sub(r"[^a-z0-9._-]+", "-", name.lower()).strip("-.") or "trial"


def _media_of(name: str) -> str:
    return called("media", name[name.rfind(".") :].lower(), "application/octet-stream")


def _resource(copy: Path, member: InputFile, place: int, inside: str) -> dict[str, Any]:
    """Return a file as a data package lists it: a table that the kit wrote, with the units of its columns."""
    kits_own, media = member.name.startswith(f"{inside}tables/"), _media_of(member.name)
    # a raw log or sheet is no table with one header line: readers are told it is text
    raw = {"format": "txt"} if media == "text/csv" and not kits_own else {}
    made = filled(
        words()["bundle"]["resource"],
        {
            "slug": f"{slug(member.name.replace('/', '-'))[:80]}-{place}",
            "path": member.name,
            "media": "text/plain" if raw else media,
            "bytes": member.bytes,
            "sha256": member.sha256,
        },
    )
    if not kits_own:
        return {"name": made["name"], **raw, **made}
    schema = {"fields": [_field(name) for name in _headings(copy / member.name)], "missingValues": [""]}
    return {**made, "type": "table", "format": "csv", "encoding": "utf-8", "schema": schema}


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


def _crate(
    parts: Mapping[str, Any], people: Sequence[str], members: Sequence[InputFile], outputs: Sequence[str]
) -> str:
    """Return ro-crate-metadata.json: the files, who made them, and the run that led from inputs to outputs."""
    own = words()["bundle"]["crate"]
    ids = {each.name: {"@id": quote(each.name)} for each in members}
    authors = [{"@id": f"#person-{i}"} for i, _ in enumerate(people, 1)]
    known = {
        **parts,
        "author": authors[0] if len(authors) == 1 else authors,
        "files": list(ids.values()),
        "inputs": [ids[name] for name in ids if name not in outputs],
        "outputs": [ids[name] for name in outputs],
    }
    persons = [
        author | filled(own["person"], {"name": name}) for author, name in zip(authors, people, strict=True)
    ]
    root = {key: value for key, value in filled(own["root"], known).items() if value}
    files = [
        ids[each.name]
        | filled(
            own["file"],
            {
                "name": visible(each.name),
                "media": _media_of(each.name),
                "bytes": str(each.bytes),
                "sha256": each.sha256,
            },
        )
        for each in members
    ]
    graph = [filled(own["itself"], known), root, own["licence"], *persons]
    graph += [filled(own["program"], known), filled(own["run"], known), *files]
    return _json({"@context": own["context"], "@graph": graph})


def _json(data: object) -> str:
    return json.dumps(data, ensure_ascii=False, indent=1) + "\n"
