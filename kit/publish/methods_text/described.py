"""How it was measured and computed, in words, from the trial file, the logs and the models that were really fitted."""

from __future__ import annotations

from typing import Any, Final

import pandas as pd

from kit.page.numbers import plain
from kit.publish.report_data import ReportData
from kit.publish.wording import capital, counted, listed, threshold_words
from kit.variance.engines import explained
from kit.variance.self_check import TRIALS

ZERO: Final = {
    "lit": "the fuel was lit",
    "tipped": "the lit fuel was tipped in",
    "lid on": "the lid was put on",
}
BASIS: Final = {"mass": "equal mass", "volume": "equal volume", "full starter": "one full starter"}
FAMILY: Final = {
    "tukey": "all pairs of fuels, adjusted together (Tukey)",
    "dunnett": "every fuel against the control fuel, adjusted together (Dunnett)",
    "holm": "all comparisons, adjusted by Holm's rule",
    "none": "single comparisons, not adjusted",
}
SPREAD: Final = {
    "common": "one spread between burns for all fuels",
    "by fuel": "a spread between burns for each fuel",
    "by kind": "a spread between burns for each type",
}


def measured_lines(data: ReportData) -> list[str]:
    """Return paragraphs on fuels, charges, burns, probes, time zero and stop rule."""
    return [_burns(data), _charge(data), _probes(data), _timing(data), _smoothing(data)]


def _burns(data: ReportData) -> str:
    trial = data.trial
    who = f" by {trial.operator}" if trial.operator and not data.simulated else ""
    bags = f" from {counted(data.bags, 'bag')}" if data.bags else ""
    made = "simulated" if data.simulated else "made"
    cooker = f" Cooker: {trial.cooker}." if trial.cooker else ""
    was = "was" if data.done == 1 else "were"
    return (
        f"{capital(counted(data.done, 'burn'))} of {counted(len(data.cast), 'fuel')}{bags} {was} "
        f"{made}{who}{data.on_days}.{cooker} A "
        "burn is one charge, lit, logged and left to burn down; it is what is counted, not the reading."
    )


def _charge(data: ReportData) -> str:
    charge = data.trial.charge
    if not charge.model_fields_set:
        return "The trial file does not say what was equal between charges, so no basis of comparison is claimed."
    amount = ""
    if charge.grams:
        amount = f", {plain(charge.grams, 0)} g"
        amount += f" within {plain(charge.tolerance_g, 0)} g" if charge.tolerance_g else ""
    elif charge.litres:
        amount = f", {plain(charge.litres, 1)} L"
    return (
        f"Fuels were compared at {BASIS[charge.by]}{amount}. The result holds for this basis: dense and light "
        "fuels fill a "
        "starter differently, and charges of another basis, other settings and other cookers are never pooled."
    )


def _probes(data: ReportData) -> str:
    trial, spans = data.trial, data.table("spans")
    told = []
    for probe in dict.fromkeys(spans["probe"]):
        declared = trial.find_probe(str(probe))
        steps = spans.loc[spans["probe"] == probe, "interval_s"].astype(float).dropna()
        parts = [declared.place] if declared and declared.place else []
        parts += (
            [f"thermocouple class {declared.tolerance_class}"]
            if declared and declared.tolerance_class
            else []
        )
        if len(steps):
            ends = list(
                dict.fromkeys(plain(each, 0 if each >= 2 else 1) for each in (steps.min(), steps.max()))
            )
            parts.append(f"read every {' to '.join(ends)} s")
        told.append(f"{probe} ({'; '.join(parts)})" if parts else str(probe))
    if not told:
        return "Temperatures were not logged."
    main = f" The main probe is {trial.main_probe}." if trial.main_probe and len(told) > 1 else ""
    return f"Temperature was logged by {counted(len(told), 'probe')}: {listed(told)}.{main}"


def _timing(data: ReportData) -> str:
    trial = data.trial
    stop = f" The stop rule: {trial.stop_rule}." if trial.stop_rule else " No stop rule was written down."
    levels = [threshold_words(level, data.units) for level in trial.thresholds]
    named = f" Thresholds: {listed(levels)}." if levels else ""
    return f"Time is counted from when {ZERO[trial.time_zero]}.{stop}{named}"


def _smoothing(data: ReportData) -> str:
    how = data.trial.measuring
    return (
        f"The peak is the highest value of the curve after a running median over {plain(how.median_s, 0)} s "
        "and a running "
        f"mean over {plain(how.mean_s, 0)} s. A threshold counts as reached once it is held for "
        f"{_minutes(how.hold_min)}. Times above a threshold are summed along straight lines between readings; dips "
        f"under {_minutes(how.bridge_min)} do not end a spell. What a burn did not reach, or what its log does not "
        "show, is never replaced by a number: it is a bound."
    )


def _minutes(value: float) -> str:
    return f"{value:g} min" if value.is_integer() else f"{value * 60:g} s"


def _spreads(data: ReportData) -> list[str]:
    """Whether burns have one SD in common, as the models of the primary measures were fitted."""
    fits = data.analysis.fits
    return [
        SPREAD[way]
        for way in dict.fromkeys(fit.spread_choice for name, fit in fits.items() if name in data.primary)
    ]


def computed_lines(data: ReportData) -> list[str]:
    """Return paragraphs on scale, model, intervals, families and verdicts, in words a tester follows."""
    if data.bare:
        return [
            "Each fuel was burned once. Values are shown as measured; no interval, difference or order was computed."
        ]
    return [
        "Durations, masses, rates and costs are compared as ratios (on the logarithmic scale), temperatures as "
        "differences.",
        "The variation of each measure is split into the mean of each fuel, what bags of one fuel differ by, what days "
        f"differ by where the design can tell, and what burns differ by; {listed(_spreads(data))}. "
        "Fuels are held "
        "against the variation between bags and burns, never against the scatter of readings.",
        _intervals(data),
        "A verdict reads the interval of a difference against zero and against the margin that was declared "
        "beforehand. "
        "That an interval holds zero is never worded as 'the same'.",
        *_curves(data),
    ]


def _curves(data: ReportData) -> list[str]:
    if not data.banded:
        return []
    return [
        "Curves are aligned on time zero and laid on one grid of times; no long gap is bridged, and a burn that ends "
        "leaves. At each time the mean of a fuel weighs its bags, and the days they were burned on where days were "
        "noted, by one ratio of the variances for the whole curve. Bands hold the whole curve: the bags' residual "
        "curves are turned by random rotations, one rotation for the whole curve, and the largest departure of each "
        f"turn, over its own standard error, sets the width (Langsrud 2005). {data.percent} of such bands hold the "
        "whole true curve."
    ]


def methods_used(data: ReportData) -> list[str]:
    """Return the small-sample methods named in the comparisons of primary measures."""
    rows = data.table("comparisons")
    rows = rows[rows["metric"].isin(data.primary)] if data.primary else rows
    return [str(name) for name in dict.fromkeys(rows["method"].dropna()) if str(name)]


def _intervals(data: ReportData) -> str:
    used = " and ".join(methods_used(data)) or "the fitted model"
    names = dict.fromkeys(map(str, data.table("comparisons")["multiplicity"].dropna()))
    families = "; ".join(FAMILY.get(name, name) for name in names)
    family = f" Families of comparisons: {families}." if families else ""
    return f"Intervals are {data.percent} intervals made for few bags and burns ({used}).{family}"


def model_lines(data: ReportData) -> list[str]:
    """Return for each metric the terms its model holds and why, as the fitted models say."""
    fits: Any = data.analysis.fits
    told: dict[str, list[str]] = {}
    for metric in data.metrics:
        fit = fits.get(metric)
        if fit is not None:
            reasons = "; ".join([*map(str, fit.design.notes), *explained(fit.engine)])
            reasons = reasons or "every term was kept that the design can tell apart"
            line = f"terms {listed(list(map(str, fit.names)))}: {reasons}"
            told.setdefault(line, []).append(data.label(metric))
    return [f"{capital(', '.join(labels))}: {line}." for line, labels in told.items()]


def shared_out(self_check: pd.DataFrame) -> str:
    """Say that not every simulated trial stands behind every row, where that is so."""
    if not (self_check["trials"] < TRIALS).any():
        return ""
    return " Where values are known only as bounds, each trial follows one mean or difference and one SD."
