"""Every metric of every burn, by the definitions of DEVELOPERS.md, metrics."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import pandas as pd

import kit.burns.heights as heights
import kit.burns.masses as masses
import kit.burns.times as times
from kit.burns.curve import Curve, Limits, curve_of
from kit.burns.facts import Facts, cooks_at, facts_of
from kit.burns.found import Found, missing
from kit.burns.raw import Raw, raw_burns
from kit.burns.unseen import Unseen, unseen
from kit.schema import Metric
from kit.trial import Run, Trial

NO_CURVE = "no usable reading of the probe"


@dataclass(frozen=True)
class Burn:
    """One burn at one probe: its facts, its curve (None without usable readings) and the trial."""

    facts: Facts
    trial: Trial
    curve: Curve | None
    n_flagged: int = 0

    @cached_property
    def hidden(self) -> Unseen:
        """What may have happened unseen, up to the stop."""
        return unseen(self.known_curve)

    @cached_property
    def hidden_to_the_end(self) -> Unseen:
        """What may have happened unseen, up to the end of the log."""
        end = self.known_curve.to_the_end
        return self.hidden if end is self.known_curve else unseen(end)

    @cached_property
    def plateau(self) -> tuple[float, float] | str:
        """From and to of the plateau in seconds, or why there is none."""
        return heights.plateau_of(self.known_curve, self.hidden)

    @property
    def known_curve(self) -> Curve:
        """The curve, where there is one."""
        if self.curve is None:
            raise ValueError(NO_CURVE)
        return self.curve

    @property
    def duration_s(self) -> float:
        """From time zero to the stop of the sheet, else of the log; NaN where neither tells."""
        if self.facts.stop_s is not None:
            return self.facts.stop_s
        return math.nan if self.curve is None else self.curve.stop_s

    @property
    def topped_up(self) -> bool:
        """Whether fuel was added."""
        return self.curve is not None and self.curve.topped_up

    def shifted(self, offset: float, gain: float) -> Burn:
        """Return the burn as it were if its probe read T(1 + gain) + offset."""
        return replace(self, curve=self.known_curve.shifted(offset, gain))


def burns_of(
    readings: pd.DataFrame, run: Run, probes: Iterable[str], without_lid: bool = False
) -> dict[tuple[str, str], Burn]:
    """Return every burn at these probes, where it has readings, by burn and probe.

    Parameters
    ----------
    readings
        schema.READINGS.
    run
        The run folder.
    probes
        The probes wanted.
    without_lid
        Leave out the readings with the lid open.
    """
    wanted = set(probes)
    facts = facts_of(run)
    raws = [raw for raw in raw_burns(readings) if raw.burn in facts]
    ends = _ends(raws, facts)
    found = {}
    for raw in (each for each in raws if each.probe in wanted):
        limits = Limits(ends[raw.burn], run.trial.cleaning.bridge_gap_s, run.trial.measuring)
        curve = curve_of(raw, limits, without_lid)
        found[raw.burn, raw.probe] = Burn(facts[raw.burn], run.trial, curve, int((~raw.usable).sum()))
    return found


def _ends(raws: Iterable[Raw], facts: Mapping[str, Facts]) -> dict[str, float]:
    """Return each burn's stop: the sheet's, else the end of its longest log."""
    ends: dict[str, float] = {}
    for raw in raws:
        stop = facts[raw.burn].stop_s
        own = float(raw.seconds[-1]) if stop is None else stop
        ends[raw.burn] = own if stop is not None else max(own, ends.get(raw.burn, own))
    return ends


def main_probe(readings: pd.DataFrame, trial: Trial) -> str:
    """Return the probe that metrics are of: the declared one, else the first of the readings."""
    if trial.main_probe:
        return trial.main_probe
    return str(readings["probe"].iloc[0]) if len(readings) else ""


def probes_of(metrics: Iterable[Metric], probe: str) -> set[str]:
    """Return the probes that metrics are of, the main one given."""
    return {metric.probe or probe for metric in metrics}


def metric_of(burn: Burn, metric: Metric) -> Found:
    """Return one metric of one burn."""
    if metric.source == "declared":
        return masses.declared(burn.facts, metric)
    if metric.base in _SHEET:
        return _SHEET[metric.base](burn)
    if burn.curve is None:
        return missing(NO_CURVE)
    return _CURVE[metric.base](burn, metric)


def all_found(
    burns: Mapping[tuple[str, str], Burn], run: Run, probe: str, metrics: Iterable[Metric]
) -> Iterator[tuple[Burn, Metric, Found]]:
    """Yield what was found of every metric of every burn that was done, in the order of the sheet."""
    wanted = list(metrics)
    for name, facts in facts_of(run).items():
        for metric in wanted:
            burn = burns.get((name, metric.probe or probe)) or Burn(facts, run.trial, None)
            yield burn, metric, metric_of(burn, metric)


def _at(metric: Metric) -> float:
    return float(metric.argument)


def _near_ambient(burn: Burn) -> Found:
    if math.isnan(burn.facts.ambient_c):
        return missing("ambient_c is blank")
    return times.near_ambient(burn.known_curve.to_the_end, burn.hidden_to_the_end, burn.facts.ambient_c)


def _degree_hours(burn: Burn) -> Found:
    if math.isnan(burn.facts.ambient_c):
        return missing("ambient_c is blank")
    return heights.degree_hours(burn.known_curve, burn.hidden, burn.facts.ambient_c)


def _cool_down(burn: Burn) -> Found:
    pair = burn.facts.measuring.cool_down_c or cool_down_pair(burn.trial)
    if pair is None:
        return missing("cool_down_c is not declared, and there are no two thresholds")
    return times.cool_down(burn.known_curve.to_the_end, burn.hidden_to_the_end, *pair)


def cool_down_pair(trial: Trial) -> tuple[float, float] | None:
    """Return the highest and the lowest threshold, None where there are no two."""
    low, high = min(trial.thresholds, default=0.0), max(trial.thresholds, default=0.0)
    return (high, low) if high > low else None


def _band(burn: Burn, metric: Metric) -> Found:
    cook = next((each for each in burn.trial.cooks if each.name == metric.argument), None)
    if cook is None:
        return missing("no cook of that name")
    if cook.name not in cooks_at(burn.trial, burn.facts.setting):
        return missing("the burn was not run at a setting declared for that cook")
    return times.band_held(burn.known_curve, burn.hidden, cook.low, cook.high)


def _cost(burn: Burn, metric: Metric) -> Found:
    above = times.time_above(burn.known_curve, burn.hidden, _at(metric))
    return masses.cost(burn.facts, above, burn.topped_up)


_SHEET: Mapping[str, Callable[[Burn], Found]] = {
    "ready": lambda burn: masses.ready(burn.facts),
    "burn_rate": lambda burn: masses.burn_rate(burn.facts, burn.duration_s, burn.topped_up),
    "ash": lambda burn: masses.share_of_charge(burn.facts, "ash_g", burn.topped_up),
    "unburnt": lambda burn: masses.share_of_charge(burn.facts, "leftover_g", burn.topped_up),
    "bulk_density": lambda burn: masses.bulk_density(burn.facts),
}

_CURVE: Mapping[str, Callable[[Burn, Metric], Found]] = {
    "peak": lambda burn, _: heights.peak(burn.known_curve, burn.hidden),
    "peak_raw": lambda burn, _: heights.peak_raw(burn.known_curve, burn.hidden),
    "time_to": lambda burn, metric: times.time_to(burn.known_curve, burn.hidden, _at(metric)),
    "time_above": lambda burn, metric: times.time_above(burn.known_curve, burn.hidden, _at(metric)),
    "longest_spell": lambda burn, metric: times.longest_spell(burn.known_curve, burn.hidden, _at(metric)),
    "plateau": lambda burn, _: heights.plateau(burn.known_curve, burn.plateau),
    "steadiness": lambda burn, _: heights.steadiness(burn.known_curve, burn.plateau),
    "mean_rate": lambda burn, _: heights.mean_rate(burn.known_curve, burn.hidden),
    "departures": lambda burn, _: heights.departures(burn.known_curve, burn.hidden),
    "degree_hours": lambda burn, _: _degree_hours(burn),
    "near_ambient": lambda burn, _: _near_ambient(burn),
    "cool_down": lambda burn, _: _cool_down(burn),
    "cost": _cost,
    "band": _band,
}
