"""One random term: a rotation after which every step of REML or ML is a short sum, for many responses at once.

With M = Z'(I - P_X)Z = U diag(d) U' and z = diag(d)^-1/2 U'Z'(y - X b_ols), the z_i are independent
N(0, s(1 + l d_i)), S0 ~ s chi2(nu - k), and with w_i = 1/(1 + l d_i), l = s_bag/s, Q(l) = S0 + sum w_i z_i²:

    -2 log restricted likelihood = nu (log(2 pi Q/nu) + 1) + sum log(1 + l d_i) + log|X'X|

(Pinheiro & Bates 2000, section 2.2, in the eigenbasis of M). ML replaces nu by n and sum log(1 + l d_i) by
sum log(1 + l n_b), and drops log|X'X|. Rows of every array are responses.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from kit.variance.columns import Array, Codes, Levels
from kit.variance.design import Design

Method = Literal["REML", "ML"]

GRID = np.concatenate([[0.0], np.logspace(-3.5, 6.5, 41)])
"""Values of l times the mean eigenvalue at which every response is tried first."""

LARGEST_DENSE = 3000


@dataclass(frozen=True)
class Rotation:
    """The design's part of the rotated form.

    Attributes
    ----------
    d
        (k,) positive eigenvalues whose coordinates can move the means.
    G
        (p, k): beta(l) = b_ols - G (l w z).
    idle_d, idle_count
        Eigenvalues whose coordinates leave the means alone, with their multiplicities.
    sizes, class_xx
        Distinct bag sizes n_m, and the sums of x_b x_b' over bags of that size (m, p, p); x_b sums X's rows.
    class_count
        Bags of each size.
    xx
        X'X.
    nu, n
        Burns beyond the parameters of the means; burns.
    logdet_xx
        log|X'X|.
    lift
        (bags, k): U d^-1/2, from bag sums of residuals to coordinates; None where bags are reduced by size.
    """

    d: Array
    G: Array
    idle_d: Array
    idle_count: Array
    sizes: Array
    class_count: Array
    class_xx: Array
    xx: Array
    nu: int
    n: int
    logdet_xx: float
    lift: Array | None

    @property
    def all_d(self) -> Array:
        """Eigenvalues, active then idle."""
        return np.concatenate([self.d, self.idle_d])

    @property
    def all_count(self) -> Array:
        """Multiplicities of `all_d`."""
        return np.concatenate([np.ones(len(self.d)), self.idle_count])

    @property
    def within_df(self) -> int:
        """Degrees of freedom of S0."""
        return self.nu - round(float(self.all_count.sum()))


@dataclass(frozen=True)
class Rotated:
    """The responses in the rotated space: all that they contribute.

    Attributes
    ----------
    z
        (responses, k) active coordinates.
    idle_zz
        (responses, m) summed squares of the idle coordinates of each eigenvalue.
    s0
        (responses,) residual sum of squares within bags.
    b_ols
        (responses, p) ordinary least squares.
    """

    z: Array
    idle_zz: Array
    s0: Array
    b_ols: Array

    @property
    def zz(self) -> Array:
        """Squares in the order of `Rotation.all_d`."""
        return np.concatenate([self.z**2, self.idle_zz], axis=1)

    @property
    def total(self) -> Array:
        """Residual sum of squares of ordinary least squares."""
        return np.asarray(self.s0 + (self.z**2).sum(axis=1) + self.idle_zz.sum(axis=1))


def bag_sums(rows: Array, levels: Levels) -> Array:
    """Return sums over each level: (responses, burns) to (responses, levels)."""
    if len(rows) * 20 < levels.count and rows.shape[0] < 64:
        return np.stack([np.bincount(levels.codes, row, levels.count) for row in rows])
    order = np.argsort(levels.codes, kind="stable")
    starts = np.concatenate([[0], np.cumsum(levels.sizes)[:-1]])
    return np.asarray(np.add.reduceat(rows[:, order], starts, axis=1))


def rotation_of(design: Design, levels: Levels | None) -> Rotation:
    """Return the design's part of the rotated form for one random term (or none)."""
    xx = design.R.T @ design.R
    logdet = 2 * float(np.log(np.abs(np.diag(design.R))).sum())
    if levels is None:
        none, p = np.zeros(0), design.p
        return Rotation(none, np.zeros((p, 0)), none, none, none, none, np.zeros((0, p, p)), xx, design.nu,
                        design.n, logdet, None)  # fmt: skip
    sums = bag_sums(np.ascontiguousarray(design.X.T), levels)
    sizes, size_of, count = np.unique(levels.sizes, return_inverse=True, return_counts=True)
    class_xx = np.stack([sums[:, size_of == m] @ sums[:, size_of == m].T for m in range(len(sizes))])
    parts = _by_size(design, levels, sizes, size_of) if design.cell_means else _dense(design, levels, sums)
    return Rotation(*parts[:4], sizes.astype(np.float64), count.astype(np.float64), class_xx, xx, design.nu,
                    design.n, logdet, parts[4])  # fmt: skip


def _dense(design: Design, levels: Levels, sums: Array) -> tuple[Array, Array, Array, Array, Array | None]:
    """Any X: diagonalise M over all bags."""
    solved = np.linalg.solve(design.R.T, sums)
    M = np.diag(levels.sizes.astype(np.float64)) - solved.T @ solved
    d, U = np.linalg.eigh(M)
    keep = d > 1e-9 * levels.sizes.max()
    d, U = d[keep], U[:, keep]
    root = np.sqrt(d)
    G = np.linalg.solve(design.R, solved @ (U * root))  # (X'X)^-1 X'Z U d^1/2
    return d, G, np.zeros(0), np.zeros(0), U / root


@dataclass(frozen=True)
class _Cells:
    """Bags of one size in one fuel: their fuel, size and number, and the cell of each bag."""

    of_bag: Codes
    fuel: Codes
    size: Codes
    count: Codes


def _cells(design: Design, levels: Levels, size_of: Codes) -> _Cells:
    fuel_of_bag = np.zeros(levels.count, dtype=np.int64)
    fuel_of_bag[levels.codes] = design.mean_of
    kinds = int(size_of.max()) + 1
    keys, of_bag, count = np.unique(fuel_of_bag * kinds + size_of, return_inverse=True, return_counts=True)
    return _Cells(of_bag, keys // kinds, keys % kinds, count)


def _by_size(
    design: Design, levels: Levels, sizes: Codes, size_of: Codes
) -> tuple[Array, Array, Array, Array, Array | None]:
    """Cell means: within a fuel, bags of one size differ along eigenvalue n; only the size means couple."""
    cells = _cells(design, levels, size_of)
    more = cells.count > 1
    idle_d = np.unique(cells.size[more])
    idle_count = np.bincount(cells.size[more], cells.count[more] - 1.0, len(sizes))[idle_d]
    d, U, burns = _coupled(cells, sizes, design.p)
    fuels, column = np.nonzero(d > 1e-9 * sizes.max())
    active = d[fuels, column]
    weight = _class_weight(cells, sizes, design.p)
    along = np.einsum("km,km->k", U[fuels, :, column], weight[fuels]) * np.sqrt(active)
    G = np.zeros((design.p, len(active)))
    G[fuels, np.arange(len(active))] = along / burns[fuels]
    return active, G, sizes[idle_d].astype(np.float64), idle_count, None


def _class_weight(cells: _Cells, sizes: Codes, p: int) -> Array:
    """n sqrt(bags) of each size class of each fuel (fuels × sizes): Z'1 in the class basis."""
    weight = np.zeros((p, len(sizes)))
    weight[cells.fuel, cells.size] = sizes[cells.size] * np.sqrt(cells.count)
    return weight


def _coupled(cells: _Cells, sizes: Codes, p: int) -> tuple[Array, Array, Array]:
    """Eigenvalues (fuels, m) and vectors (fuels, m, m) of M over the size means, and burns of each fuel."""
    weight = _class_weight(cells, sizes, p)
    burns = np.bincount(cells.fuel, sizes[cells.size] * cells.count, p)
    there = (weight > 0) * sizes
    M = there[:, :, None] * np.eye(len(sizes)) - weight[:, :, None] * weight[:, None, :] / burns[:, None, None]
    if len(sizes) == 1:
        return np.zeros((p, 1)), np.ones((p, 1, 1)), burns
    d, U = np.linalg.eigh(M)
    return d, U, burns


def rotate(design: Design, rotation: Rotation, levels: Levels | None, values: Array) -> Rotated:
    """Return the responses (responses, burns) in the rotated space.

    Values are centred on one of their own first, so that many equal leading digits are not lost.
    """
    centre = values[:, :1]
    y = values - centre
    level = y.mean(axis=1, keepdims=True)
    centre, y = centre + level, y - level
    if levels is not None and design.cell_means:
        return _rotate_cells(design, rotation, levels, y, centre)
    b = np.linalg.solve(design.R, design.Q.T @ y.T).T
    left = y - b @ design.X.T
    left -= (left @ design.Q) @ design.Q.T
    b[:, : len(design.labels)] += centre
    none = np.zeros((len(y), 0))
    if levels is None or rotation.lift is None:
        return Rotated(none, none, (left**2).sum(axis=1), b)
    z = bag_sums(left, levels) @ rotation.lift
    return Rotated(z, none, _within(design, levels, y), b)


def _within(design: Design, levels: Levels, y: Array) -> Array:
    """Residual sum of squares of y within bags on X within bags."""
    inside = _less_bag_means(y, levels)
    extra = _less_bag_means(design.X.T[len(design.labels) :], levels).T
    if extra.shape[1]:
        U, size, _ = np.linalg.svd(extra, full_matrices=False)
        U = U[:, size > 1e-9 * np.linalg.norm(design.X[:, len(design.labels) :])]
        inside = inside - (inside @ U) @ U.T
    return np.asarray((inside**2).sum(axis=1))


def _less_bag_means(rows: Array, levels: Levels) -> Array:
    return np.asarray(rows - (bag_sums(rows, levels) / levels.sizes)[:, levels.codes])


def _rotate_cells(design: Design, rotation: Rotation, levels: Levels, y: Array, centre: Array) -> Rotated:
    """The same by sums over bags, then over bags of one size in one fuel."""
    means = bag_sums(y, levels) / levels.sizes
    s0 = ((y - means[:, levels.codes]) ** 2).sum(axis=1)
    sizes, size_of = np.unique(levels.sizes, return_inverse=True)
    cells = _cells(design, levels, size_of)
    fuel_of_bag = cells.fuel[cells.of_bag]
    per_fuel = Levels(fuel_of_bag, tuple(range(design.p)))
    b = bag_sums(means * levels.sizes, per_fuel) / np.bincount(design.mean_of, minlength=design.p)
    off = means - b[:, fuel_of_bag]
    cell = Levels(cells.of_bag, tuple(range(len(cells.count))))
    middle = bag_sums(off, cell) / cells.count
    scatter = bag_sums((off - middle[:, cells.of_bag]) ** 2, cell) * sizes[cells.size]
    by_size = bag_sums(scatter, Levels(cells.size, tuple(range(len(sizes)))))
    idle_zz = by_size[:, np.isin(sizes, rotation.idle_d)]
    d, U, _ = _coupled(cells, sizes, design.p)
    fuels, column = np.nonzero(d > 1e-9 * sizes.max())
    table = np.zeros((len(y), design.p, len(sizes)))
    table[:, cells.fuel, cells.size] = middle * np.sqrt(cells.count) * sizes[cells.size]
    z = np.einsum("rkm,km->rk", table[:, fuels], U[fuels, :, column]) / np.sqrt(rotation.d)
    return Rotated(z, idle_zz, s0, b + centre)


@dataclass(frozen=True)
class Criterion:
    """Sums that make the profiled criterion of any ratio l: equal eigenvalues share one column.

    Attributes
    ----------
    d, zz
        Distinct eigenvalues (k,) and summed squares (responses, k) of the quadratic form Q.
    s0
        (responses,) its constant part.
    det, det_count
        Eigenvalues of the log determinant and their multiplicities.
    dof, constant
        nu and log|X'X| for REML, n and 0 for ML.
    """

    d: Array
    zz: Array
    s0: Array
    det: Array
    det_count: Array
    dof: float
    constant: float


def criterion_of(rotation: Rotation, rotated: Rotated, method: Method) -> Criterion:
    """Return the pooled sums of the profiled criterion."""
    d, zz, count = _pool(rotation.all_d, rotated.zz, rotation.all_count)
    if method == "REML":
        return Criterion(d, zz, rotated.s0, d, count, rotation.nu, rotation.logdet_xx)
    return Criterion(d, zz, rotated.s0, rotation.sizes, rotation.class_count, rotation.n, 0.0)


def _pool(d: Array, zz: Array, count: Array) -> tuple[Array, Array, Array]:
    if len(d) < 2:
        return d, zz, count
    order = np.argsort(d)
    d = d[order]
    starts = np.flatnonzero(np.concatenate([[True], np.diff(d) > 1e-10 * d[-1]]))
    zz = np.ascontiguousarray(zz[:, order])
    return d[starts], np.add.reduceat(zz, starts, axis=1), np.add.reduceat(count[order], starts)


def quadratic(c: Criterion, ratio: Array) -> Array:
    """Q(l) of each response at its own ratio (responses,)."""
    return np.asarray(c.s0 + (c.zz / (1 + ratio[:, None] * c.d)).sum(axis=1))


def deviance(c: Criterion, ratio: Array) -> Array:
    """Return the profiled criterion of each response at its own ratio l >= 0, with its constants."""
    logdet = np.log1p(ratio[:, None] * c.det) @ c.det_count
    Q = quadratic(c, ratio)
    return np.asarray(c.dof * (np.log(2 * np.pi * Q / c.dof) + 1) + logdet + c.constant)


def deviance_grid(c: Criterion, ratios: Array) -> Array:
    """Return the profiled criterion at common ratios: (responses, ratios), one matrix product."""
    Q = c.s0[:, None] + c.zz @ (1 / (1 + ratios * c.d[:, None]))
    logdet = c.det_count @ np.log1p(ratios * c.det[:, None])
    return np.asarray(c.dof * (np.log(2 * np.pi * Q / c.dof) + 1) + logdet + c.constant)


def slopes(c: Criterion, ratio: Array) -> tuple[Array, Array]:
    """Return first and second derivatives of the profiled criterion in l (responses,)."""
    w = 1 / (1 + ratio[:, None] * c.d)
    dw = c.d * w
    first = dw * w * c.zz
    Q = c.s0 + (w * c.zz).sum(axis=1)
    Q1, Q2 = -first.sum(axis=1), 2 * (first * dw).sum(axis=1)
    e = c.det / (1 + ratio[:, None] * c.det)
    up = e @ c.det_count + c.dof * Q1 / Q
    curve = -(e * e) @ c.det_count + c.dof * (Q2 / Q - (Q1 / Q) ** 2)
    return np.asarray(up), np.asarray(curve)


@dataclass(frozen=True)
class Solved:
    """Ratio l and residual variance s of each response, and how they were found.

    Attributes
    ----------
    ratio, s, criterion
        (responses,).
    converged
        (responses,) last step below one part in 1e10, or the bound at zero with a slope upwards.
    evaluations
        Evaluations a response: grid points and Newton steps.
    """

    ratio: Array
    s: Array
    criterion: Array
    converged: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
    evaluations: int


def solve(c: Criterion) -> Solved:
    """Minimise the profiled criterion over l >= 0: a grid, then safeguarded Newton steps inside its bracket."""
    R = len(c.s0)
    if len(c.d) == 0:
        zero = np.zeros(R)
        return Solved(zero, c.s0 / c.dof, deviance(c, zero), np.ones(R, dtype=np.bool_), 1)
    grid = GRID / float(np.average(c.det, weights=c.det_count))
    best = np.argmin(deviance_grid(c, grid), axis=1)
    low, high = grid[np.maximum(best - 1, 0)], grid[np.minimum(best + 1, len(grid) - 1)]
    ratio, at_zero = grid[best].copy(), np.zeros(R, dtype=np.bool_)
    at_zero[best == 0] = slopes(c, np.zeros(R))[0][best == 0] >= 0
    ratio, done, steps = _newton(c, ratio, low, high, at_zero)
    done &= best < len(grid) - 1  # burns of one bag that agree exactly: the criterion has no minimum
    return Solved(ratio, quadratic(c, ratio) / c.dof, deviance(c, ratio), done, len(grid) + steps)


def _newton(
    c: Criterion, ratio: Array, low: Array, high: Array, held: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
) -> tuple[Array, np.ndarray[tuple[int, ...], np.dtype[np.bool_]], int]:
    done, step = held.copy(), 0
    for step in range(1, 101):
        live = np.flatnonzero(~done)
        if not len(live):
            break
        part = Criterion(c.d, c.zz[live], c.s0[live], c.det, c.det_count, c.dof, c.constant)
        x = ratio[live]
        up, curve = slopes(part, x)
        high[live], low[live] = np.where(up > 0, x, high[live]), np.where(up > 0, low[live], x)
        with np.errstate(divide="ignore", invalid="ignore"):
            new = x - up / curve
        inside = (curve > 0) & (new >= low[live]) & (new <= high[live])
        new = np.where(inside, new, (low[live] + high[live]) / 2)
        ratio[live] = new
        # near zero, rounding of the slope leaves no more digits than those of a ratio of size 1/d
        done[live] = np.abs(new - x) <= 1e-12 * np.maximum(np.maximum(new, x), 0.1 / c.d[-1])
    return ratio, done, step


def means_at(rotation: Rotation, rotated: Rotated, ratio: Array) -> Array:
    """Return beta(l) (responses, p): generalised least squares at each response's ratio."""
    shrunk = ratio[:, None] * rotated.z / (1 + ratio[:, None] * rotation.d)
    return np.asarray(rotated.b_ols - shrunk @ rotation.G.T)


def information(rotation: Rotation, ratio: Array) -> Array:
    """Return s X'V^-1X (responses, p, p) at each ratio."""
    if not len(rotation.sizes):
        return np.broadcast_to(rotation.xx, (len(ratio), *rotation.xx.shape))
    weight = ratio[:, None] / (1 + ratio[:, None] * rotation.sizes)
    return np.asarray(rotation.xx - np.tensordot(weight, rotation.class_xx, axes=1))


def blups(levels: Levels, left: Array, ratio: Array) -> Array:
    """Return bag effects (responses, bags) from residuals y - X beta: l n/(1 + l n) times the bag's mean."""
    shrink = ratio[:, None] / (1 + ratio[:, None] * levels.sizes)
    return np.asarray(shrink * bag_sums(left, levels))
