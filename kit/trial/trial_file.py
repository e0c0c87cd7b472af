"""trial.toml to a checked Trial: every fault of the file at once, each with its line."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from kit.errors import Faults, KitError, Problem
from kit.trial.cross_checks import checked_trial
from kit.trial.decode import read_text
from kit.trial.faults_of_keys import note_fault, prune
from kit.trial.models import TrialFile
from kit.trial.toml_reader import Places, parse_toml
from kit.trial.trial import Trial

NAME = "trial.toml"
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
    raw = parse_toml(text, NAME, faults)
    return (None, frozenset()) if raw is None else _read_tables(raw, text, faults)


def _read_tables(raw: Mapping[str, Any], text: str, faults: Faults) -> tuple[Trial, frozenset[str]]:
    places = Places(NAME, text)
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
