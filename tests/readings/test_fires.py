"""Fires are found in a log by their rise from the cold: how many, when, and how hot."""

from datetime import timedelta

import numpy as np
import pytest

from kit.readings import find_fires, read_log
from kit.readings.fires import fires_in
from tests.readings.helpers import START, csv_of, curve, log_text, read_folder


def day_of(fires, seconds, seed=1, ambient=18.0):
    """A day's curve: each fire (start, peak) rises from where the one before has cooled to."""
    values = np.full(len(seconds), ambient)
    for start, peak in fires:
        after = seconds >= start
        values[after] += curve(seconds[after] - start, ambient=0, peak=peak - ambient, rise=900, fall=2400)
    return values + np.random.default_rng(seed).normal(0, 0.4, len(seconds))


@pytest.mark.parametrize("interval", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("peaks", [(260,), (260, 180, 300), (700, 120)])
def test_a_days_fires_are_found_with_their_times_and_peaks(interval, peaks):
    seconds = np.arange(0, 9 * 3600, interval)
    fires = [(1800 + 10_000 * k, peak) for k, peak in enumerate(peaks)]
    found = fires_in(seconds, day_of(fires, seconds))
    assert len(found) == len(peaks)
    for span, (start, peak) in zip(found, fires, strict=True):
        assert abs(span.begin_s - start) <= 120 and -3 < span.peak_c - peak < 25  # warmth of the fire before
        assert span.begin_s < span.cold_s <= span.end_s and span.cooled


def test_no_fire_in_a_log_that_stays_cold_and_one_where_it_ends_hot():
    seconds = np.arange(0, 7200, 10.0)
    assert fires_in(seconds, day_of([], seconds)) == []
    assert fires_in(seconds[:2], np.array([20.0, 400.0])) == []
    (span,) = fires_in(seconds, 20 + seconds / 40)
    assert not span.cooled and span.end_s == seconds[-1]


def test_lone_readings_and_wobbles_make_no_fire():
    seconds = np.arange(0, 14_400, 10.0)
    values = day_of([(600, 250)], seconds)
    values[[50, 300, 900]] = 900
    values += 12 * np.sin(seconds / 200)
    assert len(fires_in(seconds, values)) == 1


@pytest.mark.parametrize("depth", [60, 90, 140])
@pytest.mark.parametrize("minutes", [3, 8])
@pytest.mark.parametrize("opened", [3000, 4800])
def test_a_lid_that_is_opened_for_minutes_parts_no_fire(depth, minutes, opened):
    seconds = np.arange(0, 5 * 3600, 10.0)
    values = day_of([(600, 250), (9000, 220)], seconds)
    (whole, second), open_for = fires_in(seconds, values), (seconds - opened) / (60 * minutes)
    dip = depth * np.sin(np.pi * np.clip(open_for, 0, 1))
    found, then = fires_in(seconds, np.maximum(values - dip, 16))
    assert found.begin_s == whole.begin_s and abs(found.cold_s - whole.cold_s) <= 600
    assert (found.end_s, then.begin_s, then.cold_s) == (whole.end_s, second.begin_s, second.cold_s)


def test_a_fire_lit_minutes_after_another_was_tipped_out_is_one_of_its_own():
    seconds = np.arange(0, 4 * 3600, 10.0)
    for peak in (150, 240, 300):  # less hot than the first as it was tipped out, or hotter
        values = day_of([(600, 250)], seconds)
        after = seconds - 3000
        quenched = 20 + (values - 20) * np.exp(-np.maximum(after, 0) / 90)
        values = quenched + curve(np.maximum(after - 400, 0), ambient=0, peak=peak - 20, rise=900)
        first, second = fires_in(seconds, values)
        assert first.cold_s < second.begin_s and abs(second.begin_s - 3400) <= 150
    shots = np.arange(0, 1800, 1.0)  # fires of minutes, one behind the other, each less hot
    after = [np.maximum(shots - 360 * k, 0) for k in range(4)]
    values = 20 + sum(curve(each, 0, 200 - 15 * k, rise=60, fall=60) for k, each in enumerate(after))
    assert len(fires_in(shots, values)) == 4


def test_a_pause_of_the_logger_parts_two_fires_and_not_one():
    seconds = np.concatenate([np.arange(0, 3600, 10.0), np.arange(90_000, 93_600, 10.0)])
    values = np.concatenate([curve(np.arange(0, 3600, 10.0), rise=600, fall=3000)] * 2)
    assert len(fires_in(seconds, values)) == 2
    going_on = np.arange(0, 7200, 10.0)
    kept = (going_on < 2000) | (going_on > 3000)
    assert len(fires_in(going_on[kept], curve(going_on, rise=500, fall=2500)[kept])) == 1


def test_a_log_gives_its_fires_by_clock_and_run(tmp_path):
    seconds = np.arange(0, 7 * 3600, 20.0)
    text = csv_of(
        START,
        seconds,
        lid=np.full(len(seconds), 19.0) + seconds % 3,
        grate=day_of([(1800, 250), (12_600, 220)], seconds),
    )
    first, second = find_fires(read_log(log_text(text, tmp_path)))
    assert (first.day, first.probe) == ("2026-05-14", "grate (°C)")
    assert abs(
        np.datetime64(second.lit) - np.datetime64(START + timedelta(seconds=12_600))
    ) <= np.timedelta64(120, "s")
    labelled = "".join(
        f"{label};{10 * k};{value:.1f}\n"
        for label in "AB"
        for k, value in enumerate(curve(np.arange(0, 7200, 10.0)))
    )
    log = read_log(log_text("ID;t (s);grate (°C)\n" + labelled, tmp_path), {"split_by": "ID"})
    assert [fire.group for fire in find_fires(log)] == ["A", "B"]


def test_several_fires_in_one_row_are_counted(tmp_path):
    seconds = np.arange(0, 9 * 3600, 10.0)
    burns = "burn,fuel,day,lit,stopped,log\n1,alder,2026-05-14,10:00:00,19:00:00,a.csv\n"
    text = csv_of(START, seconds, grate=day_of([(1800, 260), (11_800, 180), (21_800, 300)], seconds))
    assert list(read_folder(tmp_path, burns, {"a.csv": text}).quality["fires"]) == [3]
