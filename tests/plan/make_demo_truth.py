"""Make demo_truth.json: what the demo's fuels are really like, from many simulated bags and burns of each.

Run `python -m tests.plan.make_demo_truth`. Each fuel meets the same weather, drawn as the demo is;
no faults, no logger: the true grate temperature, the metrics of DEVELOPERS.md, metrics counted from lid on.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd

from kit.plan.burning import Burnt, Floats, Recipe, burn, charges_of
from kit.plan.simulated import RECIPES, weather_of

BAGS, BURNS, SEED = 2_000, 2, 20_260_301
STEP_S = 10.0
THRESHOLDS = (110, 150)
METRICS = {"peak": ("plain", "°C"), "time_above:110": ("log", "min"), "time_above:150": ("log", "min")}
OUT = Path(__file__).with_name("demo_truth.json")


def peak(burnt: Burnt, after: np.ndarray) -> Floats:
    """Return the largest mean over 120 s of medians over 60 s."""
    rows = pd.DataFrame(np.where(after, burnt.grate_c, np.nan).T)
    medians = rows.rolling(7, center=True, min_periods=1).median()
    smooth: Floats = medians.rolling(13, center=True, min_periods=1).mean().max().to_numpy()
    return smooth


def minutes_above(burnt: Burnt, after: np.ndarray, celsius: float) -> Floats:
    """Return minutes at or above, intervals cut where the line between readings crosses."""
    a, b = burnt.grate_c[:, :-1], burnt.grate_c[:, 1:]
    high, low = np.maximum(a, b), np.minimum(a, b)
    share = np.clip((high - celsius) / np.where(high > low, high - low, 1.0), 0.0, 1.0)
    share = np.where(high == low, high >= celsius, share)
    counted: Floats = (share * after[:, :-1]).sum(axis=1) * STEP_S / 60
    return counted


def burns_of(recipe: Recipe) -> dict[str, Floats]:
    """Simulate one fuel; return each metric, burns of a bag side by side."""
    burns = BAGS * BURNS
    days = [f"2026-{1 + n % 12:02d}-{1 + n // 12 % 28:02d}" for n in range(burns)]
    sky = weather_of(days, SEED)
    charges = charges_of(
        [recipe] * burns, [n // BURNS for n in range(burns)], np.full(burns, 400.0), sky.humidity_pct, SEED
    )
    burnt = burn(charges, sky, step_s=STEP_S, seed=SEED)
    after = burnt.time_s[None, :] >= burnt.lid_on_s[:, None]
    values = {"peak": peak(burnt, after)}
    values |= {f"time_above:{t}": minutes_above(burnt, after, t) for t in THRESHOLDS}
    return {name: value.reshape(BAGS, BURNS) for name, value in values.items()}


def summary(values: Floats, scale: str, unit: str) -> dict[str, object]:
    """Return mean (geometric on the log scale) and standard deviations between bags and burns."""
    table = np.log(values) if scale == "log" else values
    within = float(((table[:, 0] - table[:, 1]) ** 2).mean() / 2)
    between = float(table.mean(axis=1).var(ddof=1) - within / BURNS)
    centre = float(table.mean())
    error = float(table.mean(axis=1).std(ddof=1) / np.sqrt(BAGS))
    return {
        "mean": round(float(np.exp(centre)) if scale == "log" else centre, 4),
        "se": round(error, 5),
        "bag_sd": round(max(between, 0.0) ** 0.5, 4),
        "burn_sd": round(within**0.5, 4),
        "scale": scale,
        "unit": unit,
    }


def truth() -> dict[str, object]:
    """Return the whole table, ready to be written."""
    fuels = {}
    for fuel, recipe in RECIPES.items():
        found = burns_of(recipe)
        fuels[fuel] = {name: summary(found[name], *METRICS[name]) for name in METRICS}
    return {"made_by": "tests/plan/make_demo_truth.py", "bags": BAGS, "burns_a_bag": BURNS, "fuels": fuels}


if __name__ == "__main__":
    OUT.write_text(json.dumps(truth(), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
