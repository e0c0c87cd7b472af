"""Kinds against kinds: for the fuels tested, and for kinds in general where enough fuels were tested."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.judge.comparisons import back
from kit.judge.verdicts import verdict_of
from kit.variance import RepeatFit, contrasts
from kit.variance.families import correlated, correlation_of

Array = npt.NDArray[np.float64]

TESTED = "the fuels tested"
GENERAL = "kinds in general"
FEWEST_FUELS = 3


def kinds_tested(
    fit: RepeatFit, kind_of: Mapping[str, str], margin: float | None = None, level: float = 0.95
) -> pd.DataFrame:
    """Compare the averages of the fuels tested of each kind (schema.KINDS without metric and unit).

    Parameters
    ----------
    fit
        A fit with a mean for each fuel.
    kind_of
        Kind of each fuel; fuels without one are left out.
    """
    kinds = _fuels_of(fit, kind_of)
    L = np.zeros((len(kinds), fit.design.p))
    for row, places in enumerate(kinds.values()):
        L[row, places] = 1 / len(places)
    between = _spread_between(fit, list(kinds.values()))
    counts = {kind: len(places) for kind, places in kinds.items()}
    return _compared(fit, L, counts, (TESTED, between), margin, level)


def kinds_in_general(
    fit: RepeatFit, fuels: Mapping[str, int], margin: float | None = None, level: float = 0.95
) -> pd.DataFrame:
    """Compare kinds whose fuels are a random sample of them (schema.KINDS without metric and unit).

    Parameters
    ----------
    fit
        A fit with fuel_effect='random'.
    fuels
        Fuels tested of each kind.
    """
    own = {str(label): fuels[str(label)] for label in fit.labels}
    sd = float(np.sqrt(fit.variances[0, fit.names.index("fuel")])) if "fuel" in fit.names else 0.0
    return _compared(fit, fit.design.mean_rows(), own, (GENERAL, sd), margin, level)


def _fuels_of(fit: RepeatFit, kind_of: Mapping[str, str]) -> dict[str, list[int]]:
    kinds: dict[str, list[int]] = {}
    for place, fuel in enumerate(fit.labels):
        kind = kind_of.get(str(fuel), "")
        if kind:
            kinds.setdefault(kind, []).append(place)
    return kinds


def _spread_between(fit: RepeatFit, groups: list[list[int]]) -> float:
    """Return the SD between the means of fuels of one kind, pooled over kinds, as they were observed."""
    means = fit.estimate.beta[0]
    squares = sum(float(((means[group] - means[group].mean()) ** 2).sum()) for group in groups)
    freedom = sum(len(group) - 1 for group in groups)
    return float(np.sqrt(squares / freedom)) if freedom else float("nan")


def _compared(
    fit: RepeatFit,
    L: Array,
    fuels: Mapping[str, int],
    scope: tuple[str, float],
    margin: float | None,
    level: float,
) -> pd.DataFrame:
    """Compare the means L of kinds, in their order; `scope` names them, with the spread of fuels within one."""
    kinds = list(fuels)
    i, j = np.array(list(combinations(range(len(kinds)), 2))).T
    found = contrasts(fit, L[i] - L[j], level=level)
    family = correlated(correlation_of(found.covariance[0])) if len(i) > 1 else None
    (low, high), inside = (
        found.family_limits(family, each) if family else found.limits(each) for each in (level, 2 * level - 1)
    )
    ends = zip(low[0], high[0], zip(inside[0][0], inside[1][0], strict=True), strict=True)
    name = "ratio" if fit.scale == "log" else "difference"
    return pd.DataFrame(
        {
            "a": [kinds[place] for place in i],
            "b": [kinds[place] for place in j],
            "scope": scope[0],
            name: back(fit, found.estimate[0]),
            "se": found.se[0],
            "df": found.df[0],
            "low": back(fit, low[0]),
            "high": back(fit, high[0]),
            "p": found.p()[0],
            "verdict": [verdict_of(at, to, margin, inner).verdict for at, to, inner in ends],
            "spread_within": scope[1],
            "fuels_a": [fuels[kinds[place]] for place in i],
            "fuels_b": [fuels[kinds[place]] for place in j],
            "scale": fit.scale,
            "level": level,
        }
    )
