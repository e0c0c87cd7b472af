"""Whether the fuels differ at all, and which of them can be the best."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from kit.errors import KitError, Problem
from kit.judge.comparisons import Differences, Places, apart_of
from kit.judge.means import back
from kit.schema import BEST
from kit.variance import RepeatFit
from kit.variance.families import Family, correlated, correlation_of
from kit.variance.inference import LEAST_DF, DfMethod, f_test, imputed

Array = npt.NDArray[np.float64]

ORDER = [column.name for column in BEST]
SAME = 6
"""Decimals of a correlation that count."""


def fuels_differ(fit: RepeatFit, df: DfMethod = "kenward-roger") -> pd.DataFrame:
    """Return the F test of no difference between any of the means (schema.OVERALL without metric), or no row.

    Notes
    -----
    Kenward & Roger (1997). With values known as bounds the means and their covariance are those of the likelihood
    with bounds, the degrees of freedom those of the same burns with the expected values in their place.
    """
    known = np.flatnonzero(~np.isnan(fit.estimate.beta[0, : len(fit.labels)]))
    if not fit.has_spread or len(known) < 2 or apart_of(fit).any():
        return pd.DataFrame()
    L = np.zeros((len(known) - 1, fit.design.p))
    L[:, known[0]] = -1.0
    L[np.arange(len(L)), known[1:]] = 1.0
    try:
        test = f_test(imputed(fit) if fit.censored is not None else fit, L, df)
    except (KitError, np.linalg.LinAlgError):
        return pd.DataFrame()
    f, p, method = test.F, test.p, test.method
    if fit.censored is not None:
        difference = L @ np.nan_to_num(fit.estimate.beta[0])
        spread = L @ np.nan_to_num(fit.censored.covariance) @ L.T
        f = test.scaling * float(difference @ np.linalg.solve(spread, difference)) / len(L)
        p = float(special.fdtrc(test.num_df, test.den_df, f))
        method = f"Wald with bounds, degrees of freedom of {test.method}"
    return pd.DataFrame([{"f": f, "df1": test.num_df, "df2": test.den_df, "p": p, "method": method}])


def best_fuels(
    fit: RepeatFit,
    better: Literal["more", "less"] = "more",
    level: float = 0.95,
    df: DfMethod = "best",
    every: Differences | None = None,
) -> pd.DataFrame:
    """Return for each fuel by how much it differs from the best of the others, and whether it can be the best.

    Parameters
    ----------
    better
        Whether larger ('more') or smaller ('less') values are better.
    level
        Confidence of all statements together.
    every
        The differences of every pair, where they are known already.

    Returns
    -------
    fuel, mean, difference (ratio on the log scale) to the best of the others, low, high, can_be_best, and how it
    was made. A fuel that can be the best has limits on both sides of equality; one that cannot falls short at most by
    the far limit. A fuel of which only bounds are known is not ruled out, and has no limits. No row where the
    fuels cannot be told from days, or nothing was repeated.

    Raises
    ------
    KitError
        With fewer than two means, or another word for `better`.

    Notes
    -----
    Multiple comparisons with the best, constrained (Hsu 1984; 1996, section 4.2): with every fuel in turn as the
    control, one-sided limits by the multivariate t of its differences.

    Examples
    --------
    >>> best_fuels(fit, "more").query("can_be_best")["fuel"]  # doctest: +SKIP
    """
    if better not in ("more", "less"):
        raise KitError(Problem("refuse", "better", f"'{better}'", "more or less", "Name one of them."))
    known = np.flatnonzero(~np.isnan(fit.estimate.beta[0, : len(fit.labels)]))
    if len(fit.labels) < 2:
        found, expected = f"one fuel ({fit.labels[0]})", "two fuels or more"
        raise KitError(Problem("refuse", "table", found, expected, "There is nothing to be the best of."))
    if not fit.has_spread or apart_of(fit).any() or len(known) < 2:
        return pd.DataFrame(columns=ORDER[1:])
    sign = 1.0 if better == "more" else -1.0
    difference, reach, method = _against_each(fit, known, level, df, every)
    difference *= sign
    np.fill_diagonal(difference, np.inf)
    high = np.maximum((difference + reach).min(axis=1), 0.0)
    possible = np.flatnonzero(high > 0)
    nearest = difference.min(axis=1)
    low = np.zeros(len(known))
    for place in range(len(known)):
        rivals = possible[possible != place]
        if len(rivals):
            low[place] = min(0.0, float((difference[place, rivals] - reach[rivals, place]).min()))
    ends = (low, high) if better == "more" else (-high, -low)
    numbers = {name: np.full(len(fit.labels), np.nan) for name in ("estimate", "low", "high")}
    for name, values in zip(numbers, (sign * nearest, *ends), strict=True):
        numbers[name][known] = back(fit, values)
    can = np.ones(len(fit.labels), dtype=np.bool_)
    can[known] = high > 0
    frame = pd.DataFrame(
        {
            "better": better,
            "fuel": list(fit.labels),
            "mean": back(fit, fit.estimate.beta[0, : len(fit.labels)]),
            "ratio" if fit.scale == "log" else "difference": numbers["estimate"],
            "low": numbers["low"],
            "high": numbers["high"],
            "can_be_best": can,
            "multiplicity": "best",
            "method": method,
            "level": level,
            "scale": fit.scale,
        }
    )
    return frame[[name for name in ORDER if name in frame]]


def _against_each(
    fit: RepeatFit, known: Places, level: float, df: DfMethod, every: Differences | None
) -> tuple[Array, Array, str]:
    """Return differences of fuel (row) less fuel (column), and the one-sided reach with the row's as control."""
    size = len(known)
    difference, reach = np.zeros((2, size, size))
    families: dict[bytes, Family] = {}
    method, row_of = "", {place: row for row, place in enumerate(known.tolist())}
    for place, row in row_of.items():
        differences = every or Differences.of(fit, [("control", fit.labels[place])], df, level)
        own = differences.against(place)
        there = np.isin(own.places, known)
        others = [row_of[other] for other in own.places[there].tolist()]
        correlation = correlation_of(own.covariance[np.ix_(there, there)])
        key = np.round(np.sort(correlation, axis=None), SAME).tobytes()
        if key not in families:
            families[key] = correlated(correlation, sides=1)
        difference[row, others] = -own.difference[there]
        reach[row, others] = (
            families[key].critical(level, np.maximum(own.df[there], LEAST_DF)) * own.se[there]
        )
        method = differences.found.method
    return difference, reach, method
