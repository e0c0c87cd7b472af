"""Simulated burns: energy, mass and ash balances, plausibility, seeds, speed."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest

from kit.plan.burning import (
    COOKERS,
    KINDS,
    Burnt,
    Charges,
    Conditions,
    Cooker,
    Recipe,
    burn,
    charges_of,
    conditions,
    cooker_named,
)
from kit.plan.simulated import stop_times

DRUM, BOWL, CERAMIC = (COOKERS[kind] for kind in ("drum", "bowl", "ceramic"))


def drawn(kind: str, burns: int, grams: float = 400.0, seed: int = 1, **change: float) -> Charges:
    recipe: Recipe = replace(KINDS[kind], **change)  # type: ignore[arg-type]
    mass, humid = np.full(burns, grams), np.full(burns, 60.0)
    return charges_of([recipe] * burns, [i // 2 for i in range(burns)], mass, humid, seed)


def minutes_above(burnt: Burnt, celsius: float) -> np.ndarray:
    return (burnt.grate_c >= celsius).sum(axis=1) * 10 / 60


@pytest.mark.parametrize("kind", list(KINDS))
@pytest.mark.parametrize("cooker", [DRUM, BOWL, CERAMIC])
@pytest.mark.parametrize("vents", [1.0, 0.25])
def test_the_energy_balance_closes(kind: str, cooker, vents: float) -> None:
    around = replace(conditions(20, wind_m_s=3.0), vents=np.full(20, vents))
    heat = burn(drawn(kind, 20), around, cooker, hours=4).heat
    spent = sum(joules for name, joules in heat.items() if name != "fuel")
    assert np.abs(spent / heat["fuel"] - 1).max() < 0.01


@pytest.mark.parametrize("kind", list(KINDS))
def test_what_is_loaded_is_burnt_driven_off_left_or_ash(kind: str) -> None:
    charges = drawn(kind, 20)
    burnt = burn(charges, conditions(20), hours=2)
    gone = burnt.left_g[:, 0] - burnt.left_g[:, -1]
    still_wet = charges.mass_g.sum(axis=1) * charges.moisture - burnt.water_g
    found = gone + burnt.left_g[:, -1] + burnt.ash_g + burnt.water_g + still_wet
    assert found == pytest.approx(charges.mass_g.sum(axis=1), rel=1e-9)
    assert charges.mass_g.sum(axis=1) == pytest.approx(400.0)
    assert (np.diff(burnt.left_g, axis=1) <= 1e-12).all()
    # the fuel's heat is its heating value times what went
    assert burnt.heat["fuel"] == pytest.approx(charges.heat * gone, rel=1e-9)


def test_lump_burns_hotter_and_shorter_than_briquettes() -> None:
    lump, briquette = (burn(drawn(kind, 200), conditions(200)) for kind in ("lump", "briquette"))
    assert lump.grate_c.max(axis=1).mean() > briquette.grate_c.max(axis=1).mean() + 30
    assert minutes_above(lump, 110).mean() < 0.85 * minutes_above(briquette, 110).mean()
    assert lump.tipped_s.mean() < briquette.tipped_s.mean()


@pytest.mark.parametrize(
    ("kind", "ready_min", "heat_mj_kg", "ash_pct"),
    [
        ("lump", (10, 15), (28, 33), (1.5, 5)),
        ("briquette", (15, 25), (22, 28), (8, 20)),
        ("shell briquette", (15, 25), (25, 30), (2, 8)),
        ("white charcoal", (30, 60), (29, 33), (1, 3)),
    ],
)
def test_fuels_lie_in_the_ranges_of_the_trade(kind: str, ready_min, heat_mj_kg, ash_pct) -> None:
    charges = drawn(kind, 200)
    burnt = burn(charges, conditions(200))
    assert ready_min[0] <= burnt.tipped_s.mean() / 60 <= ready_min[1]
    dry = (1 - charges.ash) * charges.heat / 1e3
    assert heat_mj_kg[0] <= (dry * (1 - charges.moisture) - 2.44 * charges.moisture).mean() <= heat_mj_kg[1]
    assert ash_pct[0] <= 100 * charges.ash.mean() <= ash_pct[1]
    peaks = burnt.grate_c.max(axis=1)
    assert peaks.min() >= 100 and peaks.max() <= 350  # closed cooker, full vents, at the grate
    stops = stop_times(burnt, np.full(200, 15.0)) / 3600
    assert 1.5 <= stops.mean() <= 3.5
    assert 0.02 <= peaks.std() / (peaks.mean() - 15) <= 0.12
    long = minutes_above(burnt, 110)
    assert 0.015 <= long.std() / long.mean() <= 0.12


@pytest.mark.parametrize("cooker", [BOWL, CERAMIC])
@pytest.mark.parametrize("kind", ["lump", "briquette"])
@pytest.mark.parametrize("grams", [400, 1000])
def test_a_full_charge_makes_no_furnace_of_a_cooker(cooker: Cooker, kind: str, grams: int) -> None:
    peaks = burn(drawn(kind, 20, grams=grams), conditions(20), cooker, hours=6).grate_c.max(axis=1)
    assert peaks.min() >= 100 and peaks.mean() <= 350


def test_words_of_the_trade_name_a_cooker() -> None:
    named = {
        BOWL: ("57 cm kettle", "Kugelgrill", "kettle barbecue", "BBQ"),
        CERAMIC: ("ceramic egg", "Kamado", "Keramikgrill"),
        DRUM: ("steel drum grill", "offset smoker", "", "something of my own"),
    }
    assert all(cooker_named(words) == cooker for cooker, said in named.items() for words in said)


def test_the_cookers_time_constant_is_in_range() -> None:
    shell = DRUM.shell_w_k * (1 + DRUM.film_per_wind * 1.5)
    assert 10e3 <= DRUM.wall_j_k <= 20e3 and 12 <= shell <= 30
    assert 4e3 <= BOWL.wall_j_k <= 8e3 and 10 <= BOWL.shell_w_k * (1 + BOWL.film_per_wind * 1.5) <= 25
    assert 50e3 <= CERAMIC.wall_j_k <= 90e3 and 4 <= CERAMIC.shell_w_k <= 9
    assert 0.3 <= DRUM.film_per_wind <= 0.5


def test_a_throttled_kilogram_burns_low_and_slow() -> None:
    charges = drawn("briquette", 20, grams=1000)
    throttled = replace(conditions(20), vents=np.full(20, 0.35))
    burnt = burn(charges, throttled, CERAMIC, hours=6)
    hour = int(3600 / 10)
    rate = burnt.left_g[:, 2 * hour] - burnt.left_g[:, 3 * hour]
    assert 100 <= rate.mean() <= 300
    assert burn(charges, conditions(20), CERAMIC, hours=6).grate_c.max() > burnt.grate_c.max() + 40


def with_wind(burns: int, wind: float) -> Conditions:
    return conditions(burns, wind_m_s=wind)


def test_wind_cools_the_shell_and_wet_fuel_lights_late() -> None:
    calm, windy = (burn(drawn("lump", 50), with_wind(50, wind)) for wind in (1.0, 7.0))
    assert (calm.grate_c.max(axis=1) > windy.grate_c.max(axis=1)).all()
    assert (minutes_above(calm, 110) > minutes_above(windy, 110)).all()
    damp = burn(drawn("lump", 50, moisture=0.12), conditions(50))
    assert (damp.tipped_s > burn(drawn("lump", 50), conditions(50)).tipped_s).all()


def test_an_opened_lid_shows_and_passes() -> None:
    plain = conditions(1)
    lifted = replace(plain, open_from_s=np.array([3000.0]), open_until_s=np.array([3180.0]))
    charges = drawn("briquette", 1)
    shut, opened = burn(charges, plain), burn(charges, lifted)
    i = int(3180 / 10)
    assert shut.grate_c[0, :300] == pytest.approx(opened.grate_c[0, :300])
    assert opened.grate_c[0, i] < shut.grate_c[0, i] - 30
    assert opened.grate_c[0, i + 60] > shut.grate_c[0, i + 60] - 15


def test_half_the_step_gives_the_same_burn() -> None:
    still = conditions(20, wind_m_s=0.0)
    coarse = burn(drawn("lump", 20), still, step_s=10)
    fine = burn(drawn("lump", 20), still, step_s=2.5)
    assert coarse.grate_c.max(axis=1) == pytest.approx(fine.grate_c.max(axis=1), rel=0.01)
    assert minutes_above(coarse, 110) == pytest.approx(minutes_above(fine, 110) / 4, rel=0.02)


def test_seeds_repeat_and_a_burn_does_not_depend_on_its_company() -> None:
    one = burn(drawn("lump", 12, seed=5), conditions(12), hours=1, seed=5)
    again = burn(drawn("lump", 12, seed=5), conditions(12), hours=1, seed=5)
    other = burn(drawn("lump", 12, seed=6), conditions(12), hours=1, seed=6)
    assert np.array_equal(one.grate_c, again.grate_c)
    assert not np.array_equal(one.grate_c, other.grate_c)
    fewer = burn(drawn("lump", 4, seed=5), conditions(4), hours=1, seed=5)
    assert fewer.grate_c == pytest.approx(one.grate_c[:4], rel=1e-12)


def test_without_differences_of_make_up_burns_are_alike() -> None:
    names = ("bag_size", "bag_density", "bag_moisture", "bag_ash", "bag_flux")
    names += ("packing", "starter", "damp", "mixing")
    same = dict.fromkeys(names, 0.0)
    burnt = burn(drawn("lump", 40, **same), conditions(40, wind_m_s=0.0))
    assert burnt.grate_c.max(axis=1).std() < 1.5


def test_bags_differ_when_their_pieces_do() -> None:
    peaks = burn(drawn("lump", 400), conditions(400)).grate_c.max(axis=1).reshape(-1, 2)
    within = np.mean((peaks[:, 0] - peaks[:, 1]) ** 2) / 2
    between = peaks.mean(axis=1).var(ddof=1) - within / 2
    assert 3 < np.sqrt(within) < 25
    assert 3 < np.sqrt(between) < 25


def test_a_thousand_burns_of_six_hours_take_under_two_seconds() -> None:
    charges, around = drawn("lump", 1000), conditions(1000)
    took = []
    for _ in range(3):
        begin = time.process_time()
        burn(charges, around, hours=6, step_s=10)
        took.append(time.process_time() - begin)
    assert min(took) < 2.0
