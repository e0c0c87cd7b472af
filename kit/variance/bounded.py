"""Values known only as bounds: density of the exact burns times the probability of the bounds given them.

With e the exact burns and c the others, and flat means as in REML,

    D(theta) = -2 log REML of y_e - 2 log P(low < y_c < high | y_e)

(Harville 1974 for the first part, Genz 1992 for the second). What the means leave of the exact burns, z, what ordinary
least squares of them errs by in the means, h = b_ols - b, and in the others, w = y_c - X_c b_ols, are contrasts of
the errors; their covariance is Σ theta_i S_i, and one Cholesky factor of it holds the determinant, z'V^-1z, and mean
and covariance of w given z. A held combination of the means k'b = v is one more value that is known, k'h. D is
minimised over the variances many rows at once, with derivatives by differences.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from kit.variance.burn_arrays import Array, Codes, rows_of
from kit.variance.mvn import POINTS, Box, log_probability, truncated
from kit.variance.optimise import FLOOR, Mask
from kit.variance.residual_space import Space, space_of

AT_ONCE = 250_000
"""Elements of the matrices of one pass: what fits a processor's cache."""

ENDLESS = 1e300
"""A diagonal element beside which all others are nothing."""

APART = 2e-3
"""Distance of the differences, in units of an SD."""

LONGEST = 1.5
"""Of a step: in SDs of a term, the larger of its own and a burn's, and in log SD of a burn."""

LIFTED = 0.01
"""Part of all variances that a burn's has at least where a search begins."""

ENOUGH, EXACT = 1e-7, 1e-16
"""How far above its least D may end, as the last step tells (ENOUGH for D alone)."""


@dataclass(frozen=True)
class Model:
    """The burns that are used, exact ones first and bounds last.

    Attributes
    ----------
    space
        That of the exact burns; the degrees of freedom of a borrowed SD are among those of its groups.
    S
        (c, k + p + m, k + p + m) covariance of z, h and w for each variance, random terms first.
    X
        (m, p) of the bounds.
    group
        (n,) which burns share an SD.
    borrowed
        SD and degrees of freedom of a repeatability from elsewhere; zero degrees of freedom without.
    """

    space: Space
    S: Array
    X: Array
    group: Codes
    borrowed: tuple[float, float] = (0.0, 0.0)

    @property
    def m(self) -> int:
        """How many burns at the end are bounds."""
        return len(self.X)

    @property
    def terms(self) -> int:
        """How many of the variances are random terms'."""
        return self.space.terms

    @property
    def groups(self) -> int:
        """How many of the variances are burns'."""
        return len(self.space.free)

    def rows(self, y: Array, low: Array, high: Array, points: int = POINTS) -> Rows:
        """Return data of the search from exact values (rows, exact) and bounds (rows, m)."""
        data, (sd, df) = self.space.rotate(y), self.borrowed
        off = data.b_ols @ self.X.T
        return Rows(data.z, data.rss + df * sd**2, data.b_ols, low - off, high - off, points)


def model_of(
    X: Array, terms: Sequence[Array], group: Codes, groups: int, m: int, borrowed: tuple[float, float]
) -> Model:
    """Return the model of burns, the last m of them bounds, from X (n, p) and indicators of each random term."""
    e = len(X) - m
    space = space_of(X[:e], [Z[:e] for Z in terms], group[:e], groups)
    p, k, K = space.p, space.k, space.terms
    turn = np.zeros((k + p + m, p + k + m))
    turn[:k, p : p + k], turn[k : k + p, :p] = np.eye(k), space.back
    turn[k + p :, :p], turn[k + p :, p + k :] = -X[e:] @ space.back, np.eye(m)
    V = np.zeros((K + groups, p + k + m, p + k + m))
    for i, (half, Z) in enumerate(zip(space.halves, terms, strict=True)):
        both = np.vstack([half, Z[e:]])
        V[i] = both @ both.T
    V[K:, : p + k, : p + k] = space.V[K:]
    V[K:, p + k :, p + k :] = np.eye(m) * (group[e:] == np.arange(groups)[:, None])[:, None]
    space = replace(space, free=space.free + borrowed[1])
    return Model(space, turn @ V @ turn.T, X[e:], group, borrowed)


@dataclass(frozen=True)
class Rows:
    """Data of the search, a row each.

    Attributes
    ----------
    z, rss, b_ols
        (rows, k), (rows, groups) and (rows, p), as kit.variance.residual_space has them.
    low, high
        (rows, m) bounds of w.
    points
        Of the lattice.
    held, value
        (rows, p) and (rows,): a combination of the means held at a value.
    """

    z: Array
    rss: Array
    b_ols: Array
    low: Array
    high: Array
    points: int = POINTS
    held: Array | None = None
    value: Array | None = None

    def take(self, rows: Codes | slice) -> Rows:
        """Return some rows."""
        return rows_of(self, rows)

    def holding(self, held: Array, value: Array) -> Rows:
        """Return the same rows, each with a combination of the means held."""
        return replace(self, held=held, value=value)

    def times(self, count: int) -> Rows:
        """Return a single row repeated."""
        return self.take(np.zeros(count, dtype=np.int64))


def criterion(model: Model, theta: Array, data: Rows) -> Array:
    """Return D (rows,) at theta (rows, c); no rows are no values."""
    size = max(1, AT_ONCE // model.S[0].size)
    parts = [slice(i, i + size) for i in range(0, max(len(theta), 1), size)]
    return np.concatenate([_criterion(model, theta[part], data.take(part)) for part in parts])


def _criterion(model: Model, theta: Array, data: Rows) -> Array:
    space, s = model.space, theta[:, model.terms :]
    n = space.k + (data.held is not None)
    root = np.asarray(np.linalg.cholesky(_known_first(model, theta, data)), dtype=np.float64)
    diagonal, left, own = np.diagonal(root, axis1=1, axis2=2)[:, :n], root[:, -1, :n], root[:, n:-1]
    D = 2 * np.log(diagonal).sum(axis=1) + np.vecdot(left, left) + np.log(s) @ space.free
    D = D + np.vecdot(data.rss, 1 / s) + space.dof * np.log(2 * np.pi) + space.logdet_xx
    if data.held is not None:
        D = D + np.log(2 * np.pi / np.vecdot(data.held, data.held))
    mean = (own[:, :, :n] @ left[:, :, None])[:, :, 0]
    return np.asarray(D - 2 * log_probability(data.low - mean, data.high - mean, own[:, :, n:], data.points))


def _known_first(model: Model, theta: Array, data: Rows) -> Array:
    """Return the covariance of z, k'h where it is held, and w, with the known values as a last row beside an end."""
    S, k, p, m = np.tensordot(theta, model.S, axes=1), model.space.k, model.space.p, model.m
    n, h, w = k + (data.held is not None), slice(k, k + p), slice(k + p, None)
    A = np.zeros((len(S), n + m + 1, n + m + 1))
    A[:, :k, :k], A[:, n:-1, :k], A[:, n:-1, n:-1] = S[:, :k, :k], S[:, w, :k], S[:, w, w]
    A[:, -1, :k], A[:, -1, -1] = data.z, ENDLESS
    if data.held is not None and data.value is not None:
        along = (data.held[:, None] @ S[:, h])[:, 0]
        A[:, k, :k], A[:, n:-1, k] = along[:, :k], along[:, w]
        A[:, k, k] = np.vecdot(along[:, h], data.held)
        A[:, -1, k] = np.vecdot(data.held, data.b_ols) - data.value
    return A


def posterior(model: Model, theta: Array, data: Rows, combinations: Array) -> tuple[Array, Array, Box]:
    """Return combinations (rows, q, p) of the means, their covariance given theta, and the values that are bounds.

    A mean given all values is normal; averaged over the values that the bounds allow.
    """
    S, k, p, m = np.tensordot(theta, model.S, axes=1), model.space.k, model.space.p, model.m
    turn = np.concatenate([
        np.eye(m, p + m, p)[None].repeat(len(S), axis=0), np.pad(combinations, ((0, 0), (0, 0), (0, m)))
    ], axis=1)  # fmt: skip
    beside = turn @ S[:, k:, :k]
    solved = np.linalg.solve(S[:, :k, :k], beside.transpose(0, 2, 1))
    mean = (data.z[:, None] @ solved)[:, 0]
    G = turn @ S[:, k:, k:] @ turn.transpose(0, 2, 1) - beside @ solved
    own, across = G[:, :m, :m], G[:, :m, m:]
    box = truncated(data.low - mean[:, :m], data.high - mean[:, :m], np.linalg.cholesky(own), data.points)
    pull = np.linalg.solve(own, across).transpose(0, 2, 1)
    off = mean[:, m:] + (pull @ box.mean[:, :, None])[:, :, 0]
    estimate = (combinations @ data.b_ols[:, :, None])[:, :, 0] - off
    covariance = G[:, m:, m:] - pull @ (own - box.covariance) @ pull.transpose(0, 2, 1)
    return estimate, covariance, replace(box, mean=mean[:, :m] + box.mean + data.b_ols @ model.X.T)


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
    space = _Search(model, scale, FLOOR * start.sum(axis=1, keepdims=True), data, unit)
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
class _Search:
    """The coordinates of the search: SDs over `scale` (rows, k) for terms, log SDs for burns, a held value's move.

    Burn variances are no smaller than `least` (rows, 1).
    """

    model: Model
    scale: Array
    least: Array
    data: Rows
    unit: Array | None

    def take(self, rows: Codes) -> _Search:
        """Return some rows, in any order and number."""
        unit = None if self.unit is None else self.unit[rows]
        return _Search(self.model, self.scale[rows], self.least[rows], self.data.take(rows), unit)

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


def _newton_step(space: _Search, x: Array, here: Array, free: Mask) -> tuple[Array, Array]:
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


def _shortened(space: _Search, x: Array, step: Array, here: Array) -> tuple[Array, Array]:
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
