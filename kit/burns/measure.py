"""Every metric of every burn: its curve, its row of the sheet, and the records of `kit.metrics`."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

import numpy as np
import pandas as pd

from kit.burns.logged_curves import Limits, LoggedBurn, curve_of, logged_burns
from kit.burns.sheet_rows import sheet_rows
from kit.metrics import Burn, MeasuredValue, Measuring, Metric, SheetRow, metric_of
from kit.metrics.curve import Curve
from kit.metrics.measuring import WINDOWS
from kit.trial import Run, Trial

SHARPEST = 10
"""Windows are shortened until the mean's is at most one part in so many of the time a burn stands hot."""


def burns_of(
    readings: pd.DataFrame,
    run: Run,
    probes: Iterable[str],
    without_lid: bool = False,
    measuring: Measuring | None = None,
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
    measuring
        The windows to measure by; by default those that `windows_for` gives for these readings.
    """
    wanted = set(probes)
    rows = sheet_rows(run, measuring or windows_for(readings, run))
    logged = [each for each in logged_burns(readings) if each.burn in rows]
    stops = _stops(logged, rows)
    burns = {}
    for log in (each for each in logged if each.probe in wanted):
        row = rows[log.burn]
        limits = Limits(stops[log.burn], run.trial.cleaning.bridge_gap_s, row.measuring)
        curve = curve_of(log, limits, without_lid)
        burns[log.burn, log.probe] = Burn(row, curve, int((~log.usable).sum()))
    return burns


def _stops(logged: Iterable[LoggedBurn], rows: Mapping[str, SheetRow]) -> dict[str, float]:
    """Return each burn's stop: the sheet's, else the end of its longest log."""
    stops: dict[str, float] = {}
    for log in logged:
        stop = rows[log.burn].stop_s
        own = float(log.seconds[-1]) if stop is None else stop
        stops[log.burn] = own if stop is not None else max(own, stops.get(log.burn, own))
    return stops


def windows_for(readings: pd.DataFrame, run: Run) -> Measuring:
    """Return the windows a run folder is measured by: the trial's, shortened alike where its burns are short.

    All windows that the trial file leaves to the kit are halved, all alike and for all burns, until the
    mean's is at most a tenth of the time for which the usual burn stands above half its rise; never so far
    that the median would hold fewer than three readings. A smoothing of minutes would flatten a fire of
    minutes; one of hours keeps the windows as they are.
    """
    own = run.trial.measuring
    probe = main_probe(readings, run.trial)
    rows = sheet_rows(run)
    logs = [each for each in logged_burns(readings) if each.probe == probe and each.burn in rows]
    gap_s = run.trial.cleaning.bridge_gap_s
    curves = [curve_of(log, Limits(rows[log.burn].stop_s, gap_s, own)) for log in logs]
    whole = [curve for curve in curves if curve is not None and not curve.cut_short and curve.interval_s > 0]
    if not whole:
        return own
    hot = float(np.median([_hot_seconds(curve) for curve in whole]))
    interval = float(np.median([curve.interval_s for curve in whole]))
    parts = 1
    while own.mean_s / parts > hot / SHARPEST and own.median_s / (2 * parts) >= 2 * interval:
        parts *= 2
    return own.shortened(parts)


def window_words(run: Run, windows: Measuring) -> list[str]:
    """Return in words how the windows were shortened for short burns; nothing where they were not."""
    own = run.trial.measuring
    changed = [name for name in WINDOWS if getattr(windows, name) != getattr(own, name)]
    if not changed:
        return []
    listed = ", ".join(
        f"{words.replace('_', ' ')} {getattr(windows, name):g} {unit}"
        for name in changed
        for words, _, unit in [name.rpartition("_")]
    )
    return [
        f"These burns are hot for minutes rather than hours, so the windows they are measured by were shortened, "
        f"all alike: {listed}. Compare only with burns measured by the same windows."
    ]


def _hot_seconds(curve: Curve) -> float:
    """Return for how long a curve stands above the middle between its lowest and its highest reading."""
    middle = (float(curve.celsius.min()) + float(curve.celsius.max())) / 2
    return float(curve.spells(middle).seconds.sum())


def main_probe(readings: pd.DataFrame, trial: Trial) -> str:
    """Return the probe that metrics are of: the declared one, else the first of the readings."""
    if trial.main_probe:
        return trial.main_probe
    return str(readings["probe"].iloc[0]) if len(readings) else ""


def probes_of(metrics: Iterable[Metric], probe: str) -> set[str]:
    """Return the probes that metrics are of, the main one given."""
    return {metric.probe or probe for metric in metrics}


def measured_values(
    burns: Mapping[tuple[str, str], Burn], run: Run, probe: str, metrics: Iterable[Metric]
) -> Iterator[tuple[Burn, Metric, MeasuredValue]]:
    """Yield every metric of every burn that was done, in the order of the sheet."""
    wanted = list(metrics)
    for name, row in sheet_rows(run).items():
        for metric in wanted:
            burn = burns.get((name, metric.probe or probe)) or Burn(row, None)
            yield burn, metric, metric_of(burn, metric)
