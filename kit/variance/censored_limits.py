"""Profile limits of standard deviations where some values are bounds: where D has risen by the quantile of χ²."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from kit.variance.censored_profile import started
from kit.variance.columns import Array, Codes
from kit.variance.newton import minimise_rows

if TYPE_CHECKING:
    from kit.variance.censored import Censored
    from kit.variance.fit import RepeatFit

FIRST, LONGEST, LAST = 0.4, 1.5, 8.5
"""In log SD from where a search begins: its first step, its longest, and where it ends without a limit."""

CLOSE = 1e-3
"""How near √(D - D_min) has to come to that of a limit."""


def censored_limits(fit: RepeatFit, known: Censored, level: float) -> tuple[Array, Array]:
    """Return profile limits (1, c) of the standard deviations; 0 or infinity where the data set none."""
    sd, whole = np.sqrt(fit.estimate.theta[0]), float(np.sqrt(fit.estimate.theta.sum()))
    count, profile = len(sd), _Profile(fit, known, float(np.sqrt(special.chdtri(1, 1 - level))))
    component, terms = np.arange(count), np.arange(known.model.terms)
    sought = np.ones(count, dtype=np.bool_)
    sought[terms] = profile.height(terms, np.zeros(len(terms))) > 0  # else the limit is zero
    below = component[sought & (sd > 0)]
    start = np.concatenate([sd[below], np.maximum(sd, 0.01 * whole)])
    sign = np.repeat([-1, 1], [len(below), count])
    ends = profile.crossings(np.concatenate([below, component]), start, sign)
    low = np.zeros(count)
    low[below] = ends[: len(below)]
    return low[None], ends[None, len(below) :]


@dataclass(frozen=True)
class _Profile:
    """√(D - D_min) less `limit` with one SD held."""

    fit: RepeatFit
    known: Censored
    limit: float

    def height(self, component: Codes, sd: Array) -> Array:
        """Return it at components (rows,) held at SDs (rows,)."""
        theta = started(np.repeat(self.fit.estimate.theta, len(sd), axis=0))
        theta[np.arange(len(sd)), component] = sd**2
        D = minimise_rows(self.known.model, theta, self.known.data.times(len(sd)), held=component)[1]
        return np.asarray(np.sqrt(np.maximum(D - float(self.fit.estimate.criterion[0]), 0.0)) - self.limit)

    def crossings(self, component: Codes, start: Array, sign: Array) -> Array:
        """Return SDs at which the height is zero, above `start` or below: secants in log SD, inside a bracket."""
        behind, f_behind = np.zeros(len(start)), np.full(len(start), -self.limit)
        x, least, most = np.full(len(start), FIRST), np.zeros(len(start)), np.full(len(start), np.inf)
        live = np.arange(len(start))
        for _ in range(40):
            at = x[live]
            f = self.height(component[live], start[live] * np.exp(sign[live] * at))
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
