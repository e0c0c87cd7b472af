"""Whether fuels differ at all, and which can be the best."""

import numpy as np
import pytest
from scipy import stats

from kit.errors import KitError
from kit.judge import best_fuels, compare_fuels, fuels_differ
from kit.judge.judging import judge_metric
from kit.judge.question import Question
from kit.schema import metric
from kit.variance import fit_repeats
from tests.judge.made import burns_table


def test_far_ahead_only_one_can_be_the_best_and_says_by_how_much_the_rest_fall_short():
    fit = fit_repeats(burns_table(step=20.0))
    most, least = best_fuels(fit, "more"), best_fuels(fit, "less")
    assert list(most.loc[most["can_be_best"], "fuel"]) == ["fuel 3"]
    assert list(least.loc[least["can_be_best"], "fuel"]) == ["fuel 0"]
    first = most.set_index("fuel").loc["fuel 3"]
    assert first["low"] == 0 < first["difference"] < first["high"]
    rest = most[most["fuel"] != "fuel 3"]
    assert (rest["high"] == 0).all()
    assert (rest["low"] < rest["difference"]).all()
    assert least.set_index("fuel").loc["fuel 0", "difference"] < 0


def test_what_can_be_best_agrees_with_tukey_where_fuels_are_alike():
    fit = fit_repeats(burns_table(step=0.0))
    assert best_fuels(fit)["can_be_best"].all()
    assert fuels_differ(fit)["p"].iloc[0] > 0.05


def test_ratios_on_the_log_scale_stand_against_one():
    burns = burns_table(step=3.0).assign(value=lambda rows: np.exp(rows["value"] / 10))
    best = best_fuels(fit_repeats(burns, scale="log"), "less")
    assert list(best.columns)[3] == "ratio"
    assert ((best["low"] <= 1) & (best["high"] >= 1)).all()
    assert best.set_index("fuel")["can_be_best"]["fuel 0"]


def test_a_fuel_of_bounds_alone_is_not_ruled_out():
    burns = burns_table(step=20.0)
    burns.loc[burns["fuel"] == "fuel 1", "status"] = "at least"
    best = best_fuels(fit_repeats(burns, status="status")).set_index("fuel")
    assert best.loc["fuel 1", "can_be_best"]
    assert np.isnan(best.loc["fuel 1", "low"])
    assert not best.loc["fuel 0", "can_be_best"]


def test_with_bounds_no_answer_is_surer_than_that_on_the_pair_it_is_about():
    burns = burns_table(step=2.0, fuels=2, bags=3, burns=1, seed=4)
    burns["status"] = np.where(burns.index % 3 == 0, "exact", "at least")
    burns.loc[burns.index[-3:], "status"] = "exact"
    fit = fit_repeats(burns, status="status")
    pair = compare_fuels(fit, multiplicity="tukey").iloc[0]
    assert fuels_differ(fit)["p"].iloc[0] >= pair["p_adjusted"] - 1e-9
    best = best_fuels(fit).set_index("fuel")
    one_sided = compare_fuels(fit, multiplicity="none", level=0.9).iloc[0]
    ends = sorted(np.abs([one_sided["low"], one_sided["high"]]))
    first = best["difference"].idxmax()
    assert max(abs(best.loc[first, ["low", "high"]])) == pytest.approx(ends[1], rel=1e-6)


def test_the_f_test_is_the_classical_one_of_a_balanced_design():
    burns = burns_table(bag_sd=2.0)
    fit = fit_repeats(burns)
    assert "bag" in fit.names
    means = burns.groupby(["fuel", "bag"])["value"].mean()
    groups = [own.to_numpy() for _, own in means.groupby(level=0)]
    f, p = stats.f_oneway(*groups)
    row = fuels_differ(fit).iloc[0]
    assert (row["f"], row["p"]) == (pytest.approx(f, rel=1e-6), pytest.approx(p, rel=1e-5))
    assert (row["df1"], row["df2"]) == (3, pytest.approx(8))


def test_another_word_for_better_is_refused():
    with pytest.raises(KitError, match="more or less"):
        best_fuels(fit_repeats(burns_table()), "hotter")


def test_simultaneous_limits_for_the_same_are_narrower_and_settle_more():
    fit = fit_repeats(burns_table(step=0.1))
    pairs = compare_fuels(fit)
    assert (pairs["low_equivalence"] > pairs["low"]).all()
    assert (pairs["high_equivalence"] < pairs["high"]).all()
    wide = pairs[["low", "high"]].abs().max(axis=1)
    inner = pairs[["low_equivalence", "high_equivalence"]].abs().max(axis=1)
    place = int((wide - inner).idxmax())
    margin = float((wide[place] + inner[place]) / 2)
    assert compare_fuels(fit, margin=margin)["verdict"][place] == "the same within the margin"


def test_which_fuel_is_the_better_value_is_judged_whether_or_not_anything_was_asked_of_the_cost():
    table = burns_table(step=5.0)
    tables = judge_metric(table, metric("cost:110"), Question()).tables
    assert "pairs" not in tables and list(tables["best"].query("can_be_best")["fuel"]) == ["fuel 0"]
    assert "best" not in judge_metric(table, metric("peak_raw"), Question()).tables
