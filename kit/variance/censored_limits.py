"""Profile limits of standard deviations where some values are bounds: where D has risen enough.

Enough is the quantile of χ²₁, or for a burn SD the rise of its own degrees of freedom (kit.variance.profile).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kit.variance.censored_profile import imputed
from kit.variance.columns import Array, Codes
from kit.variance.model import Censored, RepeatModel
from kit.variance.newton import minimise_rows, started
from kit.variance.profile import rises

FIRST, LONGEST, LAST = 0.4, 1.5, 8.5
"""In log SD from where a search begins: its first step, its longest, and where it ends without a limit."""

CLOSE = 1e-3
"""How near √(D - D_min) has to come to that of a limit."""


def censored_limits(fit: RepeatModel, known: Censored, level: float, best: bool) -> tuple[Array, Array]:
    """Return profile limits (1, c) of the standard deviations; 0 or infinity where the data set none.

    Parameters
    ----------
    best
        Whether burn SDs have the rise of their degrees of freedom; else every SD has that of χ²₁.
    """
    sd, whole = np.sqrt(fit.estimate.theta[0]), float(np.sqrt(fit.estimate.theta.sum()))
    count, profile, (down, up) = len(sd), _Profile(fit, known), np.sqrt(bounded_rises(fit, level, best))
    component, terms = np.arange(count), np.arange(known.model.terms)
    sought = np.ones(count, dtype=np.bool_)
    sought[terms] = profile.height(terms, np.zeros(len(terms))) > down[terms]  # else the limit is zero
    below = component[sought & (sd > 0)]
    start = np.concatenate([sd[below], np.maximum(sd, 0.01 * whole)])
    sign = np.repeat([-1, 1], [len(below), count])
    height = np.concatenate([down[below], up])
    ends = profile.crossings(np.concatenate([below, component]), start, sign, height)
    low = np.zeros(count)
    low[below] = ends[: len(below)]
    return low[None], ends[None, len(below) :]


def bounded_rises(fit: RepeatModel, level: float, best: bool) -> Array:
    """Return how far D rises (2, c) from its least to the lower and to the upper limit of each SD."""
    filled, count = imputed(fit), len(fit.names)
    return np.stack([rises(filled, component, level, best)[:, 0] for component in range(count)], axis=1)


@dataclass(frozen=True)
class _Profile:
    """√(D - D_min) with one SD held."""

    fit: RepeatModel
    known: Censored

    def height(self, component: Codes, sd: Array) -> Array:
        """Return it at components (rows,) held at SDs (rows,)."""
        theta = started(self.known.model, np.repeat(self.fit.estimate.theta, len(sd), axis=0))
        theta[np.arange(len(sd)), component] = sd**2
        D = minimise_rows(self.known.model, theta, self.known.data.times(len(sd)), held=component)[1]
        return np.asarray(np.sqrt(np.maximum(D - float(self.fit.estimate.criterion[0]), 0.0)))

    def crossings(self, component: Codes, start: Array, sign: Array, limit: Array) -> Array:
        """Return SDs at which the height is at its limit, above `start` or below: secants in log SD, bracketed."""
        behind, f_behind = np.zeros(len(start)), -limit
        x, least, most = np.full(len(start), FIRST), np.zeros(len(start)), np.full(len(start), np.inf)
        live = np.arange(len(start))
        for _ in range(40):
            at = x[live]
            f = self.height(component[live], start[live] * np.exp(sign[live] * at)) - limit[live]
            least[live] = np.where(f < 0, np.maximum(at, least[live]), least[live])
            most[live] = np.where(f < 0, most[live], np.minimum(at, most[live]))
            rise = np.maximum((f - f_behind[live]) / (at - behind[live]), 1e-6)
            new = np.minimum(at - f / rise, at + LONGEST)
            inside = (new > least[live]) & (new < most[live])
            x[live] = np.where(inside, new, (least[live] + np.minimum(most[live], at + LONGEST)) / 2)
            behind[live], f_behind[live] = at, f
            live = live[(np.abs(f) > CLOSE) & (at < LAST)]
            if not len(live):
                break
        ends = start * np.exp(sign * x)
        return np.where(least >= LAST, np.where(sign > 0, np.inf, 0.0), ends)
