"""Whatever a log holds: a row for every metric, a status that fits, and nothing raised."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit import schema
from kit.burns import burn_metrics, common_grid, lid_effect
from tests.burns.helpers import one
from tests.burns.test_metrics import FACTS, PRICED
from tests.sampled import sampled

FLAGS = ["", "", "", "", "", *schema.FLAGS, "spike+lid open", "lid open+repeated stamp"]


@st.composite
def logs(draw):
    """Readings of any kind: few or many, out of order, repeated stamps, holes, flags, blanks."""
    n = draw(st.integers(1, 60))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    scale = draw(st.sampled_from([1.0, 30.0, 400.0]))
    seconds = np.round(rng.uniform(-2, n, n) * scale, draw(st.integers(0, 2)))
    if draw(st.booleans()):
        seconds = np.sort(seconds)
    celsius = np.round(rng.choice([20.0, 150.0, 200.0]) + rng.normal(0, 60, n), draw(st.integers(-1, 1)))
    celsius[rng.random(n) < 0.05] = np.nan
    flags = rng.choice(FLAGS, n) if draw(st.booleans()) else np.full(n, "")
    stop = draw(st.sampled_from([None, 60, 3600, 20000]))
    return seconds, celsius, flags, stop


@pytest.mark.parametrize("turn", sampled([0], range(1, 5)))
@given(log=logs())
@settings(max_examples=30)
def test_any_log_gives_every_metric_a_status_that_fits(turn, log):
    seconds, celsius, flags, stop = log
    readings, run = one(seconds, celsius, flag=flags, stop=stop, trial=PRICED, **FACTS)
    table = burn_metrics(readings, run)
    assert not table["metric"].duplicated().any()
    blank = table["status"].isin(["missing", "never"])
    assert (table["value"].isna() == blank).all()
    assert (table["u"].isna() == (table["status"] != "exact")).all()
    known = table[~blank]
    assert np.isfinite(known["value"]).all() and (table["u"].dropna() >= 0).all()
    log_scale = [schema.metric(each).scale == "log" for each in known["metric"]]
    assert (known.loc[log_scale, "value"] > 0).all()
    usable = sum(schema.usable(flag) and math.isfinite(c) for flag, c in zip(flags, celsius, strict=True))
    assert (table["n_used"] <= usable).all()
    for made in (lid_effect, common_grid):
        made(readings, run)


@pytest.mark.parametrize("turn", sampled([0], range(1, 4)))
@given(log=logs(), theta=st.floats(60, 300))
@settings(max_examples=15)
def test_more_time_above_a_lower_threshold(turn, log, theta):
    """Nested thresholds: time above falls and time to rises with the threshold, where both are measured."""
    seconds, celsius, flags, stop = log
    thetas = (round(theta, 1), round(theta + 20, 1))
    readings, run = one(seconds, celsius, flag=flags, stop=stop, trial={"thresholds": thetas})
    rows = burn_metrics(readings, run).set_index("metric")
    for base, sign in (("time_above", 1), ("longest_spell", 1), ("time_to", -1)):
        low, high = (rows.loc[f"{base}:{at:g}"] for at in thetas)
        if low["status"] == high["status"] == "exact":
            assert sign * (low["value"] - high["value"]) >= -1e-9, base


@pytest.mark.parametrize("n", [1, 2, 3])
def test_a_log_of_hardly_any_readings(n):
    readings, run = one(np.arange(n) * 10.0, np.full(n, 200.0), stop=3600)
    rows = burn_metrics(readings, run).set_index("metric")
    assert rows.loc["peak", "status"] == "at least" and rows.loc["peak", "value"] == 200
    assert rows.loc["peak", "n_used"] == n
