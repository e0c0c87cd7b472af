"""Profile limits of standard deviations where some values are bounds: where D has risen by the quantile of χ²."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from kit.variance.censored_profile import started
from kit.variance.columns import Array, Codes
from kit.variance.newton import minimise_rows

if TYPE_CHECKING:
    from kit.variance.censored import Censored
    from kit.variance.fit import RepeatFit

Height = Callable[[Codes, Array], Array]
"""√(D - D_min) less that of the limit, at components (rows,) held at SDs (rows,)."""

FACTOR = 1.7
"""By which a limit is sought further and further from the estimate."""


def censored_limits(fit: RepeatFit, known: Censored, level: float) -> tuple[Array, Array]:
    """Return profile limits (1, c) of the standard deviations; 0 or infinity where the data set none."""
    theta, terms = fit.estimate.theta[0], known.model.terms
    sd, all_sd = np.sqrt(theta), float(np.sqrt(theta.sum()))
    height = _height_of(fit, known, float(np.sqrt(special.chdtri(1, 1 - level))))
    component = np.arange(len(theta))
    low, high = np.zeros(len(theta)), np.full(len(theta), np.inf)
    at_zero = np.maximum(sd, 1e-6 * all_sd)
    below = component[
        (component >= terms) | (height(component, np.where(component < terms, 0.0, at_zero)) > 0)
    ]
    low[below] = _crossing(height, below, at_zero[below], 1 / FACTOR)
    high[:] = _crossing(height, component, np.maximum(sd, 0.01 * all_sd), FACTOR)
    return low[None], high[None]


def _height_of(fit: RepeatFit, known: Censored, limit: float) -> Height:
    best = float(fit.estimate.criterion[0])

    def height(component: Codes, sd: Array) -> Array:
        start = started(np.repeat(fit.estimate.theta, len(sd), axis=0))
        start[np.arange(len(sd)), component] = sd**2
        D = minimise_rows(known.model, start, known.data.times(len(sd)), held=component)[1]
        return np.asarray(np.sqrt(np.maximum(D - best, 0.0)) - limit)

    return height


def _crossing(height: Height, component: Codes, start: Array, factor: float) -> Array:
    """Return SDs at which the height is zero: bracketed from `start` on, then regula falsi in log SD."""
    near, far = np.log(start), np.log(start) + np.log(factor)
    f_near, f_far = height(component, np.exp(near)), height(component, np.exp(far))
    for _ in range(16):
        short = np.flatnonzero(f_far < 0)
        if not len(short):
            break
        near[short], f_near[short] = far[short], f_far[short]
        far[short] += np.log(factor)
        f_far[short] = height(component[short], np.exp(far[short]))
    live = np.flatnonzero((f_far >= 0) & (f_near < 0))
    for _ in range(20):
        if not len(live):
            break
        x = near[live] - f_near[live] * (far[live] - near[live]) / (f_far[live] - f_near[live])
        f = height(component[live], np.exp(x))
        inside = f < 0
        # Illinois: the end that stays gets half its height, so that both ends close in
        f_far[live] = np.where(inside, f_far[live] / 2, f)
        f_near[live] = np.where(inside, f, f_near[live] / 2)
        near[live], far[live] = np.where(inside, x, near[live]), np.where(inside, far[live], x)
        live = live[np.abs(f) > 1e-4]
    end = np.where(np.abs(f_near) < np.abs(f_far), near, far)
    return np.where(f_far < 0, np.inf if factor > 1 else 0.0, np.exp(end))
