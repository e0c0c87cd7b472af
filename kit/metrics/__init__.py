"""The metrics of a burn, one record each: adding one is a function under its record, and a test."""

from collections.abc import Iterable, Mapping
from dataclasses import replace

from kit.errors import KitError, did_you_mean
from kit.metrics.burn import NO_CURVE, Burn, SheetRow
from kit.metrics.curve_metrics import OF_THE_CURVE
from kit.metrics.record import MeasuredValue, Metric, Scale, missing
from kit.metrics.sheet_metrics import OF_THE_SHEET

__all__ = ["METRIC_BASES", "Burn", "MeasuredValue", "Metric", "Scale", "SheetRow", "metric", "metric_of"]

METRIC_BASES: Mapping[str, Metric] = {record.base: record for record in (*OF_THE_CURVE, *OF_THE_SHEET)}
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
    where, found = "trial.toml, metrics", f"'{metric_id}'"
    if stem in own:
        return replace(own[stem], id=metric_id, probe=probe)
    if base not in METRIC_BASES:
        raise KitError.refuse(where, found, "a metric id", did_you_mean(base, {*METRIC_BASES, *own}))
    record = METRIC_BASES[base]
    if bool(record.takes) != bool(argument):
        takes = "a cook's name" if record.takes == "cook" else "a threshold in °C"
        expected = f"'{base}:…' with {takes}" if record.takes else f"'{base}' alone"
        raise KitError.refuse(where, found, expected, "Write the id as expected.")
    at = f" {argument} °C" if record.takes == "threshold" else f" {argument}" if argument else ""
    return replace(record, id=metric_id, argument=argument, probe=probe, label=record.label + at)


def metric_of(burn: Burn, metric: Metric) -> MeasuredValue:
    """Return one metric of one burn."""
    if metric.source == "curve" and (burn.curve is None or burn.curve.unsound):
        return missing(burn.curve.unsound if burn.curve else NO_CURVE)
    return metric.measure(burn, metric)
