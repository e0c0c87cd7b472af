"""How wide a band must be to hold a whole curve: rotations of the bags' residual curves.

At one time a difference of means over its standard error is t, and at all times together its largest size depends
on how the bags' curves wander. Let the residual curves of the bags (weighted, so that all have one variance) be the
rows of R, of rank d, and let z be one more curve of that variance in the unknown direction of the difference. Were
the true difference zero, the rows of (z, R) could be turned by any rotation without becoming more or less likely
(Langsrud 2005). So with q a random direction in d + 1 dimensions and a(t) = q·(z, R)(t), N²(t) = z² + ΣR²,

    T(t) = a / √((N² − a²)/d)

is exactly t with d degrees of freedom at each t, and max|T| is drawn as it comes for curves like these. What z itself
was cannot be known, since it holds the true difference: it is drawn anew each time, as smooth as R, by running a
Gaussian curve with correlation exp(−s²/2) along the path s that R's direction has travelled. When burns leave, each
bag keeps its place in q. Of each draw the smallest p over the curve is kept; the share of draws below the band's own
p is what may go wrong.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import special

from kit.judge.curve_pieces import Piece
from kit.judge.curve_units import Array

DRAWS = 4000
_NUMBERS_AT_ONCE = 2_000_000


def smallest_p(pieces: Sequence[Piece], seed: int) -> Array:
    """Return the smallest two-sided p over each piece in each draw (draws, pieces); 1 where there is no band.

    Parameters
    ----------
    pieces
        The whole curve, in order.
    seed
        Of the random directions.
    """
    rng = np.random.default_rng(seed)
    live = [place for place, piece in enumerate(pieces) if piece.banded and (piece.rest != 0).any()]
    found = np.ones((DRAWS, len(pieces)))
    if not live:
        return found
    rest = np.concatenate([pieces[place].rest for place in live], axis=1)
    wander = _wandering(rest)
    edges = np.concatenate(([0], np.cumsum([pieces[place].rest.shape[1] for place in live])))
    size = min(DRAWS, max(1, _NUMBERS_AT_ONCE // rest.shape[1]))
    for start in range(0, DRAWS, size):
        n = min(size, DRAWS - start)
        lone = rng.standard_normal((n, 1))
        directions = rng.standard_normal((n, rest.shape[0]))
        unseen = rng.standard_normal((n, wander.shape[1])) @ wander.T
        for k, place in enumerate(live):
            part = unseen[:, edges[k] : edges[k + 1]]
            found[start : start + n, place] = _smallest(pieces[place], lone, directions, part)
    return found


def _smallest(piece: Piece, lone: Array, directions: Array, unseen: Array) -> Array:
    """Return the p of the largest |T| over one piece: T = a/√((N² − a²)/d)."""
    squares = (piece.rest**2).sum(axis=0)
    z = unseen * np.sqrt(squares / piece.df)
    length = np.sqrt(lone[:, 0] ** 2 + piece.leftover(directions))[:, None]
    along = (lone * z + directions @ piece.rest) / length
    whole = squares + z**2
    share = np.divide(along**2, whole, out=np.zeros_like(along), where=whole > 0).max(axis=1)
    t = np.sqrt(piece.df * share / np.maximum(1 - share, 1e-300))
    p: Array = 2 * special.stdtr(piece.df, -t)
    return p


def _wandering(rest: Array) -> Array:
    """Return L (times, k) with LL' = exp(−(s − s')²/2), s the path of the residuals' direction in radians."""
    size = np.sqrt((rest**2).sum(axis=0))
    direction = np.divide(rest, size, out=np.zeros_like(rest), where=size > 0)
    turned = np.arccos(np.clip((direction[:, 1:] * direction[:, :-1]).sum(axis=0), -1.0, 1.0))
    turned = np.where((size[1:] > 0) & (size[:-1] > 0), turned, 0.0)
    path = np.concatenate(([0.0], np.cumsum(turned)))
    values, vectors = np.linalg.eigh(np.exp(-((path[:, None] - path) ** 2) / 2))
    kept = values > 1e-10 * values[-1]
    root: Array = vectors[:, kept] * np.sqrt(values[kept])
    return root
