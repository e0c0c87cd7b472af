"""Burns spread over nearly as many days as there are burns: bags and days together explain them all.

No burns are left within the terms' levels, and the burn variance is often estimated at zero. Against the model
written out with n × n matrices.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.optimize import minimize

from kit.judge.comparisons import compare_fuels
from kit.judge.self_check import pair_rows
from kit.variance import contrasts, fit_repeats
from kit.variance.censored import NODES, _Followed, _profiles
from kit.variance.sd_limits import component_limits, own_rises, profile_limits
from tests.simulate.cases import CASES
from tests.simulate.trials import drawn, fitted
from tests.variance.reference import assert_allclose


def spread_out(seed):
    rng = np.random.default_rng(seed)
    places = [(f"F{f}", f"F{f}b{b}") for f in range(3) for b in range(2) for _ in range(2)]
    burns = pd.DataFrame(places, columns=["fuel", "bag"])
    burns["day"] = [f"d{day}" for day in rng.permutation([*range(9), *rng.integers(0, 9, 3)])]
    bags, days = rng.normal(size=6), rng.normal(size=9)
    values = bags[burns["bag"].factorize()[0]] + days[[int(day[1:]) for day in burns["day"]]]
    return burns.assign(value=100 + values + rng.normal(0, 0.3, len(burns)))


@pytest.fixture(params=range(12))
def fit(request):
    return fit_repeats(spread_out(request.param), day="day")


def relationships(fit):
    """Z Z' of each component in the fit's order, the burns' last."""
    found = {term.name: term.levels.indicators @ term.levels.indicators.T for term in fit.design.terms}
    return np.array([found.get(name, np.eye(fit.design.n)) for name in fit.names])


def whitened(fit, theta):
    L = np.linalg.cholesky(np.einsum("i,ikl->kl", theta, relationships(fit)))
    return L, np.linalg.solve(L, fit.design.X)


def criterion(fit, theta):
    L, a = whitened(fit, theta)
    Q, R = np.linalg.qr(a)
    b = np.linalg.solve(L, fit.columns.values[0] - 100)
    left = b - Q @ (Q.T @ b)
    logs = np.log(L.diagonal()).sum() + np.log(np.abs(R.diagonal())).sum()
    return 2 * logs + left @ left + fit.design.nu * np.log(2 * np.pi)


def test_some_of_them_leave_no_burn_within_and_no_burn_variance():
    fits = [fit_repeats(spread_out(seed), day="day") for seed in range(12)]
    zero = [fit.variances[0, -1] < 1e-6 * fit.variances[0].sum() for fit in fits]
    assert all(fit.names[-1] == "burn" and len(fit.names) == 3 for fit in fits)
    assert sum(zero) >= 2


def test_the_criterion_is_that_of_the_model_written_out(fit):
    assert fit.criterion == pytest.approx(criterion(fit, fit.variances[0]), abs=1e-5)


def test_no_other_variances_do_better(fit):
    rng = np.random.default_rng(1)
    for _ in range(4):
        start = np.log([1.0, 1.0, 0.2]) + rng.normal(size=3)
        found = minimize(
            lambda x: criterion(fit, np.exp(np.maximum(x, -20))),
            start,
            method="Nelder-Mead",
            options={"maxiter": 1500},
        )
        assert fit.criterion < found.fun + 1e-3


def means_and_effects(fit):
    """Generalised least squares and predicted effects of each term, written out at the fit's variances."""
    L, a = whitened(fit, fit.variances[0])
    Q, R = np.linalg.qr(a)
    b = np.linalg.solve(L, fit.columns.values[0] - 100)
    left = np.linalg.solve(L.T, b - Q @ (Q.T @ b))
    terms = {term.name: term.levels.indicators.T @ left for term in fit.design.terms}
    means = np.linalg.solve(R, Q.T @ b)
    return means + 100, {name: fit.variances[0, fit.names.index(name)] * of for name, of in terms.items()}


def test_means_and_effects_are_those_of_the_model_written_out(fit):
    means, effects = means_and_effects(fit)
    assert_allclose(fit.estimate.beta[0], means, rtol=1e-7)
    for name, of in effects.items():
        assert_allclose(fit.bags["effect"][fit.bags["component"] == name], of, atol=1e-5)


@pytest.mark.parametrize("seed", [24, 37, 77, 3])
def test_kinds_in_general_over_many_days(seed):
    """Three random terms: fuels of a kind, bags and days."""
    rng = np.random.default_rng(seed)
    rows = [
        (f"K{f % 2}", f"F{f}", f"F{f}b{b}")
        for f in range(6)
        for b in range(2)
        for _ in range(rng.integers(1, 3))
    ]
    burns = pd.DataFrame(rows, columns=["kind", "fuel", "bag"])
    n, days = len(burns), int(len(burns) * rng.uniform(0.4, 0.9))
    burns["day"] = [f"d{day}" for day in rng.permutation([*range(days), *rng.integers(0, days, n - days)])]
    fuels, bags, by_day = (rng.normal(size=40)[burns[name].factorize()[0]] for name in ("fuel", "bag", "day"))
    burns["value"] = 100 + fuels + bags + rng.choice([0, 1]) * by_day + rng.normal(0, 0.3, n)
    fit = fit_repeats(burns, day="day", kind="kind", fuel_effect="random")
    assert len(fit.names) == 4
    assert fit.criterion == pytest.approx(criterion(fit, fit.variances[0]), abs=1e-5)
    assert_allclose(fit.estimate.beta[0], means_and_effects(fit)[0], rtol=1e-7)


def test_limits_of_sds_are_profiles_and_the_burn_sds_is_on_its_own_chi_square(fit):
    if not fit.engine.saturated:
        assert component_limits(fit)["method"].str.startswith("averaged").any()
        return
    assert "together explain every burn: little is known of how burns differ beside them" in " ".join(
        fit.notes
    )
    limits = component_limits(fit).set_index("component")
    plain = component_limits(fit, "profile").set_index("component")
    assert limits.loc["burn", "method"] == "profile of the restricted likelihood, on its own χ²"
    assert limits.loc["burn", "high"] > plain.loc["burn", "high"]
    assert_allclose(limits.loc[["bag", "day"], "high"], plain.loc[["bag", "day"], "high"])


def test_a_limit_that_is_met_twice_in_a_row_is_one_and_no_warning():
    case = next(
        each for each in CASES if each.name == "3 × 2 × 2, 12 burns on 9 days; bag SD 0.5, day SD 0.5"
    )
    with np.errstate(all="raise", under="ignore"):
        low, high = profile_limits(fitted(case, drawn(case, 60, 3)), 0.95)
    assert (low < high).all()


def test_own_rises_give_back_the_limits_of_chi_square():
    for df in (3, 12):
        down, up = own_rises(np.array(1.0), np.array(2 / df), 0.95)
        for rise, share in ((down, 0.975), (up, 0.025)):
            x = stats.chi2.ppf(share, df) / df
            assert df * (x - 1 - np.log(x)) == pytest.approx(float(rise))
    assert own_rises(np.array(1.0), np.array(2 / 1e6), 0.95) == pytest.approx(3.8415, rel=2e-3)


def test_kenward_roger_is_that_of_the_model_written_out(fit):
    theta, rows = fit.variances[0], pair_rows(fit)
    L, a = whitened(fit, theta)
    H = np.array([np.linalg.solve(L, np.linalg.solve(L, G).T) for G in relationships(fit)])
    phi = np.linalg.inv(a.T @ a)
    P, Q = a.T @ H @ a, np.einsum("kp,ikl,jlm,mq->ijpq", a, H, H, a)
    information = 0.5 * (
        np.einsum("ikl,jkl->ij", H, H) - 2 * np.einsum("ijpq,pq->ij", Q, phi)
        + np.einsum("ipq,jqp->ij", phi @ P, phi @ P)
    )  # fmt: skip
    W = np.linalg.inv(information)
    inner = np.einsum("ij,ijpq->pq", W, Q) - np.einsum("ij,ipq,qr,jrs->ps", W, P, phi, P)
    adjusted = phi + phi @ (inner + inner.T) @ phi
    v = np.einsum("cp,pq,cq->c", rows, phi, rows)
    g = np.einsum("cp,ipq,cq->ic", rows, phi @ P @ phi, rows)
    found = contrasts(fit, rows, "kenward-roger")
    assert_allclose(found.se[0], np.sqrt(np.einsum("cp,pq,cq->c", rows, adjusted, rows)), rtol=1e-5)
    assert_allclose(found.df[0], 2 * v**2 / np.einsum("ic,ij,jc->c", g, W, g), rtol=1e-5)


@pytest.mark.parametrize("seed", [0, 2, 3, 5, 6, 7, 8, 13])
def test_a_bound_that_says_nothing_leaves_the_least_value_where_it_is(seed):
    """However far off the answer at face value is, and with a burn variance of zero or not."""
    burns = spread_out(seed).assign(status="exact")
    without = fit_repeats(burns.drop(3), day="day")
    burns.loc[3, ["status", "value"]] = "at least", -400.0
    assert fit_repeats(burns, day="day", status="status").criterion == pytest.approx(
        without.criterion, abs=1e-3
    )


def test_a_profile_beside_a_bound_is_that_of_the_model_written_out():
    burns = spread_out(0).assign(status="exact")
    without = fit_repeats(burns.drop(3), day="day")
    burns.loc[3, ["status", "value"]] = "at least", -400.0
    found = fit_repeats(burns, day="day", status="status")
    known, row = found.censored, np.eye(3)[[2]]
    estimate, se = found.estimate.beta[0, 2], np.sqrt(known.covariance[2, 2])
    profile, slope = (each[0] for each in _profiles([_Followed.of(found, row, "best", 0.95)])[0])

    def held(x, value):
        theta = np.exp(np.maximum(x, -20))
        L, a = whitened(without, theta)
        phi = np.linalg.inv(a.T @ a)
        mean = 100 + phi[2] @ a.T @ np.linalg.solve(L, without.columns.values[0] - 100)
        return criterion(without, theta) + (value - mean) ** 2 / phi[2, 2] + np.log(2 * np.pi * phi[2, 2])

    for node, value in enumerate(estimate + NODES * se):
        starts = np.log([[1, 1, 0.1], [0.3, 2, 0.1]])
        least = min(minimize(held, x, (value,), "Nelder-Mead", options={"maxiter": 2000}).fun for x in starts)
        assert profile[node] == pytest.approx(least, abs=2e-3)
        beside = [
            min(minimize(held, x, (value + off,), "Nelder-Mead").fun for x in starts) for off in (-0.02, 0.02)
        ]
        assert slope[node] == pytest.approx(se * (beside[1] - beside[0]) / 0.04, abs=0.05)


@pytest.mark.parametrize("df", ["best", "kenward-roger", "satterthwaite"])
def test_every_method_gives_finite_intervals(fit, df):
    table = compare_fuels(fit, df=df)
    assert np.isfinite(table[["se", "df", "low", "high"]].to_numpy()).all()
    assert (table["se"] > 0).all()
