"""One random term: a rotation after which every step of REML or ML is a short sum, for many responses at once.

With M = Z'(I - P_X)Z = U diag(d) U' and z = diag(d)^-1/2 U'Z'(y - X b_ols), the z_i are independent
N(0, s(1 + l d_i)), S0 ~ s chi2(nu - k), and with w_i = 1/(1 + l d_i), l = s_bag/s, Q(l) = S0 + sum w_i z_i²:

    -2 log restricted likelihood = nu (log(2 pi Q/nu) + 1) + sum log(1 + l d_i) + log|X'X|

(Pinheiro & Bates 2000, section 2.2, in the eigenbasis of M). ML replaces nu by n and sum log(1 + l d_i) by
sum log(1 + l n_b), and drops log|X'X|. Rows of every array are responses.
A grid by one matrix product and safeguarded Newton steps minimise it, whatever the number of burns.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np

from kit.errors import KitError
from kit.variance.burn_arrays import Array, Codes, Levels
from kit.variance.design import Design, Term
from kit.variance.optimise import Mask

Method = Literal["REML", "ML"]

LARGEST_DENSE = 1500
"""Bags that can be diagonalised together where covariates or crossed days couple them."""


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
    reduction
        Bags of one size in one fuel taken together; None for any other design.
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
    reduction: Reduction | None = None

    @cached_property
    def within_xx(self) -> Array:
        """X'X within bags; what a difference leaves of rounding is zero."""
        within = self.xx - (self.class_xx.T / self.sizes).T.sum(axis=0)
        scale = np.sqrt(np.outer(np.diag(self.xx), np.diag(self.xx)))
        return np.asarray(np.where(np.abs(within) < 1e-12 * scale, 0.0, within))

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
        return np.asarray(self.s0 + np.vecdot(self.z, self.z) + self.idle_zz.sum(axis=1))


def bag_sums(rows: Array, levels: Levels) -> Array:
    """Return sums over each level: (responses, burns) to (responses, levels)."""
    if len(rows) <= 8:
        return np.array([np.bincount(levels.codes, row, levels.count) for row in rows])
    return np.asarray(np.add.reduceat(rows[:, levels.order], levels.starts, axis=1))


@dataclass(frozen=True)
class Reduction:
    """Cell means: bags of one size in one fuel make a cell.

    Attributes
    ----------
    cell, of_fuel
        The cell and the fuel of each bag.
    of_size, fuel
        Of each cell: its place among the distinct bag sizes, and its fuel.
    root
        Square root of a cell's bags.
    U
        (fuels, sizes, sizes) eigenvectors over the cells of a fuel; `fuels` and `column` pick the active ones.
    burns
        Burns of each fuel.
    idle
        Sizes of which some fuel has two bags or more.
    """

    cell: Levels
    of_fuel: Levels
    of_size: Levels
    fuel: Codes
    root: Array
    U: Array
    fuels: Codes
    column: Codes
    burns: Array
    idle: Codes


def rotation_of(design: Design, term: Term | None) -> Rotation:
    """Return the design's part of the rotated form for one random term (or none)."""
    xx = design.R.T @ design.R
    logdet = 2 * float(np.log(np.abs(design.R.diagonal())).sum())
    if term is None:
        none, p = np.zeros(0), design.p
        return Rotation(none, np.zeros((p, 0)), none, none, none, none, np.zeros((0, p, p)), xx, design.nu,
                        design.n, logdet, None)  # fmt: skip
    sizes, size_of, count = _distinct(term.levels.sizes)
    if design.cell_means and term.lies_in is not None:
        parts = _by_size(design.p, term.lies_in, sizes, size_of)
    else:
        parts = _dense(design, term.levels, size_of, len(sizes))
    return Rotation(*parts[:4], sizes.astype(np.float64), count.astype(np.float64), parts[4], xx, design.nu,
                    design.n, logdet, *parts[5:])  # fmt: skip


def _distinct(values: Codes) -> tuple[Codes, Codes, Codes]:
    """Distinct small counts in order, the place of each value among them, and how often they occur."""
    often = np.bincount(values)
    found = np.flatnonzero(often)
    place = np.empty(len(often), dtype=np.int64)
    place[found] = np.arange(len(found))
    return found, place[values], often[found]


Parts = tuple[Array, Array, Array, Array, Array, Array | None, Reduction | None]


def check_size(levels: int, name: str) -> None:
    """Refuse more levels than can be diagonalised together.

    Raises
    ------
    KitError
        With what to leave out.
    """
    if levels > LARGEST_DENSE:
        raise KitError.refuse(
            "table", f"{levels} {name}s beside covariates or days", f"at most {LARGEST_DENSE} of them",
            "Leave the covariates and days out (then any number will do), or fit part of the burns.",
        )  # fmt: skip


def _dense(design: Design, levels: Levels, size_of: Codes, sizes: int) -> Parts:
    """Any X: diagonalise M over all bags."""
    check_size(levels.count, design.terms[0].name)
    sums = bag_sums(np.ascontiguousarray(design.X.T), levels)
    class_xx = np.stack([sums[:, size_of == m] @ sums[:, size_of == m].T for m in range(sizes)])
    solved = np.linalg.solve(design.R.T, sums)
    M = np.diag(levels.sizes.astype(np.float64)) - solved.T @ solved
    d, U = np.linalg.eigh(M)
    keep = d > 1e-9 * levels.sizes.max()
    d, U = d[keep], U[:, keep]
    root = np.sqrt(d)
    G = np.linalg.solve(design.R, solved @ (U * root))  # (X'X)^-1 X'Z U d^1/2
    return d, G, np.zeros(0), np.zeros(0), class_xx, U / root, None


def _by_size(p: int, fuel_of_bag: Codes, sizes: Codes, size_of: Codes) -> Parts:
    """Cell means: within a fuel, bags of one size differ along eigenvalue n; only the size means couple."""
    keys, of_bag, count = _distinct(fuel_of_bag * len(sizes) + size_of)
    fuel, size = keys // len(sizes), keys % len(sizes)
    spare = np.asarray(np.bincount(size, count - 1.0, len(sizes)), dtype=np.float64)
    idle = np.flatnonzero(spare)
    burns = np.asarray(np.bincount(fuel, sizes[size] * count, p), dtype=np.float64)
    weight = np.zeros((p, len(sizes)))  # Z'1 in the class basis: n sqrt(bags)
    weight[fuel, size] = sizes[size] * np.sqrt(count)
    d, U = _coupled(weight, sizes, burns)
    fuels, column = np.nonzero(d > 1e-9 * sizes[-1])
    active = d[fuels, column]
    G = np.zeros((p, len(active)))
    along = (U[fuels, :, column] * weight[fuels]).sum(axis=1) * np.sqrt(active)
    G[fuels, np.arange(len(active))] = along / burns[fuels]
    cell, of_fuel, of_size = (
        Levels(codes, tuple(range(levels)))
        for codes, levels in ((of_bag, len(count)), (fuel_of_bag, p), (size, len(sizes)))
    )
    reduction = Reduction(cell, of_fuel, of_size, fuel, np.sqrt(count), U, fuels, column, burns, idle)
    class_xx = (weight.T**2)[:, :, None] * np.eye(p)  # x_b = n_b on its fuel
    return active, G, sizes[idle].astype(np.float64), spare[idle], class_xx, None, reduction


def _coupled(weight: Array, sizes: Codes, burns: Array) -> tuple[Array, Array]:
    """Eigenvalues (fuels, m) and vectors (fuels, m, m) of M over the size means of each fuel."""
    if len(sizes) == 1:
        return np.zeros((len(burns), 1)), np.ones((len(burns), 1, 1))
    there = (weight > 0) * sizes
    M = there[:, :, None] * np.eye(len(sizes))
    M -= weight[:, :, None] * weight[:, None, :] / burns[:, None, None]
    found = np.linalg.eigh(M)
    return found.eigenvalues, found.eigenvectors


def rotate(design: Design, rotation: Rotation, levels: Levels | None, values: Array) -> Rotated:
    """Return the responses (responses, burns) in the rotated space.

    Values are centred on one of their own first, so that many equal leading digits are not lost.
    """
    centre = values[:, :1]
    y = values - centre
    level = y.mean(axis=1, keepdims=True)
    centre, y = centre + level, y - level
    if levels is not None and rotation.reduction is not None:
        return _rotate_cells(rotation, rotation.reduction, levels, y, centre)
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
    """Residual sum of squares of y within levels on X within levels."""
    inside = _less_bag_means(y, levels)
    U, size, _ = np.linalg.svd(_less_bag_means(design.X.T, levels).T, full_matrices=False)
    U = U[:, size > 1e-9 * np.linalg.norm(design.X)]
    inside = inside - (inside @ U) @ U.T
    return np.asarray((inside**2).sum(axis=1))


def _less_bag_means(rows: Array, levels: Levels) -> Array:
    return np.asarray(rows - (bag_sums(rows, levels) / levels.sizes)[:, levels.codes])


def _rotate_cells(rotation: Rotation, r: Reduction, levels: Levels, y: Array, centre: Array) -> Rotated:
    """The same by sums over bags, then over bags of one size in one fuel."""
    size = r.of_size.codes
    sums = bag_sums(y, levels)
    means = sums / levels.sizes
    inside = y - means[:, levels.codes]
    b = bag_sums(sums, r.of_fuel) / r.burns
    off = means - b[:, r.of_fuel.codes]
    middle = bag_sums(off, r.cell) / r.cell.sizes
    off -= middle[:, r.cell.codes]
    scatter = bag_sums(off * off, r.cell) * rotation.sizes[size]
    table = np.zeros((len(y), *r.U.shape[:2]))
    table[:, r.fuel, size] = middle * r.root * rotation.sizes[size]
    z = (table[:, r.fuels] * r.U[r.fuels, :, r.column]).sum(axis=2) / np.sqrt(rotation.d)
    return Rotated(z, bag_sums(scatter, r.of_size)[:, r.idle], np.vecdot(inside, inside), b + centre)


def means_at(rotation: Rotation, rotated: Rotated, ratio: Array) -> Array:
    """Return beta(l) (responses, p): generalised least squares at each response's ratio."""
    shrunk = ratio[:, None] * rotated.z / (1 + ratio[:, None] * rotation.d)
    return np.asarray(rotated.b_ols - shrunk @ rotation.G.T)


def blups(levels: Levels, left: Array, ratio: Array) -> Array:
    """Return bag effects (responses, bags) from residuals y - X beta: l n/(1 + l n) times the bag's mean."""
    shrink = ratio[:, None] / (1 + ratio[:, None] * levels.sizes)
    return np.asarray(shrink * bag_sums(left, levels))


GRID = np.concatenate([[0.0], np.logspace(-3, 6.5, 58)])
"""Values of l times the mean eigenvalue at which every response is tried first."""

_NEIGHBOURS = np.arange(-2, 3)
_QUARTIC = (
    np.array([[1, -8, 0, 8, -1], [-1, 16, -30, 16, -1], [-6, 12, 0, -12, 6], [12, -48, 72, -48, 12]]).T / 12
)
"""Central differences of five neighbours: first to fourth derivative, a step apart."""


@dataclass(frozen=True)
class Criterion:
    """Sums that make the profiled criterion of any ratio l.

    Attributes
    ----------
    d, zz
        Eigenvalues (k,) and summed squares (responses, k) of the quadratic form Q.
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
    """Return the sums of the profiled criterion."""
    d, count = rotation.all_d, rotation.all_count
    if method == "REML":
        return Criterion(d, rotated.zz, rotated.s0, d, count, rotation.nu, rotation.logdet_xx)
    return Criterion(d, rotated.zz, rotated.s0, rotation.sizes, rotation.class_count, rotation.n, 0.0)


def quadratic(c: Criterion, ratio: Array) -> Array:
    """Q(l) of each response at its own ratio (responses,)."""
    return np.asarray(c.s0 + np.vecdot(c.zz, 1 / (1 + ratio[:, None] * c.d)))


def deviance(c: Criterion, ratio: Array) -> Array:
    """Return the profiled criterion of each response at its own ratio l >= 0, with its constants."""
    return _deviance(c, ratio, quadratic(c, ratio))


def _deviance(c: Criterion, ratio: Array, Q: Array) -> Array:
    logdet = np.log1p(ratio[:, None] * c.det) @ c.det_count
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
    Q, Q1, Q2 = c.s0 + np.vecdot(w, c.zz), -first.sum(axis=1), 2 * np.vecdot(first, dw)
    e = dw if c.det is c.d else c.det / (1 + ratio[:, None] * c.det)
    pull = Q1 / Q
    return e @ c.det_count + c.dof * pull, c.dof * (Q2 / Q - pull * pull) - (e * e) @ c.det_count


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
        return _solved(c, zero, np.ones(R, dtype=np.bool_), 1)
    one_size = len(c.d) == len(c.det) == 1 and abs(c.d[0] - c.det[0]) <= 1e-10 * c.d[0]
    if one_size and c.dof > c.det_count.sum():
        return _closed(c)
    grid = GRID * (c.det_count.sum() / float(c.det @ c.det_count))
    table = deviance_grid(c, grid)
    best = table.argmin(axis=1)
    low, high = grid[np.maximum(best - 1, 0)], grid[np.minimum(best + 1, len(grid) - 1)]
    endless = best == len(grid) - 1  # burns of one bag that agree exactly: the criterion has no minimum
    ratio, held = _start(table, grid, best), best == 0
    if held.any():
        held &= slopes(c, np.zeros(R))[0] >= 0
        ratio[held] = 0.0
    ratio, done, steps = _newton(c, ratio, low, high, held | endless)
    return _solved(c, ratio, done & ~endless, len(grid) + steps)


def _solved(c: Criterion, ratio: Array, done: Mask, evaluations: int) -> Solved:
    Q = quadratic(c, ratio)
    return Solved(ratio, Q / c.dof, _deviance(c, ratio, Q), done, evaluations)


def _start(table: Array, grid: Array, best: Codes) -> Array:
    """Least point in log l of the parabola through the best grid point and its neighbours, mended by a quartic."""
    middle = np.minimum(np.maximum(best, 3), len(grid) - 3)
    near = table[np.arange(len(best))[:, None], middle[:, None] + _NEIGHBOURS]
    first, second, third, fourth = (near @ _QUARTIC).T
    bend = np.where(second > 0, second, np.inf)
    x = -first / bend
    tilt = first + x * (second + x * (third / 2 + x * fourth / 6))
    x -= tilt / bend
    return np.where(
        best > 2, grid[middle] * (grid[3] / grid[2]) ** np.minimum(np.maximum(x, -1), 1), grid[best]
    )


def _closed(c: Criterion) -> Solved:
    """Balanced designs: x = 1 + l d = zz (dof - k)/(k S0), the ratio of mean squares, bounded at 1."""
    k = c.det_count[0]
    with np.errstate(divide="ignore", invalid="ignore"):
        x = c.zz[:, 0] * (c.dof - k) / (k * c.s0)
    fine = np.isfinite(x)
    ratio = np.maximum(np.where(fine, x, 1.0) - 1, 0.0) / c.d[0]
    return _solved(c, ratio, fine, 1)


def _newton(c: Criterion, ratio: Array, low: Array, high: Array, held: Mask) -> tuple[Array, Mask, int]:
    """Newton steps in log(l + 1/d), where the criterion is nearly a parabola; else bisection."""
    done, shift, live, x = held.copy(), 1 / c.d.max(), np.flatnonzero(~held), ratio
    if len(live) < len(ratio):
        c, x, low, high = _rows(c, live), x[live], low[live], high[live]
    step = 0
    while len(live) and step < 100:
        step += 1
        up, curve = slopes(c, x)
        y = x + shift
        pull = y * up
        enough: Array | float = 3e-8  # the step after one this small is below rounding
        bend = pull + y * y * curve
        convex = bend > 0
        new = y * np.exp(-pull / np.where(convex, bend, np.inf)) - shift
        inside = convex & (new >= low) & (new <= high)
        if step > 8 or not inside.all():
            high, low = np.where(up > 0, x, high), np.where(up > 0, low, x)
            new, enough = np.where(inside, new, (low + high) / 2), np.where(inside, enough, 1e-12)
        # near zero a slope has no more digits than 1/d leaves it
        near = np.abs(new - x) <= enough * np.maximum(new, 0.01 * shift)
        ratio[live], done[live], x = new, near, new
        if near.any():
            more = ~near
            live, x, low, high, c = live[more], x[more], low[more], high[more], _rows(c, more)
    return ratio, done, step


def _rows(c: Criterion, rows: Codes | Mask) -> Criterion:
    return replace(c, zz=c.zz[rows], s0=c.s0[rows])
