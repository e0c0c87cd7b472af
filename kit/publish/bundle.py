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
from kit.publish.provenance import InputFile, changes, dated, input_paths, leaned_on, read_files, read_inputs
from kit.publish.report import make_report
from kit.publish.wording import called, paragraph_of, words
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
        for name in (path.relative_to(report) for path in report.rglob("*") if path.is_file()):
            (target / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(report / name, target / name)
    return sorted(path.relative_to(copy).as_posix() for path in copy.rglob("*") if path.is_file())


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
    trial = results["trial"]
    hidden = "people" in left_out
    about = About(
        title=trial.get("title") or "",
        question=trial.get("question") or "",
        people=() if hidden else tuple(filter(None, [trial.get("operator")])),
        date=report[:10],
        report_id=results["report"],
        version=results["environment"].get("repeatburn", ""),
        name=f"{name}-{report}",
        left_out=tuple(sorted(left_out)),
    )
    members = read_files(copy, names)
    inside = f"reports/{report}/"
    headings = {each: _headings(copy / each) for each in names if each.startswith(f"{inside}tables/")}
    outputs = [each for each in names if each.startswith(inside)]
    texts = {
        "datapackage.json": data_package(about, members, headings),
        "ro-crate-metadata.json": crate(about, members, [n for n in names if n not in outputs], outputs),
        "CITATION.cff": citation(about),
        "README.md": _readme(about, report),
        SCHEMA_FILE.name: schema_text(),
    }
    hashes = {each.name: each.sha256 for each in members}
    hashes |= {each: hashlib.sha256(text.encode()).hexdigest() for each, text in texts.items()}
    return texts | {CHECKSUMS: "".join(f"{hashes[each]}  {each}\n" for each in sorted(hashes))}


def _headings(path: Path) -> list[str]:
    with path.open(encoding="utf-8", errors="replace", newline="") as handle:
        return next(csv.reader(io.StringIO(handle.read(_LONGEST_HEADING))), [])


def _readme(about: About, report: str) -> str:
    return str(words()["bundle_readme"]).format(
        name=escape_markdown(about.name),
        description=escape_markdown(about.description),
        report=report,
        checksums=CHECKSUMS,
    )


PROFILE: Final = "https://datapackage.org/profiles/2.0/datapackage.json"
CRATE_CONTEXT: Final = "https://w3id.org/ro/crate/1.1/context"


def media_of(name: str) -> str:
    """Return the kind of content of a file."""
    return called("media", name[name.rfind(".") :].lower(), "application/octet-stream")


@dataclass(frozen=True)
class About:
    """What a bundle is about, for its descriptions.

    Attributes
    ----------
    title, question, people
        From the trial; people who burned, none where they were left out.
    date, report_id, version, name
        Of the report, the kit, and the bundle.
    left_out
        Keys of what was left out.
    """

    title: str
    question: str
    people: tuple[str, ...]
    date: str
    report_id: str
    version: str
    name: str
    left_out: tuple[str, ...]

    @property
    def description(self) -> str:
        """One paragraph on what the bundle holds."""
        left_out = ", ".join(self.left_out)
        return paragraph_of(
            "bundle", question=visible(self.question), version=self.version, left_out=left_out
        ).strip()


def data_package(about: About, members: Sequence[InputFile], headings: Mapping[str, Sequence[str]]) -> str:
    """Return datapackage.json.

    Parameters
    ----------
    headings
        Column names of each table that the kit wrote, by path; those files get a schema with units.
    """
    package = {
        "$schema": PROFILE,
        "name": slug(about.name),
        "id": about.report_id,
        "title": visible(about.title),
        "description": about.description,
        "version": about.date,
        "created": f"{about.date}T00:00:00Z",
        "keywords": ["charcoal", "fuel", "repeatability"],
        "contributors": [{"title": visible(name), "roles": ["creator"]} for name in about.people],
        "sources": [{"title": f"repeatburn {about.version}"}],
        "leftOut": list(about.left_out),
        "resources": [
            _resource(member, place, headings.get(member.name)) for place, member in enumerate(members)
        ],
    }
    return _text({key: value for key, value in package.items() if value or key == "leftOut"})


def slug(name: str) -> str:
    """Return a name in the letters that every reader of data packages takes."""
    return re.sub(r"[^a-z0-9._-]+", "-", name.lower()).strip("-.") or "trial"


def _resource(member: InputFile, place: int, headings: Sequence[str] | None) -> dict[str, Any]:
    # a raw log or sheet is no table with one header line: readers are told it is text
    media = media_of(member.name)
    raw = headings is None and media == "text/csv"
    found: dict[str, Any] = {
        "name": f"{slug(member.name.replace('/', '-'))[:80]}-{place}",
        **({"format": "txt"} if raw else {}),
        "path": member.name,
        "mediatype": "text/plain" if raw else media,
        "bytes": member.bytes,
        "hash": f"sha256:{member.sha256}",
    }
    if headings is None:
        return found
    schema = {"fields": [_field(name) for name in headings], "missingValues": [""]}
    return {**found, "type": "table", "format": "csv", "encoding": "utf-8", "schema": schema}


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


def crate(about: About, members: Sequence[InputFile], inputs: Sequence[str], outputs: Sequence[str]) -> str:
    """Return ro-crate-metadata.json: the files, who made them, and the run that led from inputs to outputs."""
    people = [
        {"@id": f"#person-{i}", "@type": "Person", "name": visible(n)} for i, n in enumerate(about.people, 1)
    ]
    authors = [{"@id": each["@id"]} for each in people]
    root = {
        "@id": "./",
        "@type": "Dataset",
        "name": visible(about.title) or about.name,
        "description": about.description,
        "datePublished": about.date,
        "identifier": about.report_id,
        "license": {"@id": "#licence"},
        "author": authors[0] if len(authors) == 1 else authors,
        "hasPart": [{"@id": quote(each.name)} for each in members],
        "mentions": {"@id": "#analysis"},
    }
    graph = [
        {
            "@id": "ro-crate-metadata.json",
            "@type": "CreativeWork",
            "conformsTo": {"@id": "https://w3id.org/ro/crate/1.1"},
            "about": {"@id": "./"},
        },
        {key: value for key, value in root.items() if value},
        {"@id": "#licence", "@type": "CreativeWork", "name": "No licence stated", "description": _LICENCE},
        *people,
        {
            "@id": "#repeatburn",
            "@type": "SoftwareApplication",
            "name": "repeatburn",
            "version": about.version,
        },
        {
            "@id": "#analysis",
            "@type": "CreateAction",
            "name": "The analysis of the burns",
            "endTime": about.date,
            "instrument": {"@id": "#repeatburn"},
            "object": [{"@id": quote(path)} for path in inputs],
            "result": [{"@id": quote(path)} for path in outputs],
        },
        *map(_crate_file, members),
    ]
    return _text({"@context": CRATE_CONTEXT, "@graph": graph})


_LICENCE: Final = "The tester has stated no licence: ask before you use these data beyond checking them."


def _crate_file(member: InputFile) -> dict[str, Any]:
    return {
        "@id": quote(member.name),
        "@type": "File",
        "name": visible(member.name),
        "encodingFormat": media_of(member.name),
        "contentSize": str(member.bytes),
        "identifier": f"sha256:{member.sha256}",
    }


def citation(about: About) -> str:
    """Return CITATION.cff."""
    return str(words()["citation"]).format(
        title=_quoted(visible(about.title) or about.name),
        people="\n".join(f"  - name: {_quoted(name)}" for name in about.people) or "  - name: anonymous",
        date=about.date,
        version=_quoted(about.report_id),
        abstract=_quoted(about.description),
    )


def _quoted(text: str) -> str:
    return json.dumps(visible(text), ensure_ascii=False)


def _text(data: object) -> str:
    return json.dumps(data, ensure_ascii=False, indent=1) + "\n"
