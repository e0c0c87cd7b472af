"""Means and differences with their small-sample distribution: with bounds or without, by any of the methods.

Where some values are bounds, intervals are profiles of the criterion, measured on a t scale. For one difference v =
c'b the criterion minimised over the variances rises, in a model of one variance on df degrees of freedom, by exactly
(df + 1) log(1 + t²/df). Read backwards that gives every v a signed t,

    t(v) = ± √(df (exp((D(v) - D_min)/(df + 1)) - 1)),

from which limits, p values and families follow as for any t; df is that of the same contrast with the bounds replaced
by the values expected for them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import CubicHermiteSpline

from kit.variance.averaged import exact_contrasts
from kit.variance.bounded import Rows, least_rows, slope
from kit.variance.burn_arrays import Array, Codes
from kit.variance.model import Censored, RepeatModel, small_sample
from kit.variance.t_contrasts import LEAST_DF, Contrasts, DfMethod, FTest, f_test, kenward_roger, needs_level

__all__ = [
    "LEAST_DF", "Contrasts", "DfMethod", "FTest", "contrasts", "f_test", "kenward_roger", "small_sample",
]  # fmt: skip


def contrasts(fit: RepeatModel, L: Array, df: DfMethod = "best", level: float = 0.95) -> Contrasts:
    """Return linear combinations of the coefficients with their small-sample distribution.

    Parameters
    ----------
    L
        (contrasts, p) rows over `fit.design.columns`.
    df
        'best' (DEVELOPERS.md, method 3: averaged over the restricted likelihood), 'kenward-roger' or 'satterthwaite'.
    level
        Confidence for which effective degrees of freedom are given, where a method has no single ones.

    Raises
    ------
    KitError
        For an unknown method, a level that is none, and Kenward–Roger of a fit by ML.
    """
    needs_level(level)
    L = np.atleast_2d(np.asarray(L, dtype=np.float64))
    if fit.censored is not None:
        return censored_contrasts(fit, fit.censored, L, df, level)
    return exact_contrasts(fit, L, df, level)


NODES = np.array([-6.0, -2.75, 0.0, 2.75, 6.0])
"""Standard errors from the estimate at which a profile is computed."""

STEEPEST = 1.0
"""Slope of D at the estimate, a standard error further: its least is taken to be within half of one."""

OF_A_T = ", degrees of freedom of "
"""Between a profile's name and that of the t it is measured on."""

FINE = 401
"""Points of the curve laid through them."""


@dataclass(frozen=True)
class CensoredContrasts(Contrasts):
    """Contrasts whose t comes from a profile: t (contrasts, points) at values v (contrasts, points)."""

    v: Array
    t: Array

    def _t(self, null: float) -> Array:
        return -np.array([[_between(null, v, t) for v, t in zip(self.v, self.t, strict=True)]])

    def _at(self, t: Array) -> Array:
        rows = zip(self.v, self.t, np.broadcast_to(t, self.estimate.shape)[0], strict=True)
        return np.array([[_between(want, own, v) for v, own, want in rows]])


def _between(x: float, xs: Array, ys: Array) -> float:
    """Interpolate, and go on straight beyond the ends, without end where the profile is flat there; NaN if unknown."""
    if np.isnan(xs).any() or np.isnan(ys).any() or np.isnan(x):
        return np.nan
    if xs[0] <= x <= xs[-1]:
        return float(np.interp(x, xs, ys))
    a, b = (0, 1) if x < xs[0] else (-2, -1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return float(ys[b] + (x - xs[b]) * (ys[b] - ys[a]) / (xs[b] - xs[a]))


def imputed(fit: RepeatModel) -> RepeatModel:
    """Return the fit as if the expected values had been measured."""
    return replace(fit, censored=None, columns=replace(fit.columns, side=None))


def censored_contrasts(
    fit: RepeatModel, known: Censored, L: Array, df: DfMethod, level: float
) -> CensoredContrasts:
    """Return contrasts by t-based profile; NaN for those that need a mean without an exact burn."""
    beta = np.where(np.isnan(fit.estimate.beta), 0.0, fit.estimate.beta)
    base = exact_contrasts(replace(imputed(fit), estimate=replace(fit.estimate, beta=beta)), L, df, level)
    lost = (
        np.abs(L[:, list(known.bounded)]).any(axis=1) if known.bounded else np.zeros(len(L), dtype=np.bool_)
    )
    phi = np.where(np.isnan(known.covariance), 0.0, known.covariance)
    estimate = (L @ beta[0])[None]
    se = np.sqrt(np.vecdot(L @ phi, L))[None]
    v, t = np.full((len(L), FINE), np.nan), np.full((len(L), FINE), np.nan)
    found = np.flatnonzero(~lost)
    profiles = _profiles(fit, known, L[found], estimate[0, found], se[0, found])
    v[found], t[found] = _t_profiles(
        *profiles, *(part[0, found, None] for part in (estimate, se, base.df, base.se))
    )
    estimate, se, freedom = (np.where(lost, np.nan, part) for part in (estimate, se, base.df))
    method = f"profile with bounds{OF_A_T}{base.method}"
    return CensoredContrasts(method, estimate, se, freedom, L, phi[None], v, t)


def _profiles(fit: RepeatModel, known: Censored, L: Array, estimate: Array, se: Array) -> tuple[Array, Array]:
    """Return D (contrasts, nodes) minimised over the variances and its slopes: from the estimate outwards, both ways.

    Away from it the variances go as θ + ½ t² W g/v, g = ∂v/∂θ, to first order of t², and of one variance exactly.

    Parameters
    ----------
    L
        (contrasts, p).
    """
    count, middle = len(L), len(NODES) // 2
    D, slopes = np.empty((2, count, len(NODES)))

    def theta_at(rows: Codes, nodes: Codes, start: Array) -> Array:
        held, value = L[np.ix_(rows, known.kept)], estimate[rows] + se[rows] * NODES[nodes]
        data = held_rows(known, known.data, held, value)
        found = least_rows(known.model, start, data)
        D[rows, nodes], slopes[rows, nodes] = found.value, slope(known.model, found.theta, data, se[rows])
        return found.theta

    rows = np.arange(count)
    theta = theta_at(rows, np.full(count, middle), np.repeat(fit.estimate.theta, count, axis=0))
    parts, rows = imputed(fit).small_sample, np.tile(rows, 2)
    share = np.vecdot(L @ parts.moved[0], L) / np.vecdot(L @ parts.pieces.phi[0], L)
    theta, bend = theta[rows], (share.T @ parts.W[0] / 2)[rows]
    for out in range(1, middle + 1):
        further = NODES[middle + out] ** 2 - NODES[middle + out - 1] ** 2
        guess = np.maximum(theta + further * bend, 0.1 * theta)
        after = theta_at(rows, np.repeat([middle - out, middle + out], count), guess)
        theta, bend = after, (after - theta) / further
    return D, slopes


def held_rows(known: Censored, data: Rows, held: Array, value: Array) -> Rows:
    """Return the data with combinations of the means (rows, p) held at values on the table's own scale (rows,)."""
    if len(data.z) == 1:
        data = data.times(len(held))
    return data.holding(held, value - known.centre * held[:, known.is_mean].sum(axis=1))


def _t_profiles(
    D: Array, slope: Array, estimate: Array, se: Array, df: Array, least: Array
) -> tuple[Array, Array]:
    """Return v and t(v) on a fine grid (contrasts, points): exp((D - D_min)/(df + 1)) is nearly a parabola.

    It bends where a variance reaches zero; so cubics are laid through the nodes and their slopes, not one polynomial.
    Where burns happen to agree, a profile is too sure: t is nowhere larger than with `least`, the standard error were
    the expected values measured.
    """
    rise, most = D - D.min(axis=1, keepdims=True), (se / least) ** 2
    highest = (df + 1) * np.log1p(most * NODES**2 / df)
    slope = np.where(rise > highest, 2 * (df + 1) * most * NODES / (df + most * NODES**2), slope)
    steepest = np.where(NODES == 0, STEEPEST, (df + 1) * np.sqrt(most / df))
    slope = np.clip(slope, -steepest, steepest)
    height = np.exp(np.minimum(rise, highest) / (df + 1))
    k = np.linspace(NODES[0], NODES[-1], FINE)
    height = CubicHermiteSpline(NODES, height, height * slope / (df + 1), axis=1)(k)
    middle = height.argmin(axis=1, keepdims=True)
    lowest = np.take_along_axis(height, middle, axis=1)
    t = np.sqrt(df * np.maximum(height / lowest - 1, 0.0)) * np.where(np.arange(FINE) < middle, -1.0, 1.0)
    t = np.clip(t, -np.abs(k) * se / least, np.abs(k) * se / least)
    return estimate + se * k, np.maximum.accumulate(t, axis=1)
