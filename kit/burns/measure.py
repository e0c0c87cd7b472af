"""Every metric of every burn: their table, notes, the answers without the open lid, and the uncertainty budget.

The budget of a fuel's mean tells what each source adds, and what more burns do not take away.
"""

import math
from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from kit import schema
from kit.burns.logged_burns import burns_of, logged_burns, main_probe
from kit.metrics import METRIC_BASES, Burn, MeasuredValue, Metric, metric_of
from kit.metrics.record import SOURCES
from kit.readings import with_log_days
from kit.trial import Run, Trial

LABELS = ("burn", "fuel", "bag", "day", "metric", "unit", "status")


def measured_values(
    readings: pd.DataFrame, run: Run, of: Set[str] | None = None, without_lid: bool = False
) -> Iterator[tuple[Burn, Metric, MeasuredValue]]:
    """Yield every metric of every burn, or `of` some, at its own probe or the main one, in the sheet's order."""
    metrics, probe = metrics_of(run.trial), main_probe(readings, run.trial)
    burns = burns_of(readings, run, {metric.probe or probe for metric in metrics}, without_lid)
    for name in dict.fromkeys(name for name, _ in burns if of is None or name in of):
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
    rows, reasons = [], []
    for burn, metric, value in measured_values(readings, run):
        row, logged = burn.row, metric.source == "curve"
        used, left_out = (burn.curve.n_used, burn.curve.n_flagged) if burn.curve else (0, burn.n_flagged)
        counts = (used, left_out) if logged else (0, 0)
        labels = (row.burn, row.fuel, row.bag, row.day, metric.id)
        rows.append((*labels, value.value, metric.unit, value.total_u, value.status, *counts))
        if value.note:
            reasons.append((row.burn, metric.id, value.status, value.note))
    table = pd.DataFrame(rows, columns=schema.names("metrics"))
    notes = pd.DataFrame(reasons, columns=schema.names("reasons"), dtype="str")
    return Measured(table.astype(dict.fromkeys(LABELS, "str")), notes)


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
    opened = {log.burn for log in logged_burns(readings) if log.lid_open.any()}
    if not opened:
        return pd.DataFrame(columns=schema.names("lid_open"))
    with_lid = measured_values(readings, run, opened)
    without = measured_values(readings, run, opened, without_lid=True)
    rows = [
        (burn.row.burn, metric.id, metric.unit, a.value, a.status, b.value, b.status)
        for (burn, metric, a), (_, _, b) in zip(with_lid, without, strict=True)
        if metric.source == "curve"
        and (a.status != b.status or not np.isclose(a.value, b.value, rtol=1e-9, equal_nan=True))
    ]
    return pd.DataFrame(rows, columns=schema.names("lid_open"))


WEIGHINGS = ("charge_g", "leftover_g", "ash_g")
"""Each is moved alone by the balance's linearity, and the effects are squared."""
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
        metric, fuel = run.trial.metric(str(mean["metric"])), str(mean["fuel"])
        names = exact.loc[(exact["metric"] == metric.id) & (exact["fuel"] == fuel), "burn"]
        parts = [doubts[str(name), metric.id] for name in names]
        if not parts:
            continue
        # Of n burns, independent parts give √(Σu²)/n and shared ones the mean of their signed effects (GUM 5.2.2).
        # On the log scale the mean is geometric: parts are taken relative and the mean restores the unit.
        level = float(mean["mean"]) if metric.scale == "log" else 1.0
        unit = np.array([level / part.value if metric.scale == "log" else 1.0 for part in parts])
        effects = zip(*((part.offset, part.gain, part.linearity) for part in parts), strict=True)
        offset, gain, linearity = (abs(float((np.array(each) * unit).sum())) / len(parts) for each in effects)
        found = [("calibration", math.hypot(offset, gain), True), ("balance linearity", linearity, True)]
        for source in SOURCES:
            own = np.array([part.own.get(source, 0.0) for part in parts])
            found.append((source, float(np.sqrt(((own * unit) ** 2).sum())) / len(parts), False))
        found.append(("repeat variation", level * float(mean["se"]), False))
        found = [row for row in found if row[1] > 0]
        combined = math.sqrt(sum(u * u for _, u, _ in found))
        found += [("combined", combined, False), ("expanded", COVERAGE * combined, False)]
        rows += [(metric.id, fuel, source, u, metric.unit, common) for source, u, common in found]
    return pd.DataFrame(rows, columns=schema.names("uncertainty"))


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
                    shifted[probe] = [replace(burn, curve=burn.curve.shifted(*move)) for move in moves]
                offset = _effect(base, shifted[probe][:2], metric)
                gain = _effect(base, shifted[probe][2:], metric)
            row, linearity = burn.row, 0.0
            shared = row.measuring.linearity_u_g
            if shared and (metric.source == "sheet" or (metric.source == "curve" and metric.base == "cost")):
                heavier = (replace(row, **{name: getattr(row, name) + shared}) for name in WEIGHINGS)
                moved = [metric_of(replace(burn, row=each), metric).value - base.value for each in heavier]
                linearity = float(np.sqrt(np.nansum(np.square(moved))))
            doubts[str(name), metric.id] = Doubts(base.value, base.u, offset, gain, linearity)
    return doubts


def _effect(base: MeasuredValue, pair: Sequence[Burn], metric: Metric) -> float:
    """Return half the change between the metric re-evaluated up and down; where one has none, the other's."""
    up, down = (metric_of(burn, metric) for burn in pair)
    sides = [each.value if each.status == "exact" else math.nan for each in (up, down)]
    changes = np.array([sides[0] - base.value, base.value - sides[1]])
    return float(np.nanmean(changes)) if np.isfinite(changes).any() else 0.0
