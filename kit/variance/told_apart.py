"""Which random terms a design can tell apart: linear independence on the residual space of the means.

A term stays only if K'G_kK is not a sum of multiples of the others' and of K'K, K spanning the residual space of X;
all that is needed are the inner products tr(P G_i P G_j) with P = I - QQ', or a count where bags lie in fuels.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from kit.variance.columns import Array, Levels

RANK_TOLERANCE = 1e-9


def _sums(rows: Array, levels: Levels) -> Array:
    """Return the sums of the rows of each level (levels × columns)."""
    if rows.shape[0] * levels.count <= 1_000_000:
        return np.asarray((levels.codes == np.arange(levels.count)[:, None]) @ rows)
    return np.stack([np.bincount(levels.codes, column, levels.count) for column in rows.T], axis=1)


def overlap(Q: Array, parts: Sequence[tuple[str, Levels]], groups: Levels) -> Array:
    """Return <K'G_iK, K'G_jK> of the burn groups and the candidate terms on the residual space.

    Parameters
    ----------
    Q
        Orthonormal basis of X; P = I - QQ'.
    parts
        Names and levels of candidate terms, G = ZZ'.
    groups
        Spread groups, G = diag of an indicator; with one group G = I.
    """
    g, sums = groups.count, [_sums(Q, levels) for _, levels in parts]
    size = g + len(parts)
    table = np.zeros((size, size))
    table[:g, :g] = _group_overlap(Q, groups)
    for t, (_, levels) in enumerate(parts):
        table[:g, g + t] = table[g + t, :g] = _mixed_overlap(Q, groups, levels, sums[t])
        for u in range(t, len(parts)):
            table[g + t, g + u] = table[g + u, g + t] = _term_overlap(levels, parts[u][1], sums[t], sums[u])
    return table


def _group_overlap(Q: Array, groups: Levels) -> Array:
    """tr(P D_i P D_j) = [n_i - 2 tr Q_i'Q_i if i = j] + |Q_i Q_j'|²."""
    if groups.count == 1:
        return np.array([[float(Q.shape[0] - Q.shape[1])]])
    squares = np.array([Q[groups.codes == i].T @ Q[groups.codes == i] for i in range(groups.count)])
    cross = np.einsum("ipq,jpq->ij", squares, squares)
    return np.asarray(cross + np.diag(groups.sizes - 2 * np.einsum("ipp->i", squares)))


def _mixed_overlap(Q: Array, groups: Levels, levels: Levels, sums: Array) -> Array:
    """tr(P D_g P G_t): sums over a group's burns of |row of PZ|²."""
    if groups.count == 1:
        return np.array([Q.shape[0] - np.sum(sums**2)])
    near = sums[levels.codes]
    each = 1 - 2 * np.sum(Q * near, axis=1) + np.sum((Q @ (sums.T @ sums)) * Q, axis=1)
    return np.asarray(np.bincount(groups.codes, each, groups.count), dtype=np.float64)


def _term_overlap(a: Levels, b: Levels, sums_a: Array, sums_b: Array) -> float:
    """tr(P G_a P G_b) = |Z_a'Z_b - S_a S_b'|² without a levels × levels matrix."""
    cells = a.sizes if a is b else np.unique(a.codes * b.count + b.codes, return_counts=True)[1]
    between = np.sum(sums_a[a.codes] * sums_b[b.codes])
    value = np.sum(cells**2.0) - 2 * between + np.sum((sums_a.T @ sums_a) * (sums_b.T @ sums_b))
    return float(value) if value > RANK_TOLERANCE * np.sum(cells**2.0) else 0.0


def homes(Q: Array, parts: Sequence[tuple[str, Levels]], groups: Levels) -> list[int | None]:
    """Where each candidate goes, in turn.

    None where it stays a term of its own, -1 where the means leave nothing of it, else the place of what it repeats
    among the burn groups and the candidates after them.
    """
    table, g = overlap(Q, parts, groups), groups.count
    kept = [i for i in range(g) if table[i, i] > RANK_TOLERANCE]
    found = []
    for place in range(g, g + len(parts)):
        found.append(_home(table, kept, place))
        kept += [place] if found[-1] is None else []
    return found


def home_within(levels: Levels, means: Levels) -> int | None:
    """Where a single term goes whose levels lie within cell means, the burns having one SD: counts tell.

    Of K'GK the eigenvalues are 0 between burns of a level and above 0 between levels of a mean.
    """
    if levels.count == means.count:
        return -1
    return 0 if levels.count == len(levels.codes) else None


def burns_apart(Q: Array, groups: Levels) -> Array:
    """Return tr(P D_g P D_g) of each group of burns: 0 where the means leave nothing of it."""
    return np.asarray(_group_overlap(Q, groups).diagonal())


def _home(table: Array, kept: list[int], new: int) -> int | None:
    if table[new, new] <= 0:
        return -1
    if not kept:
        return None
    own = table[kept][:, kept]
    scale = np.sqrt(own.diagonal())
    cross = table[kept, new] / (scale * np.sqrt(table[new, new]))
    weights = cross if len(kept) == 1 else np.linalg.solve(own / np.outer(scale, scale), cross)
    left = 1 - cross @ weights
    return None if left > RANK_TOLERANCE else kept[int(np.argmax(np.abs(weights)))]
