"""The share of burns that reached a temperature."""

from dataclasses import replace

import pandas as pd
import pytest
from scipy import stats

from kit.judge.kitchen import reached_compared, share_reached
from kit.judge.question import Question
from tests.judge.made import counted_of


def reached(status):
    fuels = ["alder"] * len(status)
    return share_reached(
        counted_of([1.0] * len(status), "time_to:180", {}, status=status, fuel=fuels, bag="a")[0]
    )


@pytest.mark.parametrize(("k", "n"), [(0, 6), (3, 6), (6, 6), (1, 9)])
def test_limits_are_those_of_clopper_and_pearson(k, n):
    row = reached(["exact"] * k + ["never"] * (n - k)).iloc[0]
    exact = stats.binomtest(k, n).proportion_ci(0.95, method="exact")
    assert (row["reached"], row["n"], row["share"]) == (k, n, k / n)
    assert (row["low"], row["high"]) == (pytest.approx(exact.low), pytest.approx(exact.high))


def test_a_log_that_ends_before_tells_nothing_and_one_that_began_late_does():
    row = reached(["exact", "at most", "never", "at least", "missing"]).iloc[0]
    assert (row["reached"], row["n"]) == (2, 3)


def compared(status, bags, **columns):
    fuels = ["alder"] * (len(status) // 2) + ["olive"] * (len(status) // 2)
    counted, _ = counted_of([1.0] * len(status), "time_to:180", {}, status=status, fuel=fuels, bag=bags)
    return reached_compared(counted, Question(**columns)).iloc[0]


def test_six_of_six_against_none_of_six_differ_by_fisher_s_mid_p():
    row = compared(["exact"] * 6 + ["never"] * 6, list("aabbcc") * 2)
    assert row["p"] == pytest.approx(stats.fisher_exact([[6, 0], [0, 6]])[1] / 2)
    assert (row["verdict"], row["direction"], row["disagree"]) == ("different", "a", "")


def test_burns_of_bags_that_disagree_do_not_count_as_many():
    row = compared(["exact", "exact", "never", "never", "never", "never"] + ["never"] * 6, list("aabbcc") * 2)
    assert row["disagree"] == "alder"
    assert (row["verdict"], row["p"]) == ("not settled", pytest.approx(0.5))


@pytest.mark.parametrize(
    ("bags", "scope"),
    [
        (["a"] * 6 + list("aabbcc"), "these bags"),
        (list("aabbcc") + ["a"] * 6, "these bags"),
        (list("aabbcc") + list("aabb") + [""] * 2, "these bags"),
        ([""] * 12, "these bags"),
        (list("aaabbb") * 2, "the product"),
    ],
)
def test_burns_of_one_bag_say_nothing_of_its_fuel_s_others(bags, scope):
    row = compared(["exact"] * 6 + ["never"] * 6, bags)
    assert (row["verdict"], row["scope"]) == ("different", scope)


def test_a_fuel_that_reached_it_only_sometimes_has_no_time_above():
    status = ["exact"] * 6
    burns = {"fuel": ["alder"] * 3 + ["olive"] * 3, "bag": "a"}
    counted, _ = counted_of([30.0] * 6, "time_above:180", {}, status=status, **burns)
    never = counted.metrics.assign(metric="time_to:180", status=["exact", "exact", "never"] + ["exact"] * 3)
    both = replace(counted, metrics=pd.concat([counted.metrics, never], ignore_index=True))
    rows, why = Question().countable(both.compared("time_above:180"), fewest=1)
    assert (set(rows["fuel"]), why) == ({"olive"}, "")
