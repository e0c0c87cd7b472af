"""Metrics of the burn sheet: masses, clock times, money, and the trial's own columns."""

import math

from kit.metrics.burn import Burn
from kit.metrics.curve_metrics import time_above
from kit.metrics.record import MINUTE, RECTANGLE, MeasuredValue, Metric, bounded, floor_zero, missing, record

KILOGRAM = 1000.0


def unweighed(burn: Burn, *columns: str, one_charge: bool = True) -> str:
    """Return why masses of a burn are not known: blank, not to be believed, or not of one charge; '' where they are."""
    row = burn.row
    blank = [column for column in columns if math.isnan(getattr(row, column))]
    faults = {
        f"{' and '.join(blank)} blank": blank,
        "the ash is heavier than the charge: was the scale tared?": row.ash_g > row.charge_g,
        "more was left over than was loaded: was the scale tared?": row.leftover_g > row.charge_g,
        "the charge weighs nothing": row.charge_g <= 0,
        "fuel was added, its mass is not in the charge": one_charge and burn.curve and burn.curve.topped_up,
    }
    return next((fault for fault, holds in faults.items() if holds), "")


@record("lighting time (lit to tipped)", "min", better="less", source="sheet")
def ready(burn: Burn, _: Metric) -> MeasuredValue:
    """Lit to tipped, by the clock times of the burn sheet."""
    row = burn.row
    if math.isnan(row.ready_s):
        return missing("lit or tipped is blank")
    clock = row.clock_s / MINUTE
    measured = MeasuredValue(row.ready_s / MINUTE, u={"clock": math.sqrt(2) * clock / RECTANGLE})
    return floor_zero(measured, clock, "one step of the clock")


@record("mean burn rate", "g/min", source="sheet")
def burn_rate(burn: Burn, _: Metric) -> MeasuredValue:
    """(charge − left over) / duration from time zero to the stop."""
    row = burn.row
    if fault := unweighed(burn, "charge_g", "leftover_g"):
        return missing(fault)
    seconds = burn.curve.stop_s if row.stop_s is None and burn.curve else row.stop_s or 0.0
    if not seconds > 0:
        return missing("neither the sheet nor a log tells how long the burn was")
    minutes = seconds / MINUTE
    rate = (row.charge_g - row.leftover_g) / minutes
    u = {
        "balance": math.sqrt(2) * row.measuring.weighing_u_g / minutes,
        "clock": rate * math.sqrt(2) * row.clock_s / RECTANGLE / seconds,
    }
    least = row.measuring.balance_division_g / minutes
    return floor_zero(MeasuredValue(rate, u=u), least, "one step of the balance")


@record("ash fraction", "%", better="less", source="sheet")
def ash(burn: Burn, _: Metric) -> MeasuredValue:
    """Ash / charge; ash from a cooker's pan is not furnace ash."""
    return _share_of_charge(burn, "ash_g")


@record("unburned fraction", "%", source="sheet")
def unburnt(burn: Burn, _: Metric) -> MeasuredValue:
    """Recovered fuel / charge."""
    return _share_of_charge(burn, "leftover_g")


def _share_of_charge(burn: Burn, column: str) -> MeasuredValue:
    if fault := unweighed(burn, "charge_g", column):
        return missing(fault)
    row, part = burn.row, float(getattr(burn.row, column))
    u = 100 / row.charge_g * row.measuring.weighing_u_g * math.hypot(1, part / row.charge_g)
    least = 100 * row.measuring.balance_division_g / row.charge_g
    share = MeasuredValue(100 * part / row.charge_g, u={"balance": u})
    return floor_zero(share, least, "one step of the balance")


@record("bulk density", "kg/L", source="sheet")
def bulk_density(burn: Burn, _: Metric) -> MeasuredValue:
    """Charge mass / charge volume, where a volume was measured."""
    row = burn.row
    if fault := unweighed(burn, "charge_g", "charge_l", one_charge=False):
        return missing(fault)
    if row.charge_l <= 0:
        return missing("the volume is zero")
    per_gram = 1 / KILOGRAM / row.charge_l
    return MeasuredValue(row.charge_g * per_gram, u={"balance": row.measuring.weighing_u_g * per_gram})


@record("cost per hour above", "per h", better="less", takes="threshold")
def cost(burn: Burn, metric: Metric) -> MeasuredValue:
    """Price of the fuel used, credited left-over taken off, / time above θ.

    Price per kg × (charge − credited left-over) / hours above: what is at least long costs at most so much.
    """
    row, above, credit = burn.row, time_above.measure(burn, metric), burn.row.measuring.leftover_credit
    if fault := unweighed(burn, *(("charge_g", "leftover_g") if credit > 0 else ("charge_g",))):
        return missing(fault)
    if math.isnan(row.price_per_kg):
        return missing("the fuel's price or its bag's weight is not declared")
    if not above.value > 0:
        return missing(above.note or "no time above the threshold")
    if row.price_per_kg == 0:
        return missing("the fuel cost nothing: its cost has no ratio to another's")
    per_gram = row.price_per_kg / KILOGRAM * 60 / above.value
    value = per_gram * (row.charge_g - (credit * row.leftover_g if credit > 0 else 0.0))
    u = {name: value * part / above.value for name, part in above.u.items()}
    u["balance"] = per_gram * row.measuring.weighing_u_g * math.hypot(1, credit)
    more = above.note if above.status == "at most" else ""
    less = above.note if above.status == "at least" else ""
    measured = bounded(value, more=more, less=less, u=u)
    return floor_zero(measured, 0.0, "what was left over, all of it credited")


OF_THE_SHEET = (ready, burn_rate, ash, unburnt, bulk_density, cost)
