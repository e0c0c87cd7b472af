"""Probability of a box under many multivariate normal distributions at once, smooth in their parameters.

Genz (1992): with the Cholesky factor C of the covariance the box's probability is an integral over the unit cube of a
product of one-dimensional normal probabilities, taken here by Gauss's rule (up to three variables) or over a fixed
lattice (roots of primes, folded), so that equal parameters give equal values and derivatives exist.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import count, islice
from math import isqrt

import numpy as np
from scipy import special

from kit.variance.burn_arrays import Array, Mask

POINTS = 499
"""Of the lattice."""

LEAST = 1e-300
"""Probability of an interval that is as good as none."""

GAUSS = (1, 20, 12)
"""Points of Gauss's rule along each variable but the last, for one, two and three variables."""


@dataclass(frozen=True)
class Box:
    """What is known of the truncated distribution.

    Attributes
    ----------
    log_p
        (rows,) log probability of the box.
    mean, covariance
        (rows, m) and (rows, m, m) of the variables given that they lie in the box.
    """

    log_p: Array
    mean: Array
    covariance: Array


@lru_cache(maxsize=16)
def lattice(points: int, m: int) -> Array:
    """Return points of the unit cube (points, m): fractional parts of k √prime, folded in the middle."""
    numbers = (n for n in count(2) if all(n % below for below in range(2, isqrt(n) + 1)))
    primes = np.fromiter(islice(numbers, m), dtype=np.float64)
    u = np.modf(np.arange(1, points + 1)[:, None] * np.sqrt(primes) + 0.5 / points)[0]
    return np.asarray(np.clip(np.abs(2 * u - 1), 1e-12, 1 - 1e-12))


@lru_cache(maxsize=16)
def rule(points: int, m: int) -> tuple[Array, Array]:
    """Return points (n, m) of the unit cube and the logs of their weights (n,); the last variable needs no points."""
    if m > len(GAUSS):
        u = lattice(points, m)
        return u, np.full(points, -np.log(points))
    x, weight = np.polynomial.legendre.leggauss(GAUSS[m - 1])
    axes = np.meshgrid(*[(x + 1) / 2] * (m - 1), [0.5], indexing="ij")
    weights = np.meshgrid(*[weight / 2] * (m - 1), [1.0], indexing="ij")
    return np.stack([axis.ravel() for axis in axes], axis=1), np.log(np.prod(weights, axis=0)).ravel()


def log_probability(low: Array, high: Array, root: Array, points: int = POINTS) -> Array:
    """Return log P(low < x < high) for x ~ N(0, CC'): low, high (rows, m), `root` the triangular C (rows, m, m)."""
    if not low.shape[1]:
        return np.zeros(len(low))
    return _total(_sweep(low, high, root, *rule(points, low.shape[1])).log_w)[0]


def truncated(low: Array, high: Array, root: Array, points: int = 8 * POINTS) -> Box:
    """Return the probability of the box, and mean and covariance within it."""
    if not low.shape[1]:
        return Box(np.zeros(len(low)), low, root)
    u = lattice(points, low.shape[1])
    swept = _sweep(low, high, root, u, np.full(points, -np.log(points)))
    log_p, share = _total(swept.log_w)
    y = np.concatenate([swept.y, swept.last.drawn(u[:, -1])[:, :, None]], axis=2)
    x = np.einsum("rij,rnj->rni", root, y)
    mean = np.einsum("rn,rni->ri", share, x)
    off = x - mean[:, None]
    return Box(log_p, mean, np.einsum("rn,rni,rnj->rij", share, off, off))


def moved(low: Array, high: Array, root: Array, forms: Array, points: int) -> tuple[Array, Array, Array]:
    """Return how log P(low < x < high) moves (rows, q), covariances (rows, q, q) of t'Qt in the box, and E[tt'] there.

    t = (1, y), x = Cy. The first is exactly the derivative of `log_probability` with the same points as the mean of x
    moves by Cr and CC' by CFC'; of the last variable all moments are exact.

    Parameters
    ----------
    forms
        (rows, q, 1 + m, 1 + m) symmetric Q, with r' its first row and F the rest.
    """
    if not low.shape[1]:
        nothing = np.zeros((*forms.shape[:2], forms.shape[1]))
        return nothing[:, 0], nothing, np.ones((len(low), 1, 1))
    swept = _sweep(low, high, root, *rule(points, low.shape[1]), forms)
    share, moments = _total(swept.log_w)[1], swept.last.moments()
    h = np.concatenate([np.ones((*share.shape, 1)), swept.y], axis=2)
    inner = h[:, None] @ forms[:, :, :-1]  # (rows, q, points, 1 + m)
    of_last = np.stack([
        np.vecdot(inner[..., :-1], h[:, None]), 2 * inner[..., -1],
        np.broadcast_to(forms[:, :, -1, -1, None], inner.shape[:3]),
    ], axis=3)  # fmt: skip
    place = np.arange(3)
    weighted = share[:, None, :, None, None] * moments[:, None, :, place[:, None] + place]
    each = (weighted @ of_last[..., None])[..., 0]  # (rows, q, points, 3)
    rows, q, drawn, _ = of_last.shape
    mean = each[..., 0].sum(axis=2)
    square = of_last.reshape(rows, q, 3 * drawn) @ each.reshape(rows, q, 3 * drawn).transpose(0, 2, 1)
    T = np.empty((rows, *forms.shape[2:]))
    T[:, :-1, :-1] = (h * share[:, :, None]).transpose(0, 2, 1) @ h
    T[:, -1, :-1] = T[:, :-1, -1] = ((share * moments[:, :, 1])[:, None] @ h)[:, 0]
    T[:, -1, -1] = np.vecdot(share, moments[:, :, 2])
    return np.vecdot(swept.move, share[:, None]), square - mean[:, :, None] * mean[:, None], T


@dataclass(frozen=True)
class _Interval:
    """Limits (rows, points) of a standard normal variable, in the upper tail mirrored, so that digits are kept."""

    low: Array
    high: Array
    mirrored: Mask

    @classmethod
    def of(cls, low: Array, high: Array) -> _Interval:
        mirrored = low > 0
        return cls(np.where(mirrored, -high, low), np.where(mirrored, -low, high), mirrored)

    @cached_property
    def below(self) -> Array:
        return np.asarray(special.ndtr(self.low))

    @cached_property
    def width(self) -> Array:
        """Probability."""
        return np.asarray(np.maximum(special.ndtr(self.high) - self.below, LEAST))

    def drawn(self, u: Array) -> Array:
        """Return the variable at shares u (points,) of the interval's probability."""
        u = np.where(self.mirrored, 1 - u, u)
        found = special.ndtri(np.clip(self.below + u * self.width, LEAST, 1 - 1e-16))
        return np.asarray(np.where(self.mirrored, -found, found))

    @cached_property
    def ends(self) -> tuple[Array, Array, Array, Array]:
        """The limits as they were, 0 where there is none, and the density there over the probability."""
        both = (np.where(self.mirrored, -self.high, self.low), np.where(self.mirrored, -self.low, self.high))
        low, high = (np.exp(-end * end / 2) / (np.sqrt(2 * np.pi) * self.width) for end in both)
        a, b = (np.where(np.isinf(end), 0.0, end) for end in both)
        return a, b, low, high

    def moments(self) -> Array:
        """Return moments 0 to 4 (rows, points, 5)."""
        a, b, low, high = self.ends
        M = np.ones((*a.shape, 5))
        M[..., 1] = low - high
        for k in range(2, 5):
            M[..., k] = (k - 1) * M[..., k - 2] + a ** (k - 1) * low - b ** (k - 1) * high
        return M


@dataclass(frozen=True)
class _Swept:
    """Log weights (rows, points), how they move (rows, q, points), all coordinates y but the last, and its interval."""

    log_w: Array
    move: Array
    y: Array
    last: _Interval


def _total(log_w: Array) -> tuple[Array, Array]:
    """Return the log of the summed weights (rows,) and the share of each point (rows, points)."""
    top = log_w.max(axis=1, keepdims=True)
    weight = np.exp(log_w - top)
    total = weight.sum(axis=1, keepdims=True)
    return (top + np.log(total))[:, 0], weight / total


def _sweep(
    low: Array, high: Array, C: Array, u: Array, log_share: Array, forms: Array | None = None
) -> _Swept:
    (rows, m), points = low.shape, len(u)
    y, log_w = np.zeros((rows, points, m - 1)), np.repeat(log_share[None], rows, axis=0)
    move = np.zeros((rows, 0 if forms is None else forms.shape[1], points))
    along = np.zeros((*move.shape, m - 1))  # how x moves with C and y, in units of C
    for i in range(m):
        shift, scale = np.einsum("rj,rnj->rn", C[:, i, :i], y[:, :, :i]), C[:, i, i][:, None]
        interval = _Interval.of((low[:, i, None] - shift) / scale, (high[:, i, None] - shift) / scale)
        log_w += np.log(interval.width)
        if i < m - 1:
            y[:, :, i] = interval.drawn(u[:, i])
        if forms is None:
            continue
        own = forms[:, :, 1 + i, 0, None] + forms[:, :, 1 + i, 1 : 1 + i] @ y[:, :, :i].transpose(0, 2, 1)
        before = np.einsum("rj,rqnj->rqn", C[:, i, :i], along[..., :i]) / scale[:, None]
        half = forms[:, :, 1 + i, 1 + i, None] / 2
        a, b, at_a, at_b = (each[:, None] for each in interval.ends)
        at_a, at_b = -at_a * (own + before + half * a), -at_b * (own + before + half * b)
        move += at_b - at_a
        if i < m - 1:
            at = y[:, None, :, i]
            steep = np.sqrt(2 * np.pi) * np.exp(at * at / 2) * interval.width[:, None]
            along[..., i] = own + half * at + steep * ((1 - u[:, i]) * at_a + u[:, i] * at_b)
    return _Swept(log_w, move, y, interval)
