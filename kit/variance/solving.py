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
