"""One random term and one burn SD: a rotation after which every step is a short sum, for many responses at once.

With M = Z'(I - P_X)Z = U diag(d) U' and z = diag(d)^-1/2 U'Z'(y - X b_ols), the z_i are independent
N(0, s(1 + l d_i)), S0 ~ s chi2(nu - k), and with w_i = 1/(1 + l d_i), l = s_bag/s, Q(l) = S0 + sum w_i z_i²:

    -2 log restricted likelihood = nu (log(2 pi Q/nu) + 1) + sum log(1 + l d_i) + log|X'X|

(Pinheiro & Bates 2000, section 2.2, in the eigenbasis of M). Rows of every array are responses. V itself is s + n s_bag
along the means of levels of n burns and s within levels: its strata.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from kit.variance.burn_arrays import Array, Codes, Levels, Mask, refused
from kit.variance.design import Design, Method
from kit.variance.optimise import Derivatives, Minimum
from kit.variance.residual_space import RANK, Along, Coordinates, Pieces, Residuals, strata_deviance

LARGEST_DENSE = 1500
"""Levels that can be diagonalised together where covariates or crossed days couple them."""

FEW = 60
"""Levels that are diagonalised together though each lies in one mean."""


@dataclass(frozen=True)
class AlongStrata(Along):
    """The same where V is diagonal: X'V⁻¹X = Σ xx/(1 + λ sizes), in units of R⁻¹, keeps all digits of variances.

    Attributes
    ----------
    sizes, xx
        (strata,) and (strata, p, p).
    """

    sizes: Array
    xx: Array

    def variances(self, ratio: Array, L: Array) -> Array:
        """Return the variances (1, i, contrasts) of contrasts in units of s; L (contrasts, p) times R⁻¹.

        Far out on an axis one mean may be known 1e20 times better than another: each is inverted in its own units.
        """
        information = np.tensordot(1 / (1 + ratio[0, :, None] * self.sizes), self.xx, axes=1)
        own = np.diagonal(information, axis1=1, axis2=2)
        # nothing couples any two means
        if np.count_nonzero(own) == np.count_nonzero(information) == own.size:
            return np.asarray(np.maximum((1 / own) @ (L * L).T, 1e-300))[None]
        unit = 1 / np.sqrt(np.maximum(own, 1e-300))
        units = unit[:, :, None] * unit[:, None]
        try:
            phi = np.linalg.inv(information * units) * units
        except np.linalg.LinAlgError:  # means that only bags tell apart, where bags tell nothing
            phi = np.linalg.pinv(information * units, hermitian=True) * units
        return np.asarray(np.maximum(np.vecdot(L @ phi, L), 1e-300))[None]


@dataclass(frozen=True)
class Rotation(Coordinates):
    """The design's part of the rotated form.

    Attributes
    ----------
    design, levels
        The design, and the levels of its random term.
    d
        (k,) positive eigenvalues of M.
    lift
        U d^-1/2, from sums of residuals to coordinates: rows are levels of a block, which are diagonalised together.
    pull
        (p, k): beta(l) = b_ols - pull (l w z).
    inner
        (n, q) orthonormal basis of X within levels.
    loads, levels_of, xx
        (strata, c) multiples of the variances in V, (strata - 1,) levels of each size, and (strata, p, p) X'EX with
        the projection E on each stratum; last that within levels.
    """

    design: Design
    levels: Levels
    d: Array
    lift: tuple[tuple[Codes, Array], ...]
    pull: Array
    inner: Array
    loads: Array
    levels_of: Array
    xx: Array

    @property
    def terms(self) -> int:
        """How many of the components are random terms."""
        return 1

    def sizes(self, term: int) -> Array:
        """Burns of each of the term's levels."""
        return np.asarray(self.levels.sizes, dtype=np.float64)

    def eigenvalues(self, term: int) -> Array:
        """Those of K'ZZ'K that are not zero."""
        return self.d

    def pole(self, outer: Array) -> Array:
        """Return the burns of the largest level over the burn variances."""
        return np.asarray(self.sizes(0).max() / outer[:, -1])

    def rotate(self, y: Array) -> Residuals:
        """Return responses (responses, burns)."""
        Q = self.design.Q
        b = (y @ Q) @ self.back.T
        left = y - b @ self.design.X.T
        left -= (left @ Q) @ Q.T
        sums = self.levels.sums(left)
        z = np.hstack([sums[:, own] @ lift for own, lift in self.lift])
        inside = self.levels.less_means(y)
        inside -= (inside @ self.inner) @ self.inner.T
        return Residuals(z, np.vecdot(inside, inside)[:, None], b)

    def along(self, outer: Array) -> Along:
        """Return the likelihood along the term's ratio, at burn variances (o, c) of one."""
        xx, sizes = self.back.T @ self.xx @ self.back, self.loads[:, 0]
        C1, G1 = (self.design.R @ self.pull)[None], np.tensordot(sizes, xx, axes=1)[None]
        return AlongStrata(
            np.ones(1, dtype=np.bool_), np.zeros(1), self.d[None], np.eye(self.k)[None], np.ones((1, 1)),
            np.zeros_like(C1), C1, np.eye(self.p)[None], G1, sizes, xx,
        )  # fmt: skip

    def deviance(self, theta: Array, z: Array, rss: Array, _: Method) -> Derivatives:
        """Return the criterion without its constants at theta, and its derivatives in the variances."""
        loads = np.column_stack([np.append(self.d, 0.0), np.ones(self.k + 1)])
        count = np.append(np.ones(self.k), self.free)
        return strata_deviance(theta, loads, count, np.hstack([z * z, rss]))

    def moved(self, theta: Array, z: Array) -> Array:
        """Return pull (l w z) (rows, p)."""
        return np.asarray((theta[:, :1] * z / (theta[:, -1:] + theta[:, :1] * self.d)) @ self.pull.T)

    def pieces(self, theta: Array) -> Pieces:
        """Sums over strata."""
        R, c, p, d = len(theta), theta.shape[1], self.p, self.loads
        means = self.xx.reshape(len(d), p * p)
        count = np.append(self.levels_of, self.inner.shape[1] + self.free)
        u = 1 / (theta @ d.T)
        P = ((u * u)[:, None] * d.T @ means).reshape(R, c, p, p)
        Q = ((u**3)[:, None, None] * (d.T[:, None] * d.T) @ means).reshape(R, c, c, p, p)
        t = ((u * u * count)[:, None] * d.T) @ d
        phi = np.linalg.inv((u @ means).reshape(R, p, p))
        return Pieces(np.asarray(phi, dtype=np.float64), P, Q, t)

    def drawn(self, theta: Array, normals: Array) -> Array:
        """Return coordinates z (trials, k) at theta (c,) from as many standard normal numbers."""
        return np.asarray(normals * np.sqrt(theta[-1] + theta[0] * self.d))


def rotation_of(design: Design) -> Rotation:
    """Return the rotated form of a design with one random term and one burn SD.

    Raises
    ------
    KitError
        Where more levels than can be diagonalised are coupled.
    """
    back, xx = np.asarray(np.linalg.inv(design.R), dtype=np.float64), design.R.T @ design.R
    term = design.terms[0]
    levels, lies_in = term.levels, term.lies_in if design.cell_means else None
    sums = levels.sums(np.ascontiguousarray(design.X.T))
    solved = back.T @ sums
    if lies_in is None and levels.count > LARGEST_DENSE:
        raise refused("many beside", levels=levels.count, name=term.name, most=LARGEST_DENSE)
    blocks = [np.arange(levels.count)]  # levels that are diagonalised together
    if lies_in is not None and levels.count > FEW:  # nothing couples those of several means
        blocks = np.split(np.argsort(lies_in, kind="stable"), np.cumsum(np.bincount(lies_in))[:-1])
    found, lift, pull = [], [], []
    for block in blocks:
        some = solved[:, block]
        values, U = np.linalg.eigh(np.diag(levels.sizes[block]) - some.T @ some)
        kept = values > RANK * levels.sizes.max()
        root, U = np.sqrt(values[kept]), U[:, kept]
        found.append(values[kept])
        lift.append((block, U / root))
        pull.append(some @ (U * root))
    d, inner = np.concatenate(found), np.zeros((design.n, 0))
    if lies_in is None:
        U, left, _ = np.linalg.svd(levels.less_means(design.X.T).T, full_matrices=False)
        inner = U[:, left > RANK * np.linalg.norm(design.X)]
    sizes = np.unique(levels.sizes)
    along = np.array([(own := sums[:, levels.sizes == size]) @ own.T / size for size in sizes])
    rest = xx - along.sum(axis=0)
    scale = np.sqrt(np.outer(xx.diagonal(), xx.diagonal()))
    rest = np.where(np.abs(rest) < 1e-12 * scale, 0.0, rest)  # what a difference leaves of rounding is zero
    loads = np.column_stack([np.append(sizes, 0.0), np.ones(len(sizes) + 1)])
    often = np.bincount(levels.sizes)[sizes].astype(np.float64)
    return Rotation(
        back, np.array([float(design.nu - len(d))]), len(d), design, levels, d, tuple(lift), back @ np.hstack(pull),
        inner, loads, often, np.concatenate([along, rest[None]]),
    )  # fmt: skip


GRID = np.concatenate([[0.0], np.logspace(-3, 6.5, 58)])
"""Values of l times the mean eigenvalue at which every response is tried first."""

ROUNDING = 1e24
"""A ratio of mean squares from here on is one to nothing but rounding."""


@dataclass(frozen=True)
class Criterion:
    """Sums that make the criterion of any ratio l, with the best s beside it.

    Attributes
    ----------
    d, zz
        Eigenvalues (k,) and squares (responses, k) of the quadratic form Q.
    s0
        (responses,) its constant part.
    dof
        nu.
    """

    d: Array
    zz: Array
    s0: Array
    dof: float

    def quadratic(self, ratio: Array) -> Array:
        """Q(l) of each response at its own ratio (responses,)."""
        return np.asarray(self.s0 + np.vecdot(self.zz, 1 / (1 + ratio[:, None] * self.d)))

    def value(self, Q: Array, logdet: Array) -> Array:
        """Return the criterion without log|X'X|."""
        return np.asarray(self.dof * (np.log(2 * np.pi * Q / self.dof) + 1) + logdet)

    def slopes(self, ratio: Array) -> tuple[Array, Array]:
        """Return first and second derivatives in l (responses,)."""
        w = 1 / (1 + ratio[:, None] * self.d)
        dw = self.d * w
        first, ones = dw * w * self.zz, np.ones(len(self.d))  # a product is faster than a sum of short rows
        Q, Q1, Q2 = self.s0 + np.vecdot(w, self.zz), -first @ ones, 2 * np.vecdot(first, dw)
        pull = Q1 / Q
        return dw @ ones + self.dof * pull, self.dof * (Q2 / Q - pull * pull) - np.vecdot(dw, dw)

    def rows(self, rows: Codes | Mask) -> Criterion:
        """Return some of the responses."""
        return replace(self, zz=self.zz[rows], s0=self.s0[rows])


def solve(space: Rotation, data: Residuals) -> Minimum:
    """Minimise the criterion over l >= 0: a grid, then safeguarded Newton steps inside its bracket.

    Converged are responses whose last step is below one part in 1e10, or which are at the bound with a slope upwards.
    """
    c = Criterion(space.d, data.z**2, data.rss[:, 0], space.dof)
    k = len(c.d)
    if np.ptp(c.d) <= 1e-10 * c.d[0] and c.dof > k:
        # balanced designs: x = 1 + l d = zz (dof - k)/(k S0), the ratio of mean squares, bounded at 1
        with np.errstate(divide="ignore", invalid="ignore"):
            x = c.zz.sum(axis=1) * (c.dof - k) / (k * c.s0)
        fine = x < ROUNDING
        return _solved(c, np.maximum(np.where(fine, x, 1.0) - 1, 0.0) / c.d[0], fine, 1)
    grid = GRID / c.d.mean()
    Q = c.s0[:, None] + c.zz @ (1 / (1 + grid * c.d[:, None]))
    table = c.value(Q, np.log1p(grid * c.d[:, None]).sum(axis=0))
    best = table.argmin(axis=1)
    low, high = grid[np.maximum(best - 1, 0)], grid[np.minimum(best + 1, len(grid) - 1)]
    endless = best == len(grid) - 1  # burns of one bag that agree exactly: the criterion has no minimum
    # least point in log l of the parabola through the best grid point and its neighbours
    middle = np.minimum(np.maximum(best, 2), len(grid) - 2)
    before, at, after = table[np.arange(len(best)), middle + np.arange(-1, 2)[:, None]]
    bend = before + after - 2 * at
    x = np.divide(before - after, 2 * bend, out=np.zeros_like(bend), where=bend > 0)
    least = grid[middle] * (grid[3] / grid[2]) ** np.minimum(np.maximum(x, -1), 1)
    ratio, held = np.where(best > 1, least, grid[best]), best == 0
    if held.any():
        held &= c.slopes(np.zeros(len(held)))[0] >= 0
        ratio[held] = 0.0
    ratio, done, steps = _newton(c, ratio, low, high, held | endless)
    return _solved(c, ratio, done & ~endless, len(grid) + steps)


def _solved(c: Criterion, ratio: Array, done: Mask, evaluations: int) -> Minimum:
    Q = c.quadratic(ratio)
    value = c.value(Q, np.log1p(ratio[:, None] * c.d) @ np.ones(len(c.d)))
    burn = Q / c.dof
    return Minimum(np.stack([ratio * burn, burn], axis=1), value, done, evaluations)


def _newton(c: Criterion, ratio: Array, low: Array, high: Array, held: Mask) -> tuple[Array, Mask, int]:
    """Newton steps in log(l + 1/d), where the criterion is nearly a parabola; else bisection."""
    done, shift, live, x = held.copy(), 1 / c.d.max(), np.flatnonzero(~held), ratio
    if len(live) < len(ratio):
        c, x, low, high = c.rows(live), x[live], low[live], high[live]
    step = 0
    while len(live) and step < 100:
        step += 1
        up, curve = c.slopes(x)
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
            live, x, low, high, c = live[more], x[more], low[more], high[more], c.rows(more)
    return ratio, done, step
