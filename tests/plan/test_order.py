"""Orders of burns: balanced, linked through days, drawn from a recorded seed, with room for weather."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.errors import KitError
from kit.plan.schedule import connected, run_order

FUELS = ["a", "b", "c", "d", "e", "f"]


def meetings(order: pd.DataFrame) -> pd.DataFrame:
    counts = pd.crosstab(order["day"], order["fuel"])
    return counts.T @ counts


def test_each_fuel_burns_its_bags_equally_and_once_a_day_where_it_fits() -> None:
    order = run_order(FUELS, 3, 2, 3, seed=1)
    assert len(order) == 36 and (order.groupby(["fuel", "bag"]).size() == 2).all()
    met = meetings(order)
    assert all(met.loc[f, f] == 6 for f in FUELS)  # never twice on one day
    apart = [met.loc[f, g] for f in FUELS for g in FUELS if f != g]
    assert min(apart) >= 2 and max(apart) <= 3
    assert order["burn"].is_unique and order["order"].tolist() == list(range(1, 37))


def test_of_one_burn_a_day_every_fuel_burns_before_one_burns_again() -> None:
    order = run_order(FUELS, 2, 2, 1, seed=3)
    rounds = [order["fuel"].tolist()[n : n + len(FUELS)] for n in range(0, len(order), len(FUELS))]
    assert all(sorted(each) == FUELS for each in rounds) and rounds[0] != rounds[1]


def test_a_control_fuel_burns_on_every_day() -> None:
    order = run_order(FUELS, 3, 2, 3, seed=4, control="c")
    assert (order[order["fuel"] == "c"].groupby("day").size() == 1).all()
    assert order[order["fuel"] == "c"]["day"].nunique() == order["day"].nunique()
    others = order[order["fuel"] != "c"]
    assert (others.groupby(["fuel", "bag"]).size() == 2).all()
    bags = order[order["fuel"] == "c"].groupby("bag").size()
    assert bags.max() - bags.min() <= 1


def test_the_same_seed_gives_the_same_order_and_another_seed_another() -> None:
    one, again, other = (run_order(FUELS, 2, 2, 3, seed=s) for s in (7, 7, 8))
    assert one.equals(again) and not one.equals(other)
    assert one.attrs["seed"] == 7


def test_days_fall_on_the_weekdays_named_and_spare_days_lie_between() -> None:
    order = run_order(FUELS, 3, 2, 3, 1, first_day="2026-03-06", weekdays=(0, 1, 2, 3, 4), spare_every=4)
    days = pd.to_datetime(pd.Series(order["day"].unique()))
    assert days.dt.day_of_week.max() <= 4 and len(days) == 12
    spare = order.attrs["spare_days"]
    assert len(spare) == 2 and not set(spare) & set(order["day"])
    assert all(min(order["day"]) < day < max(order["day"]) for day in spare)


@settings(max_examples=40)
@given(
    fuels=st.integers(2, 7), bags=st.integers(1, 4), burns=st.integers(1, 3), per_day=st.integers(2, 5),
    seed=st.integers(0, 99), control=st.booleans(),
)  # fmt: skip
def test_any_order_is_linked_and_complete(fuels, bags, burns, per_day, seed, control) -> None:
    names = [f"f{n}" for n in range(fuels)]
    try:
        order = run_order(names, bags, burns, per_day, seed, control=names[0] if control else None)
    except KitError as error:
        assert "link" in str(error) and bags * burns * (per_day - 1) < 2 * fuels
        return
    counts = order.groupby("fuel").size()
    assert (counts[names[1:]] == bags * burns).all() and counts[names[0]] >= bags * burns
    blocks = [[names.index(f) for f in part["fuel"]] for _, part in order.groupby("day")]
    assert connected(blocks) and max(map(len, blocks)) <= max(per_day, 2)


def test_one_burn_a_day_is_allowed() -> None:
    assert run_order(["a", "b"], 2, 1, 1, seed=1)["day"].nunique() == 4


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"bags": 0}, "run order, bags: found 0; expected at least 1"),
        ({"fuels": ["a", "a"]}, "expected each fuel once"),
        ({"control": "z"}, "found 'z'; expected one of the fuels"),
        ({"seed": -1}, "run order, seed: found -1; expected at least 0"),
        ({"seed": "one"}, "run order, seed: found one; expected a whole number"),
        ({"bags": 2.5}, "run order, bags: found 2.5; expected a whole number"),
        ({"spare_every": -1}, "run order, spare_every: found -1"),
        ({"first_day": "2 March"}, "run order, first_day: found '2 March'; expected a day, as 2026-03-02"),
        ({"first_day": None}, "run order, first_day: found 'None'"),
        ({"weekdays": ()}, r"run order, weekdays: found none; expected some of 0 \(Monday\) to 6"),
        ({"weekdays": (5, 7)}, "run order, weekdays: found 5, 7"),
        ({"cookers": ("A", "A")}, "run order, cookers: found A, A; expected each cooker once"),
        ({"fuels": list("abcd"), "bags": 1, "burns": 1, "per_day": 2}, "fuel and day cannot be separated"),
    ],
)
def test_faults_say_what_to_do(change, message: str) -> None:
    asked = {"fuels": FUELS, "bags": 2, "burns": 2, "per_day": 3, "seed": 1} | change
    with pytest.raises(KitError, match=message):
        run_order(**asked)


def test_a_large_order_is_drawn_quickly() -> None:
    import time

    begin = time.perf_counter()
    run_order([f"f{n}" for n in range(12)], 6, 3, 4, seed=1)
    assert time.perf_counter() - begin < 10


def test_fuels_may_be_numbers() -> None:
    assert set(run_order([1, 2], 2, 2, per_day=2, seed=1)["fuel"]) == {1, 2}
