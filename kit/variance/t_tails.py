"""Upper tail and density of Student's t for millions of arguments that share their degrees of freedom."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import special

from kit.variance.columns import Array

_CELLS = 8192
_ROUND = 30.0


def upper_tail(t: Array, nu: float) -> tuple[Array, Array]:
    """Return P(T > t) and the density at t, to 1e-6 of their size.

    With Mills' ratio M = P(T > t)/density, M/√(c + t²) is smooth in y = t/√(c + t²) on [0, 1): one table a ν.
    """
    table, constant, c = _mills(nu)
    square = np.minimum(np.abs(t), 1e150) ** 2  # beyond it the square is no number
    density = constant * np.exp(-0.5 * (nu + 1) * np.log1p(square / nu))
    root = np.sqrt(c + square)
    place = np.sqrt(square) * (_CELLS / root)
    cell = np.minimum(place.astype(np.intp), _CELLS - 1)
    low = table[cell]
    tail = density * root * (low + (place - cell) * (table[cell + 1] - low))
    return np.where(t < 0, 1 - tail, tail), density


@lru_cache(maxsize=32)
def _mills(nu: float) -> tuple[Array, float, float]:
    c = min(nu, _ROUND)
    y = np.arange(_CELLS + 1) / _CELLS
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.sqrt(c) * y / np.sqrt(1 - y * y)
        constant = float(special.poch(nu / 2, 0.5) / np.sqrt(nu * np.pi))
        density = constant * np.exp(-0.5 * (nu + 1) * np.log1p(t * t / nu))
        tail = special.stdtr(nu, -t)
        # far out: the first term of the tail's series
        ratio = np.where(tail > 1e-280, tail / density, (1 + t * t / nu) / t) / np.sqrt(c + t * t)
    ratio[-1] = 1 / nu if c == nu else 0.0
    return ratio, constant, c
