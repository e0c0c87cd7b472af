"""Scores by people: each taster's own order counts, n counts burns, and how far tasters differ is told apart."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from kit.judge.kitchen import judge_scores
from kit.judge.question import Question
from tests.judge.made import counted_of
from tests.sampled import sampled

FUELS = np.repeat(["alder", "beech", "olive"], 8)
BAGS = np.tile(np.repeat(["1", "2"], 4), 3)
ASKED = Question()


def trial_of(effect=(0.0, 0.0, 2.0), taster_sd=1.5, noise=0.7, seed=1, missing=0.0):
    rng = np.random.default_rng(seed)
    counted, run = counted_of(np.full(24, 100.0), "peak", {}, fuel=list(FUELS), bag=list(BAGS))
    own = rng.normal(0, taster_sd, 4)
    rows = [
        (
            str(k),
            f"T{j}",
            "smoke",
            round(5 + effect["abo".index(FUELS[k][0])] + own[j] + rng.normal(0, noise)),
        )
        for k in range(24)
        for j in range(4)
        if rng.random() >= missing
    ]
    return scored(run, pd.DataFrame(rows, columns=["burn", "taster", "attribute", "score"])), counted


def scored(run, scores):
    return replace(run, scores=scores)


def judged(**how):
    return judge_scores(*trial_of(**how), ASKED)


def test_a_fuel_scored_higher_stands_higher_and_is_told_apart():
    found = judged()
    fuels = found["scores"].set_index("fuel")
    assert fuels.loc["olive", "chance"] > 0.75
    assert fuels["n"].tolist() == [8, 8, 8] and fuels["scores"].tolist() == [32, 32, 32]
    assert ((fuels["low"] <= fuels["chance"]) & (fuels["chance"] <= fuels["high"])).all()
    assert fuels["chance"].mean() == pytest.approx(0.5, abs=0.01)
    verdicts = found["score_pairs"].set_index(["a", "b"])["verdict"]
    assert verdicts["alder", "olive"] == verdicts["beech", "olive"] == "different"


def test_how_a_taster_uses_the_scale_makes_no_difference():
    run, counted = trial_of()
    harsh = run.scores["taster"] == "T1"
    stretched = run.scores["score"].where(~harsh, 3 * run.scores["score"] - 40)
    again = judge_scores(scored(run, run.scores.assign(score=stretched)), counted, ASKED)
    pd.testing.assert_frame_equal(judge_scores(run, counted, ASKED)["score_pairs"], again["score_pairs"])


def test_the_spread_between_tasters_is_its_own():
    found = judged(taster_sd=2.0, noise=0.5, effect=(0.0, 0.0, 0.0))["tasters"].set_index("source")
    assert found.loc["between tasters", "low"] < 2.0 < found.loc["between tasters", "high"]
    assert found.loc["one taster, one burn", "sd"] == pytest.approx(np.hypot(0.5, 12**-0.5), rel=0.25)


@pytest.mark.parametrize("trials", sampled([20], [120]))
def test_claims_where_fuels_are_alike_are_as_rare_as_promised(trials):
    wrong = [
        (
            judged(effect=(0.0, 0.0, 0.0), seed=seed, missing=0.1)["score_pairs"]["verdict"] == "different"
        ).any()
        for seed in range(trials)
    ]
    assert np.mean(wrong) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / trials)


def test_nobody_scored():
    run, counted = trial_of()
    found = judge_scores(scored(run, run.scores.head(0)), counted, ASKED)
    assert found["scores"].empty and found["score_pairs"].empty and found["tasters"].empty


def test_a_single_taster_is_no_spread_of_tasters():
    run, counted = trial_of()
    found = judge_scores(scored(run, run.scores[run.scores["taster"] == "T0"]), counted, ASKED)
    assert len(found["scores"]) == 3 and found["tasters"].empty


def test_scores_of_one_fuel_alone_are_told_without_a_pair():
    run, counted = trial_of()
    own = counted.metrics["fuel"] == "alder"
    found = judge_scores(run, replace(counted, metrics=counted.metrics[own]), ASKED)
    assert found["scores"]["fuel"].tolist() == ["alder"] and not len(found["score_pairs"])
