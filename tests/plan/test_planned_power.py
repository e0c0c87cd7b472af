"""A small sample of tests/simulate/planning.py: planned chances hold for whole simulated trials."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from kit.burns import burn_metrics
from kit.judge import compare_fuels
from kit.judge.question import Question
from kit.judge.verdicts import DIFFERENCES
from kit.plan import simulate_trial
from kit.plan.burning import burn, conditions
from kit.plan.power import chance_of, precision
from kit.plan.schedule import run_order
from kit.readings import read_burns
from kit.trial import open_run
from kit.variance import fit_repeats
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

    from kit.plan.burning import KINDS, charges_of

    charges = charges_of([KINDS["lump"]], [0], np.array([400.0]), np.array([60.0]), 1)
    return replace(burn(charges, conditions(1), hours=0.1), grate_c=temps)


@pytest.mark.parametrize(
    ("bags", "burns", "cookers", "spread"), [(6, 1, ("",), "by kind"), (3, 2, ("A", "B"), "common")]
)
def test_planned_chances_are_those_of_the_model_that_the_report_fits(bags, burns, cookers, spread) -> None:
    """Kinds with a spread each, days and cookers: what is promised is found as often by the report's own question."""
    kinds = dict(zip("abcde", ("lump", "lump", "briquette", "briquette", "shell"), strict=True))
    sds, margin, trials = {"bag": 8.0, "burn": 11.0, "day": 5.0}, 15.0, 300
    asked = Question(margin=margin, spread=spread, covariates=("cooker",), kind_of=kinds)
    burns = run_order(list(kinds), bags, burns, len(cookers), seed=1, cookers=cookers)
    burns = burns.assign(status="exact", kind=burns["fuel"].map(kinds)).assign(cooker=burns.get("cooker", ""))
    rng, draws = np.random.default_rng(5), np.zeros((len(burns), trials))
    for name in ("bag", "day", "burn"):
        codes = pd.factorize(burns[name])[0]
        draws += sds[name] * rng.standard_normal((codes.max() + 1, trials))[codes]
    draws += 2 * margin * (burns["fuel"] == "a").to_numpy()[:, None]
    values = [f"v{n}" for n in range(trials)]
    roles = asked.roles(burns)
    fit = fit_repeats(burns.join(pd.DataFrame(draws, columns=values)), value=values, **roles)
    pairs, multiplicity = asked.family(fit)
    judged = compare_fuels(fit, pairs, multiplicity, margin=margin)
    apart = judged[judged["a"].eq("a") | judged["b"].eq("a")]
    planned = precision(burns, sds, asked).chances([2 * margin], margin, 0.95)
    found = apart["verdict"].isin(DIFFERENCES).mean()
    assert found == pytest.approx(
        chance_of(planned, 2 * margin), abs=0.07
    )  # three points and Monte-Carlo error


def test_a_pair_asked_about_beforehand_is_promised_what_it_alone_will_get() -> None:
    burns, sds = run_order(list("abcd"), 3, 2, 2, seed=1), {"bag": 8.0, "burn": 10.0, "day": 4.0}
    pairs = ([("a", "b")], [("a", "b"), ("c", "d")], ())
    one, two, every = (
        chance_of(precision(burns, sds, Question(pairs=asked)).chances([25.0], 15.0, 0.95), 25.0)
        for asked in pairs
    )
    assert one > two > every


@pytest.mark.long
def test_planned_chances_hold_for_the_whole_chain() -> None:
    designs = (Tried((0, 2, 3), 4, 2), Tried((0, 1, 2, 3), 3, 2, 2))
    table = planning.run(designs, trials=250)
    assert len(table) >= 5
    # three points and three Monte-Carlo errors: a sample of the table that `make simulate` prints
    assert (table["off"] <= planning.ALLOWED + 3 * table["mc_error"]).all(), table.to_string()


KINDS = dict(zip("abcdef", ("lump", "lump", "briquette", "briquette", "shell", "shell"), strict=True))
PROMISED = {
    "a spread for each of two kinds": ("abcd", 2, 16, {"bag": 0.0, "burn": 10.0}, "by kind", 25.0),
    "the same on days": ("abcd", 2, 4, {"bag": 3.0, "burn": 10.0, "day": 5.0}, "by kind", 26.0),
    "days alone": ("abcd", 2, 4, {"bag": 5.0, "burn": 10.0, "day": 11.0}, "common", 48.0),
    "three kinds": ("abcdef", 3, 36, {"bag": 4.0, "burn": 10.0}, "by kind", 24.0),
}
"""Fuels, bags of two burns, burns a day (all: days do not differ), SDs, spread and the true difference."""


@pytest.mark.parametrize("name", PROMISED)
def test_intervals_that_no_mean_square_gives_are_promised_as_they_come_out(name: str) -> None:
    """Averaged over several ratios of variances, intervals are no χ²: up to eleven points off."""
    fuels, bags, per_day, sds, spread, difference = PROMISED[name]
    trials, margin = 300, 15.0
    asked = Question(margin=margin, spread=spread, kind_of=KINDS)
    burns = run_order(list(fuels), bags, 2, per_day, seed=1)
    burns = burns.assign(
        status="exact", kind=burns["fuel"].map(KINDS), day=burns["day"] if "day" in sds else ""
    )
    values = [f"v{n}" for n in range(trials)]
    rng, truth = np.random.default_rng(17), np.zeros((len(burns), trials))
    for part, keys in (
        ("bag", burns["fuel"] + burns["bag"].astype(str)),
        ("day", burns["day"]),
        ("burn", burns["burn"]),
    ):
        codes = pd.factorize(keys)[0]
        truth += sds.get(part, 0.0) * rng.standard_normal((codes.max() + 1, trials))[codes]
    truth += difference * burns["fuel"].eq("a").to_numpy()[:, None]
    fit = fit_repeats(burns.join(pd.DataFrame(truth, columns=values)), value=values, **asked.roles(burns))
    against = [("a", fuel) for fuel in fuels[1:]]
    judged = compare_fuels(fit, against, "tukey", margin=margin)
    by_trial = judged["verdict"].isin(DIFFERENCES).groupby(judged["response"]).mean()
    known = precision(burns, sds, asked)
    promised = chance_of(known.chances([difference], margin, 0.95), difference)
    allowed = 0.03 + 2 * by_trial.std() / np.sqrt(trials)
    assert by_trial.mean() == pytest.approx(promised, abs=allowed)
