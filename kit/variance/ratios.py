"""Where a restricted likelihood is averaged: nodes over the variance ratios of one design.

A node holds what the design alone says: log prior density and log determinant, the variance of each contrast.
The responses enter through Q and the estimates. With λ = e^x/d̄ − 1/n_max the sums over equally spaced x are
trapezoid sums of smooth functions that vanish at both ends.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from kit.variance.columns import Array, Codes
from kit.variance.engines import NestedEngine
from kit.variance.nested import Rotated

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
        Responses to Q at each node: (responses, nodes).
    shifts
        Responses to what each node takes off L b_ols: (responses, nodes, contrasts).
    floor
        Responses to the standard error and degrees of freedom (responses, contrasts) that no interval falls short of.
    dof
        ν, with the degrees of freedom of a borrowed SD.
    negligible
        Log weight below the highest at which a node no longer counts.
    """

    ratios: Array
    base: Array
    v: Array
    quadratic: Callable[[Any], Array]
    shifts: Callable[[Any], Array]
    floor: Callable[[Any], tuple[Array, Array]]
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


def weigh(nodes: Nodes, data: Any) -> Weighted:
    """Return the normalised restricted likelihood times prior of every response."""
    Q = nodes.quadratic(data)
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


def nested_nodes(engine: NestedEngine, data: Rotated, L: Array, step: float = 1.0) -> Nodes:
    """Return the nodes of a design with one random term, over the range that these responses need.

    `step` counts in SDs of log F.
    """
    r = engine.rotation
    extra = 0.0 if engine.borrowed is None else engine.borrowed.df

    def at(x: Array) -> Axis:
        return Axis(x, r.all_d, r.all_count, np.asarray(r.sizes.max(), dtype=np.float64))

    def log_weight(axis: Axis) -> Array:
        Q = data.s0[:, None] + data.zz @ (1 / axis.inflation(r.all_d)).T
        return axis.log_density() - 0.5 * axis.log_determinant() - 0.5 * (r.nu + extra) * np.log(Q)

    coarse = np.arange(LEAST, 80.5)
    low, high = needed(log_weight(at(coarse)), coarse, NEGLIGIBLE)
    axis = at(steps(low, high, float(r.all_count.sum()), r.within_df + extra, step))
    w = 1 / axis.inflation(r.all_d)
    shrink, lifted = axis.ratio[:, None] * w[:, : len(r.d)], L @ r.G
    weight = 1 / (r.sizes * axis.inflation(r.sizes))
    least, a_bag, rest = variances(r.xx[None], L), r.n / float(r.class_count.sum()), r.within_df + extra

    def floor(part: Rotated) -> tuple[Array, Array]:
        return least_errors(least, part.total / (r.nu + extra), part.s0, rest, r.nu + extra, a_bag)

    return Nodes(
        axis.ratio[:, None],
        axis.log_density() - 0.5 * axis.log_determinant(),
        # X'V^-1X = (X'X within bags) + Σ x_b x_b'/(n(1 + λn))
        variances(r.within_xx + np.tensordot(weight, r.class_xx, axes=1), L),
        lambda part: part.s0[:, None] + part.zz @ w.T,
        lambda part: (part.z[:, None, :] * shrink) @ lifted.T,
        floor if engine.names[0] == "bag" else no_floor,
        r.nu + extra,
        NEGLIGIBLE,
    )


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


def no_floor(part: Any) -> tuple[Array, Array]:
    """Where no bag tells, nothing is held back."""
    return np.zeros((1, 1)), np.ones(1)


def steps(low: float, high: float, k: float, rest: float, wide: float = 1.0) -> Array:
    """Equal steps of `wide` SDs of log F on k and `rest` degrees of freedom: trapezoid error e^(−20/wide²)."""
    sd = np.sqrt(2 / k + 2 / rest) if rest > 0 else np.inf  # no burn is left within the terms' levels
    return np.arange(low, high, wide * min(_WIDEST_STEP, float(sd)))


def needed(log_weight: Array, x: Array, negligible: float) -> tuple[float, float]:
    """Return the range of x (last axis) outside which no response has weight."""
    highest = log_weight.max(axis=tuple(range(1, log_weight.ndim)), keepdims=True)
    counts = np.flatnonzero((log_weight > highest - negligible).reshape(-1, len(x)).any(axis=0))
    return float(x[max(counts[0] - 1, 0)]), float(x[min(counts[-1] + 1, len(x) - 1)])


def variances(information: Array, L: Array) -> Array:
    """L (X'V^-1X)^-1 L' diagonals: (nodes, contrasts).

    Far out on an axis one mean may be known 1e20 times better than another: each is inverted in its own units.
    """
    unit = 1 / np.sqrt(np.maximum(np.diagonal(information, axis1=1, axis2=2), 1e-300))
    units = unit[:, :, None] * unit[:, None]
    try:
        phi = np.linalg.inv(information * units) * units
    except np.linalg.LinAlgError:  # means that only bags tell apart, where bags tell nothing
        phi = np.linalg.pinv(information * units, hermitian=True) * units
    return np.asarray(np.maximum(np.array([np.vecdot(L @ each, L) for each in phi]), 1e-300))
