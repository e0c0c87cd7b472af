"""What is only known as 'at least' or 'at most', what never came, and what was not measured."""

import math

import numpy as np
import pytest

from kit.burns import burn_metrics, measure
from kit.trial.models import Cook, Fuel, Setting
from tests.burns.helpers import one, parts_of, value
from tests.burns.test_metrics import FACTS, PRICED, trapezoid

ticks = np.arange(0, 10801, 10.0)
STOP = 10800


def cut_at(minute, **more):
    seconds = ticks[ticks <= minute * 60]
    return measure_one(seconds, trapezoid(seconds), stop=STOP, **more)


def measure_one(seconds, celsius, **more):
    return measure(*one(seconds, celsius, **more))


def check(measured, **expected):
    for name, (status, right) in expected.items():
        metric = name.replace("__", ":")
        row = value(measured.metrics, metric)
        assert row["status"] == status, metric
        assert row["value"] == pytest.approx(right, nan_ok=True), metric
        noted = metric in set(measured.reasons["metric"])
        assert noted == (status != "exact"), metric
        assert math.isnan(row["u"]) == (status != "exact"), metric


def test_a_log_cut_short_on_the_way_up():
    """Ended at 25 min, at 186.7 °C: nothing is known of what came after."""
    check(
        cut_at(25),
        peak_raw=("at least", 20 + 200 * 25 / 30),
        time_to__110=("exact", 13.5),
        time_above__110=("at least", 11.5),
        longest_spell__110=("at least", 11.5),
        plateau=("missing", math.nan),
        steadiness=("missing", math.nan),
        mean_rate=("missing", math.nan),
        departures=("at least", 0),
        near_ambient=("at least", 25),
        cool_down=("missing", math.nan),
    )


def test_a_log_cut_short_before_the_threshold_was_reached():
    check(
        cut_at(12),
        time_to__110=("at least", 12),
        time_to__180=("at least", 12),
        time_above__110=("missing", math.nan),
    )


def test_a_log_cut_short_before_the_threshold_was_held_long_enough():
    """Reached at 13.5 min and held for 1.5: the time to it is 13.5 or later."""
    check(cut_at(15), time_to__110=("at least", 13.5), time_above__110=("at least", 1.5))


def test_a_log_cut_short_once_the_peak_had_clearly_passed():
    """Ended at 150 min, at 100 °C, 120 K below the peak; it never climbed again by more than the band."""
    below_110 = 120 + 60 * 70 / 160
    check(
        cut_at(150),
        peak=("exact", 220),
        peak_raw=("exact", 220),
        time_above__180=("exact", 96),
        time_above__110=("at least", below_110 - 13.5),  # 10 K below: it may come back
        degree_hours=("at least", (200 * 15 + 200 * 30 + 180 * 60 + 120 * 30) / 60),
        cool_down=("exact", 60 * 70 / 160),
        near_ambient=("at least", 150),
    )
    check(cut_at(155), time_above__110=("exact", below_110 - 13.5))


def test_a_burn_that_has_climbed_again_before_may_do_so_after_the_log():
    """A dip of 50 K that was made good: 40 K below the peak, the peak has not clearly passed."""
    seconds = np.arange(0, 7201, 10.0)
    dipped = np.interp(seconds, [0, 1200, 2400, 3600, 5400, 7200], [20, 200, 150, 210, 170, 170])
    calm = np.interp(seconds, [0, 1200, 3600, 5400, 7200], [20, 200, 210, 170, 170])
    for celsius, status in ((dipped, "at least"), (calm, "exact")):
        measured = measure_one(seconds, celsius, stop=9000)
        assert value(measured.metrics, "peak")["status"] == status
        assert value(measured.metrics, "time_above:180")["status"] == "at least"


def test_a_burn_without_a_stop_on_the_sheet_stops_where_its_log_ends():
    seconds = ticks[ticks <= 1500]
    check(
        measure_one(seconds, trapezoid(seconds)),
        peak_raw=("exact", 20 + 200 * 25 / 30),
        time_above__110=("exact", 11.5),
    )


def test_a_log_that_ends_just_before_the_stop_is_complete():
    seconds = ticks[ticks <= 6000]
    for stop, status in ((6100, "exact"), (6200, "at least")):
        measured = measure_one(seconds, trapezoid(seconds), stop=stop)
        assert value(measured.metrics, "time_above:180")["status"] == status


def test_another_probe_that_went_on_shows_that_this_one_ended_early():
    import pandas as pd

    readings, run = one(ticks, trapezoid(ticks))
    short = readings[readings["elapsed_s"] <= 3000].assign(probe="lid")
    both = pd.concat([readings, short])
    table = burn_metrics(
        both, run.__class__(run.folder, _with_lid(run.trial), run.burns, run.events, run.scores)
    )
    assert value(table, "time_above:110")["status"] == "exact"
    assert value(table, "time_above:110@lid")["status"] == "at least"


def _with_lid(trial):
    from dataclasses import replace

    return replace(trial, primary=("time_above:110@lid",))


def test_a_log_that_began_late():
    """Began at 20 min, at 153.3 °C."""
    seconds = ticks[ticks >= 1200]
    check(
        measure_one(seconds, trapezoid(seconds), stop=STOP),
        peak=("exact", 220),
        time_to__110=("at most", 20),
        time_to__180=("exact", 24),
        time_above__110=("at least", 120 + 60 * 70 / 160 - 20),
        time_above__180=("exact", 96),
        mean_rate=("missing", math.nan),
        departures=("at least", 0),
    )
    falling = ticks[ticks >= 5000]
    assert value(measure_one(falling, trapezoid(falling)).metrics, "peak")["status"] == "at least"


def test_a_burn_that_was_hot_from_time_zero_on():
    measured = measure_one(ticks, np.full(len(ticks), 150.0), stop=STOP)
    check(measured, time_to__110=("at most", 1 / 6), time_above__110=("exact", 180))
    note = measured.reasons.set_index("metric").loc["time_to:110", "note"]
    assert note == "reached at time zero already: less than one sampling interval"


def test_a_completed_burn_that_never_reached_the_threshold():
    celsius = np.minimum(trapezoid(ticks), 100)
    check(
        measure_one(ticks, celsius, stop=STOP, trial=PRICED, **FACTS),
        time_to__110=("never", math.nan),
        time_above__110=("at most", 1 / 6),
        longest_spell__110=("at most", 1 / 6),
        cost__110=("at least", 2.3 * 0.35 * 360),
        cool_down=("never", math.nan),
    )
    cold = measure_one(ticks, np.full(len(ticks), 25.0), stop=STOP)
    check(cold, near_ambient=("never", math.nan))


def test_what_a_bound_on_the_time_makes_of_the_cost():
    measured = cut_at(60, trial=PRICED, **FACTS)
    check(measured, time_above__180=("at least", 36), cost__180=("at most", 2.3 * 0.35 / 0.6))


def test_a_saturated_peak_is_a_lower_bound():
    celsius = np.minimum(trapezoid(ticks), 215)
    flag = np.where(celsius == 215, "saturated", "")
    measured = measure_one(ticks, celsius, flag=flag, stop=STOP)
    rows = measured.metrics.set_index("metric")
    assert rows.loc["peak", "status"] == rows.loc["peak_raw", "status"] == "at least"
    assert 213 < rows.loc["peak_raw", "value"] <= 215
    assert rows.loc["time_above:180", "status"] == "at least"
    assert rows.loc["time_to:180", "status"] == "exact"


def test_a_top_up_ends_the_single_charge_burn():
    flag = np.where(ticks >= 4000, "after top-up", "")
    measured = measure_one(ticks, trapezoid(ticks), flag=flag, stop=STOP, trial=PRICED, **FACTS)
    row = value(measured.metrics, "time_above:110")
    assert row["status"] == "at least" and row["value"] == pytest.approx((3990 - 13.5 * 60) / 60)
    assert "fuel was added" in measured.reasons.set_index("metric").loc["time_above:110", "note"]
    for metric in ("burn_rate", "ash", "unburnt", "cost:110"):
        assert value(measured.metrics, metric)["status"] == "missing", metric
    assert value(measured.metrics, "time_to:180")["status"] == "exact"


def test_a_probe_that_fell_ends_its_curve():
    flag = np.where(ticks >= 4000, "stepped", "")
    row = value(
        measure_one(ticks, np.where(ticks >= 4000, 600, trapezoid(ticks)), flag=flag).metrics,
        "time_above:180",
    )
    assert row["status"] == "at least" and row["value"] == pytest.approx((3990 - 24 * 60) / 60)


def holed(start, end):
    """The trapezoid without its readings from start to end (minutes)."""
    keep = (ticks <= start * 60) | (ticks >= end * 60)
    return ticks[keep], trapezoid(ticks[keep])


def test_a_hole_in_which_the_threshold_was_passed():
    check(
        measure_one(*holed(10, 20), stop=STOP),
        time_to__110=("at most", 20),
        time_to__180=("exact", 24),
        time_above__110=("at least", 120 + 60 * 70 / 160 - 20),
        time_above__180=("exact", 96),
        peak=("exact", 220),
    )


def test_a_hole_in_which_the_peak_may_have_been():
    check(measure_one(*holed(35, 45), stop=STOP), peak=("at least", 220), time_to__110=("exact", 13.5))


def test_a_hole_far_below_the_threshold_hides_nothing():
    check(
        measure_one(*holed(170, 175), stop=STOP),
        time_above__110=("exact", 120 + 60 * 70 / 160 - 13.5),
        peak=("exact", 220),
        near_ambient=("at most", 175),
    )


def test_a_threshold_that_may_have_been_reached_in_a_hole_only_is_not_called_never():
    seconds = ticks[(ticks <= 1500) | (ticks >= 6600)]
    check(
        measure_one(seconds, trapezoid(seconds), stop=STOP, trial={"thresholds": (200.0,)}),
        time_to__200=("missing", math.nan),
    )


def test_a_short_hole_is_bridged_and_adds_to_the_uncertainty():
    whole, bridged = (measure_one(*holed(*edges), stop=STOP) for edges in ((10, 10), (12.7, 14.5)))
    for measured in (whole, bridged):
        check(measured, time_to__110=("exact", 13.5))
    assert value(bridged.metrics, "time_to:110")["u"] > 3 * value(whole.metrics, "time_to:110")["u"]
    parts = parts_of(*one(*holed(12.7, 14.5), stop=STOP), "time_to:110")
    assert parts["gaps"] == pytest.approx(1.8333 / math.sqrt(12), rel=1e-3) and parts["sampling"] == 0


def test_a_band_with_the_log_cut_short():
    trial = {
        "cooks": (Cook(name="roasting", low=170, high=230),),
        "settings": (Setting(id="half", target="200"),),
    }
    held = cut_at(60, trial=trial, setting="half")
    row = value(held.metrics, "band:roasting")
    assert row["status"] == "at least" and row["value"] == pytest.approx(60 - 22.5)


def test_free_fuel_has_no_cost_to_compare():
    measured = measure_one(
        ticks, trapezoid(ticks), trial={"fuels": (Fuel(id="alder", price=0.0, bag_kg=5),)}, **FACTS
    )
    assert value(measured.metrics, "cost:110")["status"] == "missing"
