"""Chances of verdicts: the noncentral t, the general design against the balanced one, limits of SDs."""

from __future__ import annotations

import itertools
from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from kit.errors import KitError
from kit.judge import compare_fuels
from kit.judge.verdicts import BEYOND, DIFFERENT, OPEN, SAME
from kit.plan.planned import (
    Allowance,
    cheapest_split,
    designs,
    fuels_kept,
    smallest_design,
    what_burns_settle,
)
from kit.plan.power import (
    Design,
    chance_of,
    power_of,
    precision,
    sds_of,
)
from kit.plan.schedule import Workday, run_order
from kit.schema import VERDICTS
from kit.variance import fit_repeats
from tests.plan.helpers import goal

SDS = {"bag": 8.0, "burn": 10.0}


class Balanced(NamedTuple):
    true_sd: float
    se: float
    df: int


def balanced(design: Design) -> Balanced:
    """The classical answer: the mean square between bags, or between burns where each fuel has one bag."""
    fuels, bags, burns = design.fuels, design.bags, design.burns
    between, within = SDS["bag"] ** 2 + SDS["burn"] ** 2 / burns, SDS["burn"] ** 2 / burns
    seen, df = (between, fuels * (bags - 1)) if bags > 1 else (within, fuels * (burns - 1))
    return Balanced(np.sqrt(2 * between / bags), np.sqrt(2 * seen / bags), df)


@pytest.mark.parametrize(("fuels", "bags", "burns"), list(itertools.product((2, 4), (1, 2, 5), (1, 3))))
def test_a_balanced_design_has_the_classical_answer(fuels: int, bags: int, burns: int) -> None:
    design = Design(fuels, bags, burns)
    if bags * burns == 1:
        with pytest.raises(KitError, match="repeats"):
            precision(design, SDS)
        return
    classical, general = balanced(design), precision(design, SDS)
    assert general.se == pytest.approx(classical.se, rel=1e-9)
    assert general.true_sd == pytest.approx(classical.true_sd, rel=1e-9)
    assert general.df == pytest.approx(classical.df, rel=1e-6)


def test_days_that_every_fuel_shares_cost_nothing_but_degrees_of_freedom() -> None:
    sds = SDS | {"day": 30.0}
    complete = precision(Design(4, 3, 3, days=9), sds)
    assert complete.se == pytest.approx(balanced(Design(4, 3, 3)).se, rel=1e-9)
    incomplete = precision(run_order(list("abcd"), 3, 3, 2, seed=1), sds)
    assert incomplete.se > complete.se


def test_zero_excluded_is_the_noncentral_t() -> None:
    design, known = Design(4, 3, 3), balanced(Design(4, 3, 3))
    for difference in (0.0, 10.0, 25.0):
        power = power_of(design, SDS, difference, multiplicity="none")
        t, shift = stats.t.ppf(0.975, known.df), difference / known.se
        exact = stats.nct.sf(t, known.df, shift) + stats.nct.cdf(-t, known.df, shift)
        assert chance_of(power, difference) == pytest.approx(exact, abs=5e-4)


def test_tukeys_multiplier_is_that_of_the_studentised_range() -> None:
    power = power_of(Design(5, 3, 2), SDS, 0.0, multiplicity="tukey")
    known = balanced(Design(5, 3, 2))
    exact = stats.studentized_range.ppf(0.95, 5, known.df) / np.sqrt(2) * known.se
    median = exact * np.sqrt(stats.chi2.median(known.df) / known.df)
    assert power["half_width"].iloc[0] == pytest.approx(median, rel=1e-3)
    dunnett = power_of(Design(5, 3, 2), SDS, 0.0, multiplicity="dunnett")
    assert dunnett["half_width"].iloc[0] < power["half_width"].iloc[0]


def test_a_control_fuel_that_burns_more_is_known_better() -> None:
    order = run_order(list("abcd"), 3, 2, 3, seed=1, control="a")
    sds = SDS | {"day": 4.0}
    against = power_of(order, sds, 15.0, multiplicity="dunnett", control="a")
    pairs = power_of(order, sds, 15.0, multiplicity="tukey")
    assert against["se"].iloc[0] < pairs["se"].iloc[0]
    assert chance_of(against, 15.0) > chance_of(pairs, 15.0)
    two = power_of(Design(2, 3, 2), SDS, 10.0, multiplicity="dunnett")["chance"]
    assert two.to_numpy() == pytest.approx(power_of(Design(2, 3, 2), SDS, 10.0)["chance"].to_numpy())


def test_chances_sum_to_one_and_use_the_words_of_the_report() -> None:
    power = power_of(Design(3, 4, 2), SDS, [0.0, 12.0, 24.0], margin=12.0)
    assert power.groupby("difference")["chance"].sum().to_numpy() == pytest.approx(1.0)
    assert set(power["verdict"]) <= set(VERDICTS)
    without = power_of(Design(3, 4, 2), SDS, [0.0], margin=None)
    assert without["verdict"].tolist() == [DIFFERENT, OPEN]


def test_chances_agree_with_simulated_mean_squares() -> None:
    design, margin, known = Design(3, 4, 2), 14.0, balanced(Design(3, 4, 2))
    rng = np.random.default_rng(3)
    se = known.se * np.sqrt(rng.chisquare(known.df, 200_000) / known.df)
    half, half_inside = (
        se * stats.studentized_range.ppf(at, 3, known.df) / np.sqrt(2) for at in (0.95, 0.90)
    )
    for difference in (0.0, 14.0, 28.0):
        estimate = difference + known.se * rng.standard_normal(len(se))
        low, high = estimate - half, estimate + half
        power = power_of(design, SDS, difference, margin).set_index("verdict")["chance"]
        assert power[BEYOND] == pytest.approx(np.mean((low > margin) | (high < -margin)), abs=0.004)
        inside = np.abs(estimate) + half_inside < margin
        assert power[SAME] == pytest.approx(np.mean(inside & (low <= 0) & (high >= 0)), abs=0.004)


def test_more_burns_and_smaller_spread_never_settle_less() -> None:
    seen = [chance_of(power_of(Design(4, bags, 2), SDS, 15.0, 15.0), 15.0) for bags in (2, 3, 5, 8)]
    assert seen == sorted(seen)
    small = chance_of(power_of(Design(4, 3, 2), {"bag": 4, "burn": 5}, 15.0, 15.0), 15.0)
    assert small > seen[1]


def test_units_do_not_matter() -> None:
    one = power_of(Design(4, 3, 2), SDS, [0, 15.0], 15.0)["chance"]
    other = power_of(Design(4, 3, 2), {k: 1.8 * v for k, v in SDS.items()}, [0, 27.0], 27.0)["chance"]
    assert one.to_numpy() == pytest.approx(other.to_numpy())


def test_upper_limits_of_sds_follow_their_intervals() -> None:
    from scipy import special

    df, sd = 12, 5.0
    high = sd * np.sqrt(df / stats.chi2.ppf(0.025, df))
    rows = pd.DataFrame(
        [
            {"component": "burn", "sd": sd, "low": 3.0, "high": high, "level": 0.95},
            {"component": "bag", "sd": 0.0, "low": 0.0, "high": 4.0, "level": 0.95},
        ]
    )
    sds = sds_of(rows, upper=True)
    assert sds["burn"] == pytest.approx(sd * np.sqrt(df / stats.chi2.ppf(0.2, df)), rel=1e-4)
    assert sds["bag"] == pytest.approx(4.0 * np.sqrt(special.ndtri(0.8) / special.ndtri(0.975)))
    assert sds_of(rows) == {"bag": 0.0, "burn": sd, "day": 0.0}


@pytest.mark.parametrize(
    "wrong", [{"bag": 3.0}, {"bag": 1.0, "burn": 0.0}, {"bag": -1.0, "burn": 2.0}, {"burn": "x"}]
)
def test_components_that_cannot_be_are_refused(wrong) -> None:
    with pytest.raises(KitError, match="burn above 0"):
        power_of(Design(3, 3, 2), wrong, 1.0)


def test_a_design_of_single_burns_is_refused() -> None:
    with pytest.raises(KitError, match="repeats"):
        power_of(Design(6, 1, 1), SDS, 1.0)


def test_the_cheapest_split() -> None:
    assert cheapest_split({"bag": 5.0, "burn": 10.0}, 4.0) == pytest.approx(4.0)
    assert cheapest_split({"bag": 0.0, "burn": 10.0}, 1.0) == float("inf")
    # the formula finds the least variance for the money, over whole designs
    best = cheapest_split({"bag": 4.0, "burn": 8.0}, 9.0)
    variance = {n: (16 + 64 / n) * (9.0 + n) for n in range(1, 15)}
    assert min(variance, key=variance.get) == pytest.approx(best, abs=1)


def options(fuels: str, margin: float, sds=SDS, burns: int = 36, per_day: int = 1, **about) -> pd.DataFrame:
    workday = Workday(cookers=tuple("xyzuvw"[:per_day]))
    allowance = Allowance(burns, None, dict.fromkeys(fuels, 9.0), workday)
    return designs(list(fuels), goal(margin, sds, **about), allowance)


def test_the_smallest_design_is_enough_and_one_bag_less_is_not() -> None:
    design = smallest_design(options("abc", 20.0), "found_at_margin")
    assert design is not None
    assert chance_of(power_of(design, SDS, 20.0, 20.0), 20.0) >= 0.8
    fewer = Design(3, design.bags - 1, design.burns)
    assert chance_of(power_of(fewer, SDS, 20.0, 20.0), 20.0) < 0.8
    assert smallest_design(options("abcdef", 5.0, {"bag": 60.0, "burn": 10.0}), "found_at_twice") is None


def test_what_burns_settle_for_all_and_for_fewer_fuels() -> None:
    tables = [options("abcdef"[:kept], 15.0) for kept in range(6, 1, -1)]
    table = what_burns_settle([5, 12, 24, 36], tables)
    assert set(table["asked"]) == {5, 12, 24, 36} and (table["total"] <= table["asked"]).all()
    for _, rows in table.groupby("asked"):
        kept = rows.sort_values("fuels", ascending=False)["found_at_twice"].astype(float)
        assert kept.iloc[-1] > kept.iloc[0] or len(kept) == 1
    assert set(table.query("asked == 5")["fuels"]) == {2}  # too few for two bags each of three
    for _, row in table.iterrows():  # nothing of so many burns finds more, but by less than a point
        rival = tables[6 - row["fuels"]].query(f"total <= {row['asked']}")
        assert row["found_at_twice"] >= rival["found_at_twice"].max() - 0.01
    assert fuels_kept(["a", "b", "c", "d"], 2, "d") == ["a", "d"]


def test_designs_are_ordered_within_the_means_and_know_the_days_as_the_drawn_order_will() -> None:
    sds = SDS | {"day": 8.0}
    table = options("abcde", 20.0, sds, burns=20, per_day=2)
    allowed = table["allowed"].astype(bool)
    assert allowed[0] and not allowed[allowed.idxmin() :].any()
    for bags, burns in ((4, 1), (2, 2), (6, 1)):
        row = table.query(f"bags == {bags} and burns == {burns}").iloc[0]
        order = run_order(list("abcde"), bags, burns, 2, seed=3)
        drawn = chance_of(power_of(order, sds, 40.0, 20.0), 40.0)
        assert row["found_at_twice"] == pytest.approx(drawn, abs=0.015)
        complete = chance_of(power_of(Design(5, bags, burns), sds, 40.0, 20.0), 40.0)
        assert (
            drawn < complete - 0.02
        )  # two burns a day tell five fuels apart less well than whole days would


def test_earlier_folders_and_a_control_fuel_find_more() -> None:
    about = {
        "plain": {},
        "known": {"earlier_df": 10.0},
        "against": {"control": "b"},
    }
    size = ["bags", "burns"]
    tables = {
        name: options("abcd", 15.0, **each).set_index(size).sort_index() for name, each in about.items()
    }
    plain, known, against = (table.loc[2:4, "found_at_twice"] for table in tables.values())
    assert (known > plain).all() and (against > plain).all()


@pytest.mark.parametrize("blank", [False, True])
def test_one_bag_of_each_fuel_has_verdicts_for_these_bags_and_the_report_gives_them_as_often(
    blank: bool,
) -> None:
    table = Design(3, 1, 4).table()
    table["bag"] = "" if blank else table["fuel"].astype(str) + "-1"
    power = power_of(table, SDS, 30.0, margin=14.0)
    assert power["se"].iloc[0] == pytest.approx(SDS["burn"] * np.sqrt(2 / 4))
    pd.testing.assert_frame_equal(power, power_of(table, SDS | {"bag": 50.0}, 30.0, margin=14.0))
    rng, true = np.random.default_rng(2), 30.0 * (table["fuel"] == table["fuel"].iloc[0])
    found = []
    for _ in range(60):
        made = table.assign(value=true + rng.normal(0, SDS["burn"], len(table)))
        compared = compare_fuels(fit_repeats(made), margin=14.0)
        assert set(compared["scope"]) == {"these bags"}
        found.append(str(compared["verdict"].iloc[0]).startswith("different"))
    assert np.mean(found) == pytest.approx(chance_of(power, 30.0), abs=0.15)


def test_one_bag_of_each_fuel_speaks_of_the_product_by_what_earlier_folders_know() -> None:
    alone, known = (power_of(Design(3, 1, 4), SDS, 30.0, margin=14.0, earlier_df=df) for df in (0.0, 12.0))
    assert known["se"].iloc[0] == pytest.approx(np.sqrt(2 * (SDS["bag"] ** 2 + SDS["burn"] ** 2 / 4)))
    assert known["df"].iloc[0] == 12.0 and known["se"].iloc[0] > alone["se"].iloc[0]


AMISS = [
    {"multiplicity": "tuckey"},
    {"multiplicity": "holm"},
    {"margin": 0},
    {"margin": -1},
    {"margin": "15 °C"},
    {"level": 95},
    {"level": 0.4},
    {"difference": "15 °C"},
    {"earlier_df": -3},
]


@pytest.mark.parametrize("amiss", AMISS, ids=str)
def test_a_margin_or_a_family_that_is_none_is_refused(amiss):
    ((name, value),) = amiss.items()
    with pytest.raises(KitError, match=f"{name}: found '{value}'"):
        power_of(
            {"fuels": 3, "bags": 2, "burns": 2}, {"bag": 5.0, "burn": 10.0}, **{"difference": 10.0} | amiss
        )


TABLE = pd.DataFrame({"fuel": list("abc") * 4, "bag": [0] * 6 + [1] * 6})
NO_DESIGN = [
    (Design(0, 2, 2), {}, "design, fuels: found 0; expected at least 1"),
    (Design(3, 2.5, 2), {}, "design, bags: found 2.5; expected a whole number"),
    (TABLE, {"control": "z", "multiplicity": "dunnett"}, "control: found 'z'; expected a fuel of the design"),
    (TABLE, {"control": "z"}, "control: found 'z'"),
    (TABLE.rename(columns={"fuel": "fuels"}), {}, "design: found fuels, bag; expected a column fuel"),
    (TABLE.iloc[:0], {}, "design: found no burns"),
    (
        {"fuel": 3, "bags": 2, "burns": 2},
        {},
        "design: found fuel, bags, burns; expected fuels, bags and burns",
    ),
]


@pytest.mark.parametrize(("design", "asked", "message"), NO_DESIGN, ids=[each[2][:32] for each in NO_DESIGN])
def test_a_design_that_is_none_or_lacks_its_control_is_refused(design, asked, message) -> None:
    with pytest.raises(KitError, match=message):
        power_of(design, {"bag": 5.0, "burn": 10.0}, 10.0, **asked)


def test_of_a_table_the_control_is_the_first_fuel_where_none_is_named() -> None:
    uneven, sds = TABLE.iloc[1:], {"bag": 5.0, "burn": 10.0}
    first, named, other = (
        power_of(uneven, sds, 10.0, multiplicity="dunnett", control=each) for each in (None, "b", "a")
    )
    pd.testing.assert_frame_equal(first, named)
    assert first["se"].iloc[0] < other["se"].iloc[0]
