import json
import math
import shutil
from dataclasses import replace

import pytest

from kit.errors import KitError
from kit.judge.borrowed import Lender, borrowed_spread, borrowed_words
from kit.trial import open_run
from kit.trial.packaged import demo_folder


def lender(name, bag, burn, df, metric="peak"):
    components = [
        {"metric": metric, "component": "bag", "sd": bag},
        {"metric": metric, "component": "burn", "sd": burn},
        {"metric": "ash", "component": "burn", "sd": 9.0},
    ]
    return Lender(name, {"components": components, "next_bag": [{"metric": metric, "fuel": "a", "df": df}]})


def test_the_spread_of_a_burn_from_a_new_bag_is_pooled_by_degrees_of_freedom():
    sd, df = borrowed_spread([lender("one", 3.0, 4.0, 10.0), lender("two", 0.0, 8.0, 30.0)], "peak")
    assert df == 40
    assert sd == pytest.approx(math.sqrt((25 * 10 + 64 * 30) / 40), rel=1e-12)


def test_nothing_is_borrowed_for_a_metric_that_was_not_measured():
    assert borrowed_spread([lender("one", 3.0, 4.0, 10.0)], "plateau") is None


def earlier(folder, **changes):
    """Write a results.json as of an earlier trial like the demo."""
    run = open_run(demo_folder())
    trial = {
        "time_zero": run.trial.time_zero,
        "cookers": list(run.trial.cookers),
        "measuring": run.trial.measuring.model_dump(),
        "charge": run.trial.charge.model_dump(),
        "probe": run.trial.probe,
    } | changes
    place = folder / "reports" / "2025-05-14-standard"
    place.mkdir(parents=True)
    results = {"schema": "repeatburn-results/1", "trial": trial, **lender("", 3.0, 4.0, 12.0).results}
    (place / "results.json").write_text(json.dumps(results), encoding="utf-8")


def single_burns(folder):
    run = open_run(shutil.copytree(demo_folder(), folder, ignore=shutil.ignore_patterns("reports")))
    once = run.burns.drop_duplicates("fuel")
    model = run.trial.model.model_copy(update={"borrow_from": ("../last-autumn",)})
    return replace(run, burns=once, trial=replace(run.trial, model=model))


def test_a_trial_of_single_burns_says_what_it_borrowed(tmp_path):
    earlier(tmp_path / "last-autumn")
    (words,) = borrowed_words(single_burns(tmp_path / "now"))
    assert "last-autumn" in words
    assert "standard deviation 5.0 °C on 12 degrees of freedom" in words


def test_spreads_measured_differently_are_not_pooled_and_the_difference_is_named(tmp_path):
    earlier(tmp_path / "last-autumn", time_zero="lit", probe="lid")
    with pytest.raises(KitError) as caught:
        borrowed_words(single_burns(tmp_path / "now"))
    assert [problem.where for problem in caught.value.problems] == [
        "last-autumn: time_zero",
        "last-autumn: probe",
    ]
    assert "not pooled" in str(caught.value)


def test_a_folder_without_a_report_cannot_lend(tmp_path):
    (tmp_path / "last-autumn").mkdir()
    with pytest.raises(KitError, match="no report"):
        borrowed_words(single_burns(tmp_path / "now"))
