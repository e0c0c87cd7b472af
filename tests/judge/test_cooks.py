"""Cooks are judged from burns run at their setting alone."""

import numpy as np
import pandas as pd
import pytest

from kit import schema
from kit.burns.logged_burns import bag_prices
from kit.judge.kitchen import judge_cooks, value_compared
from kit.trial.models import Bag, Charge, Cook, Fuel, Setting
from tests.judge.made import counted_of

FUELS = (
    Fuel(id="alder", name="alder lump", price=10.0, bag_kg=5.0),
    Fuel(id="olive", name="olive briquettes"),
)
ROAST = Cook(name="roast", low="150 °C", high="200 °C", hours=3.0)
SLOW = Cook(name="slow", low="110 °C", high="140 °C", hours=8.0)
HALF = Setting(id="half", vents="half open", target="roast")
FULL = Setting(id="full", vents="open")
NAMES = ["alder"] * 4 + ["olive"] * 4
BAGS = ["a1", "a1", "a2", "a2", "o1", "o1", "o2", "o2"]
MINUTES = [80.0, 92.0, 95.0, 88.0, 130.0, 141.0, 150.0, 126.0]


def judged(cooks=(ROAST,), settings=(HALF,), setting="half", minutes=MINUTES, **columns):
    trial = {"cooks": cooks, "settings": settings, "fuels": FUELS, "currency": "EUR"}
    status = ["missing" if value != value else "exact" for value in minutes]
    columns = {"fuel": NAMES, "bag": BAGS, "charge_g": 1000.0, "setting": setting} | columns
    counted, run = counted_of(minutes, "band:roast", trial, status=status, **columns)
    return judge_cooks(counted, run)


def value(table, fuel, quantity):
    rows = table[(table["fuel"] == fuel) & (table["quantity"] == quantity)]
    assert len(rows) == 1
    return rows.iloc[0]


def test_minutes_held_are_geometric_means_with_limits():
    found = judged()
    assert list(found.columns) == schema.names("cooks")
    row = value(found, "alder", "minutes held")
    assert row["value"] == pytest.approx(np.exp(np.log(MINUTES[:4]).mean()), rel=1e-6)
    assert row["low"] < row["value"] < row["high"]
    assert (row["n"], row["unit"], row["setting"], row["cook"]) == (4, "min", "half", "roast")


def test_charges_top_ups_and_cost_follow_from_the_hours():
    found = judged()
    held = value(found, "alder", "minutes held")
    charges = value(found, "alder", "charges needed")
    assert charges["value"] == pytest.approx(180 / held["value"])
    assert (charges["low"], charges["high"]) == (
        pytest.approx(180 / held["high"]),
        pytest.approx(180 / held["low"]),
    )
    cost = value(found, "alder", "cost of the cook")
    assert cost["unit"] == "EUR" and cost["value"] == pytest.approx(2.0 * charges["value"])
    assert value(found, "alder", "top-ups needed")["value"] == np.ceil(charges["value"]) - 1


def test_without_a_price_the_cost_is_blank_and_says_so():
    row = value(judged(), "olive", "cost of the cook")
    assert np.isnan(row["value"]) and "No price per kg is declared for olive briquettes" in row["note"]


def test_a_cook_for_whom_no_burn_was_run_says_what_the_burns_cannot_tell():
    found = judged(settings=(FULL,), setting="full", minutes=[np.nan] * 8)
    assert len(found) == 1 and found["value"].isna().all()
    note = found["note"].iloc[0]
    assert "No burn was run at a setting for this cook (150 to 200 °C)" in note and "cannot tell" in note


def test_a_setting_whose_burns_hold_no_value_says_that_none_was_measured():
    assert judged(minutes=[np.nan] * 8)["note"].tolist() == ["not measured"]


def test_settings_are_never_pooled():
    low = Setting(id="third", vents="a third open", target="160 °C")
    setting = ["half", "half", "third", "third"] * 2
    found = judged(settings=(HALF, low), setting=setting)
    held = found[found["quantity"] == "minutes held"]
    assert sorted(zip(held["setting"], held["fuel"], strict=True)) == [
        ("half", "alder"), ("half", "olive"), ("third", "alder"), ("third", "olive"),
    ]  # fmt: skip
    assert set(held["n"]) == {2}


def test_one_fuel_alone_is_enough_and_single_burns_have_no_limits():
    rows = judged(fuel=["alder"] * 8, bag="a")
    assert value(rows, "alder", "minutes held")["n"] == 8
    single = judged(minutes=[80.0, 130.0], fuel=["alder", "olive"], bag=["a", "o"])
    held = value(single, "olive", "minutes held")
    assert held["value"] == pytest.approx(130) and np.isnan(held["low"])
    assert "no error bars" in held["note"]
    assert np.isnan(value(single, "olive", "top-ups needed")["low"])


def test_each_cook_has_rows():
    found = judged(cooks=(ROAST, SLOW))
    assert set(found["cook"]) == {"roast", "slow"}
    assert found.loc[found["cook"] == "slow", "value"].isna().all()


def test_without_hours_only_minutes_are_given():
    found = judged(cooks=(Cook(name="roast", low="150 °C", high="200 °C"),))
    valued = found[found["value"].notna()]
    assert set(valued["quantity"]) == {"minutes held"}
    assert found["note"].str.contains("No hours are declared").any()


def test_without_prices_no_better_value_is_told_and_nothing_stops():
    rows = pd.DataFrame(
        {
            "metric": ["cost:180", "time_above:180"], "a": "alder", "b": "olive", "ratio": [1.2, 1.5],
            "low": [1.0, 1.2], "high": [1.4, 1.9], "verdict": "different", "direction": "a",
            "multiplicity": "tukey", "level": 0.95,
        }
    ).astype({"a": "str", "b": "str"})  # fmt: skip
    _, run = counted_of([1.0, 2.0], "peak", {"charge": Charge(by="mass")}, fuel=["alder", "olive"])
    assert value_compared(rows.iloc[:1], run.trial).empty
    found = value_compared(rows.iloc[1:], run.trial).iloc[0]
    assert (found["break_even"], found["break_even_low"], found["break_even_high"]) == (1.5, 1.2, 1.9)
    assert found["verdict"] == "" and np.isnan(found["ratio"]) and np.isnan(found["paid"])
    assert value_compared(rows.iloc[:0], run.trial).empty


def test_what_a_fuel_s_bags_cost_is_the_price_paid_where_it_has_none_of_its_own():
    rows = pd.DataFrame(
        {
            "metric": ["cost:180"], "a": "alder", "b": "olive", "ratio": [1.2], "low": [1.0], "high": [1.4],
            "verdict": "different", "direction": "a", "multiplicity": "tukey", "level": 0.95,
        }
    )  # fmt: skip
    trial = {
        "fuels": (Fuel(id="alder", price=10, bag_kg=5), Fuel(id="olive", bag_kg=4)),
        "bags": (Bag(id="o1", fuel="olive", price=4), Bag(id="o2", fuel="olive", price=8, weighed_kg=2)),
    }
    _, run = counted_of([1.0, 2.0], "peak", trial, fuel=["alder", "olive"])
    found = value_compared(rows, run.trial).iloc[0]
    assert found["paid"] == pytest.approx(2 / 2.5) and found["break_even"] == pytest.approx(2 / 2.5 / 1.2)
    assert bag_prices(run.trial) == {"alder": 10.0, "olive": 6.0}
