"""The uncertainty budget of a fuel's mean: what each source adds, and what more burns do not take away."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from kit import schema
from kit.burns.logged_burns import burns_of, main_probe
from kit.metrics import Burn, MeasuredValue, Metric, metric_of
from kit.metrics.record import SOURCES
from kit.trial import Run

COVERAGE = 2
"""Coverage factor of the expanded uncertainty."""


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
    done = run.burns.loc[run.burns["state"] == "done", "burn"].astype("str")
    counted = metrics["burn"].astype("str").isin(set(done)) & metrics["metric"].isin(set(means["metric"]))
    exact = metrics[(metrics["status"] == "exact") & counted]
    doubts = _all_doubts(exact, readings, run)
    rows: list[tuple[object, ...]] = []
    for mean in means.to_dict("records"):
        metric = run.trial.metric(str(mean["metric"]))
        names = exact.loc[(exact["metric"] == metric.id) & (exact["fuel"] == mean["fuel"]), "burn"]
        parts = [doubts[str(name), metric.id] for name in names]
        if parts:
            rows += _budget(metric, str(mean["fuel"]), parts, float(mean["mean"]), float(mean["se"]))
    return pd.DataFrame(rows, columns=schema.names("uncertainty"))


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


def _all_doubts(exact: pd.DataFrame, readings: pd.DataFrame, run: Run) -> dict[tuple[str, str], Doubts]:
    """Return the doubts of every burn and metric; each burn is shifted once for all its metrics."""
    from kit.readings import probe_uncertainty

    main = main_probe(readings, run.trial)
    metrics = {name: run.trial.metric(name) for name in exact["metric"].astype("str").unique()}
    known = {probe: probe_uncertainty(run, probe) for probe in {m.probe or main for m in metrics.values()}}
    burns, doubts = burns_of(readings, run, known), {}
    for name, part in exact.groupby(exact["burn"].astype("str"), sort=False):
        shifted: dict[str, list[Burn]] = {}
        for metric in (metrics[metric_id] for metric_id in part["metric"].astype("str")):
            probe = metric.probe or main
            burn = burns[str(name), probe]
            base, offset, gain = metric_of(burn, metric), 0.0, 0.0
            if metric.source == "curve" and burn.curve is not None:
                if probe not in shifted:
                    more, steeper = known[probe].u_offset, known[probe].u_gain
                    moves = (more, 0.0), (-more, 0.0), (0.0, steeper), (0.0, -steeper)
                    shifted[probe] = [burn.shifted(*move) for move in moves]
                offset = _effect(base, shifted[probe][:2], metric)
                gain = _effect(base, shifted[probe][2:], metric)
            linearity = _linearity(burn, metric, base) if metric.source != "declared" else 0.0
            doubts[str(name), metric.id] = Doubts(base.value, base.u, offset, gain, linearity)
    return doubts


def _effect(base: MeasuredValue, pair: Sequence[Burn], metric: Metric) -> float:
    """Return half the change between the metric re-evaluated up and down; where one has none, the other's."""
    up, down = (metric_of(burn, metric) for burn in pair)
    sides = [each.value if each.status == "exact" else math.nan for each in (up, down)]
    changes = np.array([sides[0] - base.value, base.value - sides[1]])
    return float(np.nanmean(changes)) if np.isfinite(changes).any() else 0.0


def _linearity(burn: Burn, metric: Metric, base: MeasuredValue) -> float:
    """Return the effect of the balance's linearity, each weighing moved alone and the effects squared."""
    row, shared = burn.row, burn.row.measuring.linearity_u_g
    if shared == 0 or (metric.source == "curve" and metric.base != "cost"):
        return 0.0
    weighings = ("charge_g", "leftover_g", "ash_g")
    heavier = (replace(row, **{name: getattr(row, name) + shared}) for name in weighings)
    moved = [metric_of(replace(burn, row=each), metric).value - base.value for each in heavier]
    return float(np.sqrt(np.nansum(np.square(moved))))
