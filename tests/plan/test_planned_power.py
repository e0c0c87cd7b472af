"""A small sample of tests/simulate/planning.py: planned chances hold for whole simulated trials."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from kit.burns import burn_metrics
from kit.plan import simulate_trial
from kit.plan.burning import burn, conditions
from kit.readings import read_burns
from kit.trial import open_run
from tests.plan.helpers import TRIAL
from tests.simulate import planning
from tests.simulate.planning import Tried


def test_the_quick_peak_is_the_kit_s_metric(tmp_path) -> None:
    """The simulation's peaks, of curves without a logger, lie within a logger's noise of the kit's own."""
    order = pd.DataFrame(
        {
            "burn": [f"b{n}" for n in range(6)],
            "fuel": ["old", "new", "shell"] * 2,
            "bag": "1",
            "day": "2026-05-01",
            "order": range(6),
        }
    )
    run = open_run(simulate_trial(tmp_path / "s", TRIAL, order, seed=2))
    readings = read_burns(run)
    kits = burn_metrics(readings, run).query("metric == 'peak'")["value"].to_numpy()
    grate = [
        group["temp_c"].to_numpy() for _, group in readings[readings["probe"] == "grate"].groupby("burn")
    ]
    longest = max(map(len, grate))
    padded = np.array([np.pad(each, (0, longest - len(each)), constant_values=0.0) for each in grate])
    quick = planning.peaks(burn_like(padded))
    assert quick == pytest.approx(kits, abs=0.3)


def burn_like(temps: np.ndarray):
    from dataclasses import replace

    from kit.plan.burning import LUMP, charges_of

    charges = charges_of([LUMP], [0], np.array([400.0]), np.array([60.0]), 1)
    return replace(burn(charges, conditions(1), hours=0.1), grate_c=temps)


@pytest.mark.slow
def test_planned_chances_hold_for_the_whole_chain() -> None:
    designs = (Tried((0, 2, 3), 4, 2), Tried((0, 1, 2, 3), 3, 2, 2))
    trials = 250
    table = planning.run(designs, trials)
    assert len(table) >= 5
    # three points and three Monte-Carlo errors: a sample of the table that `make simulate` prints
    assert (table["off"] <= planning.ALLOWED + 3 * table["mc_error"]).all(), table.to_string()
