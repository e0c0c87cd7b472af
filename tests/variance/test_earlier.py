"""Earlier trials beside a fit: the joint integral written out, its limits, and what may not be joined."""

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

from kit.errors import KitError
from kit.judge.comparisons import compare_fuels
from kit.variance import contrasts, fit_repeats
from tests.variance.reference import table

PAIR = [[1.0, -1, 0, 0, 0]]


def _moved(name, factor=1.0, seed=2):
    """The burns of a reference with their residuals dealt out anew, within bags and between bags, and stretched."""
    burns = table(name).copy()
    rng = np.random.default_rng(seed)
    fuel = burns.groupby("fuel")["value"].transform("mean")
    signs = pd.Series(rng.choice([-1.0, 1.0], burns.groupby(["fuel", "bag"]).ngroups))
    burns["value"] = fuel + factor * signs[burns.groupby(["fuel", "bag"]).ngroup()].to_numpy() * (
        burns["value"] - fuel
    )
    return burns


def _parts(burns):
    X = pd.get_dummies(burns["fuel"]).to_numpy(float)
    Z = pd.get_dummies(burns["fuel"] + burns["bag"].astype(str)).to_numpy(float)
    return X, Z, burns["value"].to_numpy(), np.linalg.svd(X)[0][:, X.shape[1] :]


def test_the_joint_integral_written_out():
    """Every matrix of both trials in full, at each ratio of a fine grid."""
    here, before, power = table("burns_unbalanced"), _moved("burns_unbalanced"), 0.6
    X, Z, y, K = _parts(here)
    _, Z0, y0, K0 = _parts(before)
    d = np.linalg.eigvalsh(K.T @ Z @ Z.T @ K)
    d, most = d[d > 1e-9], max(Z.sum(axis=0).max(), Z0.sum(axis=0).max())
    dof = K.shape[1] + power * K0.shape[1]
    rows = []
    for x in np.arange(-8, 9, 0.04):
        above = np.exp(x) / d.mean()
        V, V0 = (np.eye(len(z)) + (above - 1 / most) * z @ z.T for z in (Z, Z0))
        Q = y @ K @ np.linalg.solve(K.T @ V @ K, K.T @ y) + power * y0 @ K0 @ np.linalg.solve(
            K0.T @ V0 @ K0, K0.T @ y0
        )
        weight = 2 * np.log(np.sqrt(d / (1 + (above - 1 / most) * d)).sum()) + np.log(above)
        weight += 0.5 * (1 - d.max() / most) * np.log1p(np.exp(-x))
        weight -= 0.5 * (np.linalg.slogdet(K.T @ V @ K)[1] + power * np.linalg.slogdet(K0.T @ V0 @ K0)[1])
        phi = np.linalg.inv(X.T @ np.linalg.solve(V, X))
        estimate = (phi @ X.T @ np.linalg.solve(V, y))[0] - (phi @ X.T @ np.linalg.solve(V, y))[1]
        variance = phi[0, 0] + phi[1, 1] - 2 * phi[0, 1]
        rows.append((weight - 0.5 * dof * np.log(Q), estimate, np.sqrt(variance * Q / dof)))
    weight, estimate, se = np.array(rows).T
    weight = np.exp(weight - weight.max()) / np.exp(weight - weight.max()).sum()
    off = estimate - weight @ estimate

    def outside(h):
        return weight @ (stats.t.sf((h - off) / se, dof) + stats.t.sf((h + off) / se, dof)) - 0.05

    fit = fit_repeats(here, earlier=[fit_repeats(before)], power=power)
    assert list(fit.prior["used"]) == ["yes"]
    low, high = contrasts(fit, PAIR, "best").limits(0.95)
    assert float(high[0, 0] - low[0, 0]) / 2 == pytest.approx(optimize.brentq(outside, 1, 100), rel=1e-5)


@pytest.mark.parametrize("name", ["burns_unbalanced", "burns_covariate"])
def test_a_trial_of_next_to_no_power_changes_nothing(name):
    roles = {"covariates": ("temp",)} if name == "burns_covariate" else {}
    fit = fit_repeats(table(name), **roles)
    L = np.eye(len(fit.labels), fit.design.p)[:1] - np.eye(len(fit.labels), fit.design.p)[1:2]
    alone, beside = (contrasts(each, L, "best") for each in (fit, fit_repeats(
        table(name), **roles, earlier=[fit_repeats(_moved(name), **roles)], power=1e-9
    )))  # fmt: skip
    assert beside.se == pytest.approx(alone.se, rel=1e-5)
    assert beside.df == pytest.approx(alone.df, rel=1e-4)


@pytest.mark.parametrize(("name", "day"), [("burns_unbalanced", None), ("burns_days", "day")])
def test_trials_that_agree_sharpen_and_none_is_changed(name, day):
    fit = fit_repeats(table(name), day=day)
    more = fit_repeats(table(name), day=day, earlier={"spring": fit})
    assert contrasts(more, PAIR, "best").df > 1.3 * contrasts(fit, PAIR, "best").df
    assert more.means.equals(fit.means)
    assert more.components.equals(fit.components)
    assert contrasts(more.alone, PAIR, "best").se == pytest.approx(contrasts(fit, PAIR, "best").se)
    row = more.prior.iloc[0]
    assert (row["folder"], row["burns"], row["used"]) == ("spring", len(table(name)), "yes")
    assert 0.9 < row["p_conflict"] <= 1


def test_a_trial_of_other_spread_is_left_out():
    fit = fit_repeats(table("burns_unbalanced"))
    other = fit_repeats(_moved("burns_unbalanced", factor=4.0))
    both = fit_repeats(table("burns_unbalanced"), earlier=[other])
    assert list(both.prior["used"]) == ["no"]
    assert float(both.prior["p_conflict"].iloc[0]) < 0.001
    assert contrasts(both, PAIR, "best").se == pytest.approx(contrasts(fit, PAIR, "best").se, rel=1e-4)


def test_single_burns_have_intervals_on_the_earlier_degrees_of_freedom():
    known = fit_repeats(table("burns_balanced"), bag=None)
    single = table("burns_balanced").groupby("fuel").head(1)
    fit = fit_repeats(single, bag=None, earlier=[known], power=1.0)
    found = contrasts(fit, [[1.0, -1, 0, 0]], "best")
    assert float(found.df[0, 0]) == pytest.approx(known.design.nu)
    assert float(found.se[0, 0]) == pytest.approx(np.sqrt(2 * known.variances[0, -1]))
    assert compare_fuels(fit)["low"].notna().all()


@pytest.mark.parametrize("bag", ["bag", None])
def test_one_bag_a_fuel_is_compared_as_if_bags_differed_as_before(bag):
    """A blank column of bags is one bag of unknown number a fuel: it buys nothing."""
    burns = table("burns_unbalanced")
    one = burns[burns["bag"] == burns.groupby("fuel")["bag"].transform("first")]
    before = fit_repeats(burns)
    fit = fit_repeats(one, bag=bag, earlier=[before])
    found, these = contrasts(fit, PAIR, "best"), contrasts(fit_repeats(one, bag=None), PAIR, "best")
    assert float(found.se[0, 0]) > 1.5 * float(these.se[0, 0])
    assert float(found.se[0, 0]) > np.sqrt(2 * before.variances[0, 0])
    assert set(compare_fuels(fit)["verdict"]) <= {"different", "not settled"}


def test_several_trials_and_the_simulation_of_their_inference():
    from kit.judge.self_check import self_check

    fit = fit_repeats(table("burns_balanced"))
    both = fit_repeats(table("burns_balanced"), earlier=[fit, fit_repeats(_moved("burns_balanced"))])
    assert list(both.prior["power"]) == [0.5, 0.5]
    checked = self_check(both, seed=3, trials=300).set_index("quantity")
    assert checked.loc["unadjusted intervals of the differences hold the truth", "share"] > 0.93


def test_what_cannot_be_joined_is_refused_at_once():
    other = fit_repeats(table("burns_log"), scale="log")
    with pytest.raises(KitError) as caught:
        fit_repeats(table("burns_unbalanced"), earlier=[other], power=2.0)
    assert [problem.where for problem in caught.value.problems] == ["earlier, trial 1", "power"]
