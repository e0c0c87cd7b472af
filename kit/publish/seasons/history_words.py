"""Changes and values over seasons in words."""

from __future__ import annotations

import math

import numpy as np

from kit.history.comparability import BY_CONTROL, DIRECTLY
from kit.history.history import History, MetricHistory
from kit.metrics import Metric
from kit.page.shown_numbers import Units, to_range
from kit.publish.wording import Amount, capital, counted, label_of, possessed, threshold


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
    amount = told_of(value, low, high, spec, units)
    return f"{amount.end(amount.value)} (95\u00a0% interval {amount.interval})"


def clause_words(a: str, b: str, value: float, low: float, high: float, spec: Metric, units: Units) -> str:
    """Return 'alder stayed above 150 °C 32 % longer than pressed (95 % interval 20 to 45 %)': the measure named."""
    amount = told_of(value, low, high, spec, units)
    phrase = spec.phrases
    clause = phrase.times if amount.multiple else phrase.more if amount.above else phrase.less
    filled = clause.format(a=a, b=b, at=threshold(spec, units), amount=amount.size)
    return f"{possessed(filled, a, b)} (95\u00a0% interval {amount.interval})"


def reach_words(value: float, low: float, high: float, spec: Metric, units: Units) -> str:
    """Return 'anything from 8 °C (14 °F) cooler to 22 °C (40 °F) hotter'."""
    return told_of(value, low, high, spec, units).reach


def value_words(mean: float, low: float, high: float, spec: Metric, units: Units) -> str:
    """Return '251 °C (240 to 262)'."""
    middle, lower, upper = (math.exp(x) if spec.scale == "log" else x for x in (mean, low, high))
    return to_range(middle, lower, upper, spec.unit, units)


def sentence(fuel: str, found: MetricHistory, standing: str, why: str, history: History) -> str:
    """Return what may be said in public of a fuel's standing: with its burns, its cooker, and 'simulated' first."""
    units, name = units_of(history), label_of(found.spec, units_of(history))
    rows = {BY_CONTROL: found.by_control, DIRECTLY: found.fuels}.get(standing, found.fuels.iloc[:0])
    own = rows[rows["fuel"] == fuel]
    if not len(own):
        if standing == BY_CONTROL:
            return f"{capital(fuel)} is the reference for the others; its own values moved over the seasons."
        return f"We do not compare the {name} of {fuel} with the fuels of {found.reference}: {why}."
    each = own.iloc[0]
    sizes = (each["mean"], each["low"], each["high"], found.spec, units)
    n = f"{counted(int(each['n']), 'burn')} in {counted(int(each['seasons']), 'season')}"
    lead = "Simulated: " if any(season.simulated for season in history.seasons) else ""
    if standing == DIRECTLY:
        told = (
            f"in this cooker, {fuel}: {name} {value_words(*sizes)}, {n}, and can be compared directly with the "
            f"fuels of {found.reference}."
        )
    elif each["low"] <= 0 <= each["high"]:
        told = (
            f"in this cooker, we cannot yet say whether {fuel} differs from {found.control} in {name}: "
            f"{reach_words(*sizes)} is possible; {n}."
        )
    else:
        told = f"in this cooker, {clause_words(fuel, found.control, *sizes)}; {n}, the same seasons."
    return f"{lead}{told}" if lead else capital(told)
