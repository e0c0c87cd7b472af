"""Every metric on curves of known shape, against brute force, and under changes that must not matter."""

import math
import pickle

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit import schema
from kit.burns import burn_metrics, lid_effect, measure, window_words, windows_for
from kit.burns.logged_burns import curve_of, logged_burns
from kit.metrics.curve_metrics import area_above
from kit.metrics.measuring import Measuring
from kit.metrics.record import PHRASES
from kit.trial.models import Bag, Cook, Declared, Fuel, Setting, declared_metric
from tests.burns import reference
from tests.burns.helpers import one, parts_of, readings_of, run_of, sheet, value

MINUTES = np.arange(0, 181, 1 / 6)


def trapezoid(seconds):
    """20 °C, up to 220 at 30 min, level until 60, down to 180 at 120 and to 20 at 180 min."""
    return np.interp(np.asarray(seconds) / 60, [0, 30, 60, 120, 180], [20, 220, 220, 180, 20])


def wobbly(seconds, rng):
    return trapezoid(seconds) + 12 * np.sin(np.asarray(seconds) / 240) + rng.normal(0, 3, len(seconds))


def irregular(rng, n=900, end=10800):
    inner = np.sort(rng.uniform(1, end - 1, n))
    return np.unique(np.round(np.concatenate(([0], inner, [end])), 2))


def test_the_table_has_the_columns_of_the_specification_and_a_row_for_every_metric():
    readings, run = one(MINUTES * 60, trapezoid(MINUTES * 60))
    table = burn_metrics(readings, run)
    assert list(table.columns) == schema.names("metrics")
    bases = {schema.metric(each).base for each in table["metric"]}
    assert bases == set(schema.METRIC_BASES) - {"band"}
    assert set(table["status"]) <= set(schema.STATUSES)
    assert (table["u"].isna() == (table["status"] != "exact")).all()
    assert not table[["burn", "metric"]].duplicated().any()


def test_a_trapezoid():
    readings, run = one(MINUTES * 60, trapezoid(MINUTES * 60), stop=10860)
    table = burn_metrics(readings, run)
    right = {
        "peak": 220,
        "peak_raw": 220,
        "time_to:110": 13.5,
        "time_to:180": 24,
        "time_above:110": 120 + 60 * 70 / 160 - 13.5,
        "time_above:180": 96,
        "longest_spell:180": 96,
        "degree_hours": (200 * 15 + 200 * 30 + 180 * 60 + 80 * 60) / 60,
        "near_ambient": 180 - 60 * 20 / 160,
        "cool_down": 60 * 70 / 160,
        "mean_rate": (200 + 40 + 160) / 180,
    }
    for metric, expected in right.items():
        row = value(table, metric)
        tolerance = {"rel": 1e-9} if metric != "mean_rate" else {"rel": 0.02}
        assert row["value"] == pytest.approx(expected, **tolerance), metric
        assert row["status"] == "exact", metric


@pytest.mark.parametrize("step", [1, 7, 10, 30, 47])
def test_an_exponential(step):
    """T = 20 + 300·exp(−t/τ): everything has a closed form; sampling coarser costs little."""
    tau, seconds = 3000.0, np.arange(0, 14400 + step, step, dtype=float)
    readings, run = one(seconds, 20 + 300 * np.exp(-seconds / tau))
    table = burn_metrics(readings, run)
    passed = {theta: tau * math.log(300 / (theta - 20)) / 60 for theta in (110, 180)}
    sampled = {"rel": 1e-3}
    assert value(table, "time_above:110")["value"] == pytest.approx(passed[110], **sampled)
    assert value(table, "longest_spell:180")["value"] == pytest.approx(passed[180], **sampled)
    assert value(table, "cool_down")["value"] == pytest.approx(passed[110] - passed[180], **sampled)
    area = 300 * tau * (1 - math.exp(-seconds[-1] / tau)) / 3600
    assert value(table, "degree_hours")["value"] == pytest.approx(area, **sampled)
    near = tau * math.log(300 / 20) / 60
    assert value(table, "near_ambient")["value"] == pytest.approx(near, **sampled)


@pytest.mark.parametrize("seed", range(5))
def test_irregular_sampling_agrees_with_brute_force(seed):
    rng = np.random.default_rng(seed)
    seconds = irregular(rng)
    celsius = wobbly(seconds, rng)
    readings, run = one(seconds, celsius)
    table = burn_metrics(readings, run)
    for theta in (110.0, 180.0):
        name = f"{theta:g}"
        close = {"abs": 0.02}
        above = reference.minutes_above(seconds, celsius, theta)
        assert value(table, f"time_above:{name}")["value"] == pytest.approx(above, **close)
        longest = reference.longest_above(seconds, celsius, theta, 120)
        assert value(table, f"longest_spell:{name}")["value"] == pytest.approx(longest, **close)
        reached = reference.minutes_to(seconds, celsius, theta, 180)
        assert value(table, f"time_to:{name}")["value"] == pytest.approx(reached, **close)
    hours = reference.degree_hours(seconds, celsius, 20.0)
    assert value(table, "degree_hours")["value"] == pytest.approx(hours, rel=1e-5)


@pytest.mark.parametrize("seed", range(3))
def test_the_peak_agrees_with_brute_force(seed):
    rng = np.random.default_rng(seed)
    seconds = irregular(rng, n=300, end=3600)
    celsius = wobbly(seconds * 3, rng)
    readings, run = one(seconds, celsius)
    smooth = reference.median_then_mean(seconds, celsius, 60, 120)
    table = burn_metrics(readings, run)
    assert value(table, "peak")["value"] == pytest.approx(smooth.max(), abs=1e-3)
    assert value(table, "peak_raw")["value"] == celsius.max()


@pytest.mark.parametrize("seed", range(4))
def test_the_plateau_is_the_longest_spell_about_one_level(seed):
    rng = np.random.default_rng(seed)
    seconds = np.arange(0, 3600, 20.0)
    celsius = 150 + np.cumsum(rng.normal(0, 1.5, len(seconds)))
    celsius[0] -= 4000  # so that all of the rest is in the hotter half
    readings, run = one(seconds, celsius, trial={"measuring": {"plateau_band_k": 4.0}})
    curve = next(curve_of(raw, None, 120, run.trial.measuring) for raw in logged_burns(readings))
    first, last = reference.longest_within(curve.smooth, seconds, 8.0)
    inside = slice(first, last + 1)
    mean = np.trapezoid(celsius[inside], seconds[inside]) / (seconds[last] - seconds[first])
    assert value(burn_metrics(readings, run), "plateau")["value"] == pytest.approx(mean, rel=1e-12)


def test_the_cold_tail_of_a_long_log_is_not_its_plateau():
    seconds = np.arange(0, 6 * 3600, 10.0)
    celsius = np.interp(seconds / 3600, [0, 0.5, 1.5, 2.5, 6], [20, 200, 195, 30, 21])
    row = value(burn_metrics(*one(seconds, celsius)), "plateau")
    assert 190 < row["value"] < 200


def test_a_declared_plateau_is_the_mean_over_its_window_whatever_the_sampling():
    seconds = np.array([0, 100, 400, 401, 900, 2400, 3600.0])
    readings, run = one(seconds, 100 + seconds / 36, trial={"measuring": {"plateau_min": (10, 50)}})
    wide = run_of(run.burns, measuring={"plateau_min": (10, 50)}, cleaning=gap(3600))
    assert value(burn_metrics(readings, wide), "plateau")["value"] == pytest.approx(100 + 1800 / 36)
    late = run_of(run.burns, measuring={"plateau_min": (10, 90)}, cleaning=gap(3600))
    assert value(burn_metrics(readings, late), "plateau")["status"] == "missing"


def gap(seconds):
    from kit.trial.models import Cleaning

    return Cleaning(bridge_gap_s=seconds)


def test_steadiness_is_the_spread_about_the_trend_and_not_the_trend():
    """A sine of amplitude a about a slow ramp: SD a/√2."""
    seconds = np.arange(0, 7200, 10.0)
    celsius = 200 + seconds / 1800 + 3 * np.sin(2 * np.pi * seconds / 300)
    readings, run = one(seconds, celsius, trial={"measuring": {"plateau_min": (10, 110)}})
    row = value(burn_metrics(readings, run), "steadiness")
    assert row["value"] == pytest.approx(3 / math.sqrt(2), rel=0.02)
    flat, _ = one(seconds, 200 + seconds / 1800)
    row = value(burn_metrics(flat, run), "steadiness")
    assert row["status"] == "at most" and row["value"] < 0.01


@pytest.mark.parametrize(
    ("depth", "length_s", "count"), [(40, 120, 1), (-40, 120, 1), (40, 30, 0), (9, 120, 0)]
)
def test_departures_are_stretches_far_from_the_trend_for_a_minute(depth, length_s, count):
    """Beside a dip of 40 K for two minutes: as deep or high and as long another counts, a short or shallow one not."""
    seconds = np.arange(0, 7200, 10.0)
    celsius = np.full(len(seconds), 200.0)
    celsius[(seconds >= 2000) & (seconds < 2120)] -= 40
    celsius[(seconds >= 4000) & (seconds < 4000 + length_s)] += depth
    assert value(burn_metrics(*one(seconds, celsius)), "departures")["value"] == 1 + count


def test_a_lid_event_is_no_departure_and_does_not_unsteady_the_plateau():
    seconds = np.arange(0, 7200, 10.0)
    celsius = 200 + 2 * np.sin(seconds / 50)
    dip = (seconds >= 3000) & (seconds < 3200)
    flag = np.where(dip, "lid open", "")
    readings, run = one(
        seconds, np.where(dip, 140, celsius), flag=flag, trial={"measuring": {"plateau_min": (10, 110)}}
    )
    table = burn_metrics(readings, run)
    assert value(table, "departures")["value"] == 0
    assert value(table, "steadiness")["value"] == pytest.approx(math.sqrt(2), rel=0.05)
    effect = lid_effect(readings, run).set_index("metric")
    assert effect.loc["time_above:180", "value"] == pytest.approx(119.83 - 200 / 60, abs=0.2)
    assert effect.loc["time_above:180", "without_lid"] == pytest.approx(119.83, abs=0.01)
    assert effect.loc["time_above:180", "status_without"] == "exact"
    assert value(table, "peak")["n_used"] == len(seconds)
    assert lid_effect(readings.assign(flag=""), run).empty


def test_the_threshold_counts_as_reached_only_when_held():
    seconds = np.arange(0, 3600, 10.0)
    celsius = np.where((seconds >= 600) & (seconds < 700), 150, 60.0)
    celsius[seconds >= 1800] = 150
    readings, run = one(seconds, celsius)
    table = burn_metrics(readings, run)
    assert value(table, "time_to:110")["value"] == pytest.approx((1790 + 10 * 50 / 90) / 60)
    assert value(table, "time_to:180")["status"] == "never"


def test_the_longest_spell_runs_on_through_short_dips_only():
    seconds = np.arange(0, 7200, 10.0)
    celsius = np.full(len(seconds), 150.0)
    celsius[(seconds >= 1000) & (seconds < 1090)] = 60
    celsius[(seconds >= 4000) & (seconds < 4300)] = 60
    readings, run = one(seconds, celsius)
    row = value(burn_metrics(readings, run), "longest_spell:110")
    assert row["value"] == pytest.approx(reference.longest_above(seconds, celsius, 110, 120), abs=0.01)
    assert row["value"] == pytest.approx(4000 / 60, abs=0.1)


# R26: the area under the curve, in a named unit, gaps said


def curve_for(seconds, celsius, gap_s):
    readings = readings_of(seconds, celsius)
    return next(curve_of(raw, None, gap_s, Measuring()) for raw in logged_burns(readings))


def test_r26_the_area_is_in_degree_seconds():
    area, bridged = area_above(curve_for([0, 30, 60, 90], [20, 100, 140, 200], 120), 0.0)
    assert area == 10500.0 and area / 60 == 175.0
    assert bridged == 0
    readings, run = one([0, 30, 60, 90], [20, 100, 140, 200], ambient_c=0.0)
    row = value(burn_metrics(readings, run), "degree_hours")
    assert row["value"] == pytest.approx(10500 / 3600) and row["unit"] == "K·h"


def test_r26_a_missing_reading_is_bridged_and_marked_or_not_bridged_at_all():
    seconds, celsius = [0, 30, 60, 90], [20, np.nan, 140, 200]
    readings, run = one(seconds, celsius, flag=["", "missing", "", ""], ambient_c=0.0)
    row = value(burn_metrics(readings, run), "degree_hours")
    assert row["value"] == pytest.approx(9900 / 3600)
    assert row["n_flagged"] == 1 and row["n_used"] == 3
    assert parts_of(readings, run, "degree_hours")["gaps"] > 0
    strict = run_of(run.burns, cleaning=gap(40))
    curve = curve_of(next(iter(logged_burns(readings))), None, 40, Measuring())
    assert area_above(curve, 0.0)[0] == 9900.0  # two steps of the log's own are sampling, not a gap
    longer = [0, 30, 60, 90, 120], [20, np.nan, np.nan, 200, 200]
    readings, _ = one(*longer, flag=["", "missing", "missing", "", ""], ambient_c=0.0)
    row = value(burn_metrics(readings, strict), "degree_hours")
    assert row["value"] == pytest.approx(200 * 30 / 3600) and row["status"] == "at least"


# what must not matter

SCALED = ("steadiness", "mean_rate", "degree_hours")


@given(st.integers(-20, 60), st.integers(2, 10), st.integers(0, 50))
@settings(max_examples=25)
def test_another_unit_changes_the_scale_and_nothing_else(offset, quarters, seed):
    """Temperatures, thresholds and bands moved together: durations stay, heights follow."""
    rng, gain = np.random.default_rng(seed), quarters / 4
    seconds = irregular(rng, n=200, end=7200)
    celsius = np.round(wobbly(seconds * 1.5, rng), 1)
    readings, run = one(seconds, celsius, trial={"thresholds": (100.0, 180.0), "primary": ("peak",)})
    bands = {"plateau_band_k": 10 * gain, "departure_k": 10 * gain, "near_ambient_k": 20 * gain}
    moved = run_of(
        run.burns.assign(ambient_c=20 * gain + offset),
        thresholds=(100 * gain + offset, 180 * gain + offset),
        primary=("peak",),
        measuring=bands,
    )
    a, b = burn_metrics(readings, run), burn_metrics(readings.assign(temp_c=celsius * gain + offset), moved)
    for left, right in zip(a.itertuples(), b.itertuples(), strict=True):
        base = left.metric.partition(":")[0]
        scale = gain if base in ("peak", "peak_raw", "plateau", *SCALED) else 1
        shift = offset if base in ("peak", "peak_raw", "plateau") else 0
        assert left.status == right.status, left.metric
        expected = left.value * scale + shift
        assert right.value == pytest.approx(expected, rel=1e-6, abs=1e-6, nan_ok=True), left.metric
        assert right.u == pytest.approx(left.u * scale, rel=1e-3, abs=1e-6, nan_ok=True), left.metric


@given(st.integers(-50, 500), st.integers(0, 50))
@settings(max_examples=15)
def test_a_later_time_zero_only_moves_the_times_since_it(shift, seed):
    """A burn that starts cold: moving its curve by some minutes moves time to and near ambient by as much."""
    rng = np.random.default_rng(seed)
    seconds = irregular(rng, n=300)
    celsius = trapezoid(seconds)
    readings, run = one(seconds, celsius)
    before = readings_of(np.arange(-600, 0, 10.0), 20.0)
    moved = pd.concat([before, readings]).assign(elapsed_s=lambda table: table["elapsed_s"] + shift)
    a, b = burn_metrics(readings, run), burn_metrics(moved, run)
    for metric in ("time_to:110", "time_to:180", "near_ambient"):
        expected = value(a, metric)["value"] + shift / 60
        assert value(b, metric)["value"] == pytest.approx(expected, abs=1e-9), metric
    for metric in ("peak", "time_above:110", "longest_spell:180", "plateau", "cool_down"):
        same = pytest.approx(value(a, metric)["value"], rel=1e-9, nan_ok=True)
        assert value(b, metric)["value"] == same, metric


def test_row_order_and_other_burns_do_not_matter():
    rng = np.random.default_rng(3)
    seconds = irregular(rng, n=300)
    readings, run = one(seconds, wobbly(seconds, rng))
    alone = burn_metrics(readings, run)
    other = readings.assign(burn="0", temp_c=readings["temp_c"] + 50)
    both = pd.concat([readings, other]).sample(frac=1, random_state=1).reset_index(drop=True)
    run2 = run_of(sheet(burn=["0", "1"], fuel="alder", bag="a1", ambient_c=20.0, lit="10:00:00"))
    table = burn_metrics(both, run2)
    again = table[table["burn"] == "1"].reset_index(drop=True)
    columns = ["metric", "value", "u", "status", "n_used", "n_flagged"]
    pd.testing.assert_frame_equal(again[columns], alone[columns])
    assert list(dict.fromkeys(table["burn"])) == ["0", "1"]


def test_categories_and_texts_give_the_same():
    readings, run = one(MINUTES * 60, trapezoid(MINUTES * 60))
    packed = readings.astype({"burn": "category", "probe": "category", "flag": "category"})
    pd.testing.assert_frame_equal(burn_metrics(readings, run), burn_metrics(packed, run))


def test_readings_before_time_zero_and_after_the_stop_do_not_count():
    seconds = np.arange(-1000, 5000, 10.0)
    celsius = np.where((seconds < 0) | (seconds > 3600), 500.0, 150.0)
    readings, run = one(seconds, celsius, stop=3600)
    table = burn_metrics(readings, run)
    assert value(table, "peak_raw")["value"] == 150
    inside = readings[(readings["elapsed_s"] >= 0) & (readings["elapsed_s"] <= 3600)]
    alone = burn_metrics(inside, run)
    for name in ("peak", "peak_raw", "time_above:110", "plateau", "degree_hours"):
        assert value(table, name)["value"] == value(alone, name)["value"], name
    assert value(table, "peak")["n_used"] == 361


def test_only_the_usable_mask_decides_for_value_uncertainty_and_count():
    rng = np.random.default_rng(8)
    seconds = np.arange(0, 7200, 10.0)
    celsius = np.round(wobbly(seconds, rng), 1)
    bad = rng.random(len(seconds)) < 0.1
    flag = np.where(bad, "spike", "")
    readings, run = one(seconds, np.where(bad, 1000.0, celsius), flag=flag)
    masked = burn_metrics(readings, run)
    gone = burn_metrics(readings[~bad], run)
    columns = ["value", "u", "status", "n_used"]
    pd.testing.assert_frame_equal(masked[columns], gone[columns])
    curve = masked[masked["metric"] == "peak"].iloc[0]
    assert curve["n_flagged"] == bad.sum() and curve["n_used"] == (~bad).sum()


def test_repeated_stamps_are_averaged_and_all_counted():
    seconds = np.repeat(np.arange(0, 3600, 60.0), 6)
    celsius = 100 + np.tile([0, 1, 2, 3, 4, 5], 60)
    readings, run = one(seconds, celsius, flag="repeated stamp")
    row = value(burn_metrics(readings, run), "plateau")
    assert row["value"] == pytest.approx(102.5) and row["n_used"] == 360


# sheet metrics


FACTS = {"charge_g": 400.0, "charge_l": 1.6, "leftover_g": 50.0, "ash_g": 12.0}
PRICED = {"fuels": (Fuel(id="alder", price=11.5, bag_kg=5.0),)}


def test_metrics_of_the_burn_sheet():
    readings, run = one(
        MINUTES * 60, trapezoid(MINUTES * 60), stop=10800, tipped="10:15:00", trial=PRICED, **FACTS
    )
    table = burn_metrics(readings, run)
    hours = value(table, "time_above:110")["value"] / 60
    right = {
        "ready": 15,
        "burn_rate": 350 / 180,
        "ash": 3,
        "unburnt": 12.5,
        "bulk_density": 0.25,
        "cost:110": 2.3 * 0.35 / hours,
    }
    for metric, expected in right.items():
        assert value(table, metric)["value"] == pytest.approx(expected), metric
        assert value(table, metric)["status"] == "exact"


def test_what_was_not_weighed_or_priced_is_missing_and_never_zero():
    readings, run = one(MINUTES * 60, trapezoid(MINUTES * 60), ambient_c=np.nan)
    measured = measure(readings, run)
    for metric in ("ready", "burn_rate", "ash", "unburnt", "bulk_density", "cost:110", "degree_hours"):
        row = value(measured.metrics, metric)
        assert row["status"] == "missing" and math.isnan(row["value"]), metric
        assert metric in set(measured.reasons["metric"])


def test_credit_for_what_was_left_over_can_be_declared_away():
    facts = {**FACTS, "leftover_g": np.nan}
    readings, run = one(MINUTES * 60, trapezoid(MINUTES * 60), trial=PRICED, **facts)
    assert value(burn_metrics(readings, run), "cost:110")["status"] == "missing"
    none = run_of(run.burns, measuring={"leftover_credit": 0.0}, **PRICED)
    table = burn_metrics(readings, none)
    hours = value(table, "time_above:110")["value"] / 60
    assert value(table, "cost:110")["value"] == pytest.approx(2.3 * 0.4 / hours)


def test_ash_heavier_than_the_charge_takes_out_the_mass_metrics_only():
    facts = {**FACTS, "ash_g": 450.0}
    readings, run = one(MINUTES * 60, trapezoid(MINUTES * 60), trial=PRICED, **facts)
    measured = measure(readings, run)
    for metric in ("burn_rate", "ash", "unburnt", "bulk_density", "cost:110"):
        assert value(measured.metrics, metric)["status"] == "missing", metric
        note = measured.reasons.set_index("metric").loc[metric, "note"]
        assert note == "the ash is heavier than the charge: was the scale tared?"
    for metric in ("peak", "time_above:110", "degree_hours"):
        assert value(measured.metrics, metric)["status"] == "exact", metric


def test_nothing_left_over_is_at_most_one_step_of_the_balance():
    readings, run = one(MINUTES * 60, trapezoid(MINUTES * 60), **{**FACTS, "leftover_g": 0.0})
    row = value(burn_metrics(readings, run), "unburnt")
    assert row["status"] == "at most" and row["value"] == pytest.approx(100 / 400)


def test_the_price_of_a_fuel_can_come_from_its_bags():
    readings, run = one(MINUTES * 60, trapezoid(MINUTES * 60), **FACTS)
    bags = (
        Bag(id="a1", fuel="alder", price=10.0, weighed_kg=4.0),
        Bag(id="a2", fuel="alder", price=9, weighed_kg=4.5),
    )
    table = burn_metrics(readings, run_of(run.burns, bags=bags))
    hours = value(table, "time_above:110")["value"] / 60
    assert value(table, "cost:110")["value"] == pytest.approx((2.5 + 2.0) / 2 * 0.35 / hours)


def test_declared_columns_are_metrics_on_their_own_scale():
    declared = (
        Declared(column="sparks", scale="plain"),
        Declared(column="smoke_min", unit="min", scale="log"),
    )
    readings, run = one([0, 10, 20], 20.0, trial={"declared": declared}, sparks=0.0, smoke_min=0.0)
    measured = measure(readings, run)
    assert value(measured.metrics, "sparks")["value"] == 0
    assert value(measured.metrics, "smoke_min")["status"] == "missing"
    assert 'scale = "plain"' in measured.reasons.set_index("metric").loc["smoke_min", "note"]


def test_a_count_of_none_is_at_most_one():
    declared = (Declared(column="sparks", scale="count"),)
    for sparks, row in ((0.0, (1.0, "at most")), (7.0, (7.0, "exact"))):
        readings, run = one([0, 10, 20], 20.0, trial={"declared": declared}, sparks=sparks)
        found = value(burn_metrics(readings, run), "sparks")
        assert (found["value"], found["status"]) == row


def test_minutes_in_a_band_only_from_burns_run_to_hold_it():
    seconds = np.arange(0, 7201, 10.0)
    celsius = np.interp(seconds, [0, 600, 7200], [20, 120, 130])
    cooks = (Cook(name="smoking", low=107, high=125), Cook(name="searing", low=260, high=370))
    places = (Setting(id="low", target="smoking"), Setting(id="warm", target="120"), Setting(id="open"))
    for setting, status in (("low", "exact"), ("warm", "exact"), ("open", "missing"), ("", "missing")):
        readings, run = one(seconds, celsius, setting=setting, trial={"cooks": cooks, "settings": places})
        table = burn_metrics(readings, run)
        row = value(table, "band:smoking")
        assert row["status"] == status, setting
        if status == "exact":
            assert row["value"] == pytest.approx((600 + 3300 - 522) / 60)
        assert value(table, "band:searing")["status"] == "missing"


def test_other_probes_and_planned_or_excluded_burns():
    seconds = np.arange(0, 3600, 10.0)
    burns = sheet(
        burn=["1", "2", "3"],
        fuel="alder",
        bag="a1",
        excluded=["", "rain", ""],
        state=["done", "excluded", "planned"],
    )
    readings = pd.concat(
        [
            readings_of(seconds, 100, burn=burn, probe=probe)
            for burn, probe in (("1", "grate"), ("1", "lid"), ("2", "grate"))
        ]
    ).assign(temp_c=lambda table: table["temp_c"] + 50 * (table["probe"] == "lid"))
    run = run_of(burns, probe="grate", primary=("peak", "peak@lid"))
    table = burn_metrics(readings, run)
    assert set(table["burn"]) == {"1", "2"}
    assert value(table, "peak")["value"] == 100 and value(table, "peak@lid")["value"] == 150
    assert value(table, "peak@lid", "2")["status"] == "missing"
    assert value(table, "peak", "2")["value"] == 100


def test_a_log_without_a_usable_reading_is_missing():
    readings, run = one([0, 10, 20], [9999.0] * 3, flag="sentinel")
    row = value(burn_metrics(readings, run), "peak")
    assert row["status"] == "missing" and row["n_flagged"] == 3 and row["n_used"] == 0


def test_a_log_too_coarse_for_it_gives_no_rate():
    seconds = np.arange(0, 10800, 300.0)
    readings, run = one(seconds, trapezoid(seconds))
    measured = measure(readings, run)
    assert value(measured.metrics, "mean_rate")["status"] == "missing"
    assert value(measured.metrics, "time_above:110")["status"] == "exact"
    assert value(measured.metrics, "steadiness")["status"] == "missing"


def test_a_usual_trial_is_measured_in_a_moment():
    """36 burns of 3 h at 10 s: 0.09 s on the machine this was written on; five times that is a fault."""
    import time

    seconds = np.arange(0, 10801, 10.0)
    names = [str(k) for k in range(36)]
    readings = pd.concat(
        [readings_of(seconds, np.round(trapezoid(seconds) + int(name), 1), name) for name in names]
    )
    readings = readings.astype({"burn": "category", "probe": "category", "flag": "category"})
    run = run_of(sheet(burn=names, fuel="alder", bag="a1", ambient_c=20.0, **FACTS))
    took = []
    for _ in range(3):
        began = time.process_time()
        burn_metrics(readings, run)
        took.append(time.process_time() - began)
    assert min(took) < 0.45


def flame(seconds, peak_s, width_s):
    """A fire of minutes: up to 870 °C and down again, half of its rise for `width_s` seconds."""
    return 20 + 850 * np.exp(-4 * np.log(2) * ((np.asarray(seconds) - peak_s) / width_s) ** 2)


def test_a_fire_of_minutes_is_not_flattened_and_the_windows_are_said():
    seconds = np.arange(0, 901, 1.0)
    readings, run = one(seconds, flame(seconds, 300, 90))
    table = burn_metrics(readings, run)
    assert value(table, "peak")["value"] == pytest.approx(870, abs=6)
    windows = windows_for(readings, run)
    assert windows.mean_s == 7.5 and windows.median_s == 3.75 and windows.hold_min == 3 / 16
    assert "mean 7.5 s" in window_words(run, windows)[0]
    declared = run_of(run.burns, measuring={"mean_s": 120.0, "median_s": 60.0})
    assert value(burn_metrics(readings, declared), "peak")["value"] < 700


def test_a_fire_of_hours_keeps_its_windows_and_a_coarse_log_its_three_readings():
    seconds = np.arange(0, 10801, 10.0)
    readings, run = one(seconds, trapezoid(seconds))
    assert windows_for(readings, run) == run.trial.measuring and not window_words(run, run.trial.measuring)
    coarse = np.arange(0, 901, 10.0)
    readings, run = one(coarse, flame(coarse, 300, 90))
    assert windows_for(readings, run).median_s == 30


@pytest.mark.parametrize(("share", "stated"), [(0.1, True), (0.5, False)])
def test_no_peak_is_stated_of_a_log_that_is_mostly_wrong(share, stated):
    rng = np.random.default_rng(5)
    seconds = np.arange(0, 7200, 10.0)
    flag = np.where(rng.random(len(seconds)) < share, "sentinel", "")
    table = burn_metrics(*one(seconds, trapezoid(seconds), flag=flag))
    assert (value(table, "peak")["status"] == "exact") == stated
    if not stated:
        assert value(table, "time_above:110")["status"] == "missing"


def test_every_record_measures_and_tells_its_definition():
    assert all(record.measure and record.definition for record in schema.METRIC_BASES.values())
    assert "fire" not in schema.METRIC_BASES["near_ambient"].label


def test_a_metric_can_be_sent_to_another_process():
    for sent in (schema.metric("time_above:180@lid"), declared_metric(Declared(column="smoke", scale="log"))):
        assert pickle.loads(pickle.dumps(sent)) == sent


def test_the_sentences_of_every_metric_can_be_filled_in_and_none_is_of_an_unknown_one():
    assert set(PHRASES) - {"of a label"} <= set(schema.METRIC_BASES)
    blanks = {"a": "alder", "b": "olive", "amount": "12 min", "at": "180 °C"}
    for record in [
        *schema.METRIC_BASES.values(),
        declared_metric(Declared(column="sparks {seen}", scale="count")),
    ]:
        for key, words in vars(record.phrases).items():
            assert "{" not in words.format(**blanks), (record.id, key)
            wanted = {
                "more": ("{a}", "{b}", "{amount}"),
                "times": ("{a}", "{b}", "{amount}"),
                "same": ("{a}", "{b}"),
            }
            assert all(blank in words for blank in wanted.get(key, ())), (record.id, key)
    assert schema.METRIC_BASES["peak"].phrases.larger == "hotter"
    assert declared_metric(Declared(column="sparks", scale="count")).phrases.smaller == "fewer"
    assert (
        declared_metric(Declared(column="smoke", scale="log")).phrases.more
        == "{a} lay {amount} above {b} in smoke"
    )
