"""What is asked: families, bags that were not noted, spread by kind, looks that were planned."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from kit.judge import compare_fuels
from kit.judge.judging import compare, judge_metric
from kit.judge.question import MOST_FUELS, NO_BAG, Question, look_level, nominal_levels
from kit.schema import metric
from kit.variance import fit_repeats
from tests.judge.made import burns_table


def test_bags_that_were_not_noted_are_one_bag_a_fuel_and_the_verdict_is_for_these_bags():
    table = burns_table(fuels=3, bags=1, burns=4).assign(bag="")
    counted, _ = Question().countable(table)
    assert set(counted["bag"]) == {NO_BAG}
    found = judge_metric(table, metric("peak"), Question(primary=True)).tables["comparisons"]
    assert set(found["scope"]) == {"these bags"}
    assert set(found["bags_a"]) == {1}
    noted = compare_fuels(fit_repeats(burns_table(fuels=3, bags=2, burns=2)))
    assert set(noted["scope"]) == {"the product"}


def test_spread_starts_by_kind_where_kinds_are_mixed_and_have_burns_enough():
    table = burns_table(fuels=4, bags=2, burns=2)
    mixed = table.assign(kind=np.where(table["fuel"] < "fuel 2", "lump", "briquette"))
    start = Question(spread="")
    assert start.roles(mixed)["spread"] == "by kind"
    assert start.roles(mixed.assign(kind="lump"))["spread"] == "common"
    assert start.roles(mixed.iloc[::4])["spread"] == "common"
    bounds = mixed["status"].where(mixed["burn"] > "002", "at least")  # three of the eight burns of a kind
    assert start.roles(mixed.assign(status=bounds))["spread"] == "common"
    assert start.roles(mixed.assign(status="at least"))["spread"] == "common"
    assert Question(spread="common").roles(mixed)["spread"] == "common"


def test_pairs_asked_beforehand_are_the_family_and_one_alone_needs_no_adjustment():
    fit = fit_repeats(burns_table())
    one = compare(fit, Question(pairs=[("fuel 0", "fuel 2")]))
    assert set(one["multiplicity"]) == {"none"}
    assert (one["low"] == one["low_alone"]).all()
    two = compare(fit, Question(pairs=[("fuel 0", "fuel 2"), ("fuel 1", "fuel 3"), ("fuel 1", "no such")]))
    every = compare_fuels(fit, [("fuel 0", "fuel 2"), ("fuel 1", "fuel 3")], "tukey")
    assert len(two) == 2
    assert (two["low_alone"] > two["low"]).all() and (two["low"] > every["low"]).all()


def test_very_many_fuels_are_compared_with_the_best_alone_by_limits_for_every_pair():
    fit = fit_repeats(burns_table(fuels=MOST_FUELS + 2, bags=2, burns=1))
    found = compare(fit, Question(better="more"))
    assert len(found) == MOST_FUELS + 1
    assert set(found["b"]) == {fit.labels[int(np.argmax(fit.estimate.beta[0]))]}
    assert set(found["multiplicity"]) == {"tukey"}


def test_two_looks_spend_the_error_as_lan_and_demets_do():
    first, last = 1 - look_level((12, 24), 12), 1 - look_level((12, 24), 24)
    assert first == pytest.approx(2 * stats.norm.sf(1.959964 / np.sqrt(0.5)), rel=1e-6)
    assert stats.norm.isf(last / 2) == pytest.approx(1.98, abs=0.003)
    assert look_level((), 12) == look_level((24,), 24) == 0.95


def test_all_looks_together_err_no_more_than_once():
    shares = (0.25, 0.5, 0.75, 1.0)
    bounds = stats.norm.isf(np.array(nominal_levels(shares, 0.05)) / 2)
    rng = np.random.default_rng(1)
    steps = rng.standard_normal((400_000, 4)) * 0.5
    z = steps.cumsum(axis=1) / np.sqrt(shares)
    assert (np.abs(z) > bounds).any(axis=1).mean() == pytest.approx(0.05, abs=0.0012)


@pytest.mark.parametrize("blank", [[3], [0, 3], [2, 3]])
def test_a_fuel_whose_bags_are_not_all_noted_is_of_one_bag_so_that_blanks_buy_nothing(blank):
    noted = pd.DataFrame({"fuel": list("aaaabbbb"), "bag": list("11223344"), "status": "exact"})
    rows = noted.assign(bag=noted["bag"].mask(noted.index.isin(blank), ""))
    bags = Question().countable(rows)[0].groupby("fuel")["bag"].nunique()
    assert bags.to_dict() == {"a": 1, "b": 2}
