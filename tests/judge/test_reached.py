"""The share of burns that reached a temperature."""

import pytest
from scipy import stats

from kit.judge.reached import share_reached
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
