"""The uncertainty budget of a fuel's mean: what each source adds, and what more burns do not take away."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from kit import schema
from kit.burns.measure import burns_of, main_probe
from kit.burns.sheet_rows import sheet_rows
from kit.metrics import Burn, MeasuredValue, Metric, SheetRow, metric_of
from kit.metrics.curve import Array
from kit.metrics.measured_value import SOURCES
from kit.trial import Run

COVERAGE = 2
"""Coverage factor of the expanded uncertainty."""
WEIGHED = ("charge_g", "leftover_g", "ash_g")


@dataclass(frozen=True)
class Doubts:
    """One metric of one burn with the parts of its uncertainty.

    Attributes
    ----------
    value
        The metric.
    own
        Standard uncertainty by source that the burn has on its own.
    offset, gain
        Change of the metric when the probe's offset (gain) is one standard uncertainty higher, signed.
    linearity
        The balance's linearity: standard uncertainty shared by all weighings.
    """

    value: float
    own: Mapping[str, float]
    offset: float
    gain: float
    linearity: float


def uncertainty_budget(
    metrics: pd.DataFrame, readings: pd.DataFrame, run: Run, means: pd.DataFrame
) -> pd.DataFrame:
    """Return what each source adds to the uncertainty of every fuel mean (DEVELOPERS.md, method 13).

    Parameters
    ----------
    metrics
        schema.METRICS: the burns that the means are of; only measured values enter.
    readings, run
        What they were measured from.
    means
        schema.MEANS; its `se` is the repeat variation.

    Returns
    -------
    DataFrame
        schema.UNCERTAINTY. Sources with `common` are shared by all burns of the probe (or the balance): they
        add to a mean without shrinking and mostly cancel in a difference of fuels measured with the same
        one. 'combined' is the root of the sum of squares of the rows above it, 'expanded' twice that. The
        repeat variation already holds the scatter of what is not common, so the sum is on the safe side.
    """
    exact = metrics[(metrics["status"] == "exact") & _counted(metrics, run)]
    doubts = _all_doubts(exact, readings, run, set(means["metric"]))
    rows: list[tuple[object, ...]] = []
    for mean in means.to_dict("records"):
        metric = run.trial.metric(str(mean["metric"]))
        names = exact.loc[(exact["metric"] == metric.id) & (exact["fuel"] == mean["fuel"]), "burn"]
        parts = [doubts[str(name), metric.id] for name in names]
        if parts:
            rows += _budget(metric, str(mean["fuel"]), parts, float(mean["mean"]), float(mean["se"]))
    return pd.DataFrame(rows, columns=[column.name for column in schema.UNCERTAINTY])


def _counted(metrics: pd.DataFrame, run: Run) -> pd.Series[bool]:
    done = run.burns.loc[run.burns["state"] == "done", "burn"].astype("str")
    return metrics["burn"].astype("str").isin(set(done))


def _budget(
    metric: Metric, fuel: str, parts: Sequence[Doubts], mean: float, se: float
) -> list[tuple[object, ...]]:
    """Return the rows of one fuel mean.

    Of n burns, independent parts give √(Σu²)/n and shared ones the mean of their signed effects (GUM 5.2.2).
    On the log scale the mean is geometric: parts are taken relative and the mean restores the unit.
    """
    log = metric.scale == "log"
    unit = np.array([mean / part.value if log else 1.0 for part in parts])
    n = len(parts)

    def shared(values: Iterable[float]) -> float:
        return abs(float((np.fromiter(values, np.float64) * unit).sum())) / n

    def apart(values: Iterable[float]) -> float:
        return float(np.sqrt(((np.fromiter(values, np.float64) * unit) ** 2).sum())) / n

    calibration = math.hypot(shared(part.offset for part in parts), shared(part.gain for part in parts))
    found = [("calibration", calibration, True)]
    found += [("balance linearity", shared(part.linearity for part in parts), True)]
    found += [(source, apart(part.own.get(source, 0.0) for part in parts), False) for source in SOURCES]
    found += [("repeat variation", mean * se if log else se, False)]
    found = [row for row in found if row[1] > 0]
    combined = math.sqrt(sum(u * u for _, u, _ in found))
    found += [("combined", combined, False), ("expanded", COVERAGE * combined, False)]
    return [(metric.id, fuel, source, u, metric.unit, common) for source, u, common in found]


def _all_doubts(
    exact: pd.DataFrame, readings: pd.DataFrame, run: Run, wanted: set[str]
) -> dict[tuple[str, str], Doubts]:
    """Return the doubts of every burn and metric; each burn is shifted once for all its metrics."""
    probe = main_probe(readings, run.trial)
    ids: dict[tuple[str, str], list[Metric]] = {}
    for name, metric_id in zip(exact["burn"].astype("str"), exact["metric"].astype("str"), strict=True):
        if metric_id in wanted:
            metric = run.trial.metric(metric_id)
            ids.setdefault((name, metric.probe or probe), []).append(metric)
    known = _probe_doubts(run, {place for _, place in ids})
    burns, rows, doubts = burns_of(readings, run, known), sheet_rows(run), {}
    for (name, place), metrics in ids.items():
        burn = burns.get((name, place)) or Burn(rows[name], None)
        for metric, each in _doubts(burn, metrics, known[place]):
            doubts[name, metric.id] = each
    return doubts


def _probe_doubts(run: Run, probes: Iterable[str]) -> dict[str, tuple[float, float]]:
    """Return the standard uncertainties of each probe's offset (K) and gain."""
    from kit.readings import probe_uncertainty

    known = {probe: probe_uncertainty(run, probe) for probe in probes}
    return {probe: (each.u_offset, each.u_gain) for probe, each in known.items()}


def _doubts(burn: Burn, metrics: Sequence[Metric], u: tuple[float, float]) -> list[tuple[Metric, Doubts]]:
    offset, gain = u
    moved: dict[str, tuple[Burn, Burn]] = {}
    if burn.curve is not None:
        moved["offset"] = burn.shifted(offset, 0.0), burn.shifted(-offset, 0.0)
        moved["gain"] = burn.shifted(0.0, gain), burn.shifted(0.0, -gain)
    rows = []
    for metric in metrics:
        base = metric_of(burn, metric)
        curve = metric.source == "curve" and burn.curve is not None
        effects = {name: _effect(base, pair, metric) if curve else 0.0 for name, pair in moved.items()}
        linearity = _linearity(burn, metric, base) if metric.source != "declared" else 0.0
        rows.append(
            (
                metric,
                Doubts(base.value, base.u, effects.get("offset", 0.0), effects.get("gain", 0.0), linearity),
            )
        )
    return rows


def _effect(base: MeasuredValue, pair: tuple[Burn, Burn], metric: Metric) -> float:
    """Return half the change between the metric re-evaluated up and down; where one has none, the other's."""
    up, down = (metric_of(burn, metric) for burn in pair)
    sides = [each.value if each.status == "exact" else math.nan for each in (up, down)]
    changes = np.array([sides[0] - base.value, base.value - sides[1]])
    return float(np.nanmean(changes)) if np.isfinite(changes).any() else 0.0


def _linearity(burn: Burn, metric: Metric, base: MeasuredValue) -> float:
    """Return the effect of the balance's linearity, each weighing moved alone and the effects squared."""
    shared = burn.row.measuring.linearity_u_g
    if shared == 0 or (metric.source == "curve" and metric.base != "cost"):
        return 0.0
    moved = [replace(burn, row=_heavier(burn.row, name, shared)) for name in WEIGHED]
    changes: Array = np.array([metric_of(each, metric).value - base.value for each in moved])
    return float(np.sqrt(np.nansum(changes**2)))


def _heavier(row: SheetRow, name: str, grams: float) -> SheetRow:
    return replace(row, **{name: getattr(row, name) + grams})  # type: ignore[arg-type]
