"""Run folders to plan in."""

from __future__ import annotations

from pathlib import Path

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


def yard(folder: Path, **replaced: str) -> Path:
    """Make a run folder with a trial file alone; pieces of its text replaced."""
    text = TRIAL
    for old, new in replaced.items():
        assert old in text
        text = text.replace(old, new)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    return folder
