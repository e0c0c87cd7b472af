"""What further burns take, and what there is to spend on them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from kit.burns.sheet_rows import sheet_rows
from kit.trial import Run, Trial

HOUR = 3600.0


@dataclass(frozen=True)
class Resources:
    """What a burn and a bag take, and what the plan allows; NaN where it is not known.

    Attributes
    ----------
    grams, hours
        Of one burn: the mean charge, and lighting to stop on average.
    bag_price
        Of each fuel with a price.
    budget, most_hours
        What the plan allows for, infinite where it sets no limit.
    currency
        Of prices and budget.
    """

    grams: float = math.nan
    hours: float = math.nan
    bag_price: Mapping[str, float] = field(default_factory=dict)
    budget: float = math.inf
    most_hours: float = math.inf
    currency: str = ""


def resources_of(run: Run) -> Resources:
    """Return what a run folder says of the cost of its burns."""
    trial, burns = run.trial, list(sheet_rows(run).values())
    seconds = [
        burn.stop_s + (0.0 if math.isnan(burn.ready_s) else burn.ready_s) for burn in burns if burn.stop_s
    ]
    grams = [burn.charge_g for burn in burns if burn.charge_g == burn.charge_g]
    plan = trial.plan
    return Resources(
        grams=_mean(grams) if grams else float(trial.charge.grams or math.nan),
        hours=_mean(seconds) / HOUR,
        bag_price=_bag_prices(trial),
        budget=plan.budget or math.inf,
        most_hours=plan.hours * plan.days if plan.hours and plan.days else math.inf,
        currency=trial.currency,
    )


def _mean(values: list[float]) -> float:
    return sum(values) / len(values) if values else math.nan


def _bag_prices(trial: Trial) -> dict[str, float]:
    """Return the price of a bag of each fuel: the fuel's own, else the mean over its bags that have one."""
    prices = {fuel.id: float(fuel.price) for fuel in trial.fuels if fuel.price is not None}
    for name in {bag.fuel for bag in trial.bags} - set(prices):
        paid = [bag.price for bag in trial.bags if bag.fuel == name and bag.price is not None]
        if paid:
            prices[name] = _mean(paid)
    return prices
