"""Fits and contrasts where some values are known only as 'at least' or 'at most'.

Where some values are bounds, intervals are profiles of the criterion, measured on a t scale. For one difference v =
c'b the criterion minimised over the variances rises, in a model of one variance on df degrees of freedom, by exactly
(df + 1) log(1 + t²/df). Read backwards that gives every v a signed t,

    t(v) = ± √(df (exp((D(v) - D_min)/(df + 1)) - 1)),

from which limits, p values and families follow as for any t; df is that of the same contrast with the bounds replaced
by the values expected for them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.interpolate import CubicHermiteSpline

from kit.errors import Faults
from kit.variance.bounded import NONE, Rows, least_rows, minimise_rows, model_of, posterior, slope, together
from kit.variance.burn_arrays import Array, Codes, Columns, Roles, noted, read_columns, refused
from kit.variance.design import Design, design_of
from kit.variance.engine import Borrowed, Estimate, terms_in_order
from kit.variance.inference import Contrasts, DfMethod, exact_contrasts
from kit.variance.model import Censored, Choices, RepeatModel, fit_design, optimum_found
from kit.variance.mvn import POINTS
from kit.variance.optimise import EXACT, FLOOR, lowest

LARGEST = 400
"""Burns."""

NODES = np.array([-6.0, -2.75, 0.0, 2.75, 6.0])
"""Standard errors from the estimate at which a profile is computed."""

STEEPEST = 1.0
"""Slope of D at the estimate, a standard error further: its least is taken to be within half of one."""

OF_A_T = ", degrees of freedom of "
"""Between a profile's name and that of the t it is measured on."""

FINE = 401
"""Points of the curve laid through them."""


def fit_censored(table: pd.DataFrame, roles: Roles, columns: Columns, choices: Choices) -> RepeatModel:
    """Return the fit of one response in which some values are bounds.

    Raises
    ------
    KitError
        For a fit by ML, more than 400 burns, or too few exact burns.
    """
    assert columns.side is not None
    faults = Faults()
    if choices.method == "ML":
        faults.take(refused("bounds by ML"))
    if columns.n > LARGEST:
        faults.take(refused("many with bounds", burns=columns.n, most=LARGEST))
    faults.settle()
    if columns.side.all():
        raise refused("few exact", exact=0, parameters=1)
    measured = table.iloc[columns.rows[columns.side == 0]]
    exact = read_columns(measured, replace(roles, status=None), choices.scale)
    alone, whole = (design_of(each, choices.fuel_effect, choices.spread) for each in (exact, columns))
    if alone.nu == 0:
        raise refused("few exact", exact=alone.n, parameters=alone.p)
    # of the random terms those that the exact burns tell apart: a bound knows no size of the others
    terms = tuple(term for term in whole.terms if alone.term(term.name) is not None)
    why = tuple(noted("only in bounds", name=term.name) for term in whole.terms if term not in terms)
    design = replace(whole, terms=terms, notes=(*whole.notes, *why))
    known = _bounded(columns, design, choices.borrowed, float(exact.values[0, 0]))
    model, data, centre, kept = known.model, known.data, known.centre, known.kept
    face = fit_design(table, roles, replace(columns, side=None), design, choices)
    at_face = face.estimate.theta
    starts = np.vstack([at_face, np.full_like(at_face, at_face.mean())])
    found = minimise_rows(model, starts, data.times(2), enough=EXACT)
    if not found.converged.all():  # a burn variance that goes to zero creeps there
        size = found.theta.sum(axis=1, keepdims=True)
        creeps = (np.arange(found.theta.shape[1]) >= model.terms) & (found.theta < NONE * size)
        starts = np.where(creeps, FLOOR * size, found.theta)
        found = minimise_rows(model, starts, data.times(2), enough=EXACT)
    least = lowest(found, np.zeros(2, dtype=np.int64))
    optimum_found(least.converged, roles)
    theta = least.theta
    every = np.eye(len(kept))[None]
    part, phi, box = posterior(model, theta, replace(data, points=8 * POINTS), every)
    beta, covariance = np.full(design.p, np.nan), np.full((design.p, design.p), np.nan)
    beta[kept], covariance[np.ix_(kept, kept)] = part[0], phi[0]
    beta[: len(design.labels)] += centre
    filled = columns.values.copy()
    filled[0, known.order[len(known.order) - model.m :]] = box.mean[0] + centre
    return replace(
        face, columns=columns, data=face.engine.rotate(filled),
        estimate=Estimate(theta, beta[None], least.value, least.converged, 1),
        censored=replace(known, expected=filled, covariance=covariance),
    )  # fmt: skip


def _bounded(columns: Columns, design: Design, borrowed: Borrowed | None, centre: float) -> Censored:
    """Return the model of the burns whose mean has an exact burn, before anything is expected of its bounds."""
    assert columns.side is not None
    side = columns.side
    exact = np.bincount(design.mean_of, side == 0, len(design.labels))
    bounded = tuple(np.flatnonzero(exact == 0).tolist())
    used = ~np.isin(design.mean_of, bounded)
    bound = np.flatnonzero(used & (side != 0))
    kept = np.array([i for i in range(design.p) if i not in bounded], dtype=np.int64)
    exact_X = design.X[np.ix_(used & (side == 0), kept)]
    if len(exact_X) <= len(kept) or np.linalg.matrix_rank(exact_X) < len(kept):
        raise refused("few exact", exact=len(exact_X), parameters=len(kept))
    order = np.concatenate([np.flatnonzero(used & (side == 0)), bound])
    extra = (0.0, 0.0) if borrowed is None else (borrowed.sd, borrowed.df)
    groups, X = design.spread, design.X[np.ix_(order, kept)]
    terms = [term.levels.indicators[order] for term in terms_in_order(design)]
    model = model_of(X, terms, groups.codes[order], groups.count, len(bound), extra)
    y, above = columns.values[:, order] - centre, side[bound] > 0
    edge = y[:, len(order) - len(bound) :]
    low, high = np.where(above, edge, -np.inf), np.where(above, np.inf, edge)
    data = model.rows(y[:, : len(order) - len(bound)], low, high)
    unknown, is_mean = np.full((design.p, design.p), np.nan), kept < len(design.labels)
    return Censored(model, data, centre, order, kept, is_mean, bounded, columns.values, unknown)


@dataclass(frozen=True)
class CensoredContrasts(Contrasts):
    """Contrasts whose t comes from a profile: t (contrasts, points) at values v (contrasts, points)."""

    v: Array
    t: Array

    def _t(self, null: float) -> Array:
        return -np.array([[_between(null, v, t) for v, t in zip(self.v, self.t, strict=True)]])

    def at(self, t: Array) -> Array:
        """Return the value whose profile has this t, below the estimate where t is."""
        rows = zip(self.v, self.t, np.broadcast_to(t, self.estimate.shape)[0], strict=True)
        return np.array([[_between(want, own, v) for v, own, want in rows]])


def _between(x: float, xs: Array, ys: Array) -> float:
    """Interpolate, and go on straight beyond the ends, without end where the profile is flat there; NaN if unknown."""
    if np.isnan(xs).any() or np.isnan(ys).any() or np.isnan(x):
        return np.nan
    if xs[0] <= x <= xs[-1]:
        return float(np.interp(x, xs, ys))
    a, b = (0, 1) if x < xs[0] else (-2, -1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return float(ys[b] + (x - xs[b]) * (ys[b] - ys[a]) / (xs[b] - xs[a]))


def imputed(fit: RepeatModel) -> RepeatModel:
    """Return the fit as if the expected values had been measured."""
    return replace(fit, censored=None, columns=replace(fit.columns, side=None))


def censored_contrasts(
    asked: Sequence[tuple[RepeatModel, Array]], df: DfMethod, level: float
) -> list[CensoredContrasts]:
    """Return contrasts by t-based profile, each fit's own; NaN for those that need a mean without an exact burn."""
    followed = [_Followed.of(fit, L, df, level) for fit, L in asked]
    alike: dict[object, list[int]] = {}
    for place, each in enumerate(followed):
        alike.setdefault(each.known.model.shape, []).append(place)
    found: dict[int, CensoredContrasts] = {}
    for places in alike.values():
        profiles = _profiles([followed[place] for place in places])
        found |= {place: followed[place].contrasts(*own) for place, own in zip(places, profiles, strict=True)}
    return [found[place] for place in range(len(asked))]


@dataclass(frozen=True)
class _Followed:
    """Contrasts of a fit with bounds: what their profiles are followed with.

    Attributes
    ----------
    base
        The same contrasts were the expected values measured.
    found
        Which of them need no mean without an exact burn: only these are followed.
    estimate, se
        (contrasts,).
    """

    fit: RepeatModel
    known: Censored
    base: Contrasts
    found: Codes
    estimate: Array
    se: Array

    @classmethod
    def of(cls, fit: RepeatModel, L: Array, df: DfMethod, level: float) -> _Followed:
        known = fit.censored
        assert known is not None
        beta = np.where(np.isnan(fit.estimate.beta), 0.0, fit.estimate.beta)
        base = exact_contrasts(replace(imputed(fit), estimate=replace(fit.estimate, beta=beta)), L, df, level)
        found = np.flatnonzero(~np.abs(L[:, list(known.bounded)]).any(axis=1))
        phi = np.where(np.isnan(known.covariance), 0.0, known.covariance)
        return cls(fit, known, base, found, L @ beta[0], np.sqrt(np.vecdot(L @ phi, L)))

    def start(self) -> tuple[Rows, Array, Array, Array]:
        """Return data of the search, held at the estimates, their SEs, the variances, and how those bend with t²/2.

        Away from the estimate the variances go as θ + ½ t² W g/v, g = ∂v/∂θ, to first order of t², and of one variance
        exactly.
        """
        L, known, parts = self.base.L[self.found], self.known, imputed(self.fit).small_sample
        share = np.vecdot(L @ parts.moved[0], L) / np.vecdot(L @ parts.phi[0], L)
        data = held_rows(known, known.data, L[:, known.kept], self.estimate[self.found])
        theta = np.repeat(self.fit.estimate.theta, len(L), axis=0)
        return data, self.se[self.found], theta, share.T @ parts.information_inverse[0] / 2

    def contrasts(self, D: Array, slopes: Array) -> CensoredContrasts:
        """Return the contrasts from D and its slopes (found, nodes); NaN for those that were not followed."""
        base, lost = self.base, np.isin(np.arange(len(self.se)), self.found, invert=True)
        v, t = np.full((2, len(lost), FINE), np.nan)
        own = (part[self.found, None] for part in (self.estimate, self.se, base.df[0], base.se[0]))
        v[self.found], t[self.found] = _t_profiles(D, slopes, *own)
        estimate, se, freedom = (np.where(lost, np.nan, part) for part in (self.estimate, self.se, base.df))
        method = f"profile with bounds{OF_A_T}{base.method}"
        phi = np.where(np.isnan(self.known.covariance), 0.0, self.known.covariance)
        return CensoredContrasts(method, estimate[None], se[None], freedom, base.L, phi[None], v, t)


def _profiles(followed: Sequence[_Followed]) -> list[tuple[Array, Array]]:
    """Return D (contrasts, nodes) minimised over the variances and its slopes, of each fit.

    From the estimate outwards, both ways, of all contrasts at once.
    """
    rows_of_each, *begun = zip(*(each.start() for each in followed), strict=True)
    model, data = together([each.known.model for each in followed], rows_of_each)
    se, theta, bend = map(np.concatenate, begun)
    count, middle = len(se), len(NODES) // 2
    D, slopes = np.empty((2, count, len(NODES)))

    def theta_at(rows: Codes, nodes: Codes, start: Array) -> Array:
        held = data.take(rows)
        held = replace(held, value=held.value + se[rows] * NODES[nodes])
        found = least_rows(model, start, held)
        D[rows, nodes], slopes[rows, nodes] = found.value, slope(model, found.theta, held, se[rows])
        return found.theta

    rows = np.arange(count)
    theta = theta_at(rows, np.full(count, middle), theta)
    rows = np.tile(rows, 2)
    theta, bend = theta[rows], bend[rows]
    for out in range(1, middle + 1):
        further = NODES[middle + out] ** 2 - NODES[middle + out - 1] ** 2
        guess = np.maximum(theta + further * bend, 0.1 * theta)
        after = theta_at(rows, np.repeat([middle - out, middle + out], count), guess)
        theta, bend = after, (after - theta) / further
    ends = np.cumsum([len(each.found) for each in followed])[:-1]
    return list(zip(np.split(D, ends), np.split(slopes, ends), strict=True))


def held_rows(known: Censored, data: Rows, held: Array, value: Array) -> Rows:
    """Return the data with combinations of the means (rows, p) held at values on the table's own scale (rows,)."""
    if len(data.z) == 1:
        data = data.times(len(held))
    return data.holding(held, value - known.centre * held[:, known.is_mean].sum(axis=1))


def _t_profiles(
    D: Array, slope: Array, estimate: Array, se: Array, df: Array, least: Array
) -> tuple[Array, Array]:
    """Return v and t(v) on a fine grid (contrasts, points): exp((D - D_min)/(df + 1)) is nearly a parabola.

    It bends where a variance reaches zero; so cubics are laid through the nodes and their slopes, not one polynomial.
    Where burns happen to agree, a profile is too sure: t is nowhere larger than with `least`, the standard error were
    the expected values measured.
    """
    rise, most = D - D.min(axis=1, keepdims=True), (se / least) ** 2
    highest = (df + 1) * np.log1p(most * NODES**2 / df)
    slope = np.where(rise > highest, 2 * (df + 1) * most * NODES / (df + most * NODES**2), slope)
    steepest = np.where(NODES == 0, STEEPEST, (df + 1) * np.sqrt(most / df))
    slope = np.clip(slope, -steepest, steepest)
    height = np.exp(np.minimum(rise, highest) / (df + 1))
    k = np.linspace(NODES[0], NODES[-1], FINE)
    height = CubicHermiteSpline(NODES, height, height * slope / (df + 1), axis=1)(k)
    middle = height.argmin(axis=1, keepdims=True)
    lowest = np.take_along_axis(height, middle, axis=1)
    t = np.sqrt(df * np.maximum(height / lowest - 1, 0.0)) * np.where(np.arange(FINE) < middle, -1.0, 1.0)
    t = np.clip(t, -np.abs(k) * se / least, np.abs(k) * se / least)
    return estimate + se * k, np.maximum.accumulate(t, axis=1)
