"""The whole analysis of the demo, whose truth is known (tests/plan/demo_truth.json), and of lacking copies of it."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.special import stdtrit
from scipy.stats import studentized_range

from kit import schema
from kit.analysis import Analysis, analyse
from kit.plan.burning import burn, charges_of, conditions
from kit.plan.simulated import BAGS, RECIPES, weather_of
from tests.plan import make_demo_truth
from tests.publish_content.made import analysis

DEMO = Path(__file__).parents[1] / "runs" / "hill-school"
TRUTH = json.loads(make_demo_truth.OUT.read_text(encoding="utf-8"))["fuels"]
ODD, CUT_SHORT = "16", "25"
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def demo() -> Analysis:
    return analysis("demo")


Rows = Callable[[pd.DataFrame], pd.Series]


def copied(target: Path, keep: Rows) -> Path:
    """Copy the demo without its plan and reports, and only some rows of its burn sheet."""
    shutil.copytree(
        DEMO, target, ignore=shutil.ignore_patterns("plan", "reports", "scores.csv", "events.csv")
    )
    sheet = pd.read_csv(DEMO / "burns.csv", dtype=str, keep_default_na=False)
    sheet[keep(sheet)].to_csv(target / "burns.csv", index=False, quoting=csv.QUOTE_MINIMAL)
    return target


@pytest.mark.parametrize("name", schema.TABLES)
def test_tables_have_the_columns_of_their_specification(demo: Analysis, name: str) -> None:
    assert list(getattr(demo, name).columns) == [column.name for column in schema.TABLES[name]]


def test_every_table_of_the_demo_says_something(demo: Analysis) -> None:
    empty = {name for name in schema.TABLES if getattr(demo, name).empty}
    assert empty <= {"deviations", "excluded", "comparisons_alone", "prior", "uncounted"}


def test_the_seeded_odd_burn_is_found_with_its_windy_day_and_no_other(demo: Analysis) -> None:
    odd = demo.odd_burns[demo.odd_burns["odd"].astype(bool)]
    assert set(odd["burn"]) == {ODD}
    assert all(words.startswith("wind 12 m/s") for words in odd["conditions"])
    looked_at = set(demo.odd_burns["metric"])
    assert looked_at == set(demo.run.trial.primary) | set(demo.run.trial.margins)


def test_what_the_cut_short_log_did_not_see_is_at_least(demo: Analysis) -> None:
    rows = demo.metrics[demo.metrics["burn"] == CUT_SHORT].set_index("metric")["status"]
    assert set(rows[["peak", "time_above:110", "time_above:150", "degree_hours"]]) == {"at least"}
    assert rows["ready"] == "exact"
    others = demo.metrics[(demo.metrics["burn"] != CUT_SHORT) & (demo.metrics["metric"] == "time_above:150")]
    assert set(others["status"]) == {"exact"}
    assert "time_above:150" in set(demo.censored["metric"])


def true_difference(row: dict[str, object]) -> float:
    """Return the true difference of two fuels on the analysis scale."""
    a, b = (TRUTH[row[side]][row["metric"]]["mean"] for side in ("a", "b"))
    return float(np.log(a / b)) if row["scale"] == "log" else float(a - b)


def test_no_verdict_contradicts_the_truth(demo: Analysis) -> None:
    rows = [row for row in demo.pairs.to_dict("records") if row["metric"] in make_demo_truth.METRICS]
    rows += [row for row in demo.comparisons.to_dict("records") if row["metric"] in make_demo_truth.METRICS]
    settled = 0
    for row in rows:
        true, verdict = true_difference(row), row["verdict"]
        settled += verdict != "not settled"
        if verdict.startswith("different"):
            assert row["direction"] == ("a" if true > 0 else "b"), row
        if "more than the margin" in verdict:
            assert abs(true) > row["margin"], row
        if "within the margin" in verdict or "too little" in verdict:
            assert abs(true) < row["margin"], row
    assert len(rows) == 3 * 15 + 3 * 5
    assert settled >= 10  # a demo that settles something


def misses_of_sound_intervals(families: int, draws: int = 20_000) -> int:
    """Return how many misses of Tukey's 95 % intervals one in a hundred trials of the demo's shape exceeds.

    Drawn from the model: six means of three bags each, so 12 degrees of freedom, in independent families.
    """
    rng = np.random.default_rng(1)
    fuels, freedom = len(TRUTH), len(TRUTH) * (BAGS - 1)
    spread = np.sqrt(rng.chisquare(freedom, (draws, families, 1)) / freedom)
    strayed = rng.standard_normal((draws, families, fuels)) / spread
    a, b = np.triu_indices(fuels, 1)
    missed = np.abs(strayed[..., a] - strayed[..., b]) > studentized_range.ppf(0.95, fuels, freedom)
    return int(np.quantile(missed.sum(axis=(1, 2)), 0.99))


def test_the_intervals_hold_the_truth(demo: Analysis) -> None:
    """That all hold is not claimed: each family of 95 % does, so three do together with chance 0.86.

    A family that misses may miss with several pairs of one fuel; more misses than sound intervals make in 99
    of 100 such trials tell of a fault.
    """
    rows = demo.pairs[demo.pairs["metric"].isin(list(make_demo_truth.METRICS))]
    missed = []
    for row in rows.to_dict("records"):
        low, high = (np.log(row[end]) if row["scale"] == "log" else row[end] for end in ("low", "high"))
        if not low <= true_difference(row) <= high:
            missed.append((row["metric"], row["a"], row["b"]))
    assert len(rows) == 45
    assert len(missed) <= misses_of_sound_intervals(families=3), missed


def true_curves(seconds: np.ndarray, bags: int = 300) -> dict[str, np.ndarray]:
    """Simulate the mean grate temperature of each fuel's burns, from lid on, that go on to these times."""
    curves = {}
    days = [f"2026-{1 + n % 12:02d}-{1 + n // 12 % 28:02d}" for n in range(bags)]
    sky = weather_of(days, seed=9)
    around = replace(conditions(bags), ambient_c=sky.ambient_c, wind_m_s=sky.wind_m_s)
    for fuel, recipe in RECIPES.items():
        charges = charges_of([recipe] * bags, list(range(bags)), np.full(bags, 400.0), sky.humidity_pct, 9)
        burnt = burn(charges, around, step_s=20.0, seed=9)
        each = zip(burnt.lid_on_s, burnt.grate_c, strict=True)
        curves[fuel] = np.mean(
            [np.interp(seconds, burnt.time_s - lid_on, celsius) for lid_on, celsius in each], axis=0
        )
    return curves


def test_bands_hold_the_true_difference_over_the_whole_curve(demo: Analysis) -> None:
    """Of fifteen whole-curve bands of 95 % two may miss: 15 are held with chance 0.46, 13 or more with 0.96."""
    seconds = np.unique(demo.difference_curves["elapsed_s"].to_numpy(dtype=float))
    truth = true_curves(seconds)
    held = 0
    for (a, b), rows in demo.difference_curves.dropna(subset=["band_low"]).groupby(["a", "b"]):
        at = np.searchsorted(seconds, rows["elapsed_s"].to_numpy(dtype=float))
        true = (truth[a] - truth[b])[at]
        held += bool(((rows["band_low"] <= true) & (true <= rows["band_high"])).all())
    assert held >= 13


def test_open_questions_say_what_would_settle_them(demo: Analysis) -> None:
    comparisons = demo.comparisons[demo.comparisons["metric"].isin(demo.run.trial.primary)]
    unsettled = comparisons.loc[comparisons["verdict"] == "not settled", ["metric", "a", "b"]]
    told = demo.further[["metric", "a", "b"]]
    assert set(map(tuple, unsettled.to_numpy())) <= set(map(tuple, told.to_numpy()))
    numbers = demo.further.dropna(subset=["bags"])
    assert len(numbers) and (numbers["more_burns"] <= 3 * 36).all()
    assert (demo.further["bags"].isna() == demo.further["more_burns"].isna()).all()


def test_shares_reached_and_cooks(demo: Analysis) -> None:
    at_200 = demo.reached[demo.reached["metric"] == "time_to:200"].set_index("fuel")
    assert at_200.loc["pressed", "reached"] == 0 and at_200.loc["vine", "share"] == 1.0
    assert at_200["n"].sum() == 36
    assert set(demo.cooks["cook"]) == {cook.name for cook in demo.run.trial.cooks}
    assert demo.cooks["value"].isna().all() and demo.cooks["note"].str.contains("cannot tell").all()


def test_chances_and_next_bags_are_of_every_fuel(demo: Analysis) -> None:
    chances = demo.chances[demo.chances["metric"] == "peak"]
    assert len(chances) == 15 and chances[["chance", "low", "high"]].notna().all(axis=None)
    for row in chances.to_dict("records"):
        a, b = (TRUTH[row[side]]["peak"] for side in ("a", "b"))
        if abs(a["mean"] - b["mean"]) > 60:
            assert (row["chance"] > 0.9) == (a["mean"] > b["mean"])
    assert set(demo.next_bag.loc[demo.next_bag["metric"] == "peak", "fuel"]) == set(TRUTH)


def test_influence_tries_every_burn_on_every_comparison(demo: Analysis) -> None:
    of_peak = demo.influence[demo.influence["metric"] == "peak"]
    burns = of_peak[of_peak["level_left_out"] == "burn"]
    assert burns["left_out"].nunique() == 36 and len(burns) == 36 * 15


def test_an_interim_trial_gets_no_verdict() -> None:
    found = analysis("interim")
    assert found.interim == "12 of 18 burns"
    for name in ("comparisons", "pairs", "kinds"):
        assert set(getattr(found, name)["verdict"]) <= {""}, name
    assert found.further.empty and found.influence.empty and found.censored.empty
    assert len(found.comparisons) and found.comparisons["low"].notna().any()


def test_single_burns_give_no_order(tmp_path: Path) -> None:
    folder = copied(tmp_path / "single", keep=lambda sheet: ~sheet["fuel"].duplicated())
    found = analyse(folder)
    assert set(found.comparisons["verdict"]) <= {"no repeats", "cannot be separated"}
    assert found.ladder.empty and found.odd_burns.empty and found.next_bag.empty
    assert found.means["low"].isna().all()


def test_a_fuel_burned_alone_is_judged_as_its_bags_allow() -> None:
    """Three bags, each burned once in both cookers: the mean and its error are those of bag means, never narrower."""
    alone = analysis("one fuel")
    bags = alone.table("metrics", metric="peak").groupby("bag")["value"].mean()
    (mean,) = alone.table("means", metric="peak").itertuples()
    assert (mean.mean, mean.df) == pytest.approx((bags.mean(), 2), rel=1e-5)
    half = stdtrit(2, 0.975) * bags.sem()
    assert 1 <= mean.se / bags.sem() < 1.001 and 1 <= (mean.high - mean.low) / (2 * half) < 1.001
    (ahead,) = alone.table("next_bag", metric="peak").itertuples()
    assert ahead.low < mean.low < mean.high < ahead.high
    assert {"bag", "burn"} <= set(alone.table("components", metric="peak")["component"])
    assert len(alone.odd_burns) and len(alone.self_check) and len(alone.second_opinion)
    of_pairs = (
        "comparisons",
        "pairs",
        "overall",
        "best",
        "chances",
        "further",
        "influence",
        "kinds",
        "ladder",
    )
    assert not any(map(len, map(alone.table, of_pairs)))
