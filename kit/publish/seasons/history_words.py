"""Changes and values over seasons in words."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from kit.history.comparability import BY_CONTROL, DIRECTLY
from kit.history.history import History, MetricHistory
from kit.page.shown_numbers import Units, to_range
from kit.publish.wording import Amount, capital, counted, label_of, possessed, threshold


@dataclass(frozen=True)
class MetricWords:
    """One metric of a history, and how it is told: numbers come on the analysis scale, units as the newest season's.

    Attributes
    ----------
    found
        The metric's history.
    units
        Units as shown.
    """

    found: MetricHistory
    units: Units

    @property
    def name(self) -> str:
        """The metric's name with its threshold."""
        return label_of(self.found.spec, self.units)

    @property
    def title(self) -> str:
        """The same with a capital."""
        return capital(self.name)

    @property
    def log(self) -> bool:
        """Whether ratios are told."""
        return self.found.spec.scale == "log"

    def measured(self, values: object) -> object:
        """Return values as they are shown: exponentials on the log scale."""
        return np.exp(values) if self.log else values  # type: ignore[call-overload]

    def _amount(self, *ends: float) -> Amount:
        value, low, high = (math.exp(end) if self.log else end for end in ends)
        return Amount(value, low, high, math.nan, self.found.spec, self.units)

    def change(self, value: float, low: float, high: float) -> str:
        """Return '12 °C (22 °F) hotter (95 % interval 5 to 19 °C)'."""
        amount = self._amount(value, low, high)
        return f"{amount.end(amount.value)} (95\u00a0% interval {amount.interval})"

    def reach(self, value: float, low: float, high: float) -> str:
        """Return 'anything from 8 °C (14 °F) cooler to 22 °C (40 °F) hotter'."""
        return self._amount(value, low, high).reach

    def clause(self, a: str, b: str, value: float, low: float, high: float) -> str:
        """Return 'alder stayed above 150 °C 32 % longer than pressed (95 % interval 20 to 45 %)': the measure named."""
        amount, spec = self._amount(value, low, high), self.found.spec
        filled = amount.clause.format(a=a, b=b, at=threshold(spec, self.units), amount=amount.size)
        return f"{possessed(filled, a, b)} (95\u00a0% interval {amount.interval})"

    def sentence(self, fuel: str, standing: str, why: str, simulated: bool) -> str:
        """Return what may be said in public of a fuel's standing: with its burns, its cooker, 'simulated' first."""
        found = self.found
        rows = {BY_CONTROL: found.by_control, DIRECTLY: found.fuels}.get(standing, found.fuels.iloc[:0])
        own = rows[rows["fuel"] == fuel]
        if not len(own):
            if standing == BY_CONTROL:
                return (
                    f"{capital(fuel)} is the reference for the others; its own values moved over the seasons."
                )
            return f"We do not compare the {self.name} of {fuel} with the fuels of {found.reference}: {why}."
        each = own.iloc[0]
        ends = each["mean"], each["low"], each["high"]
        n = f"{counted(int(each['n']), 'burn')} in {counted(int(each['seasons']), 'season')}"
        if standing == DIRECTLY:
            mean, low, high = (math.exp(end) if self.log else end for end in ends)
            value = to_range(mean, low, high, found.spec.unit, self.units)
            told = f"{fuel}: {self.name} {value}, {n}, and can be compared directly with the fuels of "
            told += f"{found.reference}."
        elif each["low"] <= 0 <= each["high"]:
            told = (
                f"we cannot yet say whether {fuel} differs from {found.control} in {self.name}: {self.reach(*ends)} is "
                f"possible; {n}."
            )
        else:
            told = f"{self.clause(fuel, found.control, *ends)}; {n}, the same seasons."
        return f"Simulated: in this cooker, {told}" if simulated else f"In this cooker, {told}"


def metrics_of(history: History) -> list[MetricWords]:
    """Return the metrics of a history, in the units in which the newest season wants them shown."""
    trial = history.newest.trial
    units = Units(trial.get("show") or "metric", str(trial.get("currency") or ""))
    return [MetricWords(found, units) for found in history.metrics.values()]
