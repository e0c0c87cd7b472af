"""Nodes over every ratio of a trial's variances, with the restricted likelihoods of earlier trials beside its own.

Outer nodes hold the ratios of burn variances of groups and, of two random terms, the one with more levels; along
the other's ratio the likelihood is diagonal (kit.variance.restricted). An earlier trial's likelihood, whose means are
its own and are integrated out, enters to a power a ≤ 1 (Ibrahim & Chen 2000): log determinants, quadratic forms and
degrees of freedom add up. Prior densities are those of kit.variance.ratios, flat in the logarithm of a group's ratio.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy import special

from kit.variance.columns import Array, Codes
from kit.variance.ratios import (
    LEAST,
    NEGLIGIBLE,
    NEGLIGIBLE_CROSSED,
    OTHER,
    TOUCH,
    Axis,
    Nodes,
    least_errors,
    no_floor,
    steps,
)
from kit.variance.restricted import Along, Restricted

_FAR, _FAR_WITHOUT_WITHIN = 30.0, 16.0
_GROUPS = np.arange(-6.0, 6.1, 2.0)
"""Logarithms of a group's variance ratio that are tried first."""

MOST_ON_A_GRID = 2
"""Ratios of groups; more are drawn from about their estimates."""

_DRAWN, _WIDENED = 256, 1.4
"""How many of them, and by how many times wider than the estimates are known."""

_WIDER = 1.7
"""Over several ratios nodes stand so many times farther apart: sums are then right to a thousandth."""


@dataclass(frozen=True)
class Responses:
    """Which responses, and their places among those asked for: what the functions of the nodes take for their data."""

    rows: Codes
    place: Codes


@dataclass(frozen=True)
class Folder:
    """An earlier trial's restricted likelihood and the power it enters with."""

    likelihood: Restricted
    power: float


@dataclass(frozen=True)
class _Line:
    """One outer node: its likelihoods along the inner ratio, the nodes there, and their log prior less determinants."""

    own: Along
    others: tuple[Along, ...]
    ratio: Array
    base: Array
    outer: Array


@dataclass(frozen=True)
class _Plane:
    """A trial, the folders beside it, and the contrasts asked for, in units of R⁻¹."""

    own: Restricted
    folders: Sequence[Folder]
    L: Array

    @property
    def dof(self) -> float:
        """Degrees of freedom of all, each to its power."""
        return self.own.dof + sum(each.power * each.likelihood.dof for each in self.folders)

    @property
    def rest(self) -> float:
        """Those within the terms' levels."""
        beside = sum(each.power * float(each.likelihood.free.sum()) for each in self.folders)
        return float(self.own.free.sum()) + beside

    def eigenvalues(self, term: int) -> Array:
        """Return those of a term that tell its ratio: the trial's own, or where it has none the folders'."""
        for each in (self.own, *(folder.likelihood for folder in self.folders)):
            values = np.linalg.eigvalsh(each.V[term]) if each.V.shape[1] else np.zeros(0)
            values = values[values > TOUCH * each.sizes[term]]
            if len(values):
                return np.asarray(values)
        return np.ones(1)

    def most(self, term: int) -> float:
        """Burns of the largest level, anywhere."""
        return float(max(each.sizes[term] for each in (self.own, *(f.likelihood for f in self.folders))))

    def line(self, outer: Array, prior: float, x: Array) -> _Line | None:
        """Return the nodes along the inner ratio; None where V is not positive definite at its zero."""
        own = self.own.along(outer)
        others = tuple(each.likelihood.along(outer) for each in self.folders)
        if not (own.proper and all(each.proper for each in others)):
            return None
        ratio, density = np.zeros(1), np.zeros(1)
        if self.own.terms:
            inner = self.own.terms - 1
            d = own.d[own.d > 0]
            d = d if len(d) else self.eigenvalues(inner) / outer[self.own.terms :].max()
            most = max(
                self.most(inner) / outer[self.own.terms :].min(),
                *(a.d.max(initial=0) for a in (own, *others)),
            )
            axis = Axis(x, d, np.ones(len(d)), np.asarray(most))
            ratio, density = axis.ratio, axis.log_density()
        base = prior + density - 0.5 * own.determinant(ratio)
        for each, folder in zip(others, self.folders, strict=True):
            base = base - 0.5 * folder.power * each.determinant(ratio)
        v = own.variances(ratio, self.L)
        return _Line(own, others, ratio, np.where((v >= 0).all(axis=1), base, -np.inf), outer)

    def quadratic(self, line: _Line, rows: Codes | slice) -> Array:
        """Return Q (responses, ratios) of all."""
        Q = line.own.quadratic(line.ratio, rows)
        for each, folder in zip(line.others, self.folders, strict=True):
            Q = Q + folder.power * each.quadratic(line.ratio, rows if len(each.rss) > 1 else slice(None))
        return Q


def joint_nodes(
    own: Restricted,
    L: Array,
    folders: Sequence[Folder],
    rows: Codes,
    estimate: Array,
    bag: int | None,
    wide: float = 1.0,
) -> Nodes:
    """Return the nodes of a trial, with those of its groups' ratios and of earlier trials.

    Parameters
    ----------
    own
        With at most two random terms; all folders have the same terms and groups.
    L
        (contrasts, p).
    rows
        The responses that are to be averaged.
    estimate
        (groups,) burn variances of the one response, about which ratios of three groups and more are drawn.
    bag
        Place of the bags among the random terms.
    wide
        How many times farther apart than usual nodes stand.
    """
    plane = _Plane(own, folders, L @ own.back)
    groups, terms = len(own.free), own.terms
    outer_x, inner_x = _ranges(plane, rows, estimate)
    if groups - 1 + terms > 1:
        wide = max(wide, _WIDER)
    outer = _outer(plane, [_finer(x, i, plane, wide) for i, x in enumerate(outer_x)], estimate)
    inner = _finer(inner_x, len(outer_x), plane, wide) if terms else np.zeros(1)
    lines = [line for point, prior in outer if (line := plane.line(point, prior, inner)) is not None]
    ratios = [np.column_stack([np.full(len(line.ratio), line.outer[0]), line.ratio]) for line in lines]

    def shifts(part: Responses) -> Array:
        return np.concatenate([line.own.shifts(line.ratio, plane.L, part.rows) for line in lines], axis=1)

    return Nodes(
        np.concatenate(ratios)[:, 2 - terms :],
        np.concatenate([line.base for line in lines]),
        np.maximum(np.concatenate([line.own.variances(line.ratio, plane.L) for line in lines]), 1e-300),
        lambda part: np.concatenate([plane.quadratic(line, part.rows) for line in lines], axis=1),
        shifts,
        _floor(plane, bag),
        plane.dof,
        NEGLIGIBLE if len(lines) == 1 else NEGLIGIBLE_CROSSED,
    )


def _floor(plane: _Plane, bag: int | None) -> Callable[[Responses], tuple[Array, Array]]:
    """Bags that do not differ, and the other term at the ratio that then suits each response best."""
    own, folders = plane.own, plane.folders
    if bag is None or len(own.free) > 1:
        return no_floor
    points = np.zeros((len(OTHER) if bag == 1 else 1, len(own.V)))
    points[:, own.terms :] = 1.0
    if bag == 1:
        points[:, 0] = OTHER
    ratio = OTHER if own.terms == 2 and bag == 0 else np.zeros(1)
    lines = [
        _Line(own.along(phi), tuple(each.likelihood.along(phi) for each in folders), ratio, ratio, phi)
        for phi in points
    ]
    v = np.concatenate([line.own.variances(ratio, plane.L) for line in lines])
    logdet = np.concatenate([line.own.determinant(ratio) for line in lines])
    for place, folder in enumerate(folders):
        logdet = logdet + folder.power * np.concatenate(
            [line.others[place].determinant(ratio) for line in lines]
        )

    def floor(part: Responses) -> tuple[Array, Array]:
        within = own.rss[part.rows].sum(axis=1)
        for each in folders:
            rows = part.rows if len(each.likelihood.rss) > 1 else slice(None)
            within = within + each.power * each.likelihood.rss[rows].sum(axis=1)
        Q = np.concatenate([plane.quadratic(line, part.rows) for line in lines], axis=1)
        best = (plane.dof * np.log(Q) + logdet).argmin(axis=1)
        pooled = Q[np.arange(len(Q)), best] / plane.dof
        return least_errors(np.maximum(v[best], 0.0), pooled, within, plane.rest, plane.dof, plane.most(bag))

    return floor


def _finer(x: tuple[float, float], axis: int, plane: _Plane, wide: float) -> Array:
    groups = len(plane.own.free) - 1
    if axis < groups:
        return np.arange(x[0], x[1], 0.6 * wide)
    term = axis - groups if plane.own.terms == 2 else 0
    return steps(x[0], x[1], float(len(plane.eigenvalues(term))), plane.rest, wide)


def _ranges(
    plane: _Plane, rows: Codes, estimate: Array
) -> tuple[list[tuple[float, float]], tuple[float, float]]:
    """Return the ranges of the outer axes (groups, then the first of two terms) and of the inner one that matter."""
    own = plane.own
    single = own.terms == 1 and len(own.free) == 1
    far = 80.5 if single else _FAR if plane.rest > 0 else _FAR_WITHOUT_WITHIN
    coarse = np.arange(LEAST, far, 1.0 if single else 2.0)
    grid = len(own.free) - 1 <= MOST_ON_A_GRID
    axes = [_GROUPS] * (len(own.free) - 1 if grid else 0) + ([coarse] if own.terms == 2 else [])
    points = _outer(plane, axes, estimate)
    best = None
    for i, (point, prior) in enumerate(points):
        line = plane.line(point, prior, coarse)
        if line is not None:
            weight = line.base - 0.5 * plane.dof * np.log(plane.quadratic(line, rows))
            best = np.full((len(weight), len(points), weight.shape[1]), -np.inf) if best is None else best
            best[:, i] = weight
    assert best is not None, "some ratios are possible in every design"
    top = best.max(axis=(1, 2), keepdims=True)
    counts = (best > top - (NEGLIGIBLE if single else NEGLIGIBLE_CROSSED)).any(axis=0)
    shape = tuple(len(axis) for axis in axes) if grid else (len(points),)
    counted = counts.reshape(*shape, counts.shape[1])
    found = []
    for i, axis in enumerate([*axes, coarse] if own.terms else axes):
        if not grid and i < len(axes):
            continue
        place = np.flatnonzero(counted.any(axis=tuple(j for j in range(counted.ndim) if j != i)))
        found.append((float(axis[max(place[0] - 1, 0)]), float(axis[min(place[-1] + 1, len(axis) - 1)])))
    return (found[:-1], found[-1]) if own.terms else (found, (0.0, 0.0))


def _outer(plane: _Plane, axes: Sequence[Array], estimate: Array) -> list[tuple[Array, float]]:
    """Return the outer nodes: φ (c,) with the inner term's at 0, and their log prior densities."""
    own = plane.own
    c, terms, groups = len(own.V), own.terms, len(own.free)
    first = _first_term(plane, axes[-1]) if terms == 2 else [(0.0, 0.0)]
    found = []
    for logs, density in _groups(plane, axes[: groups - 1], estimate):
        for ratio, prior in first:
            phi = np.zeros(c)
            phi[terms:] = np.exp([0.0, *logs])
            if terms == 2:
                phi[0] = ratio
            found.append((phi, density + prior))
    return found


def _first_term(plane: _Plane, x: Array) -> list[tuple[float, float]]:
    own = plane.own
    d = plane.eigenvalues(0)
    values, E = np.linalg.eigh(own.V[1]) if own.V.shape[1] else (np.zeros(0), np.zeros((0, 0)))
    apart = E[:, values <= TOUCH * max(float(own.sizes[1]), 1.0)]
    held = np.linalg.eigvalsh(apart.T @ own.V[0] @ apart) if apart.shape[1] else np.zeros(0)
    held = held[held > TOUCH * d.max()]
    axis = Axis(x, d, np.ones(len(d)), np.asarray(plane.most(0)), held if len(held) else None)
    return list(zip(axis.ratio.tolist(), axis.log_density().tolist(), strict=True))


def _groups(plane: _Plane, axes: Sequence[Array], estimate: Array) -> list[tuple[tuple[float, ...], float]]:
    """Return logarithms of the groups' ratios and their log weights: a grid, or draws about the estimates."""
    groups = len(plane.own.free)
    if groups - 1 <= MOST_ON_A_GRID:
        return [(logs, 0.0) for logs in product(*(axis.tolist() for axis in axes))]
    own = plane.own
    df = np.maximum(np.array([np.trace(each) for each in own.V[own.terms :]]) + own.free - 1, 1.0)
    sd, centre = _WIDENED * np.sqrt(2 / df), np.log(np.maximum(estimate, 1e-6 * estimate.max()))
    root = 2.0
    for _ in range(60):  # of g^(groups + 1) = g + 1: multiples of its powers fill a cube evenly
        root = (1 + root) ** (1 / (groups + 1))
    cube = (0.5 + np.arange(1.0, _DRAWN + 1)[:, None] * root ** -np.arange(1.0, groups + 1)) % 1
    logs = centre + sd * special.ndtri(cube)
    off = (logs - centre)[:, 1:] - (logs - centre)[:, :1]
    inverse = np.linalg.inv(np.diag(sd[1:] ** 2) + sd[0] ** 2)
    density = 0.5 * np.vecdot(off @ inverse, off)
    return list(zip(map(tuple, (logs[:, 1:] - logs[:, :1]).tolist()), density.tolist(), strict=True))
