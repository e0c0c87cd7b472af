"""Small-sample inference for means and differences of exact values, and what one more burn will do."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
import pandas as pd
from scipy import special

from kit.variance.averaged import averaged
from kit.variance.burn_arrays import Array, refused
from kit.variance.engine import Engine
from kit.variance.families import Family
from kit.variance.model import RepeatModel

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
    half-width at `level` and where the tail is a tenth of it (kit.variance.averaged). Where no average is offered that
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
    A1 = sum W_ij tr(M_i) tr(M_j), A2 = sum W_ij tr(M_i M_j).
    Satterthwaite: the eigenvalue method of Fai & Cornelius (1996).
    """
    L = np.atleast_2d(np.asarray(L, dtype=np.float64))
    estimate = L @ fit.estimate.beta[0]
    if df == "satterthwaite":
        return _fai_cornelius(fit, L, estimate)
    if fit.method != "REML":
        raise refused("Kenward–Roger by ML")
    parts, q = fit.small_sample, len(L)
    F = float(estimate @ np.linalg.solve(L @ parts.adjusted[0] @ L.T, estimate)) / q
    phi = parts.phi[0]
    M = (L.T @ np.linalg.solve(L @ phi @ L.T, L)) @ parts.moved[0]
    trace = np.einsum("ipp->i", M)
    A1 = float(trace @ parts.information_inverse[0] @ trace)
    A2 = float(np.einsum("ij,ipq,jqp->", parts.information_inverse[0], M, M))
    scaling, den = _scale_and_df(q, A1, A2)
    return FTest(scaling * F, q, den, float(special.fdtrc(q, den, scaling * F)), scaling, "Kenward–Roger")


def _scale_and_df(q: int, A1: float, A2: float) -> tuple[float, float]:
    """Kenward & Roger (1997): B, g, c1-c3, then m = 4 + (q + 2)/(q rho - 1) and λ = m/(E*(m - 2)).

    Here qρ is V0/V2 (h/V1)² with h = 1/E*. In one stratum h is V1; both are 0 at two degrees of freedom, and V2 is 0
    at four, where F has no variance.
    """
    if A2 <= 0:
        return 1.0, np.inf
    B = (A1 + 6 * A2) / (2 * q)
    g = ((q + 1) * A1 - (q + 4) * A2) / ((q + 2) * A2)
    base = 3 * q + 2 * (1 - g)
    c1, c2, c3 = g / base, (q - g) / base, (q + 2 - g) / base
    V0, V1, V2, h = 1 + c1 * B, 1 - c2 * B, 1 - c3 * B, 1 - A2 / q
    is_two = max(abs(V1), abs(h)) < 1e-8
    m = 4 + (q + 2) * V2 / (V0 * (1.0 if is_two else (h / V1) ** 2) - V2)
    return (1.0 if is_two else float(m * h / (m - 2))), float(m)


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
        blank = np.full((R, m), np.nan)
        sd, df, covers = blank, blank, [""] * m
    else:
        se2 = np.einsum("rii->ri", fit.small_sample.phi[:, :m, :m])
        g = np.einsum("rcii->rci", fit.small_sample.moved[:, :, :m, :m])
        uses = uses_of_a_burn(fit)
        T = se2 + np.einsum("rc,cm->rm", fit.estimate.theta, uses)
        h = g + uses
        df = 2 * T**2 / np.einsum("rcm,rcd,rdm->rm", h, fit.observed, h)
        sd, covers = np.sqrt(T), [_words(fit)] * m
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


def _words(fit: RepeatModel) -> str:
    parts = [name for name in ("fuel", "bag", "day") if name in fit.names]
    *first, last = [*parts, "burn"]
    return f"{', '.join(first)} and {last}" if first else last
