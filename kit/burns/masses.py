"""Metrics of the burn sheet: masses, clock times, money, and the trial's own columns."""

from __future__ import annotations

import math

from kit.burns.facts import Facts
from kit.burns.found import Found, bounded, floor_zero, missing
from kit.burns.times import MINUTE, RECTANGLE
from kit.schema import Metric
from kit.trial.measuring import Measuring

KILOGRAM = 1000.0


def balance_u(measuring: Measuring) -> tuple[float, float]:
    """Return the balance's standard uncertainty in g: what each weighing has anew, and what all share.

    u² = (d/√12)² + repeatability² anew, (linearity/√3)² shared (DEVELOPERS.md, physics).
    """
    anew = math.hypot(measuring.balance_division_g / RECTANGLE, measuring.balance_repeatability_g)
    return anew, measuring.balance_linearity_g / math.sqrt(3)


def weighing_fault(facts: Facts) -> str:
    """Return why the masses of a burn cannot be right, '' where nothing speaks against them."""
    if facts.ash_g > facts.charge_g:
        return "the ash is heavier than the charge: was the scale tared?"
    if facts.leftover_g > facts.charge_g:
        return "more was left over than was loaded: was the scale tared?"
    if facts.charge_g <= 0:
        return "the charge weighs nothing"
    return ""


def ready(facts: Facts) -> Found:
    """Return the minutes from lit to tipped (DEVELOPERS.md, metrics)."""
    if math.isnan(facts.ready_s):
        return missing("lit or tipped is blank")
    clock = facts.clock_s / MINUTE
    found = Found(facts.ready_s / MINUTE, u={"clock": math.sqrt(2) * clock / RECTANGLE})
    return floor_zero(found, clock, "one step of the clock")


def burn_rate(facts: Facts, duration_s: float, topped_up: bool) -> Found:
    """Return (charge − left over) / duration in g/min, from time zero to the stop (DEVELOPERS.md, metrics)."""
    fault = _blank(facts, "charge_g", "leftover_g") or weighing_fault(facts)
    if fault or topped_up:
        return missing(fault or "fuel was added, its mass is not in the charge")
    if not duration_s > 0:
        return missing("neither the sheet nor a log tells how long the burn was")
    minutes = duration_s / MINUTE
    burnt = facts.charge_g - facts.leftover_g
    anew, _ = balance_u(facts.measuring)
    u = {
        "balance": math.sqrt(2) * anew / minutes,
        "clock": burnt / minutes * math.sqrt(2) * facts.clock_s / RECTANGLE / duration_s,
    }
    found = Found(burnt / minutes, u=u)
    return floor_zero(found, facts.measuring.balance_division_g / minutes, "one step of the balance")


def share_of_charge(facts: Facts, column: str, topped_up: bool) -> Found:
    """Return ash or left-over fuel as per cent of the charge (DEVELOPERS.md, metrics)."""
    fault = _blank(facts, "charge_g", column) or weighing_fault(facts)
    if fault or topped_up:
        return missing(fault or "fuel was added, its mass is not in the charge")
    part: float = getattr(facts, column)
    anew, _ = balance_u(facts.measuring)
    u = {"balance": 100 / facts.charge_g * anew * math.hypot(1, part / facts.charge_g)}
    found = Found(100 * part / facts.charge_g, u=u)
    return floor_zero(
        found, 100 * facts.measuring.balance_division_g / facts.charge_g, "one step of the balance"
    )


def bulk_density(facts: Facts) -> Found:
    """Return charge mass over charge volume in kg/L (DEVELOPERS.md, metrics)."""
    fault = _blank(facts, "charge_g", "charge_l") or weighing_fault(facts)
    if fault or facts.charge_l <= 0:
        return missing(fault or "the volume is zero")
    anew, _ = balance_u(facts.measuring)
    kilograms = facts.charge_g / KILOGRAM
    return Found(kilograms / facts.charge_l, u={"balance": anew / KILOGRAM / facts.charge_l})


def cost(facts: Facts, above: Found, topped_up: bool) -> Found:
    """Return the cost of an hour above a threshold (DEVELOPERS.md, metrics).

    Price per kg × (charge − credited left-over) / hours above: what is at least long costs at most so much.
    """
    needed = ("charge_g", "leftover_g") if facts.measuring.leftover_credit > 0 else ("charge_g",)
    fault = _blank(facts, *needed) or weighing_fault(facts)
    if fault or topped_up:
        return missing(fault or "fuel was added, its mass is not in the charge")
    if math.isnan(facts.price_per_kg):
        return missing("the fuel's price or its bag's weight is not declared")
    if not above.value > 0:
        return missing(above.note or "no time above the threshold")
    if facts.price_per_kg == 0:
        return missing("the fuel cost nothing: its cost has no ratio to another's")
    credit = facts.measuring.leftover_credit
    kept = credit * facts.leftover_g if credit > 0 else 0.0
    spent = facts.price_per_kg * (facts.charge_g - kept) / KILOGRAM
    value = spent * 60 / above.value
    anew, _ = balance_u(facts.measuring)
    u = {name: value * part / above.value for name, part in above.u.items()}
    u["balance"] = facts.price_per_kg / KILOGRAM * anew * math.hypot(1, credit) * 60 / above.value
    less, more = above.status == "at least", above.status == "at most"
    found = bounded(value, more=above.note if more else "", less=above.note if less else "", u=u)
    return floor_zero(found, 0.0, "what was left over, all of it credited")


def declared(facts: Facts, metric: Metric) -> Found:
    """Return a column of the burn sheet that the trial declares as a metric.

    A count of none is 'at most 1' on the scale of ratios, as a duration of zero is at most one sampling interval.
    """
    value = facts.declared.get(metric.base, math.nan)
    if math.isnan(value):
        return missing(f"{metric.base} is blank")
    if metric.counted:
        return floor_zero(Found(value), 1.0, "one", "none was counted")
    if metric.scale == "log" and value <= 0:
        return missing(
            f'{metric.base} is {value:g}: it needs scale = "plain", or "count" if it is a number of things'
        )
    return Found(value)


def _blank(facts: Facts, *columns: str) -> str:
    blank = [column for column in columns if math.isnan(getattr(facts, column))]
    return f"{' and '.join(blank)} blank" if blank else ""
