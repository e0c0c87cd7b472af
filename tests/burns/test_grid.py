"""All burns on one grid: aligned, on the lines between readings, nothing where nothing was logged."""

import numpy as np
import pandas as pd
import pytest

from kit.burns import common_grid
from tests.burns.helpers import readings_of, run_of, sheet
from tests.burns.test_metrics import irregular, trapezoid


def folder(n=2, **columns):
    burns = sheet(burn=[str(k) for k in range(1, n + 1)], fuel="alder", bag="a1", **columns)
    return run_of(burns)


def test_a_grid_holds_the_lines_between_readings():
    rng = np.random.default_rng(0)
    seconds = irregular(rng, n=2000)
    readings = pd.concat([readings_of(seconds, trapezoid(seconds), "1"), readings_of([0, 60], [20, 80], "2")])
    curves = common_grid(readings, folder(), step_s=30)
    assert curves.burn == ("1", "2") and curves.fuel == ("alder", "alder") and curves.probe == "grate"
    assert curves.seconds[0] == 0 and curves.seconds[-1] == 10800 and curves.step_s == 30
    np.testing.assert_allclose(curves.celsius[0], np.interp(curves.seconds, seconds, trapezoid(seconds)))
    np.testing.assert_allclose(curves.celsius[1, :3], [20, 50, 80])
    assert np.isnan(curves.celsius[1, 3:]).all()


def test_long_gaps_stay_open_and_flagged_readings_are_left_out():
    seconds = np.arange(0, 3600, 10.0)
    flag = np.where((seconds > 600) & (seconds < 1200), "stuck", "")
    flag[200] = "spike"
    celsius = np.where(flag == "", 100.0, 999.0)
    curves = common_grid(readings_of(seconds, celsius, flag=flag), folder(1), step_s=10)
    inside = (curves.seconds > 600) & (curves.seconds < 1200)
    assert np.isnan(curves.celsius[0, inside]).all()
    assert (curves.celsius[0, ~inside] == 100).all()


@pytest.mark.parametrize(
    ("hours", "interval", "step"), [(3, 10, 30), (6, 10, 60), (0.2, 0.5, 2), (3, 300, 300), (16, 60, 300)]
)
def test_the_step_is_round_no_finer_than_the_log_and_gives_at_most_400_times(hours, interval, step):
    seconds = np.arange(0, hours * 3600 + 1, interval)
    curves = common_grid(readings_of(seconds, 100.0), folder(1))
    assert curves.step_s == step and len(curves.seconds) <= 401


def test_a_burn_ends_at_its_stop_and_an_excluded_one_does_not_count():
    seconds = np.arange(-300, 3600, 10.0)
    run = folder(
        2,
        lit="10:00:00",
        day="2026-05-14",
        stopped=["10:30:00", ""],
        excluded=["", "rain"],
        state=["done", "excluded"],
    )
    readings = pd.concat([readings_of(seconds, 100.0, burn) for burn in ("1", "2")])
    curves = common_grid(readings, run, step_s=60)
    assert np.isfinite(curves.celsius[0]).sum() == 31
    assert list(curves.counted) == [True, False]


def test_no_readings_give_an_empty_grid():
    readings = readings_of([], [])
    curves = common_grid(readings, folder(1))
    assert curves.celsius.shape == (0, 1) and curves.burn == ()


def test_the_air_is_as_noted_else_the_coolest_reading():
    readings = pd.concat(
        [readings_of([0, 60, 120], each, str(n)) for n, each in enumerate(([18, 300, 40], [16, 200, 21]), 1)]
    )
    assert common_grid(readings, folder(ambient_c=[12.0, np.nan])).air_c == 12
    assert common_grid(readings, folder()).air_c == 16
    assert np.isnan(common_grid(readings_of([], []), folder(1)).air_c)
