"""trial.toml to a checked Trial: every fault of the file at once, each with its line."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from kit.errors import Faults, KitError, Problem
from kit.trial.cross_checks import checked_trial
from kit.trial.decode import read_text, visible
from kit.trial.faults_of_keys import note_fault, prune
from kit.trial.models import TrialFile
from kit.trial.places import Places
from kit.trial.toml_lines import key_lines
from kit.trial.trial import Trial

NAME = "trial.toml"
LARGEST = 1_000_000
DEEPEST = 8
MOST_PARTS = 64
"""Parts of a dotted key: what a reader of TOML makes of twenty thousand takes gigabytes."""
ROUNDS = 12
"""Faulty keys are left out and the rest is read again, at most so often."""


def read_trial(path: Path, faults: Faults, notes: list[str]) -> tuple[Trial | None, frozenset[str]]:
    """Return the trial, with what could be read of it where there are faults; None where nothing could.

    Beside it stand the tables that lost keys to faults: what is missing in them may still have been written.

    Faults are gathered in `faults`; a remark on an odd encoding in `notes`.
    """
    try:
        text, encoding = read_text(path, NAME)
    except KitError as error:
        faults.take(error)
        return None, frozenset()
    if encoding not in ("utf-8", "utf-16", "utf-32"):
        notes.append(f"{NAME} is not UTF-8; it was read as {encoding}: look at its accents and degree signs.")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    raw = parse_toml(text, faults)
    return (None, frozenset()) if raw is None else _read_tables(raw, text, faults)


def parse_toml(text: str, faults: Faults, name: str = NAME) -> dict[str, Any] | None:
    """Return the tables of a TOML text, or None with one fault noted at the line that cannot be read."""
    if len(text) > LARGEST:
        faults.refuse(name, "more than a million characters", "a trial file", "Keep data out of it.")
        return None
    if (number := _line_of_many_parts(text)) is not None:
        where, remedy = f"{name}, line {number}", "Take the dotted key out."
        faults.refuse(where, f"a key of more than {MOST_PARTS} parts", "a key as `start` writes it", remedy)
        return None
    try:
        tables = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        _note_syntax(str(error), text, faults, name)
        return None
    if _is_too_deep(tables):
        faults.refuse(name, "tables in tables in tables", "tables as `start` writes them", "Take them out.")
        return None
    return tables


def _line_of_many_parts(text: str) -> int | None:
    for number, line in enumerate(text.split("\n"), start=1):
        if line.count(".") > MOST_PARTS:
            bare = re.sub(r""""(?:[^"\\]|\\.)*"|'[^']*'""", "q", line).partition("#")[0]
            joined = bare.replace(" ", "").replace("\t", "")
            if any(part.count(".") > MOST_PARTS for part in re.split(r"[^\w.-]+", joined)):
                return number
    return None


def _is_too_deep(tables: dict[str, Any]) -> bool:
    level: list[Any] = [tables]
    for _ in range(DEEPEST):
        inner = (each.values() if isinstance(each, dict) else each for each in level)
        level = [value for values in inner for value in values if isinstance(value, dict | list)]
    return bool(level)


def _note_syntax(message: str, text: str, faults: Faults, name: str) -> None:
    match = re.search(r"\(at line ([0-9]+), column ([0-9]+)\)", message)
    lines = text.split("\n")
    number = int(match[1]) if match else len(lines)
    line = visible(lines[number - 1].strip()) if 0 < number <= len(lines) else ""
    reason = message.split(" (at ")[0]
    found = f"'{line[:80]}'" if line else "the end of the file"
    faults.refuse(f"{name}, line {number}", found, _grammar(line), f"{_hint(line)} ({reason}.)")


def _grammar(line: str) -> str:
    return "a table in brackets, as [metrics]" if line.startswith("[") else "a line such as key = value"


def _hint(line: str) -> str:
    """Return what a person most likely has to do to a line that TOML cannot read."""
    key, _, value = line.partition("=")
    if re.search("[“”„‘’]", line):
        return "Use straight quotes, not typographic ones."
    if re.search(r"[^\w\s.\"'-]", key) and not key.strip().startswith(("[", '"', "'", "#")):
        return f'Put the key in quotes: "{key.strip()}" = …'
    if "\\" in value:
        return "Write the text in single quotes, or each \\ twice."
    if value and re.match(r"\s*[0-9]+,[0-9]+\s*\Z", value):
        return f"Write {key.strip()} = {value.strip().replace(',', '.')}, with a point."
    if value and re.match(r"\s*(?!true|false|inf|nan)[^\W0-9]", value):
        return f'Put the text in quotes: {key.strip()} = "{value.strip()}"'
    return "Mend the line; a key may stand once, texts in quotes, lists in [ ]."


def _read_tables(raw: Mapping[str, Any], text: str, faults: Faults) -> tuple[Trial, frozenset[str]]:
    places = Places(NAME, text, key_lines)
    own = Faults()
    lost: set[str] = set()
    noted: set[tuple[int | str, ...]] = set()
    pruned: dict[str, Any] = dict(raw)
    for _ in range(ROUNDS):
        try:
            trial = checked_trial(TrialFile.model_validate(pruned), places, own, lost)
            break
        except ValidationError as error:
            errors = error.errors(include_url=False)
            for each in errors:
                if each["loc"] not in noted:  # a key left out is not missing
                    note_fault(each, places, own)
            noted |= {each["loc"] for each in errors}
            lost |= {str(each["loc"][0]) for each in errors}
            pruned = prune(pruned, [each["loc"] for each in errors])
    else:
        trial = Trial()
    for problem in sorted(own, key=_line):
        faults.take(KitError(problem))
    return trial, frozenset(lost)


def _line(problem: Problem) -> int:
    match = re.search("line ([0-9]+)", problem.where)
    return int(match[1]) if match else 0
