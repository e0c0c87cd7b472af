"""Values computed by independent, trusted programs; each test names its file and key (tests/reference/README.md)."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from kit.judge.comparisons import compare_fuels, fuel_means
from kit.variance import contrasts, f_test, fit_repeats
from kit.variance.inference import predict_burn
from kit.variance.sd_limits import component_limits
from tests.variance.classical import equal_spread, iso5725, likelihood_ratio, nested_anova, one_way
from tests.variance.profile_means import profile_means
from tests.variance.reference import (
    COMPONENT_OF,
    FOLDER,
    assert_allclose,
    column,
    fitted,
    get,
    pair_rows,
    table,
    treatment_rows,
    values,
    with_key,
)

FITS = [(name, key, method) for key, method in (("fit", "REML"), ("ml_fit", "ML")) for name in with_key(key)]
DF = [("kenward_roger", "kenward-roger"), ("satterthwaite", "satterthwaite")]
WITH_DF = [(name, key, df) for key, df in DF for name in with_key(f"emmeans.{key}")]


def by_component(name, parts):
    return {COMPONENT_OF[key]: value for key, value in parts.items()}


@pytest.mark.parametrize(("name", "key", "method"), FITS)
def test_criterion_and_fixed_effects(name, key, method):
    fit, want = fitted(name, method), get(name, key)
    assert_allclose(fit.criterion, want["criterion_minus2loglik"], rtol=1e-8)
    assert fit.converged
    L = treatment_rows(fit)
    estimate = L @ fit.estimate.beta[0]
    assert_allclose(estimate, want["fixed"]["estimate"], rtol=1e-6)
    se = np.sqrt(np.diag(L @ fit.small_sample.phi[0] @ L.T))
    assert_allclose(se, want["fixed"]["se"], rtol=1e-6)


@pytest.mark.parametrize(("name", "key", "method"), FITS)
def test_standard_deviations(name, key, method):
    components = component_limits(fitted(name, method), "profile").set_index("component")
    for component, sd in by_component(name, get(name, key)["sd"]).items():
        assert_allclose(components.loc[component, "sd"], sd, rtol=1e-5, atol=1e-4 if sd == 0 else 0)
        assert components.loc[component, "at_boundary"] == (sd == 0)


@pytest.mark.parametrize("name", with_key("ranef"))
def test_predicted_effects(name):
    got = fitted(name).bags
    for key, rows in get(name, "ranef").items():
        own = got[got["component"] == COMPONENT_OF[key]].set_index("label")
        mine = own.loc[[row["level"] for row in rows]]
        assert_allclose(mine["effect"], column(rows, "blup"), rtol=1e-6, atol=1e-9)
        assert_allclose(mine["sd"], column(rows, "cond_sd"), rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize(("name", "key", "df"), WITH_DF)
def test_means(name, key, df):
    want = get(name, f"emmeans.{key}.means")
    got = fuel_means(fitted(name), df=df)
    scale = np.exp if fitted(name).scale == "log" else np.asarray
    assert list(got["fuel"]) == [row["level"] for row in want]
    assert_allclose(got["mean"], scale(column(want, "estimate")), rtol=1e-6)
    assert_allclose(got["se"], column(want, "se"), rtol=1e-6)
    assert_allclose(got["df"], column(want, "df"), rtol=1e-4)
    assert_allclose(got["low"], scale(column(want, "lower")), rtol=1e-5)
    assert_allclose(got["high"], scale(column(want, "upper")), rtol=1e-5)


@pytest.mark.parametrize(("name", "key", "df"), WITH_DF)
def test_pairs(name, key, df):
    fit, want = fitted(name), get(name, f"emmeans.{key}.pairs")
    chosen = [(row["a"], row["b"]) for row in want]
    scale = np.exp if fit.scale == "log" else np.asarray
    estimate = "ratio" if fit.scale == "log" else "difference"
    got = compare_fuels(fit, chosen, "tukey", df=df)
    assert_allclose(got[estimate], scale(column(want, "estimate")), rtol=1e-6)
    assert_allclose(got["se"], column(want, "se"), rtol=1e-6)
    assert_allclose(got["df"], column(want, "df"), rtol=1e-4)
    assert_allclose(got["low_alone"], scale(column(want, "unadjusted", "lower")), rtol=1e-5)
    assert_allclose(got["high_alone"], scale(column(want, "unadjusted", "upper")), rtol=1e-5)
    assert_allclose(got["p"], column(want, "unadjusted", "p"), rtol=1e-4, atol=1e-9)
    assert_allclose(got["p_adjusted"], column(want, "tukey", "p"), atol=1e-4)
    assert_allclose(got["low"], scale(column(want, "tukey", "lower")), rtol=1e-4, atol=1e-3)
    assert_allclose(got["high"], scale(column(want, "tukey", "upper")), rtol=1e-4, atol=1e-3)
    holm = compare_fuels(fit, chosen, "holm", df=df)
    assert_allclose(holm["p_adjusted"], column(want, "holm_p"), rtol=1e-4, atol=1e-9)


@pytest.mark.parametrize(("name", "key", "df"), WITH_DF)
def test_multivariate_t(name, key, df):
    fit = fitted(name)
    pairs = [row for row in get(name, f"emmeans.{key}.pairs") if row.get("mvt_highacc")]
    if pairs and len(pairs) <= 15:
        got = compare_fuels(fit, [(row["a"], row["b"]) for row in pairs], "dunnett", df=df)
        assert_allclose(got["p_adjusted"], column(pairs, "mvt_highacc", "p"), atol=1e-4)
    control = get(name, f"emmeans.{key}.dunnett_vs_first")
    if control is None:
        return
    got = compare_fuels(fit, ("control", control[0]["control"]), df=df)
    assert list(got["a"]) == [row["level"] for row in control]
    assert set(got["multiplicity"]) == {"dunnett"}
    assert_allclose(got["p_adjusted"], column(control, "mvt_highacc", "p"), atol=1e-4)
    if fit.scale == "plain":
        want = column(control, "mvt_highacc", "lower")
        assert_allclose(got["low"], want, atol=1e-4 * float(got["se"].max()))


@pytest.mark.parametrize(("name", "key", "df"), WITH_DF)
def test_equivalence(name, key, df):
    for row in get(name, f"emmeans.{key}.pairs"):
        if "equivalence" in row:
            margin = row["equivalence"]["delta"]
            got = compare_fuels(fitted(name), [(row["a"], row["b"])], "none", margin=margin, df=df)
            assert_allclose(got["p_equivalent"], row["equivalence"]["p"], atol=1e-4)


@pytest.mark.parametrize(("name", "key"), [(n, k) for k, _ in DF for n in with_key(f"emmeans.{k}.ratios")])
def test_ratios(name, key):
    want = get(name, f"emmeans.{key}.ratios")
    got = compare_fuels(fitted(name), [(row["a"], row["b"]) for row in want], df=dict(DF)[key])
    assert_allclose(got["ratio"], column(want, "ratio"), rtol=1e-6)
    assert_allclose(got["low_alone"], column(want, "unadjusted", "lower"), rtol=1e-6)
    assert_allclose(got["high"], column(want, "tukey", "upper"), rtol=1e-4)
    assert "difference" not in got


@pytest.mark.parametrize(
    ("name", "key", "df"), [(n, k, d) for k, d in DF for n in with_key("kr.f_tests.fuel")]
)
def test_f_of_the_fuels(name, key, df):
    fit, want = fitted(name), get(name, f"kr.f_tests.fuel.{key}")
    L = treatment_rows(fit)[1 : len(fit.labels)]
    got = f_test(fit, L, df)
    assert got.num_df == want["num_df"]
    assert_allclose(got.F, want["F"], rtol=1e-6)
    assert_allclose(got.den_df, want.get("treatment_rows", want)["den_df"], rtol=1e-4)
    assert_allclose(got.p, want.get("treatment_rows", want)["p"], rtol=1e-3)
    if "F_scaling" in want:
        assert_allclose(got.scaling, want["F_scaling"], rtol=1e-6)


@pytest.mark.parametrize("name", with_key("kr.vcov_adjusted"))
def test_adjusted_covariance(name):
    fit = fitted(name)
    L = treatment_rows(fit)
    assert_allclose(
        L @ fit.small_sample.adjusted[0] @ L.T, get(name, "kr.vcov_adjusted"), rtol=1e-6, atol=1e-9
    )


@pytest.mark.parametrize(
    ("name", "key", "df"), [(n, k, d) for k, d in DF for n in with_key(f"kr.coefficients.{k}")]
)
def test_coefficients(name, key, df):
    fit, want = fitted(name), get(name, f"kr.coefficients.{key}")
    got = contrasts(fit, treatment_rows(fit), df)
    assert_allclose(got.estimate[0], column(want, "estimate"), rtol=1e-6)
    assert_allclose(got.se[0], column(want, "se"), rtol=1e-6)
    assert_allclose(got.df[0], column(want, "df"), rtol=1e-4)
    assert_allclose(got.p()[0], column(want, "p"), rtol=1e-3, atol=1e-12)


@pytest.mark.parametrize(
    ("name", "key", "method"),
    [(n, k, m) for k, m in (("reml_exact", "REML"), ("ml_exact", "ML")) for n in with_key(f"profile_ci.{k}")],
)
def test_profile_limits(name, key, method):
    got = component_limits(fitted(name, method), "profile").set_index("component")
    for row in get(name, f"profile_ci.{key}")["intervals"]:
        if row["kind"] == "sd":
            own = got.loc[COMPONENT_OF[row["parameter"]]]
            assert_allclose([own["low"], own["high"]], [row["lower"], row["upper"]], rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize("name", with_key("prediction_interval_new_bag"))
def test_prediction(name):
    got, want = predict_burn(fitted(name)), get(name, "prediction_interval_new_bag")["per_fuel"]
    assert_allclose(got["sd"] ** 2, column(want, "total_variance"), rtol=1e-6)
    assert_allclose(got["df"], column(want, "df"), rtol=1e-3)
    assert_allclose(got["low"], column(want, "lower"), rtol=1e-3)
    assert_allclose(got["high"], column(want, "upper"), rtol=1e-3)


@pytest.mark.parametrize("name", with_key("nested_anova"))
def test_nested_analysis_of_variance(name):
    got, want = nested_anova(fitted(name)), get(name, "nested_anova")
    for column_name in ("df", "ss", "ms"):
        assert_allclose(got.table[column_name], column(want["table"], column_name), rtol=1e-9)
    assert_allclose(got.table["F"][0], want["F_fuel_over_bag"]["F"], rtol=1e-9)
    assert_allclose(got.table["p"][0], want["F_fuel_over_bag"]["p"], rtol=1e-6)
    assert_allclose(got.n0, want["n0"], rtol=1e-9)
    assert_allclose(got.variance_bag, want["variance_components_anova"]["bag_untruncated"], rtol=1e-8)
    assert got.balanced == want["balanced"]


@pytest.mark.parametrize("name", [n for n in with_key("nested_anova") if get(n, "nested_anova.balanced")])
def test_kenward_roger_is_the_classical_f_in_a_balanced_design(name):
    fit, want = fitted(name), get(name, "nested_anova.F_fuel_over_bag")
    if fit.variances[0, 0] > 0:
        got = f_test(fit, treatment_rows(fit)[1:])
        assert_allclose((got.F, got.den_df, got.scaling), (want["F"], want["den_df"], 1.0), rtol=1e-8)


@pytest.mark.parametrize("name", with_key("iso5725"))
def test_iso5725(name):
    got = iso5725(fitted(name)).set_index("fuel")
    for fuel, want in get(name, "iso5725.per_fuel").items():
        own = got.loc[fuel]
        assert_allclose(own["s_r"], want["s_r"], rtol=1e-9)
        assert_allclose(own["s_L2_raw"], want["s_L2_untruncated"], rtol=1e-8)
        assert_allclose(
            [own["s_R"], own["r"], own["R"]], [want["s_R"], want["r_limit_2.8"], want["R_limit_2.8"]]
        )
    pooled, own = get(name, "iso5725.pooled"), got.loc["all"]
    assert_allclose(
        [own["s_r"], own["s_L"], own["s_R"]], [pooled["s_r"], pooled["s_L"], pooled["s_R"]], rtol=1e-8
    )


@pytest.mark.parametrize("name", with_key("multcomp"))
def test_multcomp(name):
    fit = fitted(name)
    for key, multiplicity in (("tukey", "tukey"), ("dunnett", "dunnett")):
        want = get(name, "multcomp")[key]
        pairs = [tuple(row["contrast"].split(" - ")) for row in want]
        got = compare_fuels(fit, pairs, multiplicity, df="kenward-roger")
        assert_allclose(got["p_adjusted"], column(want, "p"), atol=2e-3)


@pytest.mark.parametrize("name", with_key("exact.residual_sd"))
def test_spread_by_fuel(name):
    fit, want = fit_repeats(table(name), spread="by fuel"), get(name, "exact")
    assert_allclose(fit.criterion, -2 * want["loglik"], rtol=1e-8)
    assert_allclose(fit.spread["sd"], list(want["residual_sd"].values()), rtol=1e-5)
    assert_allclose(np.sqrt(fit.variances[0, 0]), want["bag_sd"], rtol=1e-5)
    assert_allclose(fit.means["mean"], column(want["fuel_means"], "estimate"), rtol=1e-6)
    assert_allclose(fit.means["se"], column(want["fuel_means"], "se"), rtol=1e-6)
    L = pair_rows(fit, want["pairs"])
    se = np.sqrt(np.diag(L @ fit.covariance @ L.T))
    assert_allclose(se, column(want["pairs"], "se"), rtol=1e-6)
    blup = fit.bags.set_index("label")["effect"]
    assert_allclose(blup[[row["bag"] for row in want["blup"]]], column(want["blup"], "blup"), rtol=1e-6)


@pytest.mark.parametrize("name", with_key("lr_test"))
def test_tests_of_equal_spread(name):
    common, grouped = fit_repeats(table(name)), fit_repeats(table(name), spread="by fuel")
    ratio, want = likelihood_ratio(common, grouped), get(name, "lr_test")
    # nlme's common fit stopped at a bag SD of 0.0007: 3e-10 short of the exact optimum
    assert_allclose(ratio.statistic, want["chisq_exact"], rtol=1e-6)
    assert_allclose(ratio.p, want["p_exact"], rtol=1e-4)
    assert_allclose(common.criterion, -2 * get(name, "homoscedastic.loglik"), rtol=1e-8)
    for key, centre in (("levene_mean_centred", "mean"), ("brown_forsythe_median_centred", "median")):
        assert_allclose(equal_spread(common, centre).statistic, get(name, key)["F"], rtol=1e-9)
        assert_allclose(equal_spread(common, centre).p, get(name, key)["p"], rtol=1e-6)


@pytest.mark.parametrize("name", with_key("fits"))
def test_many_responses_at_once(name):
    reference = values(name)
    design = pd.read_csv(FOLDER / reference["design_csv"])
    responses = table(name)
    both = pd.concat([design.drop(columns="value"), responses], axis=1)
    day = "day" if "day" in design else None
    fit = fit_repeats(both, value=list(responses.columns), day=day)
    components = component_limits(fit, "profile").set_index(["response", "component"])["sd"]
    L = treatment_rows(fit)
    for i, want in enumerate(reference["fits"]):
        for key, variance in want["variance_components"].items():
            sd = np.sqrt(variance)
            atol = 1e-4 if sd == 0 else 0
            assert_allclose(components[want["column"], COMPONENT_OF[key]], sd, rtol=1e-5, atol=atol)
        assert_allclose(L @ fit.estimate.beta[i], want["fixed"], rtol=1e-6)
        assert_allclose(fit.criterion[i], -2 * want["loglik"], rtol=1e-8)


@pytest.mark.parametrize("name", with_key("certified.between"))
def test_nist_analysis_of_variance(name):
    got, want = one_way(table(name)), get(name, "certified")
    # leading digits: 1 (lower), 7 (average), 13 (higher difficulty, where doubles hold four digits of the rest)
    digits = 4 if name[-1] in "789" else 9
    assert (got.between_df, got.within_df) == (want["between"]["df"], want["within"]["df"])
    assert_allclose(got.F, want["between"]["F"], rtol=10.0**-digits if digits == 9 else 2e-4)
    assert_allclose(got.residual_sd, want["residual_sd"], rtol=10.0**-digits if digits == 9 else 2e-4)
    assert_allclose(got.r_squared, want["r_squared"], rtol=10.0**-digits if digits == 9 else 2e-4)


@pytest.mark.parametrize("name", with_key("derived_one_way_random"))
def test_nist_groups_as_random(name):
    derived = get(name, "derived_one_way_random")
    fit = fit_repeats(table(name), fuel=None, bag="group")
    if name[-1] not in "789" and derived["group_variance_untruncated"] > 0:
        assert_allclose(
            fit.variances[0], [derived["group_variance_untruncated"], derived["residual_variance"]], rtol=1e-7
        )


@pytest.mark.parametrize("name", with_key("profile_ci.ml_exact"))
def test_profile_limits_of_the_means(name):
    fit = fitted(name)
    names = get(name, "fit.fixed.names")
    rows = dict(zip(names, treatment_rows(fit), strict=True))
    for row in get(name, "profile_ci.ml_exact")["intervals"]:
        if row["kind"] == "fixed":
            got = profile_means(fit, rows[row["parameter"]])
            assert_allclose(got["low"], [row["lower"]], rtol=1e-5, atol=1e-5)
            assert_allclose(got["high"], [row["upper"]], rtol=1e-5, atol=1e-5)


@pytest.mark.parametrize("bags", [2, 3, 4])
def test_two_fuels_of_single_burns_have_the_f_test_of_two_means(bags):
    # at two and four degrees of freedom F has no mean or no variance
    a, b = np.array([248.0, 252.0, 247.0, 255.0])[:bags], np.array([228.0, 231.0, 236.0, 233.0])[:bags]
    table = pd.DataFrame({"value": [*a, *b], "fuel": ["a"] * bags + ["b"] * bags, "bag": [*range(bags)] * 2})
    got = f_test(fit_repeats(table), np.array([[-1.0, 1.0]]))
    want = stats.ttest_ind(a, b)
    assert (got.F, got.den_df, got.p) == pytest.approx(
        (want.statistic**2, 2 * bags - 2, want.pvalue), rel=1e-6
    )
