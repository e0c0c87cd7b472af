"""Mean and difference curves: the classical answer at each time, bands for the whole curve."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from kit import schema
from kit.burns import Curves
from kit.errors import KitError
from kit.judge import curves as judged_curves
from kit.judge.curves import (
    DRAWS,
    apart,
    drawn_curves,
    judge_curves,
    pieces_of,
    smallest_p,
    units_of,
    variance_ratios,
)
from kit.judge.question import Counted
from kit.variance import fit_repeats
from kit.variance.fit import contrasts
from tests.burns.helpers import run_of, sheet
from tests.sampled import sampled
from tests.simulate.curves import POINTS, SCENES, Scene, simulate
from tests.simulate.trials import even

GRID = np.arange(0, 3600, 60.0)


def curves_of(celsius, fuel, bag=None, counted=None, day=None):
    n = len(celsius)
    celsius = np.asarray(celsius, float)
    return Curves(
        np.arange(celsius.shape[1]) * 60.0,
        celsius,
        tuple(str(k) for k in range(n)),
        tuple(fuel),
        tuple(bag or [""] * n),
        tuple(day or [""] * n),
        np.ones(n, dtype=bool) if counted is None else np.asarray(counted),
        "grate",
    )


def mean_curves(curves, seed=1):
    return judged_curves.mean_curves(drawn_curves(curves, seed))


def difference_curves(curves, pairs="all", seed=1):
    return judged_curves.difference_curves(drawn_curves(curves, seed), pairs)


def why_no_band(curves):
    return judged_curves.why_no_band(drawn_curves(curves))


def draw(name, seed=1, **changes):
    scene = next(scene for scene in SCENES if scene.name == name)
    return simulate(Scene(**{**scene.__dict__, **changes}), np.random.default_rng(seed))


def at(table, seconds):
    return table[table["elapsed_s"] == seconds].iloc[0]


def test_the_tables_have_the_columns_of_their_specification():
    curves = draw("4 x 3 x 3, ends apart")
    assert list(mean_curves(curves)) == schema.names("mean_curves")
    assert list(difference_curves(curves)) == schema.names("difference_curves")
    empty = curves_of(np.empty((0, 3)), [])
    assert list(mean_curves(empty)) == schema.names("mean_curves")
    assert difference_curves(empty).empty and apart(difference_curves(empty)).empty


@pytest.mark.parametrize("name", ["4 x 3 x 3, spread grows", "3 x 2 x 2", "2 x 6 x 1, no bags twice"])
def test_balanced_curves_are_the_classical_answer_and_the_variance_models(name):
    curves = draw(name)
    place = 33
    table = pd.DataFrame({"value": curves.celsius[:, place], "fuel": curves.fuel, "bag": curves.bag})
    fit = fit_repeats(table)
    rows = fit.design.mean_rows()
    means = contrasts(fit, rows, "best")
    pair = contrasts(fit, rows[:1] - rows[1:2], "best")
    mean = at(mean_curves(curves), place * 60)
    difference = at(difference_curves(curves), place * 60)
    assert mean["mean"] == pytest.approx(means.estimate[0, 0], rel=1e-9)
    assert difference["difference"] == pytest.approx(pair.estimate[0, 0], rel=1e-9)
    for row, found in ((mean, means), (difference, pair)):
        low, high = found.limits(0.95)
        assert (row["low"], row["high"]) == pytest.approx((low[0, 0], high[0, 0]), rel=1e-3)


def test_bag_means_by_hand():
    """Two fuels of three bags: difference of 4 over a pooled SD of bags of 1, t on 4 degrees of freedom."""
    flat = np.ones((1, 20))
    values = [9, 10, 11, 5, 6, 7]
    curves = curves_of(np.array(values)[:, None] * flat, ["a"] * 3 + ["b"] * 3, ["1", "2", "3"] * 2)
    row = difference_curves(curves).iloc[7]
    half = stats.t.ppf(0.975, 4) * np.sqrt(2 / 3)
    assert (row["difference"], row["low"], row["high"]) == pytest.approx((4, 4 - half, 4 + half))
    assert (row["n_a"], row["n_b"], row["level"]) == (3, 3, 0.95)


def test_curves_that_only_shift_need_no_wider_band_and_restless_ones_do():
    rng = np.random.default_rng(2)
    shifts = rng.normal(0, 5, (6, 1)) * np.ones((1, 60))
    calm = curves_of(shifts, ["a"] * 3 + ["b"] * 3, ["1", "2", "3"] * 2)
    table = difference_curves(calm)
    np.testing.assert_allclose(table["band_high"], table["high"], rtol=0.03)
    restless = draw("2 x 3 x 3, restless and rough")
    table = difference_curves(restless)
    ratio = (table["band_high"] - table["difference"]) / (table["high"] - table["difference"])
    assert np.ptp(ratio) < 1e-9 and ratio.iloc[0] > 2


def test_each_time_alone_keeps_its_t_distribution():
    """The rotations of a single time are exactly t: p is uniform."""
    for name in ("3 x 2 x 2", "uneven bags", "2 fuels x 3 bags x 2"):
        units = units_of(draw(name))
        single = replace(units, celsius=units.celsius[:, [30]])
        p = smallest_p(pieces_of(single), seed=3)[:, 0]
        assert stats.kstest(p, "uniform").pvalue > 1e-3, name
        assert len(p) == DRAWS


def test_a_band_is_never_narrower_than_the_limits_at_one_time():
    for scene in SCENES:
        for table in (mean_curves(simulate(scene, np.random.default_rng(5))),):
            known = table.dropna(subset=["band_low"])
            assert (known["band_low"] <= known["low"]).all() and (known["band_high"] >= known["high"]).all()


def test_a_contrast_turned_round_changes_its_sign_only():
    curves = draw("4 x 3 x 3, ends apart")
    straight = difference_curves(curves, [("fuel 0", "fuel 2")])
    turned = difference_curves(curves, [("fuel 2", "fuel 0")])
    np.testing.assert_allclose(straight["difference"], -turned["difference"])
    np.testing.assert_allclose(straight["band_low"], -turned["band_high"])
    np.testing.assert_array_equal(straight["n_a"], turned["n_b"])


def test_what_is_added_to_or_multiplies_all_curves_does_so_to_the_answer():
    curves = draw("uneven bags, ends apart")
    moved = curves_of(3 + 1.8 * curves.celsius, curves.fuel, list(curves.bag))
    a, b = difference_curves(curves), difference_curves(moved)
    for name in ("difference", "low", "band_low", "band_high"):
        np.testing.assert_allclose(b[name], 1.8 * a[name], rtol=1e-8, atol=1e-9)


def test_the_order_of_burns_and_the_names_of_bags_do_not_matter():
    curves = draw("uneven bags")
    order = np.random.default_rng(1).permutation(len(curves.burn))
    anew = [name.replace("bag", "sack") for name in curves.bag]
    other = curves_of(curves.celsius[order], [curves.fuel[k] for k in order], [anew[k] for k in order])
    pair = [("fuel 0", "fuel 1")]
    a, b = difference_curves(curves, pair), difference_curves(other, pair)
    for name in ("difference", "low", "high"):
        np.testing.assert_allclose(b[name], a[name], rtol=1e-9)
    np.testing.assert_allclose(b["band_high"], a["band_high"], rtol=0.1, atol=1.0)  # other draws


def test_bags_that_start_anew_in_each_fuel_are_different_bags():
    curves = draw("4 x 3 x 3, spread grows")
    anew = [f"bag {int(name.split()[1]) % 3}" for name in curves.bag]
    other = curves_of(curves.celsius, curves.fuel, anew)
    pd.testing.assert_frame_equal(difference_curves(curves), difference_curves(other))


def test_burns_that_end_leave_the_grid_and_n_says_so():
    curves = draw("4 x 3 x 3, ends apart")
    table = difference_curves(curves, [("fuel 0", "fuel 1")])
    there = np.isfinite(curves.celsius)
    of_a = np.array(curves.fuel) == "fuel 0"
    for row in table.itertuples():
        assert row.n_a == there[of_a, int(row.elapsed_s // 60)].sum()
    assert table["n_a"].iloc[0] == 9 and table["n_a"].iloc[-1] < 9


def test_a_hole_in_one_burn_lowers_n_there_only():
    curves = draw("2 fuels x 3 bags x 2")
    celsius = curves.celsius.copy()
    celsius[0, 20:25] = np.nan
    table = mean_curves(curves_of(celsius, curves.fuel, list(curves.bag)))
    table = table[table["fuel"] == "fuel 0"]
    assert list(table["n"].iloc[18:27]) == [6, 6, 5, 5, 5, 5, 5, 6, 6]
    whole = mean_curves(curves)
    np.testing.assert_allclose(table["mean"].iloc[30:], whole["mean"].iloc[30:60], rtol=1e-9)


@pytest.mark.parametrize("far", [30.0, 80.0])
def test_a_lid_opened_in_one_burn_shows_in_no_band_of_any_fuel(far):
    curves = draw("6 x 3 x 2", bag_sd=2.0)
    celsius = curves.celsius.copy()
    celsius[1] += far  # one burn is odd; then the other of its bag is opened, and the odd one stands alone
    opened = celsius.copy()
    opened[0, 20:28] = np.nan
    whole, hole = (mean_curves(replace(curves, celsius=each)) for each in (celsius, opened))
    keys = ["fuel", "elapsed_s"]
    both = whole.merge(hole, on=keys, suffixes=("", "_opened"))
    half = both["band_high"] - both["band_low"]
    wider = (both["band_high_opened"] - both["band_low_opened"]) / half
    own = both["fuel"] == "fuel 0"
    assert wider[~own].between(0.95, 1.05).all()
    assert wider[own].between(0.95, 1.35).all()
    assert (both["n"] - both["n_opened"]).sum() == 8
    assert len(both) == len(whole) == len(hole)


def test_a_burn_away_is_as_far_from_its_fellows_as_just_before_and_after():
    celsius = np.array([[100.0, 120, 140, 130], [110.0, 124, 150, 136], [60.0, 61, 62, 63]])
    celsius[0, 1:3] = np.nan
    units = units_of(curves_of(celsius, ["a", "a", "b"], ["1", "2", "3"]))
    assert np.allclose(units.bridged[0], [100, 124 - 10 + 4 / 3, 150 - 10 + 8 / 3, 130])
    assert np.array_equal(units.bridged[1:], celsius[1:])
    celsius[1, 1:3] = np.nan  # nobody is there meanwhile: a straight line
    assert np.allclose(units_of(curves_of(celsius, ["a", "a", "b"])).bridged[0], [100, 110, 120, 130])


def test_excluded_burns_stand_in_no_mean():
    curves = draw("2 fuels x 3 bags x 2")
    celsius = curves.celsius.copy()
    celsius[0] += 1000
    counted = np.arange(len(celsius)) > 0
    left = mean_curves(curves_of(celsius, curves.fuel, list(curves.bag), counted))
    right = mean_curves(curves_of(curves.celsius[1:], curves.fuel[1:], list(curves.bag[1:])))
    np.testing.assert_allclose(left["mean"], right["mean"])
    assert (left[left["fuel"] == "fuel 0"]["n"] == 5).all()


def test_the_same_seed_gives_the_same_band():
    curves = draw("6 x 3 x 2")
    pd.testing.assert_frame_equal(mean_curves(curves, seed=4), mean_curves(curves, seed=4))
    one, two = mean_curves(curves, seed=4)["band_high"], mean_curves(curves, seed=5)["band_high"]
    assert not one.equals(two)
    np.testing.assert_allclose(one, two, atol=1.5)


def test_one_bag_or_one_burn_of_each_fuel_gives_curves_without_bands_and_says_why():
    celsius = np.random.default_rng(1).normal(100, 5, (4, 10))
    one_bag = curves_of(celsius, ["a", "a", "b", "b"], ["1", "1", "1", "1"])
    one_burn, not_noted = curves_of(celsius[:2], ["a", "b"]), curves_of(celsius, ["a", "a", "b", "b"])
    whys = ("one bag of each fuel", "one burn of each fuel", "bags were not noted")
    for curves, word in zip((one_bag, one_burn, not_noted), whys, strict=True):
        means, differences = mean_curves(curves), difference_curves(curves)
        assert means["mean"].notna().all() and differences["difference"].notna().all()
        for table in (means, differences):
            assert table[["low", "high", "band_low", "band_high"]].isna().all().all()
        assert word in why_no_band(curves)
        assert apart(differences).empty
    assert why_no_band(draw("3 x 2 x 2")) == ""


def test_bands_end_when_fewer_than_half_of_the_bags_are_left_to_judge_by():
    curves = draw("4 x 3 x 3, spread grows")
    celsius = curves.celsius.copy()
    bag = np.array([int(name.split()[1]) for name in curves.bag])
    celsius[np.isin(bag, [0, 1, 3, 4, 6]), 50:] = np.nan  # 3 of 8 degrees of freedom left from there
    fewer = curves_of(celsius, curves.fuel, list(curves.bag))
    table = mean_curves(fewer)
    assert table["mean"].notna().all()
    assert (table["band_low"].isna() == (table["elapsed_s"] >= 3000)).all()
    assert (table["low"].isna() == table["band_low"].isna()).all()
    assert why_no_band(fewer).endswith("the last of them at 49 min; the means go on without them.")
    assert why_no_band(curves) == ""


def test_times_at_which_no_burn_differs_have_a_mean_and_no_limits():
    curves = draw("2 fuels x 3 bags x 2")
    celsius = curves.celsius.copy()
    celsius[:, 0] = 20.0
    table = mean_curves(curves_of(celsius, curves.fuel, list(curves.bag)))
    assert table["mean"].iloc[0] == pytest.approx(20) and np.isnan(table["band_low"].iloc[0])
    assert table.loc[table["elapsed_s"] > 0, "band_low"].notna().all()


def test_bags_with_more_burns_weigh_more_only_as_far_as_bags_agree():
    rng = np.random.default_rng(0)
    sizes, bags = [6, 1, 1] * 8, np.arange(24)
    bag_of = np.repeat(bags, sizes)
    fuel = [f"f{bag // 3}" for bag in bag_of]
    ratios = []
    for bag_sd in (0.0, 1.0, 5.0):
        celsius = rng.normal(0, bag_sd, (24, 200))[bag_of] + rng.normal(0, 1, (len(bag_of), 200))
        units = units_of(curves_of(celsius, fuel, [str(bag) for bag in bag_of]))
        ratios.append(variance_ratios(units, [np.arange(200)]).bag)
        first = pieces_of(units)[0].taken[:3, 0] ** 2
        assert first[0] / first[1] == pytest.approx((6 / (1 + 6 * ratios[-1])) * (1 + ratios[-1]))
    assert ratios == pytest.approx([0, 1, 25], rel=0.15, abs=0.05)


def days_of(scene, seed=1, **changes):
    curves = draw(scene, seed, **changes)
    return curves, replace(curves, day=("",) * len(curves.day))


def trial_of(curves, left_out=""):
    run = run_of(sheet(burn=list(curves.burn), fuel=list(curves.fuel), bag=list(curves.bag)))
    rows = pd.DataFrame({"burn": list(curves.burn), "setting": "", "metric": "peak"})
    return Counted(rows[rows["burn"] != left_out], rows[:0], "", ()), run


def test_ratios_of_bags_and_days_are_those_the_curves_were_made_with():
    rng = np.random.default_rng(3)
    fuel, bag, day = np.repeat(np.arange(8), 30), np.repeat(np.arange(80), 3), rng.permutation(240) % 60
    for bag_sd, day_sd in ((1.0, 2.0), (0.0, 1.0), (2.0, 0.0)):
        celsius = rng.normal(0, bag_sd, (80, 100))[bag] + rng.normal(0, day_sd, (60, 100))[day]
        celsius += rng.normal(0, 1, (240, 100))
        units = units_of(curves_of(celsius, map(str, fuel), list(map(str, bag)), day=list(map(str, day))))
        found = variance_ratios(units, [np.arange(100)])
        assert (found.bag, found.day) == pytest.approx((bag_sd**2, day_sd**2), rel=0.1, abs=0.03)


def test_generalised_least_squares_is_the_variance_models_with_days_too():
    """At one time, given the ratios: the same means and differences as the model of the metrics."""
    curves, _ = days_of("6 x 3 x 2 on 12 days", day_sd=10.0)
    place = 20
    table = pd.DataFrame(
        {"value": curves.celsius[:, place], "fuel": curves.fuel, "bag": curves.bag, "day": curves.day}
    )
    units = units_of(replace(curves, celsius=curves.celsius[:, [place]]))
    found, piece = variance_ratios(units, [np.array([0])]), pieces_of(units)[0]
    per_bag = table.groupby("bag", sort=False).agg(value=("value", "mean"), fuel=("fuel", "first"))
    days = pd.crosstab(table["bag"], table["day"], normalize="index").loc[per_bag.index].to_numpy()
    V = np.eye(18) * (found.bag + 0.5) + found.day * days @ days.T
    X = (per_bag["fuel"].to_numpy()[:, None] == np.array(units.fuels)).astype(float)
    weights = np.linalg.inv(V)
    variance = np.linalg.inv(X.T @ weights @ X)
    mean = variance @ X.T @ weights @ per_bag["value"].to_numpy()
    off = per_bag["value"].to_numpy() - X @ mean
    np.testing.assert_allclose(piece.mean[:, 0], mean)
    np.testing.assert_allclose(piece.variance, variance)
    np.testing.assert_allclose(piece.spread, np.sqrt(off @ weights @ off / 12))
    assert found.day > 0


def test_days_that_differ_much_are_taken_out_of_a_difference():
    curves, blind = days_of("2 x 3 x 3 on 6 days", seed=4, day_sd=40.0)
    seen, unseen = (difference_curves(each, [("fuel 0", "fuel 1")]) for each in (curves, blind))
    wide, wider = ((table["band_high"] - table["band_low"]).median() for table in (seen, unseen))
    assert wide < 0.8 * wider


def test_each_fuel_on_a_day_of_its_own_has_a_difference_without_limits_and_says_why():
    rng = np.random.default_rng(8)
    celsius, fuel = rng.normal(0, 1, (9, 30)), np.repeat(["a", "b", "c"], 3).tolist()
    curves = curves_of(celsius, fuel, list("123456789"), day=["mon"] * 3 + ["tue"] * 6)
    table = difference_curves(curves)
    blank = table.groupby(["a", "b"])["low"].apply(lambda low: low.isna().all())
    assert blank.to_dict() == {("a", "b"): True, ("a", "c"): True, ("b", "c"): False}
    _, notes = judge_curves(curves, *trial_of(curves), seed=1)
    assert any("cannot be separated" in note for note in notes)
    mended = replace(curves, day=("mon", "mon", "tue", "tue", "wed", "wed", "mon", "tue", "wed"))
    assert difference_curves(mended)["low"].notna().all()


def test_from_when_to_when_two_fuels_differ():
    rng = np.random.default_rng(6)
    seconds = np.arange(90) * 60.0
    step = np.where((seconds >= 1200) & (seconds < 3600), 40.0, 0.0) - np.where(seconds >= 4500, 60.0, 0.0)
    shifts = rng.normal(0, 3, (6, 1)) + rng.normal(0, 0.1, (6, 90))
    celsius = 100 + shifts + np.array([1, 1, 1, 0, 0, 0])[:, None] * step
    curves = curves_of(celsius, ["a"] * 3 + ["b"] * 3, ["1", "2", "3"] * 2)
    found = apart(difference_curves(curves))
    assert found.to_dict("records") == [
        {"a": "a", "b": "b", "from_s": 1200.0, "to_s": 3540.0, "larger": "a"},
        {"a": "a", "b": "b", "from_s": 4500.0, "to_s": 5340.0, "larger": "b"},
    ]


def test_pairs_can_be_named_or_taken_against_the_control():
    curves = draw("4 x 3 x 3, spread grows")
    all_pairs = difference_curves(curves)
    assert len(all_pairs[["a", "b"]].drop_duplicates()) == 6
    against = difference_curves(curves, ("control", "fuel 2"))[["a", "b"]].drop_duplicates()
    assert list(against["a"]) == ["fuel 0", "fuel 1", "fuel 3"] and set(against["b"]) == {"fuel 2"}
    two = difference_curves(curves, (("fuel 0", "fuel 1"), ("fuel 3", "fuel 2")))
    assert list(two[["a", "b"]].drop_duplicates().itertuples(index=False, name=None)) == [
        ("fuel 0", "fuel 1"),
        ("fuel 3", "fuel 2"),
    ]
    with pytest.raises(KitError, match="Did you mean 'fuel 2'"):
        difference_curves(curves, [("fuel 0", "fuel2")])
    with pytest.raises(KitError, match="'all', \\('control', fuel\\) or pairs of two different fuels"):
        difference_curves(curves, "some")


def test_curves_of_a_trial_are_of_the_burns_that_are_compared():
    curves = draw("2 fuels x 3 bags x 2")
    counted, run = trial_of(curves, left_out="0")
    tables, notes = judge_curves(curves, counted, run, seed=1)
    assert tables["mean_curves"]["n"].iloc[0] == 5 and not notes
    assert len(tables["difference_curves"]) == POINTS


@pytest.mark.parametrize(
    "scene", sampled([Scene("even", even(2, 3, 2))], [Scene("apart", even(4, 3, 2), ends="apart")])
)
def test_whole_curves_are_held_about_as_often_as_promised(scene):
    """A short run of the simulation in tests/simulate/curves.py, which has the numbers."""
    rng, held = np.random.default_rng(11), 0
    for trial in range(150):
        table = difference_curves(simulate(scene, rng), [("fuel 0", "fuel 1")], seed=trial).dropna()
        held += bool(((table["band_low"] <= 0) & (table["band_high"] >= 0)).all())
    assert 0.88 <= held / 150 <= 0.995
