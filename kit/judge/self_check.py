"""The report checks itself: simulate this very trial from its fitted model, refit, count what the intervals hold.

Where some values are bounds, a simulated trial is bounded again where the trial was.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import special

from kit.judge.verdicts import verdict_of
from kit.variance.bootstrap import simulated
from kit.variance.bounded import Rows, minimise_rows, posterior, started
from kit.variance.burn_arrays import Array
from kit.variance.engines import NestedEngine, terms_in_order
from kit.variance.families import all_pairs
from kit.variance.inference import Contrasts, DfMethod, contrasts, held_rows, imputed
from kit.variance.model import Censored, RepeatModel
from kit.variance.optimise import Mask
from kit.variance.sd_limits import (
    best_hold,
    component_limits,
    own_burns,
    profile_holds,
    profile_words,
    rises,
)

TRIALS = 1000
"""Simulated trials of a report."""


def self_check(
    fit: RepeatModel,
    seed: int,
    trials: int = TRIALS,
    df: DfMethod = "best",
    margin: float | None = None,
    level: float = 0.95,
) -> pd.DataFrame:
    """Return how often each interval held the truth, each verdict erred, and each was reached.

    Parameters
    ----------
    margin
        The metric's margin on the analysis scale, if it has one: then verdicts are counted where two fuels are alike, a
        margin and two margins apart.

    Returns
    -------
    quantity, nominal, share, mc_error, trials (in which it was counted), seed. Days, covariates, spread by group and
    censoring are simulated as they were fitted; the truth of the simulation is the fit itself.

    Raises
    ------
    KitError
        For a fit without repeats.
    """
    if fit.censored is not None:
        L = np.vstack([fit.design.mean_rows(), pair_rows(fit)])
        return tabulated(censored_rows(fit, fit.censored, L, seed, trials, level, margin), seed)
    again = simulated(fit, trials, seed)
    rows = _means(fit, again, df, level)
    if len(fit.labels) > 1:
        rows += _pairs(fit, again, df, level, margin)
    rows += _components(fit, again, level)
    return tabulated(rows, seed)


def tabulated(rows: list[tuple[str, float, Array]], seed: int) -> pd.DataFrame:
    """Lay (quantity, nominal, share of each trial) out as schema.SELF_CHECK."""
    table = []
    for quantity, nominal, each in rows:
        kept = each[~np.isnan(each)]
        share = float(kept.mean()) if len(kept) else np.nan
        error = float(kept.std() / np.sqrt(len(kept))) if len(kept) else np.nan
        table.append((quantity, nominal, share, error, len(kept), seed))
    return pd.DataFrame(table, columns=["quantity", "nominal", "share", "mc_error", "trials", "seed"])


def _means(
    fit: RepeatModel, again: RepeatModel, df: DfMethod, level: float
) -> list[tuple[str, float, Array]]:
    L = fit.design.mean_rows()
    inside = _inside(contrasts(again, L, df, level), L @ fit.estimate.beta[0], level)
    return [(f"intervals of the means ({fit.design.n} burns) hold the truth", level, inside.mean(axis=1))]


def _inside(found: Contrasts, truth: Array, level: float) -> Array:
    low, high = found.limits(level)
    return np.asarray(((low <= truth) & (truth <= high)).astype(np.float64))


def pair_rows(fit: RepeatModel) -> Array:
    """Rows of all differences of means that can be separated."""
    m, p = len(fit.labels), fit.design.p
    pairs = [(i, j) for i in range(m) for j in range(i + 1, m) if not fit.design.apart[i, j]]
    L = np.zeros((len(pairs), p))
    for row, (i, j) in enumerate(pairs):
        L[row, i], L[row, j] = 1.0, -1.0
    return L


def _pairs(
    fit: RepeatModel, again: RepeatModel, df: DfMethod, level: float, margin: float | None
) -> list[tuple[str, float, Array]]:
    L = pair_rows(fit)
    if not len(L):
        return []
    found, truth = contrasts(again, L, df, level), L @ fit.estimate.beta[0]
    alone, family = _inside(found, truth, level), all_pairs(len(fit.labels))
    D, E = (np.stack(found.family_limits(family, each)) for each in (level, 2 * level - 1))
    together = ((D[0] <= truth) & (truth <= D[1])).all(axis=1).astype(np.float64)
    wrong = wrong_verdicts(D, E, truth, margin).any(axis=1).astype(np.float64)
    rows = [
        ("unadjusted intervals of the differences hold the truth", level, alone.mean(axis=1)),
        ("all Tukey intervals together hold the truth", level, together),
        ("a verdict of the trial is wrong, the fuels being as estimated", 1 - level, wrong),
        ("a difference is claimed somewhere, were all fuels alike", 1 - level, 1 - together),
    ]
    if margin is not None:
        at_margin = E - truth + margin
        same = (at_margin[0] > -margin) & (at_margin[1] < margin)
        words = "'the same within the margin' is said of two fuels a whole margin apart"
        rows.append((words, 1 - level, same.mean(axis=1)))
    return rows + _reached(margin, D - truth, E - truth)


def wrong_verdicts(
    D: Array, E: Array, truth: Array, margin: float | None
) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Return which verdicts the truth contradicts: a wrong direction, a difference that is not there or too small.

    Parameters
    ----------
    D, E
        (2, …) lower and upper limits of differences, and those by which they are held to lie within the margin.
    """
    (low, high), (inner, outer) = D, E
    above, below = low > 0, high < 0
    wrong = (above & (truth <= 0)) | (below & (truth >= 0))
    if margin is not None:
        size = np.abs(truth)
        wrong |= ((low > margin) | (high < -margin)) & (size <= margin)
        wrong |= (inner > -margin) & (outer < margin) & (size >= margin)
    return np.asarray(wrong)


def _components(fit: RepeatModel, again: RepeatModel, level: float) -> list[tuple[str, float, Array]]:
    truth = fit.estimate.theta[0]
    limits = component_limits(fit, "best", level).set_index("component")["method"]
    by_profile = limits.str.startswith("profile").all() and not isinstance(fit.engine, NestedEngine)
    if by_profile:
        own = own_burns(fit)
        held = [profile_holds(again, place, truth[place], level, own) for place in range(len(truth))]
    else:
        held = list(best_hold(again, truth, level).T)
    return [
        (f"interval of the {name} SD holds the truth ({limits[name]})", level, each.astype(np.float64))
        for name, each in zip(fit.names, held, strict=True)
    ]


APART = {"alike": 0.0, "a margin apart": 1.0, "two margins apart": 2.0}


def _reached(margin: float | None, D: Array, E: Array) -> list[tuple[str, float, Array]]:
    """Return how often each verdict is said of two fuels 0, Δ and 2Δ apart.

    Parameters
    ----------
    D, E
        (2, trials, pairs) limits less the true difference, at the level and at that of equivalence.
    """
    rows = []
    for words, times in APART.items() if margin is not None else ():
        ends = np.concatenate([D, E]).reshape(4, -1) + times * (margin or 0.0)
        said = [
            verdict_of(low, high, margin, (inner, outer)).verdict
            for low, high, inner, outer in ends.T.tolist()
        ]
        table = np.array(said).reshape(D.shape[1:])
        for each in sorted(set(said)):
            rows.append((f"of two fuels {words}: '{each}'", np.nan, (table == each).mean(axis=1)))
    return rows


MOST = 6
"""Contrasts that are followed: of more, an even choice."""

WIDTH = 1e-4
"""An exact value among the bounded burns is an interval of this many burn SDs."""

POINTS = 67
"""Of the lattice, where several burns are bounds."""

STEPS = 3
"""Of Newton from a near start: what is left of D by then is far below what a share of trials can show."""


def censored_rows(
    fit: RepeatModel,
    known: Censored,
    L: Array,
    seed: int,
    trials: int,
    level: float,
    margin: float | None,
) -> list[tuple[str, float, Array]]:
    """Return (quantity, nominal, share of each trial) of intervals of means, differences and SDs, and of verdicts.

    A burn that was 'at least' its bound is so again in a simulated trial where its value lies above; else it is exact.
    Each trial follows one of the contrasts and one of the SDs: profiles are dear. A verdict that is wrong is one whose
    simultaneous interval misses the truth, so that these are counted.

    Parameters
    ----------
    L
        (contrasts, p): the means, then differences of them.
    margin
        On the analysis scale, if there is one.
    """
    theta, beta = fit.estimate.theta[0], np.where(np.isnan(fit.estimate.beta[0]), 0.0, fit.estimate.beta[0])
    rows = simulated_rows(fit, known, theta, beta, seed, trials)
    start = np.repeat(started(known.model, theta[None]), trials, axis=0)
    found, D, _ = minimise_rows(known.model, start, rows)
    usable = np.flatnonzero(~np.abs(L[:, list(known.bounded)]).any(axis=1))
    usable = usable[np.unique(np.linspace(0, len(usable) - 1, min(MOST, len(usable))).astype(int))]
    chosen, differ = L[usable], usable >= len(fit.labels)
    df = contrasts(imputed(fit), chosen, "best", level).df[0]
    which = np.arange(trials) % len(chosen)
    t, se = _t_of_truth(known, chosen[which][:, known.kept], (chosen @ beta)[which], found, rows, df[which])
    told = _told(fit, t, se, df[which], differ[which], level, margin)
    return [*told, *_spreads(fit, known, found, D, rows, level)]


def _told(
    fit: RepeatModel, t: Array, se: Array, df: Array, differ: Mask, level: float, margin: float | None
) -> list[tuple[str, float, Array]]:
    """Rows from the signed t (trials,) of the truth and its standard error, each of a mean or of a difference."""
    inside = np.abs(t) <= special.stdtrit(df, (1 + level) / 2)
    rows = [("intervals of the means hold the truth", level, inside[~differ])]
    if differ.any():
        t, se, df = t[differ], se[differ], df[differ]
        multiplier, equivalence = (
            all_pairs(len(fit.labels)).critical(each, df) for each in (level, 2 * level - 1)
        )
        words = (
            "Tukey interval of one difference holds the truth (only where it does not can a verdict be wrong)"
        )
        promised = 1 - 2 * float(special.stdtr(df, -multiplier).mean())
        rows += [
            ("unadjusted intervals of the differences hold the truth", level, inside[differ]),
            (words, promised, np.abs(t) <= multiplier),
        ]
        if margin is not None:
            words = "'the same within the margin' is said of two fuels a whole margin apart, at most"
            rows.append((words, 1 - level, t < -equivalence))
        ends = [
            np.stack([t - each, t + each])[:, :, None] * se[:, None] for each in (multiplier, equivalence)
        ]
        rows += _reached(margin, *ends)
    return [(words, nominal, each.astype(np.float64)) for words, nominal, each in rows]


def _spreads(
    fit: RepeatModel, known: Censored, found: Array, D: Array, rows: Rows, level: float
) -> list[tuple[str, float, Array]]:
    theta, trials = fit.estimate.theta[0], np.arange(len(found))
    which, at = trials % len(theta), started(known.model, found)
    at[trials, which] = np.maximum(theta, 1e-12 * theta.sum())[which]
    value = minimise_rows(known.model, at, rows, held=which, steps=STEPS)[1]
    above = (theta[which] > found[trials, which]).astype(int)
    rise = np.stack([rises(fit, j, level, own=True)[:, 0] for j in range(len(theta))], axis=1)
    inside = (value - D <= rise[above, which]).astype(float)
    return [
        (f"interval of the {name} SD holds the truth ({words})", level, inside[which == j])
        for j, (name, words) in enumerate(zip(fit.names, profile_words(fit, own=True), strict=True))
    ]


def simulated_rows(
    fit: RepeatModel, known: Censored, theta: Array, beta: Array, seed: int, trials: int
) -> Rows:
    """Return simulated data: exact burns, and for the others the bound or a narrow interval round the value."""
    model, rng = known.model, np.random.default_rng(seed)
    above, below = (end + known.data.b_ols @ model.X.T for end in (known.data.low, known.data.high))
    burn, order = np.sqrt(theta[model.terms :][model.group]), known.order
    y = fit.design.X[np.ix_(order, known.kept)] @ (beta[known.kept] - known.centre * known.is_mean)
    y = y + rng.standard_normal((trials, len(burn))) * burn
    for term, variance in zip(terms_in_order(fit.design), theta, strict=False):
        effects = rng.standard_normal((trials, term.levels.count)) * np.sqrt(variance)
        y += effects[:, term.levels.codes[order]]
    e = len(burn) - model.m
    late, width = y[:, e:], WIDTH * np.sqrt(theta[-1])
    over, under = np.isfinite(above) & (late >= above), np.isfinite(below) & (late <= below)
    low = np.where(under, -np.inf, np.where(over, above, late - width))
    high = np.where(under, below, np.where(over, np.inf, late + width))
    data = model.rows(y[:, :e], low, high, POINTS)
    own, df = model.borrowed
    again = own**2 * 2 * rng.standard_gamma(df / 2, (trials, 1)) - df * own**2 if df else 0.0
    return replace(data, rss=data.rss + again)


def _t_of_truth(
    known: Censored, held: Array, truth: Array, theta: Array, rows: Rows, df: Array
) -> tuple[Array, Array]:
    """Return t (trials,) of the truth in each trial, from the rise of the profile there, and the standard error."""
    start = started(known.model, theta)
    estimate, se = _estimates(known, held, rows, theta)
    at_best = held_rows(known, rows, held, estimate)
    best, least, _ = minimise_rows(known.model, start, at_best, unit=se, steps=STEPS)
    at_truth = held_rows(known, rows, held, truth)
    D = minimise_rows(known.model, started(known.model, best), at_truth, steps=STEPS)[1]
    size = np.sqrt(df * np.expm1(np.maximum(D - least, 0.0) / (df + 1)))
    return np.asarray(np.copysign(size, estimate - truth)), se


def _estimates(known: Censored, held: Array, rows: Rows, theta: Array) -> tuple[Array, Array]:
    """Return a combination of the means (trials,) in each trial, and its standard error given the variances."""
    estimate, covariance, _ = posterior(known.model, theta, rows, held[:, None])
    level = known.centre * held[:, known.is_mean].sum(axis=1)
    return estimate[:, 0] + level, np.sqrt(covariance[:, 0, 0])
