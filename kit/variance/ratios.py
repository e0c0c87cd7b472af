"""Where a restricted likelihood is averaged: nodes over the variance ratios of one design.

A node holds what the design alone says: log prior density and log determinant, the variance of each contrast.
The responses enter through Q and the estimates. With λ = e^x/d̄ − 1/n_max the sums over equally spaced x are
trapezoid sums of smooth functions that vanish at both ends.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from kit.variance.columns import Array, Codes
from kit.variance.crossed import CrossedData, Crossing
from kit.variance.engines import CrossedEngine, NestedEngine
from kit.variance.nested import Rotated

NEGLIGIBLE = 18.0
NEGLIGIBLE_CROSSED = 12.0
"""Log weight below the highest at which a node no longer counts, on one axis and on two."""

_TOUCH = 1e-9
_LEAST = -8.0
"""Nearer to −1/n_max no node stands: bags that agree by chance, or by rounding, shall not make errors vanish."""

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

    Attributes
    ----------
    x
        (nodes,).
    d, count
        Eigenvalues of the term on the residual space and their multiplicities; d̄ is their mean.
    most
        λ > −1/most keeps V positive definite.
    held
        Eigenvalues that are left where the other term takes its share; None where there is no other.
    """

    x: Array
    d: Array
    count: Array
    most: float
    held: Array | None = None

    @property
    def above(self) -> Array:
        """λ + 1/most."""
        return np.asarray(np.exp(self.x) * self.count.sum() / (self.d @ self.count))

    @property
    def ratio(self) -> Array:
        """λ."""
        return np.asarray(self.above - 1 / self.most)

    def inflation(self, d: Array) -> Array:
        """Return 1 + λd: (nodes, d)."""
        left = 1 - d / self.most
        return np.asarray(np.where(np.abs(left) < _TOUCH, 0.0, left) + self.above[:, None] * d)

    def log_density(self) -> Array:
        """Return log π(λ) dλ/dx, π = (Σ √(d/(1 + λd)))² (1 + e^(−x))^(½(1 − d_max/most)).

        The first factor is that of `held`, where there are any.
        """
        gap = max(0.0, 1 - float(self.d.max()) / self.most)
        d, count = (self.d, self.count) if self.held is None else (self.held, np.ones(len(self.held)))
        pole = 2 * np.log(np.sqrt(d / self.inflation(d)) @ count)
        own = pole + 0.5 * gap * np.log1p(np.exp(-self.x))
        return np.asarray(own + np.log(self.above))

    def log_determinant(self) -> Array:
        """Return Σ log(1 + λd)."""
        return np.asarray(np.log(self.inflation(self.d)) @ self.count)


def nested_nodes(engine: NestedEngine, data: Rotated, L: Array, step: float = 1.0) -> Nodes:
    """Return the nodes of a design with one random term, over the range that these responses need.

    `step` counts in SDs of log F.
    """
    r = engine.rotation
    extra = 0.0 if engine.borrowed is None else engine.borrowed.df

    def at(x: Array) -> Axis:
        return Axis(x, r.all_d, r.all_count, float(r.sizes.max()))

    def log_weight(axis: Axis) -> Array:
        Q = data.s0[:, None] + data.zz @ (1 / axis.inflation(r.all_d)).T
        return axis.log_density() - 0.5 * axis.log_determinant() - 0.5 * (r.nu + extra) * np.log(Q)

    coarse = np.arange(_LEAST, 80.5)
    low, high = _needed(log_weight(at(coarse)), coarse, NEGLIGIBLE)
    axis = at(_steps(low, high, float(r.all_count.sum()), r.within_df + extra, step))
    w = 1 / axis.inflation(r.all_d)
    shrink, lifted = axis.ratio[:, None] * w[:, : len(r.d)], L @ r.G
    within = _cleared(r.xx - np.tensordot(1 / r.sizes, r.class_xx, axes=1), r.xx)
    weight = 1 / (r.sizes * axis.inflation(r.sizes))
    return Nodes(
        axis.ratio[:, None],
        axis.log_density() - 0.5 * axis.log_determinant(),
        # X'V^-1X = (X'X within bags) + Σ x_b x_b'/(n(1 + λn))
        _variances(within + np.tensordot(weight, r.class_xx, axes=1), L),
        lambda part: part.s0[:, None] + part.zz @ w.T,
        lambda part: (part.z[:, None, :] * shrink) @ lifted.T,
        r.nu + extra,
        NEGLIGIBLE,
    )


def _steps(low: float, high: float, k: float, rest: float, wide: float = 1.0) -> Array:
    """Equal steps of `wide` SDs of log F on k and `rest` degrees of freedom: trapezoid error e^(−20/wide²)."""
    sd = np.sqrt(2 / k + 2 / rest) if rest > 0 else np.inf  # no burn is left within the terms' levels
    return np.arange(low, high, wide * min(_WIDEST_STEP, float(sd)))


def _needed(log_weight: Array, x: Array, negligible: float) -> tuple[float, float]:
    """Return the range of x (last axis) outside which no response has weight."""
    highest = log_weight.max(axis=tuple(range(1, log_weight.ndim)), keepdims=True)
    counts = np.flatnonzero((log_weight > highest - negligible).reshape(-1, len(x)).any(axis=0))
    return float(x[max(counts[0] - 1, 0)]), float(x[min(counts[-1] + 1, len(x) - 1)])


def _cleared(difference: Array, whole: Array) -> Array:
    """Set to zero what a difference leaves of rounding."""
    scale = np.sqrt(np.outer(np.diag(whole), np.diag(whole)))
    return np.asarray(np.where(np.abs(difference) < 1e-12 * scale, 0.0, difference))


def _variances(information: Array, L: Array) -> Array:
    """L (X'V^-1X)^-1 L' diagonals: (nodes, contrasts)."""
    phi = np.linalg.inv(information)
    return np.asarray(np.maximum(((L @ phi) * L).sum(axis=-1), 1e-300))


@dataclass(frozen=True)
class _Slice:
    """A crossed design at one λ, with the small term diagonal: C = F'wF = E diag(γ) E'.

    Attributes
    ----------
    w, pull
        (k,) 1/(1 + λd); (k, D) wFE: q = z pull.
    axis
        The small term's ratio μ given λ.
    grip
        (nodes, D) μ/(1 + μγ).
    """

    ratio: float
    w: Array
    pull: Array
    turn: Array
    axis: Axis
    grip: Array

    def quadratic(self, data: CrossedData) -> Array:
        """Q(λ, μ) = S0 + Σ wz² − Σ μ q²/(1 + μγ)."""
        return np.asarray((data.s0 + data.z**2 @ self.w)[:, None] - (data.z @ self.pull) ** 2 @ self.grip.T)


def _slice(crossing: Crossing, gram: Array, ratio: float, w: Array, y: Array, p: int) -> _Slice:
    frame = crossing.projected
    gamma, turn = np.linalg.eigh((frame.F.T * w) @ frame.F)
    live = gamma > _TOUCH * gamma[-1]
    gamma, turn = gamma[live], turn[:, live]
    start = p + crossing.order[0].levels.count
    most = float(np.linalg.eigvalsh(gram[start:, start:])[-1])
    axis = Axis(y, gamma, np.ones(len(gamma)), max(most, float(gamma[-1])))
    return _Slice(
        ratio, w, (w[:, None] * frame.F) @ turn, turn, axis, axis.ratio[:, None] / axis.inflation(gamma)
    )


def _held(c: Crossing, inside: npt.NDArray[np.bool_]) -> Array | None:
    """Eigenvalues of the larger term within levels of the smaller one: D^½ (I − F(F'F)⁻F') D^½."""
    F, root = c.projected.F, np.sqrt(c.projected.d[inside])
    apart = np.eye(len(F)) - F @ np.linalg.pinv(F.T @ F, rcond=_TOUCH, hermitian=True) @ F.T
    values = np.linalg.eigvalsh(root[:, None] * apart[np.ix_(inside, inside)] * root)
    left = values[values > _TOUCH * c.projected.d.max()]
    return np.asarray(left) if len(left) else None


def crossed_nodes(
    engine: CrossedEngine, data: CrossedData, L: Array, steps: tuple[float, float] = (1.0, 1.0)
) -> Nodes:
    """Return the nodes of a design with two crossed random terms: each λ with its own axis of μ."""
    c, p = engine.crossing, engine.design.p
    extra = 0.0 if engine.borrowed is None else engine.borrowed.df
    inside = c.projected.d > 0
    d, rest = c.projected.d[inside], c.within_df + extra
    sizes = c.order[0].levels.sizes.astype(np.float64)
    dof = c.within_df + len(c.projected.d) + extra
    held = _held(c, inside)
    within = _cleared(c.cross - (c.sums / sizes) @ c.sums.T, c.cross)

    def slices(x: Array, y: Array) -> tuple[Axis, list[_Slice], list[Array]]:
        axis = Axis(x, d, np.ones(len(d)), float(sizes.max()), held)
        w = np.ones((len(x), len(inside)))
        w[:, inside] = 1 / axis.inflation(d)
        weight = 1 / (sizes * axis.inflation(sizes))
        grams = [within + (c.sums * row) @ c.sums.T for row in weight]
        made = [
            _slice(c, gram, float(lam), row, y, p)
            for gram, lam, row in zip(grams, axis.ratio, w, strict=True)
        ]
        return axis, made, grams

    def bases(axis: Axis, made: list[_Slice]) -> Array:
        own = axis.log_density() - 0.5 * axis.log_determinant()
        return np.stack(
            [
                b + s.axis.log_density() - 0.5 * s.axis.log_determinant()
                for b, s in zip(own, made, strict=True)
            ]
        )

    coarse = np.arange(_LEAST, 30.0, 1.5)
    axis, made, _ = slices(coarse, coarse)
    Q = np.stack([s.quadratic(data) for s in made], axis=1)
    weight = bases(axis, made) - 0.5 * dof * np.log(Q)
    x = _needed(weight.transpose(0, 2, 1), coarse, NEGLIGIBLE_CROSSED)
    y = _needed(weight, coarse, NEGLIGIBLE_CROSSED)
    small = len(made[len(made) // 2].axis.d)
    axis, made, grams = slices(_steps(*x, len(d), rest, steps[0]), _steps(*y, small, rest, steps[1]))
    start, core = p + c.order[0].levels.count, c.GZ.shape[1]
    along = [(L @ c.GZ) * (s.ratio * s.w[:core]) for s in made]
    across = [
        (L @ c.GW) @ s.turn - a @ (c.projected.F[:core] @ s.turn) for s, a in zip(made, along, strict=True)
    ]

    def shifts(part: CrossedData) -> Array:
        pieces = []
        for s, a, b in zip(made, along, across, strict=True):
            pulled = (part.z @ s.pull)[:, None, :] * s.grip
            pieces.append((part.z[:, :core] @ a.T)[:, None, :] + pulled @ b.T)
        return np.concatenate(pieces, axis=1)

    return Nodes(
        np.concatenate([np.column_stack([np.full(len(s.axis.x), s.ratio), s.axis.ratio]) for s in made]),
        bases(axis, made).ravel(),
        np.concatenate([_crossed_variances(g, s, L, p, start) for g, s in zip(grams, made, strict=True)]),
        lambda part: np.concatenate([s.quadratic(part) for s in made], axis=1),
        shifts,
        dof,
        NEGLIGIBLE_CROSSED,
    )


def _crossed_variances(gram: Array, at: _Slice, L: Array, p: int, start: int) -> Array:
    """X'V^-1X = O_xx − Σ μ/(1 + μo) (O_xw e)(O_xw e)' with O_ww = Σ o ee' (Woodbury)."""
    o, e = np.linalg.eigh(gram[start:, start:])
    half = gram[:p, start:] @ e
    grip = at.axis.ratio[:, None] / at.axis.inflation(o)
    return _variances(gram[:p, :p] - np.einsum("pj,mj,qj->mpq", half, grip, half), L)
