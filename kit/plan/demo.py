"""The demo run folder: a cookery school chooses fuel; every burn of it is simulated, from seed 1."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pandas as pd

from kit.plan.loggers import Fault
from kit.plan.order import run_order
from kit.plan.recipes import BRIQUETTE, LUMP, SHELL, Recipe
from kit.plan.simulated import simulate_trial
from kit.plan.simulated_plan import write_simulated_plan

DEMO_SEED = 1  # fixed before the first run; never chosen for its results
BAGS, BURNS = 3, 2
OVENS = ("drum oven 1", "drum oven 2")
TASTERS = ("P", "R", "T")
PLANNED_ON = "2026-02-27"
SPARE_LOGGER_DAYS = ("2026-03-12", "2026-03-13")

RECIPES: dict[str, Recipe] = {
    "alder": replace(LUMP, size_m=0.048, density=330.0, volatile=0.14, ash=0.022, flux=1.20e-3),
    "beech": replace(LUMP, size_m=0.055, density=410.0, volatile=0.11, ash=0.031, flux=1.42e-3),
    "vine": replace(LUMP, size_m=0.040, density=390.0, volatile=0.16, ash=0.045, flux=1.18e-3, bag_size=0.08),
    "pressed": BRIQUETTE,
    "sawdust": replace(BRIQUETTE, size_m=0.048, density=840.0, ash=0.10, volatile=0.17, flux=2.15e-3),
    "olive": replace(SHELL, ash=0.045, flux=2.45e-3),
}

FAULTS = (
    Fault("battery", "25", after_min=26),
    Fault("wind", "16", value=12.0),
    Fault("lid open", "07", after_min=32, minutes=3),
    Fault("spike", "03", after_min=41, value=412.0),
    Fault("stuck", "34", after_min=38, minutes=26, probe="lid"),
)

TRIAL = """\
# SIMULATED: nothing here was burnt. The repeatburn kit made this folder from seed 1, to show what it does.
# Every fuel, brand, shop, price and person in it is invented.

[trial]
title = "Which fuel for the drum oven (simulated)"
question = "Which of six fuels should the school buy for its drum oven next season?"
operator = "simulator"
place = "an invented cookery school in hill country"
interests = "None: the burns are simulated, the fuels and brands invented."
cooker = ["drum oven 1", "drum oven 2"]   # two of one make: steel, with lid, 57 cm
probe = "grate"
time_zero = "lid on"
stop_rule = "grate back within 20 °C of the air, or four hours after lid on"
currency = "EUR"
show = "both"
control_fuel = "pressed"

[charge]
by = "mass"
grams = 400
tolerance_g = 6

[metrics]
thresholds = [110, 150, 200]
primary = ["peak", "time_above:150"]

# the smallest difference that matters to a cook, written down before the first burn
[margins]
peak = "15 °C"
"time_above:110" = "10 %"
"time_above:150" = "10 %"
"time_to:150" = "20 %"

[model]
spread = "common"
confidence = 0.95

[plan]
bags = 3
burns = 2
days = 18
budget = 400
seed = 1
burn_h = 2.75
cool_h = 3
first_day = 2026-03-02
weekdays = ["Mon", "Tue", "Wed", "Thu", "Fri"]
earliest = "08:00"
latest = "15:00"
cookers = 2

[[fuel]]
id = "alder"
name = "alder lump"
brand = "Quellbrand"
kind = "lump"
wood = "alder"
price = 11.50
price_date = 2026-02-20
shop = "shop one"
bag_kg = 5.0
obtained = "bought"

[[fuel]]
id = "beech"
name = "beech lump"
brand = "Orrowick Kilns"
kind = "lump"
wood = "beech"
price = 13.90
price_date = 2026-02-20
shop = "shop one"
bag_kg = 5.0
obtained = "bought"

[[fuel]]
id = "vine"
name = "vine-wood lump"
brand = "Terravel"
kind = "lump"
wood = "vine prunings"
hazards = ["throws sparks while it lights"]
price = 16.80
price_date = 2026-02-21
shop = "shop two"
bag_kg = 4.0
obtained = "bought"

[[fuel]]
id = "pressed"
name = "pressed briquettes"
brand = "Murrelby"
kind = "briquette"
wood = "mixed hardwood char"
additives = "starch binder"
price = 7.90
price_date = 2026-02-20
shop = "shop one"
bag_kg = 5.0
obtained = "bought"

[[fuel]]
id = "sawdust"
name = "sawdust briquettes"
brand = "Pindrake"
kind = "briquette"
wood = "pressed sawdust char"
price = 9.60
price_date = 2026-02-21
shop = "shop two"
bag_kg = 5.0
obtained = "bought"

[[fuel]]
id = "olive"
name = "olive-stone briquettes"
brand = "Terravel"
kind = "briquette"
wood = "olive stones"
additives = "starch binder"
price = 12.40
price_date = 2026-02-21
shop = "shop two"
bag_kg = 5.0
obtained = "bought"

[[cook]]
name = "roasting"
low = 150
high = 200
hours = 1.0

[[cook]]
name = "searing"
low = 260
high = 370
hours = 0.25

[[probe]]
id = "grate"
place = "middle of the grate, 3 cm above it, shielded from the coals"
class = 2
resolution = 0.1
time_constant_s = 35
ice_reads = 0.3
boil_reads = 98.6
altitude_m = 520

[[probe]]
id = "lid"
place = "hole in the lid, 5 cm in"
class = 2
resolution = 0.1
time_constant_s = 35

[[logger]]
id = "bench"
files = ["burn-*.csv"]
columns = { grate = "grate (°C)", lid = "lid (°C)" }

[[logger]]
id = "spare"
files = ["spare-*.csv"]
columns = { grate = "grate °C", lid = "lid °C" }
day_first = true
"""


def demo_order(seed: int = DEMO_SEED) -> pd.DataFrame:
    """Return the order of the demo's 36 burns: two a day on eighteen weekdays, one in each oven."""
    return run_order(
        list(RECIPES),
        BAGS,
        BURNS,
        len(OVENS),
        seed,
        first_day="2026-03-02",
        weekdays=(0, 1, 2, 3, 4),
        cookers=OVENS,
    )


def make_demo(folder: str | Path, seed: int = DEMO_SEED) -> Path:
    """Write the demo run folder; with its own seed the same bytes each time.

    Raises
    ------
    KitError
        Where the folder exists.
    """
    order = demo_order(seed)
    target = simulate_trial(
        folder, TRIAL, order, seed, RECIPES, FAULTS, comma_days=SPARE_LOGGER_DAYS, tasters=TASTERS
    )
    write_simulated_plan(target, order, PLANNED_ON)
    return target


if __name__ == "__main__":
    make_demo(sys.argv[1])
