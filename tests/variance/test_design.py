"""What a design supports, in words a tester reads."""

import numpy as np
import pandas as pd
import pytest

from kit.errors import KitError
from kit.judge.comparisons import compare_fuels
from kit.variance import fit_repeats
from kit.variance.burn_arrays import Levels, frame_of, levels_of
from kit.variance.design import home_within, homes
from tests.variance.reference import assert_allclose, table


@pytest.fixture
def burns():
    return table("burns_balanced").copy()


def notes(fit):
    return " | ".join(fit.notes)


def test_each_bag_on_its_own_day_separates_nothing(burns):
    burns["day"] = burns["fuel"] + burns["bag"]
    fit = fit_repeats(burns, day="day")
    assert fit.names == ("bag", "burn")
    assert "day cannot be told from bag: the spread reads 'between bags, days included'" in notes(fit)
    assert_allclose(fit.criterion, fit_repeats(burns).criterion)


def test_bags_of_one_burn_read_between_burns_bags_included(burns):
    burns["bag"] = range(len(burns))
    fit = fit_repeats(burns)
    assert fit.names == ("burn",)
    assert "bag cannot be told from burn: the spread reads 'between burns, bags included'" in notes(fit)


@pytest.mark.parametrize("days", [2, 4])
def test_day_aliased_with_fuel_gives_words_and_no_numbers(burns, days):
    burns = burns if days == 4 else burns[burns["fuel"] < "F3"]
    fit = fit_repeats(burns.assign(day="on " + burns["fuel"]), day="day")
    assert not fit.design.comparable
    assert "fuel and day cannot be separated" in notes(fit)
    pairs = compare_fuels(fit, df="kenward-roger")
    assert set(pairs["verdict"]) == {"cannot be separated"}
    assert pairs[["difference", "se", "low", "high", "p", "p_adjusted"]].isna().all().all()


def test_fuels_that_share_a_day_are_compared_and_others_not(burns):
    fit = fit_repeats(burns.assign(day=np.where(burns["fuel"] < "F3", "mon", "tue")), day="day")
    verdicts = compare_fuels(fit, df="kenward-roger").set_index(["a", "b"])["verdict"]
    assert verdicts["F1", "F2"] == verdicts["F3", "F4"] == "not settled"
    assert verdicts["F1", "F3"] == "cannot be separated"


def test_a_cooker_that_goes_along_with_fuel_cannot_be_separated(burns):
    fit = fit_repeats(burns.assign(cooker=np.where(burns["fuel"] < "F3", "a", "b")), covariates=("cooker",))
    assert compare_fuels(fit, [("F1", "F4")], df="kenward-roger")["verdict"][0] == "cannot be separated"


def test_two_days_are_a_fixed_block_that_sums_to_zero(burns):
    burns["day"] = np.where(burns["burn"] < 2, "mon", "tue")
    fit = fit_repeats(burns, day="day")
    assert fit.design.columns[-1] == "day"
    assert fit.names == ("bag", "burn")
    assert "means are for those two days" in notes(fit)
    shift = fit.estimate.beta[0, 4]
    assert shift == pytest.approx(burns.groupby("day")["value"].mean().diff().iloc[-1] / -2)
    # a third of the burns on one day, two thirds on the other: the mean stands in their middle
    assert_allclose(fit.estimate.beta[0, :4], burns.groupby("fuel")["value"].mean() + shift / 3, rtol=1e-9)


def test_one_day_says_so(burns):
    fit = fit_repeats(burns.assign(day="mon"), day="day")
    assert fit.names == ("bag", "burn")
    assert "on one day" in notes(fit)


def test_one_bag_a_fuel_cannot_stand_for_the_fuel(burns):
    fit = fit_repeats(burns.assign(bag="only"))
    assert (
        "one bag per fuel: differences between fuels cannot be told from differences between bags"
        in notes(fit)
    )
    own, none = (
        compare_fuels(fit, df="kenward-roger"),
        compare_fuels(fit_repeats(burns, bag=None), df="kenward-roger"),
    )
    assert set(own["scope"]) == {"these bags"} and set(none["scope"]) == {"the product"}
    assert list(own["verdict"]) == list(none["verdict"])


def test_labels_unique_or_anew_give_the_same_answer(burns):
    anew, unique = fit_repeats(burns), fit_repeats(burns.assign(bag=burns["fuel"] + burns["bag"]))
    assert_allclose(anew.criterion, unique.criterion, rtol=1e-14)
    pd.testing.assert_frame_equal(compare_fuels(anew), compare_fuels(unique))
    assert "start anew in each fuel" in notes(anew)
    assert "start anew" not in notes(unique)


def test_one_burn_of_a_fuel_has_a_mean_and_borrows_the_spread(burns):
    fit = fit_repeats(
        pd.concat([burns, pd.DataFrame([{"value": 90.0, "fuel": "F5", "bag": "B1", "burn": 1}])])
    )
    means = fit.means.set_index("fuel")
    assert means.loc["F5", "mean"] == pytest.approx(90.0)
    assert means.loc["F5", "se"] == pytest.approx(np.sqrt(fit.variances[0].sum()))


def test_spread_by_fuel_needs_repeats_of_each(burns):
    more = pd.concat([burns, pd.DataFrame([{"value": 90.0, "fuel": "F5", "bag": "B1", "burn": 1}])])
    with pytest.raises(KitError, match=r"no repeats of F5.*spread='common'"):
        fit_repeats(more, spread="by fuel")


def test_spreads_that_the_same_few_repeats_would_have_to_tell_are_refused():
    """Beside a covariate two fuels of two burns leave one number, which is that of both."""
    burns = pd.DataFrame({"fuel": list("aabb"), "w": [1.0, 2.0, 3.0, 4.0], "value": [5.0, 7.0, 8.0, 8.5]})
    with pytest.raises(KitError, match=r"the same few repeats for the spreads of a and b.*spread='common'"):
        fit_repeats(burns, bag=None, covariates=["w"], spread="by fuel")
    assert len(fit_repeats(burns, bag=None, spread="by fuel").spread) == 2


def test_spread_by_kind_has_one_sd_a_kind(burns):
    burns["kind"] = np.where(burns["fuel"] < "F3", "lump", "briquette")
    fit = fit_repeats(burns, kind="kind", spread="by kind")
    assert list(fit.spread["group"]) == ["lump", "briquette"]
    assert list(fit.components["component"]) == ["bag", "burn:lump", "burn:briquette"]


def test_kinds_in_general_need_three_fuels_each(burns):
    burns["kind"] = np.where(burns["fuel"] < "F3", "lump", "briquette")
    with pytest.raises(KitError, match=r"2 fuels of kind lump.*three or more fuels a kind"):
        fit_repeats(burns, kind="kind", fuel_effect="random")


def test_kinds_in_general_have_fuels_and_bags_inside():
    burns = table("burns_large").copy()
    burns["kind"] = np.where(burns["fuel"].isin(sorted(burns["fuel"].unique())[:6]), "lump", "briquette")
    fit = fit_repeats(burns, kind="kind", fuel_effect="random")
    assert list(fit.labels) == ["lump", "briquette"]
    assert set(fit.components["component"]) == {"fuel", "bag", "burn"}
    assert compare_fuels(fit, df="kenward-roger").loc[0, "df"] == pytest.approx(10, rel=1e-6)


def test_a_covariate_is_centred_and_told_from_fuel():
    burns = table("burns_covariate")
    same = fit_repeats(burns.assign(temp=burns["temp"] * 1.8 + 32), covariates=("temp",))
    assert_allclose(same.means["mean"], fit_repeats(burns, covariates=("temp",)).means["mean"], rtol=1e-9)
    with pytest.raises(KitError, match="Fuel and heat cannot be separated"):
        fit_repeats(burns.assign(heat=burns["fuel"].str[1].astype(float)), covariates=("heat",))
    with pytest.raises(KitError, match="a covariate that varies"):
        fit_repeats(burns.assign(heat=3.0), covariates=("heat",))


@pytest.mark.parametrize("seed", range(40))
def test_counts_say_what_inner_products_say_of_bags_in_fuels(seed):
    """The shortcut for the commonest design against the general rule: fuels, bags and burns in any numbers."""
    rng = np.random.default_rng(seed)
    fuels = np.repeat(np.arange(3), rng.integers(1, 1 + rng.integers(1, 4), 3))
    bags = np.repeat(np.arange(len(fuels)), rng.integers(1, 1 + rng.integers(1, 4), len(fuels)))
    if len(bags) == 3:  # no burn beyond the means
        bags = np.append(bags, bags[0])
    bag, means = levels_of(bags.tolist()), levels_of(fuels[bags].tolist())
    Q = means.indicators / np.sqrt(means.sizes)
    everyone = Levels(np.zeros(len(bags), dtype=np.int64), ("all",))
    assert home_within(bag, means) == homes(Q, [bag], everyone)[0]


def test_tables_of_fits_do_not_share_their_text():
    """Columns of text are kept from table to table: writing into one must leave the others alone."""
    first = frame_of(None, {"fuel": ["A", "B"]}, {"mean": np.array([[1.0, 2.0]])}, {"method": "REML"})
    first.loc[0, "fuel"] = "changed"
    first["fuel"].array[1] = "changed"
    first["method"] = "changed"
    first.columns.name = "changed"
    second = frame_of(None, {"fuel": ["A", "B"]}, {"mean": np.array([[1.0, 2.0]])}, {"method": "REML"})
    assert second["fuel"].tolist() == ["A", "B"]
    assert second["method"].tolist() == ["REML", "REML"]
    assert second.columns.name is None
