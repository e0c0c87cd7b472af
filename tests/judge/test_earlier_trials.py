import json
import math
import shutil
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import pytest
from pydantic_core import to_jsonable_python

from kit.errors import KitError
from kit.judge.earlier_trials import borrowed_spread, earlier_words, with_earlier
from kit.judge.judging import judge_metric
from kit.judge.question import Question
from kit.lenders import Lender, lenders_of
from kit.schema import metric
from kit.trial import open_run
from kit.trial.scaffold import demo_folder
from tests.judge.made import burns_table


def lender(name, bag, burn, df, metric="peak"):
    components = [
        {"metric": metric, "component": "bag", "sd": bag},
        {"metric": metric, "component": "burn", "sd": burn},
        {"metric": "ash", "component": "burn", "sd": 9.0},
    ]
    return Lender(
        Path(name), {"components": components, "next_bag": [{"metric": metric, "fuel": "a", "df": df}]}
    )


def test_the_spread_of_a_burn_from_a_new_bag_is_pooled_by_degrees_of_freedom():
    sd, df = borrowed_spread([lender("one", 3.0, 4.0, 10.0), lender("two", 0.0, 8.0, 30.0)], "peak")
    assert df == 40
    assert sd == pytest.approx(math.sqrt((25 * 10 + 64 * 30) / 40), rel=1e-12)


def test_nothing_is_borrowed_for_a_metric_that_was_not_measured():
    assert borrowed_spread([lender("one", 3.0, 4.0, 10.0)], "plateau") is None


def earlier(folder, inputs=(), **changes):
    """Write a results.json as of an earlier trial like the demo."""
    run = open_run(demo_folder())
    trial = {
        "time_zero": run.trial.time_zero,
        "cookers": list(run.trial.cookers),
        "measuring": run.trial.measuring.model_dump(),
        "charge": run.trial.charge.model_dump(),
        "probe": run.trial.probe,
        "probes": to_jsonable_python(run.trial.probes),
    } | changes
    place = folder / "reports" / "2025-05-14-standard"
    place.mkdir(parents=True, exist_ok=True)
    results = {
        "schema": "repeatburn-results/1",
        "inputs": [*inputs],
        "trial": trial,
        **lender("", 3.0, 4.0, 12.0).results,
    }
    (place / "results.json").write_text(json.dumps(results), encoding="utf-8")


def told_of(run):
    lenders, unlike = lenders_of(run.folder, run.trial)
    return (*unlike, *earlier_words(run, lenders))


def single_burns(folder):
    run = open_run(shutil.copytree(demo_folder(), folder, ignore=shutil.ignore_patterns("reports")))
    once = run.burns.drop_duplicates("fuel")
    model = run.trial.model.model_copy(update={"borrow_from": ("../last-autumn",)})
    return replace(run, burns=once, trial=replace(run.trial, model=model))


def test_a_trial_of_single_burns_says_what_it_borrowed(tmp_path):
    earlier(tmp_path / "last-autumn")
    (words,) = told_of(single_burns(tmp_path / "now"))
    assert "last-autumn" in words
    assert "standard deviation 5.0 °C on 12 degrees of freedom" in words


def test_spreads_measured_differently_are_not_pooled_and_the_difference_is_named(tmp_path):
    earlier(tmp_path / "last-autumn", time_zero="lit", probe="lid", probes=[])
    with pytest.raises(KitError) as caught:
        told_of(single_burns(tmp_path / "now"))
    assert [problem.where for problem in caught.value.problems] == [
        "last-autumn: time zero",
        "last-autumn: probe place",
    ]
    assert "not pooled" in str(caught.value)


def test_another_balance_says_how_well_and_not_how_so_its_folder_lends(tmp_path):
    now = single_burns(tmp_path / "now")
    measuring = to_jsonable_python(now.trial.measuring)
    earlier(tmp_path / "last-autumn", measuring=measuring | {"balance_division_g": 5.0})
    assert "standard deviation" in told_of(now)[0]
    earlier(tmp_path / "last-autumn", measuring=measuring | {"median_s": 7.0})
    with pytest.raises(KitError, match="smoothing median_s"):
        told_of(now)


def test_windows_that_burns_of_minutes_shortened_are_the_same_where_this_trial_s_may_be_too(tmp_path):
    now = single_burns(tmp_path / "now")
    own = now.trial.measuring
    earlier(tmp_path / "last-autumn", measuring=to_jsonable_python(own.shortened(4)))

    def words(windows):
        return told_of(replace(now, trial=replace(now.trial, measuring=windows)))

    for alike in (own, own.shortened(4)):
        assert "standard deviation" in words(alike)[0]
    for other in (own.shortened(1), own.shortened(2)):
        with pytest.raises(KitError, match="smoothing median_s"):
            words(other)


def test_a_copy_of_this_folder_or_of_a_lender_lends_nothing(tmp_path):
    now = single_burns(tmp_path / "now")
    log = now.folder / "logs" / now.burns["log"].iloc[0]
    record = {"name": "logs/x.csv", "bytes": log.stat().st_size}
    own, other = (record | {"sha256": each} for each in (sha256(log.read_bytes()).hexdigest(), "0" * 64))
    earlier(tmp_path / "backup", inputs=[own, other])
    for name in ("autumn", "autumn again"):
        earlier(tmp_path / name, inputs=[other])

    def borrowing(*names):
        model = now.trial.model.model_copy(update={"borrow_from": names})
        return replace(now.trial, model=model)

    with pytest.raises(KitError) as caught:
        lenders_of(now.folder, borrowing("../backup", "../autumn", "../autumn again"))
    assert [problem.found for problem in caught.value.problems] == [
        "backup, which holds logs of this folder",
        "autumn again, which holds logs of autumn",
    ]
    lenders, unlike = lenders_of(now.folder, borrowing("all alike"))
    assert [each.name for each in lenders] == ["autumn"]
    assert sorted(unlike) == [
        "The folder autumn again beside this one holds logs of autumn, whose burns count already: it lends nothing.",
        "The folder backup beside this one holds logs of this folder, whose burns count already: it lends nothing.",
    ]


def test_a_folder_without_a_report_cannot_lend(tmp_path):
    (tmp_path / "last-autumn").mkdir()
    with pytest.raises(KitError, match="no report"):
        told_of(single_burns(tmp_path / "now"))


def results_of(table, **trial):
    rows = table.assign(metric="peak").to_dict("records")
    sheet = [{"burn": row["burn"], "cooker": "", "setting": ""} for row in rows]
    return {"metrics": rows, "burns": sheet, "trial": {"fuels": [], **trial}}


def judged_with(table, earlier, **columns):
    spec = metric("peak")
    question = Question(margin=2.0, primary=True, better="more", **columns)
    question = with_earlier(question, [Lender(Path("before"), results_of(earlier))], spec)
    return judge_metric(table.assign(kind=""), spec, question).tables


def test_an_earlier_trial_narrows_the_intervals_and_the_answer_without_it_stands_beside():
    tables = judged_with(burns_table(bags=2, burns=2, seed=5), burns_table(bags=3, burns=3, seed=6))
    prior = tables["prior"].iloc[0]
    assert (prior["folder"], prior["burns"], prior["bags"], bool(prior["used"])) == ("before", 36, 12, True)
    width, alone = (
        each["high"] - each["low"] for each in (tables["comparisons"], tables["comparisons_alone"])
    )
    assert width.mean() < alone.mean()
    means = tables["comparisons"]["difference"], tables["comparisons_alone"]["difference"]
    assert list(means[0]) == list(means[1])


def test_an_earlier_trial_that_conflicts_is_left_out_and_says_so():
    wild = burns_table(bags=3, burns=3, bag_sd=0.1, burn_sd=0.02, seed=6)
    tables = judged_with(burns_table(bags=2, burns=3, burn_sd=3.0, seed=5), wild)
    prior = tables["prior"].iloc[0]
    assert not prior["used"] and prior["p_conflict"] < 0.05
    assert "differ otherwise there than here" in prior["note"]
    assert list(tables["comparisons"]["low"]) == pytest.approx(
        list(tables["comparisons_alone"]["low"]), rel=1e-3
    )


def test_one_bag_a_fuel_speaks_of_the_product_only_with_an_earlier_trial_that_knows_bags():
    tables = judged_with(burns_table(bags=1, burns=4, seed=5), burns_table(bags=4, burns=2, seed=6))
    assert set(tables["comparisons"]["scope"]) == {"the product"}
    assert set(tables["comparisons_alone"]["scope"]) == {"these bags"}


def test_a_folder_whose_fuels_were_burned_once_is_not_used_and_says_why():
    tables = judged_with(burns_table(bags=2, burns=2), burns_table(fuels=5, bags=1, burns=1))
    assert not tables["prior"]["used"].any()
    assert "no fuel was burned twice" in tables["prior"]["note"][0]
