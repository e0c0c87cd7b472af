"""Metrics of the burn sheet: masses, clock times, money, and the trial's own columns."""

from __future__ import annotations

import math

from kit.metrics.burn import Burn, SheetRow
from kit.metrics.durations import time_above
from kit.metrics.measured_value import MINUTE, RECTANGLE, MeasuredValue, bounded, floor_zero, missing
from kit.metrics.measuring import Measuring
from kit.metrics.record import Metric, Phrases

KILOGRAM = 1000.0


def balance_u(measuring: Measuring) -> tuple[float, float]:
    """Return the balance's standard uncertainty in g: what each weighing has anew, and what all share.

    u² = (d/√12)² + repeatability² anew, (linearity/√3)² shared (DEVELOPERS.md, physics).
    """
    anew = math.hypot(measuring.balance_division_g / RECTANGLE, measuring.balance_repeatability_g)
    return anew, measuring.balance_linearity_g / math.sqrt(3)


def weighing_fault(row: SheetRow) -> str:
    """Return why the masses of a burn cannot be right, '' where nothing speaks against them."""
    if row.ash_g > row.charge_g:
        return "the ash is heavier than the charge: was the scale tared?"
    if row.leftover_g > row.charge_g:
        return "more was left over than was loaded: was the scale tared?"
    if row.charge_g <= 0:
        return "the charge weighs nothing"
    return ""


def ready(burn: Burn, _: Metric) -> MeasuredValue:
    """Return the minutes from lit to tipped."""
    row = burn.row
    if math.isnan(row.ready_s):
        return missing("lit or tipped is blank")
    clock = row.clock_s / MINUTE
    measured = MeasuredValue(row.ready_s / MINUTE, u={"clock": math.sqrt(2) * clock / RECTANGLE})
    return floor_zero(measured, clock, "one step of the clock")


def burn_rate(burn: Burn, _: Metric) -> MeasuredValue:
    """Return (charge − left over) / duration in g/min, from time zero to the stop."""
    row, duration_s = burn.row, burn.duration_s
    fault = _blank(row, "charge_g", "leftover_g") or weighing_fault(row)
    if fault or burn.topped_up:
        return missing(fault or "fuel was added, its mass is not in the charge")
    if not duration_s > 0:
        return missing("neither the sheet nor a log tells how long the burn was")
    minutes = duration_s / MINUTE
    burnt = row.charge_g - row.leftover_g
    anew = balance_u(row.measuring)[0]
    u = {
        "balance": math.sqrt(2) * anew / minutes,
        "clock": burnt / minutes * math.sqrt(2) * row.clock_s / RECTANGLE / duration_s,
    }
    measured = MeasuredValue(burnt / minutes, u=u)
    return floor_zero(measured, row.measuring.balance_division_g / minutes, "one step of the balance")


def ash(burn: Burn, _: Metric) -> MeasuredValue:
    """Return the ash as per cent of the charge."""
    return _share_of_charge(burn, "ash_g")


def unburnt(burn: Burn, _: Metric) -> MeasuredValue:
    """Return the left-over fuel as per cent of the charge."""
    return _share_of_charge(burn, "leftover_g")


def _share_of_charge(burn: Burn, column: str) -> MeasuredValue:
    row = burn.row
    fault = _blank(row, "charge_g", column) or weighing_fault(row)
    if fault or burn.topped_up:
        return missing(fault or "fuel was added, its mass is not in the charge")
    part: float = getattr(row, column)
    anew = balance_u(row.measuring)[0]
    u = {"balance": 100 / row.charge_g * anew * math.hypot(1, part / row.charge_g)}
    measured = MeasuredValue(100 * part / row.charge_g, u=u)
    return floor_zero(
        measured, 100 * row.measuring.balance_division_g / row.charge_g, "one step of the balance"
    )


def bulk_density(burn: Burn, _: Metric) -> MeasuredValue:
    """Return charge mass over charge volume in kg/L."""
    row = burn.row
    fault = _blank(row, "charge_g", "charge_l") or weighing_fault(row)
    if fault or row.charge_l <= 0:
        return missing(fault or "the volume is zero")
    anew = balance_u(row.measuring)[0]
    kilograms = row.charge_g / KILOGRAM
    return MeasuredValue(kilograms / row.charge_l, u={"balance": anew / KILOGRAM / row.charge_l})


def cost(burn: Burn, metric: Metric) -> MeasuredValue:
    """Return the cost of an hour above a threshold.

    Price per kg × (charge − credited left-over) / hours above: what is at least long costs at most so much.
    """
    row, above = burn.row, time_above(burn, metric)
    needed = ("charge_g", "leftover_g") if row.measuring.leftover_credit > 0 else ("charge_g",)
    fault = _blank(row, *needed) or weighing_fault(row)
    if fault or burn.topped_up:
        return missing(fault or "fuel was added, its mass is not in the charge")
    if math.isnan(row.price_per_kg):
        return missing("the fuel's price or its bag's weight is not declared")
    if not above.value > 0:
        return missing(above.note or "no time above the threshold")
    if row.price_per_kg == 0:
        return missing("the fuel cost nothing: its cost has no ratio to another's")
    credit = row.measuring.leftover_credit
    kept = credit * row.leftover_g if credit > 0 else 0.0
    spent = row.price_per_kg * (row.charge_g - kept) / KILOGRAM
    value = spent * 60 / above.value
    anew = balance_u(row.measuring)[0]
    u = {name: value * part / above.value for name, part in above.u.items()}
    u["balance"] = row.price_per_kg / KILOGRAM * anew * math.hypot(1, credit) * 60 / above.value
    less, more = above.status == "at least", above.status == "at most"
    measured = bounded(value, more=above.note if more else "", less=above.note if less else "", u=u)
    return floor_zero(measured, 0.0, "what was left over, all of it credited")


def declared(burn: Burn, metric: Metric) -> MeasuredValue:
    """Return a column of the burn sheet that the trial declares as a metric.

    A count of none is 'at most 1' on the scale of ratios, as a duration of zero is at most one sampling interval.
    """
    value = burn.row.declared.get(metric.base, math.nan)
    if math.isnan(value):
        return missing(f"{metric.base} is blank")
    if metric.counted:
        return floor_zero(MeasuredValue(value), 1.0, "one", "none was counted")
    if metric.scale == "log" and value <= 0:
        return missing(
            f'{metric.base} is {value:g}: it needs scale = "plain", or "count" if it is a number of things'
        )
    return MeasuredValue(value)


def _blank(row: SheetRow, *columns: str) -> str:
    blank = [column for column in columns if math.isnan(getattr(row, column))]
    return f"{' and '.join(blank)} blank" if blank else ""


MASSES = (
    Metric(
        id="ready",
        base="ready",
        label="lighting time (lit to tipped)",
        unit="min",
        scale="log",
        more="slower",
        less="quicker",
        better="less",
        source="sheet",
        definition="lit to tipped, by the clock times of the burn sheet",
        own_phrases=Phrases(
            more="{a} took {amount} longer to light than {b}",
            less="{a} took {amount} less time to light than {b}",
            times="{a} took {amount} as long to light as {b}",
            question="{a} or {b} took longer to light",
            same="{a} and {b} took equally long to light",
            chance="take longer to light",
            short="slower to light",
            short_less="quicker to light",
            best="ready soonest",
            as_good="as soon",
            side_more="longer",
            side_times="as long",
        ),
        measure=ready,
    ),
    Metric(
        id="burn_rate",
        base="burn_rate",
        label="mean burn rate",
        unit="g/min",
        scale="log",
        more="faster",
        less="slower",
        better="",
        source="sheet",
        definition="(charge − left over) / duration from time zero to the stop",
        own_phrases=Phrases(
            more="{a} burned {amount} faster than {b}",
            less="{a} burned {amount} slower than {b}",
            times="{a} burned {amount} as fast as {b}",
            question="{a} or {b} burned faster",
            same="{a} and {b} burned equally fast",
            chance="burn faster",
            short="faster burn",
            short_less="slower burn",
            side_more="faster",
            side_less="slower",
            side_times="as fast",
        ),
        measure=burn_rate,
    ),
    Metric(
        id="ash",
        base="ash",
        label="ash fraction",
        unit="%",
        scale="log",
        more="more ash",
        less="less ash",
        better="less",
        source="sheet",
        definition="ash / charge; ash from a cooker's pan is not furnace ash",
        own_phrases=Phrases(
            more="{a} left {amount} more ash than {b}",
            less="{a} left {amount} less ash than {b}",
            times="{a} left {amount} as much ash as {b}",
            question="{a} or {b} left more ash",
            same="{a} and {b} left equally much ash",
            chance="leave more ash",
            short="more ash",
            short_less="less ash",
            best="least ash",
            as_good="as little",
        ),
        measure=ash,
    ),
    Metric(
        id="unburnt",
        base="unburnt",
        label="unburned fraction",
        unit="%",
        scale="log",
        more="more left over",
        less="less left over",
        better="",
        source="sheet",
        definition="recovered fuel / charge",
        own_phrases=Phrases(
            more="{a} left {amount} more fuel unburned than {b}",
            less="{a} left {amount} less fuel unburned than {b}",
            times="{a} left {amount} as much fuel unburned as {b}",
            question="{a} or {b} left more fuel unburned",
            same="{a} and {b} left equally much fuel unburned",
            chance="leave more fuel unburned",
            short="more left over",
            short_less="less left over",
        ),
        measure=unburnt,
    ),
    Metric(
        id="bulk_density",
        base="bulk_density",
        label="bulk density",
        unit="kg/L",
        scale="log",
        more="denser",
        less="lighter",
        better="",
        source="sheet",
        definition="charge mass / charge volume, where a volume was measured",
        own_phrases=Phrases(
            more="{a} packed {amount} denser in the starter than {b}",
            less="{a} packed {amount} looser in the starter than {b}",
            times="{a} packed {amount} as dense in the starter as {b}",
            question="{a} or {b} packed denser in the starter",
            same="{a} and {b} packed equally dense in the starter",
            chance="be denser",
            short="denser",
            short_less="looser",
            side_more="denser",
            side_less="looser",
            side_times="as dense",
        ),
        measure=bulk_density,
    ),
    Metric(
        id="cost",
        base="cost",
        label="cost per hour above",
        unit="per h",
        scale="log",
        more="dearer",
        less="cheaper",
        better="less",
        source="curve",
        takes="threshold",
        definition="price of the fuel used, credited left-over taken off, / time above θ",
        own_phrases=Phrases(
            more="an hour above {at} cost {amount} more with {a} than with {b}",
            less="an hour above {at} cost {amount} less with {a} than with {b}",
            times="an hour above {at} cost {amount} as much with {a} as with {b}",
            question="an hour above {at} cost less with {a} or with {b}",
            same="an hour above {at} cost the same with {a} and with {b}",
            chance="cost more by the hour above {at}",
            short="dearer by the hour",
            short_less="cheaper by the hour",
            best="cheapest by the hour above {at}",
            as_good="as cheap",
        ),
        measure=cost,
    ),
)
