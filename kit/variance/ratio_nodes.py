"""Where restricted likelihoods are averaged: nodes over the variance ratios of one design.

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

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import compress, product

import numpy as np
from scipy import special

from kit.variance.burn_arrays import Array, Codes, Mask
from kit.variance.engine import Restricted
from kit.variance.families import recurrent
from kit.variance.residual_space import Along, Space, grid_of

NEGLIGIBLE, NEGLIGIBLE_CROSSED = 18.0, 12.0
"""Log weight below the highest at which a node no longer counts, on one axis and on two."""

TOUCH = 1e-9
LEAST = -8.0
"""Nearer to −1/n_max no node stands: bags that agree by chance, or by rounding, shall not make errors vanish."""

OTHER = np.concatenate([[0.0], np.logspace(-2, 3, 21)])
"""Ratios of another term that are tried where bags do not differ."""

AT_ONCE = 500_000
"""Elements of an array of nodes and responses."""

_WIDEST_STEP = 0.6

_FAR_ALONE, _FAR, _FAR_WITHOUT_WITHIN = 80.5, 30.0, 16.0
"""Where the axes end, x = log λd̄ about: a single one, others, and where no burns are left within the terms' levels, so
that nothing bounds the ratios: beyond it a burn variance is none in comparison."""

_GROUPS = np.arange(-6.0, 6.1, 2.0)
"""Logarithms of a group's variance ratio that are tried first."""

MOST_ON_A_GRID = 2
"""Ratios of groups; more are drawn from about their estimates."""

_DRAWN, _WIDENED = 256, 1.4
"""How many of them, and by how many times wider than the estimates are known."""

_WIDER = 1.7
"""Over several ratios nodes stand so many times farther apart: sums are then right to a thousandth."""


Rows = Codes | slice
"""Some of the responses."""


@dataclass(frozen=True)
class Joint:
    """The restricted likelihood of a trial and those of earlier ones, over the ratios of the same variances.

    Attributes
    ----------
    own
        The trial's, with at most two random terms.
    names
        Of the random terms.
    folders, powers
        Of earlier trials, and the power each enters with.
    """

    own: Restricted
    names: tuple[str, ...] = ()
    folders: Sequence[Restricted] = ()
    powers: Sequence[float] = ()

    @property
    def everyone(self) -> list[tuple[float, Restricted]]:
        """Power and likelihood of all, the trial's own first."""
        return [(1.0, self.own), *zip(self.powers, self.folders, strict=True)]

    @property
    def dof(self) -> float:
        """Degrees of freedom of all, each to its power."""
        return sum(power * each.space.dof for power, each in self.everyone)

    @property
    def rest(self) -> float:
        """Those within the terms' levels."""
        return sum(power * float(each.space.free.sum()) for power, each in self.everyone)

    @property
    def on_a_grid(self) -> int:
        """How many ratios of groups have an axis each: none where they are too many, and drawn."""
        groups = self.own.space.groups - 1
        return groups if groups <= MOST_ON_A_GRID else 0

    def of(self, folders: Sequence[bool] | Mask) -> Joint:
        """Return the likelihood of the trial and of some of the earlier ones."""
        kept = list(compress(self.folders, folders))
        return replace(self, folders=kept, powers=list(compress(self.powers, folders)))

    def of_responses(self, rows: Codes) -> Joint:
        """Return the likelihood of some of the responses."""
        own, *folders = (replace(each, data=each.of(rows)) for _, each in self.everyone)
        return replace(self, own=own, folders=folders)

    def without(self, name: str) -> Joint:
        """Return the likelihoods as if the levels of one term did not differ."""
        place = self.names.index(name)
        names = self.names[:place] + self.names[place + 1 :]
        return Joint(
            self.own.without(place), names, [each.without(place) for each in self.folders], self.powers
        )

    def eigenvalues(self, term: int) -> Array:
        """Return those of a term that tell its ratio: the trial's own, or where it has none the folders'."""
        found = (each.space.eigenvalues(term) for _, each in self.everyone)
        return next((values for values in found if len(values)), np.ones(1))

    def along(self, outer: Array) -> list[Along]:
        """Return all along the inner ratio at outer points (o, c)."""
        return [each.space.along(outer) for _, each in self.everyone]

    def determinant(self, lines: Sequence[Along], ratio: Array) -> Array:
        """Return the log determinant (outer, inner) of all."""
        parts = zip(self.everyone, lines, strict=True)
        return np.asarray(sum(power * line.determinant(ratio) for (power, _), line in parts))

    def quadratic(self, lines: Sequence[Along], ratio: Array, rows: Rows = slice(None)) -> Array:
        """Return Q (responses, outer, inner) of all."""
        parts = zip(self.everyone, self.quadratics(lines, ratio, rows), strict=True)
        return np.asarray(sum(power * Q for (power, _), Q in parts))

    def quadratics(self, lines: Sequence[Along], ratio: Array, rows: Rows = slice(None)) -> list[Array]:
        """Return Q (responses or 1, outer, inner) of each."""
        parts = zip(self.everyone, lines, strict=True)
        return [line.quadratic(each.of(rows), ratio) for (_, each), line in parts]


@dataclass(frozen=True)
class Nodes:
    """Ratios at which conditional t distributions are taken.

    Attributes
    ----------
    joint, L
        The likelihoods, and (contrasts, p) in units of R⁻¹.
    lines, inner
        The likelihoods along the inner ratio, and its nodes (outer or 1, inner).
    ratios
        (nodes, terms) variances in units of the burn variance, in the engine's order; they may lie below zero.
    base
        (nodes,) log prior density less half the log determinant.
    v
        (nodes, contrasts) variance of an estimate in units of the burn variance.
    floor
        Standard error and degrees of freedom (responses, contrasts or 1) that no interval falls short of; nothing where
        no bag tells.
    """

    joint: Joint
    L: Array
    lines: Sequence[Along]
    inner: Array
    ratios: Array
    base: Array
    v: Array
    floor: tuple[Array, Array]

    def passes(self, elements: int) -> list[Codes]:
        """Return places of the responses in parts, so that an array of so many elements a response is not too long."""
        responses = len(self.joint.own.data.z)
        return np.array_split(np.arange(responses), -(-responses // max(1, AT_ONCE // max(1, elements))))

    def log_weights(self, rows: Rows) -> tuple[Array, Array, Mask]:
        """Return Q, log of restricted likelihood times prior less its highest, and which count (responses, nodes)."""
        Q = self.joint.quadratic(self.lines, self.inner, rows).reshape(-1, len(self.base))
        found = self.base - 0.5 * self.joint.dof * np.log(Q)
        found -= found.max(axis=1, keepdims=True)
        return Q, found, found > -(NEGLIGIBLE if len(self.lines[0].d) == 1 else NEGLIGIBLE_CROSSED)

    def shifts(self, rows: Codes) -> Array:
        """Return what each node takes off L b_ols: (responses, nodes, contrasts)."""
        found = self.lines[0].shifts(self.joint.own.of(rows), self.inner, self.L)
        return found.reshape(len(rows), -1, len(self.L))


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


def weigh(nodes: Nodes, rows: Codes) -> Weighted:
    """Return the normalised restricted likelihood times prior of responses."""
    Q, log_weight, counts = nodes.log_weights(rows)
    of, node = np.nonzero(counts)
    starts = np.flatnonzero(np.diff(of, prepend=-1))
    weight = np.exp(log_weight[of, node])
    share = weight / np.add.reduceat(weight, starts)[of]
    return Weighted(starts, of, node, share, Q[of, node], nodes.joint.dof)


def joint_nodes(joint: Joint, L: Array, estimate: Array, fine: Sequence[float]) -> Nodes:
    """Return the nodes of a trial, with those of its groups' ratios and of earlier trials.

    Parameters
    ----------
    L
        (contrasts, p).
    estimate
        (groups,) burn variances of the one response, about which ratios of three groups and more are drawn.
    fine
        How many times farther apart than usual nodes of each random term stand.
    """
    space = joint.own.space
    L, terms = L @ space.back, space.terms
    wide = _WIDER if space.groups - 1 + terms > 1 and (joint.folders or space.groups > 1) else 1.0
    closer = [1.0] * joint.on_a_grid + [*fine]
    ranges = enumerate(_ranges(joint, L, estimate))
    axes = [np.arange(low, high, wide * closer[i] * _step(joint, i)) for i, (low, high) in ranges]
    nodes = _nodes(joint, L, axes, estimate)
    if "bag" not in joint.names or space.groups > 1:
        return nodes
    return replace(nodes, floor=_floor(joint, L))


def _step(joint: Joint, axis: int) -> float:
    """SD of log F on the degrees of freedom of a term and of burns: with steps of w SDs the error is e^(−20/w²)."""
    place, rest = axis - joint.on_a_grid, joint.rest
    if place < 0 or rest <= 0:  # of groups, or no burn is left within the terms' levels
        return _WIDEST_STEP
    sd = np.sqrt(2 / len(joint.eigenvalues(place)) + 2 / rest)
    return min(_WIDEST_STEP, float(sd))


def _ranges(joint: Joint, L: Array, estimate: Array) -> list[tuple[float, float]]:
    """Return the ranges that matter: of groups, then of the terms."""
    space = joint.own.space
    single = space.terms == 1 and space.groups == 1
    far = _FAR_ALONE if single else _FAR if joint.rest > 0 else _FAR_WITHOUT_WITHIN
    coarse = np.arange(LEAST, far, 1.0 if single else 2.0)
    axes = [_GROUPS] * joint.on_a_grid + [coarse] * space.terms
    counts = _nodes(joint, L, axes, estimate).log_weights(slice(None))[2].any(axis=0)
    counted = counts.reshape(-1, *map(len, axes))  # drawn ones first
    found = []
    for i, axis in enumerate(axes, start=1):
        place = np.flatnonzero(counted.any(axis=tuple(j for j in range(counted.ndim) if j != i)))
        found.append((float(axis[max(place[0] - 1, 0)]), float(axis[min(place[-1] + 1, len(axis) - 1)])))
    return found


def _nodes(joint: Joint, L: Array, axes: Sequence[Array], estimate: Array) -> Nodes:
    """Return nodes on axes of x: of groups, then of the terms; they have no weight where V is not positive definite."""
    terms = joint.own.space.terms
    outer, prior = _outer(joint, axes, estimate)
    lines = joint.along(outer)
    ratio = density = np.zeros((len(outer), 1))
    if terms:
        d = lines[0].d
        if not d.any():
            d = joint.eigenvalues(terms - 1) / outer[:, terms:].max(axis=1)[:, None]
        ends = [each.space.pole(outer) for _, each in joint.everyone]
        ends += [line.d.max(axis=1, initial=0.0) for line in lines]
        ratio, density = _axis(axes[-1], d, np.max(ends, axis=0), d)
    base = prior[:, None] + density - 0.5 * joint.determinant(lines, ratio)
    v = lines[0].variances(ratio, L)
    base, v = np.where((v >= 0).all(axis=2), base, -np.inf), np.maximum(v, 1e-300)
    ratios = np.stack(np.broadcast_arrays(outer[:, :1], ratio), axis=2).reshape(-1, 2)[:, 2 - terms :]
    nothing = np.zeros((len(joint.own.data.z), 1)), np.ones((len(joint.own.data.z), 1))
    return Nodes(joint, L, lines, ratio, ratios, base.ravel(), v.reshape(-1, len(L)), nothing)


def _axis(x: Array, d: Array, most: Array, held: Array) -> tuple[Array, Array]:
    """Return λ = e^x/d̄ − 1/most and log π(λ) dλ/dx, (…, nodes) each, on equally spaced x (nodes,).

    π = (Σ √(d/(1 + λd)))² (1 + e^(−x))^(½(1 − d_max/most)), the first factor that of `held`; 1 + λd is kept exact where
    it nears zero. Leading dimensions (…) are axes side by side, one a value of another ratio.

    Parameters
    ----------
    d
        (…, k) eigenvalues of the term on the residual space, those that are not zero; d̄ is their mean.
    most
        (…) λ > −1/most keeps V positive definite.
    held
        (…, j) eigenvalues that are left where another term takes its share.
    """
    most = most[..., None]
    above = np.exp(x) * np.count_nonzero(d, axis=-1)[..., None] / d.sum(axis=-1)[..., None]
    left = 1 - held / most
    left = np.where(np.abs(left) < TOUCH, 0.0, left)
    inflation = left[..., None, :] + above[..., None] * held[..., None, :]
    pole = 2 * np.log(np.sqrt(held[..., None, :] / inflation).sum(axis=-1))
    gap = np.maximum(0.0, 1 - d.max(axis=-1, keepdims=True) / most)
    return above - 1 / most, pole + 0.5 * gap * np.log1p(np.exp(-x)) + np.log(above)


def _outer(joint: Joint, axes: Sequence[Array], estimate: Array) -> tuple[Array, Array]:
    """Return the outer nodes: φ (o, c) with the inner term's at 0, and their log prior densities (o,).

    Log ratios of the groups are on a grid, or drawn about estimates and weighted.
    """
    own, terms, groups = joint.own.space, joint.own.space.terms, joint.own.space.groups
    first, prior = _first_term(joint, axes[-2]) if terms == 2 else (np.zeros(1), np.zeros(1))
    if groups - 1 <= MOST_ON_A_GRID:
        logs = np.array(list(product(*axes[: groups - 1])))
        density = np.zeros(len(logs))
    else:
        assert isinstance(own, Space)
        df = np.maximum(np.trace(own.residual[own.terms :], axis1=1, axis2=2) + own.free - 1, 1.0)
        sd, centre = _WIDENED * np.sqrt(2 / df), np.log(np.maximum(estimate, 1e-6 * estimate.max()))
        drawn = centre + sd * special.ndtri(recurrent(groups, _DRAWN))
        off = (drawn - centre)[:, 1:] - (drawn - centre)[:, :1]
        inverse = np.linalg.inv(np.diag(sd[1:] ** 2) + sd[0] ** 2)
        logs, density = drawn[:, 1:] - drawn[:, :1], 0.5 * np.vecdot(off @ inverse, off)
    points = np.zeros((len(logs), len(first), terms + groups))
    points[:, :, terms + 1 :] = logs[:, None]
    points[:, :, terms:] = np.exp(points[:, :, terms:])
    if terms == 2:  # beside the steadiest group's burns, whichever group is named first
        points[:, :, 0] = first * points[:, :, terms:].min(axis=2)
    return points.reshape(-1, terms + groups), (density[:, None] + prior).ravel()


def _first_term(joint: Joint, x: Array) -> tuple[Array, Array]:
    """Return ratios of the first of two terms and their log prior densities: that of what is left within the other."""
    own, d = joint.own.space, joint.eigenvalues(0)
    assert isinstance(own, Space)
    values, E = np.linalg.eigh(own.residual[1])
    apart = E[:, values <= TOUCH * max(float(own.sizes(1).max()), 1.0)]
    held = np.linalg.eigvalsh(apart.T @ own.residual[0] @ apart)
    held = held[held > TOUCH * d.max()]
    most = max(float(each.space.sizes(0).max()) for _, each in joint.everyone)
    return _axis(x, d, np.asarray(most), held if len(held) else d)


def _floor(joint: Joint, L: Array) -> tuple[Array, Array]:
    """Return the standard errors (responses, contrasts) that no interval falls short of, and their degrees of freedom.

    They are those of burns whose bags do not differ, the other term at the ratio that then suits each response best.
    Where bags agree better than their burns can and have n > 2 burns each, the burns' own mean square counts instead
    by a share of n/2 − 1, one at the most: intervals then hold in about nine trials of ten, however well the bags agree
    (tests/simulate).
    """
    space, dof, rest = joint.own.space, joint.dof, joint.rest
    bag = joint.names.index("bag")
    outer, ratio = grid_of([np.zeros(1) if i == bag else OTHER for i in range(space.terms)], np.ones(1))
    lines = joint.along(outer)
    Q = joint.quadratic(lines, ratio)
    Q = Q.reshape(len(Q), -1)
    best = (dof * np.log(Q) + joint.determinant(lines, ratio).ravel()).argmin(axis=1)
    v = np.maximum(lines[0].variances(ratio, L).reshape(-1, len(L))[best], 0.0)
    pooled = Q[np.arange(len(Q)), best] / dof
    if rest > 0:
        within = np.asarray(sum(power * each.data.rss.sum(axis=1) for power, each in joint.everyone))
        burns = float(np.concatenate([each.space.sizes(bag) for _, each in joint.everyone]).mean())
        share = min(1.0, max(0.0, burns / 2 - 1))
        pooled = pooled + share * np.maximum(within / rest - pooled, 0.0)
    return np.sqrt(v * pooled[:, None]), np.full((len(Q), 1), dof)
