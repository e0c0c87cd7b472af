"""Run folders to plan in, and what burns are to settle."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from kit.judge.question import Question
from kit.metrics import metric
from kit.plan import planned
from kit.plan.answers import Goal, Spread
from kit.variance import inference

TRIAL = """\
[trial]
title = "Three fuels in the yard"
cooker = "steel drum"
probe = "grate"
time_zero = "lid on"
stop_rule = "grate below 60 °C"
control_fuel = "old"
currency = "EUR"

[charge]
grams = 500
tolerance_g = 5

[metrics]
thresholds = [110, 150]
primary = ["peak", "time_above:150"]

[margins]
peak = "20 °C"
"time_above:150" = "15 %"

[plan]
bags = 3
burns = 2
hours = 9
seed = 5

[[fuel]]
id = "old"
name = "last year's briquettes"
kind = "briquette"
price = 8
[[fuel]]
id = "new"
name = "new lump"
kind = "lump"
price = 12
[[fuel]]
id = "shell"
name = "shell briquettes"
kind = "shell briquette"
price = 14

[[probe]]
id = "lid"
[[probe]]
id = "grate"
"""


def simulate_few(patch: pytest.MonkeyPatch) -> None:
    """Have chances of few simulated trials."""
    patch.setattr(inference, "_TRIALS", 3)


def weigh_few(patch: pytest.MonkeyPatch) -> None:
    """Have few designs weighed, by chances of few simulated trials."""
    patch.setattr(planned, "MOST_BAGS", 3)
    patch.setattr(planned, "MOST_BURNS", 2)
    simulate_few(patch)


def yard(folder: Path, **replaced: str) -> Path:
    """Make a run folder with a trial file alone; pieces of its text replaced."""
    text = TRIAL
    for old, new in replaced.items():
        assert old in text
        text = text.replace(old, new)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    return folder


def goal(margin: float, sds: Mapping[str, float], earlier_df: float = 0.0, **asked) -> Goal:
    """Return a goal of the peak: its margin, what is reckoned with, and how it is judged."""
    known = dict.fromkeys(("bag", "burn", "day"), 0.0) | dict(sds)
    return Goal(metric("peak"), "", Question(margin=margin, **asked), Spread(known, "", df=earlier_df))
