"""One verdict a comparison: no table contradicts an interval, or another table."""

import math

import numpy as np
import pytest

from kit.judge.judging import judge_metric
from kit.judge.question import Question
from kit.schema import VERDICTS, metric
from tests.judge.made import burns_table, verdict_of
from tests.publish_content.made import analysis
from tests.sampled import sampled

DIFFERENT = tuple(verdict for verdict in VERDICTS if verdict.startswith("different"))


def demo():
    return analysis("demo")


def generated(seed):
    """A trial with spread, days, a cut log and margins drawn by its seed, judged in a family drawn by it too."""
    rng = np.random.default_rng(seed)
    table = burns_table(
        fuels=int(rng.integers(3, 6)), bags=int(rng.integers(2, 4)), burns=2, bag_sd=rng.uniform(0, 1.5),
        step=rng.uniform(0, 2.5), seed=seed, days=bool(rng.integers(2)),
    )  # fmt: skip
    if rng.integers(2):
        table.loc[int(rng.integers(len(table))), "status"] = "at least"
    family = ({}, {"control": "fuel 1"}, {"pairs": [("fuel 0", "fuel 2"), ("fuel 2", "fuel 1")]})[seed % 3]
    question = Question(margin=float(rng.uniform(0.5, 4)), primary=True, better="more", seed=seed, **family)
    return judge_metric(table.assign(kind=""), metric("peak"), question).tables


def on_scale(row, name):
    value = float(row[name])
    return math.log(value) if row["scale"] == "log" and value > 0 else value


def check_verdicts(comparisons):
    for row in comparisons.to_dict("records"):
        if row["low"] != row["low"]:
            assert row["verdict"] not in DIFFERENT
            continue
        low, high, inner, outer = (
            on_scale(row, name) for name in ("low", "high", "low_equivalence", "high_equivalence")
        )
        found = verdict_of(low, high, row["margin"], (inner, outer))
        assert found == (row["verdict"], row["direction"])
        assert (row["verdict"] in DIFFERENT) == (low > 0 or high < 0)
        assert low <= inner and outer <= high


def check_tables(tables):
    comparisons, pairs = tables["comparisons"], tables.get("pairs", tables["comparisons"])
    check_verdicts(comparisons)
    check_verdicts(pairs)
    told = {(r.metric, frozenset((r.a, r.b))): r for r in pairs.itertuples()}
    for row in comparisons.itertuples():
        same = told.get((row.metric, frozenset((row.a, row.b))), row)
        assert same.verdict == row.verdict
    for (which, a, b), own in tables["influence"].groupby(["metric", "a", "b"]):
        assert set(own["verdict"]) == {told[which, frozenset((a, b))].verdict}
        for row in own.itertuples():
            if row.verdict_without in DIFFERENT:
                equal = 1.0 if told[which, frozenset((a, b))].scale == "log" else 0.0
                assert row.low > equal or row.high < equal
    if "censored" in tables:
        every = {(r.metric, r.a, r.b): r.verdict for r in comparisons.itertuples()}
        assert all(row.verdict == every[row.metric, row.a, row.b] for row in tables["censored"].itertuples())
    for which, rungs in tables["ladder"].groupby("metric"):
        brackets = dict(zip(rungs["fuel"], rungs["brackets"].str.split(), strict=True))
        for row in pairs[pairs["metric"] == which].itertuples():
            assert bool(set(brackets[row.a]) & set(brackets[row.b])) == (row.verdict not in DIFFERENT)
    if "best" in tables:
        for which, own in tables["best"].groupby("metric"):
            can = dict(zip(own["fuel"], own["can_be_best"], strict=True))
            worse = "b" if own["better"].iloc[0] == "more" else "a"
            assert own["can_be_best"].any()
            for row in pairs[(pairs["metric"] == which) & (pairs["multiplicity"] != "none")].itertuples():
                if row.verdict in DIFFERENT:
                    loser = row.b if row.direction == ("a" if worse == "b" else "b") else row.a
                    assert not can[loser]
    open_ones = {(r.metric, r.a, r.b) for r in pairs.itertuples() if r.verdict == "not settled"}
    if "further" in tables:
        assert {(r.metric, r.a, r.b) for r in tables["further"].itertuples()} <= open_ones


@pytest.mark.parametrize("seed", sampled([0, 1, 2], range(3, 9)))
def test_no_table_of_a_generated_trial_contradicts_another(seed):
    check_tables(generated(seed))


def test_no_table_of_the_demo_contradicts_another():
    check_tables(demo().tables)


def test_the_demo_s_values_at_the_prices_paid_are_its_comparisons_of_cost():
    tables = demo().tables
    costs = {(r.metric, r.a, r.b): r for r in tables["comparisons"].itertuples()}
    for row in tables["value"].itertuples():
        same = costs[row.metric, row.a, row.b]
        assert (row.verdict, row.low, row.high) == (same.verdict, same.low, same.high)
        assert (row.low <= 1 <= row.high) == (row.break_even_low <= row.paid <= row.break_even_high)
        assert row.break_even_low < row.break_even < row.break_even_high


def test_no_fuel_of_the_demo_with_a_burn_that_never_reached_it_has_a_time_above():
    tables = demo().tables
    short = tables["reached"][tables["reached"]["share"] < 1]
    for row in short.itertuples():
        for base in ("time_above", "longest_spell", "cost"):
            own = tables["means"][tables["means"]["metric"] == row.metric.replace("time_to", base)]
            assert row.fuel not in set(own["fuel"])
