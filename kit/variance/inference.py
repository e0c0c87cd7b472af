"""Small-sample inference for means and differences of exact values, and what one more burn will do.

With df='best' t inference is averaged over the restricted likelihood of the variance ratios. Given the ratio λ =
σ²_bag/σ²_burn, generalised least squares is exactly t on all ν residual degrees of freedom, (β̂(λ) − β)/√(v(λ)
Q(λ)/ν). λ is not known; its restricted likelihood with the burn variance integrated out is Π (1 + λd_i)^(−½)
Q(λ)^(−ν/2) (Patterson & Thompson 1971; Harville 1974), and the t distributions are averaged over it with the prior
density

    π(λ) = (Σ √(d_i/(1 + λd_i)))² · [1 + 1/(d̄(λ + 1/n_max))]^(½(1 − d_max/n_max)),      λ > −1/n_max

In a balanced design, where all d_i are n_max, this is the Jeffreys prior and the average is the classical t of the
mean square of bags, whatever the ratio. In unbalanced designs it has less of a pole where a single d_i brings one
than Jeffreys' √(Σ (d_i/(1 + λd_i))² − …), and gets half of the pole back that the d_i move beyond −1/n_max: of
those tried, its single contrasts keep nearest to the level (tests/simulate). With a crossed day the average
runs over both ratios, the day's given the bag's by the same rule; the first factor of the bag's then has the d_i
that are left within days. Ratios below zero serve this inference only: estimates stay at or above zero.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Literal

import numpy as np
import pandas as pd
from scipy import special
from scipy.interpolate import CubicSpline

from kit.variance.burn_arrays import Array, Codes, refused
from kit.variance.engine import Engine, Restricted
from kit.variance.families import Family
from kit.variance.model import RepeatModel
from kit.variance.ratio_nodes import MOST_ON_A_GRID, Joint, Nodes, Weighted, joint_nodes, weigh
from kit.variance.residual_space import Residuals

DfMethod = Literal["best", "kenward-roger", "satterthwaite"]


AVERAGED = "t averaged over the restricted likelihood of the variance ratio"

LEAST_DF = 0.5
"""Families are tabulated from here on; below it an interval says nothing anyway."""


@dataclass(frozen=True)
class Contrasts:
    """Linear combinations of the means with t-based inference.

    Attributes
    ----------
    method
        Named in words.
    estimate, se, df
        (responses, contrasts).
    L
        (contrasts, p) the combinations.
    phi
        (responses, p, p) covariance of the means.
    """

    method: str
    estimate: Array
    se: Array
    df: Array
    L: Array
    phi: Array

    @cached_property
    def covariance(self) -> Array:
        """(responses, contrasts, contrasts) of the estimates: of many pairs a large one, so only when asked for."""
        return np.asarray(self.L @ self.phi @ self.L.T)

    def of(self, response: int) -> Contrasts:
        """Return the contrasts of one response alone."""
        rows = slice(response, response + 1)
        return replace(
            self, estimate=self.estimate[rows], se=self.se[rows], df=self.df[rows], phi=self.phi[rows]
        )

    def _t(self, null: float) -> Array:
        """Return how many standard errors the estimate lies above a value."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray((self.estimate - null) / self.se)

    def at(self, t: Array) -> Array:
        """Return the value that lies t standard errors above the estimate."""
        return np.asarray(self.estimate + t * self.se)

    def limits(self, level: float) -> tuple[Array, Array]:
        """Return unadjusted two-sided limits (responses, contrasts)."""
        half = special.stdtrit(self.df, (1 + level) / 2)
        return self.at(-half), self.at(half)

    def p(self, null: float = 0.0) -> Array:
        """Return unadjusted two-sided p values."""
        return np.asarray(2 * special.stdtr(self.df, -np.abs(self._t(null))))

    def upper_p(self, null: float) -> Array:
        """Return one-sided p values against 'at most null': small where the estimate lies well above."""
        return np.asarray(special.stdtr(self.df, -self._t(null)))

    def lower_p(self, null: float) -> Array:
        """Return one-sided p values against 'at least null'."""
        return np.asarray(special.stdtr(self.df, self._t(null)))

    def family_p(self, family: Family) -> Array:
        """Return p values adjusted for the family."""
        return family.p(self._t(0.0), np.maximum(self.df, LEAST_DF))

    def family_limits(self, family: Family, level: float) -> tuple[Array, Array]:
        """Return simultaneous limits of the family."""
        half = family.critical(level, np.maximum(self.df, LEAST_DF))
        return self.at(-half), self.at(half)


def needs_level(level: float) -> None:
    """Refuse a confidence that is none.

    Raises
    ------
    KitError
        Where it is not between 0 and 1.
    """
    if not isinstance(level, int | float | np.number) or not 0 < level < 1:
        raise refused("level", level=level)


def exact_contrasts(fit: RepeatModel, L: Array, df: DfMethod, level: float) -> Contrasts:
    """Return contrasts L (contrasts, p) of a fit whose values are all exact.

    With 'best' the estimate is generalised least squares at the bounded REML estimates; se and df give the averaged
    half-width at `level` and where the tail is a tenth of it. Where no average is offered that
    is Kenward–Roger, and of a fit by ML Satterthwaite; the method's name says so.

    Raises
    ------
    KitError
        For an unknown method, and Kenward–Roger of a fit by ML.
    """
    if df not in ("best", "kenward-roger", "satterthwaite"):
        raise refused("choice", name="df", given=df, known="best, kenward-roger or satterthwaite")
    if df == "satterthwaite" or (df == "best" and fit.method == "ML"):
        return _by_information(fit, L, "Satterthwaite")
    if fit.method != "REML":
        raise refused("Kenward–Roger by ML")
    plain = _by_information(fit, L, "Kenward–Roger")
    if df == "kenward-roger" or not (fit.has_spread or fit.earlier):
        return plain
    if len(fit.names) == 1 and not fit.earlier:
        return replace(plain, method="t on the residual degrees of freedom")
    own = averaged(fit, L, level)
    if own is None:
        return plain
    method = f"{AVERAGED}, with earlier trials" if fit.earlier else AVERAGED
    se, freedom = own
    return replace(plain, method=method, se=np.where(np.isnan(plain.estimate), np.nan, se), df=freedom)


def _by_information(fit: RepeatModel, L: Array, method: str) -> Contrasts:
    """Return contrasts with df = 2 (LΦL')² / g'Ag, g_i = LΦP_iΦL'.

    Kenward–Roger: se from Φ_A, A from the expected information. Satterthwaite: se from Φ, A from the observed one.
    """
    estimate = fit.estimate.beta @ L.T
    if not fit.has_spread:
        blank = np.full_like(estimate, np.nan)
        unknown = np.full((len(estimate), L.shape[1], L.shape[1]), np.nan)
        return Contrasts("none: no repeats", estimate, blank, blank, L, unknown)
    parts = fit.small_sample
    if method == "Kenward–Roger":
        phi, known = parts.adjusted, parts.information_inverse
    else:
        phi, known = parts.phi, fit.observed
    v, g = np.maximum(_quadratic(L, parts.phi), 0.0), _quadratic(L, parts.moved)
    own = _quadratic(L, phi)  # rounding can spoil the adjustment where a burn SD vanishes
    df = _df(v, (g * (known @ g)).sum(axis=1))
    return Contrasts(method, estimate, np.sqrt(np.where(own > 0, own, v)), df, L, phi)


def known_at(engine: Engine, theta: Array, L: Array) -> tuple[Array, Array]:
    """Return what a design knows of contrasts at given variances (c,): their covariance, and ν of each.

    ν = 2 SE⁴/Var(SE²) with the expected information of the variances (Satterthwaite 1946).
    """
    parts = engine.pieces(theta[None])
    covariance, g = L @ parts.phi[0] @ L.T, _quadratic(L, parts.moved[0])
    return covariance, _df(np.diag(covariance), (g * (parts.information_inverse[0] @ g)).sum(axis=0))


def _quadratic(L: Array, M: Array) -> Array:
    """L M L' diagonals: (..., contrasts)."""
    return np.asarray(np.vecdot(L @ M, L))


def _df(v: Array, spread: Array) -> Array:
    """Return 2 v²/Var(v); next to nothing where v hangs on variances alone of which nothing but zero is known."""
    return np.asarray(np.divide(2 * v**2, spread, out=v * 0 + LEAST_DF, where=spread > 0))


_FURTHER = 0.1
_CLOSER = 0.2
_APART = 1.7
"""For one of many simulated trials: trapezoid sums are then right to a thousandth."""

_TRIALS = 7
"""Simulated trials as a power of two."""

_SMALLEST, _KNOWN = 1e-140, 1e-9
_CUBIC = 1e-4
"""After a step this short the next would be below 1e-10."""


EffectiveT = tuple[Array, Array]
"""What the average amounts to: scale and degrees of freedom (responses, contrasts) of the t that has the same
half-width at the level, and at the level that leaves a tenth of the tail."""


def averaged(fit: RepeatModel, L: Array, level: float) -> EffectiveT | None:
    """Return the effective t of contrasts L (contrasts, p), with those earlier trials that agree with each response.

    None of three or more random terms, and of two beside four or more groups of burns: an average would take seconds.
    Nor of several responses with so many groups, whose ratios are drawn about one response's own.
    """
    burns, known = fit.estimate.theta[0, -fit.engine.space.groups :], fit.beside
    if known is None:
        return _averaged(fit.engine, fit.data, burns, L, level, fit.rough)
    if len(burns) > MOST_ON_A_GRID + 1 and len(known.used) > 1:
        return None
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
    estimates = joint.own.data.b_ols @ L.T
    parts = [_effective(nodes, some, estimates, 1 - level) for some in nodes.passes(nodes.v.size)]
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
        (rows, contrasts) estimate less the mean, and standard error, in units of the averaged distribution's SD as if
        its t were normal. A standard error that is nothing beside it, where a ratio leaves nothing to be known, is a
        billionth.
    """

    at: Weighted
    offset: Array
    se: Array


def _effective(nodes: Nodes, rows: Codes, estimates: Array, alpha: float) -> EffectiveT:
    """Return the t with the half-widths of the mixture at two levels, neither below that of the floor's t."""
    at = weigh(nodes, rows)
    estimate = estimates[rows][at.of] - nodes.shifts(rows)[at.of, at.node]
    offset = estimate - at.sum(estimate)[at.of]
    se = np.sqrt(nodes.v[at.node] * (at.Q / at.dof)[:, None])
    unit = np.sqrt(at.sum(se**2 + offset**2))
    scale = np.where(unit > 0, unit, 1.0)[at.of]
    mix = _Mixture(at, offset / scale, np.maximum(se / scale, _KNOWN))
    least, freedom = (part[rows] for part in nodes.floor)
    guess = np.full(unit.shape, at.dof)
    near = _half_width(mix, alpha, _quantile(guess, alpha))
    start = near * _quantile(guess, _FURTHER * alpha) / _quantile(guess, alpha)
    far = _half_width(mix, _FURTHER * alpha, start)
    near = np.maximum(near * unit, least * _quantile(freedom, alpha))
    far = np.maximum(far * unit, least * _quantile(freedom, _FURTHER * alpha))
    ratio = np.divide(far, near, out=np.ones_like(near), where=near > 0)
    # tails shorter than the normal's have no t: then that of the most degrees of freedom
    df = 1 / np.clip(_inverse_df(alpha)(ratio), 1 / at.dof, 2.0)
    return near / _quantile(df, alpha), df


def _quantile(df: Array, alpha: float) -> Array:
    return np.asarray(-special.stdtrit(df, alpha / 2))


def _half_width(mix: _Mixture, alpha: float, start: Array) -> Array:
    """Solve Σ weight · P(|T·se + offset| > h) = alpha for h: Halley's steps for log p in log h, bracketed."""
    h, low, high = start, np.zeros_like(start), np.full_like(start, np.inf)
    for _ in range(80):
        p, q, q1 = _tails(mix, h)
        low, high = np.where(p > alpha, h, low), np.where(p > alpha, high, h)
        p = np.maximum(p, _SMALLEST)
        g, g1 = np.log(p / alpha), -h * np.maximum(q, _SMALLEST) / p
        g2 = g1 * (1 - g1) - h * h * q1 / p
        bend = np.clip(g * g2 / (2 * g1 * g1), -0.5, 0.5)  # beyond that Newton's step is the safer part
        step = np.clip(-g / (g1 * (1 - bend)), -1.0, 1.0)
        new, small = h * np.exp(step), np.abs(step) < _CUBIC
        middle = np.sqrt(np.maximum(low, h / 4) * np.minimum(high, h * 4))
        h = np.where(small | ((new > low) & (new < high)), new, middle)
        if small.all():
            break
    return h


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


_CELLS, _ROUND = 8192, 30.0


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


@dataclass(frozen=True)
class FTest:
    """An F test: F, its degrees of freedom, p, the scale factor and the method in words."""

    F: float
    num_df: int
    den_df: float
    p: float
    scaling: float
    method: str


def f_test(fit: RepeatModel, L: Array, df: DfMethod = "kenward-roger") -> FTest:
    """Test that all contrasts L beta are zero, for a fit of one response.

    Kenward & Roger (1997), section 3: with M_i = Θ Φ P_i Φ and Θ = L'(LΦL')^-1L,
    A1 = sum W_ij tr(M_i) tr(M_j), A2 = sum W_ij tr(M_i M_j), B, g, c1-c3, then m = 4 + (q + 2)/(q rho - 1) and
    λ = m/(E*(m - 2)). Here qρ is V0/V2 (h/V1)² with h = 1/E*. In one stratum h is V1; both are 0 at two degrees of
    freedom, and V2 is 0 at four, where F has no variance.
    Satterthwaite: the eigenvalue method of Fai & Cornelius (1996).

    Raises
    ------
    KitError
        Without a contrast, for a fit without repeats, and for Kenward–Roger of a fit by ML.
    """
    L = np.atleast_2d(np.asarray(L, dtype=np.float64))
    if not fit.has_spread or not L.size:
        raise refused("no repeats" if L.size else "no contrast")
    estimate = L @ fit.estimate.beta[0]
    if df == "satterthwaite":
        return _fai_cornelius(fit, L, estimate)
    if fit.method != "REML":
        raise refused("Kenward–Roger by ML")
    parts, q = fit.small_sample, len(L)
    F = float(estimate @ np.linalg.solve(L @ parts.adjusted[0] @ L.T, estimate)) / q
    M = (L.T @ np.linalg.solve(L @ parts.phi[0] @ L.T, L)) @ parts.moved[0]
    trace = np.einsum("ipp->i", M)
    A1 = float(trace @ parts.information_inverse[0] @ trace)
    A2 = float(np.einsum("ij,ipq,jqp->", parts.information_inverse[0], M, M))
    if A2 <= 0:
        scaling, den = 1.0, np.inf
    else:
        B = (A1 + 6 * A2) / (2 * q)
        g = ((q + 1) * A1 - (q + 4) * A2) / ((q + 2) * A2)
        base = 3 * q + 2 * (1 - g)
        c1, c2, c3 = g / base, (q - g) / base, (q + 2 - g) / base
        V0, V1, V2, h = 1 + c1 * B, 1 - c2 * B, 1 - c3 * B, 1 - A2 / q
        is_two = max(abs(V1), abs(h)) < 1e-8
        den = float(4 + (q + 2) * V2 / (V0 * (1.0 if is_two else (h / V1) ** 2) - V2))
        scaling = 1.0 if is_two else float(den * h / (den - 2))
    return FTest(scaling * F, q, den, float(special.fdtrc(q, den, scaling * F)), scaling, "Kenward–Roger")


def _fai_cornelius(fit: RepeatModel, L: Array, estimate: Array) -> FTest:
    """Of degrees of freedom 2E/(E - q), E = sum nu/(nu - 2); nu where all nu agree, 2 where one is 2 or less."""
    parts, q = fit.small_sample, len(L)
    values, vectors = np.linalg.eigh(L @ parts.phi[0] @ L.T)
    F = float(((vectors.T @ estimate) ** 2 / values).sum()) / q
    g = _quadratic(vectors.T @ L, parts.moved)[0]
    each = 2 * values**2 / np.einsum("iq,ij,jq->q", g, fit.observed[0], g)
    den = float(each.mean()) if np.ptp(each) < 1e-8 else 2.0
    if np.ptp(each) >= 1e-8 and (each > 2).all():
        E = float((each / (each - 2)).sum())
        den = 2 * E / (E - q)
    return FTest(F, q, den, float(special.fdtrc(q, den, F)), 1.0, "Satterthwaite")


def predict_burn(fit: RepeatModel, level: float = 0.95) -> pd.DataFrame:
    """Return a row a mean: fuel, mean, sd (of the prediction), df, low, high, covers, level, on the analysis scale.

    mean ± t √T with T = SE² + sum of the variances, df = 2T²/(h'Ah), h_i = g_i + 1 with g_i = LΦP_iΦL' (method 7;
    Satterthwaite 1946). A covers the observed information, components estimated at zero left out.
    """
    needs_level(level)
    m, R = len(fit.labels), len(fit.estimate.theta)
    mean = fit.estimate.beta[:, :m]
    if not fit.has_spread:
        (sd, df), covers = np.full((2, R, m), np.nan), [""] * m
    else:
        se2 = np.einsum("rii->ri", fit.small_sample.phi[:, :m, :m])
        g = np.einsum("rcii->rci", fit.small_sample.moved[:, :, :m, :m])
        uses = uses_of_a_burn(fit)
        T = se2 + np.einsum("rc,cm->rm", fit.estimate.theta, uses)
        h = g + uses
        df = 2 * T**2 / np.einsum("rcm,rcd,rdm->rm", h, fit.observed, h)
        *first, last = [*(name for name in ("fuel", "bag", "day") if name in fit.names), "burn"]
        sd, covers = np.sqrt(T), [f"{', '.join(first)} and {last}" if first else last] * m
    half = special.stdtrit(df, (1 + level) / 2) * sd
    values = {"mean": mean, "sd": sd, "df": df, "low": mean - half, "high": mean + half}
    return fit.framed({"fuel": fit.labels, "covers": covers}, values, {"level": level})


def uses_of_a_burn(fit: RepeatModel) -> Array:
    """Return (components, means) 1 where a new burn of that mean has the component, of a group its share of burns."""
    uses, groups = np.ones((len(fit.names), len(fit.labels))), fit.design.spread
    share = np.zeros((groups.count, len(fit.labels)))
    np.add.at(share, (groups.codes, fit.design.mean_of), 1.0)
    uses[len(uses) - groups.count :] = share / share.sum(axis=0)
    return uses
