"""Odd readings are marked, and honest burns are left alone."""

import numpy as np
import pytest

from kit.readings import read_run
from kit.readings.flags import BIT, UNUSABLE
from kit.schema import FLAGS, usable
from kit.trial.keys import explained_keys
from kit.trial.models import Cleaning
from tests.readings.helpers import START, csv_of, curve, folder_of, read_folder

TICKS = np.arange(0, 10801, 10.0)
SHEET = "burn,fuel,day,lit,tipped,lid_on,stopped,log\n1,alder,2026-05-14,10:00:00,10:15:00,10:20:00,13:00:00,a.csv\n"


def noisy(seconds, seed=1, scale=0.3, **kwargs):
    rng = np.random.default_rng(seed)
    return np.round(curve(seconds, **kwargs) + rng.normal(0, scale, len(seconds)), 1)


def read(folder, trial="", events=None, seconds=TICKS, sheet=SHEET, **columns):
    return read_folder(folder, sheet, {"a.csv": csv_of(START, seconds, **columns)}, trial, events)


def flagged(found, probe="grate (°C)"):
    rows = found.readings[(found.readings["probe"] == probe) & (found.readings["flag"] != "")]
    return {flag: list(part["elapsed_s"]) for flag, part in rows.groupby("flag", observed=True)}


def test_an_honest_burn_has_no_flag(tmp_path):
    found = read(tmp_path, grate=noisy(TICKS), lid=noisy(TICKS, 2, peak=180))
    assert not len(found.flags) and found.spans["n_flagged"].sum() == 0


@pytest.mark.parametrize("resolution", [0.1, 1.0, 2.5])
@pytest.mark.parametrize("interval", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("scale", [0.0, 0.2])
def test_coarse_steps_and_slow_decay_are_not_stuck(tmp_path, resolution, interval, scale):
    """A heavy cooker cools over hours; read in whole degrees the same value stands for many minutes."""
    seconds = np.arange(0, 6 * 3600, interval)
    grate = curve(seconds, peak=180, rise=2500, fall=5000) + np.random.default_rng(1).normal(
        0, scale, len(seconds)
    )
    grate = np.round(grate / resolution) * resolution
    sheet = SHEET.replace("13:00:00", "16:00:00")
    assert flagged(read(tmp_path, seconds=seconds, sheet=sheet, grate=grate)) == {}


def test_a_regulated_cooker_that_stands_still_is_not_stuck(tmp_path):
    rng = np.random.default_rng(3)
    held = np.where(TICKS < 1800, curve(TICKS, peak=110, rise=500, fall=1e9), 110) + rng.normal(
        0, 0.25, len(TICKS)
    )
    assert flagged(read(tmp_path, grate=np.round(held))) == {}


@pytest.mark.parametrize("interval", [1.0, 10.0, 60.0])
def test_a_lid_dip_without_an_event_is_no_spike(tmp_path, interval):
    seconds = np.arange(0, 10801, interval)
    dip = np.where(
        seconds >= 5000, -70 * np.exp(-(seconds - 5000) / 90) * (1 - np.exp(-(seconds - 4990) / 25)), 0.0
    )
    assert flagged(read(tmp_path, seconds=seconds, grate=noisy(seconds) + dip)) == {}


def test_a_flickering_flame_is_no_spike(tmp_path):
    seconds = np.arange(0, 1200, 0.5)
    rng = np.random.default_rng(5)
    flame = np.round(150 + 60 * np.convolve(rng.normal(0, 1, len(seconds)), np.ones(4) / 4, "same"), 1)
    text = "time_s,grate (°C)\n" + "".join(
        f"{second:.1f},{value:.1f}\n" for second, value in zip(seconds, flame, strict=True)
    )
    found = read_folder(tmp_path, "burn,fuel,log\n1,alder,a.csv\n", {"a.csv": text})
    assert flagged(found) == {}


@pytest.mark.parametrize("height", [150.0, -120.0, 400.0])
def test_a_lone_jump_away_and_back_is_a_spike(tmp_path, height):
    grate = noisy(TICKS)
    grate[400] += height
    found = read(tmp_path, grate=grate)
    assert flagged(found) == {"spike": [4000.0]}
    assert found.readings["temp_c"].iloc[400] == grate[400]


def test_values_beyond_the_probe_are_impossible(tmp_path):
    grate = noisy(TICKS)
    grate[[300, 500]] = -1744, 2400
    assert flagged(read(tmp_path, grate=grate)) == {"impossible": [3000.0, 5000.0]}


def test_blanks_are_missing_and_signs_of_an_open_circuit_are_sentinels(tmp_path):
    lines = csv_of(START, TICKS, grate=noisy(TICKS)).splitlines()
    lines[101] = lines[101].split(",")[0] + ","
    lines[201] = lines[201].split(",")[0] + ",OL"
    lines[301] = lines[301].split(",")[0] + ",-9999"
    lines[401] = lines[401].split(",")[0] + ",1372"
    found = read_folder(tmp_path, SHEET, {"a.csv": "\n".join(lines)})
    assert flagged(found) == {"missing": [1000.0], "sentinel": [2000.0, 3000.0, 4000.0]}
    assert found.readings["temp_c"].isna().sum() == 4


def test_an_honest_2000_in_a_rising_curve_is_no_sentinel(tmp_path):
    seconds = np.arange(0, 600, 10.0)
    text = "time_s,flame (°F)\n" + "".join(f"{s:g},{1500 + 10 * k}\n" for k, s in enumerate(seconds))
    found = read_folder(tmp_path, "burn,fuel,log\n1,alder,a.csv\n", {"a.csv": text})
    assert flagged(found, "flame (°F)") == {} and found.readings["temp_c"].notna().all()


@pytest.mark.parametrize("scale", [0.0, 0.4])
def test_a_display_that_stands_still_while_the_fire_goes_on_is_stuck(tmp_path, scale):
    grate = noisy(TICKS, scale=scale)
    grate[200:320] = grate[200]
    found = flagged(read(tmp_path, grate=grate, lid=noisy(TICKS, 2, peak=180)))
    assert set(found) == {"stuck"} and len(found["stuck"]) in (120, 121)


def test_a_display_stuck_until_the_end_is_stuck(tmp_path):
    grate = noisy(TICKS, scale=0.4)
    grate[700:] = grate[700]
    assert flagged(read(tmp_path, grate=grate))["stuck"][0] == 7000


def test_the_end_of_the_loggers_range_is_saturated_and_an_honest_top_is_not(tmp_path):
    seconds = np.arange(0, 10801, 10.0)
    hot = curve(seconds, peak=420, rise=900, fall=4000)
    cut = np.minimum(np.round(hot, 1), 300.0)
    found = flagged(read(tmp_path / "a", grate=cut))
    assert set(found) == {"saturated"} and len(found["saturated"]) == int((cut == 300).sum())
    assert flagged(read(tmp_path / "b", grate=np.round(hot))) == {}


def test_swapped_wires_fall_as_the_fire_rises(tmp_path):
    found = read(tmp_path, grate=40 - noisy(TICKS), lid=noisy(TICKS, 2, peak=180))
    assert set(flagged(found)) <= {"reversed", "impossible+reversed"} and len(flagged(found, "lid (°C)")) == 0
    assert (found.readings["flag"].astype(str) != "").sum() == len(TICKS)


def test_a_cold_winter_morning_is_not_reversed(tmp_path):
    sheet = SHEET.replace("stopped,log", "stopped,ambient_c,log").replace("13:00:00,", "13:00:00,-24,")
    assert flagged(read(tmp_path, sheet=sheet, grate=noisy(TICKS, ambient=-24.0))) == {}


def test_a_probe_that_fell_is_unused_from_there_on(tmp_path):
    lid = noisy(TICKS, 2, peak=180)
    lid[600:] += 220
    found = read(tmp_path, grate=noisy(TICKS), lid=lid)
    assert flagged(found, "lid (°C)") == {"stepped": list(TICKS[600:])} and flagged(found) == {}


def test_a_jump_that_another_probe_follows_is_the_fire(tmp_path):
    step = np.where(TICKS > 6000, 120 * (1 - np.exp(-(TICKS - 6000) / 15)), 0.0)
    late = np.where(TICKS > 6060, 60 * (1 - np.exp(-(TICKS - 6060) / 60)), 0.0)
    found = read(tmp_path, grate=noisy(TICKS) + step, lid=noisy(TICKS, 2, peak=180) + late)
    assert not len(found.flags)


def test_a_jump_where_the_lid_went_on_or_an_event_stands_is_no_fault(tmp_path):
    step = np.where(TICKS > 1200, 120.0, 0.0)
    assert not len(read(tmp_path / "a", grate=noisy(TICKS) + step, lid=noisy(TICKS, 2)).flags)
    moved = np.where(TICKS > 6000, 120.0, 0.0)
    events = "burn,at,event\n1,11:40:00,probe moved\n"
    assert not len(read(tmp_path / "b", events=events, grate=noisy(TICKS) + moved, lid=noisy(TICKS, 2)).flags)


def test_a_probe_taken_out_between_two_burns_of_one_log_flags_neither_of_them(tmp_path):
    second = TICKS >= 5400
    grate = np.where(second, noisy(np.maximum(TICKS - 5400, 0), 3, fall=2e4), noisy(TICKS, fall=2e4))
    air = noisy(TICKS, 4, peak=20.5)
    grate = np.where((TICKS > 4000) & ~second, air, grate)
    sheet = (
        "burn,fuel,day,lit,stopped,log\n1,alder,2026-05-14,10:00:00,11:05:00,a.csv\n"
        "2,alder,2026-05-14,11:30:00,13:00:00,a.csv\n"
    )
    assert not len(read(tmp_path, sheet=sheet, grate=grate, air=air).flags)


def test_the_open_lid_and_added_fuel_are_marked_by_their_events(tmp_path):
    events = (
        "burn,at,until,event,probes\n1,11:00:00,11:01:30,lid open,\n"
        "1,11:30:00,,lid open,grate (°C)\n1,12:00:00,,top-up,\n"
    )
    found = read(tmp_path, events=events, grate=noisy(TICKS), lid=noisy(TICKS, 2, peak=180))
    grate, lid = flagged(found), flagged(found, "lid (°C)")
    assert grate["lid open"] == [*np.arange(3600, 3691, 10), *np.arange(5400, 5521, 10)]
    assert lid["lid open"] == list(np.arange(3600, 3691, 10))
    assert grate["after top-up"] == lid["after top-up"] == list(np.arange(7200, 10801, 10))


def test_repeated_and_misplaced_stamps_are_marked_and_stay_usable(tmp_path):
    lines = csv_of(START, TICKS, grate=noisy(TICKS)).splitlines()
    lines[301] = lines[300].split(",")[0] + "," + lines[301].split(",")[1]
    lines[500], lines[501] = lines[501], lines[500]
    found = read_folder(tmp_path, SHEET, {"a.csv": "\n".join(lines)})
    marks = flagged(found)
    assert marks == {"repeated stamp": [2990.0, 2990.0], "reordered": [4990.0]}
    assert found.readings["elapsed_s"].is_monotonic_increasing
    assert any("out of order" in note for note in found.notes["note"])


def test_limits_come_from_the_trial_file(tmp_path):
    grate = noisy(TICKS)
    grate[400] += 100
    assert "spike" in flagged(read(tmp_path / "a", grate=grate))
    assert flagged(read(tmp_path / "b", "[cleaning]\nspike_k = 300\n", grate=grate)) == {}
    assert flagged(read(tmp_path / "c", "[cleaning]\nhighest_c = 150\n", grate=noisy(TICKS)))["impossible"]


def test_every_flag_is_counted_from_first_to_last(tmp_path):
    grate = noisy(TICKS)
    grate[[400, 600]] += 150
    row = read(tmp_path, grate=grate).flags.iloc[0]
    assert (row["flag"], row["n"], row["first_s"], row["last_s"]) == ("spike", 2, 4000, 6000)
    assert row["high_c"] == pytest.approx(grate[[400, 600]].max())


def test_one_mask_says_what_counts():
    assert {name for name, bit in BIT.items() if bit & UNUSABLE} == {
        name for name in FLAGS if not usable(name)
    }


def test_every_limit_has_a_meaning_a_tester_reads():
    for key in explained_keys("cleaning"):
        assert len(key.meaning) > 20, key
    assert {key.key for key in explained_keys("cleaning")} == {*Cleaning.model_fields}
    assert Cleaning().spike_k > 0


def test_a_thousand_burns_are_flagged_in_seconds(tmp_path):
    import time

    from kit.readings.flags import Stack
    from kit.readings.flags import flagged as marked

    n, burns = 2160, 1000
    one = noisy(np.arange(0, n * 10, 10.0))
    total = n * burns
    stack = Stack(
        np.repeat(np.arange(burns), n),
        np.tile(np.arange(0, n * 10, 10.0), burns),
        np.tile(one, burns),
        np.zeros(total, np.int8),
        np.zeros(total, bool),
        np.zeros(total, bool),
        np.arange(0, total + 1, n),
        np.full(burns, np.nan),
    )
    began = time.process_time()
    assert not marked(stack, Cleaning()).any()
    assert time.process_time() - began < 6


def test_reading_twice_gives_the_same(tmp_path):
    run = folder_of(tmp_path, SHEET, {"a.csv": csv_of(START, TICKS, grate=noisy(TICKS))})
    assert read_run(run).readings.equals(read_run(run).readings)
