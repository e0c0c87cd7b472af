"""One random term: the profiled criterion of many responses at once, and its minimum.

With the rotated form of kit.variance.nested the criterion is a short sum in the ratio l = s_bag/s, whatever the number
of burns; a grid by one matrix product and safeguarded Newton steps minimise it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from kit.variance.columns import Array, Codes
from kit.variance.nested import Method, Rotated, Rotation
from kit.variance.optimise import Mask

GRID = np.concatenate([[0.0], np.logspace(-3, 6.5, 58)])
"""Values of l times the mean eigenvalue at which every response is tried first."""


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
    return np.asarray(c.s0 + np.vecdot(c.zz, 1 / (1 + ratio[:, None] * c.d)))


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
        return Solved(zero, c.s0 / c.dof, deviance(c, zero), np.ones(R, dtype=np.bool_), 1)
    one_size = len(c.d) == len(c.det) == 1 and abs(c.d[0] - c.det[0]) <= 1e-10 * c.d[0]
    if one_size and c.dof > c.det_count.sum():
        return _closed(c)
    grid = GRID * (c.det_count.sum() / float(c.det @ c.det_count))
    table = deviance_grid(c, grid)
    best = table.argmin(axis=1)
    low, high = grid[np.maximum(best - 1, 0)], grid[np.minimum(best + 1, len(grid) - 1)]
    ratio, held = _start(table, grid, best), np.zeros(R, dtype=np.bool_)
    if (best == 0).any():
        held = (best == 0) & (slopes(c, np.zeros(R))[0] >= 0)
        ratio[held] = 0.0
    ratio, done, steps = _newton(c, ratio, low, high, held)
    done &= best < len(grid) - 1  # burns of one bag that agree exactly: the criterion has no minimum
    return Solved(ratio, quadratic(c, ratio) / c.dof, deviance(c, ratio), done, len(grid) + steps)


def _start(table: Array, grid: Array, best: Codes) -> Array:
    """Vertex of the parabola in log l through the best grid point and its neighbours."""
    rows, middle = np.arange(len(best)), np.minimum(np.maximum(best, 2), len(grid) - 2)
    left, here, right = table[rows, middle - 1], table[rows, middle], table[rows, middle + 1]
    bend = left - 2 * here + right
    shift = 0.5 * (left - right) / np.where(bend > 0, bend, np.inf)
    vertex = grid[middle] * (grid[3] / grid[2]) ** np.minimum(np.maximum(shift, -1), 1)
    return np.where(best > 1, vertex, grid[best])


def _closed(c: Criterion) -> Solved:
    """Balanced designs: x = 1 + l d = zz (dof - k)/(k S0), the ratio of mean squares, bounded at 1."""
    k = c.det_count[0]
    with np.errstate(divide="ignore", invalid="ignore"):
        x = c.zz[:, 0] * (c.dof - k) / (k * c.s0)
    fine = np.isfinite(x)
    ratio = np.maximum(np.where(fine, x, 1.0) - 1, 0.0) / c.d[0]
    return Solved(ratio, quadratic(c, ratio) / c.dof, deviance(c, ratio), fine, 1)


def _newton(c: Criterion, ratio: Array, low: Array, high: Array, held: Mask) -> tuple[Array, Mask, int]:
    """Newton steps in log(l + 1/d), where the criterion is nearly a parabola; else bisection."""
    done, shift, step = held.copy(), 1 / c.d[-1], 0
    for step in range(1, 101):
        live = np.flatnonzero(~done)
        if not len(live):
            break
        part = c if len(live) == len(done) else replace(c, zz=c.zz[live], s0=c.s0[live])
        x = ratio[live]
        up, curve = slopes(part, x)
        y = x + shift
        bend = y * (up + y * curve)
        new = y * np.exp(-y * up / np.where(bend > 0, bend, np.inf)) - shift
        inside = (bend > 0) & (new >= low[live]) & (new <= high[live])
        if step > 8 or not inside.all():
            high[live], low[live] = np.where(up > 0, x, high[live]), np.where(up > 0, low[live], x)
            new = np.where(inside, new, (low[live] + high[live]) / 2)
        ratio[live] = new
        # the step after one this small is below rounding; near zero a slope has no more digits than 1/d leaves it
        done[live] = np.abs(new - x) <= np.where(inside, 3e-8, 1e-12) * np.maximum(new, 0.01 * shift)
    return ratio, done, step
