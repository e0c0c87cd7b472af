"""Run folders for the tests: a small right one, and ways to change a single thing in it."""

from __future__ import annotations

from pathlib import Path

import pytest

from kit.errors import KitError, Problem
from kit.trial import Run, open_run

TRIAL = """\
[trial]
title = "three fuels"
control_fuel = "alder"

[metrics]
thresholds = [110, 180]
primary = ["peak", "time_above:110"]

[margins]
peak = "15 °C"
"time_above:110" = "10 %"

[[fuel]]
id = "alder"
kind = "lump"

[[fuel]]
id = "olive"
kind = "briquette"
"""

BURNS = """\
burn,fuel,bag,day,charge_g,lit,stopped,log,notes
01,alder,1,2026-05-14,400,10:00,12:30,a.csv,calm
02,olive,1,2026-05-14,401.5,14:00,16:10,b.csv,
03,alder,2,2026-05-15,,,,,
"""


def folder(
    path: Path, burns: str | bytes = BURNS, trial: str | bytes | None = TRIAL, **files: str | bytes
) -> Path:
    """Write a run folder; logs a.csv to d.csv are there, further files by name ('events', 'scores')."""
    (path / "logs").mkdir(parents=True, exist_ok=True)
    for name in "abcd":
        (path / "logs" / f"{name}.csv").write_text(f"time,temp\n0,{ord(name)}\n", encoding="utf-8")
    texts = {"burns.csv": burns, "trial.toml": trial} | {f"{name}.csv": text for name, text in files.items()}
    for name, text in texts.items():
        if text is not None:
            (path / name).write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def opened(path: Path, **changed: str | bytes | None) -> Run:
    return open_run(folder(path, **changed))  # type: ignore[arg-type]


def problems(path: Path, **changed: str | bytes | None) -> tuple[Problem, ...]:
    with pytest.raises(KitError) as caught:
        opened(path, **changed)
    return caught.value.problems


def only(path: Path, **changed: str | bytes | None) -> Problem:
    found = problems(path, **changed)
    assert len(found) == 1, "\n".join(map(str, found))
    return found[0]
