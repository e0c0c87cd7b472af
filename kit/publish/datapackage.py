"""Descriptions of a bundle that other programs read: Data Package v2, RO-Crate, CITATION.cff."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import quote

from kit.page.text import visible
from kit.publish.provenance import InputFile
from kit.schema import COLUMNS

PROFILE: Final = "https://datapackage.org/profiles/2.0/datapackage.json"
CRATE_CONTEXT: Final = "https://w3id.org/ro/crate/1.1/context"
_TYPES: Final = {
    "text": "string",
    "clock": "string",
    "number": "number",
    "count": "integer",
    "yes/no": "boolean",
}
_MEDIA: Final = {
    ".csv": "text/csv",
    ".html": "text/html",
    ".ipynb": "application/x-ipynb+json",
    ".json": "application/json",
    ".md": "text/markdown",
    ".png": "image/png",
    ".jpg": "image/jpeg",
    ".jpeg": "image/jpeg",
    ".svg": "image/svg+xml",
    ".toml": "application/toml",
    ".txt": "text/plain",
    ".cff": "text/yaml",
    ".mp4": "video/mp4",
    ".webm": "video/webm",
}


def media_of(name: str) -> str:
    """Return the kind of content of a file."""
    return _MEDIA.get(name[name.rfind(".") :].lower(), "application/octet-stream")


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
        left = f" Left out before publishing: {', '.join(self.left_out)}." if self.left_out else ""
        return (
            f"{visible(self.question)} Raw logs, burn sheet, trial file, report, results and tables of repeated burns "
            f"of cooking fuels, analysed with repeatburn {self.version}.{left}"
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
    found: dict[str, Any] = {"name": name, "type": _TYPES[column.kind], "description": column.meaning}
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
    people = [f"  - name: {_quoted(name)}" for name in about.people] or ["  - name: anonymous"]
    title = visible(about.title) or about.name
    lines = [
        "cff-version: 1.2.0",
        'message: "If you use these burns, please cite them as below."',
        "type: dataset",
        f"title: {_quoted(title)}",
        "authors:",
        *people,
        f"date-released: {about.date}",
        f"version: {_quoted(about.report_id)}",
        f"abstract: {_quoted(about.description)}",
        "keywords: [charcoal, fuel, repeatability]",
    ]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    return json.dumps(visible(text), ensure_ascii=False)


def _text(data: object) -> str:
    return json.dumps(data, ensure_ascii=False, indent=1) + "\n"
