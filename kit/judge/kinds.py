"""Kinds against kinds: for the fuels tested, and for kinds in general where enough fuels were tested."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.judge.means import back
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
    return _compared(fit, L, list(kinds), counts, TESTED, between, margin, level)


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
    kinds = [str(label) for label in fit.labels]
    sd = float(np.sqrt(fit.variances[0, fit.names.index("fuel")])) if "fuel" in fit.names else 0.0
    return _compared(fit, fit.design.mean_rows(), kinds, fuels, GENERAL, sd, margin, level)


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
    kinds: list[str],
    fuels: Mapping[str, int],
    scope: str,
    within: float,
    margin: float | None,
    level: float,
) -> pd.DataFrame:
    pairs = list(combinations(range(len(kinds)), 2))
    rows = np.array([L[i] - L[j] for i, j in pairs])
    found = contrasts(fit, rows, level=level)
    family = correlated(correlation_of(found.covariance[0])) if len(pairs) > 1 else None
    (low, high), (inner, outer) = (
        found.family_limits(family, each) if family else found.limits(each) for each in (level, 2 * level - 1)
    )
    p = found.p()[0]
    records = []
    for row, (i, j) in enumerate(pairs):
        ends = float(low[0, row]), float(high[0, row])
        records.append(
            {
                "a": kinds[i],
                "b": kinds[j],
                "scope": scope,
                "estimate": back(fit, found.estimate[0, row]),
                "se": found.se[0, row],
                "df": found.df[0, row],
                "low": back(fit, np.array(ends[0])),
                "high": back(fit, np.array(ends[1])),
                "p": p[row],
                "verdict": verdict_of(*ends, margin, (inner[0, row], outer[0, row])).verdict,
                "spread_within": within,
                "fuels_a": fuels[kinds[i]],
                "fuels_b": fuels[kinds[j]],
                "scale": fit.scale,
                "level": level,
            }
        )
    frame = pd.DataFrame(records)
    return frame.rename(columns={"estimate": "ratio" if fit.scale == "log" else "difference"})
