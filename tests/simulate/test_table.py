"""The committed simulation table keeps within its bands, and a sample of its rows comes out again."""

import numpy as np
import pandas as pd
import pytest

from tests.simulate.__main__ import SEED, TABLE
from tests.simulate.cases import CASES
from tests.simulate.measures import measure

COMMITTED = pd.read_csv(TABLE)
BALANCED = [
    f"{design}; bag SD {ratio}" for design in ("4 × 3 × 3", "3 × 2 × 2") for ratio in ("0", "0.5", "1", "2")
]
UNBALANCED = [
    f"unbalanced, {design}; bag SD {ratio}"
    for design in ("section 3", "burns_unbalanced")
    for ratio in ("0", "0.5", "1", "2")
]
MANY_DAYS = [
    f"3 × 2 × 2, 12 burns on 9 days; {spread}"
    for spread in ("bag SD 0, day SD 1", "bag SD 0.5, day SD 0.5", "bag SD 1")
]
TRIALS = 600
NOISE = 3.0
"""Monte-Carlo errors by which a figure may lie outside its band."""


def _value(row, quantity, method="best"):
    found = COMMITTED[
        (COMMITTED["row"] == row) & (COMMITTED["quantity"] == quantity) & (COMMITTED["method"] == method)
    ]
    assert len(found) == 1, f"{row}: {quantity}, {method}"
    return found.iloc[0]


def _within(row, quantity, low, high):
    found = _value(row, quantity)
    assert low - NOISE * found["mc_error"] <= found["value"] <= high + NOISE * found["mc_error"], quantity


def test_every_row_is_there_with_its_trials():
    assert list(COMMITTED["row"].unique()) == [case.name for case in CASES]
    errors = COMMITTED[COMMITTED["quantity"].str.contains("type I|familywise|equivalence")]
    assert (errors["trials"] == 10_000).all()


@pytest.mark.parametrize("row", BALANCED)
def test_balanced_designs_hold_their_level(row):
    _within(row, "type I, mean of the pairs", 0.045, 0.055)
    _within(row, "equivalence at the margin", 0.045, 0.055)


@pytest.mark.parametrize("row", UNBALANCED)
def test_unbalanced_designs_hold_theirs(row):
    _within(row, "type I, mean of the pairs", 0.025, 0.060)


@pytest.mark.parametrize("row", BALANCED + UNBALANCED)
def test_no_pair_no_family_no_width_goes_beyond(row):
    assert _value(row, "type I, largest single pair")["value"] <= 0.07
    _within(row, "familywise error, Tukey", 0.0, 0.055)
    _within(row, "half-width over bounded Kenward–Roger", 0.0, 1.01)


@pytest.mark.parametrize("row", MANY_DAYS)
def test_nearly_a_day_a_burn_is_on_the_safe_side(row):
    _within(row, "type I, mean of the pairs", 0.0, 0.055)
    assert _value(row, "type I, largest single pair")["value"] <= 0.07
    _within(row, "familywise error, Tukey", 0.0, 0.055)
    for name in ("bag", "day", "burn"):
        _within(row, f"coverage of the {name} SD", 0.93, 0.995)


@pytest.mark.parametrize("row", BALANCED + UNBALANCED)
def test_limits_of_sds_cover(row):
    _within(row, "coverage of the burn SD", 0.945, 0.955)
    _within(row, "coverage of the bag SD", 0.93, 0.985)


@pytest.mark.parametrize(
    "name",
    [
        "3 × 2 × 2; bag SD 0",
        "unbalanced, section 3; bag SD 0.5",
        "6 × 3 × 2, 12 days of 3 fuels; bag SD 0.5, day SD 0.5",
    ],
)
def test_a_row_comes_out_again(name):
    """Other trials of the same case: every share within four of the two Monte-Carlo errors together."""
    case = next(each for each in CASES if each.name == name)
    again = measure(case, TRIALS, SEED - 1).merge(
        COMMITTED, on=["row", "quantity", "method"], suffixes=("", "_then")
    )
    shares = again[~again["quantity"].str.contains("pairs that can|smallest|largest|over bounded")]
    assert len(shares) >= 15
    # a share near 0 or 1 has no error of its own in few trials
    floor = 1 / TRIALS
    noise = np.sqrt(np.maximum(shares["mc_error"], floor) ** 2 + shares["mc_error_then"] ** 2)
    off = shares[np.abs(shares["value"] - shares["value_then"]) > 4 * noise]
    assert off.empty, off.to_string()
