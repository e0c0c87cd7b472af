"""Intervals where some values are bounds: profiles of the criterion, measured on a t scale.

For one difference v = c'b the criterion minimised over the variances rises, in a model of one variance on df degrees
of freedom, by exactly (df + 1) log(1 + t²/df). Read backwards that gives every v a signed t,

    t(v) = ± √(df (exp((D(v) - D_min)/(df + 1)) - 1)),

from which limits, p values and families follow as for any t; df is that of the same contrast with the bounds replaced
by the values expected for them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from kit.variance.bounded import Rows, minimise_rows, rows_of
from kit.variance.columns import Array
from kit.variance.covariance import Contrasts, DfMethod, FamilyLike, contrasts

if TYPE_CHECKING:
    from kit.variance.censored import Censored
    from kit.variance.fit import RepeatFit

NODES = np.array([-7.0, -4.5, -2.5, -1.0, 0.0, 1.0, 2.5, 4.5, 7.0])
"""Standard errors from the estimate at which a profile is computed."""


@dataclass(frozen=True)
class CensoredContrasts(Contrasts):
    """Contrasts whose t comes from a profile: t (contrasts, points) at values v (contrasts, points)."""

    v: Array
    t: Array

    def _t_at(self, null: float) -> Array:
        return np.array([[_between(null, v, t) for v, t in zip(self.v, self.t, strict=True)]])

    def _v_at(self, t: Array) -> Array:
        rows = zip(self.v, self.t, np.broadcast_to(t, self.estimate.shape)[0], strict=True)
        return np.array([[_between(want, own, v) for v, own, want in rows]])

    def limits(self, level: float) -> tuple[Array, Array]:
        """Return the values of v whose t is at the two quantiles."""
        half = special.stdtrit(self.df, (1 + level) / 2)
        return self._v_at(-half), self._v_at(half)

    def p(self, null: float = 0.0) -> Array:
        """Two-sided p values."""
        return np.asarray(2 * special.stdtr(self.df, -np.abs(self._t_at(null))))

    def upper_p(self, null: float) -> Array:
        """One-sided p values against 'at most null'."""
        return np.asarray(special.stdtr(self.df, self._t_at(null)))

    def lower_p(self, null: float) -> Array:
        """One-sided p values against 'at least null'."""
        return np.asarray(special.stdtr(self.df, -self._t_at(null)))

    def family_p(self, family: FamilyLike) -> Array:
        """P values adjusted for the family."""
        return family.p(self._t_at(0.0), self.df)

    def family_limits(self, family: FamilyLike, level: float) -> tuple[Array, Array]:
        """Simultaneous limits of the family."""
        half = family.critical(level, self.df)
        return self._v_at(-half), self._v_at(half)


def _between(x: float, xs: Array, ys: Array) -> float:
    """Interpolate, and go on straight beyond the ends; NaN where nothing is known."""
    if np.isnan(xs).any() or np.isnan(ys).any() or np.isnan(x):
        return np.nan
    if xs[0] <= x <= xs[-1]:
        return float(np.interp(x, xs, ys))
    a, b = (0, 1) if x < xs[0] else (-2, -1)
    return float(ys[b] + (x - xs[b]) * (ys[b] - ys[a]) / (xs[b] - xs[a]))


def imputed(fit: RepeatFit) -> RepeatFit:
    """Return the fit as if the expected values had been measured."""
    return replace(fit, censored=None, columns=replace(fit.columns, side=None))


def censored_contrasts(
    fit: RepeatFit, known: Censored, L: Array, df: DfMethod, level: float
) -> CensoredContrasts:
    """Return contrasts by t-based profile; NaN for those that need a mean without an exact burn."""
    beta = np.where(np.isnan(fit.estimate.beta), 0.0, fit.estimate.beta)
    base = contrasts(replace(imputed(fit), estimate=replace(fit.estimate, beta=beta)), L, df, level)
    lost = (
        np.abs(L[:, list(known.bounded)]).any(axis=1) if known.bounded else np.zeros(len(L), dtype=np.bool_)
    )
    covariance = L @ np.where(np.isnan(known.covariance), 0.0, known.covariance) @ L.T
    estimate = (L @ beta[0])[None]
    se = np.sqrt(np.diag(covariance))[None]
    v, t = np.full((len(L), 401), np.nan), np.full((len(L), 401), np.nan)
    for i in np.flatnonzero(~lost):
        own = L[i, known.kept]
        v[i], t[i] = _t_profile(fit, known, own, float(estimate[0, i]), float(se[0, i]), float(base.df[0, i]))
    estimate, se, freedom = (np.where(lost, np.nan, part) for part in (estimate, se, base.df))
    method = f"profile with bounds, degrees of freedom of {base.method}"
    return CensoredContrasts(method, estimate, se, freedom, covariance[None], v, t)


def _t_profile(
    fit: RepeatFit, known: Censored, c: Array, estimate: float, se: float, df: float
) -> tuple[Array, Array]:
    """Return v and t(v) on a fine grid: exp((D - D_min)/(df + 1)) is nearly a parabola, and smooth."""
    D = held_deviance(known, c, estimate + se * NODES, np.repeat(fit.estimate.theta, len(NODES), axis=0))
    rise = np.exp((D - D.min()) / (df + 1))
    curve = np.polynomial.Polynomial.fit(NODES, rise, len(NODES) - 1)
    k = np.linspace(NODES[0], NODES[-1], 401)
    height = curve(k)
    middle = int(height.argmin())
    t = np.sqrt(df * np.maximum(height / height[middle] - 1, 0.0))
    t = np.where(k < k[middle], -t, t)
    return estimate + se * k, np.maximum.accumulate(t)


def held_deviance(
    known: Censored, c: Array, v: Array, start: Array, rows: Rows | None = None, steps: int = 30
) -> Array:
    """Minimise the criterion over the variances with c'b = v (rows,) held.

    Parameters
    ----------
    c
        (p,) over the columns that the model keeps; values are those of the table, not centred.
    start
        (rows, c) variances to start from.
    rows
        Other responses than the fit's own (a row each).
    """
    model = known.model
    e = model.X.shape[0] - model.m
    basis = np.linalg.svd(c[None], full_matrices=True)[2][1:].T
    along = model.X @ c / (c @ c)
    centred = known.centre * float(c[known.is_mean].sum())  # what centring the values took off c'b
    off = (v - centred)[:, None] * along
    data = rows or rows_of(model, known.low, known.high, len(v))
    held = replace(
        data, y=data.y - off[:, :e], X=model.X @ basis, low=data.low - off[:, e:], high=data.high - off[:, e:]
    )
    return minimise_rows(model, start, held, steps=steps)[1]


def censored_limits(fit: RepeatFit, known: Censored, level: float) -> tuple[Array, Array]:
    """Return profile limits (1, c) of the standard deviations."""
    rise = float(special.chdtri(1, 1 - level))
    theta = fit.estimate.theta[0]
    low, high = np.zeros((1, len(theta))), np.zeros((1, len(theta)))
    for j in range(len(theta)):
        low[0, j], high[0, j] = _sd_limits(fit, known, j, rise)
    return low, high


def _sd_limits(fit: RepeatFit, known: Censored, j: int, rise: float) -> tuple[float, float]:
    theta, best = fit.estimate.theta[0], float(fit.estimate.criterion[0])
    sd = float(np.sqrt(theta[j]))
    burn = j >= known.model.terms
    size = sd if burn else max(sd, 0.4 * float(np.sqrt(theta.sum())))
    grid = size * (
        np.geomspace(0.45, 3.0, 13) if burn else np.concatenate([[0.0], np.geomspace(0.1, 6.0, 14)])
    )
    D = component_deviance(fit, known, j, grid) - best
    inside = np.flatnonzero(rise >= D)
    if not len(inside):
        return sd, sd
    first, last = int(inside[0]), int(inside[-1])
    low = 0.0 if first == 0 else _crossing(fit, known, j, rise, grid[first - 1], grid[first])
    high = np.inf if last == len(grid) - 1 else _crossing(fit, known, j, rise, grid[last], grid[last + 1])
    return low, high


def _crossing(fit: RepeatFit, known: Censored, j: int, rise: float, a: float, b: float) -> float:
    grid = np.linspace(a, b, 6)
    root = np.sqrt(
        np.maximum(component_deviance(fit, known, j, grid) - float(fit.estimate.criterion[0]), 0.0)
    )
    if root[0] > root[-1]:
        grid, root = grid[::-1], root[::-1]
    return float(np.interp(np.sqrt(rise), np.maximum.accumulate(root), grid))


def component_deviance(fit: RepeatFit, known: Censored, j: int, sd: Array) -> Array:
    """Minimise the criterion over the other variances with one SD held at each of `sd`."""
    model = known.model
    start = np.repeat(np.maximum(fit.estimate.theta, 1e-9 * fit.estimate.theta.sum()), len(sd), axis=0)
    start[:, j] = sd**2
    data = rows_of(model, known.low, known.high, len(sd))
    return minimise_rows(model, start, data, held=j)[1]
