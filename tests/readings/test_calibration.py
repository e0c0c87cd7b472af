"""Probes are put right by their checks, and how well they are known is told."""

import math

import numpy as np
import pytest

from kit.errors import KitError
from kit.readings import probe_uncertainty, read_run
from kit.readings.calibration import boiling_point, correction_of, lag_corrected, pressure_kpa, tolerances
from kit.trial.models import Cleaning, Probe
from tests.readings.helpers import START, csv_of, curve, folder_of, read_folder

TICKS = np.arange(0, 3601, 2.0)
SHEET = "burn,fuel,log\n1,alder,a.csv\n"


@pytest.mark.parametrize(("altitude", "boils"), [(500, 98.3), (1000, 96.7), (2000, 93.4)])
def test_water_boils_cooler_higher_up(altitude, boils):
    """Reference values: DEVELOPERS.md, physics."""
    assert boiling_point(pressure_kpa(altitude)) == pytest.approx(boils, abs=0.05)


def test_water_boils_at_100_at_the_sea():
    assert boiling_point(101.325) == pytest.approx(100.0, abs=0.02)


def test_a_two_point_check_sets_zero_and_gain():
    probe = Probe(id="grate", ice_reads=0.8, boil_reads=97.9, altitude_m=500)
    correction = correction_of(probe)
    fixed = correction.apply(np.array([0.8, 97.9]))
    assert fixed == pytest.approx([0.0, boiling_point(pressure_kpa(500))])


def test_one_point_moves_all_readings_alike():
    assert correction_of(Probe(id="a", ice_reads=1.5)).apply(np.array([1.5, 201.5])) == pytest.approx(
        [0, 200]
    )
    at_sea = correction_of(Probe(id="a", boil_reads=101.0, pressure_hpa=1013.25))
    assert at_sea.apply(np.array([101.0])) == pytest.approx([100.0], abs=0.02)
    assert correction_of(None).is_none and correction_of(Probe(id="a")).is_none


def test_a_boiling_point_without_a_place_is_asked_for():
    with pytest.raises(KitError) as caught:
        correction_of(Probe(id="grate", ice_reads=0.0, boil_reads=98.0))
    (problem,) = caught.value.problems
    assert problem.kind == "ask" and "altitude_m" in problem.remedy and "grate" in problem.where


def test_nonsense_checks_are_refused():
    with pytest.raises(KitError, match="boiling water"):
        correction_of(Probe(id="grate", ice_reads=0.0, boil_reads=12.0, altitude_m=0))


def test_readings_come_out_calibrated_and_flags_are_those_of_the_raw_ones(tmp_path):
    trial = '[[probe]]\nid = "grate"\nice_reads = 2.0\n'
    lines = csv_of(START, TICKS, grate=curve(TICKS)).splitlines()
    lines[500] = lines[500].split(",")[0] + ",-9999"
    found = read_folder(tmp_path, SHEET, {"a.csv": "\n".join(lines)}, trial)
    plain = np.round(curve(TICKS), 1) - 2.0
    assert np.nanmax(np.abs(found.readings["temp_c"] - plain)) < 1e-9
    assert found.readings["flag"].iloc[499] == "sentinel"
    assert any("known temperatures: -2.00 K" in note for note in found.notes["note"])


def test_a_slow_probe_is_put_right_only_where_asked_measured_and_read_often_enough():
    """A first-order probe of τ = 40 s on a ramp of 0.5 K/s lags by τ · 0.5 = 20 K."""
    seconds = np.arange(0, 600, 2.0)
    read = 20 + 0.5 * seconds - 20 * (1 - np.exp(-seconds / 40))
    probe, asked = Probe(id="a", time_constant_s=40), Cleaning(lag_correction=True)
    fixed, why = lag_corrected(seconds, read, probe, asked)
    assert why == "" and np.abs(fixed - (20 + 0.5 * seconds))[20:-20].max() < 0.3
    assert lag_corrected(seconds, read, probe, Cleaning())[0] is read
    unmeasured, why = lag_corrected(seconds, read, Probe(id="a"), asked)
    assert unmeasured is read and "not measured" in why
    slow = np.arange(0, 600, 30.0)
    values = np.interp(slow, seconds, read)
    seldom, why = lag_corrected(slow, values, probe, asked)
    assert seldom is values and "less often" in why


def test_lag_correction_reaches_the_readings(tmp_path):
    trial = '[[probe]]\nid = "grate"\ntime_constant_s = 30\n[cleaning]\nlag_correction = true\n'
    text = csv_of(START, TICKS, grate=curve(TICKS))
    fixed = read_folder(tmp_path / "a", SHEET, {"a.csv": text}, trial).readings["temp_c"]
    plain = read_folder(tmp_path / "b", SHEET, {"a.csv": text}, trial.replace("true", "false")).readings[
        "temp_c"
    ]
    slope = np.gradient(curve(TICKS), TICKS)
    np.testing.assert_allclose((fixed - plain)[20:-20], (30 * slope)[20:-20], atol=0.35)


@pytest.mark.parametrize(
    ("written", "half_width", "share", "junction"),
    [
        ("1", 1.5, 0.004, 2.0),
        ("type K class 2", 2.5, 0.0075, 2.0),
        ("T 1", 0.5, 0.004, 2.0),
        ("Pt100 A", 0.15, 0.002, 0.0),
    ],
)
def test_the_class_sets_the_uncertainty(tmp_path, written, half_width, share, junction):
    """A half-width is divided by √3 (DEVELOPERS.md, physics)."""
    run = folder_of(
        tmp_path,
        SHEET,
        {"a.csv": csv_of(START, TICKS, grate=curve(TICKS))},
        f'[[probe]]\nid = "grate"\nclass = "{written}"\n',
    )
    known = probe_uncertainty(run, "grate")
    assert known.u_offset == pytest.approx(math.hypot(half_width, junction) / math.sqrt(3))
    assert known.u_gain == pytest.approx(share / math.sqrt(3))
    assert known.edition == tolerances()["edition"] and "IEC" in known.source


def test_an_undeclared_probe_is_taken_for_class_2_and_says_so(tmp_path):
    run = folder_of(tmp_path, SHEET, {"a.csv": csv_of(START, TICKS, grate=curve(TICKS))})
    assert "no class declared" in probe_uncertainty(run, "anything").source


def test_a_check_leaves_less_doubt_than_a_class_and_widens_the_gain_beyond_100(tmp_path):
    trial = '[[probe]]\nid = "grate"\nclass = "1"\nresolution = 0.1\n'
    run = folder_of(tmp_path / "a", SHEET, {"a.csv": csv_of(START, TICKS, grate=curve(TICKS))}, trial)
    checked = trial + "ice_reads = 0.2\nboil_reads = 99.0\naltitude_m = 240\n"
    better = probe_uncertainty(
        folder_of(tmp_path / "b", SHEET, {"a.csv": csv_of(START, TICKS, grate=curve(TICKS))}, checked),
        "grate",
    )
    plain = probe_uncertainty(run, "grate")
    assert better.u_offset < plain.u_offset and better.source == "two-point check"
    assert better.u_gain >= 0.004 / math.sqrt(3)
    assert better.u_resolution == pytest.approx(0.1 / math.sqrt(12))


def test_a_fault_of_a_probe_comes_with_those_of_the_logs(tmp_path):
    trial = '[[probe]]\nid = "grate"\nboil_reads = 99\n'
    run = folder_of(
        tmp_path,
        SHEET + "2,alder,b.csv\n",
        {"a.csv": csv_of(START, TICKS, grate=curve(TICKS)), "b.csv": "x"},
        trial,
    )
    with pytest.raises(KitError) as caught:
        read_run(run)
    assert len(caught.value.problems) == 2
