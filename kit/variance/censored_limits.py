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

FACTOR = 1.7
"""By which a limit is sought further and further from the estimate."""

CLOSE = 1e-3
"""How near √(D - D_min) has to come to that of a limit."""


def censored_limits(fit: RepeatFit, known: Censored, level: float) -> tuple[Array, Array]:
    """Return profile limits (1, c) of the standard deviations; 0 or infinity where the data set none."""
    sd, whole = np.sqrt(fit.estimate.theta[0]), float(np.sqrt(fit.estimate.theta.sum()))
    count, profile = len(sd), _Profile(fit, known, float(np.sqrt(special.chdtri(1, 1 - level))))
    component = np.arange(count)
    sought = (component >= known.model.terms) | (
        profile.height(component, np.where(component < known.model.terms, 0.0, sd)) > 0
    )
    below = component[sought & (sd > 0)]
    ends = profile.crossings(
        np.concatenate([below, component]),
        np.concatenate([sd[below], np.maximum(sd, 0.01 * whole)]),
        np.repeat([1 / FACTOR, FACTOR], [len(below), count]),
    )
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

    def crossings(self, component: Codes, start: Array, factor: Array) -> Array:
        """Return SDs at which the height is zero: bracketed from `start` on, then regula falsi in log SD."""
        step, near = np.log(factor), np.log(start)
        far, f_near = near + step, np.full(len(start), -self.limit)
        f_far = self.height(component, np.exp(far))
        for _ in range(16):
            short = np.flatnonzero(f_far < 0)
            if not len(short):
                break
            near[short], f_near[short] = far[short], f_far[short]
            far[short] += step[short]
            f_far[short] = self.height(component[short], np.exp(far[short]))
        live = np.flatnonzero(f_far >= 0)
        for _ in range(20):
            if not len(live):
                break
            x = near[live] - f_near[live] * (far[live] - near[live]) / (f_far[live] - f_near[live])
            f = self.height(component[live], np.exp(x))
            inside = f < 0
            # Illinois: the end that stays gets half its height, so that both ends close in
            f_far[live] = np.where(inside, f_far[live] / 2, f)
            f_near[live] = np.where(inside, f, f_near[live] / 2)
            near[live], far[live] = np.where(inside, x, near[live]), np.where(inside, far[live], x)
            live = live[np.abs(f) > CLOSE]
        end = np.where(np.abs(f_near) < np.abs(f_far), near, far)
        return np.where(f_far < 0, np.where(step > 0, np.inf, 0.0), np.exp(end))
