"""Means, comparisons and verdicts."""

import numpy as np
import pandas as pd
import pytest

from kit.errors import KitError
from kit.judge.comparisons import Differences, back, best_fuels, compare_fuels, fuel_means, kinds_compared
from kit.judge.judging import judge_metric
from kit.judge.next_bag import chance_better, next_bag
from kit.judge.question import Question
from kit.metrics import metric
from kit.schema import COMPARISONS, MEANS, VERDICTS
from kit.variance import fit_repeats
from tests.judge.made import burns_table, verdict_of
from tests.variance.reference import fitted, table


@pytest.mark.parametrize(
    ("low", "high", "verdict", "direction"),
    [
        (6, 9, "different, by more than the margin", "a"),
        (-9, -6, "different, by more than the margin", "b"),
        (1, 9, "different, size not settled", "a"),
        (5, 9, "different, size not settled", "a"),
        (-4, -1, "different, but too little to matter", "b"),
        (-4, 4, "the same within the margin", ""),
        (-5, 4, "not settled", ""),
        (-9, 9, "not settled", ""),
        (0, 3, "the same within the margin", ""),
        (np.nan, np.nan, "no repeats", ""),
    ],
)
def test_verdicts_with_a_margin_of_five(low, high, verdict, direction):
    assert verdict in VERDICTS
    assert verdict_of(low, high, 5.0) == (verdict, direction)


@pytest.mark.parametrize(("low", "high", "verdict"), [(1, 9, "different"), (-1, 1, "not settled")])
def test_without_a_margin_nothing_is_the_same(low, high, verdict):
    assert verdict_of(low, high)[0] == verdict


def test_apart_wins_over_numbers():
    assert verdict_of(6, 9, 5.0, apart=True)[0] == "cannot be separated"


def test_columns_follow_the_schema():
    fit = fitted("burns_unbalanced")
    pairs, means = compare_fuels(fit, df="kenward-roger"), fuel_means(fit, df="kenward-roger")
    names = [column.name for column in COMPARISONS if column.name not in ("metric", "ratio", "unit")]
    assert list(pairs.columns) == names
    assert list(means.columns) == [c.name for c in MEANS if c.name not in ("metric", "unit")]
    assert list(compare_fuels(fitted("burns_log"), df="kenward-roger").columns)[2] == "ratio"


def test_counts_are_burns_and_bags():
    row = compare_fuels(fitted("burns_unbalanced"), [("F1", "F2")], df="kenward-roger").iloc[0]
    assert (row["n_a"], row["n_b"], row["bags_a"], row["bags_b"]) == (4, 13, 3, 4)


def test_control_stands_second_and_dunnett_is_its_default():
    pairs = compare_fuels(fitted("burns_unbalanced"), ("control", "F3"), df="kenward-roger")
    assert set(pairs["b"]) == {"F3"}
    assert set(pairs["multiplicity"]) == {"dunnett"}
    assert list(pairs["a"]) == ["F1", "F2", "F4", "F5"]


def test_simultaneous_limits_are_wider_and_holm_s_are_bonferroni_s():
    fit = fitted("burns_unbalanced")
    for multiplicity in ("tukey", "dunnett", "holm"):
        pairs = compare_fuels(fit, multiplicity=multiplicity, df="kenward-roger")
        assert (pairs["low"] < pairs["low_alone"]).all()
        assert (pairs["p_adjusted"] >= pairs["p"] - 1e-12).all()
    none = compare_fuels(fit, multiplicity="none", df="kenward-roger")
    assert (none["low"] == none["low_alone"]).all()


def test_a_percentage_is_a_margin_on_the_log_scale():
    pairs = compare_fuels(fitted("burns_log"), margin="10 %", df="kenward-roger")
    assert pairs["margin"][0] == pytest.approx(np.log(1.1))
    number = compare_fuels(fitted("burns_log"), margin=float(np.log(1.1)), df="kenward-roger")
    assert list(pairs["verdict"]) == list(number["verdict"])


def test_ratios_turn_over_with_their_pair():
    fit = fitted("burns_log")
    one = compare_fuels(fit, [("F1", "F3")], "none", df="kenward-roger").iloc[0]
    other = compare_fuels(fit, [("F3", "F1")], "none", df="kenward-roger").iloc[0]
    assert one["ratio"] * other["ratio"] == pytest.approx(1)
    assert one["low"] * other["high"] == pytest.approx(1)
    assert {one["direction"], other["direction"]} == {"a", "b"}


def test_numbers_as_labels_stay_numbers():
    burns = table("burns_balanced")
    fit = fit_repeats(burns.assign(fuel=burns["fuel"].str[1].astype(int)))
    assert list(compare_fuels(fit, ("control", 2), df="kenward-roger")["a"]) == [1, 3, 4]


def test_a_limit_beyond_all_numbers_is_infinite_and_no_warning():
    burns = burns_table(fuels=2).assign(value=lambda rows: np.exp(rows["value"] / 10))
    fit = fit_repeats(burns, scale="log")
    with np.errstate(all="raise"):
        assert back(fit, np.array([0.0, 800.0])).tolist() == [1.0, np.inf]


def test_the_pair_of_one_sided_tests_has_limits_of_its_own():
    assert verdict_of(-6, 4, 5.0, (-4.5, 3))[0] == "the same within the margin"
    assert verdict_of(1, 6, 5.0, (1.5, 4.5))[0] == "different, but too little to matter"
    assert verdict_of(-6, 4, 5.0, (-5.5, 3))[0] == "not settled"


@pytest.mark.parametrize("bound", [False, True])
def test_families_made_of_differences_that_are_computed_once_are_those_made_alone(bound):
    burns = burns_table(fuels=4, bags=3, burns=2, seed=4)
    if bound:
        burns.loc[3, "status"] = "at least"
    fit = fit_repeats(burns, status="status")
    asked, others = ("control", "fuel 2"), [("fuel 0", "fuel 1"), ("fuel 0", "fuel 3"), ("fuel 1", "fuel 3")]
    once = Differences.of(fit, [asked, others])
    for pairs, multiplicity in (
        (asked, "dunnett"),
        (others, "tukey"),
        (others[:2], "holm"),
        (others[:1], "none"),
    ):
        alone = compare_fuels(fit, pairs, multiplicity, margin=1.0)
        pd.testing.assert_frame_equal(once.compared(pairs, multiplicity, 1.0), alone, rtol=1e-8)
    pd.testing.assert_frame_equal(best_fuels(fit, every=once), best_fuels(fit), rtol=1e-8)


def test_a_report_compares_with_the_control_as_a_notebook_does():
    """Each kind's spread of its own, where the correlations of small samples are others than the estimated ones."""
    rng, rows = np.random.default_rng(5), []
    for fuel, kind, sd in (("a", "x", 2), ("b", "x", 2), ("c", "y", 7), ("d", "y", 7)):
        for bag in "123":
            off = 100 + rng.normal(0, 3)
            values = off + rng.normal(0, sd, 2)
            rows += [(f"{fuel}{bag}{n}", fuel, bag, kind, value) for n, value in enumerate(values)]
    burns = pd.DataFrame(rows, columns=["burn", "fuel", "bag", "kind", "value"])
    burns = burns.assign(day="", cooker="", setting="", status="exact")
    question = Question(control="a", margin=5.0, primary=True, spread="by kind", better="more")
    judged = judge_metric(burns, metric("peak"), question)
    alone = compare_fuels(judged.fit, ("control", "a"), "dunnett", margin=5.0)
    names = ["low", "high", "p_adjusted"]
    assert judged.tables["comparisons"][names].to_numpy() == pytest.approx(alone[names].to_numpy(), rel=1e-12)


def test_one_bag_of_each_fuel_is_judged_as_these_bags_and_days_still_keep_fuels_apart():
    burns = burns_table(fuels=3, bags=1, burns=4, step=4.0)
    found = compare_fuels(fit_repeats(burns), margin=0.5)
    same = compare_fuels(fit_repeats(burns, bag=None), margin=0.5)
    numbers = ["difference", "low", "high", "verdict"]
    pd.testing.assert_frame_equal(found[numbers], same[numbers])
    assert set(found["scope"]) == {"these bags"} and set(same["scope"]) == {"the product"}
    days = burns["fuel"].map({"fuel 0": "monday", "fuel 1": "tuesday", "fuel 2": "tuesday"})
    apart = compare_fuels(fit_repeats(burns.assign(day=days), day="day")).set_index(["a", "b"])["verdict"]
    assert apart["fuel 0", "fuel 1"] == "cannot be separated" != apart["fuel 1", "fuel 2"]


def test_borrowed_spread_speaks_of_the_product_and_nothing_of_a_next_bag_is_said_of_one_bag_each():
    single = burns_table(fuels=3, bags=1, burns=1)
    assert set(compare_fuels(fit_repeats(single, borrowed=(1.0, 9.0)))["scope"]) == {"the product"}
    one_bag = fit_repeats(burns_table(fuels=3, bags=1, burns=4))
    assert next_bag(one_bag)[["low", "high", "sd"]].isna().all().all()
    with pytest.raises(KitError, match="one bag of each fuel"):
        chance_better(one_bag, "fuel 0", "fuel 1")


def test_a_fuel_of_bounds_alone_leaves_its_kind_compared_as_tested_and_not_in_general():
    kind_of = {f"fuel {k}": "lump" if k < 3 else "briquette" for k in range(6)}
    rows = burns_table(fuels=6, bags=2, burns=2).assign(kind=lambda made: made["fuel"].map(kind_of))
    scopes = []
    for status in ("exact", "at least"):
        bounded = rows.assign(status=rows["status"].mask(rows["fuel"] == "fuel 5", status))
        fit = fit_repeats(bounded, bag="bag", status="status")
        scopes.append(set(kinds_compared(fit, Question(kind_of=kind_of))["scope"]))
    assert scopes == [{"the fuels tested", "kinds in general"}, {"the fuels tested"}]


def test_a_pair_may_be_a_row_of_an_array():
    fit = fit_repeats(burns_table())
    a, b = fit.labels[:2]
    of_array = compare_fuels(fit, [np.array([a, b])], multiplicity="none")
    pd.testing.assert_frame_equal(of_array, compare_fuels(fit, [(a, b)], multiplicity="none"))
