"""Samples of the simulation tables: within their bands, and again as the committed figures say."""

import numpy as np
import pandas as pd
import pytest

from kit.judge.verdicts import BEYOND, LITTLE, SAME, UNSIZED
from tests.sampled import sampled
from tests.simulate import sharpness
from tests.simulate.__main__ import SEED, TABLE
from tests.simulate.cases import CASES
from tests.simulate.measures import measure

COMMITTED = pd.read_csv(TABLE)
TRIALS = 600
NOISE = 3.0
"""Monte-Carlo errors by which a figure may lie outside its band."""

SAMPLED = {
    "4 × 2 × 2; bag SD 0": 0.055,
    "3 × 2 × 2; bag SD 1": 0.055,
    "unbalanced, section 3; bag SD 0.5": 0.060,
    "uneven 1, 6 | 3, 1 | 2, 2, 5 | 6, 1, 1; bag SD 1": 0.060,
    "5 × 2 × 1; bag SD 1": 0.055,
    "6 × 3 × 2, 12 days of 3 fuels; bag SD 0.5, day SD 0.5": 0.060,
}
"""Rows, and the most that pairs may err on average."""


def test_every_row_is_one_of_the_cases_with_its_error():
    assert list(COMMITTED["row"].unique()) == [case.name for case in CASES]
    shares = COMMITTED[COMMITTED["quantity"].str.contains("type I, mean|familywise|equivalence")]
    assert (shares["mc_error"] > 0).mean() > 0.9
    assert (shares["trials"] == 10_000).all()


@pytest.mark.parametrize("name", sampled([next(iter(SAMPLED))], list(SAMPLED)[1:]))
def test_a_row_keeps_its_level_and_comes_out_again(name):
    """Other trials of the same case: every share within four of the two Monte-Carlo errors together."""
    case, most = next(each for each in CASES if each.name == name), SAMPLED[name]
    made = measure(case, TRIALS, SEED - 1)
    best = made[made["method"] == "best"].set_index("quantity")
    for quantity, limit in {
        "type I, mean of the pairs": most,
        "familywise error, Tukey": 0.055,
        "equivalence at the margin": most,
        "half-width over bounded Kenward–Roger": 1.01,
    }.items():
        assert best.loc[quantity, "value"] <= limit + NOISE * best.loc[quantity, "mc_error"], quantity
    verdicts = best[best.index.str.startswith("at ")]["value"]
    assert np.allclose(verdicts.groupby(verdicts.index.str.split(":").str[0]).sum(), 1.0)
    claimed = sum(verdicts[f"at 0: {each}"] for each in (BEYOND, UNSIZED, LITTLE))
    assert claimed <= best.loc["type I, mean of the pairs", "value"]
    assert sum(verdicts[f"at 2Δ: {each}"] for each in (BEYOND, UNSIZED, LITTLE)) > 0.9
    assert verdicts[f"at Δ: {SAME}"] <= most + NOISE * best.loc[f"at Δ: {SAME}", "mc_error"]
    again = made.merge(COMMITTED, on=["row", "quantity", "method"], suffixes=("", "_then"))
    shares = again[~again["quantity"].str.contains("pairs that can|smallest|largest|over bounded")]
    assert len(shares) >= 12
    floor = 1 / TRIALS  # a share near 0 or 1 has no error of its own in few trials
    noise = np.sqrt(
        np.maximum(shares["mc_error"], floor) ** 2 + np.maximum(shares["mc_error_then"], floor) ** 2
    )
    off = shares[np.abs(shares["value"] - shares["value_then"]) > 4 * noise]
    assert off.empty, off.to_string()


@pytest.mark.long
def test_what_is_found_with_and_without_earlier_trials():
    rows = sharpness.of_layout(sharpness.LAYOUTS[0], 0.5, TRIALS, SEED - 2)
    table = pd.DataFrame(rows, columns=["row", "quantity", "method", "value", "mc_error", "trials"])
    value = table.set_index(["method", "quantity"])["value"]
    error = table.set_index(["method", "quantity"])["mc_error"]
    least = {
        ("best", "found at 4 SE"): 0.53,
        ("best", "the same at 0, margin 4 SE"): 0.50,
        ("best, 1 earlier", "found at 4 SE"): 0.68,
        ("best, 1 earlier", "the same at 0, margin 4 SE"): 0.68,
        ("best, 3 earlier", "found at 4 SE"): 0.78,
    }
    for key, limit in least.items():
        assert value[key] >= limit - NOISE * error[key], key
    assert value["best", "found at 4 SE"] > value["kenward-roger", "found at 4 SE"]
    for method in ("best", "best, 1 earlier", "best, 3 earlier"):
        for quantity in ("type I, mean of the pairs", "familywise error, Tukey"):
            assert value[method, quantity] <= 0.055 + NOISE * error[method, quantity]
    for band in sharpness.BANDS:
        key = "best", f"coverage where F < {band:g}"
        assert value[key] >= 0.88 - NOISE * error[key]


@pytest.mark.long
def test_one_log_cut_short_hardly_unsettles_the_other_fuels():
    rows = sharpness.of_cut(sharpness.LAYOUTS[1], 0.5, TRIALS // 4, SEED)
    table = pd.DataFrame(rows, columns=["row", "quantity", "method", "value", "mc_error", "trials"])
    value = table.pivot_table("value", "quantity", "method")
    for quantity in ("found at 4 SE, other pairs", "the same at 0, margin 4 SE, other pairs"):
        assert value.loc[quantity, "cut"] >= 0.95 * value.loc[quantity, "uncut"]
    family = table[table["quantity"] == "familywise error, Tukey"].set_index("method")
    assert family.at["cut", "value"] <= 0.055 + NOISE * family.at["cut", "mc_error"]
