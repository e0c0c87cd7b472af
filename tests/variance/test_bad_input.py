"""Tables that cannot answer get an error for people, or a clear answer; never a warning from a library's depths."""

import warnings

import numpy as np
import pandas as pd
import pytest

from kit.errors import KitError
from kit.judge.comparisons import compare_fuels, fuel_means
from kit.variance import fit_repeats
from tests.sampled import sampled
from tests.variance.classical import nested_anova, one_way
from tests.variance.reference import assert_allclose, table

N = pd.DataFrame(
    [
        (fuel, burn, probe, value)
        for fuel, burns in {
            "pine": [(612, 604), (655, 649), (583, 590)],
            "oak": [(548, 541), (507, 512), (566, 559)],
            "birch": [(640, 633), (598, 607), (671, 662)],
        }.items()
        for burn, values in enumerate(burns, start=1)
        for probe, value in enumerate(values, start=1)
    ],
    columns=["fuel", "burn", "probe", "peak"],
)
Z = pd.DataFrame(
    [
        (fuel, burn, value)
        for fuel, burn, values in (
            ("a", 0, (500, 520, 480, 500)), ("a", 1, (501, 479, 521, 499)),
            ("b", 2, (560, 540, 560, 580)), ("b", 3, (559, 581, 539, 561)),
        )
        for value in values
    ],
    columns=["fuel", "burn", "peak"],
)  # fmt: skip


@pytest.fixture(autouse=True)
def no_warning():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        yield


@pytest.fixture
def burns():
    return table("burns_balanced").copy()


def refusal(call, *args, **kwargs):
    with pytest.raises(KitError) as caught:
        call(*args, **kwargs)
    text = str(caught.value)
    assert "singular" not in text
    assert all(problem.remedy for problem in caught.value.problems)
    return text


@pytest.mark.parametrize("labels", [list("112233445566778899"), None])
def test_nested_table_counts_cells_that_exist(labels):
    """R01, R02: unique and recycled labels, fuel against burn within fuel."""
    data = N if labels is None else N.assign(burn=[*"112233445566778899"])
    anova = nested_anova(fit_repeats(data, "peak", bag="burn"))
    assert list(anova.table["df"]) == [2, 6, 9]
    assert_allclose(anova.table["ss"], [31089.333333, 11465.666667, 241.5], rtol=1e-6)
    assert_allclose(anova.table["F"][0], 8.135, rtol=1e-4)
    assert_allclose(anova.table["p"][0], 0.0196, rtol=5e-3)
    assert anova.table["tested_against"][0] == "bag within fuel"


def test_roles_instead_of_a_formula():
    """R04, R13, R19: variances, and intervals from the number of burns."""
    fit = fit_repeats(N, "peak", bag="burn")
    assert_allclose(fit.variances[0], [942.06, 26.83], rtol=1e-3)
    means = fuel_means(fit, df="kenward-roger").set_index("fuel")
    assert_allclose(means.loc["pine", ["mean", "se", "df"]], [615.5, 17.85, 6], rtol=1e-3)
    assert_allclose((means.loc["pine", "high"] - means.loc["pine", "low"]) / 2, 43.7, rtol=1e-3)


def test_two_columns_for_one_part_are_named():
    """R06."""
    text = refusal(fit_repeats, N, "peak", bag=["fuel", "burn"])
    assert "columns fuel and burn for one part" in text


def test_one_burn_per_fuel():
    """R08: burn stands where the kit has bag."""
    fit = fit_repeats(N[N["burn"] == 1], "peak", bag="burn")
    assert any("one bag per fuel: differences between fuels cannot be told" in note for note in fit.notes)


def test_a_variance_at_zero_is_said_in_plain_words():
    """R09, R10: one converges, one is at zero, said in plain words."""
    one = fit_repeats(N, "peak", bag="burn")
    two = fit_repeats(Z, "peak", bag="burn")
    assert one.variances[0, 0] > 0 == two.variances[0, 0]
    said = "the data show no more variation between bags than within them"
    assert said not in one.notes
    assert said in two.notes
    assert not any("singular" in note for note in two.notes)


def test_a_negative_moment_estimate_is_shown_with_its_reasons():
    """R15."""
    anova = nested_anova(fit_repeats(Z, "peak", bag="burn"))
    assert anova.variance_bag == pytest.approx(-70.2, abs=0.05)
    assert "reported as 0" in anova.notes[0]
    assert "Chance" in anova.notes[0]


def test_missing_readings_leave_the_burn_in():
    """R16: rows without a value are dropped and named."""
    data = N.astype({"peak": float})
    data.loc[[3, 12], "peak"] = np.nan
    fit = fit_repeats(data, "peak", bag="burn")
    anova = nested_anova(fit)
    assert_allclose(anova.table["ss"], [27239.57, 10133.43, 199.0], rtol=1e-6)
    assert anova.variance_bag == pytest.approx(957.97, abs=0.01)
    assert fit.notes[0] == "2 burns have no value and are left out: pine, 2; birch, 1"


def test_unequal_counts():
    """R18."""
    cells = {"pine": [(612, 604), (655, 649), (583, 590), (600, 611)], "oak": [(548, 541), (507, 512)],
             "birch": [(640,), (598,), (671,)]}  # fmt: skip
    rows = [(f, b, v) for f, burns in cells.items() for b, values in enumerate(burns) for v in values]
    anova = nested_anova(
        fit_repeats(pd.DataFrame(rows, columns=["fuel", "burn", "peak"]), "peak", bag="burn")
    )
    assert_allclose(anova.table["ss"], [26212.27, 8518.67, 172.0], rtol=1e-6)
    assert (round(anova.n0, 3), round(anova.variance_bag, 2)) == (1.667, 834.67)


def test_one_fuel_has_a_mean_and_nothing_to_compare(burns):
    fit = fit_repeats(burns[burns["fuel"] == "F1"])
    assert len(fuel_means(fit)) == 1
    assert "one fuel (F1)" in refusal(compare_fuels, fit)


@pytest.mark.parametrize("same", [True, False])
def test_equal_values_are_refused(burns, same):
    burns["value"] = 100.0 if same else burns["fuel"].map({"F1": 1.0, "F2": 2.0, "F3": 3.0, "F4": 4.0})
    text = refusal(fit_repeats, burns)
    assert ("every value equal to 100" if same else "no difference within any fuel") in text


def test_equal_values_among_several_responses_are_marked(burns):
    burns["flat"] = 7.0
    fit = fit_repeats(burns, ["value", "flat"])
    assert np.isnan(fit.criterion).tolist() == [False, True]
    assert np.isnan(fit.variances[1]).all()
    alone = fit_repeats(burns)
    assert_allclose(fit.criterion[0], alone.criterion, rtol=1e-12)
    pairs = compare_fuels(fit, df="kenward-roger")
    assert pairs[pairs["response"] == "flat"]["p"].isna().all()


def test_burns_of_a_bag_that_agree_exactly_are_refused(burns):
    burns["value"] = burns.groupby(["fuel", "bag"])["value"].transform("mean")
    assert "agree exactly" in refusal(fit_repeats, burns)


def test_infinite_values_name_their_row(burns):
    burns.loc[4, "value"] = np.inf
    assert "table, row 4, column value: found an infinite value" in refusal(fit_repeats, burns)


def test_words_where_numbers_belong(burns):
    burns["value"] = ["hot", *map(str, burns["value"][1:])]
    assert "'hot'" in refusal(fit_repeats, burns)


def test_every_fault_at_once(burns):
    text = refusal(fit_repeats, burns, value="heat", fuel="feul")
    assert "no column 'heat'" in text
    assert "no column 'feul'" in text
    assert "Did you mean 'fuel'?" in text


def test_blank_labels_name_their_rows(burns):
    burns.loc[[2, 7], "bag"] = None
    assert "table, column bag: found blank in rows 2, 7" in refusal(fit_repeats, burns)


def test_fewer_burns_than_parameters(burns):
    few = burns.iloc[[0, 9, 18]].assign(x=[1.0, 2.0, 4.0])
    assert "3 burns for 4 means and covariates" in refusal(fit_repeats, few, covariates=("x",))


def test_an_empty_table(burns):
    assert "no rows" in refusal(fit_repeats, burns[:0])
    assert "no value at all" in refusal(fit_repeats, burns.assign(value=np.nan))


def test_zero_on_the_log_scale(burns):
    burns.loc[3, "value"] = 0.0
    text = refusal(fit_repeats, burns, scale="log")
    assert "row 3" in text
    assert "'at most' one sampling interval" in text


def test_two_kinds_for_one_fuel(burns):
    burns["kind"] = ["lump"] * 35 + ["briquette"]
    assert "two kinds for fuel F4" in refusal(fit_repeats, burns, kind="kind", spread="by kind")


def test_responses_missing_in_different_burns_are_fitted_apart(burns):
    burns["other"] = burns["value"].where(burns.index != 5)
    text = refusal(fit_repeats, burns, ["value", "other"])
    assert "responses that are missing in different burns" in text
    assert "Fit together only responses with the same burns." in text
    fits = [fit_repeats(burns, name) for name in ("value", "other")]
    assert [fit.design.n for fit in fits] == [36, 35]


def test_unknown_choices_are_listed(burns):
    text = refusal(fit_repeats, burns, scale="logarithm", method="reml", spread="fuel")
    assert text.count("Name one of them") == 3
    fit = fit_repeats(burns)
    assert "best, kenward-roger or satterthwaite" in refusal(fuel_means, fit, df="z")
    assert "tukey, dunnett, holm or none" in refusal(compare_fuels, fit, multiplicity="bonferroni")
    assert "'F9'" in refusal(compare_fuels, fit, ("control", "F9"))
    assert "above zero" in refusal(compare_fuels, fit, margin=-1)
    assert "Kenward–Roger of a fit by ML" in refusal(
        fuel_means, fit_repeats(burns, method="ML"), df="kenward-roger"
    )


@pytest.mark.parametrize("count", sampled([3_000], [10_000]))
def test_thousands_of_bags(count):
    rng = np.random.default_rng(5)
    bags = np.repeat(np.arange(count), 2)
    data = pd.DataFrame(
        {"fuel": bags % 4, "bag": bags, "value": rng.normal(size=2 * count) + rng.normal(size=count)[bags]}
    )
    fit = fit_repeats(data)
    assert_allclose(fit.variances[0], [1, 1], rtol=0.06)
    data["x"] = rng.normal(size=2 * count)
    assert f"{count} bags" in refusal(fit_repeats, data, covariates=("x",))


def test_no_repeats_at_all_gives_means_without_error_bars(burns):
    single = burns.iloc[[0, 9, 18, 27]]
    fit = fit_repeats(single)
    assert not fit.has_spread
    means, pairs = fuel_means(fit), compare_fuels(fit, margin=5)
    assert list(means["mean"]) == list(single["value"])
    assert means[["se", "low", "high"]].isna().all().all()
    assert set(pairs["verdict"]) == {"no repeats"}
    assert pairs["difference"].notna().all()
    assert fit.components["sd"].isna().all()


def test_borrowed_repeatability_stands_in(burns):
    fit = fit_repeats(burns.iloc[[0, 9, 18, 27]], borrowed=(3.0, 12))
    means = fuel_means(fit, df="kenward-roger")
    assert_allclose(means["se"], [3.0] * 4)
    assert_allclose(means["df"], [12] * 4)
    assert "both above zero" in refusal(fit_repeats, burns, borrowed=(0.0, 5))


def test_borrowed_repeatability_pools_with_the_trials_own(burns):
    alone = fit_repeats(burns, bag=None)
    both = fit_repeats(burns, bag=None, borrowed=(3.0, 12))
    pooled = (alone.variances[0, 0] * 32 + 12 * 9.0) / 44
    assert both.variances[0, 0] == pytest.approx(pooled)
    assert fuel_means(both, df="kenward-roger")["df"][0] == pytest.approx(44)


def test_one_way_needs_groups_and_repeats(burns):
    assert "two groups or more, with repeats" in refusal(one_way, burns[:3], "value", "fuel")


@pytest.mark.parametrize("apart", [1e-5, 1e-6, 1e-8])
def test_burns_that_all_but_agree_are_refused_without_a_warning(apart):
    burns = table("burns_unbalanced").copy()
    places = burns["fuel"] + burns["bag"]
    noise = np.random.default_rng(1).normal(size=(2, len(burns)))
    burns["value"] = 10 + noise[0][places.factorize()[0]] + apart * noise[1]
    with np.errstate(all="raise"), pytest.raises(KitError, match="no optimum that can be trusted"):
        fit_repeats(burns)
