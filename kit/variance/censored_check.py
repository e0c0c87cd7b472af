"""The self-check of a fit with bounds: simulate, bound again where the trial was bounded, refit, count."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from kit.variance.bounded import Rows, minimise_rows
from kit.variance.censored_profile import held_deviance, imputed
from kit.variance.columns import Array
from kit.variance.covariance import contrasts

if TYPE_CHECKING:
    from kit.variance.censored import Censored
    from kit.variance.fit import RepeatFit

MOST = 6
"""Contrasts that are followed: of more, an even choice."""

WIDTH = 1e-4
"""An exact value among the bounded burns is an interval of this many burn SDs."""


def censored_rows(
    fit: RepeatFit, known: Censored, L: Array, seed: int, trials: int, level: float
) -> list[tuple[str, float, Array]]:
    """Return (quantity, nominal, share of each trial) of means' and differences' intervals, and of the SDs'.

    A burn that was 'at least' its bound is so again in a simulated trial where its value lies above; else it is exact.
    """
    theta, beta = fit.estimate.theta[0], np.where(np.isnan(fit.estimate.beta[0]), 0.0, fit.estimate.beta[0])
    rows = simulated_rows(fit, known, theta, beta, seed, trials)
    start = np.repeat(np.maximum(theta, 1e-3 * theta.sum())[None], trials, axis=0)
    found, D, _ = minimise_rows(known.model, start, rows)
    usable = L[~np.abs(L[:, list(known.bounded)]).any(axis=1)] if known.bounded else L
    chosen = usable[np.unique(np.linspace(0, len(usable) - 1, min(MOST, len(usable))).astype(int))]
    base = contrasts(imputed(fit), chosen, "best", level)
    inside = np.zeros(trials)
    for i, row in enumerate(chosen):
        own = np.arange(i, trials, len(chosen))  # each trial follows one of them: profiles are dear
        inside[own] = _held(
            known, row[known.kept], float(row @ beta), found[own], rows.take(own), float(base.df[0, i]), level
        )
    out = [(f"intervals of {len(chosen)} means and differences hold the truth", level, inside)]
    rise = float(special.chdtri(1, 1 - level))
    for j, name in enumerate(fit.names):
        own = np.arange(j, trials, len(fit.names))
        at = np.maximum(found[own], 1e-9 * found[own].sum(axis=1, keepdims=True))
        at[:, j] = max(theta[j], 1e-12 * theta.sum())
        value = minimise_rows(known.model, at, rows.take(own), held=j, steps=4)[1]
        inside = (value - D[own] <= rise).astype(float)
        out.append((f"interval of the {name} SD holds the truth (profile with bounds)", level, inside))
    return out


def simulated_rows(
    fit: RepeatFit, known: Censored, theta: Array, beta: Array, seed: int, trials: int
) -> Rows:
    """Return simulated data: exact burns, and for the others the bound or a narrow interval round the value."""
    model, rng = known.model, np.random.default_rng(seed)
    e, kept = model.X.shape[0] - model.m, known.kept
    root = np.linalg.cholesky(np.tensordot(theta, model.parts, axes=1))
    centred = beta[kept] - known.centre * known.is_mean
    y = model.X @ centred + rng.standard_normal((trials, len(root))) @ root.T
    late, width = y[:, e:], WIDTH * np.sqrt(theta[-1])
    low = np.where(np.isfinite(known.low) & (late >= known.low), known.low, late - width)
    high = np.where(np.isfinite(known.low) & (late >= known.low), np.inf, late + width)
    under = np.isfinite(known.high) & (late <= known.high)
    low, high = np.where(under, -np.inf, low), np.where(under, known.high, high)
    ss = 2 * theta[model.terms :] * rng.standard_gamma(np.broadcast_to(model.df / 2, (trials, len(model.df))))
    return Rows(y[:, :e], model.X, low, high, ss, 67)


def _held(
    known: Censored, c: Array, truth: float, theta: Array, rows: Rows, df: float, level: float
) -> Array:
    """Whether each trial's interval holds the truth: t there from the rise of the profile above its minimum."""
    start = np.maximum(theta, 1e-6 * theta.sum(axis=1, keepdims=True))
    estimate, se = _least_squares(known, c, rows, theta)
    nodes = np.array([-0.6, 0.0, 0.6])
    D = np.stack([held_deviance(known, c, estimate + k * se, start, rows, 3) for k in nodes], axis=1)
    at_truth = held_deviance(known, c, np.full(len(theta), truth), start, rows, 3)
    best = np.minimum(_vertex(nodes, D), at_truth)
    t = np.sqrt(df * np.expm1((at_truth - best) / (df + 1)))
    return np.asarray((t <= special.stdtrit(df, (1 + level) / 2)).astype(np.float64))


def _vertex(x: Array, D: Array) -> Array:
    """Least value of the parabola through three points a row."""
    a = ((D[:, 2] - D[:, 1]) / (x[2] - x[1]) - (D[:, 1] - D[:, 0]) / (x[1] - x[0])) / (x[2] - x[0])
    b = (D[:, 2] - D[:, 0]) / (x[2] - x[0])
    low = D[:, 1] - b**2 / (4 * np.maximum(a, 1e-12))
    return np.asarray(np.where(a > 0, low, D.min(axis=1)))


def _least_squares(known: Censored, c: Array, rows: Rows, theta: Array) -> tuple[Array, Array]:
    """A rough estimate of c'b and its standard error in each trial, bounds at face value."""
    model = known.model
    finite = np.where(np.isfinite(rows.low), rows.low, rows.high)
    both = np.where(np.isfinite(rows.low) & np.isfinite(rows.high), (rows.low + rows.high) / 2, finite)
    y = np.concatenate([rows.y, both], axis=1)
    V = np.linalg.inv(np.tensordot(theta, model.parts, axes=1))
    phi = np.linalg.inv(model.X.T @ V @ model.X)
    b = np.einsum("rpq,qn,rnm,rm->rp", phi, model.X.T, V, y, optimize=True)
    centred = known.centre * float(c[known.is_mean].sum())
    return b @ c + centred, np.sqrt(np.einsum("p,rpq,q->r", c, phi, c))
