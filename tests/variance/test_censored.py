"""Values known only as bounds."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from kit.errors import KitError
from kit.judge.comparisons import compare_fuels, fuel_means
from kit.judge.self_check import self_check
from kit.variance import contrasts, fit_repeats
from kit.variance.bootstrap import bounded_again
from kit.variance.bounded import criterion, derivatives
from kit.variance.censored import _between as between
from kit.variance.censored import imputed
from kit.variance.fit import contrasts_of_each
from kit.variance.mvn import log_probability, moved, truncated
from kit.variance.sd_limits import component_limits
from tests.variance.reference import assert_allclose, fitted, table


def bounded(name="burns_unbalanced", rows=(3, 10, 20), side="at least", shift=0.0):
    burns = table(name).assign(status="exact")
    burns.loc[list(rows), "status"] = side
    burns.loc[list(rows), "value"] += shift
    return burns


def test_boxes_against_scipy():
    covariance = np.array([[2, 0.8, 0.3], [0.8, 1, 0.2], [0.3, 0.2, 1.5]])
    low, high = np.array([-1.0, 0.0, 0.5]), np.array([1.0, np.inf, np.inf])
    got = log_probability(low[None], high[None], np.linalg.cholesky(covariance)[None], 5000)
    want = stats.multivariate_normal(np.zeros(3), covariance).cdf(high, lower_limit=low)
    assert np.exp(got[0]) == pytest.approx(want, rel=2e-4)


def test_truncated_moments_against_the_closed_form():
    box = truncated(np.array([[1.0]]), np.array([[np.inf]]), np.array([[[2.0]]]))
    want = stats.truncnorm(0.5, np.inf, scale=2)
    assert box.mean[0, 0] == pytest.approx(want.mean(), rel=1e-3)
    assert box.covariance[0, 0, 0] == pytest.approx(want.var(), rel=5e-3)


def test_far_tails_keep_their_digits():
    got = log_probability(np.array([[12.0]]), np.array([[np.inf]]), np.array([[[1.0]]]))
    assert got[0] == pytest.approx(stats.norm.logsf(12), rel=1e-9)


@pytest.mark.parametrize(("name", "day"), [("burns_unbalanced", None), ("burns_days", "day")])
def test_bounds_that_say_nothing_are_burns_left_out(name, day):
    fit = fit_repeats(bounded(name, shift=-500), day=day, status="status")
    without = fit_repeats(table(name).drop([3, 10, 20]), day=day)
    assert_allclose(fit.criterion, without.criterion, rtol=1e-6)
    assert_allclose(np.sqrt(fit.variances), np.sqrt(without.variances), rtol=2e-3)
    mine, theirs = (fuel_means(each, df="kenward-roger") for each in (fit, without))
    assert_allclose(mine["mean"], theirs["mean"], rtol=1e-4)
    assert_allclose(mine["high"] - mine["low"], theirs["high"] - theirs["low"], rtol=0.06)


def test_a_burn_sd_has_the_limits_of_its_chi_square():
    """Beside a bound that says nothing: S0/χ² of the burns that are left, where χ²₁ ends too low on either side."""
    fit = fit_repeats(bounded(rows=(10,), shift=-500), bag=None, status="status")
    exact = component_limits(fit_repeats(table("burns_unbalanced").drop(10), bag=None))
    best, profile = (component_limits(fit, method) for method in ("best", "profile"))
    for end in ("low", "high"):
        assert_allclose(best[end], exact[end], rtol=2e-3)
        assert (profile[end] < 0.995 * exact[end]).all()


def test_the_criterion_is_the_restricted_likelihood_times_the_probability_of_the_bounds():
    """Against the integral over the means written out: log of N(y_e; 0, V + big XX') and of the box given y_e."""
    fit = fit_repeats(bounded(), status="status")
    known = fit.censored
    table_order = known.order
    V = np.tensordot([30.0, 40.0], [_same(fit, table_order), np.eye(len(table_order))], axes=1)
    X, m = fit.design.X[table_order], known.model.m
    e = len(table_order) - m
    big = V + 1e7 * X @ X.T
    y = fit.columns.values[0, table_order] - known.centre
    gain = big[e:, :e] @ np.linalg.inv(big[:e, :e])
    mean, cov = gain @ y[:e], big[e:, e:] - gain @ big[:e, e:]
    box = stats.multivariate_normal(mean, cov, allow_singular=True).cdf(np.full(m, np.inf), lower_limit=y[e:])
    density = stats.multivariate_normal(np.zeros(e), big[:e, :e]).logpdf(y[:e])
    flat = len(fit.labels) * np.log(2 * np.pi * 1e7)
    want = -2 * density - 2 * np.log(box) - flat
    got = criterion(known.model, np.array([[30.0, 40.0]]), known.data)
    assert got[0] == pytest.approx(want, abs=2e-3)


def _same(fit, order):
    codes = fit.columns.bag.codes[order]
    return (codes[:, None] == codes).astype(float)


@pytest.mark.parametrize("rows", [(3,), (3, 10), (3, 10, 20), (3, 10, 20, 25, 30)])
def test_derivatives_beside_bounds_are_those_of_the_criterion(rows):
    """The gradient exactly, for whatever points; curvature as nearly as these make it."""
    known = fit_repeats(bounded(rows=rows), status="status").censored
    held = np.eye(len(known.kept))[[0]] - np.eye(len(known.kept))[[1]]
    data = known.data.holding(held, held @ known.data.b_ols[0] + 5.0)
    theta, step, unit = np.array([30.0, 40.0]), 1e-3, np.eye(2)

    def at(*moves):
        return criterion(known.model, theta * np.exp([sum(moves) * step]), data)[0]

    found = derivatives(known.model, theta[None], data)
    gradient = found.gradient[0] * theta
    expected = [(8 * (at(e) - at(-e)) - at(2 * e) + at(-2 * e)) / (12 * step) for e in unit]
    assert found.value[0] == pytest.approx(at(unit[0], -unit[0]))
    assert gradient == pytest.approx(expected, abs=1e-8)
    bend = [[(at(a, b) - at(a, -b) - at(-a, b) + at(-a, -b)) / (4 * step**2) for a in unit] for b in unit]
    hessian = found.hessian[0] * np.outer(theta, theta) + np.diag(gradient)
    assert hessian == pytest.approx(np.array(bend), abs=0.1 * np.abs(bend).max())


def test_at_least_moves_the_mean_up_and_at_most_down():
    exact = fuel_means(fitted("burns_unbalanced"), df="kenward-roger")["mean"]
    up = fuel_means(fit_repeats(bounded(), status="status"), df="kenward-roger")["mean"]
    down = fuel_means(fit_repeats(bounded(side="at most"), status="status"), df="kenward-roger")["mean"]
    touched = [0, 1, 2]
    assert (up[touched] > exact[touched]).all()
    assert (down[touched] < exact[touched]).all()


def test_p_values_and_limits_come_from_one_profile():
    fit = fit_repeats(bounded(), status="status")
    pair = compare_fuels(fit, [("F1", "F2")], "none", df="kenward-roger", level=0.95)
    p = float(pair["p"][0])
    edge = compare_fuels(fit, [("F1", "F2")], "none", df="kenward-roger", level=1 - p)
    assert min(abs(edge["low"][0]), abs(edge["high"][0])) < 0.02 * float(pair["se"][0])


def test_a_fuel_of_bounds_alone_has_a_bound_and_settles_nothing():
    burns = table("burns_unbalanced").assign(status="exact")
    burns.loc[burns["fuel"] == "F1", "status"] = "at least"
    fit = fit_repeats(burns, status="status")
    first = fuel_means(fit, df="kenward-roger").iloc[0]
    assert np.isnan(first["mean"])
    assert (first["low"], first["high"]) == (pytest.approx(63.05), np.inf)
    pairs = compare_fuels(fit, df="kenward-roger", margin=5)
    own = pairs[pairs["a"] == "F1"]
    assert set(own["verdict"]) == {"not settled"}
    assert own["difference"].isna().all()
    assert pairs[pairs["a"] != "F1"]["difference"].notna().all()


def test_a_pair_whose_means_are_both_bounds_alone_has_no_answer():
    burns = table("burns_unbalanced").assign(status="exact")
    burns.loc[burns["fuel"].isin(["F1", "F2"]), "status"] = "at least"
    pair = compare_fuels(fit_repeats(burns, status="status"), [("F1", "F2")])
    assert pair["difference"].isna().all()
    assert set(pair["verdict"]) == {"not settled"}


def test_bounds_without_bags_or_days_leave_the_burn_sd_its_limits():
    burns = bounded().drop(columns="bag")
    fit = fit_repeats(burns, bag=None, status="status")
    limits = component_limits(fit).iloc[0]
    assert limits["component"] == "burn"
    assert 0 < limits["low"] < limits["sd"] < limits["high"] < np.inf


def test_bounds_alone_give_the_verdict_whatever_leaving_them_out_says():
    burns = table("burns_balanced").assign(status="exact")
    rows = burns.index[burns["fuel"] == "F2"][:4]
    burns.loc[rows, "status"] = "at least"
    burns.loc[rows, "value"] = 40.0
    pairs = compare_fuels(fit_repeats(burns, status="status"))
    excluded = (pairs["low"] > 0) | (pairs["high"] < 0)
    assert excluded.any()
    assert (pairs["verdict"] == np.where(excluded, "different", "not settled")).all()


def test_never_is_not_later_than():
    burns = bounded()
    burns.loc[5, ["status", "value"]] = ["never", np.nan]
    fit = fit_repeats(burns, status="status")
    assert any("F2: 1 of 13 burns never reached it" in note for note in fit.notes)
    pairs = compare_fuels(fit, df="kenward-roger", margin=5)
    own = pairs[(pairs["a"] == "F2") | (pairs["b"] == "F2")]
    assert set(own["verdict"]) == {"not settled"}
    assert own[["difference", "low", "p"]].isna().all().all()


def test_bounds_that_can_not_be_used_are_refused():
    with pytest.raises(KitError, match="Leave method at its default"):
        fit_repeats(bounded(), status="status", method="ML")
    with pytest.raises(KitError, match="found 'later'"):
        fit_repeats(bounded(side="later"), status="status")
    with pytest.raises(KitError, match="nearly every value a bound"):
        fit_repeats(bounded(rows=range(1, 41)), status="status")


def test_a_spread_of_its_own_needs_exact_repeats():
    burns = bounded()
    fuel = burns["fuel"].iloc[-1]
    rows = burns.index[burns["fuel"] == fuel]
    burns.loc[rows, "status"] = ["exact", *["at least"] * (len(rows) - 1)]
    with pytest.raises(KitError, match=f"no repeats of {fuel}"):
        fit_repeats(burns, spread="by fuel", status="status")


def test_a_term_that_only_bounds_tell_apart_is_left_out():
    """Two burns of one bag of each fuel are exact: how bags differ nobody knows, and the likelihood has no peak."""
    burns = table("burns_balanced").groupby(["fuel", "bag"]).head(2).assign(status="at least")
    burns.loc[burns.groupby("fuel").head(2).index, "status"] = "exact"
    fit = fit_repeats(burns, status="status")
    assert fit.names == ("burn",)
    assert "bag stands apart only in burns that are bounds, and is left out" in fit.notes


def test_bounds_alone_are_refused():
    with pytest.raises(KitError, match="0 exact values"):
        fit_repeats(bounded(rows=range(41)), status="status")


def test_a_self_check_bounds_again_what_was_bounded():
    check = self_check(fit_repeats(bounded(), status="status"), seed=2, trials=240, margin=10)
    reached = check["quantity"].str.startswith("of two fuels")
    assert check[reached & check["quantity"].str.contains("fuels alike")]["share"].sum() == pytest.approx(1)
    check = check[~reached]
    assert check["trials"].tolist() == [80, 160, 160, 160, 120, 120]  # 2 of 6 contrasts are means
    assert (np.abs(check["share"] - check["nominal"]) < 4 * np.maximum(check["mc_error"], 0.02)).all()
    assert "only where it does not can a verdict be wrong" in check["quantity"][2]
    assert check["nominal"][2] > check["nominal"][1]


def test_a_profile_that_is_flat_at_its_end_has_a_limit_without_end_and_no_warning():
    flat, ys = np.array([-1.0, 0.0, 1.0, 1.0]), np.array([0.0, 1.0, 2.0, 3.0])
    with np.errstate(all="raise"):
        assert between(2.0, flat, ys) == np.inf
        assert between(0.5, flat, ys) == 1.5
        assert between(-2.0, flat, ys) == -1.0


def nearly_saturated(seed):
    """Draw 18 burns of nine bags on twelve days, one of them cut: often bags and days explain every burn."""
    rng = np.random.default_rng(seed)
    fuel, bag, day = (
        np.repeat(np.arange(3), 6),
        np.repeat(np.arange(9), 2),
        rng.permutation(np.arange(18) % 12),
    )
    value = rng.normal(0, 7, 9)[bag] + rng.normal(0, 7, 12)[day] + rng.normal(0, 3, 18) + 200
    cut = np.arange(18) == 4
    return pd.DataFrame({
        "fuel": fuel.astype(str), "bag": bag.astype(str), "day": day.astype(str),
        "value": np.where(cut, value - 5, value), "status": np.where(cut, "at least", "exact"),
    })  # fmt: skip


def test_an_interval_has_ends_and_is_never_narrower_than_were_the_expected_values_measured():
    agree = 0
    for seed in range(25):
        fit = fit_repeats(nearly_saturated(seed), day="day", status="status")
        pairs = np.array([[1.0, -1, 0], [1, 0, -1], [0, 1, -1]])
        low, high = contrasts(fit, pairs).limits(0.95)
        least, most = contrasts(imputed(fit), pairs).limits(0.95)
        assert np.isfinite(low).all() and np.isfinite(high).all(), seed
        assert (low <= least + 0.1).all() and (high >= most - 0.1).all(), seed
        agree += fit.estimate.theta[0, -1] < 1e-4 * fit.estimate.theta.sum()
    assert agree >= 4  # burns that happen to agree are what this is about


@pytest.mark.parametrize("spread", ["common", "by fuel"])
@pytest.mark.parametrize("rows", [(10,), (3, 10, 20)])
def test_fits_whose_profiles_are_followed_at_once_have_the_contrasts_that_each_has_alone(rows, spread):
    """Of trials that differ by a burn: some of one shape, one that lost a bound, one that lost all of them."""
    burns = bounded(rows=rows)
    left_out = ([0], [1], [5], [12], [rows[0]], list(rows))
    fits = [fit_repeats(burns.drop(out), status="status", spread=spread) for out in left_out]
    asked = [(fit, fit.design.mean_rows()[1:] - fit.design.mean_rows()[0]) for fit in fits]
    shapes = {fit.censored.model.shape for fit in fits if fit.censored is not None}
    assert len(shapes) < 4 or spread == "by fuel"
    for (fit, L), found in zip(asked, contrasts_of_each(asked), strict=True):
        alone = contrasts(fit, L)
        assert found.method == alone.method
        for mine, own in ((found.estimate, alone.estimate), (found.se, alone.se), (found.df, alone.df)):
            assert_allclose(mine, own, rtol=1e-12)
        assert_allclose(np.array(found.limits(0.95)), np.array(alone.limits(0.95)), rtol=1e-6)
        assert_allclose(found.p(), alone.p(), rtol=1e-6, atol=1e-9)


def test_fits_that_lost_a_fuel_are_followed_beside_those_that_kept_it():
    """A mean less and a contrast of bags more: as many numbers in all, and yet not of one shape."""
    fuel, bag = list("aaaabbbbbc"), list("1122334456")
    burns = pd.DataFrame(
        {"fuel": fuel, "bag": bag, "value": [3.1, 2.4, 5.2, 4.4, 6.9, 7.2, 5.1, 6.4, 8.8, 9.0]}
    )
    burns["status"] = np.where(burns.index == 5, "at least", "exact")
    fits = [fit_repeats(burns.drop(out), status="status") for out in (4, 9)]
    models = [fit.censored.model for fit in fits]
    assert models[0].S.shape == models[1].S.shape and models[0].space.p != models[1].space.p
    asked = [(fit, np.diff(fit.design.mean_rows()[:2], axis=0)) for fit in fits]
    for (fit, L), found in zip(asked, contrasts_of_each(asked), strict=True):
        assert_allclose(np.array(found.limits(0.95)), np.array(contrasts(fit, L).limits(0.95)), rtol=1e-6)


def test_a_self_check_under_bounds_has_the_earlier_trials_beside_it():
    before = fit_repeats(table("burns_balanced"))
    alone, both = (fit_repeats(bounded(), status="status", earlier=known) for known in ((), (before,)))
    assert both.earlier and both.censored is not None
    shares = [self_check(fit, seed=2, trials=200).set_index("quantity")["share"] for fit in (alone, both)]
    held = "intervals of the means hold the truth"
    assert all(0.88 < share[held] <= 1 for share in shares)
    assert not shares[0].equals(shares[1])


def test_simulated_burns_are_bounded_where_the_trials_own_were():
    fit = fit_repeats(bounded(), status="status")
    known = fit.censored
    _, rows = bounded_again(fit, trials=200, seed=3)
    low, high = (end + rows.b_ols @ known.model.X.T + known.centre for end in (rows.low, rows.high))
    ends = np.broadcast_to(fit.columns.values[0, known.order[-known.model.m :]], low.shape)
    beyond = np.isinf(high)
    assert 0.2 < beyond.mean() < 0.95
    assert low[beyond] == pytest.approx(ends[beyond])
    assert (high[~beyond] < ends[~beyond] + 0.01).all()


def test_of_no_trials_nothing_moves():
    none, forms = np.zeros((0, 2)), np.zeros((0, 3, 3, 3))
    found = moved(none, none, np.zeros((0, 2, 2)), forms, 64)
    assert [each.shape for each in found] == [(0, 3), (0, 3, 3), (0, 3, 3)]
