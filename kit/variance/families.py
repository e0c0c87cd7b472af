"""Families of comparisons: the largest of several t or |t| (Tukey, Dunnett, Hsu, any correlation), and Holm."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np
from numpy.polynomial import chebyshev, legendre
from numpy.typing import ArrayLike
from scipy import special
from scipy.interpolate import PPoly

from kit.variance.burn_arrays import Array

_PANEL, _PANELS, _DEGREE = 0.25, 60, 13
"""Width and number of the stretches on which S is a polynomial, and its degree; beyond them it is nothing."""

_gauss_legendre = lru_cache(maxsize=8)(legendre.leggauss)

_CELLS, _NODES = 1024, 32
"""In which directions are counted, and how many nodes then stand for all of them."""

_FLAT = 1e-9
_NEAR = 0.05
_ALIKE = 0.999  # beyond it a product takes more and more points
_MOST = 12
_DISTINCT = 60
"""Degrees of freedom up to which each has its own critical value; of more, values are laid through as many."""

_AT_ONCE = 20_000
"""How many p are worked out together: each takes a sum over some hundred nodes."""

NEAR = 1e-7
"""A step of Newton's this short leaves an error of about its square."""

Points = Callable[[int], Array]
"""Dimensions -> points of the unit cube, spread evenly."""


@dataclass(frozen=True)
class Family:
    """The distribution of the largest |t| (or t) of a family of comparisons that share one estimate of spread.

    With s = χ_ν/√ν and S(h) the chance that the largest |normal| of the family exceeds h,
    P(max|T| > c) = E[S(c·s)] (Hochberg & Tamhane 1987, eq. 3.2.4), one sum over log s for any ν.

    Attributes
    ----------
    comparisons
        How many comparisons the family holds.
    tail, slope
        S and its derivative, up to where it is nothing.
    sides
        2 for the largest |t|; 1 for the largest t, of the normals likewise.
    """

    comparisons: int
    tail: PPoly
    slope: PPoly
    sides: int = 2

    def p(self, t: ArrayLike, df: ArrayLike) -> Array:
        """Return P(max|T| > |t|) for each t, all together; t and df broadcast, df at least 0.5.

        One-sided P(max T > t), for a t below zero that of zero.
        """
        away = np.abs(np.asarray(t, float)) if self.sides == 2 else np.maximum(np.asarray(t, float), 0.0)
        size, freedom = np.broadcast_arrays(away, np.asarray(df, float))
        alone = self.sides * special.stdtr(freedom, -size)
        parts = -(-size.size // _AT_ONCE) or 1
        parted = zip(np.array_split(size.ravel(), parts), np.array_split(freedom.ravel(), parts), strict=True)
        mixed = np.concatenate([self._mixed(some, *_chi_nodes(each))[0] for some, each in parted])
        mixed = mixed.reshape(size.shape)
        # p lies between that of one comparison and Bonferroni's: exact far out, where a sum loses digits
        return np.asarray(np.clip(mixed, alone, np.minimum(1.0, self.comparisons * alone)))

    def critical(self, level: float, df: ArrayLike) -> Array:
        """Return c with P(max|T| > c) = 1 − level (one-sided P(max T > c)): the multiplier of simultaneous limits."""
        freedom = np.asarray(df, float)
        known = np.where(np.isnan(freedom), 1.0, freedom)
        distinct, place = np.unique(known, return_inverse=True)
        root = partial(self._root, 1 - level)
        if len(distinct) > _DISTINCT:  # log c is smooth in 1/df
            ends = [1 / float(distinct[-1]), 1 / float(distinct[0])]
            curve = chebyshev.Chebyshev.interpolate(lambda u: np.log(root(1 / u)), _DISTINCT, ends)
            found = np.exp(curve(1 / distinct))
        else:
            found = root(distinct)
        return np.asarray(np.where(np.isnan(freedom), np.nan, found[place].reshape(freedom.shape)))

    def _root(self, alpha: float, df: Array) -> Array:
        low = -special.stdtrit(df, alpha / self.sides)
        high = -special.stdtrit(df, alpha / self.sides / self.comparisons)
        c, nodes = high, _chi_nodes(df)
        for _ in range(50 if self.comparisons > 1 else 0):
            p, slope = self._mixed(c, *nodes)
            low, high = np.where(p > alpha, c, low), np.where(p > alpha, high, c)
            # Newton for log p in log c, where p is nearly straight
            step = c * np.exp(-np.log(p / alpha) * p / (c * slope))
            if np.all(np.abs(step - c) <= NEAR * c):
                return np.asarray(step)
            c = np.where((step > low) & (step < high), step, np.sqrt(low * high))
        return np.asarray(c)

    def _mixed(self, c: Array, s: Array, weight: Array) -> tuple[Array, Array]:
        """Return E[S(c·s)] and its derivative in c, with nodes s and their weights (…, nodes)."""
        h = np.minimum(c[..., None] * s, _PANEL * _PANELS)
        return (weight * self.tail(h)).sum(-1), (weight * s * self.slope(h)).sum(-1)


@lru_cache(maxsize=64)
def all_pairs(means: int) -> Family:
    """Return the family of all pairs of `means` means: Tukey's (Tukey–Kramer where they are unequal).

    The range of k normals exceeds r with chance 1 − k ∫ φ(z) [Φ(z) − Φ(z − r)]^(k−1) dz; a pair's
    |t| is that range over √2 (Tukey 1953; Kramer 1956; Hayter 1984).
    """
    z = np.arange(-9.0, 9.01, 0.05)
    density = 0.05 * means * np.exp(-z * z / 2) / np.sqrt(2 * np.pi)

    def tail(h: Array) -> Array:
        inner = special.ndtr(z) - special.ndtr(z - np.sqrt(2) * h[..., None])
        return np.asarray(1 - (density * inner ** (means - 1)).sum(-1))

    return _tabulated(means * (means - 1) // 2, tail)


def correlated(correlation: ArrayLike, sides: int = 2) -> Family:
    """Return the family of comparisons whose estimates have this correlation matrix (single step).

    With `sides` 1 it is that of the largest t, for one-sided limits: Hsu's of one mean against each of the others.

    Comparisons against one control with independent means have ρ_ij = b_i·b_j, which leaves one integral
    (Dunnett 1955; Dunnett & Sobel 1955). Any other matrix R = LL' of rank r: with a direction u uniform on
    the sphere and m = max_i |L_i u|, S(h) = E[P(χ²_r > h²/m²)]: the radius is exact, the directions are
    scrambled Sobol points with a fixed seed (a circle where r is 2). Absolute error of p: 1e-5 or less up to five
    comparisons and wherever one factor nearly holds, as it does against a control; 1e-4 or less up to eight. Where
    R has a rank above twelve the nearest one-factor matrix stands for R.

    Examples
    --------
    Four fuels and 8 degrees of freedom, one fuel against each of the other three:

    >>> round(float(correlated(0.5 + 0.5 * np.eye(3), sides=1).critical(0.95, 8.0)), 2)
    2.42
    """
    matrix = np.asarray(correlation, float)
    count = len(matrix)
    factors = _one_factor(matrix)
    if count > 2 and factors is not None:
        return _tabulated(count, _product_tail(factors, sides), sides)
    return _tabulated(count, _sphere_tail(matrix, sides), sides)


def correlation_of(covariance: ArrayLike) -> Array:
    """Return the correlation matrix of a covariance matrix.

    Corrected for small samples a covariance can cease to be one, where nearly all spread is between days or bags;
    then it is independence, with which an interval is never too narrow (Šidák 1967).
    """
    matrix = np.asarray(covariance, float)
    if np.linalg.eigvalsh(matrix)[0] < -1e-9 * np.abs(matrix).max() or (np.diag(matrix) <= 0).any():
        return np.eye(len(matrix))
    sd = np.sqrt(np.diag(matrix))
    return np.asarray(matrix / np.outer(sd, sd))


def holm(p: ArrayLike) -> Array:
    """Return Holm's (1979) step-down p values along the last axis; NaN stays NaN and counts for none."""
    values = np.asarray(p, float)
    order = np.argsort(values, axis=-1)
    ranked = np.take_along_axis(values, order, -1)
    left = np.sum(~np.isnan(values), axis=-1, keepdims=True) - np.arange(values.shape[-1])
    stepped = np.fmin(np.fmax.accumulate(ranked * np.maximum(left, 1), axis=-1), 1.0)
    adjusted = np.empty_like(values)
    np.put_along_axis(adjusted, order, np.where(np.isnan(ranked), np.nan, stepped), -1)
    return adjusted


def _tabulated(count: int, tail: Callable[[Array], Array], sides: int = 2) -> Family:
    """Lay a polynomial through S at the Chebyshev points of each panel."""
    x = _PANEL * (chebyshev.chebpts1(_DEGREE + 1) + 1) / 2
    starts = _PANEL * np.arange(_PANELS + 1)
    powers = np.linalg.solve(np.vander(x / _PANEL), tail(starts[:-1, None] + x).T)
    table = PPoly(powers / _PANEL ** np.arange(_DEGREE, -1, -1)[:, None], starts)
    return Family(count, table, table.derivative(), sides)


def _chi_nodes(df: Array) -> tuple[Array, Array]:
    """Return nodes, weights of s = χ_ν/√ν: Gauss–Legendre in u = log s, density e^(νu − ν e^(2u)/2)."""
    least = float(np.fmin.reduce(df, axis=None, initial=np.inf))
    x, w = _gauss_legendre(64 if least >= 8 else 96 if least >= 3 else 192)
    nu = np.minimum(df, 1e9)[..., None]
    # the density has fallen by e^−37 where e^(2u) − 2u − 1 = 74/ν: Lambert's W on both sides
    edge = -np.exp(-1 - 74 / nu)
    low, high = (0.5 * np.log(-special.lambertw(edge, branch).real) for branch in (0, -1))
    u = 0.5 * (low + high) + 0.5 * (high - low) * x
    weight = w * np.exp(nu * (u - np.expm1(2 * u) / 2))
    return np.exp(u), weight / weight.sum(-1, keepdims=True)


def _one_factor(matrix: Array) -> Array | None:
    """Return b with ρ_ij = b_i·b_j off the diagonal, or None where there is none."""
    off = matrix - np.diag(np.diag(matrix))
    if len(matrix) < 3 or np.abs(off).max() < _FLAT:
        return np.zeros(len(matrix))
    j, k = np.unravel_index(np.argmax(np.abs(off)), off.shape)
    third = int(np.argmax(np.abs(off[j] * off[k])))
    if abs(off[k, third]) < _FLAT:
        return None
    square = off[j, k] * off[j, third] / off[k, third]
    if not 0 < square < 1:
        return None
    b = off[j] / np.sqrt(square)
    b[j] = np.sqrt(square)
    fits = np.abs(np.outer(b, b) - off - np.diag(b * b)).max() < _FLAT and np.abs(b).max() < _ALIKE
    return b if fits else None


def _product_tail(b: Array, sides: int) -> Callable[[Array], Array]:
    """Return S for ρ_ij = b_i b_j: 1 − ∫ φ(z) Π [Φ((h − b_i z)/r_i) − Φ((−h − b_i z)/r_i)] dz, r_i² = 1 − b_i².

    One-sided without the second Φ. The trapezoid rule's error is e^(−2π²w²/step²) for a width w no less than that of
    φ(z) Π φ(b_i z/√(1 − b_i²)).
    """
    rest = np.sqrt(1 - b * b)
    step = min(0.25, 0.65 / float(np.sqrt(1 + ((b / rest) ** 2).sum())))
    z = step * np.arange(-np.ceil(9 / step), np.ceil(9 / step) + 1)
    density = step * np.exp(-z * z / 2) / np.sqrt(2 * np.pi)

    def tail(h: Array) -> Array:
        inside = np.ones((*h.shape, len(z)))
        for factor, scale in zip(b, rest, strict=True):
            far, off = h[..., None] / scale, factor * z / scale
            inside *= special.ndtr(far - off) - (special.ndtr(-far - off) if sides == 2 else 0.0)
        return np.asarray(1 - inside @ density)

    return tail


def _sphere_tail(matrix: Array, sides: int) -> Callable[[Array], Array]:
    values, vectors = np.linalg.eigh(matrix)
    kept = values > _FLAT * values[-1]
    rank = int(kept.sum())
    if rank > _MOST:
        return _product_tail(_nearest_one_factor(matrix), sides)
    if rank < max(4, len(matrix)):
        return _radial_tail(vectors[:, kept] * np.sqrt(values[kept]), sides)
    # as many dimensions as comparisons: the nearest one-factor matrix, whose S is known, as control variate
    b = _nearest_one_factor(matrix)
    near = np.outer(b, b) + np.diag(1 - b * b)
    # what is left to be summed is as small as the two matrices are near to one another
    points = recurrent if np.abs(matrix - near).max() < _NEAR else _sobol
    exact = _product_tail(b, sides)
    own, control = (_radial_tail(_square_root(each), sides, points) for each in (matrix, near))
    return lambda h: exact(h) + own(h) - control(h)


def _radial_tail(root: Array, sides: int, points: Points | None = None) -> Callable[[Array], Array]:
    rank = root.shape[1]
    along = root @ _directions(rank, points or _sobol).T
    # one-sided, every direction stands for its opposite too
    both = (np.abs(along),) if sides == 2 else (np.maximum(along, 1e-9), np.maximum(-along, 1e-9))
    m, weight = _gauss_of(np.concatenate([part.max(axis=0) for part in both]))
    return lambda h: np.asarray(special.chdtrc(rank, (h[..., None] / m) ** 2) @ weight)


def _gauss_of(values: Array) -> tuple[Array, Array]:
    """Return nodes and weights of Gauss's rule for the distribution of many values (Golub & Welsch 1969)."""
    low, width = values.min(), max(float(np.ptp(values)), 1e-300)
    cell = ((values - low) * ((_CELLS - 1) / width)).astype(np.int64)
    count = np.bincount(cell)
    kept = count > 0
    atoms, root = np.bincount(cell, values)[kept] / count[kept], np.sqrt(count[kept] / len(values))
    basis = chebyshev.chebvander(2 * (atoms - low) / width - 1, min(_NODES, len(atoms)) - 1)
    Q, _ = np.linalg.qr(root[:, None] * basis)
    nodes, vectors = np.linalg.eigh(Q.T @ (atoms[:, None] * Q))
    return nodes, vectors[0] ** 2


def _square_root(matrix: Array) -> Array:
    values, vectors = np.linalg.eigh(matrix)
    return np.asarray((vectors * np.sqrt(values)) @ vectors.T)


def _nearest_one_factor(matrix: Array) -> Array:
    b = np.zeros(len(matrix))
    for _ in range(100):
        values, vectors = np.linalg.eigh(matrix - np.diag(1 - b * b))
        b = np.clip(vectors[:, -1] * np.sqrt(max(float(values[-1]), 0.0)), -0.99, 0.99)
    return np.asarray(b)


@lru_cache(maxsize=2)
def _directions(rank: int, spread: Points) -> Array:
    """Return directions spread evenly over the unit sphere of this many dimensions, one a row.

    Squared lengths of coordinate pairs split as spacings and each pair has an angle (an odd last coordinate
    squared is Beta(½, (r − 1)/2)): r − 1 dimensions of evenly spread points, better than r normals.
    """
    if rank == 1:
        return np.ones((1, 1))
    points = spread(rank - 1)
    left = np.ones(len(points))
    columns = []
    if rank % 2:
        columns.append(np.sqrt(special.betaincinv(0.5, (rank - 1) / 2, points[:, -1])))
        left = left - columns[0] ** 2
    for pair in range(rank // 2):
        others = rank // 2 - 1 - pair
        share = 1 - points[:, 2 * pair + 1] ** (1 / others) if others else np.ones(len(points))
        radius, angle = np.sqrt(left * share), 2 * np.pi * points[:, 2 * pair]
        columns += [radius * np.cos(angle), radius * np.sin(angle)]
        left = left * (1 - share)
    return np.column_stack(columns)


def _sobol(dimensions: int) -> Array:
    power = 17 if dimensions < 5 else 18
    if dimensions == 1:
        return ((np.arange(1 << power) + 0.5) / (1 << power))[:, None]
    from scipy.stats import qmc

    return np.asarray(qmc.Sobol(dimensions, rng=np.random.default_rng(1)).random_base2(power))


def recurrent(dimensions: int, count: int = 1 << 14) -> Array:
    """Multiples of the powers of 1/g, g the root of g^(d + 1) = g + 1, less their whole parts: (count, d)."""
    g = 2.0
    for _ in range(60):
        g = (1 + g) ** (1 / (dimensions + 1))
    steps = g ** -np.arange(1.0, dimensions + 1)
    return np.asarray((0.5 + np.arange(1, count + 1)[:, None] * steps) % 1)
