"""Whether the fuels differ at all, which of them can be the best, and the fuels in order."""

from itertools import combinations
from typing import Literal

import numpy as np
import pandas as pd
from scipy import special

from kit import schema
from kit.errors import KitError
from kit.judge.comparisons import Differences, apart_of, back, number_of
from kit.judge.question import MOST_FUELS, refused
from kit.variance import RepeatFit
from kit.variance.burn_arrays import Array, Codes, Mask
from kit.variance.censored import imputed
from kit.variance.families import Family, all_pairs, correlated, correlation_of
from kit.variance.inference import LEAST_DF, f_test

SAME = 6
"""Decimals of a correlation that count."""


def fuels_differ(fit: RepeatFit, every: Differences | None = None) -> pd.DataFrame:
    """Return the F test of no difference between any of the means (schema.OVERALL without metric), or no row.

    Parameters
    ----------
    every
        The differences of every pair, where they are known already.

    Notes
    -----
    Kenward & Roger (1997). With values known as bounds the means and their covariance are those of the likelihood
    with bounds, the degrees of freedom those of the same burns with the expected values in their place. That takes the
    variances as known: so p is no smaller than that of the largest difference by Tukey's family.
    """
    known = _ranked(fit)
    if not len(known):
        return pd.DataFrame()
    means = fit.design.mean_rows()[known]
    L = means[1:] - means[0]
    try:
        test = f_test(imputed(fit) if fit.censored is not None else fit, L)
    except (KitError, np.linalg.LinAlgError):
        return pd.DataFrame()
    f, p, method = test.F, test.p, test.method
    if fit.censored is not None:
        difference = L @ np.nan_to_num(fit.estimate.beta[0])
        spread = L @ np.nan_to_num(fit.censored.covariance) @ L.T
        f = test.scaling * float(difference @ np.linalg.solve(spread, difference)) / len(L)
        p = float(special.fdtrc(test.num_df, test.den_df, f))
        method = f"Wald with bounds, degrees of freedom of {test.method}"
        if every or len(fit.labels) <= MOST_FUELS:
            pairs = (every or Differences.of(fit, [list(combinations(fit.labels, 2))])).found
            p = float(np.fmax(p, np.nanmin(pairs.family_p(all_pairs(len(known))))))
            method += ", p at least that of the largest difference"
    return pd.DataFrame([{"f": f, "df1": test.num_df, "df2": test.den_df, "p": p, "method": method}])


def _ranked(fit: RepeatFit) -> Codes:
    """Return the means that are known, where two or more are and days do not part them; else none."""
    known = np.flatnonzero(~np.isnan(fit.estimate.beta[0, : len(fit.labels)]))
    return known if len(known) > 1 and fit.has_spread and not apart_of(fit).any() else known[:0]


def best_fuels(
    fit: RepeatFit,
    better: Literal["more", "less"] = "more",
    level: float = 0.95,
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
    >>> best_fuels(fit, "more").query("can_be_best")["fuel"].tolist()
    ['alder', 'vine']
    """
    if better not in ("more", "less"):
        raise refused("choice", name="better", given=better, known="more or less")
    if len(fit.labels) < 2:
        raise refused("one_fuel", fuel=fit.labels[0], remedy="There is nothing to be the best of.")
    known = _ranked(fit)
    if not len(known):
        return pd.DataFrame(columns=schema.names("best")[1:])
    sign = 1.0 if better == "more" else -1.0
    difference, rise, fall, method = _against_each(fit, level, every)
    difference, reach = (
        (sign * difference)[np.ix_(known, known)],
        (rise if sign > 0 else fall)[np.ix_(known, known)],
    )
    np.fill_diagonal(difference, np.inf)
    high = np.maximum((difference + reach).min(axis=1), 0.0)
    beyond = np.where(high > 0, difference - reach.T, np.inf)  # lower limits against those that can be
    low = np.minimum(beyond.min(axis=1), 0.0)
    ends = (low, high) if better == "more" else (-high, -low)
    numbers = np.full((3, len(fit.labels)), np.nan)
    numbers[:, known] = back(fit, np.stack([sign * difference.min(axis=1), *ends]))
    can = np.ones(len(fit.labels), dtype=np.bool_)
    can[known] = high > 0
    return pd.DataFrame({
        "better": better, "fuel": list(fit.labels), "mean": back(fit, fit.estimate.beta[0, : len(fit.labels)]),
        number_of(fit): numbers[0], "low": numbers[1], "high": numbers[2], "can_be_best": can,
        "multiplicity": "best", "method": method, "level": level, "scale": fit.scale,
    })  # fmt: skip


def _against_each(fit: RepeatFit, level: float, every: Differences | None) -> tuple[Array, Array, Array, str]:
    """Return differences of fuel (row) less fuel (column), and how far one-sided limits lie above and below them.

    The row's fuel is the control of its family.
    """
    difference, rise, fall = np.zeros((3, len(fit.labels), len(fit.labels)))
    families: dict[bytes, Family] = {}
    method = ""
    for place, label in enumerate(fit.labels):
        differences = every or Differences.of(fit, [("control", label)], level=level)
        found, (a, b) = differences.found, differences.places.T
        rows = np.flatnonzero(((a == place) | (b == place)) & ~np.isnan(found.estimate[0]))
        if not len(rows):
            continue
        rows = rows[np.argsort((a + b)[rows])]
        others, side = (a + b)[rows] - place, np.where(a[rows] == place, 1.0, -1.0)
        L = side[:, None] * found.L[rows]
        correlation = correlation_of(L @ found.phi[0] @ L.T)
        key = np.round(np.sort(correlation, axis=None), SAME).tobytes()
        if key not in families:
            families[key] = correlated(correlation, sides=1)
        t = np.zeros_like(found.df[0])
        t[rows] = side * families[key].critical(level, np.maximum(found.df[0, rows], LEAST_DF))
        above, below = (side * (found.at(each) - found.estimate)[0, rows] for each in (t, -t))
        difference[place, others] = side * found.estimate[0, rows]
        rise[place, others], fall[place, others] = above, -below
        method = found.method
    return difference, rise, fall, method


def ladder(means: pd.DataFrame, pairs: pd.DataFrame) -> pd.DataFrame:
    """Order fuels by their means and bracket those that the simultaneous intervals do not part.

    Two fuels share a bracket exactly where the interval of their difference does not exclude equality.

    Parameters
    ----------
    means
        Rows of ``schema.MEANS`` for one metric.
    pairs
        Rows of ``schema.COMPARISONS`` for every pair of these fuels, with simultaneous limits.

    Returns
    -------
    DataFrame
        place, fuel, mean, low, high, brackets (numbers parted by spaces); largest mean first.
    """
    ordered = means.sort_values(["mean", "fuel"], ascending=[False, True], ignore_index=True)
    place = {fuel: code for code, fuel in enumerate(ordered["fuel"])}
    a, b = (pairs[name].map(place).to_numpy() for name in ("a", "b"))
    equal = np.where(pairs["scale"] == "log", 1.0, 0.0)
    joined = np.zeros((len(place), len(place)), dtype=np.bool_)
    joined[a, b] = joined[b, a] = ~(pairs["low"].gt(equal) | pairs["high"].lt(equal))
    brackets = _brackets(joined)
    numbers = [
        " ".join(str(number) for number, group in enumerate(brackets, start=1) if row in group)
        for row in range(len(place))
    ]
    table = ordered.assign(place=range(1, len(ordered) + 1), brackets=numbers)
    return table[["place", "fuel", "mean", "low", "high", "brackets"]]


def _brackets(joined: Mask) -> list[list[int]]:
    """Return sets of fuels, all joined to one another, that together hold every joined pair.

    From the top, each pair that no bracket holds yet opens one with the farthest such fuel, and every fuel joined to
    all in it enters. Every letter display parts and joins the same fuels (Piepho 2004); the one with all largest
    sets (Bron & Kerbosch 1973) may need more letters than anyone can count, this one never more than pairs. Where means
    are equally exact, brackets are the runs of neighbours of the classical display.
    """
    open_pairs, brackets = np.triu(joined, 1), []
    for top in range(len(joined)):
        while open_pairs[top].any():
            group = [top, int(np.flatnonzero(open_pairs[top])[-1])]
            for place in range(len(joined)):
                if place not in group and joined[place, group].all():
                    group.append(place)
            group.sort()
            open_pairs[np.ix_(group, group)] = False
            brackets.append(group)
    return brackets
