"""Standard deviations with their limits: exact χ², profile, or what covers best.

Profile limits are where √(D − D_min) reaches the root of the χ² quantile, D being the deviance minimised over the
other components (Pinheiro & Bates 2000, section 2.4); where some values are bounds, their criterion.

What covers best: the burn SD has S0/σ²_burn ~ χ² whatever the bags are: exact in every design without crossed days.
The bag SD of a balanced design has the modified large-sample limits of Ting et al. (1990; Burdick & Graybill 1992,
section 3.3); elsewhere a variance s·Σ cλ has limits from its distribution averaged over the restricted likelihood
(kit.variance.inference): given the ratios, Q/s is χ² on ν. In a balanced design that is the generalised confidence
interval of Weerahandi (1993). A limit of zero says: no more variation than within.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np
import pandas as pd
from scipy import special

from kit.variance.bounded import least_rows
from kit.variance.burn_arrays import Array, Codes, Mask, refused
from kit.variance.inference import nodes_of
from kit.variance.model import ORDER, RepeatModel
from kit.variance.optimise import at_zero, floor_of, lowest, minimise
from kit.variance.ratio_nodes import Weighted, weigh

LimitMethod = Literal["best", "profile"]

COLUMNS = ("component", "sd", "low", "high", "level", "method", "at_boundary")


def component_limits(fit: RepeatModel, method: LimitMethod = "best", level: float = 0.95) -> pd.DataFrame:
    """Return a row a component: component, sd, low, high, level, method, at_boundary.

    Parameters
    ----------
    method
        'profile' of the restricted likelihood (of the likelihood for a fit by ML), or 'best': what covers best, named
        in its row.

    Notes
    -----
    A component at the boundary is reported as 0 with its upper limit. Components: fuel, bag, day, burn
    (burn:GROUP where spread differs by group). DEVELOPERS.md, method 4.
    """
    if method not in ("best", "profile"):
        raise refused("choice", name="method", given=method, known="best or profile")
    if not fit.has_spread:
        low = high = np.full_like(fit.estimate.theta, np.nan)
        named = ["none: no repeats"] * len(fit.names)
    elif method == "best":
        low, high, named = best_limits(fit, level)
    else:
        (low, high), named = profile_limits(fit, level), profile_words(fit)
    at = at_zero(fit.estimate.theta)
    sd, low = np.where(at, 0.0, np.sqrt(fit.estimate.theta)), np.where(at, 0.0, low)
    order = sorted(range(len(fit.names)), key=lambda i: ORDER.index(fit.names[i].split(":")[0]))
    keys = {
        "component": [fit.names[i] for i in order], "method": [named[i] for i in order],
        "at_boundary": at[:, order].ravel(),
    }  # fmt: skip
    values = {"sd": sd[:, order], "low": low[:, order], "high": high[:, order]}
    return fit.framed(keys, values, {"level": level}, COLUMNS)


STEPS = 40
"""Newton steps of an inner minimisation; what is left after them is far below the third digit of a limit."""

FIRST, LONGEST, LAST = 0.4, 1.5, 11.0
"""In log SD from where a search begins: its first step, its longest, and where it ends without a limit."""

CLOSE = 1e-9, 1e-3
"""How near √(D − D_min) has to come to that of a limit, and where some values are bounds."""


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
    if own and fit.names[component].startswith("burn"):
        return own_rises(theta, fit.small_sample.information_inverse[:, component, component], level)
    return np.full((2, len(theta)), special.chdtri(1, 1 - level))


def profile_words(fit: RepeatModel, own: bool = False) -> list[str]:
    """Return what the limits of each component are called."""
    likelihood = f"of the {'restricted ' if fit.method == 'REML' else ''}likelihood"
    words = f"profile {likelihood if fit.censored is None else 'with bounds'}"
    return [f"{words}, on its own χ²" if own and name.startswith("burn") else words for name in fit.names]


def profile_limits(fit: RepeatModel, level: float = 0.95, own: bool = False) -> tuple[Array, Array]:
    """Return lower and upper limits (responses, components) of the standard deviations.

    The restricted likelihood is profiled for a REML fit, the likelihood for a fit by ML. Limits are 0 or infinity where
    the data set none. With `own`, a burn SD beside several random terms has the rise of its own degrees of freedom.
    """
    theta, c = fit.estimate.theta, len(fit.names)
    low, high = np.full((2, *theta.shape), np.nan)
    of, component = np.nonzero(~np.isnan(theta))
    if not len(of):
        return low, high
    sd = np.sqrt(theta[of, component])
    down, up = np.sqrt(np.stack([rises(fit, j, level, own) for j in range(c)], axis=2))[:, of, component]
    sought = sd > 0
    term = np.flatnonzero(sought & (component < fit.engine.space.terms))
    if len(term):  # zero where zero lies within
        at_zero, _ = _height(fit, component[term], of[term], np.zeros(len(term)), theta[of[term]])
        sought[term] = at_zero > down[term]
    below = np.flatnonzero(sought)
    rows = np.concatenate([below, np.arange(len(of))])
    start = np.concatenate([sd[below], np.maximum(sd, 0.01 * np.sqrt(theta.sum(axis=1))[of])])
    sign, limit = np.repeat([-1, 1], [len(below), len(of)]), np.concatenate([down[below], up])
    ends = _crossings(fit, component[rows], of[rows], start, sign, limit)
    low[of, component] = 0.0
    low[of[below], component[below]], high[of, component] = np.split(ends, [len(below)])
    return low, high


def _height(fit: RepeatModel, component: Codes, of: Codes, sd: Array, start: Array) -> tuple[Array, Array]:
    """Return √(D − D_min) of responses (rows,) with a component of each held at an SD, and theta (rows, c) there."""
    rows, held = np.arange(len(of)), np.arange(start.shape[1]) == component[:, None]
    first = np.where(held, sd[:, None] ** 2, start)
    if fit.censored is not None:
        found = least_rows(fit.censored.model, first, fit.censored.data.take(of), held)
    else:
        # also from where what was taken away is shared by the others, and the random terms' variances are alike
        burns, mean = fit.design.spread.count, first.mean(axis=1, keepdims=True)
        spare = np.maximum(start[rows, component] - sd**2, 0.0)[:, None] / max(start.shape[1] - 1, 1)
        shared = np.where(held, first, first + spare + 0.05 * mean)
        alike = np.where(held | (np.arange(first.shape[1]) >= first.shape[1] - burns), first, mean)
        starts, deviance = np.concatenate([first, shared, alike]), partial(fit.engine.deviance, fit.data)
        starts = np.maximum(starts, floor_of(starts, burns))
        found = minimise(deviance, starts, np.tile(of, 3), np.tile(held, (3, 1)), burns, STEPS)
        found = lowest(found, np.tile(rows, 3))
    return np.sqrt(np.maximum(found.value - fit.estimate.criterion[of], 0.0)), found.theta


def _crossings(
    fit: RepeatModel, component: Codes, of: Codes, start: Array, sign: Array, limit: Array
) -> Array:
    """Return SDs at which the height is at its limit, above `start` or below: secants in log SD, bracketed."""
    behind, f_behind = np.zeros(len(start)), -limit
    x, least, most = np.full(len(start), FIRST), np.zeros(len(start)), np.full(len(start), np.inf)
    live, close, theta = np.arange(len(start)), CLOSE[fit.censored is not None], fit.estimate.theta[of]
    for _ in range(60):
        at = x[live]
        sd = start[live] * np.exp(sign[live] * at)
        height, theta[live] = _height(fit, component[live], of[live], sd, theta[live])
        f = height - limit[live]
        least[live] = np.where(f < 0, np.maximum(at, least[live]), least[live])
        most[live] = np.where(f < 0, most[live], np.minimum(at, most[live]))
        step = at - behind[live]
        rise = np.divide(f - f_behind[live], step, out=np.zeros_like(f), where=step != 0)
        new = np.minimum(at - f / np.maximum(rise, 1e-6), at + LONGEST)
        inside = (new > least[live]) & (new < most[live])
        x[live] = np.where(inside, new, (least[live] + np.minimum(most[live], at + LONGEST)) / 2)
        behind[live], f_behind[live] = at, f
        live = live[(np.abs(f) > close) & (at < LAST)]
        if not len(live):
            break
    ends = start * np.exp(sign * x)
    return np.where(least >= LAST, np.where(sign > 0, np.inf, 0.0), ends)


def profile_holds(fit: RepeatModel, component: int, variance: float, rise: Array, of: Codes) -> Mask:
    """Return whether profile intervals hold a variance: one minimisation a response, no search for their ends.

    Parameters
    ----------
    rise
        As `rises` gives it.
    of
        Which responses.
    """
    theta, sd = fit.estimate.theta[of], np.full(len(of), np.sqrt(variance))
    height, _ = _height(fit, np.full(len(of), component), of, sd, theta)
    return np.asarray(height**2 <= np.where(variance > theta[:, component], rise[1, of], rise[0, of]))


EXACT = "exact χ²"
MODIFIED = "modified large-sample"
AVERAGED = "averaged over the restricted likelihood"


def best_limits(fit: RepeatModel, level: float = 0.95) -> tuple[Array, Array, list[str]]:
    """Return lower and upper limits (responses, components) of the SDs, and the method of each component.

    Notes
    -----
    The choice is that of the simulation table (tests/simulate). Fits by ML, spread by group, three or more random
    terms, and bags and days that explain every burn keep the profile.
    """
    if not _offered(fit):
        own = _own_burns(fit)
        return *profile_limits(fit, level, own), profile_words(fit, own)
    closed, alone = _closed(fit, level), enumerate(np.eye(len(fit.names)))
    found = [closed.get(j) or (AVERAGED, averaged_limits(fit, own, level)) for j, own in alone]
    low, high = np.stack([limits for _, limits in found], axis=2)
    sd = np.sqrt(fit.estimate.theta)  # an average over ratios may leave it out where next to nothing is known
    return np.minimum(low, sd), np.maximum(high, sd), [method for method, _ in found]


def _closed(fit: RepeatModel, level: float) -> dict[int, tuple[str, tuple[Array, Array]]]:
    """Return method and limits of the components that have them in closed form; the others are averaged."""
    # days leave few burns for S0: there the average covers as well on much shorter intervals
    days = "day" in fit.names or fit.engine.space.terms > 1
    burns = None if days else burn_chi_square(fit, level)
    possible = {0: (MODIFIED, modified_large_sample(fit, level)), len(fit.names) - 1: (EXACT, burns)}
    return {j: (method, limits) for j, (method, limits) in possible.items() if limits is not None}


def best_hold(fit: RepeatModel, truth: Array, level: float = 0.95) -> Array:
    """Return whether the limits of `best_limits` hold true variances (c,): (responses, components), 0 or 1.

    Limits by the average hold a value whose chance of being exceeded is between theirs, a profile's one at which it is
    low enough: no limit is searched for. Profiles are dear: each response follows one component, NaN are the others.
    """
    averaged, own, c = _offered(fit), _own_burns(fit), len(truth)
    closed, held = _closed(fit, level) if averaged else {}, np.full((len(fit.estimate.theta), c), np.nan)
    for j, variance in enumerate(truth.tolist()):
        if j in closed:
            low, high = closed[j][1]
            held[:, j] = (low <= np.sqrt(variance) * (1 + 1e-12)) & (high >= np.sqrt(variance))
        elif averaged:
            above = np.concatenate([part.above(variance) for part in _scales(fit, np.eye(c)[j])])
            held[:, j] = (above <= (1 + level) / 2) & ((above >= (1 - level) / 2) | (variance <= 0))
        else:
            followed = np.arange(j, len(held), c)
            held[followed, j] = profile_holds(fit, j, variance, rises(fit, j, level, own), followed)
    return held


def _offered(fit: RepeatModel) -> bool:
    """Whether the likelihood can be averaged: REML, exact values, one burn SD, at most two random terms."""
    common = fit.design.spread.count == 1 and len(fit.names) <= 3 and fit.censored is None
    return fit.method == "REML" and common and not _own_burns(fit)


def _own_burns(fit: RepeatModel) -> bool:
    """Whether a burn SD has the profile on its own χ²: bounds, or terms' levels alone, tell of it."""
    return fit.method == "REML" and (fit.engine.saturated or fit.censored is not None)


def modified_large_sample(fit: RepeatModel, level: float) -> tuple[Array, Array] | None:
    """Return limits (responses,) of the one random term's SD in a balanced design, None elsewhere.

    With A = MS between on a df, B = MS within on b df, F(q; a, b) the F quantile at q, and α half of what the level
    leaves: A − B ∓ √(G_a²A² + G_b²B² + G_ab·AB), G_ab = ((F−1)² − G_a²F² − G_b²)/F, with, for the lower limit,
    F = F(1−α; a, b), G_a = 1 − 1/F(1−α; a, ∞) and G_b = 1 − 1/F(α; b, ∞), for the upper one 1−α in place of α.
    """
    space, alpha = fit.engine.space, (1 - level) / 2
    if space.terms + space.groups != 2 or not fit.design.cell_means:
        return None
    s0, b = fit.data.rss[:, 0], float(space.free[0])
    d, sizes, a = space.eigenvalues(0), space.sizes(0), float(space.k)
    if np.ptp(d) > 1e-10 * d[0] or np.ptp(sizes) > 0 or b <= 0:
        return None
    between, within = np.vecdot(fit.data.z, fit.data.z) / a, s0 / b
    ends = []
    for sign, tail in ((-1, alpha), (1, 1 - alpha)):
        ga, gb = 1 - a / special.chdtri(a, tail), 1 - b / special.chdtri(b, 1 - tail)
        f = special.fdtri(a, b, 1 - tail)
        gab = ((f - 1) ** 2 - ga**2 * f**2 - gb**2) / f
        off = np.sqrt(np.maximum(ga**2 * between**2 + gb**2 * within**2 + gab * between * within, 0))
        ends.append(np.sqrt(np.maximum(between - within + sign * off, 0) / sizes[0]))
    return ends[0], ends[1]


@dataclass(frozen=True)
class _Scales:
    """Averaged distribution of a variance: at a row it is Q·factor/χ²_ν, negative where factor is."""

    at: Weighted
    scale: Array

    def above(self, value: float) -> Array:
        """P(variance > value) of each response; of a value below zero as of zero."""
        if value <= 0:
            return self.at.sum((self.scale > 0).astype(np.float64))
        return self.chance(np.full(len(self.at.starts), np.log(value)))[0]

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
    parts = [[_quantile(scales, share) for share in shares] for scales in _scales(fit, combination)]
    low, high = np.sqrt(np.concatenate(parts, axis=1))
    return low, high


def _scales(fit: RepeatModel, combination: Array) -> Iterator[_Scales]:
    """Give the averaged distribution of Σ c_i σ²_i, some responses at a time."""
    alone = int(np.argmax(combination)) if np.count_nonzero(combination) == 1 else None
    nodes = nodes_of(fit, np.eye(fit.design.p)[:1], alone)
    if nodes is None:
        raise ValueError("the average over the restricted likelihood needs one burn SD and at most two terms")
    factor = nodes.ratios @ combination[:-1] + combination[-1]
    for rows in nodes.passes(len(factor)):
        at = weigh(nodes, rows)
        yield _Scales(at, at.Q * factor[at.node])


def _quantile(scales: _Scales, share: float) -> Array:
    """Return the value that the variance exceeds with this chance, 0 where it is positive less often."""
    reached = scales.above(0.0) > share
    x = np.log(scales.at.sum(np.maximum(scales.scale, 1e-300)) / scales.at.dof)
    low, high = np.full(len(x), -700.0), np.full(len(x), 700.0)
    for _ in range(200):
        p, slope = scales.chance(x)
        low, high = np.where(p > share, x, low), np.where(p > share, high, x)
        odds = np.log(np.maximum(p, 1e-300) / share * (1 - share) / np.maximum(1 - p, 1e-16))
        step = odds * np.maximum(p * (1 - p), 1e-300) / np.maximum(slope, 1e-300)
        new = x + np.clip(step, -3.0, 3.0)
        inside = (new > low) & (new < high)
        new = np.where(inside | (np.abs(step) < 1e-9), new, np.clip((low + high) / 2, x - 5, x + 5))
        settled, x = np.abs(new - x) < 1e-9, new
        if settled[reached].all():
            break
    return np.where(reached, np.exp(x), 0.0)


def burn_chi_square(fit: RepeatModel, level: float) -> tuple[Array, Array] | None:
    """Return limits (responses,) of the burn SD from S0 ~ s χ², exact; None where burns leave no such sum."""
    if fit.design.spread.count > 1:
        return None
    s0, df = fit.data.rss[:, 0], float(fit.engine.space.free[0])
    if df <= 0:
        return None
    upper, lower = special.chdtri(df, (1 - level) / 2), special.chdtri(df, (1 + level) / 2)
    return np.sqrt(s0 / upper), np.sqrt(s0 / lower)
