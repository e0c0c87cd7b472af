"""Profile limits of standard deviations: where the deviance rises by the χ² quantile above its minimum.

With one random term the contour D(l, s) = D_min + q is known in closed form: at a ratio l it allows
s between Q/(dof u) for the two solutions u of u - log u = 1 + (D_min + q - D(l))/dof (Lambert's W), so a limit
of s or of l s is an extremum of a smooth function of l alone. With more terms the deviance is minimised over the
others at each trial value, and the limit is found by Newton steps on √(D - D_min), whose slope is known.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from kit.variance.columns import Array, Codes
from kit.variance.engines import NestedEngine
from kit.variance.model import RepeatModel
from kit.variance.nested import Rotated
from kit.variance.optimise import FLOOR, Mask, minimise
from kit.variance.solving import Criterion, deviance

STEPS = 40
"""Newton steps of an inner minimisation; what is left after them is far below the third digit of a limit."""

GOLDEN = (np.sqrt(5) - 1) / 2


def chi2_quantile(level: float) -> float:
    """Quantile of χ² with one degree of freedom."""
    return float(special.chdtri(1, 1 - level))


def own_rises(variance: Array, spread: Array, level: float) -> Array:
    """Return how far a deviance rises (2, …) to the exact lower and upper limit of one variance.

    Of a variance on ν degrees of freedom D rises by ν(x - 1 - log x), x = s²/σ², and its limits are where νx is at the
    quantiles of χ²_ν; ν = 2σ⁴/Var(σ̂²), at least 1. On few degrees of freedom the quantile of χ²₁ leaves the upper
    limit too low.

    Parameters
    ----------
    variance, spread
        An estimate and the variance of that estimate.
    """
    nu = np.maximum(2 * variance**2 / spread, 1.0)
    x = np.stack([special.chdtri(nu, share) for share in ((1 - level) / 2, (1 + level) / 2)]) / nu
    return np.asarray(nu * (x - 1 - np.log(x)))


def rises(fit: RepeatModel, component: int, level: float, own: bool) -> Array:
    """Return how far the deviance rises (2, responses) to the limits of an SD: χ²₁'s quantile, or a burn's own."""
    theta = fit.estimate.theta[:, component]
    if _is_own(fit.names[component], own):
        return own_rises(theta, fit.small_sample.W[:, component, component], level)
    return np.full((2, len(theta)), chi2_quantile(level))


def profile_words(fit: RepeatModel, own: bool = False) -> list[str]:
    """Return what the limits of each component are called."""
    likelihood = f"of the {'restricted ' if fit.method == 'REML' else ''}likelihood"
    words = f"profile {likelihood if fit.censored is None else 'with bounds'}"
    return [f"{words}, on its own χ²" if _is_own(name, own) else words for name in fit.names]


def _is_own(name: str, own: bool) -> bool:
    return own and name.startswith("burn")


def profile_limits(fit: RepeatModel, level: float = 0.95, own: bool = False) -> tuple[Array, Array]:
    """Return lower and upper limits (responses, components) of the standard deviations.

    The restricted likelihood is profiled for a REML fit, the likelihood for a fit by ML. With `own`, a burn SD beside
    several random terms has the rise of its own degrees of freedom.
    """
    theta = fit.estimate.theta
    if np.isnan(theta).all():
        return np.full_like(theta, np.nan), np.full_like(theta, np.inf)
    if isinstance(fit.engine, NestedEngine):
        low, high = _nested_limits(fit.engine, fit.data, fit.estimate.criterion, chi2_quantile(level))
    else:
        known = np.flatnonzero(~np.isnan(theta).any(axis=1))
        low, high = np.full_like(theta, np.nan), np.full_like(theta, np.nan)
        low[known], high[known] = _root_limits(fit.responses(known), level, own)
    return np.sqrt(low), np.sqrt(high)


def _nested_limits(engine: NestedEngine, data: Rotated, best: Array, rise: float) -> tuple[Array, Array]:
    """Limits of the variances (responses, components)."""
    c = engine.criterion(data)
    at_zero = _s_range(c, np.zeros(len(best)), best + rise)
    if engine.levels is None:
        return at_zero[0][:, None], at_zero[1][:, None]
    size = float(np.average(c.det, weights=c.det_count))
    grid = np.logspace(-4, 7, 221) / size

    def ends(x: Array) -> Array:
        low, high = _s_range(c, x, best + rise)
        return np.stack([x * low, x * high, low, high])

    table = np.stack([ends(np.full(len(best), x)) for x in grid], axis=-1)
    signs = np.array([1.0, -1.0, 1.0, -1.0])  # minimise the lower ends, maximise the upper
    found = np.empty((4, len(best)))
    for i, sign in enumerate(signs):
        found[i] = sign * _golden(lambda x, i=i, sign=sign: sign * ends(x)[i], grid, sign * table[i])  # type: ignore[misc]
    reaches_zero = ~np.isnan(at_zero[0])
    open_ended = ~np.isnan(table[1][:, -1])
    low_bag = np.where(reaches_zero, 0.0, found[0])
    high_bag = np.where(open_ended, np.inf, found[1])
    low_burn = np.fmin(found[2], at_zero[0])
    high_burn = np.fmax(found[3], at_zero[1])
    return np.stack([low_bag, low_burn], axis=1), np.stack([high_bag, high_burn], axis=1)


def _s_range(c: Criterion, ratio: Array, top: Array) -> tuple[Array, Array]:
    """Return the least and greatest s with D(l, s) <= top; NaN where there is none."""
    gap = (top - deviance(c, ratio)) / c.dof
    Q = c.s0 + (c.zz / (1 + ratio[:, None] * c.d)).sum(axis=1)
    inside = np.where(gap >= 0, -np.exp(-1 - np.maximum(gap, 0.0)), np.nan)
    small = -special.lambertw(inside, 0).real
    large = -special.lambertw(inside, -1).real
    return np.asarray(Q / (c.dof * large)), np.asarray(Q / (c.dof * small))


def _golden(f, grid: Array, table: Array) -> Array:  # type: ignore[no-untyped-def]
    """Minimise f over log x between the neighbours of the best grid point, for all responses at once."""
    filled = np.where(np.isnan(table), np.inf, table)
    best = filled.argmin(axis=1)
    a = np.log(grid[np.maximum(best - 1, 0)])
    b = np.log(grid[np.minimum(best + 1, len(grid) - 1)])
    x, y = b - GOLDEN * (b - a), a + GOLDEN * (b - a)
    fx, fy = (np.nan_to_num(f(np.exp(v)), nan=np.inf, posinf=np.inf) for v in (x, y))
    for _ in range(45):
        left = fx < fy
        a, b = np.where(left, a, x), np.where(left, y, b)
        new = np.where(left, b - GOLDEN * (b - a), a + GOLDEN * (b - a))
        fn = np.nan_to_num(f(np.exp(new)), nan=np.inf, posinf=np.inf)
        x, fx, y, fy = (
            np.where(left, new, y), np.where(left, fn, fy), np.where(left, x, new), np.where(left, fx, fn)
        )  # fmt: skip
    return np.asarray(np.fmin(np.fmin(fx, fy), filled.min(axis=1)))


def profile_deviance(
    fit: RepeatModel, component: int, value: Array, start: Array, of: Codes
) -> tuple[Array, Array]:
    """Minimise over the other components with one held at `value` (rows,): deviance (rows,) and theta (rows, c).

    Two starts are polished, the given one and one in which what was taken away is shared by the others.
    """
    burns = sum(name.startswith("burn") for name in fit.names)
    held = np.zeros(start.shape, dtype=np.bool_)
    held[:, component] = True
    first = start.copy()
    first[:, component] = value
    spare = np.maximum(start[:, component] - value, 0.0)[:, None] / max(start.shape[1] - 1, 1)
    second = np.where(held, first, first + spare + 0.05 * first.mean(axis=1, keepdims=True))
    both, rows = np.concatenate([first, second]), np.concatenate([of, of])
    low = FLOOR * both.sum(axis=1, keepdims=True)
    both[:, -burns:] = np.maximum(both[:, -burns:], low)
    found = minimise(lambda theta, r: fit.engine.deviance(fit.data, theta, r), both, rows,
                     np.concatenate([held, held]), burns, STEPS)  # fmt: skip
    value_of, n = found.value.reshape(2, -1), len(of)
    best = value_of.argmin(axis=0)
    return value_of.min(axis=0), found.theta.reshape(2, n, -1)[best, np.arange(n)]


def profile_holds(fit: RepeatModel, component: int, variance: float, level: float, own: bool = False) -> Mask:
    """Return whether each response's profile interval holds a variance: one minimisation, no search for its ends."""
    R = len(fit.estimate.theta)
    value, _ = profile_deviance(fit, component, np.full(R, variance), fit.estimate.theta, np.arange(R))
    down, up = rises(fit, component, level, own)
    rise = np.where(variance > fit.estimate.theta[:, component], up, down)
    return np.asarray(value - fit.estimate.criterion <= rise)


def _root_limits(fit: RepeatModel, level: float, own: bool) -> tuple[Array, Array]:
    R, c = fit.estimate.theta.shape
    low, high = np.zeros((R, c)), np.zeros((R, c))
    for j in range(c):
        down, up = rises(fit, j, level, own)
        low[:, j] = _lower(fit, j, down)
        high[:, j] = _upper(fit, j, up)
    return low, high


def _lower(fit: RepeatModel, j: int, rise: Array) -> Array:
    """Zero where zero is inside the interval, else the root below the estimate."""
    theta, R = fit.estimate.theta, len(fit.estimate.theta)
    burns = sum(name.startswith("burn") for name in fit.names)
    if j >= theta.shape[1] - burns:
        return _walk(fit, j, rise, np.sqrt(theta[:, j]), 0.6, 0.0)
    out = np.zeros(R)
    at_zero, _ = profile_deviance(fit, j, np.zeros(R), theta, np.arange(R))
    rows = np.flatnonzero((at_zero - fit.estimate.criterion > rise) & (theta[:, j] > 0))
    if len(rows):
        out[rows] = _root(fit, j, rise[rows], rows, np.zeros(len(rows)), np.sqrt(theta[rows, j]), 0.6)
    return out


def _upper(fit: RepeatModel, j: int, rise: Array) -> Array:
    """The root above the estimate; infinity where the deviance stays below the bar."""
    theta = fit.estimate.theta
    start = np.sqrt(np.maximum(theta[:, j], 0.2 * theta.sum(axis=1)))
    return _walk(fit, j, rise, start, 1.7, np.inf)


def _walk(fit: RepeatModel, j: int, rise: Array, start: Array, factor: float, beyond: float) -> Array:
    """Step away from the estimate until the deviance has risen enough, then solve; `beyond` where it never does."""
    theta, R = fit.estimate.theta, len(fit.estimate.theta)
    inner, outer, settled = np.sqrt(theta[:, j]), start * factor, np.zeros(R, dtype=np.bool_)
    warm = theta.copy()
    for _ in range(14):
        rows = np.flatnonzero(~settled)
        value, warm[rows] = profile_deviance(fit, j, outer[rows] ** 2, warm[rows], rows)
        settled[rows] = value - fit.estimate.criterion[rows] > rise[rows]
        if settled.all():
            break
        rows = np.flatnonzero(~settled)
        inner[rows], outer[rows] = outer[rows], outer[rows] * factor**1.5
    out, rows = np.full(R, beyond), np.flatnonzero(settled)
    if len(rows):
        out[rows] = _root(fit, j, rise[rows], rows, outer[rows], inner[rows], 0.5)
    return out


def _root(
    fit: RepeatModel, j: int, rise: Array, rows: Codes, outside: Array, inside: Array, part: float
) -> Array:
    """Solve √(D(v) - D_min) = √rise between SDs outside and inside the interval; returns variances."""
    low, high = outside.copy(), inside.copy()  # low: too far from the estimate; high: within
    x, theta = low + part * (high - low), fit.estimate.theta[rows]
    for _ in range(60):
        value, theta = profile_deviance(fit, j, x**2, theta, rows)
        slope = fit.engine.deviance(fit.data, theta, rows).gradient[:, j] * 2 * x
        r = np.sqrt(np.maximum(value - fit.estimate.criterion[rows], 0.0))
        far = r > np.sqrt(rise)
        low, high = np.where(far, x, low), np.where(far, high, x)
        with np.errstate(divide="ignore", invalid="ignore"):
            new = x - (r - np.sqrt(rise)) * 2 * r / slope
        ok = (new > np.minimum(low, high)) & (new < np.maximum(low, high))
        new = np.where(ok, new, (low + high) / 2)
        if np.all(np.abs(new - x) <= 1e-9 * np.maximum(x, new)):
            return np.asarray(new**2)
        x = new
    return np.asarray(x**2)
