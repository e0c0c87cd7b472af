"""What the burn sheet and the trial file say of one burn, as numbers on its own axis of time."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from kit.metrics import Measuring, SheetRow
from kit.trial import Run, Trial, relative_times

LABELS = ("burn", "fuel", "bag", "day", "setting")
NUMBERS = ("charge_g", "charge_l", "leftover_g", "ash_g", "ambient_c")


def sheet_rows(run: Run, measuring: Measuring | None = None) -> dict[str, SheetRow]:
    """Return what is known of each burn that was done, excluded ones too, by its id, in the sheet's order.

    Parameters
    ----------
    run
        The run folder.
    measuring
        The windows to measure by; by default the trial's.
    """
    rows = run.burns[run.burns["state"] != "planned"].to_dict("records")
    how = measuring or run.trial.measuring
    return {str(row["burn"]): _sheet_row({str(key): row[key] for key in row}, run.trial, how) for row in rows}


def _sheet_row(row: Mapping[str, Any], trial: Trial, measuring: Measuring) -> SheetRow:
    seconds = relative_times(row).seconds
    zero, stop = seconds.get(trial.time_zero_column), seconds.get("stopped")
    lit, tipped = seconds.get("lit"), seconds.get("tipped")
    whole_minutes = all(time % 60 == 0 for time in seconds.values())
    burn, fuel, bag, day, setting = (str(row.get(name) or "") for name in LABELS)
    charge_g, charge_l, leftover_g, ash_g, ambient_c = (number(row.get(name)) for name in NUMBERS)
    held = cooks_at(trial, setting)
    return SheetRow(
        *(burn, fuel, bag, day, setting),
        *(charge_g, charge_l, leftover_g, ash_g, ambient_c),
        ready_s=math.nan if lit is None or tipped is None else tipped - lit,
        stop_s=None if zero is None or stop is None else stop - zero,
        clock_s=60.0 if whole_minutes else 1.0,
        price_per_kg=price_per_kg(trial, fuel),
        declared={each.column: number(row.get(each.column)) for each in trial.declared},
        cool_down_c=measuring.cool_down_c or cool_down_pair(trial),
        bands={cook.name: (cook.low, cook.high) if cook.name in held else None for cook in trial.cooks},
        measuring=measuring,
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


def cool_down_pair(trial: Trial) -> tuple[float, float] | None:
    """Return the highest and the lowest threshold, None where there are no two."""
    low, high = min(trial.thresholds, default=0.0), max(trial.thresholds, default=0.0)
    return (high, low) if high > low else None
