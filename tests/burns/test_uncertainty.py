"""The uncertainty of metrics and the budget of a fuel's mean."""

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import kit.readings
from kit import schema
from kit.burns import burn_metrics, uncertainty_budget
from tests.burns.helpers import one, parts_of, readings_of, run_of, sheet, value
from tests.burns.test_metrics import FACTS, PRICED, trapezoid

ticks = np.arange(0, 10801, 10.0)


@pytest.fixture(autouse=True)
def known_probe(monkeypatch):
    """A probe whose offset is known to 1.2 K and whose gain to 0.4 %."""
    known = SimpleNamespace(u_offset=1.2, u_gain=0.004, u_resolution=0.03, source="two-point check")
    monkeypatch.setattr(kit.readings, "probe_uncertainty", lambda run, probe: known, raising=False)


def trial_of(n, **columns):
    burns = sheet(
        burn=[str(k) for k in range(n)], fuel="alder", bag="a1", ambient_c=20.0, lit="10:00:00",
        day="2026-05-14", stopped="13:00:00", **{**FACTS, **columns},
    )  # fmt: skip
    return run_of(burns, **PRICED)


def means_of(table, *metrics, se=0.0):
    rows = []
    for metric in metrics:
        values = table.loc[(table["metric"] == metric) & (table["status"] == "exact"), "value"]
        log = schema.metric(metric).scale == "log"
        rows.append((metric, "alder", float(np.exp(np.log(values).mean()) if log else values.mean()), se))
    return pd.DataFrame(rows, columns=["metric", "fuel", "mean", "se"])


def budget_of(n, *metrics, se=0.0, **columns):
    run = trial_of(n, **columns)
    readings = pd.concat(
        [readings_of(ticks, np.round(trapezoid(ticks) + k, 1), burn=str(k)) for k in range(n)]
    )
    table = burn_metrics(readings, run)
    budget = uncertainty_budget(table, readings, run, means_of(table, *metrics, se=se))
    assert list(budget.columns) == schema.names("uncertainty")
    return budget.set_index(["metric", "source"])


def test_a_shifted_probe_moves_the_peak_by_as_much():
    budget = budget_of(1, "peak")
    expected = math.hypot(1.2, 0.004 * 220)
    assert budget.loc[("peak", "calibration"), "u"] == pytest.approx(expected)
    assert budget.loc[("peak", "calibration"), "common"]


def test_a_shifted_probe_moves_the_time_above_by_its_slopes():
    """Up at 200/30 K/min, down at 160/60: an offset δ adds δ·(30/200 + 60/160) minutes above 110 °C."""
    budget = budget_of(1, "time_above:110")
    per_k = 30 / 200 + 60 / 160
    expected = per_k * math.hypot(1.2, 0.004 * 110)
    assert budget.loc[("time_above:110", "calibration"), "u"] == pytest.approx(expected, rel=0.01)


def test_what_is_common_does_not_shrink_with_burns_and_what_is_not_does():
    few, many = budget_of(1, "peak", "time_above:110"), budget_of(16, "peak", "time_above:110")
    for metric in ("peak", "time_above:110"):
        assert many.loc[(metric, "calibration"), "u"] == pytest.approx(
            few.loc[(metric, "calibration"), "u"], rel=0.1
        )
        ratio = few.loc[(metric, "sampling"), "u"] / many.loc[(metric, "sampling"), "u"]
        assert ratio == pytest.approx(4, rel=0.1)
    assert not many.loc[("peak", "resolution"), "common"]


def test_combined_is_the_root_of_the_sum_of_squares_and_expanded_twice_that():
    budget = budget_of(4, "peak", "time_above:110", "ash", se=0.02)
    for metric in ("peak", "time_above:110", "ash"):
        parts = budget.loc[metric].drop(["combined", "expanded"])
        combined = budget.loc[(metric, "combined"), "u"]
        assert combined == pytest.approx(math.sqrt((parts["u"] ** 2).sum()))
        assert budget.loc[(metric, "expanded"), "u"] == pytest.approx(2 * combined)
        assert (budget.loc[metric, "unit"] == schema.metric(metric).unit).all()


def test_repeat_variation_is_in_the_unit_of_the_metric_on_the_log_scale_too():
    budget = budget_of(3, "time_above:110", "peak", se=0.05)
    mean = 132.0
    assert budget.loc[("time_above:110", "repeat variation"), "u"] == pytest.approx(0.05 * mean, rel=0.02)
    assert budget.loc[("peak", "repeat variation"), "u"] == 0.05


def test_masses_have_the_balance_and_no_calibration():
    budget = budget_of(1, "ash")
    assert "calibration" not in budget.loc["ash"].index
    u = 1 / math.sqrt(12)
    expected = 3 * math.hypot(u / 12, u / 400)
    assert budget.loc[("ash", "balance"), "u"] == pytest.approx(expected)


def test_the_linearity_of_the_balance_is_common():
    def linear(n):
        run = trial_of(n)
        run = run_of(run.burns, measuring={"balance_linearity_g": 3.0}, **PRICED)
        readings = readings_of(ticks, trapezoid(ticks), burn="0")
        table = burn_metrics(readings, run)
        budget = uncertainty_budget(table, readings, run, means_of(table, "ash", "bulk_density"))
        return budget.set_index(["metric", "source"])

    one_burn, nine = linear(1), linear(9)
    key = ("ash", "balance linearity")
    u = 3 / math.sqrt(3)
    assert one_burn.loc[key, "u"] == pytest.approx(3 * math.hypot(u / 12, u / 400), rel=0.01)
    assert nine.loc[key, "u"] == pytest.approx(one_burn.loc[key, "u"]) and nine.loc[key, "common"]


def test_the_uncertainty_of_the_metrics_leaves_the_probe_out():
    readings, run = one(ticks, np.round(trapezoid(ticks), 1), stop=10800, trial=PRICED, **FACTS)
    table = burn_metrics(readings, run)
    assert value(table, "peak")["u"] < 0.1
    for metric in ("peak", "time_above:110", "ash", "cost:110"):
        assert value(table, metric)["u"] == pytest.approx(
            math.hypot(*parts_of(readings, run, metric).values())
        )


@pytest.mark.parametrize("metric", ["time_above:110", "time_to:110", "cool_down", "degree_hours", "peak_raw"])
def test_the_stated_uncertainty_covers_what_sampling_and_rounding_do(metric):
    """The same fire read at many phases of the sampling, in steps of 1 K: the error stays within 3 u."""
    rng = np.random.default_rng(4)
    fire = np.arange(0, 10801, 0.5)
    celsius = trapezoid(fire) + 7.3 * np.sin(fire / 300)
    truth = value(burn_metrics(*one(fire, celsius)), metric)["value"]
    errors, stated = [], []
    for _ in range(40):
        at = np.concatenate(([0.0], np.arange(rng.uniform(0, 60), 10800, 60.0), [10800.0]))
        found = value(burn_metrics(*one(at, np.round(np.interp(at, fire, celsius)))), metric)
        errors.append(found["value"] - truth)
        stated.append(found["u"])
    assert np.sqrt(np.mean(np.square(errors))) < 1.3 * np.mean(stated)
    assert (np.abs(errors) < 3 * np.array(stated)).mean() > 0.9
    assert np.mean(stated) < 12 * np.sqrt(np.mean(np.square(errors))) + 1e-6
