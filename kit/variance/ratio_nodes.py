"""Where a restricted likelihood is averaged: nodes over the variance ratios of one design.

A node holds what the design alone says: log prior density and log determinant, the variance of each contrast. The
responses enter through Q and the estimates. With λ = e^x/d̄ − 1/n_max the sums over equally spaced x are trapezoid
sums of smooth functions that vanish at both ends.

Over several ratios, outer nodes hold the ratios of burn variances of groups and, of two random terms, the one with
more levels; along the other's ratio the likelihood is diagonal (kit.variance.residual_space). An earlier trial's
likelihood, whose means are its own and are integrated out, enters to a power a ≤ 1 (Ibrahim & Chen 2000): log
determinants, quadratic forms and degrees of freedom add up. Prior densities are flat in the logarithm of a group's
ratio.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import product

import numpy as np
from scipy import special

from kit.variance.burn_arrays import Array, Codes, rows_of
from kit.variance.families import recurrent
from kit.variance.residual_space import Along, Residuals, Restricted, Space

NEGLIGIBLE = 18.0
NEGLIGIBLE_CROSSED = 12.0
"""Log weight below the highest at which a node no longer counts, on one axis and on two."""

TOUCH = 1e-9
LEAST = -8.0
"""Nearer to −1/n_max no node stands: bags that agree by chance, or by rounding, shall not make errors vanish."""

OTHER = np.concatenate([[0.0], np.logspace(-2, 3, 21)])
"""Ratios of another term that are tried where bags do not differ."""

_WIDEST_STEP = 0.6


@dataclass(frozen=True)
class Nodes:
    """Ratios at which conditional t distributions are taken.

    Attributes
    ----------
    ratios
        (nodes, terms) variances in units of the burn variance, in the engine's order; they may lie below zero.
    base
        (nodes,) log prior density less half the log determinant.
    v
        (nodes, contrasts) variance of an estimate in units of the burn variance.
    quadratic
        Places of responses, among those averaged, to Q at each node: (responses, nodes).
    shifts
        The same to what each node takes off L b_ols: (responses, nodes, contrasts).
    floor
        The same to the standard error and degrees of freedom (responses, contrasts) that no interval falls short of.
    dof
        ν, with the degrees of freedom of a borrowed SD.
    negligible
        Log weight below the highest at which a node no longer counts.
    """

    ratios: Array
    base: Array
    v: Array
    quadratic: Callable[[Codes], Array]
    shifts: Callable[[Codes], Array]
    floor: Callable[[Codes], tuple[Array, Array]]
    dof: float
    negligible: float


@dataclass(frozen=True)
class Weighted:
    """The nodes that count, one row a response and node.

    Attributes
    ----------
    starts, of, node
        First row of each response; the response and the node of each row.
    weight
        (rows,) summing to one over a response.
    Q
        (rows,) Q of that response at that node; given the ratios, Q/σ²_burn is χ² on `dof`.
    """

    starts: Codes
    of: Codes
    node: Codes
    weight: Array
    Q: Array
    dof: float

    def sum(self, rows: Array) -> Array:
        """Return weighted sums over each response's rows (rows, …)."""
        weight = self.weight.reshape(-1, *(1,) * (rows.ndim - 1))
        return np.asarray(np.add.reduceat(weight * rows, self.starts, axis=0))


def weigh(nodes: Nodes, place: Codes) -> Weighted:
    """Return the normalised restricted likelihood times prior of responses, by their places."""
    Q = nodes.quadratic(place)
    log_weight = nodes.base - 0.5 * nodes.dof * np.log(Q)
    log_weight -= log_weight.max(axis=1, keepdims=True)
    of, node = np.nonzero(log_weight > -nodes.negligible)
    starts = np.flatnonzero(np.diff(of, prepend=-1))
    weight = np.exp(log_weight[of, node])
    return Weighted(starts, of, node, weight / np.add.reduceat(weight, starts)[of], Q[of, node], nodes.dof)


@dataclass(frozen=True)
class Axis:
    """One ratio λ = e^x/d̄ − 1/most on equally spaced x, with 1 + λd kept exact where it nears zero.

    Leading dimensions (…) are axes side by side, one a value of another ratio.

    Attributes
    ----------
    x
        (nodes,).
    d, count
        (…, k) eigenvalues of the term on the residual space and their multiplicities; d̄ is their mean.
    most
        (…) λ > −1/most keeps V positive definite.
    held
        Eigenvalues that are left where the other term takes its share; None where there is no other.
    """

    x: Array
    d: Array
    count: Array
    most: Array
    held: Array | None = None

    @cached_property
    def above(self) -> Array:
        """λ + 1/most: (…, nodes)."""
        mean = (self.d * self.count).sum(axis=-1) / self.count.sum(axis=-1)
        return np.asarray(np.exp(self.x) / mean[..., None])

    @property
    def ratio(self) -> Array:
        """λ: (…, nodes)."""
        return np.asarray(self.above - 1 / self.most[..., None])

    def inflation(self, d: Array) -> Array:
        """Return 1 + λd: (…, nodes, d)."""
        left = 1 - d / self.most[..., None]
        left = np.where(np.abs(left) < TOUCH, 0.0, left)
        return np.asarray(left[..., None, :] + self.above[..., None] * d[..., None, :])

    def log_density(self) -> Array:
        """Return log π(λ) dλ/dx, π = (Σ √(d/(1 + λd)))² (1 + e^(−x))^(½(1 − d_max/most)): (…, nodes).

        The first factor is that of `held`, where there are any.
        """
        gap = np.maximum(0.0, 1 - self.d.max(axis=-1) / self.most)
        d, count = (self.d, self.count) if self.held is None else (self.held, np.ones(len(self.held)))
        pole = 2 * np.log((np.sqrt(d[..., None, :] / self.inflation(d)) * count[..., None, :]).sum(axis=-1))
        own = pole + 0.5 * gap[..., None] * np.log1p(np.exp(-self.x))
        return np.asarray(own + np.log(self.above))

    def log_determinant(self) -> Array:
        """Return Σ log(1 + λd): (…, nodes)."""
        return np.asarray((np.log(self.inflation(self.d)) * self.count[..., None, :]).sum(axis=-1))


def least_errors(
    v: Array, pooled: Array, within: Array, rest: float, dof: float, a_bag: float
) -> tuple[Array, Array]:
    """Return the standard errors (responses, contrasts) that no interval falls short of, and their `dof`.

    They are those of burns whose bags do not differ. Where bags agree better than their burns can and have more than
    two burns each, the burns' own mean square counts instead by a share of n/2 − 1, one at the most: intervals then
    hold in about nine trials of ten, however well the bags agree (tests/simulate).

    Parameters
    ----------
    v
        (1 or responses, contrasts) variances where bags do not differ, in units of the burn variance.
    pooled
        (responses,) the burn variance there, on `dof`.
    within
        (responses,) sum of squares within the terms' levels, on `rest` degrees of freedom.
    a_bag
        Burns a bag, n.
    """
    if rest > 0:
        pooled = pooled + min(1.0, max(0.0, a_bag / 2 - 1)) * np.maximum(within / rest - pooled, 0.0)
    return np.sqrt(v * pooled[:, None]), np.asarray(dof)


def no_floor(rows: Codes) -> tuple[Array, Array]:
    """Where no bag tells, nothing is held back."""
    return np.zeros((1, 1)), np.ones(1)


def steps(low: float, high: float, k: float, rest: float, wide: float = 1.0) -> Array:
    """Equal steps of `wide` SDs of log F on k and `rest` degrees of freedom: trapezoid error e^(−20/wide²)."""
    sd = np.sqrt(2 / k + 2 / rest) if rest > 0 else np.inf  # no burn is left within the terms' levels
    return np.arange(low, high, wide * min(_WIDEST_STEP, float(sd)))


_FAR, _FAR_WITHOUT_WITHIN = 30.0, 16.0
"""Where the axes end, x = log λd̄ about: where no burns are left within the terms' levels nothing bounds the ratios,
and beyond this a burn variance is none in comparison."""

_GROUPS = np.arange(-6.0, 6.1, 2.0)
"""Logarithms of a group's variance ratio that are tried first."""

MOST_ON_A_GRID = 2
"""Ratios of groups; more are drawn from about their estimates."""

_DRAWN, _WIDENED = 256, 1.4
"""How many of them, and by how many times wider than the estimates are known."""

_WIDER = 1.7
"""Over several ratios nodes stand so many times farther apart: sums are then right to a thousandth."""


@dataclass(frozen=True)
class Folder:
    """An earlier trial's restricted likelihood and the power it enters with."""

    likelihood: Restricted
    power: float

    def data(self, rows: Codes) -> Residuals:
        """Return the responses that stand beside these."""
        data = self.likelihood.data
        return rows_of(data, rows) if len(data.rss) > 1 else data


@dataclass(frozen=True)
class _Lines:
    """Outer nodes: the likelihoods along the inner ratio, the nodes there (o, i), log prior less half determinants.

    Last the contrasts' variances (o, i, contrasts).
    """

    own: Along
    others: tuple[Along, ...]
    ratio: Array
    base: Array
    v: Array


@dataclass(frozen=True)
class _Plane:
    """A trial, the folders beside it, and the contrasts asked for, in units of R⁻¹."""

    own: Restricted
    folders: Sequence[Folder]
    L: Array

    @property
    def everyone(self) -> list[Restricted]:
        """All likelihoods, the trial's own first."""
        return [self.own, *(each.likelihood for each in self.folders)]

    @property
    def dof(self) -> float:
        """Degrees of freedom of all, each to its power."""
        return self.own.space.dof + sum(each.power * each.likelihood.space.dof for each in self.folders)

    @property
    def rest(self) -> float:
        """Those within the terms' levels."""
        beside = sum(each.power * float(each.likelihood.space.free.sum()) for each in self.folders)
        return float(self.own.space.free.sum()) + beside

    @property
    def on_a_grid(self) -> int:
        """How many ratios of groups have an axis each: none where they are too many, and drawn."""
        groups = self.own.space.groups - 1
        return groups if groups <= MOST_ON_A_GRID else 0

    def eigenvalues(self, term: int) -> Array:
        """Return those of a term that tell its ratio: the trial's own, or where it has none the folders'."""
        found = (each.space.eigenvalues(term) for each in self.everyone)
        return next((values for values in found if len(values)), np.ones(1))

    def most(self, term: int) -> float:
        """Burns of the largest level, anywhere."""
        return max(float(each.space.sizes(term).max()) for each in self.everyone)

    def lines(self, outer: Array, prior: Array, x: Array) -> _Lines:
        """Return the nodes along the inner ratio of outer ones (o, c); they have no weight where V is not positive."""
        own, *others = (each.space.along(outer) for each in self.everyone)
        terms, groups = self.own.space.terms, outer[:, self.own.space.terms :]
        ratio, density = np.zeros((len(outer), 1)), np.zeros((len(outer), 1))
        if terms:
            d, count = own.d, (own.d > 0).astype(np.float64)
            if not count.any():
                d = self.eigenvalues(terms - 1) / groups.max(axis=1)[:, None]
                count = np.ones(d.shape)
            poles = [each.space.pole(outer) for each in self.everyone]
            ends = [each.d.max(axis=1, initial=0.0) for each in (own, *others)]
            axis = Axis(x, d, np.maximum(count, 1e-9), np.max([*poles, *ends], axis=0))
            ratio, density = axis.ratio, axis.log_density()
        base = prior[:, None] + density - 0.5 * own.determinant(ratio)
        for each, folder in zip(others, self.folders, strict=True):
            base = base - 0.5 * folder.power * each.determinant(ratio)
        v = own.variances(ratio, self.L)
        return _Lines(
            own, tuple(others), ratio, np.where((v >= 0).all(axis=2), base, -np.inf), np.maximum(v, 1e-300)
        )

    def quadratic(self, lines: _Lines, rows: Codes) -> Array:
        """Return Q (responses, outer, inner) of all."""
        Q = lines.own.quadratic(rows_of(self.own.data, rows), lines.ratio)
        for each, folder in zip(lines.others, self.folders, strict=True):
            Q = Q + folder.power * each.quadratic(folder.data(rows), lines.ratio)
        return Q


def joint_nodes(
    own: Restricted,
    L: Array,
    folders: Sequence[Folder],
    rows: Codes,
    estimate: Array,
    bag: int | None,
    fine: Sequence[float],
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
    fine
        How many times farther apart than usual nodes of each random term stand.
    """
    plane, terms = _Plane(own, folders, L @ own.space.back), own.space.terms
    outer_x, inner_x = _ranges(plane, rows, estimate)
    groups = own.space.groups
    wide = _WIDER if groups - 1 + terms > 1 and (folders or groups > 1) else 1.0
    finer = [1.0] * plane.on_a_grid + [*fine]
    outer, prior = _outer(
        plane, [_finer(x, i, plane, wide * finer[i]) for i, x in enumerate(outer_x)], estimate
    )
    inner = _finer(inner_x, len(outer_x), plane, wide * finer[-1]) if terms else np.zeros(1)
    lines = plane.lines(outer, prior, inner)
    ratios = np.stack(np.broadcast_arrays(outer[:, :1], lines.ratio), axis=2)
    flat = len(outer) * lines.ratio.shape[1]

    floor = _floor(plane, bag)

    def shifts(place: Codes) -> Array:
        found = lines.own.shifts(rows_of(own.data, rows[place]), lines.ratio, plane.L)
        return found.reshape(len(place), flat, len(L))

    return Nodes(
        ratios.reshape(flat, 2)[:, 2 - terms :],
        lines.base.ravel(),
        lines.v.reshape(flat, len(L)),
        lambda place: plane.quadratic(lines, rows[place]).reshape(len(place), flat),
        shifts,
        lambda place: floor(rows[place]),
        plane.dof,
        NEGLIGIBLE if len(outer) == 1 else NEGLIGIBLE_CROSSED,
    )


def _floor(plane: _Plane, bag: int | None) -> Callable[[Codes], tuple[Array, Array]]:
    """Bags that do not differ, and the other term at the ratio that then suits each response best."""
    own, folders = plane.own, plane.folders
    if bag is None or own.space.groups > 1:
        return no_floor
    points = np.zeros((len(OTHER) if bag == 1 else 1, own.space.terms + 1))
    points[:, own.space.terms :] = 1.0
    if bag == 1:
        points[:, 0] = OTHER
    ratio = (OTHER if own.space.terms == 2 and bag == 0 else np.zeros(1))[None]
    along, *others = (each.space.along(points) for each in plane.everyone)
    lines = _Lines(along, tuple(others), ratio, ratio, along.variances(ratio, plane.L))
    v = lines.v.reshape(-1, len(plane.L))
    logdet = along.determinant(ratio).ravel()
    for each, folder in zip(others, folders, strict=True):
        logdet = logdet + folder.power * each.determinant(ratio).ravel()

    a_bag = float(np.concatenate([each.space.sizes(bag) for each in plane.everyone]).mean())

    def floor(rows: Codes) -> tuple[Array, Array]:
        within = own.data.rss[rows].sum(axis=1)
        for each in folders:
            within = within + each.power * each.data(rows).rss.sum(axis=1)
        Q = plane.quadratic(lines, rows).reshape(len(rows), -1)
        best = (plane.dof * np.log(Q) + logdet).argmin(axis=1)
        pooled = Q[np.arange(len(Q)), best] / plane.dof
        return least_errors(np.maximum(v[best], 0.0), pooled, within, plane.rest, plane.dof, a_bag)

    return floor


def _finer(x: tuple[float, float], axis: int, plane: _Plane, wide: float) -> Array:
    if axis < plane.on_a_grid:
        return np.arange(x[0], x[1], 0.6 * wide)
    term = axis - plane.on_a_grid if plane.own.space.terms == 2 else 0
    return steps(x[0], x[1], float(len(plane.eigenvalues(term))), plane.rest, wide)


def _ranges(
    plane: _Plane, rows: Codes, estimate: Array
) -> tuple[list[tuple[float, float]], tuple[float, float]]:
    """Return the ranges of the outer axes (groups, then the first of two terms) and of the inner one that matter."""
    own, terms = plane.own, plane.own.space.terms
    single = terms == 1 and own.space.groups == 1
    far = 80.5 if single else _FAR if plane.rest > 0 else _FAR_WITHOUT_WITHIN
    coarse = np.arange(LEAST, far, 1.0 if single else 2.0)
    axes = [_GROUPS] * plane.on_a_grid + ([coarse] if terms == 2 else [])
    lines = plane.lines(*_outer(plane, axes, estimate), coarse)
    weight = lines.base - 0.5 * plane.dof * np.log(plane.quadratic(lines, rows))
    top = weight.max(axis=(1, 2), keepdims=True)
    counts = (weight > top - (NEGLIGIBLE if single else NEGLIGIBLE_CROSSED)).any(axis=0)
    counted = counts.reshape(-1, *map(len, axes), counts.shape[1])  # drawn ones first
    found = []
    for i, axis in enumerate([*axes, coarse] if terms else axes, start=1):
        place = np.flatnonzero(counted.any(axis=tuple(j for j in range(counted.ndim) if j != i)))
        found.append((float(axis[max(place[0] - 1, 0)]), float(axis[min(place[-1] + 1, len(axis) - 1)])))
    return (found[:-1], found[-1]) if terms else (found, (0.0, 0.0))


def _outer(plane: _Plane, axes: Sequence[Array], estimate: Array) -> tuple[Array, Array]:
    """Return the outer nodes: φ (o, c) with the inner term's at 0, and their log prior densities (o,)."""
    terms, groups = plane.own.space.terms, plane.own.space.groups
    first = _first_term(plane, axes[-1]) if terms == 2 else [(0.0, 0.0)]
    logs, density = _groups(plane, axes[: groups - 1], estimate)
    points = np.zeros((len(logs), len(first), terms + groups))
    points[:, :, terms + 1 :] = logs[:, None]
    points[:, :, terms:] = np.exp(points[:, :, terms:])
    ratio, prior = np.array(first).T
    if terms == 2:
        points[:, :, 0] = ratio
    return points.reshape(-1, terms + groups), (density[:, None] + prior).ravel()


def _first_term(plane: _Plane, x: Array) -> list[tuple[float, float]]:
    own, d = plane.own.space, plane.eigenvalues(0)
    assert isinstance(own, Space)
    values, E = np.linalg.eigh(own.residual[1])
    apart = E[:, values <= TOUCH * max(float(own.sizes(1).max()), 1.0)]
    held = np.linalg.eigvalsh(apart.T @ own.residual[0] @ apart)
    held = held[held > TOUCH * d.max()]
    axis = Axis(x, d, np.ones(len(d)), np.asarray(plane.most(0)), held if len(held) else None)
    return list(zip(axis.ratio.tolist(), axis.log_density().tolist(), strict=True))


def _groups(plane: _Plane, axes: Sequence[Array], estimate: Array) -> tuple[Array, Array]:
    """Return log ratios of the groups (nodes, groups − 1) and their log weights: a grid, or drawn about estimates."""
    own, groups = plane.own.space, plane.own.space.groups
    if groups - 1 <= MOST_ON_A_GRID:
        grid = list(product(*axes))
        return np.reshape(grid, (len(grid), groups - 1)), np.zeros(len(grid))
    assert isinstance(own, Space)
    df = np.maximum(np.trace(own.residual[own.terms :], axis1=1, axis2=2) + own.free - 1, 1.0)
    sd, centre = _WIDENED * np.sqrt(2 / df), np.log(np.maximum(estimate, 1e-6 * estimate.max()))
    logs = centre + sd * special.ndtri(recurrent(groups, _DRAWN))
    off = (logs - centre)[:, 1:] - (logs - centre)[:, :1]
    inverse = np.linalg.inv(np.diag(sd[1:] ** 2) + sd[0] ** 2)
    return logs[:, 1:] - logs[:, :1], 0.5 * np.vecdot(off @ inverse, off)
