"""The metrics of a burn, one record each: adding one is a record beside its function, and a test."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from kit.errors import KitError, Problem, did_you_mean
from kit.metrics.burn import NO_CURVE, Burn, SheetRow
from kit.metrics.durations import DURATIONS
from kit.metrics.masses import MASSES, declared
from kit.metrics.measured_value import MeasuredValue, missing
from kit.metrics.measuring import Measuring
from kit.metrics.record import Metric, Phrases, Scale
from kit.metrics.temperature_metrics import TEMPERATURES

__all__ = [
    "METRIC_BASES",
    "Burn",
    "MeasuredValue",
    "Measuring",
    "Metric",
    "Phrases",
    "Scale",
    "SheetRow",
    "metric",
    "metric_of",
]

METRIC_BASES: Mapping[str, Metric] = {record.base: record for record in (*TEMPERATURES, *DURATIONS, *MASSES)}
"""Every metric of the kit by its id without argument."""


def metric(metric_id: str, declared: Iterable[Metric] = ()) -> Metric:
    """Return what a metric id stands for.

    Parameters
    ----------
    metric_id
        An id as written in the trial file: BASE, BASE:ARGUMENT, either with @PROBE.
    declared
        Metrics that the trial file declares from columns of the burn sheet.

    Raises
    ------
    KitError
        Where the id is unknown, lacks its threshold, or has one it does not take.

    Examples
    --------
    >>> metric("time_above:180").label
    'time above 180 °C'
    """
    stem, _, probe = metric_id.partition("@")
    base, _, argument = stem.partition(":")
    own = {record.id: record for record in declared}
    if stem in own:
        return replace(own[stem], id=metric_id, probe=probe)
    if base not in METRIC_BASES:
        raise KitError(_unknown(metric_id, base, own))
    if bool(METRIC_BASES[base].takes) != bool(argument):
        raise KitError(_wrong_argument(metric_id, METRIC_BASES[base]))
    return METRIC_BASES[base].at(metric_id, argument, probe)


def _unknown(metric_id: str, base: str, own: Mapping[str, Metric]) -> Problem:
    known = {*METRIC_BASES, *own}
    return Problem(
        "refuse", "trial.toml, metrics", f"'{metric_id}'", "a metric id", did_you_mean(base, known)
    )


def _wrong_argument(metric_id: str, record: Metric) -> Problem:
    takes = "a cook's name" if record.takes == "cook" else "a threshold in °C"
    expected = f"'{record.base}:…' with {takes}" if record.takes else f"'{record.base}' alone"
    return Problem("refuse", "trial.toml, metrics", f"'{metric_id}'", expected, "Write the id as expected.")


def metric_of(burn: Burn, metric: Metric) -> MeasuredValue:
    """Return one metric of one burn."""
    if metric.measure is None:
        return declared(burn, metric)
    if metric.source == "curve":
        if burn.curve is None:
            return missing(NO_CURVE)
        if burn.curve.unsound:
            return missing(burn.curve.unsound)
    return metric.measure(burn, metric)
