"""The burns of a run folder: what the sheet says of each, its curve as logged, and the windows it is measured by."""

import math
from collections.abc import Iterable, Iterator, Set
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from kit import schema
from kit.metrics import Burn, SheetRow
from kit.metrics.curve import BRIDGED_STEPS, Array, Curve, Line, Mask, between
from kit.metrics.measuring import WINDOWS, Measuring
from kit.readings.flags import smallest_step
from kit.trial import Run, Trial
from kit.trial.clocks import relative_times

LABELS = ("burn", "fuel", "bag", "day", "setting")
NUMBERS = ("charge_g", "charge_l", "leftover_g", "ash_g", "ambient_c")
OWN_GAP_STEPS = 2.5
"""A hole of up to this many of the log's own intervals is sampling, whatever the limit for gaps says."""
WRONG = frozenset({"impossible", "sentinel", "spike", "reversed"})
"""Flags of readings that show a logger or probe at fault, not merely something missing."""
MOST_WRONG = 0.2
"""No value is stated of a curve of whose readings more than this share was wrong."""
SHARPEST = 10
"""Windows are shortened until the mean's is at most one part in so many of the time a burn stands hot."""


def sheet_rows(run: Run, measuring: Measuring | None = None) -> dict[str, SheetRow]:
    """Return what is known of each burn that was done, excluded ones too, by its id, in the sheet's order.

    Parameters
    ----------
    run
        The run folder.
    measuring
        The windows to measure by; by default the trial's.
    """
    trial, how, rows = run.trial, measuring or run.trial.measuring, dict[str, SheetRow]()
    levels = sorted({*trial.thresholds})
    cool_down = (levels[-1], levels[0]) if len(levels) > 1 else None
    for cells in run.burns[run.burns["state"] != "planned"].to_dict("records"):
        seconds = relative_times(cells).seconds
        zero, stop = seconds.get(trial.time_zero_column), seconds.get("stopped")
        written: dict[str, Any] = {name: str(cells.get(name) or "") for name in LABELS}
        written |= {name: number(cells.get(name)) for name in NUMBERS}
        held = cooks_at(trial, written["setting"])
        rows[written["burn"]] = SheetRow(
            **written,
            ready_s=seconds.get("tipped", math.nan) - seconds.get("lit", math.nan),
            stop_s=None if zero is None or stop is None else stop - zero,
            clock_s=60.0 if all(time % 60 == 0 for time in seconds.values()) else 1.0,
            price_per_kg=price_per_kg(trial, written["fuel"]),
            declared={each.column: number(cells.get(each.column)) for each in trial.declared},
            cool_down_c=how.cool_down_c or cool_down,
            bands={cook.name: (cook.low, cook.high) if cook.name in held else None for cook in trial.cooks},
            measuring=how,
        )
    return rows


def number(cell: object) -> float:
    """Return a cell as a number, NaN where it holds none."""
    try:
        return float(cell)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return math.nan


def price_per_kg(trial: Trial, fuel_id: str) -> float:
    """Return the price of a fuel per kg: its declared bag's, else the mean over its bags that have one."""
    fuel = next((each for each in trial.fuels if each.id == fuel_id), None)
    if fuel is None:
        return math.nan
    of_bags = [(bag.price, bag.weighed_kg or fuel.bag_kg) for bag in trial.bags if bag.fuel == fuel_id]
    paid = [(fuel.price, fuel.bag_kg)] if fuel.price is not None and fuel.bag_kg else of_bags
    each = [price / kg for price, kg in paid if price is not None and kg]
    return sum(each) / len(each) if each else math.nan


def bag_prices(trial: Trial) -> dict[str, float]:
    """Return what a bag of each fuel costs, where it is known: the fuel's own price, else the mean over its bags'."""
    paid: dict[str, list[float]] = {}
    for bag in trial.bags:
        if bag.price is not None:
            paid.setdefault(bag.fuel, []).append(bag.price)
    own = {fuel.id: float(fuel.price) for fuel in trial.fuels if fuel.price is not None}
    return {fuel: sum(each) / len(each) for fuel, each in paid.items()} | own


def cooks_at(trial: Trial, setting_id: str) -> frozenset[str]:
    """Return the cooks whose band a burn at a declared setting was run to hold.

    A setting's target is a cook's name, or a temperature inside the cook's band.
    """
    targets = [(each.target, each.target_c) for each in trial.settings if each.id == setting_id]
    return frozenset(
        cook.name
        for cook in trial.cooks
        for name, level in targets
        if name == cook.name or (level is not None and cook.low <= level <= cook.high)
    )


@dataclass(frozen=True)
class LoggedBurn:
    """The readings of one burn at one probe as logged, in order of time.

    Attributes
    ----------
    seconds, celsius
        (n) all readings with a stamp.
    usable, wrong, lid_open, saturated, topped_up
        (n) what their flags say; `usable` is the one mask for value, uncertainty and count.
    """

    burn: str
    probe: str
    seconds: Array
    celsius: Array
    usable: Mask
    wrong: Mask
    lid_open: Mask
    saturated: Mask
    topped_up: Mask


def logged_burns(readings: pd.DataFrame) -> Iterator[LoggedBurn]:
    """Yield the readings of each burn and probe, in order of time.

    Parameters
    ----------
    readings
        schema.READINGS; texts may be categories.
    """
    burns, probes, flags = (readings[name].astype("category") for name in ("burn", "probe", "flag"))
    texts, codes = [str(flag) for flag in flags.cat.categories], flags.cat.codes.to_numpy()

    def marked(names: Set[str]) -> Mask:
        lookup = np.array([*(not names.isdisjoint(text.split("+")) for text in texts), False])
        return np.asarray(lookup[codes], np.bool_)  # the last place answers code −1, a blank

    seconds = readings["elapsed_s"].to_numpy(np.float64)
    celsius = readings["temp_c"].to_numpy(np.float64, na_value=np.nan)
    usable = np.array([*map(schema.usable, texts), True])[codes] & np.isfinite(celsius)
    masks = (usable, *map(marked, (WRONG, {"lid open"}, {"saturated"}, {"after top-up"})))
    group = burns.cat.codes.to_numpy(np.int64) * len(probes.cat.categories) + probes.cat.codes.to_numpy()
    step = np.diff(group)
    in_order = ((step > 0) | ((step == 0) & (np.diff(seconds) >= 0))).all()
    order = np.arange(len(group)) if in_order else np.lexsort((seconds, group))
    edges = np.flatnonzero(np.diff(group[order])) + 1
    for rows in np.split(order, edges) if len(order) else []:
        burn, probe = divmod(int(group[rows[0]]), len(probes.cat.categories))
        names = str(burns.cat.categories[burn]), str(probes.cat.categories[probe])
        yield LoggedBurn(*names, seconds[rows], celsius[rows], *(mask[rows] for mask in masks))


def curve_of(
    log: LoggedBurn, stop_s: float | None, gap_s: float, measuring: Measuring, without_lid: bool = False
) -> Curve | None:
    """Return the curve of one burn at one probe, or None where it has no usable reading after time zero.

    Parameters
    ----------
    log
        Its readings as logged.
    stop_s
        Where it stops; None for the end of the log.
    gap_s
        The longest gap that may be bridged.
    measuring
        The windows and limits it is smoothed by.
    without_lid
        Leave out the readings with the lid open and draw a line across, however long.
    """
    used = log.usable & ~log.lid_open if without_lid else log.usable
    steps = np.diff(log.seconds)
    interval = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    stop = float(log.seconds[-1]) if stop_s is None else stop_s
    seconds, celsius, lid = log.seconds[used], log.celsius[used], log.lid_open[used]
    if not (np.diff(seconds) > 0).all():  # one point a stamp: the mean of those that share it
        seconds, place = np.unique(seconds, return_inverse=True)
        count = np.bincount(place)
        celsius, lid = np.bincount(place, celsius) / count, np.bincount(place, lid) > 0
    joined = np.diff(seconds) <= max(gap_s, OWN_GAP_STEPS * interval)
    if without_lid:
        joined |= np.diff(np.searchsorted(log.seconds[log.usable & log.lid_open], seconds)) > 0
    last_open = np.maximum.accumulate(np.where(lid, seconds, -np.inf))
    line = Line(seconds, celsius, joined, lid | (seconds - last_open <= measuring.lid_settle_min * 60))
    cut = between(line, 0.0, stop)
    if not len(cut.seconds):
        return None
    inside = (log.seconds >= 0) & (log.seconds <= stop)
    slack = max(measuring.end_tolerance_min * 60, BRIDGED_STEPS * interval)
    # Wrong readings that a line leads across; a hole that is left open bounds the values itself.
    wrong = int(np.diff(np.searchsorted(log.seconds[log.wrong], cut.seconds))[cut.joined].sum())
    share = wrong / (wrong + len(cut.seconds))
    whole = Curve(
        *cut,
        interval_s=interval,
        resolution_c=smallest_step(log.celsius[used & inside]),
        stop_s=stop,
        cut_short=bool(cut.seconds[-1] < stop - slack),
        started_late=bool(cut.seconds[0] > slack),
        saturated=bool((log.saturated & inside).any()),
        topped_up=bool(log.topped_up.any()),
        n_used=int((used & inside).sum()),
        n_flagged=int((~used & inside).sum()),
        measuring=measuring,
        unsound=f"{share:.0%} of the readings were taken out as wrong" if share > MOST_WRONG else "",
    )
    if line.seconds[-1] <= stop:
        return whole
    return replace(whole, tail=replace(whole, **between(line, 0.0, np.inf)._asdict()))


def burns_of(
    readings: pd.DataFrame, run: Run, probes: Iterable[str], without_lid: bool = False
) -> dict[tuple[str, str], Burn]:
    """Return every burn that was done at each of these probes, in the sheet's order, by burn and probe.

    It is measured by `windows_for`, and has no curve where the probe has no readings of it.

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
    wanted, gap_s = set(probes), run.trial.cleaning.bridge_gap_s
    rows = sheet_rows(run, windows_for(readings, run))
    logged = [log for log in logged_burns(readings) if log.burn in rows]
    ends: dict[str, float] = {}  # where the sheet tells no stop, a burn ends with its longest log
    for log in logged:
        ends[log.burn] = max(float(log.seconds[-1]), ends.get(log.burn, -np.inf))
    burns = {(name, probe): Burn(row, None) for name, row in rows.items() for probe in wanted}
    for log in (each for each in logged if each.probe in wanted):
        row = rows[log.burn]
        stop = ends[log.burn] if row.stop_s is None else row.stop_s
        curve = curve_of(log, stop, gap_s, row.measuring, without_lid)
        burns[log.burn, log.probe] = Burn(row, curve, int((~log.usable).sum()))
    return burns


def windows_for(readings: pd.DataFrame, run: Run) -> Measuring:
    """Return the windows a run folder is measured by: the trial's, shortened alike where its burns are short.

    All windows that the trial file leaves to the kit are halved, all alike and for all burns, until the
    mean's is at most a tenth of the time for which the usual burn stands above half its rise; never so far
    that the median would hold fewer than three readings. A smoothing of minutes would flatten a fire of
    minutes; one of hours keeps the windows as they are.
    """
    own, gap_s = run.trial.measuring, run.trial.cleaning.bridge_gap_s
    probe, rows = main_probe(readings, run.trial), sheet_rows(run)
    logs = [log for log in logged_burns(readings) if log.probe == probe and log.burn in rows]
    curves = [curve_of(log, rows[log.burn].stop_s, gap_s, own) for log in logs]
    whole = [curve for curve in curves if curve is not None and not curve.cut_short and curve.interval_s > 0]
    if not whole:
        return own.shortened(1)
    middles = [(float(curve.celsius.min()) + float(curve.celsius.max())) / 2 for curve in whole]
    above = [curve.spells(middle).seconds.sum() for curve, middle in zip(whole, middles, strict=True)]
    hot = float(np.median(above))
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
    named = [(*name.rpartition("_"), getattr(windows, name)) for name in changed]
    listed = ", ".join(f"{words.replace('_', ' ')} {value:g} {unit}" for words, _, unit, value in named)
    return [
        f"These burns are hot for minutes rather than hours, so the windows they are measured by were shortened, "
        f"all alike: {listed}. Compare only with burns measured by the same windows."
    ]


def main_probe(readings: pd.DataFrame, trial: Trial) -> str:
    """Return the probe that metrics are of: the declared one, else the first of the readings."""
    if trial.main_probe:
        return trial.main_probe
    return str(readings["probe"].iloc[0]) if len(readings) else ""
