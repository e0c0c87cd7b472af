"""Every metric of every burn, and their tables: metrics, notes, and the answers without the open lid."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit import schema
from kit.burns.logged_burns import burns_of, main_probe
from kit.metrics import METRIC_BASES, Burn, MeasuredValue, Metric, metric_of
from kit.readings import with_log_days
from kit.trial import Run, Trial

LABELS = ("burn", "fuel", "bag", "day", "metric", "unit", "status")


def measured_values(
    burns: Mapping[tuple[str, str], Burn], probe: str, metrics: Sequence[Metric]
) -> Iterator[tuple[Burn, Metric, MeasuredValue]]:
    """Yield every metric of every burn, at its own probe or the main one, in the order of the burns."""
    for name in dict.fromkeys(name for name, _ in burns):
        for metric in metrics:
            burn = burns[name, metric.probe or probe]
            yield burn, metric, metric_of(burn, metric)


@dataclass(frozen=True)
class Measured:
    """What was measured of every burn.

    Attributes
    ----------
    metrics
        schema.METRICS, a row for every metric of every burn that was done; excluded burns too.
    reasons
        schema.REASONS: why a metric is a bound or blank, and other notes of its measuring.
    """

    metrics: pd.DataFrame
    reasons: pd.DataFrame


def burn_metrics(readings: pd.DataFrame, run: Run) -> pd.DataFrame:
    """Return every metric of every burn that was done.

    Parameters
    ----------
    readings
        schema.READINGS, as `kit.readings.read_burns` gives them.
    run
        The run folder.

    Returns
    -------
    DataFrame
        schema.METRICS. `u` leaves out the probe's bias, which is common to its burns: see
        `uncertainty_budget`. Definitions: `kit.metrics`; statuses: DEVELOPERS.md, method 9.

    Examples
    --------
    >>> metrics = burn_metrics(logs.readings, run)
    >>> metrics.query("burn == '01' and metric == 'peak'")[["fuel", "unit", "status"]].values.tolist()
    [['pressed', '°C', 'exact']]
    """
    return measure(readings, run).metrics


def measure(readings: pd.DataFrame, run: Run) -> Measured:
    """Return the metrics of every burn, and the reasons; parameters are those of `burn_metrics`."""
    run = with_log_days(run, readings)
    metrics, probe = metrics_of(run.trial), main_probe(readings, run.trial)
    burns = burns_of(readings, run, {metric.probe or probe for metric in metrics})
    values = list(measured_values(burns, probe, metrics))
    rows = [_row(burn, metric, value) for burn, metric, value in values]
    reasons = [
        (burn.row.burn, metric.id, value.status, value.note) for burn, metric, value in values if value.note
    ]
    table = pd.DataFrame(rows, columns=schema.names("metrics"))
    return Measured(
        table.astype(dict.fromkeys(LABELS, "str")),
        pd.DataFrame(reasons, columns=schema.names("reasons"), dtype="str"),
    )


def _row(burn: Burn, metric: Metric, value: MeasuredValue) -> tuple[object, ...]:
    row, logged = burn.row, metric.source == "curve"
    used, left_out = (burn.curve.n_used, burn.curve.n_flagged) if burn.curve else (0, burn.n_flagged)
    counts = (used, left_out) if logged else (0, 0)
    labels = (row.burn, row.fuel, row.bag, row.day, metric.id)
    return (*labels, value.value, metric.unit, value.total_u, value.status, *counts)


def metrics_of(trial: Trial) -> list[Metric]:
    """Return all metrics of a trial: each base once, at each threshold and for each cook, the
    declared columns, and what else is primary or has a margin.
    """
    arguments = {"threshold": trial.threshold_ids, "cook": [cook.name for cook in trial.cooks]}
    ids = [
        f"{base}:{argument}" if argument else base
        for base, record in METRIC_BASES.items()
        for argument in arguments.get(record.takes, [""])
    ]
    ids += [each.column for each in trial.declared]
    return [trial.metric(each) for each in dict.fromkeys([*ids, *trial.primary, *trial.margins])]


def lid_effect(readings: pd.DataFrame, run: Run) -> pd.DataFrame:
    """Return metrics with and without the readings during which the lid was open, where they differ.

    Parameters
    ----------
    readings, run
        As for `burn_metrics`.

    Returns
    -------
    DataFrame
        schema.LID_OPEN; a straight line leads across the time the lid was open, however long. No rows where no lid
        was opened.
    """
    flags = readings["flag"].astype("category")
    marked = [flag for flag in flags.cat.categories if "lid open" in str(flag).split("+")]
    opened = set(readings.loc[flags.isin(marked).to_numpy(), "burn"].astype("str"))
    if not opened:
        return pd.DataFrame(columns=schema.names("lid_open"))
    metrics = [metric for metric in metrics_of(run.trial) if metric.source == "curve"]
    probe = main_probe(readings, run.trial)
    probes = {metric.probe or probe for metric in metrics}
    both = (
        {key: burn for key, burn in burns_of(readings, run, probes, without_lid).items() if key[0] in opened}
        for without_lid in (False, True)
    )
    with_lid, without = (measured_values(burns, probe, metrics) for burns in both)
    rows = [
        (burn.row.burn, metric.id, metric.unit, a.value, a.status, b.value, b.status)
        for (burn, metric, a), (_, _, b) in zip(with_lid, without, strict=True)
        if (a.status != b.status or not np.isclose(a.value, b.value, rtol=1e-9, equal_nan=True))
    ]
    return pd.DataFrame(rows, columns=schema.names("lid_open"))
