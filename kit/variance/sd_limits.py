"""Standard deviations with their limits: exact χ², profile, or what covers best.

Profile limits are where the deviance rises by the χ² quantile above its minimum. With one random term the contour
D(l, s) = D_min + q is known in closed form: at a ratio l it allows s between Q/(dof u) for the two solutions u of u -
log u = 1 + (D_min + q - D(l))/dof (Lambert's W), so a limit of s or of l s is an extremum of a smooth function of l
alone. With more terms the deviance is minimised over the others at each trial value, and the limit is found by Newton
steps on √(D - D_min), whose slope is known.

What covers best: the burn SD has S0/σ²_burn ~ χ² whatever the bags are: exact in every design without crossed days.
The bag SD of a balanced design has the modified large-sample limits of Ting et al. (1990; Burdick & Graybill 1992,
section 3.3); elsewhere a variance s·Σ cλ has limits from its distribution averaged over the restricted likelihood
(kit.variance.averaged): given the ratios, Q/s is χ² on ν. In a balanced design that is the generalised confidence
interval of Weerahandi (1993). A limit of zero says: no more variation than within.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import special

from kit.errors import KitError, Problem
from kit.variance.averaged import nodes_of
from kit.variance.bounded import minimise_rows, started
from kit.variance.burn_arrays import Array, Codes
from kit.variance.engines import NestedEngine
from kit.variance.inference import imputed
from kit.variance.model import Censored, RepeatModel
from kit.variance.optimise import FLOOR, Mask, at_zero, minimise
from kit.variance.ratio_nodes import Weighted, weigh
from kit.variance.rotation import Criterion, Rotated, deviance

LimitMethod = Literal["best", "profile", "exact"]

ORDER = ("fuel", "bag", "day", "burn")


def component_limits(fit: RepeatModel, method: LimitMethod = "best", level: float = 0.95) -> pd.DataFrame:
    """Return a row a component: component, sd, low, high, level, method, at_boundary.

    Parameters
    ----------
    method
        'profile' of the restricted likelihood (of the likelihood for a fit by ML), 'exact' χ² for the burn SD
        (profile for the others), or 'best': what covers best, named in its row.

    Notes
    -----
    A component at the boundary is reported as 0 with its upper limit. Components: fuel, bag, day, burn
    (burn:GROUP where spread differs by group). DEVELOPERS.md, method 4.
    """
    low, high, named = _limits(fit, method, level)
    at = at_zero(fit.estimate.theta)
    sd, low = np.where(at, 0.0, np.sqrt(fit.estimate.theta)), np.where(at, 0.0, low)
    order = sorted(range(len(fit.names)), key=lambda i: ORDER.index(fit.names[i].split(":")[0]))
    names = [fit.names[i] for i in order]
    frame = fit.framed(
        {"component": names}, {"sd": sd[:, order], "low": low[:, order], "high": high[:, order]}
    )
    frame["level"] = level
    frame["method"] = [named[i] for i in order] * len(sd)
    frame["at_boundary"] = at[:, order].ravel()
    return frame


def _limits(fit: RepeatModel, method: LimitMethod, level: float) -> tuple[Array, Array, list[str]]:
    if method not in ("best", "profile", "exact"):
        raise KitError(
            Problem("refuse", "method", f"'{method}'", "best, profile or exact", "Name one of them.")
        )
    if not fit.has_spread:
        blank = np.full_like(fit.estimate.theta, np.nan)
        return blank, blank, ["none: no repeats"] * len(fit.names)
    if fit.censored is not None:
        low, high = censored_limits(fit, fit.censored, level, method == "best")
        return low, high, profile_words(fit, method == "best")
    if method == "best":
        return best_limits(fit, level)
    low, high = profile_limits(fit, level)
    names = profile_words(fit)
    exact = burn_chi_square(fit, level) if method == "exact" else None
    if exact is not None:
        low[:, -1], high[:, -1], names[-1] = *exact, "exact χ²"
    return low, high, names


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


EXACT = "exact χ²"
MODIFIED = "modified large-sample"
AVERAGED = "averaged over the restricted likelihood"

_AT_ONCE = 500_000


def best_limits(fit: RepeatModel, level: float = 0.95) -> tuple[Array, Array, list[str]]:
    """Return lower and upper limits (responses, components) of the SDs, and the method of each component.

    Notes
    -----
    The choice is that of the simulation table (tests/simulate). Fits by ML, spread by group, three or more random
    terms, and bags and days that explain every burn keep the profile.
    """
    if not _offered(fit):
        own = own_burns(fit)
        return *profile_limits(fit, level, own), profile_words(fit, own)
    closed = _closed(fit, level)
    found = [
        closed[j][1] if j in closed else averaged_limits(fit, _unit(len(fit.names), j), level)
        for j in range(len(fit.names))
    ]
    names = [closed[j][0] if j in closed else AVERAGED for j in range(len(fit.names))]
    low, high = (np.stack(ends, axis=1) for ends in zip(*found, strict=True))
    blank = np.isnan(fit.estimate.theta)
    return np.where(blank, np.nan, low), np.where(blank, np.nan, high), names


def _closed(fit: RepeatModel, level: float) -> dict[int, tuple[str, tuple[Array, Array]]]:
    """Return method and limits of the components that have them in closed form; the others are averaged."""
    found = {}
    modified = modified_large_sample(fit, level)
    if modified is not None:
        found[0] = MODIFIED, modified
    # crossed days leave few burns for S0: there the average covers as well on much shorter intervals
    burn = burn_chi_square(fit, level) if isinstance(fit.engine, NestedEngine) else None
    if burn is not None:
        found[len(fit.names) - 1] = EXACT, burn
    return found


def best_hold(fit: RepeatModel, truth: Array, level: float = 0.95) -> Array:
    """Return whether the limits of `best_limits` hold true variances (c,): (responses, components), 0 or 1.

    Limits by the average hold a value whose chance of being exceeded is between theirs: no limit is searched for.
    """
    if not _offered(fit):
        low, high, _ = best_limits(fit, level)
        return _between(low, high, np.sqrt(truth))
    closed = _closed(fit, level)
    held = [
        _between(*closed[j][1], np.sqrt(each))
        if j in closed
        else _averaged_hold(fit, _unit(len(truth), j), float(each), level)
        for j, each in enumerate(truth)
    ]
    return np.stack(held, axis=1)


def _between(low: Array, high: Array, sd: Any) -> Array:
    return np.asarray((low <= sd * (1 + 1e-12)) & (high >= sd), dtype=np.float64)


def total_limits(fit: RepeatModel, level: float = 0.95) -> tuple[Array, Array] | None:
    """Return limits (responses,) of the SD of one burn of a new bag (on a new day), None without an average."""
    if not _offered(fit):
        return None
    if len(fit.names) == 1:
        return burn_chi_square(fit, level)
    return averaged_limits(fit, np.ones(len(fit.names)), level)


def _offered(fit: RepeatModel) -> bool:
    """Whether the likelihood can be averaged: REML, one burn SD, at most two random terms."""
    common = fit.design.spread.count == 1 and len(fit.names) <= 3
    return fit.method == "REML" and common and not own_burns(fit)


def own_burns(fit: RepeatModel) -> bool:
    """Whether the burn SD has the profile on its own χ²: nothing but the random terms' levels tells of it."""
    common = fit.design.spread.count == 1 and len(fit.names) > 2
    return fit.method == "REML" and common and fit.engine.within(fit.data)[1] == 0


def zero_words(component: str) -> str:
    """Return what an upper limit of zero says of a component."""
    inside = {"bag": "bags", "day": "days", "fuel": "fuels of a kind"}.get(component, f"{component}s")
    return f"no more variation between {inside} than within them"


def _unit(size: int, j: int) -> Array:
    return np.asarray(np.eye(size)[j])


def modified_large_sample(fit: RepeatModel, level: float) -> tuple[Array, Array] | None:
    """Return limits (responses,) of the one random term's SD in a balanced design, None elsewhere.

    With A = MS between on a df, B = MS within on b df and F the F quantile of a, b df at 1 − α or α (one-sided
    levels of half the complement), G = 1 − 1/F(1−α; ·, ∞) and H = 1/F(α; ·, ∞) − 1:
    lower: A − B − √(G_a²A² + H_b²B² + G_ab·AB), G_ab = ((F−1)² − G_a²F² − H_b²)/F;
    upper: A − B + √(H_a²A² + G_b²B² + H_ab·AB), H_ab = ((1−F)² − H_a²F² − G_b²)/F.
    """
    engine = fit.engine
    if not isinstance(engine, NestedEngine) or engine.levels is None or not fit.design.cell_means:
        return None
    r, alpha = engine.rotation, (1 - level) / 2
    a, b = float(r.all_count.sum()), r.within_df + (0.0 if engine.borrowed is None else engine.borrowed.df)
    if len(r.all_d) != 1 or len(r.sizes) != 1 or b <= 0:
        return None
    between, within = fit.data.zz[:, 0] / a, fit.data.s0 / b
    ga, gb = (1 - df / special.chdtri(df, alpha) for df in (a, b))
    ha, hb = (df / special.chdtri(df, 1 - alpha) - 1 for df in (a, b))
    f, g = special.fdtri(a, b, 1 - alpha), special.fdtri(a, b, alpha)
    gab = ((f - 1) ** 2 - ga**2 * f**2 - hb**2) / f
    hab = ((1 - g) ** 2 - ha**2 * g**2 - gb**2) / g
    under = np.sqrt(np.maximum(ga**2 * between**2 + hb**2 * within**2 + gab * between * within, 0))
    over = np.sqrt(np.maximum(ha**2 * between**2 + gb**2 * within**2 + hab * between * within, 0))
    difference, size = between - within, float(r.sizes[0])
    low, high = (np.sqrt(np.maximum(end, 0) / size) for end in (difference - under, difference + over))
    return low, high


@dataclass(frozen=True)
class _Scales:
    """Averaged distribution of a variance: at a row it is Q·factor/χ²_ν, negative where factor is."""

    at: Weighted
    scale: Array

    @property
    def positive(self) -> Array:
        """P(variance > 0) of each response."""
        return self.at.sum((self.scale > 0).astype(np.float64))

    def chance(self, x: Array) -> tuple[Array, Array]:
        """Return P(variance > e^x) of each response, and minus its derivative in x."""
        nu, with_scale = self.at.dof, self.scale > 0
        ratio = np.where(with_scale, self.scale, 1.0) / np.exp(x)[self.at.of]
        below = np.where(with_scale, special.chdtr(nu, ratio), 0.0)
        log_density = 0.5 * nu * np.log(ratio / 2) - ratio / 2 - special.gammaln(nu / 2)
        return self.at.sum(below), self.at.sum(np.where(with_scale, np.exp(log_density), 0.0))


def averaged_limits(fit: RepeatModel, combination: Array, level: float = 0.95) -> tuple[Array, Array]:
    """Return limits (responses,) of √(Σ c_i σ²_i) by the average over the restricted likelihood.

    Parameters
    ----------
    combination
        Coefficients c of the components, in the fit's order, the burn's last.
    """
    shares = (1 + level) / 2, (1 - level) / 2
    parts = [
        [_quantile(scales, count, share) for share in shares] for scales, count in _scales(fit, combination)
    ]
    low, high = (np.concatenate(ends) for ends in zip(*parts, strict=True))
    return np.sqrt(low), np.sqrt(high)


def _averaged_hold(fit: RepeatModel, combination: Array, truth: float, level: float) -> Array:
    """Return whether the limits of `averaged_limits` hold a true variance: (responses,)."""
    parts = []
    for scales, count in _scales(fit, combination):
        above = scales.positive if truth <= 0 else scales.chance(np.full(count, np.log(truth)))[0]
        parts.append((above <= (1 + level) / 2) & ((above >= (1 - level) / 2) | (truth <= 0)))
    return np.concatenate(parts).astype(np.float64)


def _scales(fit: RepeatModel, combination: Array) -> Iterator[tuple[_Scales, int]]:
    """Give the averaged distribution of Σ c_i σ²_i, some responses at a time, and how many they are."""
    alone = int(np.argmax(combination)) if np.count_nonzero(combination) == 1 else None
    made = nodes_of(fit, np.eye(fit.design.p)[:1], alone)
    if made is None:
        raise ValueError("the average over the restricted likelihood needs one burn SD and at most two terms")
    nodes, data = made
    factor = nodes.ratios @ combination[:-1] + combination[-1]
    size = max(1, _AT_ONCE // len(factor))
    R = len(fit.estimate.theta)
    for rows in np.array_split(np.arange(R), -(-R // size)):
        at = weigh(nodes, _take(data, rows))
        yield _Scales(at, at.Q * factor[at.node]), len(rows)


def _take(data: Any, rows: Codes) -> Any:
    return replace(data, **{name: value[rows] for name, value in vars(data).items()})


def _quantile(scales: _Scales, count: int, share: float) -> Array:
    """Return the value that the variance exceeds with this chance, 0 where it is positive less often."""
    reached = scales.positive > share
    middle = scales.at.sum(np.maximum(scales.scale, 1e-300)) / scales.at.dof
    x, low, high = np.log(middle), np.full(count, -700.0), np.full(count, 700.0)
    for _ in range(200):
        p, slope = scales.chance(x)
        low, high = np.where(p > share, x, low), np.where(p > share, high, x)
        odds = np.log(np.maximum(p, 1e-300) / share * (1 - share) / np.maximum(1 - p, 1e-16))
        step = odds * np.maximum(p * (1 - p), 1e-300) / np.maximum(slope, 1e-300)
        new = x + np.clip(step, -3.0, 3.0)
        inside = (new > low) & (new < high)
        new = np.where(inside | (np.abs(step) < 1e-9), new, np.clip((low + high) / 2, x - 5, x + 5))
        settled = (np.abs(new - x) < 1e-9) | ~reached
        x = np.where(settled & ~reached, x, new)
        if settled.all():
            break
    return np.where(reached, np.exp(x), 0.0)


def burn_chi_square(fit: RepeatModel, level: float) -> tuple[Array, Array] | None:
    """Return limits (responses,) of the burn SD from S0 ~ s χ², exact; None where burns leave no such sum."""
    if fit.design.spread.count > 1:
        return None
    s0, df = fit.engine.within(fit.data)
    if df <= 0:
        return None
    upper, lower = special.chdtri(df, (1 - level) / 2), special.chdtri(df, (1 + level) / 2)
    return np.sqrt(s0 / upper), np.sqrt(s0 / lower)


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
