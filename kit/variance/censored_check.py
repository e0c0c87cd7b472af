"""The self-check of a fit with bounds: simulate, bound again where the trial was bounded, refit, count."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import special

from kit.variance.bounded import Rows, forms, given_exact
from kit.variance.censored_limits import bounded_rises
from kit.variance.censored_profile import held_rows, imputed
from kit.variance.columns import Array
from kit.variance.covariance import contrasts
from kit.variance.engines import terms_in_order
from kit.variance.families import all_pairs
from kit.variance.model import Censored, RepeatModel
from kit.variance.mvn import truncated
from kit.variance.newton import minimise_rows, started
from kit.variance.optimise import Mask
from kit.variance.profile import profile_words
from kit.variance.reached import Reached

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
    reached: Reached,
) -> list[tuple[str, float, Array]]:
    """Return (quantity, nominal, share of each trial) of intervals of means, differences and SDs, and of verdicts.

    A burn that was 'at least' its bound is so again in a simulated trial where its value lies above; else it is exact.
    Each trial follows one of the contrasts and one of the SDs: profiles are dear. A verdict that is wrong is one whose
    simultaneous interval misses the truth, so that these are counted.

    Parameters
    ----------
    L
        (contrasts, p): the means, then differences of them.
    reached
        The margin and what is said of a pair.
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
    told = _told(fit, t, se, df[which], differ[which], level, reached)
    return [*told, *_spreads(fit, known, found, D, rows, level)]


def _told(
    fit: RepeatModel, t: Array, se: Array, df: Array, differ: Mask, level: float, reached: Reached
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
        if reached.margin is not None:
            words = "'the same within the margin' is said of two fuels a whole margin apart, at most"
            rows.append((words, 1 - level, t < -equivalence))
        ends = [
            np.stack([t - each, t + each])[:, :, None] * se[:, None] for each in (multiplier, equivalence)
        ]
        rows += reached.rows(*ends)
    return [(words, nominal, each.astype(np.float64)) for words, nominal, each in rows]


def _spreads(
    fit: RepeatModel, known: Censored, found: Array, D: Array, rows: Rows, level: float
) -> list[tuple[str, float, Array]]:
    theta, trials = fit.estimate.theta[0], np.arange(len(found))
    which, at = trials % len(theta), started(known.model, found)
    at[trials, which] = np.maximum(theta, 1e-12 * theta.sum())[which]
    value = minimise_rows(known.model, at, rows, held=which, steps=STEPS)[1]
    above = (theta[which] > found[trials, which]).astype(int)
    inside = (value - D <= bounded_rises(fit, level, best=True)[above, which]).astype(float)
    return [
        (f"interval of the {name} SD holds the truth ({words})", level, inside[which == j])
        for j, (name, words) in enumerate(zip(fit.names, profile_words(fit, own=True), strict=True))
    ]


def simulated_rows(
    fit: RepeatModel, known: Censored, theta: Array, beta: Array, seed: int, trials: int
) -> Rows:
    """Return simulated data: exact burns, and for the others the bound or a narrow interval round the value."""
    model, seen, rng = known.model, known.data, np.random.default_rng(seed)
    burn, order = np.sqrt(theta[model.terms :][model.group]), known.order
    y = fit.design.X[np.ix_(order, known.kept)] @ (beta[known.kept] - known.centre * known.is_mean)
    y = y + rng.standard_normal((trials, len(burn))) * burn
    for term, variance in zip(terms_in_order(fit.design), theta, strict=False):
        effects = rng.standard_normal((trials, term.levels.count)) * np.sqrt(variance)
        y += effects[:, term.levels.codes[order]]
    e = len(burn) - model.m
    late, width = y[:, e:], WIDTH * np.sqrt(theta[-1])
    low = np.where(np.isfinite(seen.low) & (late >= seen.low), seen.low, late - width)
    high = np.where(np.isfinite(seen.low) & (late >= seen.low), np.inf, late + width)
    under = np.isfinite(seen.high) & (late <= seen.high)
    low, high = np.where(under, -np.inf, low), np.where(under, seen.high, high)
    data = model.rows(y[:, :e], low, high, POINTS)
    own, df = model.borrowed
    again = own**2 * 2 * rng.standard_gamma(df / 2, (trials, 1)) - df * own**2 if df else 0.0
    return replace(data, yy=data.yy + again)


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
    m, model = known.model.m, known.model
    G, _ = forms(model, theta, rows, held[:, None])
    mean, covariance = given_exact(model, theta, G)
    box = truncated(rows.low - mean, rows.high - mean, covariance, POINTS)
    pull = np.linalg.solve(covariance, G[:, :m, -1:])[:, :, 0]
    estimate = G[:, -1, m] + np.vecdot(pull, box.mean) + known.centre * held[:, known.is_mean].sum(axis=1)
    return np.asarray(estimate), np.asarray(np.sqrt(G[:, -1, -1] - np.vecdot(pull, G[:, :m, -1]) / 2))
