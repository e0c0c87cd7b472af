"""Small samples, df='best': t inference averaged over the restricted likelihood of the variance ratios.

Given the ratio λ = σ²_bag/σ²_burn, generalised least squares is exactly t on all ν residual degrees of freedom,
(β̂(λ) − β)/√(v(λ) Q(λ)/ν). λ is not known; its restricted likelihood with the burn variance integrated out is
Π (1 + λd_i)^(−½) Q(λ)^(−ν/2) (Patterson & Thompson 1971; Harville 1974), and the t distributions are averaged over
it with the prior density

    π(λ) = (Σ √(d_i/(1 + λd_i)))² · [1 + 1/(d̄(λ + 1/n_max))]^(½(1 − d_max/n_max)),      λ > −1/n_max

In a balanced design, where all d_i are n_max, this is the Jeffreys prior and the average is the classical t of the
mean square of bags, whatever the ratio. In unbalanced designs it has less of a pole where a single d_i brings one
than Jeffreys' √(Σ (d_i/(1 + λd_i))² − …), and gets half of the pole back that the d_i move beyond −1/n_max: of
those tried, its single contrasts keep nearest to the level (tests/simulate). With a crossed day the average
runs over both ratios, the day's given the bag's by the same rule; the first factor of the bag's then has the d_i
that are left within days. Ratios below zero serve this inference only: estimates stay at or above zero.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy import special
from scipy.interpolate import CubicSpline

from kit.variance.burn_arrays import Array, Codes
from kit.variance.engine import Engine, Restricted
from kit.variance.model import RepeatModel
from kit.variance.ratio_nodes import MOST_ON_A_GRID, Joint, Nodes, Weighted, joint_nodes, weigh
from kit.variance.residual_space import Residuals

_FURTHER = 0.1
_CLOSER = 0.2
_APART = 1.7
"""For one of many simulated trials: trapezoid sums are then right to a thousandth."""

_TRIALS = 7
"""Simulated trials as a power of two."""

_SMALLEST = 1e-140
_KNOWN = 1e-9
_CUBIC = 1e-4
"""After a step this short the next would be below 1e-10."""


EffectiveT = tuple[Array, Array]
"""What the average amounts to: scale and degrees of freedom (responses, contrasts) of the t that has the same
half-width at the level, and at the level that leaves a tenth of the tail."""


def averaged(fit: RepeatModel, L: Array, level: float) -> EffectiveT | None:
    """Return the effective t of contrasts L (contrasts, p), with those earlier trials that agree with each response.

    None of three or more random terms, and of two beside four or more groups of burns: an average would take seconds.
    """
    burns, known = fit.estimate.theta[0, -fit.engine.space.groups :], fit.beside
    if known is None:
        return _averaged(fit.engine, fit.data, burns, L, level, fit.rough)
    se, df = np.full((2, len(known.used), len(L)), np.nan)
    for pattern in np.unique(known.used, axis=0):
        rows = np.flatnonzero((known.used == pattern).all(axis=1))
        if pattern.any() or fit.design.nu > 0:
            se[rows], df[rows] = _joint(known.joint.of(pattern).of_responses(rows), L, level, burns)
    return se, df


def _averaged(
    engine: Engine, data: Residuals, burns: Array, L: Array, level: float, rough: bool
) -> EffectiveT | None:
    """Return the effective t over the variance ratios, those of groups sought about `burns` (groups,)."""
    terms, drawn = engine.space.terms, engine.space.groups > MOST_ON_A_GRID + 1
    if terms > 2 or (drawn and (len(data.rss) > 1 or terms == 2)):
        return None
    joint = Joint(Restricted(engine.space, data), engine.names[:terms])
    wide = _APART if rough and len(engine.names) > 2 else 1.0
    return _joint(joint, L, level, burns, wide)


def _joint(joint: Joint, L: Array, level: float, burns: Array, wide: float = 1.0) -> EffectiveT:
    """Return the effective t from all likelihoods together; `burns` (groups,) variances."""
    space = joint.own.space
    nodes = joint_nodes(joint, L, burns, [wide] * space.terms)
    if "bag" in joint.names and space.groups > 1:
        nodes = replace(nodes, floor=_joint(joint.without("bag"), L, level, burns, wide))
    estimates, parts = joint.own.data.b_ols @ L.T, []
    for some in nodes.passes(nodes.v.size):
        mix = _mixture(nodes, some, estimates[some])
        parts.append(_effective(mix, 1 - level, *(least[some] for least in nodes.floor)))
    se, df = map(np.concatenate, zip(*parts, strict=True))
    return se, df


def simulated_errors(engine: Engine, theta: Array, L: Array, level: float) -> EffectiveT | None:
    """Return the standard errors and degrees of freedom (trials, contrasts) of simulated trials at variances (c,).

    Their coordinates are quasi-random, so that few trials do. None where one sum of squares tells of all that varies,
    which is then χ², and where the average is not offered for many trials.
    """
    if len(engine.names) < 3:
        return None
    from scipy.stats import qmc

    space = engine.space
    sobol = qmc.Sobol(space.k + space.groups, rng=np.random.default_rng(1)).random_base2(_TRIALS)
    # no burn beyond the space, no sum of squares there
    chi = 2 * np.nan_to_num(special.gammaincinv(space.free / 2, sobol[:, space.k :]))
    z, burns = space.drawn(theta, special.ndtri(sobol[:, : space.k])), theta[space.terms :]
    data = Residuals(z, burns * chi, np.zeros((len(z), space.p)))
    return _averaged(engine, data, burns, L, level, rough=True)


def nodes_of(fit: RepeatModel, L: Array, fine: int | None = None) -> Nodes | None:
    """Return the nodes of a fit with one burn SD and at most two random terms, for all its responses.

    With `fine`, a component's place, nodes are closer: its own distribution is narrower than that of a mean.
    """
    space, theta = fit.engine.space, fit.estimate.theta
    if space.groups > 1 or space.terms > 2:
        return None
    closer = [_CLOSER if fine == term or fine == space.terms == 1 else 1.0 for term in range(space.terms)]
    return joint_nodes(Joint(Restricted(space, fit.data)), L, theta[0, -1:], closer)


@dataclass(frozen=True)
class _Mixture:
    """Conditional t distributions at the nodes that count.

    Attributes
    ----------
    at
        Those nodes, one row a response and node.
    offset, se
        (rows, contrasts) estimate less the mean, and standard error, in units of the SD. A standard error that is
        nothing beside it, where a ratio leaves nothing to be known, is a billionth.
    unit
        (responses, contrasts) SD of the averaged distribution, as if its t were normal.
    """

    at: Weighted
    offset: Array
    se: Array
    unit: Array


def _mixture(nodes: Nodes, place: Codes, level_estimates: Array) -> _Mixture:
    at = weigh(nodes, place)
    estimate = level_estimates[at.of] - nodes.shifts(place)[at.of, at.node]
    offset = estimate - at.sum(estimate)[at.of]
    se = np.sqrt(nodes.v[at.node] * (at.Q / at.dof)[:, None])
    unit = np.sqrt(at.sum(se**2 + offset**2))
    scale = np.where(unit > 0, unit, 1.0)[at.of]
    return _Mixture(at, offset / scale, np.maximum(se / scale, _KNOWN), unit)


def _effective(mix: _Mixture, alpha: float, least: Array, freedom: Array) -> EffectiveT:
    """Return the t with the half-widths of the mixture at two levels, neither below that of the floor's t."""
    guess = np.full(mix.unit.shape, mix.at.dof)
    near = _half_width(mix, alpha, _quantile(guess, alpha))
    far = _half_width(
        mix, _FURTHER * alpha, near * _quantile(guess, _FURTHER * alpha) / _quantile(guess, alpha)
    )
    near = np.maximum(near * mix.unit, least * _quantile(freedom, alpha))
    far = np.maximum(far * mix.unit, least * _quantile(freedom, _FURTHER * alpha))
    ratio = np.divide(far, near, out=np.ones_like(near), where=near > 0)
    df = np.clip(1 / _inverse_df(alpha)(ratio), 0.5, mix.at.dof)
    return near / _quantile(df, alpha), df


def _quantile(df: Array, alpha: float) -> Array:
    return np.asarray(-special.stdtrit(df, alpha / 2))


def _half_width(mix: _Mixture, alpha: float, start: Array) -> Array:
    """Solve Σ weight · P(|T·se + offset| > h) = alpha for h: Halley's steps for log p in log h, bracketed."""
    h, low, high = start, np.zeros_like(start), np.full_like(start, np.inf)
    for _ in range(80):
        p, q, q1 = _tails(mix, h)
        low, high = np.where(p > alpha, h, low), np.where(p > alpha, high, h)
        step = _halley(np.maximum(p, _SMALLEST), q, q1, h, alpha)
        new, small = h * np.exp(step), np.abs(step) < _CUBIC
        middle = np.sqrt(np.maximum(low, h / 4) * np.minimum(high, h * 4))
        h = np.where(small | ((new > low) & (new < high)), new, middle)
        if small.all():
            break
    return h


def _halley(p: Array, q: Array, q1: Array, h: Array, alpha: float) -> Array:
    """Step in log h towards log p = log alpha."""
    g, g1 = np.log(p / alpha), -h * np.maximum(q, _SMALLEST) / p
    g2 = g1 * (1 - g1) - h * h * q1 / p
    bend = np.clip(g * g2 / (2 * g1 * g1), -0.5, 0.5)  # beyond that Newton's step is the safer part
    return np.asarray(np.clip(-g / (g1 * (1 - bend)), -1.0, 1.0))


def _tails(mix: _Mixture, h: Array) -> tuple[Array, Array, Array]:
    """Return p = P(|T·se + offset| > h) averaged, q = −dp/dh, and dq/dh."""
    wide, nu = h[mix.at.of], mix.at.dof
    p, q, q1 = np.zeros_like(mix.se), np.zeros_like(mix.se), np.zeros_like(mix.se)
    for side in (-1.0, 1.0):
        t = (wide + side * mix.offset) / mix.se
        tail, density = upper_tail(t, nu)
        density /= mix.se
        p += tail
        q += density
        q1 -= density * (nu + 1) * t / ((nu + t * t) * mix.se)
    return mix.at.sum(p), mix.at.sum(q), mix.at.sum(q1)


@lru_cache(maxsize=8)
def _inverse_df(alpha: float) -> CubicSpline:
    """Return 1/df of the t whose quantiles stand in a ratio."""
    inverse = np.concatenate([np.linspace(1e-6, 0.1, 200), np.geomspace(0.1, 2.2, 200)[1:]])
    far, near = (special.stdtrit(1 / inverse, a / 2) for a in (_FURTHER * alpha, alpha))
    return CubicSpline(far / near, inverse)


_CELLS = 8192
_ROUND = 30.0


def upper_tail(t: Array, nu: float) -> tuple[Array, Array]:
    """Return P(T > t) and the density at t, to 1e-6 of their size.

    With Mills' ratio M = P(T > t)/density, M/√(c + t²) is smooth in y = t/√(c + t²) on [0, 1): one table a ν.
    """
    table, constant, c = _mills(nu)
    square = np.minimum(np.abs(t), 1e150) ** 2  # beyond it the square is no number
    density = constant * np.exp(-0.5 * (nu + 1) * np.log1p(square / nu))
    root = np.sqrt(c + square)
    place = np.sqrt(square) * (_CELLS / root)
    cell = np.minimum(place.astype(np.intp), _CELLS - 1)
    low = table[cell]
    tail = density * root * (low + (place - cell) * (table[cell + 1] - low))
    return np.where(t < 0, 1 - tail, tail), density


@lru_cache(maxsize=32)
def _mills(nu: float) -> tuple[Array, float, float]:
    c = min(nu, _ROUND)
    y = np.arange(_CELLS + 1) / _CELLS
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.sqrt(c) * y / np.sqrt(1 - y * y)
        constant = float(special.poch(nu / 2, 0.5) / np.sqrt(nu * np.pi))
        density = constant * np.exp(-0.5 * (nu + 1) * np.log1p(t * t / nu))
        tail = special.stdtr(nu, -t)
        # far out: the first term of the tail's series
        ratio = np.where(tail > 1e-280, tail / density, (1 + t * t / nu) / t) / np.sqrt(c + t * t)
    ratio[-1] = 1 / nu if c == nu else 0.0
    return ratio, constant, c
