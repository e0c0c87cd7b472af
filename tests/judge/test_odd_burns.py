"""The odd burn is found, and its bag-mates are not taken for odd."""

import numpy as np
import pytest

from kit.judge.odd_burns import conditions_apart, odd_burns
from kit.judge.question import Question
from kit.variance import contrasts, fit_repeats
from tests.judge.made import burns_table

PRIMARY = Question(primary=True)


def fitted(table, question=PRIMARY, **more):
    return fit_repeats(table, status="status", **(question.roles(table) | more))


def test_a_wild_burn_is_odd_and_its_bag_mate_is_not():
    table = burns_table(bags=3, burns=2, seed=3)
    table.loc[4, "value"] += 9.0
    found = odd_burns(fitted(table), PRIMARY).set_index("burn")
    assert list(found.index[found["odd"]]) == ["004"]
    assert found.loc["004", "residual"] > 4
    assert found.loc["005", "p"] == pytest.approx(1.0)


def test_a_second_wild_burn_is_found_given_the_first():
    table = burns_table(bags=3, burns=3, seed=3)
    table.loc[[4, 30], "value"] += [11.0, -9.0]
    found = odd_burns(fitted(table), PRIMARY)
    assert list(found.loc[found["odd"], "burn"]) == ["004", "030"]


def test_expected_comes_from_the_other_burns_alone():
    table = burns_table(seed=5)
    wild = table.assign(value=table["value"].where(table.index != 7, 1000.0))
    tame = odd_burns(fitted(table), PRIMARY).loc[7]
    found = odd_burns(fitted(wild), PRIMARY).loc[7]
    assert found["odd"] and not tame["odd"]
    assert found["expected"] == pytest.approx(tame["expected"], abs=0.1)


@pytest.mark.parametrize("days", [False, True])
def test_screened_residuals_are_near_those_of_a_full_refit(days):
    table = burns_table(fuels=3, bags=3, burns=3, seed=11, days=days)
    fit = fitted(table)
    found = odd_burns(fit, PRIMARY)
    for place in (0, 8, 20):
        marked = table.assign(own=(table.index == place).astype(float))
        question = Question(primary=True, covariates=("own",))
        again = fitted(marked, question)
        L = np.eye(again.design.p)[[again.design.columns.index("own")]]
        one = contrasts(again, L, "kenward-roger")
        assert found.loc[place, "residual"] == pytest.approx((one.estimate / one.se).item(), abs=0.25)


def test_one_burn_of_a_fuel_has_nothing_to_be_held_against():
    table = burns_table(seed=2)
    table = table[(table["fuel"] != "fuel 0") | (table.index == 0)].reset_index(drop=True)
    found = odd_burns(fitted(table), PRIMARY)
    assert np.isnan(found.loc[0, "residual"]) and not found.loc[0, "odd"]


def test_a_ratio_changes_with_the_unit_and_p_does_not():
    table = burns_table(seed=4)
    table["value"] = np.exp(table["value"] / 20)
    table.loc[3, "value"] *= 2
    hours = table.assign(value=table["value"] / 60)
    one, other = (odd_burns(fitted(each, scale="log"), PRIMARY) for each in (table, hours))
    assert one["odd"].sum() == 1
    np.testing.assert_allclose(one["p"], other["p"], rtol=1e-6)
    np.testing.assert_allclose(one["expected"] / 60, other["expected"], rtol=1e-6)


def test_further_metrics_share_half_of_what_may_err():
    assert Question(primary=True, primaries=2).looks == 2
    assert Question(primary=True, primaries=2, others=3).looks == 4
    assert Question(primary=False, primaries=2, others=3).looks == 6


def test_conditions_stand_beside_the_odd_burn():
    table = burns_table(bags=3, burns=2, seed=3).assign(wind_m_s=2.0, charge_g=400.0)
    table.loc[::2, "wind_m_s"] = 1.5
    table.loc[4, ["value", "wind_m_s"]] = [60.0, 7.5]
    found = odd_burns(fitted(table), PRIMARY).set_index("burn")
    assert found.loc["004", "conditions"] == "wind 7.5 m/s, the others 1.5 to 2"
    assert (found.drop(index="004")["conditions"] == "").all()
    assert conditions_apart(table, "005") == ""
