"""Changes and values over seasons in words."""

from __future__ import annotations

import math

import numpy as np

from kit.history.alike import BY_CONTROL, DIRECTLY
from kit.history.history import History, MetricHistory
from kit.metrics import Metric
from kit.page.numbers import Units, to_range
from kit.publish.wording import Amount, capital, label_of


def units_of(history: History) -> Units:
    """Return how the newest season wants its units shown."""
    trial = history.newest.trial
    return Units(trial.get("show") or "metric", str(trial.get("currency") or ""))


def shown(values: object, spec: Metric) -> object:
    """Return values of the analysis scale as they are shown: exponentials on the log scale."""
    return np.exp(values) if spec.scale == "log" else values  # type: ignore[call-overload]


def label(found: MetricHistory, units: Units) -> str:
    """Return the metric's name with a capital."""
    return capital(label_of(found.spec, units))


def told_of(value: float, low: float, high: float, spec: Metric, units: Units) -> Amount:
    """Return a difference of the analysis scale ready to be told."""
    first, lower, upper = (math.exp(x) if spec.scale == "log" else x for x in (value, low, high))
    return Amount(first, lower, upper, math.nan, spec, units)


def change_words(value: float, low: float, high: float, spec: Metric, units: Units) -> str:
    """Return '12 °C (22 °F) hotter (95 % interval 5 to 19 °C)'."""
    told = told_of(value, low, high, spec, units)
    return f"{told.end(told.value)} (95\u00a0% interval {told.interval})"


def reach_words(value: float, low: float, high: float, spec: Metric, units: Units) -> str:
    """Return 'anything from 8 °C (14 °F) cooler to 22 °C (40 °F) hotter'."""
    return told_of(value, low, high, spec, units).reach


def value_words(mean: float, low: float, high: float, spec: Metric, units: Units) -> str:
    """Return '251 °C (240 to 262)'."""
    middle, lower, upper = (math.exp(x) if spec.scale == "log" else x for x in (mean, low, high))
    return to_range(middle, lower, upper, spec.unit, units)


def sentence(fuel: str, found: MetricHistory, standing: str, why: str, units: Units) -> str:
    """Return what may be said in public of a fuel's standing."""
    name = label_of(found.spec, units)
    if standing == DIRECTLY:
        row = found.fuels[found.fuels["fuel"] == fuel]
        if len(row):
            each = row.iloc[0]
            value = value_words(each["mean"], each["low"], each["high"], found.spec, units)
            return (
                f"{capital(fuel)}: {name} {value}, and it may be set beside the fuels of {found.reference}."
            )
    if standing == BY_CONTROL:
        row = found.by_control[found.by_control["fuel"] == fuel]
        if len(row):
            each = row.iloc[0]
            sizes = (each["mean"], each["low"], each["high"], found.spec, units)
            if each["low"] <= 0 <= each["high"]:
                return (
                    f"Whether {fuel} differs from {found.control} in {name} is not settled: "
                    f"{reach_words(*sizes)} is possible."
                )
            change = change_words(*sizes)
            return f"{capital(fuel)} was {change} than {found.control} burned in the same seasons."
        return f"{capital(fuel)} is what the others are held against; its own values moved over the seasons."
    return f"We do not set the {name} of {fuel} beside the fuels of {found.reference}: {why}."
