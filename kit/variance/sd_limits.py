"""Limits of standard deviations that cover best: exact χ², modified large-sample, averaged likelihood.

The burn SD has S0/σ²_burn ~ χ² whatever the bags are: exact in every design without crossed days. The bag SD of
a balanced design has the modified large-sample limits of Ting et al. (1990; Burdick & Graybill 1992,
section 3.3); elsewhere a variance s·Σ cλ has limits from its distribution averaged over the restricted likelihood
(kit.variance.averaged): given the ratios, Q/s is χ² on ν. In a balanced design that is the generalised
confidence interval of Weerahandi (1993). A limit of zero says: no more variation than within.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy import special

from kit.variance.averaged import nodes_of
from kit.variance.columns import Array, Codes
from kit.variance.engines import NestedEngine
from kit.variance.model import RepeatModel
from kit.variance.profile import profile_limits, profile_words
from kit.variance.ratios import Weighted, weigh

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
