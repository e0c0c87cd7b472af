"""Probability of a box under many multivariate normal distributions at once, smooth in their parameters.

Genz (1992): with the Cholesky factor C of the covariance the box's probability is an integral over the unit cube of a
product of one-dimensional normal probabilities, taken here by Gauss's rule (up to three variables) or over a fixed
lattice (roots of primes, folded), so that equal parameters give equal values and derivatives exist.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import special

from kit.variance.burn_arrays import Array

POINTS = 499
"""Of the lattice."""

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
    primes = [2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 53, 59, 61, 67, 71, 73, 79, 83, 89, 97]
    while len(primes) < m:
        candidate = primes[-1] + 2
        while any(candidate % prime == 0 for prime in primes):
            candidate += 2
        primes.append(candidate)
    k = np.arange(1, points + 1)[:, None]
    u = np.modf(k * np.sqrt(np.array(primes[:m], dtype=np.float64)) + 0.5 / points)[0]
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
    u, log_share = rule(points, low.shape[1])
    return _sweep(low, high, root, u, log_share, False)[0]


def truncated(low: Array, high: Array, root: Array, points: int = 8 * POINTS) -> Box:
    """Return the probability of the box, and mean and covariance within it."""
    u = lattice(points, low.shape[1])
    log_p, y, weight = _sweep(low, high, root, u, np.full(points, -np.log(points)), True)
    x = np.einsum("rij,rnj->rni", root, y)
    share = weight / weight.sum(axis=1, keepdims=True)
    mean = np.einsum("rn,rni->ri", share, x)
    off = x - mean[:, None]
    return Box(log_p, mean, np.einsum("rn,rni,rnj->rij", share, off, off))


def _sweep(
    low: Array, high: Array, C: Array, u: Array, log_share: Array, moments: bool
) -> tuple[Array, Array, Array]:
    """Return log probability (rows,), standard coordinates (rows, points, m) and weights."""
    (rows, m), points = low.shape, len(u)
    y, log_w = np.zeros((rows, points, m)), np.repeat(log_share[None], rows, axis=0)
    for i in range(m):
        shift = np.einsum("rj,rnj->rn", C[:, i, :i], y[:, :, :i])
        scale = C[:, i, i][:, None]
        a, b = (low[:, i, None] - shift) / scale, (high[:, i, None] - shift) / scale
        flip = a > 0  # in the upper tail take the mirror image, where differences keep their digits
        a, b = np.where(flip, -b, a), np.where(flip, -a, b)
        from_p, width = special.ndtr(a), special.ndtr(b) - special.ndtr(a)
        width = np.maximum(width, 1e-300)
        log_w += np.log(width)
        if i == m - 1 and not moments:
            break
        drawn = special.ndtri(np.clip(from_p + u[:, i] * width, 1e-300, 1 - 1e-16))
        y[:, :, i] = np.where(flip, -drawn, drawn)
    top = log_w.max(axis=1, keepdims=True)
    weight = np.exp(log_w - top)
    return np.asarray(top[:, 0] + np.log(weight.sum(axis=1))), y, np.asarray(weight)
