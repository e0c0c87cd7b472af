"""One zip to publish: logs, sheets, report and numbers, described; a stranger's is read as if its maker meant harm."""

import csv
import hashlib
import io
import json
import re
import shutil
import stat
import struct
import unicodedata
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path, PurePosixPath
from typing import Any, Final
from urllib.parse import quote

from kit.page.text import escape_markdown, filled, visible
from kit.publish.plain import canonical
from kit.publish.private import KEYS, Told, check_keys, leave_out, refuse_rest, what_is_told
from kit.publish.provenance import (
    dated,
    input_names,
    leaned_on,
    looks_of,
    names_in,
    read_files,
    read_inputs,
    refuse_changes,
    state_of,
)
from kit.publish.report import make_report
from kit.publish.wording import called, paragraph_of, refuse_all, refused, words
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
        lines = [
            "This is what it tells:"
            if self.told
            else "It tells of no place, person, note, serial number or position."
        ]
        for key, meaning in KEYS.items():
            texts = Counter(each.text for each in self.told if each.key == key)
            first = [f"'{text[:60]}'{f' ({n} times)' * (n > 1)}" for text, n in texts.most_common(_SHOWN)]
            more = f" and {len(texts) - _SHOWN} more" if len(texts) > _SHOWN else ""
            lines += [f"  {key} ({meaning}): {', '.join(first)}{more}"] if first else []
        lines += [f"Left out: {', '.join(self.left_out)}."] if self.left_out else []
        yet = "Nothing is made yet. Make it with --yes, or leave some out: --leave-out KEYS --yes."
        return "\n".join([*lines, str(self.path or yet)])

    def as_record(self) -> dict[str, Any]:
        """Return it as plain data, for JSON."""
        return {
            "bundle": str(self.path) if self.path else None,
            "tells": list(map(asdict, self.told)),
            "left_out": list(self.left_out),
            "files": list(self.files),
        }


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
    report = needed_reports(place, "standard")[0].folder
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


def _lay_out(folder: Path, report: Path, copy: Path, keys: frozenset[str]) -> list[str]:
    """Copy inputs and report, take out what is left out, and return the paths of all files."""
    _copy(folder, input_names(folder), copy)
    for place, held in leaned_on(folder).items():
        (copy / place).parent.mkdir(parents=True, exist_ok=True)
        (copy / place).write_bytes(held)
    results = read_results(report / RESULTS, ALWAYS)
    refuse_changes(results["inputs"], read_inputs(copy), "stale")
    target = copy / "reports" / report.name
    # of earlier reports that looked at other data, which this one counts, their inputs' hashes alone
    for name, earlier in looks_of(folder).items():
        if state_of(earlier) != state_of(results):
            stub = copy / "reports" / f"{LOOKED}{name.removeprefix(LOOKED)}"
            stub.mkdir(parents=True, exist_ok=True)
            (stub / RESULTS).write_text(canonical(earlier), "utf-8", newline="\n")
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
    of_yaml = ("called", "report_id", "description", "who")
    quoted = {key: json.dumps(parts[key], ensure_ascii=False) for key in of_yaml}
    people = f"  - name: {quoted['who'] if who else 'anonymous'}"
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
        with (copy / file["path"]).open(encoding="utf-8", errors="replace", newline="") as handle:
            headings = next(csv.reader(io.StringIO(handle.read(_LONGEST_HEADING))), [])
        schema = {"fields": list(map(_field, headings)), "missingValues": [""]}
        return found | {"type": "table", "format": "csv", "encoding": "utf-8", "schema": schema}
    return {"name": found["name"], "format": "txt"} | found if raw else found


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


def _json(data: object) -> str:
    return json.dumps(data, ensure_ascii=False, indent=1) + "\n"


_UNICODE_NAME: Final = 0x7075  # a field whose name other programs unpack under
_DAMAGE: Final = (zlib.error, zipfile.BadZipFile, NotImplementedError, EOFError, OSError, ValueError)
"""What reading a zip can raise; what it holds is looked at before."""
_FIRST_DAY: Final = (1980, 1, 1, 0, 0, 0)
LIMITS: Final[Mapping[str, int]] = {
    "members": 50_000,
    "bytes": 20 << 30,
    "free": 8 << 20,
    "expansion": 250,
    "name": 1_000,
}
"""Most members; most bytes unpacked; bytes unpacked that no expansion is too large for; times its packed size
that anything may unpack to; longest name.  Logs of one value for hours pack to about a hundredth."""


def write_zip(target: Path, root: Path, names: Iterable[str], top: str) -> None:
    """Write files of a folder into a new zip under one top folder: sorted, no clocks, no rights, no owner.

    Raises
    ------
    KitError
        Where a name cannot be written in UTF-8.
    """
    with zipfile.ZipFile(target, "x", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for name in sorted(names):
            try:
                name.encode("utf-8")
            except UnicodeEncodeError as error:
                raise refused("broken_name", ascii(name)) from error
            entry = zipfile.ZipInfo(f"{top}/{name}", _FIRST_DAY)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = 3
            entry.external_attr = (stat.S_IFREG | 0o644) << 16
            with (root / name).open("rb") as source, archive.open(entry, "w", force_zip64=True) as into:
                shutil.copyfileobj(source, into)


def unpack_hostile(source: Path, into: Path) -> list[str]:
    """Unpack a zip into an empty folder and return the names of its files; refused whole if anything is wrong.

    Raises
    ------
    KitError
        With everything found wrong: names that climb out or stand twice, links, encryption, members laid over one
        another, expansion beyond `LIMITS`, damage.
    """
    try:
        with zipfile.ZipFile(source) as archive:
            entries = archive.infolist()
            in_one = [
                refused("harmful_file", f"{source.name}, {_name_shown(entry.filename)}", found=found)
                for entry in entries
                for found in _harm_of(entry)
            ]
            in_all = (
                refused("harmful_zip", source.name, found=found) for found in _harm_of_all(archive, source)
            )
            refuse_all([*in_one, *in_all])
            files = [entry for entry in entries if not entry.is_dir()]
            for entry in files:
                target = into.joinpath(*PurePosixPath(entry.filename).parts)
                target.parent.mkdir(parents=True, exist_ok=True)
                with archive.open(entry) as held, target.open("xb") as out:
                    shutil.copyfileobj(held, out)  # at most what it says it holds: then its sum must be right
    except _DAMAGE as error:
        raise refused("no_zip", source.name, why=error) from error
    return [entry.filename for entry in files]


def _name_shown(name: str) -> str:
    return ascii(name)[1:-1][:120]


def _harm_of(entry: zipfile.ZipInfo) -> list[str]:
    name, kind = entry.filename, stat.S_IFMT(entry.external_attr >> 16)
    parts = PurePosixPath(name).parts
    # the name before zipfile made it harmless for this system
    written = getattr(entry, "orig_filename", name)
    controls = any(unicodedata.category(sign) in ("Cc", "Cs") for sign in written)
    checks = {
        "a path that leaves its folder": name.startswith("/") or ".." in parts or ":" in name.split("/")[0],
        "a backslash or control character in its name": "\\" in written or controls,
        "a name too long": len(name.encode("utf-8", "replace")) > LIMITS["name"],
        "a link or device": kind not in (0, stat.S_IFREG, stat.S_IFDIR),
        "encryption": bool(entry.flag_bits & 0x1),
        "another name beside its name": _UNICODE_NAME in _extra_fields(entry.extra),
        "an unusual packing": entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED),
        "an expansion beyond reason": _bomb(entry.file_size, entry.compress_size),
    }
    return [words for words, wrong in checks.items() if wrong]


def _bomb(unpacked: int, packed: int) -> bool:
    return unpacked > LIMITS["free"] and unpacked > packed * LIMITS["expansion"]


def _harm_of_all(archive: zipfile.ZipFile, source: Path) -> list[str]:
    entries, packed = archive.infolist(), source.stat().st_size
    twice, seen = [], set()
    for entry in entries:
        # disks that fold case or accents would write one over the other
        name = unicodedata.normalize("NFC", entry.filename.rstrip("/")).casefold()
        if name in seen:
            twice.append(f"the name '{_name_shown(entry.filename)}' twice")
        seen.add(name)
    whole = sum(entry.file_size for entry in entries)
    spans = sorted((entry.header_offset, entry.compress_size) for entry in entries)
    checks = {
        f"{len(entries)} members, more than {LIMITS['members']}": len(entries) > LIMITS["members"],
        f"{whole} bytes once unpacked, from {packed}: an expansion beyond reason": (
            whole > LIMITS["bytes"] or _bomb(whole, packed)
        ),
        # a local header is at least 30 bytes
        "members laid over one another": any(
            start + size + 30 > after for (start, size), (after, _) in pairwise(spans)
        ),
        "something before its first member": bool(spans) and spans[0][0] > 0,
        "a comment": bool(archive.comment),
    }
    return [*twice, *(words for words, wrong in checks.items() if wrong)]


def _extra_fields(extra: bytes) -> set[int]:
    """Return the kinds of fields that a member carries beside its name and size."""
    found = set()
    while len(extra) >= 4:
        kind, size = struct.unpack_from("<HH", extra)
        found.add(kind)
        extra = extra[4 + size :]
    return found
