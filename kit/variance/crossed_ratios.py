"""Nodes over both variance ratios of a design with two crossed random terms (kit.variance.ratios)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from kit.variance.columns import Array
from kit.variance.crossed import CrossedData, Crossing
from kit.variance.engines import CrossedEngine
from kit.variance.ratios import (
    LEAST,
    NEGLIGIBLE_CROSSED,
    TOUCH,
    Axis,
    Nodes,
    cleared,
    needed,
    steps,
    variances,
)


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
    live = gamma > TOUCH * gamma[-1]
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
    apart = np.eye(len(F)) - F @ np.linalg.pinv(F.T @ F, rcond=TOUCH, hermitian=True) @ F.T
    values = np.linalg.eigvalsh(root[:, None] * apart[np.ix_(inside, inside)] * root)
    left = values[values > TOUCH * c.projected.d.max()]
    return np.asarray(left) if len(left) else None


@dataclass(frozen=True)
class _Plane:
    """A crossed design over both ratios.

    Attributes
    ----------
    inside
        (k,) coordinates of the larger term.
    sizes
        (levels,) burns of its levels.
    within
        A'A within its levels, for A = [X Z W].
    """

    crossing: Crossing
    p: int
    inside: npt.NDArray[np.bool_]
    sizes: Array
    within: Array

    @property
    def d(self) -> Array:
        """Eigenvalues of the larger term."""
        return self.crossing.projected.d[self.inside]

    def cut(self, x: Array, y: Array) -> tuple[Axis, list[_Slice], list[Array]]:
        """Return the axis of λ, and at each λ the slice over μ and A'V^-1A without μ."""
        c = self.crossing
        axis = Axis(x, self.d, np.ones(len(self.d)), float(self.sizes.max()), _held(c, self.inside))
        w = np.ones((len(x), len(self.inside)))
        w[:, self.inside] = 1 / axis.inflation(self.d)
        weight = 1 / (self.sizes * axis.inflation(self.sizes))
        grams = [self.within + (c.sums * row) @ c.sums.T for row in weight]
        made = [
            _slice(c, gram, float(lam), row, y, self.p)
            for gram, lam, row in zip(grams, axis.ratio, w, strict=True)
        ]
        return axis, made, grams


def _plane(engine: CrossedEngine) -> _Plane:
    c = engine.crossing
    sizes = c.order[0].levels.sizes.astype(np.float64)
    within = cleared(c.cross - (c.sums / sizes) @ c.sums.T, c.cross)
    return _Plane(c, engine.design.p, c.projected.d > 0, sizes, within)


def _bases(axis: Axis, made: list[_Slice]) -> Array:
    """Log prior density less half the log determinant: (λ, μ)."""
    own = axis.log_density() - 0.5 * axis.log_determinant()
    return np.stack(
        [b + s.axis.log_density() - 0.5 * s.axis.log_determinant() for b, s in zip(own, made, strict=True)]
    )


def crossed_nodes(
    engine: CrossedEngine, data: CrossedData, L: Array, step: tuple[float, float] = (1.0, 1.0)
) -> Nodes:
    """Return the nodes of a design with two crossed random terms: each λ with its own axis of μ."""
    c, plane = engine.crossing, _plane(engine)
    rest = c.within_df + (0.0 if engine.borrowed is None else engine.borrowed.df)
    dof = rest + len(c.projected.d)
    coarse = np.arange(LEAST, 30.0, 1.5)
    axis, made, _ = plane.cut(coarse, coarse)
    Q = np.stack([s.quadratic(data) for s in made], axis=1)
    weight = _bases(axis, made) - 0.5 * dof * np.log(Q)
    x = needed(weight.transpose(0, 2, 1), coarse, NEGLIGIBLE_CROSSED)
    y = needed(weight, coarse, NEGLIGIBLE_CROSSED)
    small = len(made[len(made) // 2].axis.d)
    axis, made, grams = plane.cut(steps(*x, len(plane.d), rest, step[0]), steps(*y, small, rest, step[1]))
    start = plane.p + len(plane.sizes)
    return Nodes(
        np.concatenate([np.column_stack([np.full(len(s.axis.x), s.ratio), s.axis.ratio]) for s in made]),
        _bases(axis, made).ravel(),
        np.concatenate([_variances(g, s, L, plane.p, start) for g, s in zip(grams, made, strict=True)]),
        lambda part: np.concatenate([s.quadratic(part) for s in made], axis=1),
        _shifts(c, made, L),
        dof,
        NEGLIGIBLE_CROSSED,
    )


def _shifts(c: Crossing, made: list[_Slice], L: Array) -> Callable[[CrossedData], Array]:
    core = c.GZ.shape[1]
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

    return shifts


def _variances(gram: Array, at: _Slice, L: Array, p: int, start: int) -> Array:
    """X'V^-1X = O_xx − Σ μ/(1 + μo) (O_xw e)(O_xw e)' with O_ww = Σ o ee' (Woodbury)."""
    o, e = np.linalg.eigh(gram[start:, start:])
    half = gram[:p, start:] @ e
    grip = at.axis.ratio[:, None] / at.axis.inflation(o)
    return variances(gram[:p, :p] - np.einsum("pj,mj,qj->mpq", half, grip, half), L)
