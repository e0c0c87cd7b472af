"""The next bag, and the chance that one beats another."""

import numpy as np
import pytest
from scipy import stats

from kit.judge.judging import judge_metric
from kit.judge.next_bag import chance_better, chances, next_bag
from kit.judge.question import Question
from kit.schema import metric
from kit.variance import fit_repeats
from tests.judge.made import burns_table
from tests.simulate import judging


def test_the_chances_of_a_and_b_add_to_one():
    fit = fit_repeats(burns_table())
    one, other = chance_better(fit, "fuel 1", "fuel 0"), chance_better(fit, "fuel 0", "fuel 1")
    assert one.chance + other.chance == pytest.approx(1, abs=0.01)
    assert one.low == pytest.approx(1 - other.high, abs=0.03)
    assert one.low < one.chance < one.high


def test_many_burns_give_the_true_chance():
    fit = fit_repeats(burns_table(fuels=2, bags=300, burns=2, seed=8))
    found = chance_better(fit, "fuel 1", "fuel 0")
    truth = stats.norm.cdf(1 / np.sqrt(2 * (0.25 + 1)))
    assert found.low < truth < found.high
    assert found.chance == pytest.approx(truth, abs=0.03)
    assert found.high - found.low < 0.08


@pytest.mark.parametrize("more", [{"bag": None}, {"day": "day"}, {"spread": "by fuel"}])
def test_every_form_of_the_model_gives_limits(more):
    table = burns_table(fuels=3, days=True)
    found = chances(fit_repeats(table, **more))
    assert len(found) == 3
    assert (found["low"] <= found["chance"]).all() and (found["chance"] <= found["high"]).all()
    assert found[["low", "high"]].notna().all(axis=None)


def test_a_table_of_pairs_is_as_each_alone():
    fit = fit_repeats(burns_table())
    table = chances(fit, seed=4).set_index(["a", "b"])
    alone = chance_better(fit, "fuel 0", "fuel 3", seed=4)
    assert table.loc[("fuel 0", "fuel 3"), "chance"] == pytest.approx(alone.chance, abs=0.02)


def test_the_next_bag_varies_more_than_the_mean_is_unsure():
    fit = fit_repeats(burns_table())
    found = next_bag(fit)
    assert (found["sd"] > fit.means["se"].to_numpy()).all()
    assert set(found["covers"]) == {"bag and burn"}


@pytest.mark.long
def test_a_sample_of_the_simulation_lies_within_its_limits():
    scene = judging.SCENES[0]
    row = judging.simulate(scene, trials=60, seed=3)
    assert not judging.outside(row), row


def test_fuels_that_days_keep_apart_have_no_chance():
    table = burns_table(fuels=3)
    days = table["fuel"].map({"fuel 0": "monday", "fuel 1": "tuesday", "fuel 2": "tuesday"})
    found = chances(fit_repeats(table.assign(day=days), day="day"))
    assert found[["a", "b"]].to_numpy().tolist() == [["fuel 1", "fuel 2"]]
    assert chances(fit_repeats(table[table["fuel"] != "fuel 2"].assign(day=days), day="day")).empty


def test_a_chance_stands_beside_the_verdict_on_the_means_of_its_pair():
    question = Question(control="fuel 2", margin=1.0, primary=True, better="more")
    tables = judge_metric(burns_table(step=2.0), metric("peak"), question).tables
    verdicts = {frozenset((row.a, row.b)): row.verdict for row in tables["pairs"].itertuples()}
    told = tables["chances"]
    assert len(told) == 6 and len(set(told["verdict"])) > 1
    assert all(row.verdict == verdicts[frozenset((row.a, row.b))] for row in told.itertuples())


def test_no_limit_of_a_count_lies_below_none():
    table = burns_table(burn_sd=3.0).assign(value=lambda rows: (rows["value"] - 19).clip(lower=0).round())
    counts, others = (
        judge_metric(table, metric(name), Question()).tables for name in ("departures", "peak_raw")
    )
    for name in ("means", "next_bag"):
        assert counts[name]["low"].min() == 0.0 > others[name]["low"].min()
        assert (counts[name]["low"] <= counts[name]["mean"]).all()
        assert counts[name]["high"].tolist() == others[name]["high"].tolist()
