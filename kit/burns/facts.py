"""What the burn sheet and the trial file say of one burn, as numbers on its own axis of time."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from kit.trial import Run, Trial, relative_times
from kit.trial.measuring import Measuring

LABELS = ("burn", "fuel", "bag", "day", "setting")


@dataclass(frozen=True)
class Facts:
    """One burn as the sheet has it.

    Attributes
    ----------
    burn, fuel, bag, day, setting
        Labels, '' where blank.
    charge_g, charge_l, leftover_g, ash_g, ambient_c
        NaN where blank.
    ready_s
        Lit to tipped; NaN where either is blank.
    stop_s
        Stop after time zero; None where the sheet does not tell.
    clock_s
        The step in which the burn's clock times are written: 60 or 1.
    price_per_kg
        Of its fuel, in the trial's currency; NaN where it is not declared.
    declared
        The row's declared columns.
    measuring
        The trial's windows, limits and balance.
    """

    burn: str
    fuel: str
    bag: str
    day: str
    setting: str
    charge_g: float
    charge_l: float
    leftover_g: float
    ash_g: float
    ambient_c: float
    ready_s: float
    stop_s: float | None
    clock_s: float
    price_per_kg: float
    declared: Mapping[str, float]
    measuring: Measuring


def facts_of(run: Run) -> dict[str, Facts]:
    """Return what is known of each burn that was done, excluded ones too, by its id, in the sheet's order."""
    rows = run.burns[run.burns["state"] != "planned"].to_dict("records")
    return {str(row["burn"]): _facts({str(key): row[key] for key in row}, run.trial) for row in rows}


def _facts(row: Mapping[str, Any], trial: Trial) -> Facts:
    seconds = relative_times(row).seconds
    zero, stop = seconds.get(trial.time_zero_column), seconds.get("stopped")
    lit, tipped = seconds.get("lit"), seconds.get("tipped")
    whole_minutes = all(time % 60 == 0 for time in seconds.values())
    label = {name: str(row.get(name) or "") for name in LABELS}
    return Facts(
        label["burn"],
        label["fuel"],
        label["bag"],
        label["day"],
        label["setting"],
        number(row.get("charge_g")),
        number(row.get("charge_l")),
        number(row.get("leftover_g")),
        number(row.get("ash_g")),
        number(row.get("ambient_c")),
        ready_s=math.nan if lit is None or tipped is None else tipped - lit,
        stop_s=None if zero is None or stop is None else stop - zero,
        clock_s=60.0 if whole_minutes else 1.0,
        price_per_kg=price_per_kg(trial, str(row.get("fuel") or "")),
        declared={each.column: number(row.get(each.column)) for each in trial.declared},
        measuring=trial.measuring,
    )


def number(cell: object) -> float:
    """Return a cell as a number, NaN where it holds none."""
    try:
        return float(cell)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return math.nan


def price_per_kg(trial: Trial, fuel_id: str) -> float:
    """Return the price of a fuel per kg: its declared bag's, else the mean over its bags that have one."""
    fuel = next((each for each in trial.fuels if each.id == fuel_id), None)
    if fuel is None:
        return math.nan
    if fuel.price is not None and fuel.bag_kg:
        return fuel.price / fuel.bag_kg
    bags = [bag for bag in trial.bags if bag.fuel == fuel_id and bag.price is not None]
    each = [bag.price / kg for bag in bags if bag.price is not None and (kg := bag.weighed_kg or fuel.bag_kg)]
    return sum(each) / len(each) if each else math.nan


def cooks_at(trial: Trial, setting_id: str) -> frozenset[str]:
    """Return the cooks whose band a burn at a declared setting was run to hold.

    A setting's target is a cook's name, or a temperature inside the cook's band.
    """
    setting = next((each for each in trial.settings if each.id == setting_id), None)
    if setting is None:
        return frozenset()
    target = setting.target_c
    return frozenset(
        cook.name
        for cook in trial.cooks
        if setting.target == cook.name or (target is not None and cook.low <= target <= cook.high)
    )
