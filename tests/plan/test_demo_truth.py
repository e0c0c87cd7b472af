"""The demo's verdicts against what its fuels are really like (demo_truth.json, made from many burns of each)."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from kit.burns import burn_metrics
from kit.judge.comparisons import compare_fuels
from kit.readings import read_burns
from kit.trial import Run, open_run
from kit.variance import fit_repeats
from tests.plan import make_demo_truth

DEMO = Path(__file__).parents[2] / "runs" / "hill-school"
TRUTH = json.loads(make_demo_truth.OUT.read_text(encoding="utf-8"))["fuels"]


@pytest.fixture(scope="module")
def measured() -> tuple[Run, pd.DataFrame]:
    run = open_run(DEMO)
    return run, burn_metrics(read_burns(run), run)


@pytest.mark.parametrize("metric", ["peak", "time_above:110", "time_above:150"])
def test_verdicts_agree_with_the_truth(measured: tuple[Run, pd.DataFrame], metric: str) -> None:
    run, metrics = measured
    rows = metrics[(metrics["metric"] == metric) & (metrics["status"] == "exact")]
    scale, margin = make_demo_truth.METRICS[metric][0], run.trial.margins[metric].value
    judged = compare_fuels(fit_repeats(rows, day="day", scale=scale), margin=margin)
    for row in judged.to_dict("records"):
        a, b = (TRUTH[row[side]][metric]["mean"] for side in ("a", "b"))
        true = a / b if scale == "log" else a - b
        assert row["low"] <= true <= row["high"], row
        if row["verdict"].startswith("different"):
            assert row["direction"] == ("a" if a > b else "b")
    assert judged["verdict"].nunique() >= 3  # a demo with something to see


def test_the_truth_is_what_the_recipes_say_now() -> None:
    """A tenth of the bags of two fuels, against the file: a recipe that was changed shows."""
    before = make_demo_truth.BAGS
    make_demo_truth.BAGS = 200
    try:
        for fuel in ("alder", "pressed"):
            found = make_demo_truth.burns_of(make_demo_truth.RECIPES[fuel])["peak"].mean()
            assert found == pytest.approx(TRUTH[fuel]["peak"]["mean"], abs=3.5)
    finally:
        make_demo_truth.BAGS = before
