"""Properties of the fit: one response or many, units, labels, engines that must agree, two optima, bootstrap."""

import warnings
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd
import pytest

from kit.errors import KitError
from kit.judge.comparisons import compare_fuels, fuel_means
from kit.judge.self_check import APART, second_opinion, self_check, wrong_verdicts
from kit.variance import f_test, fit_repeats
from kit.variance.bootstrap import bootstrap, variance_shares
from kit.variance.engine import dense_space, engine_of
from kit.variance.inference import predict_burn
from kit.variance.sd_limits import component_limits, profile_holds, profile_limits, rises
from tests.judge.made import burns_table
from tests.variance.reference import ARGUMENTS, assert_allclose, fitted, table
from tests.variance.written_out import criterion, kenward_roger

NESTED = ["burns_balanced", "burns_unbalanced", "burns_boundary", "burns_covariate", "burns_log"]
CROSSED = ["burns_days", "burns_days_boundary", "burns_days_small", "penicillin", "pastes"]


def dense_engine(design, method):
    """The model with nothing rotated apart: any terms and groups."""
    return replace(engine_of(design, method), space=dense_space(design))


@pytest.mark.parametrize("method", ["REML", "ML"])
@pytest.mark.parametrize("name", NESTED)
def test_the_dense_space_agrees_with_the_rotation(name, method):
    """Two derivations of one model: any terms and groups, and one term whose levels are rotated apart."""
    fit = fitted(name, method)
    other = dense_engine(fit.design, method)
    data = other.rotate(fit.columns.values)
    found = other.solve(data)
    assert_allclose(found.criterion, np.atleast_1d(fit.criterion), rtol=1e-10)
    assert_allclose(np.sqrt(found.theta), np.sqrt(fit.variances), rtol=1e-6, atol=1e-6)
    assert_allclose(other.beta(data, fit.variances), fit.estimate.beta, rtol=1e-9)
    mine, theirs = (engine.pieces(fit.variances) for engine in (fit.engine, other))
    assert_allclose(theirs.adjusted, mine.adjusted, rtol=1e-7, atol=1e-12)
    assert_allclose(theirs.information_inverse, mine.information_inverse, rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize("method", ["REML", "ML"])
@pytest.mark.parametrize("name", [*NESTED, *CROSSED, "burns_heteroscedastic"])
def test_the_engines_agree_with_the_model_written_out(name, method):
    grouped = {"spread": "by fuel"} if name == "burns_heteroscedastic" else {}
    fit = fit_repeats(table(name), method=method, **ARGUMENTS.get(name, {}), **grouped)
    for theta in (fit.variances[0], fit.variances[0] * 1.3 + 0.1 * fit.variances.mean()):
        value, means = criterion(fit, theta, method)
        here = fit.engine.deviance(fit.data, theta[None], np.array([0]))
        assert_allclose(here.value, value, rtol=1e-10)
        assert_allclose(fit.engine.beta(fit.data, theta[None]), means, rtol=1e-9)
        adjusted, W = kenward_roger(fit, theta)
        mine = fit.engine.pieces(theta[None])
        assert_allclose(mine.adjusted[0], adjusted, rtol=1e-7, atol=1e-12)
        assert_allclose(mine.information_inverse[0], W, rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize("name", [*NESTED, *CROSSED])
def test_derivatives_are_those_of_the_criterion(name):
    fit = fitted(name)
    theta, zero = fit.variances * 1.2 + 0.1 * fit.variances.mean(), np.array([0])
    here = fit.engine.deviance(fit.data, theta, zero)
    for j in range(theta.shape[1]):
        step = np.zeros_like(theta)
        step[0, j] = 1e-5 * theta[0, j]
        up, down = (fit.engine.deviance(fit.data, theta + sign * step, zero) for sign in (1, -1))
        h = 2 * step[0, j]
        assert_allclose((up.value - down.value) / h, here.gradient[:, j], rtol=1e-4, atol=1e-6)
        assert_allclose((up.gradient - down.gradient) / h, here.hessian[:, j], rtol=1e-4, atol=1e-6)


@pytest.mark.parametrize("name", ["burns_unbalanced", "burns_days", "burns_heteroscedastic"])
def test_many_responses_share_the_code_of_one(name):
    burns, rng = table(name).copy(), np.random.default_rng(3)
    names = [f"y{i}" for i in range(5)]
    for each in names:
        burns[each] = burns["value"] + rng.normal(0, 4, len(burns))
    kind = {"spread": "by fuel"} if name == "burns_heteroscedastic" else ARGUMENTS.get(name, {})
    many = fit_repeats(burns, names, **kind)
    assert many.criterion.shape == (5,)
    together = compare_fuels(many, df="kenward-roger", margin=5)
    components = component_limits(many, "profile")
    for each in names:
        alone = fit_repeats(burns, each, **kind)
        assert_allclose(many.criterion[names.index(each)], alone.criterion, rtol=1e-10)
        own = together[together["response"] == each].drop(columns="response").reset_index(drop=True)
        pd.testing.assert_frame_equal(own, compare_fuels(alone, df="kenward-roger", margin=5), rtol=1e-5)
        own = components[components["response"] == each].drop(columns="response").reset_index(drop=True)
        pd.testing.assert_frame_equal(own, component_limits(alone, "profile"), rtol=1e-4, atol=1e-6)


@pytest.mark.parametrize("name", ["burns_unbalanced", "burns_days"])
def test_units_scale_and_shift(name):
    burns = table(name)
    fahrenheit = fit_repeats(burns.assign(value=burns["value"] * 1.8 + 32), **ARGUMENTS.get(name, {}))
    celsius = fitted(name)
    assert_allclose(fahrenheit.variances, celsius.variances * 1.8**2, rtol=1e-9)
    pairs = [compare_fuels(fit, df="kenward-roger") for fit in (fahrenheit, celsius)]
    assert_allclose(pairs[0]["difference"], pairs[1]["difference"] * 1.8, rtol=1e-9)
    assert_allclose(pairs[0]["p"], pairs[1]["p"], rtol=1e-8)


def test_equal_leading_digits_are_not_lost():
    burns = table("burns_unbalanced")
    far = fit_repeats(burns.assign(value=burns["value"] + 2.0**30))
    assert_allclose(far.variances, fitted("burns_unbalanced").variances, rtol=1e-7)


def test_order_of_rows_and_of_fuels_does_not_matter():
    burns = table("burns_days")
    mixed = fit_repeats(burns.sample(frac=1, random_state=4), day="day")
    assert_allclose(mixed.criterion, fitted("burns_days").criterion, rtol=1e-12)
    one = compare_fuels(mixed, [("F2", "F4")], "none", df="kenward-roger")
    other = compare_fuels(fitted("burns_days"), [("F4", "F2")], "none", df="kenward-roger")
    assert_allclose(one["difference"], -other["difference"], rtol=1e-9)
    assert_allclose([one["low"][0], one["high"][0]], [-other["high"][0], -other["low"][0]], rtol=1e-8)


def test_the_lower_of_two_optima_is_found():
    """A response of burns_days' design whose criterion has a minimum on an edge and another inside."""
    design, rng = fitted("burns_days"), np.random.default_rng(11)
    values = rng.standard_normal((400, design.design.n)) * 5
    for term in design.design.terms:
        values += rng.standard_normal((400, term.levels.count))[:, term.levels.codes] * 3
    engine = design.engine
    found = engine.solve(engine.rotate(values))
    axis = np.concatenate([[0.0], np.geomspace(0.01, 300, 40)])
    data, nu = engine.rotate(values), design.design.nu
    fine = np.full(len(values), np.inf)
    for ratio in axis:
        line = engine.space.along(np.array([[ratio, 0.0, 1.0]]))
        Q, logdet = line.quadratic(data, axis[None])[:, 0], line.determinant(axis[None])[0]
        fine = np.minimum(fine, (nu * (np.log(2 * np.pi * Q / nu) + 1) + logdet).min(axis=1))
    fine += engine.space.logdet_xx
    assert found.converged.all()
    assert (found.criterion <= fine + 1e-9).all()


@pytest.mark.parametrize("name", ["burns_unbalanced", "burns_days", "burns_covariate"])
def test_bootstrap_draws_what_refitting_simulated_burns_gives(name):
    """Means of the estimates over 3,000 draws, against 3,000 tables of simulated burns."""
    fit, rng = fitted(name), np.random.default_rng(8)
    theta, X = fit.variances[0], fit.design.X
    quick = bootstrap(fit, 3000, seed=2)
    values = X @ fit.estimate.beta[0] + rng.standard_normal((3000, len(X))) * np.sqrt(theta[-1])
    for part, variance in zip(fit.engine.names[:-1], theta, strict=False):
        levels = fit.design.term(part).levels
        values = values + np.sqrt(variance) * rng.standard_normal((3000, levels.count))[:, levels.codes]
    slow = fit.engine.solve(fit.engine.rotate(values))
    for mine, theirs in ((np.sqrt(quick.theta), np.sqrt(slow.theta)), (quick.beta, slow.beta)):
        error = np.sqrt((mine.var(axis=0) + theirs.var(axis=0)) / 3000)
        assert (np.abs(mine.mean(axis=0) - theirs.mean(axis=0)) < 4.5 * error).all()
        assert_allclose(mine.std(axis=0), theirs.std(axis=0), rtol=0.09)


def test_seeds_are_kept():
    fit = fitted("burns_unbalanced")
    assert_allclose(bootstrap(fit, 10, seed=4).theta, bootstrap(fit, 10, seed=4).theta, rtol=0)
    assert not np.allclose(bootstrap(fit, 10, seed=4).theta, bootstrap(fit, 10, seed=5).theta)


@pytest.mark.parametrize("name", ["burns_unbalanced", "burns_days"])
def test_a_profile_holds_what_lies_between_its_limits(name):
    fit = fitted(name)
    low, high = profile_limits(fit)
    for j in range(len(fit.names)):
        held = partial(profile_holds, fit, j, rise=rises(fit, j, 0.95, own=False), of=np.zeros(1, int))
        assert held((0.999 * high[0, j]) ** 2).all()
        assert not held((1.001 * high[0, j]) ** 2).any()
        assert low[0, j] == 0 or not held((0.999 * low[0, j]) ** 2).any()


def test_the_exact_limits_of_the_burn_sd_use_the_burns_within_bags():
    components = component_limits(fitted("burns_unbalanced")).set_index("component")
    assert components.loc["burn", "method"] == "exact χ²"
    # residual sum of squares within bags 786.85 on 23 degrees of freedom (nested_anova), chi2 38.076 and 11.689
    assert_allclose(
        components.loc["burn", ["low", "high"]],
        [np.sqrt(786.85083 / 38.0756), np.sqrt(786.85083 / 11.6886)],
        rtol=1e-4,
    )


def test_a_prediction_has_the_variance_of_the_mean_and_of_a_bag_a_day_and_a_burn():
    fit = fitted("burns_days")
    new = predict_burn(fit)
    assert_allclose(new["sd"] ** 2, fit.means["se"] ** 2 + fit.variances.sum(), rtol=1e-12)
    assert new["covers"][0] == "bag, day and burn"


def test_shares_add_up_and_lie_in_their_limits():
    shares = variance_shares(fitted("burns_days"), trials=300)
    assert shares["share"].sum() == pytest.approx(1)
    assert ((shares["low"] <= shares["share"]) & (shares["share"] <= shares["high"])).all()
    assert list(shares["component"]) == ["bag", "day", "burn"]


def test_second_opinion_agrees_where_it_can_and_says_where_not():
    opinion = second_opinion(fitted("burns_unbalanced"))
    assert opinion["agrees"].all()
    assert list(opinion["quantity"][-2:]) == ["SD of bags", "SD of burns"]
    assert second_opinion(fitted("burns_days"))["agrees"].all()
    grouped = second_opinion(fit_repeats(table("burns_heteroscedastic"), spread="by fuel"))
    assert not grouped["agrees"].any()
    assert "spread by group" in grouped["note"][0]


def test_where_the_second_program_stops_short_of_zero_the_kit_s_estimates_are_the_likelier():
    opinion = second_opinion(fit_repeats(burns_table(fuels=2, bags=3, burns=2, bag_sd=0.2, seed=24)))
    assert not opinion["agrees"].all() and "less likely than this kit's" in opinion["note"][0]
    of_bags = opinion.set_index("quantity").loc["SD of bags"]
    assert of_bags["kit"] == 0 < of_bags["other"]
    assert "less likely" not in second_opinion(fitted("burns_unbalanced"))["note"][0]


def test_a_warning_of_the_second_program_is_no_failure_of_it_where_warnings_are_errors():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert second_opinion(fitted("burns_boundary"))["other"].notna().all()


@pytest.mark.parametrize("kind", [{}, {"spread": "by fuel"}, {"day": "day"}])
def test_the_self_check_counts_what_the_intervals_hold(kind):
    name = "burns_days" if "day" in kind else "burns_heteroscedastic"
    fit = fit_repeats(table(name), **kind)
    check = self_check(fit, seed=3, trials=200, margin=10)
    assert list(check.columns) == ["quantity", "nominal", "share", "mc_error", "trials", "seed"]
    inside = check[check["nominal"] == 0.95]
    assert ((inside["share"] - 0.95).abs() < 0.06).all()
    assert (check[check["nominal"] < 0.5]["share"] < 0.1).all()


def test_wrong_verdicts_are_those_the_truth_contradicts():
    low, high = np.array([[1.0, -3.0, 6.0, -1.0, 0.5]]), np.array([[4.0, -1.0, 9.0, 1.0, 2.0]])
    truth = np.array([-1.0, -2.0, 4.0, 7.0, 1.0])
    D = np.stack([low, high])
    assert wrong_verdicts(D, D, truth, 5.0).tolist() == [[True, False, True, True, False]]


def test_self_check_says_how_often_each_verdict_is_reached():
    fit = fitted("burns_balanced")
    check = self_check(fit, seed=1, trials=400, margin=25.0).set_index("quantity")["share"]
    said = {words: check[check.index.str.startswith(f"of two fuels {words}:")] for words in APART}
    assert all(each.sum() == pytest.approx(1.0) for each in said.values())
    assert check["of two fuels alike: 'the same within the margin'"] > 0.5
    assert check["of two fuels a margin apart: 'the same within the margin'"] < 0.06
    assert check["of two fuels two margins apart: 'different, by more than the margin'"] > 0.3


def test_kenward_roger_of_ten_thousand_responses_is_one_call():
    burns, rng = table("burns_unbalanced").copy(), np.random.default_rng(1)
    names = [f"y{i}" for i in range(2000)]
    noise = pd.DataFrame(rng.normal(0, 3, (len(burns), 2000)) + burns[["value"]].to_numpy(), columns=names)
    fit = fit_repeats(pd.concat([burns, noise], axis=1), names)
    means = fuel_means(fit, df="kenward-roger")
    assert len(means) == 10_000
    assert fit.converged.all()


def test_closed_form_of_balanced_designs_is_the_ratio_of_mean_squares():
    fit = fitted("burns_balanced")
    assert fit.evaluations == 1
    assert_allclose(fit.variances[0], [29.753611111111105, 21.661944444444448], rtol=1e-12)


def test_engines_name_their_components():
    design = fitted("burns_days").design
    assert engine_of(design, "REML").names == ("bag", "day", "burn")
    assert engine_of(fitted("burns_balanced").design, "REML").names == ("bag", "burn")


def _random_trial(seed):
    """A small trial with every irregularity: unequal bags, lost burns, days, a covariate, rounding."""
    rng = np.random.default_rng(seed)
    rows = [
        (f"F{f}", f"B{b}")
        for f in range(rng.integers(1, 6))
        for b in range(rng.integers(1, 5))
        for _ in range(rng.integers(1, 5))
    ]
    burns = pd.DataFrame(rows, columns=["fuel", "bag"])
    burns["day"] = [f"D{d}" for d in rng.integers(0, rng.integers(1, 9), len(burns))]
    burns["x"] = rng.normal(size=len(burns)).round(1)
    burns["cooker"] = rng.choice(["a", "b"], len(burns))
    bags, spread, days = burns["fuel"] + burns["bag"], rng.choice([0, 0.5, 2, 5]), rng.choice([0, 1, 3])
    value = 50 + 10 * burns["fuel"].str[1].astype(int) + rng.normal(size=len(burns))
    value += bags.map({bag: rng.normal() * spread for bag in bags.unique()})
    value += burns["day"].map({day: rng.normal() * days for day in burns["day"].unique()})
    burns["value"] = value.round(rng.integers(0, 4))
    choices = {
        "day": [None, "day"][rng.integers(2)],
        "bag": [None, "bag", "bag", "bag"][rng.integers(4)],
        "covariates": [(), ("x",), ("x", "cooker")][rng.integers(3)],
        "method": ["REML", "ML"][rng.integers(2)],
    }
    return burns, choices


@pytest.mark.parametrize("block", range(4))
def test_no_random_trial_is_fitted_worse_than_other_variances_do(block):
    """Against the model written out, and the dense space where the rotation fitted: no warning, no crash."""
    checked = 0
    for seed in range(25 * block, 25 * block + 25):
        burns, choices = _random_trial(seed)
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            try:
                fit = fit_repeats(burns, **choices)
            except KitError:
                continue
            means = fuel_means(fit, df="satterthwaite")
        assert len(means) == len(fit.labels)
        if fit.design.nu > 0:
            theta, rng, method = fit.variances[0], np.random.default_rng(seed), choices["method"]
            if (theta[-1] > 1e-6 * theta.sum()) and fit.design.spread.count == 1:
                assert fit.criterion == pytest.approx(criterion(fit, theta, method)[0], abs=1e-6)
            other = dense_engine(fit.design, method)
            found = other.solve(other.rotate(fit.columns.values))
            assert fit.criterion <= found.criterion[0] + 1e-6, (seed, choices)
            for _ in range(12):
                near = (theta + 0.02 * theta.sum()) * np.exp(rng.normal(0, 1.5, len(theta)))
                assert fit.criterion <= criterion(fit, near, method)[0] + 1e-6, (seed, choices)
            checked += 1
    assert checked > 12


def test_days_alone_run_across_fuels():
    """A random term that is not inside the means: bag None, days crossed with fuel."""
    burns = table("burns_days")
    fit = fit_repeats(burns, bag=None, day="day")
    other = dense_engine(fit.design, "REML")
    found = other.solve(other.rotate(fit.columns.values))
    assert_allclose(fit.criterion, found.criterion, rtol=1e-12)
    assert_allclose(fit.variances, found.theta, rtol=1e-6)


def test_an_f_test_without_a_contrast_or_without_repeats_is_refused():
    table = pd.DataFrame({"fuel": list("aabb"), "bag": list("1234"), "value": [1.0, 2, 4, 5]})
    for rows, L, words in (
        (table, np.zeros((0, 2)), "no contrast"),
        (table[::2], np.eye(2)[:1], "no repeats"),
    ):
        for df in ("kenward-roger", "satterthwaite"):
            with pytest.raises(KitError, match=words):
                f_test(fit_repeats(rows), L, df)


@pytest.mark.parametrize("fuels", [3, 4, 5])
@pytest.mark.parametrize("bags", [2, 3])
def test_kenward_rogers_f_is_the_classical_one_in_balanced_designs(fuels, bags):
    """F = MS_fuel/MS_bag; with four fuels and two bags ρ is without end, and m is 4."""
    rng = np.random.default_rng(fuels)
    rows = [(f, 10 * f + b) for f in range(fuels) for b in range(bags) for _ in range(2)]
    burns = pd.DataFrame(rows, columns=["fuel", "bag"])
    burns["value"] = rng.normal(0, 3, 10 * fuels)[burns["bag"]] + rng.normal(size=len(burns)) + burns["fuel"]
    fit, of_bag = fit_repeats(burns), burns.groupby(["fuel", "bag"])["value"].mean()
    assert fit.variances[0, 0] > 0
    between = bags * of_bag.groupby("fuel").mean().var()
    within = of_bag.groupby("fuel").var().mean()
    found = f_test(fit, np.eye(fuels)[1:] - np.eye(fuels)[:1])
    assert (found.F, found.den_df) == (
        pytest.approx(between / within),
        pytest.approx(fuels * (bags - 1)),
    )


def test_a_flat_response_among_others_with_days_has_no_limits_and_spoils_none():
    burns = table("burns_days").assign(flat=7.0)
    many = fit_repeats(burns, ["value", "flat"], day="day")
    for method in ("profile", "best"):
        limits = component_limits(many, method).set_index("response")
        assert limits.loc["flat", ["sd", "low", "high"]].isna().all(axis=None)
        alone = component_limits(fitted("burns_days"), method)
        assert_allclose(limits.loc["value", ["low", "high"]], alone[["low", "high"]], rtol=1e-3)
