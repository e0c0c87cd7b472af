"""How it was computed, in words, from the models that were really fitted."""

from __future__ import annotations

from typing import Any

import pandas as pd

from kit.publish.facts import Facts
from kit.publish.wording import label_of
from kit.variance.engines import explained
from kit.variance.self_check import TRIALS

ADJUST = {
    "tukey": "all pairs of fuels, adjusted together (Tukey)",
    "dunnett": "every fuel against the control fuel, adjusted together (Dunnett)",
    "holm": "all comparisons, adjusted by Holm's rule",
    "none": "single comparisons, not adjusted",
}

SPREAD = {
    "common": "one spread between burns for all fuels",
    "by fuel": "a spread between burns for each fuel",
    "by kind": "a spread between burns for each kind",
}


def computed_lines(facts: Facts) -> list[str]:
    """Return paragraphs on scale, model, intervals, families and verdicts, in words a tester follows."""
    if facts.bare:
        return [
            "Each fuel was burned once. Values are shown as measured; no interval, difference or order was computed."
        ]
    return [
        "Durations, masses, rates and costs are compared as ratios (on the logarithmic scale), "
        "temperatures as differences.",
        "Each measure is taken apart into the mean of each fuel, what bags of one fuel differ by, what "
        "days differ by where the "
        f"design can tell, and what burns differ by; {SPREAD[facts.trial.model.spread]}. Fuels are held against the "
        "variation between bags and burns, never against the scatter of readings.",
        _intervals(facts),
        "A verdict reads the interval of a difference against zero and against the margin that was "
        "declared beforehand. That an "
        "interval holds zero is never worded as 'the same'.",
        *_curves(facts),
    ]


def _curves(facts: Facts) -> list[str]:
    if not facts.banded:
        return []
    return [
        "Curves are aligned on time zero and laid on one grid of times; no long gap is bridged, and a burn that ends "
        "leaves. At each time the mean of a fuel weighs its bags, and the days they were burned on where days were "
        "noted, by one ratio of the variances for the whole curve. Bands hold the whole curve: the bags' residual "
        "curves are turned by random rotations, one rotation for the whole curve, and the largest departure of each "
        f"turn, over its own standard error, sets the width (Langsrud 2005). {facts.percent} of such bands hold the "
        "whole true curve.",
    ]


def methods_used(facts: Facts) -> list[str]:
    """Return the small-sample methods named in the tables."""
    primary = facts.table("comparisons")
    primary = primary[primary["metric"].isin(facts.primary)] if facts.primary else primary
    found = primary["method"].dropna()
    return [str(name) for name in dict.fromkeys(found) if str(name)]


def _intervals(facts: Facts) -> str:
    used = " and ".join(methods_used(facts)) or "the fitted model"
    multiplicity = dict.fromkeys(map(str, facts.table("comparisons")["multiplicity"].dropna()))
    families = "; ".join(ADJUST.get(name, name) for name in multiplicity)
    family = f" Families of comparisons: {families}." if families else ""
    return f"Intervals are {facts.percent} intervals made for few bags and burns ({used}).{family}"


def model_lines(facts: Facts) -> list[str]:
    """Return for each metric the terms its model holds and why, as the fitted models say."""
    fits: Any = facts.extra("fits", {})
    told: dict[str, list[str]] = {}
    for metric in facts.metrics:
        fit = fits.get(metric) if hasattr(fits, "get") else None
        if fit is None:
            continue
        notes = [*map(str, fit.design.notes), *explained(fit.engine)]
        reasons = "; ".join(notes) or "every term was kept that the design can tell apart"
        terms = " and ".join(map(str, fit.names))
        told.setdefault(f"terms {terms}: {reasons}", []).append(label_of(facts.spec(metric), facts.units))
    return [f"{', '.join(labels)}: {line}." for line, labels in told.items()]


def shared_out(self_check: pd.DataFrame) -> str:
    """Say that not every simulated trial stands behind every row, where that is so."""
    if not (self_check["trials"] < TRIALS).any():
        return ""
    return " Where values are known only as bounds, each trial follows one mean or difference and one SD."
