"""Every metric of every burn, and their tables: metrics, notes, and the answers without the open lid."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit import schema
from kit.burns.logged_burns import burns_of, main_probe, sheet_rows, windows_for
from kit.metrics import METRIC_BASES, Burn, MeasuredValue, Measuring, Metric, metric_of
from kit.readings import with_log_days
from kit.trial import Run, Trial

LID = tuple(schema.names("lid_open"))
LABELS = ("burn", "fuel", "bag", "day", "metric", "unit", "status")


def measured_values(
    burns: Mapping[tuple[str, str], Burn], run: Run, probe: str, metrics: Iterable[Metric]
) -> Iterator[tuple[Burn, Metric, MeasuredValue]]:
    """Yield every metric of every burn that was done, in the order of the sheet."""
    wanted = list(metrics)
    for name, row in sheet_rows(run).items():
        for metric in wanted:
            burn = burns.get((name, metric.probe or probe)) or Burn(row, None)
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
    measuring
        The windows in use: the trial's, shortened where its burns are short (`windows_for`).
    """

    metrics: pd.DataFrame
    reasons: pd.DataFrame
    measuring: Measuring


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


def measure(readings: pd.DataFrame, run: Run, windows: Measuring | None = None) -> Measured:
    """Return the metrics of every burn with the reasons and the parts of their uncertainty.

    Parameters
    ----------
    readings, run
        As for `burn_metrics`.
    windows
        What `windows_for` gives for them, where it is known already.
    """
    run = with_log_days(run, readings)
    metrics = [run.trial.metric(each) for each in metric_ids(run.trial)]
    probe = main_probe(readings, run.trial)
    windows = windows or windows_for(readings, run)
    burns = burns_of(readings, run, {metric.probe or probe for metric in metrics}, measuring=windows)
    values = list(measured_values(burns, run, probe, metrics))
    rows = [_row(burn, metric, value) for burn, metric, value in values]
    table = pd.DataFrame(rows, columns=schema.names("metrics"))
    for name in LABELS:
        table[name] = table[name].astype("str")
    reasons = [
        (burn.row.burn, metric.id, value.status, value.note) for burn, metric, value in values if value.note
    ]
    return Measured(
        table,
        pd.DataFrame(reasons, columns=schema.names("reasons"), dtype="str"),
        windows,
    )


def _row(burn: Burn, metric: schema.Metric, value: MeasuredValue) -> tuple[object, ...]:
    row = burn.row
    curve = burn.curve if metric.source == "curve" else None
    used = curve.n_used if curve else 0
    left_out = curve.n_flagged if curve else burn.n_flagged if metric.source == "curve" else 0
    return (
        *(row.burn, row.fuel, row.bag, row.day, metric.id),
        *(value.value, metric.unit, value.total_u, value.status, used, left_out),
    )


def metric_ids(trial: Trial) -> tuple[str, ...]:
    """Return the ids of all metrics of a trial: each base once, at each threshold and for each cook, the
    declared columns, and what else is primary or has a margin.
    """
    ids = []
    for base, record in METRIC_BASES.items():
        if record.takes == "threshold":
            ids += [f"{base}:{threshold}" for threshold in trial.threshold_ids]
        elif record.takes == "cook":
            ids += [f"{base}:{cook.name}" for cook in trial.cooks]
        else:
            ids.append(base)
    ids += [each.column for each in trial.declared]
    return tuple(dict.fromkeys([*ids, *trial.primary, *trial.margins]))


def lid_effect(readings: pd.DataFrame, run: Run, windows: Measuring | None = None) -> pd.DataFrame:
    """Return metrics with and without the readings during which the lid was open, where they differ.

    Parameters
    ----------
    readings, run, windows
        As for `measure`.

    Returns
    -------
    DataFrame
        schema.LID_OPEN; a straight line leads across the time the lid was open, however long. No rows where no lid
        was opened.
    """
    opened = readings["flag"].astype("category")
    marked = [flag for flag in opened.cat.categories if "lid open" in str(flag).split("+")]
    names = set(readings.loc[opened.isin(marked).to_numpy(), "burn"].astype("str"))
    if not names:
        return pd.DataFrame(columns=list(LID))
    part = readings[readings["burn"].astype("str").isin(names).to_numpy()]
    metrics = [run.trial.metric(each) for each in metric_ids(run.trial)]
    metrics = [metric for metric in metrics if metric.source == "curve"]
    probe = main_probe(readings, run.trial)
    windows = windows or windows_for(readings, run)
    probes = {metric.probe or probe for metric in metrics}
    with_lid, without = (
        measured_values(burns_of(part, run, probes, left_out, windows), run, probe, metrics)
        for left_out in (False, True)
    )
    rows = [
        (burn.row.burn, metric.id, metric.unit, a.value, a.status, b.value, b.status)
        for (burn, metric, a), (_, _, b) in zip(with_lid, without, strict=True)
        if burn.row.burn in names
        and (a.status != b.status or not np.isclose(a.value, b.value, rtol=1e-9, equal_nan=True))
    ]
    return pd.DataFrame(rows, columns=list(LID))
