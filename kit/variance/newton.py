"""Minimise kit.variance.bounded's criterion over the variances: many rows at once, derivatives by differences."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from kit.variance.bounded import Model, Rows, criterion
from kit.variance.burn_arrays import Array, Codes
from kit.variance.optimise import FLOOR, Mask

APART = 2e-3
"""Distance of the differences, in units of an SD."""

LONGEST = 1.5
"""Of a step: in SDs of a term, the larger of its own and a burn's, and in log SD of a burn."""

LIFTED = 0.01
"""Part of all variances that a burn's has at least where a search begins."""

ENOUGH, EXACT = 1e-7, 1e-16
"""How far above its least D may end, as the last step tells (ENOUGH for D alone)."""


def started(model: Model, theta: Array) -> Array:
    """Return variances (rows, c) to start from: none is zero, and a burn's is no smaller than a hundredth of all.

    In its logarithm a burn variance near zero is all but flat: a search that begins there stays.
    """
    least = np.where(np.arange(theta.shape[1]) < model.terms, FLOOR, LIFTED)
    return np.asarray(np.maximum(theta, least * theta.sum(axis=1, keepdims=True)))


def minimise_rows(
    model: Model,
    start: Array,
    data: Rows,
    held: Codes | None = None,
    unit: Array | None = None,
    steps: int = 30,
    enough: float = ENOUGH,
) -> tuple[Array, Array, Mask]:
    """Newton steps with numerical derivatives, every row and every probe in one evaluation.

    Random terms move as SDs (their sign is free, so that zero is a smooth point), burns as log SDs.

    Parameters
    ----------
    held
        (rows,) a component of each row that stays where it starts, if any.
    unit
        (rows,) where given, the combination of the means that the data hold moves too, in these units.
    enough
        A row ends where D has no more than this left to fall: after a step that lowers it by δ about δ², and where
        Newton's promised p about (δ − p)²/p.

    Returns
    -------
    theta (rows, c), D (rows,) and whether each row converged.
    """
    k = model.terms
    burn = np.sqrt(start[:, k:].mean(axis=1, keepdims=True))
    scale = np.maximum(np.sqrt(start[:, :k]), burn)
    value_off = np.zeros((len(start), 0 if unit is None else 1))
    x = np.concatenate([np.sqrt(start[:, :k]) / scale, 0.5 * np.log(start[:, k:]), value_off], axis=1)
    free = np.ones(x.shape, dtype=np.bool_)
    if held is not None:
        free[np.arange(len(x)), held] = False
    x[:, :k] = np.where(free[:, :k], np.maximum(x[:, :k], 0.05), x[:, :k])
    space = Space(model, scale, FLOOR * start.sum(axis=1, keepdims=True), data, unit)
    value, done = space.value(x), np.zeros(len(x), dtype=np.bool_)
    for _ in range(steps):
        live = np.flatnonzero(~done)
        if not len(live):
            break
        here, own = value[live], space.take(live)
        step, promised = _newton_step(own, x[live], here, free[live])
        x[live], value[live] = _shortened(own, x[live], step, here)
        fallen = here - value[live]
        done[live] = (fallen**2 <= enough) | ((fallen - promised) ** 2 <= enough * promised)
    terms = x[:, :k] * scale
    terms[np.abs(terms) < 1e-3 * burn] = 0.0
    return np.concatenate([terms**2, space.burns(x)], axis=1), value, done


@dataclass(frozen=True)
class Space:
    """The coordinates of the search: SDs over `scale` (rows, k) for terms, log SDs for burns, a held value's move.

    Burn variances are no smaller than `least` (rows, 1).
    """

    model: Model
    scale: Array
    least: Array
    data: Rows
    unit: Array | None

    def take(self, rows: Codes) -> Space:
        """Return some rows, in any order and number."""
        unit = None if self.unit is None else self.unit[rows]
        return Space(self.model, self.scale[rows], self.least[rows], self.data.take(rows), unit)

    def burns(self, x: Array) -> Array:
        """Return the burn variances (rows, groups) at x (rows, c)."""
        k = self.model.terms
        return np.asarray(np.maximum(np.exp(2 * x[:, k : k + self.model.groups]), self.least))

    def value(self, x: Array) -> Array:
        """Return the criterion (rows,) at x (rows, c)."""
        k, c, data = self.model.terms, self.model.terms + self.model.groups, self.data
        theta = np.concatenate([(x[:, :k] * self.scale) ** 2, self.burns(x)], axis=1)
        if self.unit is not None and data.value is not None:
            data = replace(data, value=data.value + x[:, c] * self.unit)
        return criterion(self.model, theta, data)


def _newton_step(space: Space, x: Array, here: Array, free: Mask) -> tuple[Array, Array]:
    """Return a descent step (rows, c) in the free coordinates, from central differences, and what it promises.

    A step that is shorter than Newton's, or where the curvature is not positive, promises nothing.
    """
    rows, c, h = len(x), x.shape[1], APART
    eye = np.eye(c)
    pairs = [(i, j) for i in range(c) for j in range(i)]
    probes = np.vstack([eye, -eye, *(eye[[i]] + eye[[j]] for i, j in pairs)])
    of = np.repeat(np.arange(rows), len(probes))
    at = (x[:, None] + h * probes * free[:, None]).reshape(rows * len(probes), -1)
    D = space.take(of).value(at).reshape(rows, -1)
    plus, minus = D[:, :c], D[:, c : 2 * c]
    H = np.zeros((rows, c, c))
    H[:, np.arange(c), np.arange(c)] = (plus - 2 * here[:, None] + minus) / h**2
    for place, (i, j) in enumerate(pairs, start=2 * c):
        H[:, i, j] = H[:, j, i] = (D[:, place] - plus[:, i] - plus[:, j] + here) / h**2
    values, vectors = np.linalg.eigh(H)
    curved = np.maximum(np.abs(values), 0.05)
    along = np.einsum("rji,rj->ri", vectors, (plus - minus) / (2 * h)) / curved
    step = -np.einsum("rij,rj->ri", vectors, along) * free
    reach = np.full_like(x, LONGEST)
    reach[:, : space.model.terms] *= np.maximum(1, np.abs(x[:, : space.model.terms]))
    size = np.linalg.norm(step / reach, axis=1)
    whole = (size <= 1) & (values > -1e-3).all(axis=1)
    return step / np.maximum(size, 1)[:, None], np.where(whole, np.vecdot(along**2, curved) / 2, 0.0)


def _shortened(space: Space, x: Array, step: Array, here: Array) -> tuple[Array, Array]:
    """Return where each step lands and D there, the step shortened until D is no higher."""
    new, size = x + step, np.ones(len(x))
    after = space.value(new)
    for _ in range(12):
        worse = np.flatnonzero(~(after <= here + 1e-10))
        if not len(worse):
            break
        size[worse] /= 3
        new[worse] = x[worse] + size[worse, None] * step[worse]
        after[worse] = space.take(worse).value(new[worse])
    return new, after
