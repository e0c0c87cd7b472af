"""The self-check of a fit with bounds: simulate, bound again where the trial was bounded, refit, count."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from kit.variance.bounded import Rows, burn_variance, forms
from kit.variance.censored_profile import held_rows, imputed, started
from kit.variance.columns import Array
from kit.variance.covariance import contrasts
from kit.variance.mvn import truncated
from kit.variance.newton import minimise_rows

if TYPE_CHECKING:
    from kit.variance.censored import Censored
    from kit.variance.fit import RepeatFit

MOST = 6
"""Contrasts that are followed: of more, an even choice."""

WIDTH = 1e-4
"""An exact value among the bounded burns is an interval of this many burn SDs."""

POINTS = 67
"""Of the lattice, where several burns are bounds."""

NODES = np.array([-0.6, 0.0, 0.6])
"""Standard errors from the estimate at which the least height of a profile is found."""


def censored_rows(
    fit: RepeatFit, known: Censored, L: Array, seed: int, trials: int, level: float
) -> list[tuple[str, float, Array]]:
    """Return (quantity, nominal, share of each trial) of means' and differences' intervals, and of the SDs'.

    A burn that was 'at least' its bound is so again in a simulated trial where its value lies above; else it is exact.
    Each trial follows one of the contrasts and one of the SDs: profiles are dear.
    """
    theta, beta = fit.estimate.theta[0], np.where(np.isnan(fit.estimate.beta[0]), 0.0, fit.estimate.beta[0])
    rows = simulated_rows(fit, known, theta, beta, seed, trials)
    start = np.repeat(np.maximum(theta, 1e-3 * theta.sum())[None], trials, axis=0)
    found, D, _ = minimise_rows(known.model, start, rows)
    usable = L[~np.abs(L[:, list(known.bounded)]).any(axis=1)] if known.bounded else L
    chosen = usable[np.unique(np.linspace(0, len(usable) - 1, min(MOST, len(usable))).astype(int))]
    df = contrasts(imputed(fit), chosen, "best", level).df[0]
    which = np.arange(trials) % len(chosen)
    t = _t_of_truth(known, chosen[which][:, known.kept], (chosen @ beta)[which], found, rows, df[which])
    inside = (t <= special.stdtrit(df[which], (1 + level) / 2)).astype(float)
    words = f"intervals of {len(chosen)} means and differences hold the truth"
    return [(words, level, inside), *_spreads(fit, known, found, D, rows, level)]


def _spreads(
    fit: RepeatFit, known: Censored, found: Array, D: Array, rows: Rows, level: float
) -> list[tuple[str, float, Array]]:
    theta, trials = fit.estimate.theta[0], np.arange(len(found))
    which, at = trials % len(theta), started(found)
    at[trials, which] = np.maximum(theta, 1e-12 * theta.sum())[which]
    value = minimise_rows(known.model, at, rows, held=which, steps=4)[1]
    inside = (value - D <= special.chdtri(1, 1 - level)).astype(float)
    return [
        (f"interval of the {name} SD holds the truth (profile with bounds)", level, inside[which == j])
        for j, name in enumerate(fit.names)
    ]


def simulated_rows(
    fit: RepeatFit, known: Censored, theta: Array, beta: Array, seed: int, trials: int
) -> Rows:
    """Return simulated data: exact burns, and for the others the bound or a narrow interval round the value."""
    model, seen, rng = known.model, known.data, np.random.default_rng(seed)
    sd = np.sqrt(np.where(model.component < 0, 0.0, theta[model.component]))
    effects = rng.standard_normal((trials, len(sd))) * sd
    effects[:, model.q : model.q + model.p] = beta[known.kept] - known.centre * known.is_mean
    burn = np.sqrt(theta[model.terms :][model.group])
    y = effects @ model.A.T + rng.standard_normal((trials, len(burn))) * burn
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


def _t_of_truth(known: Censored, held: Array, truth: Array, theta: Array, rows: Rows, df: Array) -> Array:
    """Return |t| (trials,) of the truth in each trial: from the rise of the profile there above its minimum."""
    start = np.maximum(theta, 1e-6 * theta.sum(axis=1, keepdims=True))
    estimate, se = _estimates(known, held, rows, theta)
    values = [*(estimate + k * se for k in NODES), truth]
    D = np.stack(
        [minimise_rows(known.model, start, held_rows(known, rows, held, v), steps=3)[1] for v in values]
    )
    least = np.minimum(_vertex(NODES, D[:3].T), D[3])
    return np.asarray(np.sqrt(df * np.expm1((D[3] - least) / (df + 1))))


def _estimates(known: Censored, held: Array, rows: Rows, theta: Array) -> tuple[Array, Array]:
    """Return a combination of the means (trials,) in each trial, and its standard error given the variances."""
    m, model = known.model.m, known.model
    G, _ = forms(model, theta, rows, held[:, None])
    covariance = G[:, :m, :m] + burn_variance(model, theta[:, model.terms :])
    mean = G[:, :m, m]
    box = truncated(rows.low - mean, rows.high - mean, covariance, POINTS)
    pull = np.linalg.solve(covariance, G[:, :m, -1:])[:, :, 0]
    estimate = G[:, -1, m] + np.vecdot(pull, box.mean) + known.centre * held[:, known.is_mean].sum(axis=1)
    return np.asarray(estimate), np.asarray(np.sqrt(G[:, -1, -1] - np.vecdot(pull, G[:, :m, -1]) / 2))


def _vertex(x: Array, D: Array) -> Array:
    """Least value of the parabola through three points a row."""
    a = ((D[:, 2] - D[:, 1]) / (x[2] - x[1]) - (D[:, 1] - D[:, 0]) / (x[1] - x[0])) / (x[2] - x[0])
    b = (D[:, 2] - D[:, 0]) / (x[2] - x[0])
    low = D[:, 1] - b**2 / (4 * np.maximum(a, 1e-12))
    return np.asarray(np.where(a > 0, low, D.min(axis=1)))
