"""Nodes over both variance ratios of a design with two crossed random terms (kit.variance.ratios)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from kit.variance.columns import Array
from kit.variance.crossed import CrossedData, Crossing, Frame, grid_deviance
from kit.variance.engines import CrossedEngine
from kit.variance.nested import bag_sums
from kit.variance.ratios import (
    LEAST,
    NEGLIGIBLE_CROSSED,
    OTHER,
    TOUCH,
    Axis,
    Nodes,
    cleared,
    least_errors,
    needed,
    no_floor,
    steps,
    variances,
)

_FAR, _FAR_WITHOUT_WITHIN = 30.0, 16.0
"""Where the axes end, x = log λd̄ about: where no burns are left within the terms' levels nothing bounds the ratios,
and beyond this a burn variance is none in comparison."""


@dataclass(frozen=True)
class _Slices:
    """A crossed design at many λ, at each with the small term diagonal: C = F'wF = E diag(γ) E'.

    Attributes
    ----------
    ratio
        (λ,).
    w, pull
        (λ, k) 1/(1 + λd); (λ, k, D) wFE: q = z pull.
    turn
        (λ, D, D) E.
    axis
        The small term's ratio μ given λ.
    grip
        (λ, μ, D) μ/(1 + μγ).
    """

    ratio: Array
    w: Array
    pull: Array
    turn: Array
    axis: Axis
    grip: Array

    def quadratic(self, data: CrossedData) -> Array:
        """Q(λ, μ) = S0 + Σ wz² − Σ μ q²/(1 + μγ): (responses, λ, μ)."""
        plain = data.s0[:, None] + data.z**2 @ self.w.T
        taken = np.matmul((data.z @ self.pull) ** 2, self.grip.transpose(0, 2, 1))
        return np.asarray(plain[:, :, None] - taken.transpose(1, 0, 2))


def _slices(frame: Frame, small: Array, ratio: Array, w: Array, y: Array) -> _Slices:
    """`small` (λ, D, D) is W'V^-1W without μ."""
    D = frame.F.shape[1]
    gamma, turn = np.linalg.eigh((w @ frame.FF).reshape(-1, D, D))
    live = gamma > TOUCH * gamma[:, -1:]
    gamma = np.where(live, gamma, 0.0)
    most = np.maximum(np.linalg.eigvalsh(small)[:, -1], gamma[:, -1])
    axis = Axis(y, gamma, live.astype(np.float64), most)
    grip = np.where(live[:, None], axis.ratio[:, :, None] / axis.inflation(gamma), 0.0)
    return _Slices(ratio, w, np.matmul(w[:, :, None] * frame.F, turn), turn, axis, grip)


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
    sums, within
        Sums of [X W] over those levels (p + D, levels), and [X W]'[X W] within them.
    """

    crossing: Crossing
    p: int
    inside: npt.NDArray[np.bool_]
    sizes: Array
    sums: Array
    within: Array

    @property
    def d(self) -> Array:
        """Eigenvalues of the larger term."""
        return self.crossing.projected.d[self.inside]

    def cut(self, x: Array, y: Array) -> tuple[Axis, _Slices, Array]:
        """Return the axis of λ, the slices over μ at each, and [X W]'V^-1[X W] (λ, p + D, p + D) without μ."""
        most, held = np.asarray(self.sizes.max()), _held(self.crossing, self.inside)
        axis = Axis(x, self.d, np.ones(len(self.d)), most, held)
        w = np.ones((len(x), len(self.inside)))
        w[:, self.inside] = 1 / axis.inflation(self.d)
        weight = 1 / (self.sizes * axis.inflation(self.sizes))
        grams = self.within + (self.sums * weight[:, None]) @ self.sums.T
        p = self.p
        return axis, _slices(self.crossing.projected, grams[:, p:, p:], axis.ratio, w, y), grams


def _plane(engine: CrossedEngine) -> _Plane:
    c, p = engine.crossing, engine.design.p
    sizes = c.order[0].levels.sizes.astype(np.float64)
    beside = np.r_[0:p, p + len(sizes) : len(c.cross)]
    sums, cross = c.sums[beside], c.cross[np.ix_(beside, beside)]
    within = cleared(cross - (sums / sizes) @ sums.T, cross)
    return _Plane(c, p, c.projected.d > 0, sizes, sums, within)


def _bases(axis: Axis, made: _Slices) -> Array:
    """Log prior density less half the log determinant: (λ, μ)."""
    own = axis.log_density() - 0.5 * axis.log_determinant()
    return np.asarray(own[:, None] + made.axis.log_density() - 0.5 * made.axis.log_determinant())


def crossed_nodes(
    engine: CrossedEngine, data: CrossedData, L: Array, step: tuple[float, float] = (1.0, 1.0)
) -> Nodes:
    """Return the nodes of a design with two crossed random terms: each λ with its own axis of μ."""
    c, plane = engine.crossing, _plane(engine)
    rest = c.within_df + (0.0 if engine.borrowed is None else engine.borrowed.df)
    dof = rest + len(c.projected.d)
    coarse = np.arange(LEAST, _FAR if rest > 0 else _FAR_WITHOUT_WITHIN, 1.5)
    axis, made, _ = plane.cut(coarse, coarse)
    weight = _bases(axis, made) - 0.5 * dof * np.log(made.quadratic(data))
    x = needed(weight.transpose(0, 2, 1), coarse, NEGLIGIBLE_CROSSED)
    y = needed(weight, coarse, NEGLIGIBLE_CROSSED)
    small = float(made.axis.count[len(coarse) // 2].sum())
    axis, made, grams = plane.cut(steps(*x, len(plane.d), rest, step[0]), steps(*y, small, rest, step[1]))
    pairs = np.stack(np.broadcast_arrays(made.ratio[:, None], made.axis.ratio), axis=-1)
    return Nodes(
        pairs.reshape(-1, 2),
        _bases(axis, made).ravel(),
        _variances(grams, made, L, plane.p),
        lambda part: made.quadratic(part).reshape(len(part.s0), -1),
        _shifts(c, made, L),
        _floor(engine, L, dof) if "bag" in engine.names else no_floor,
        dof,
        NEGLIGIBLE_CROSSED,
    )


def _floor(engine: CrossedEngine, L: Array, dof: float) -> Callable[[CrossedData], tuple[Array, Array]]:
    """Bags that do not differ, and the other term at the ratio that then suits each response best."""
    bag, other = engine.names.index("bag"), engine.crossing.order[1 - engine.names.index("bag")].levels
    points = np.zeros((len(OTHER), 2))
    points[:, 1 - bag] = OTHER
    sums = bag_sums(np.ascontiguousarray(engine.design.X.T), other)
    shrunk = sums * (OTHER[:, None] / (1 + OTHER[:, None] * other.sizes))[:, None]
    v = variances(engine.design.X.T @ engine.design.X - shrunk @ sums.T, L)  # Woodbury, levels apart
    a_bag = float(engine.crossing.order[bag].levels.sizes.mean())
    rest = dof - len(engine.crossing.projected.d)

    def floor(part: CrossedData) -> tuple[Array, Array]:
        best = grid_deviance(engine.crossing, part, points, "REML", dof).argmin(axis=1)
        pooled = engine.start(part, points[best], np.arange(len(best)))[:, -1]
        return least_errors(v[best], pooled, part.s0, rest, dof, a_bag)

    return floor


def _shifts(c: Crossing, made: _Slices, L: Array) -> Callable[[CrossedData], Array]:
    core = c.GZ.shape[1]
    along = (L @ c.GZ) * (made.ratio[:, None] * made.w[:, :core])[:, None]
    across = (L @ c.GW - along @ c.projected.F[:core]) @ made.turn

    def shifts(part: CrossedData) -> Array:
        first = part.z[:, :core] @ along.transpose(0, 2, 1)
        pulled = (part.z @ made.pull)[:, :, None] * made.grip[:, None]
        both = first[:, :, None] + pulled @ across.transpose(0, 2, 1)[:, None]
        return np.asarray(both.transpose(1, 0, 2, 3).reshape(len(part.z), -1, len(L)))

    return shifts


def _variances(grams: Array, made: _Slices, L: Array, p: int) -> Array:
    """X'V^-1X = O_xx − Σ μ/(1 + μo) (O_xw e)(O_xw e)' with O_ww = Σ o ee' (Woodbury)."""
    o, e = np.linalg.eigh(grams[:, p:, p:])
    half = grams[:, :p, p:] @ e
    grip = made.axis.ratio[:, :, None] / made.axis.inflation(o)
    taken = (half[:, None] * grip[:, :, None]) @ half.transpose(0, 2, 1)[:, None]
    return variances((grams[:, None, :p, :p] - taken).reshape(-1, p, p), L)
