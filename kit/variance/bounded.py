"""Values known only as bounds: density of the exact burns times the probability of the bounds given them.

With e the exact burns and c the others, and flat means as in REML,

    D(theta) = -2 log REML of y_e - 2 log P(low < y_c < high | y_e)

(Harville 1974 for the first part, Genz 1992 for the second). What the means leave of the exact burns, z, what ordinary
least squares of them errs by in the means, h = b_ols - b, and in the others, w = y_c - X_c b_ols, are contrasts of
the errors; their covariance is Σ theta_i S_i, and one Cholesky factor of it holds the determinant, z'V^-1z, and mean
and covariance of w given z. A held combination of the means k'b = v is one more value that is known, k'h.

With l(q) = log|S| + q'S^-1q of all of them, q, D is -2 log of an integral of exp(-l/2) over the bounds; so its
derivatives are E[l_i] and E[l_ij] - Cov(l_i, l_j)/2 within them (Fisher's identity; Louis 1982). D is minimised over
the variances many rows at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from kit.variance.burn_arrays import Array, Codes, rows_of
from kit.variance.mvn import POINTS, Box, log_probability, moved, truncated
from kit.variance.optimise import FLOOR, Mask
from kit.variance.residual_space import Space, space_of

AT_ONCE = 250_000
"""Elements of the matrices of one pass: what fits a processor's cache."""

SMALL = 5
"""Half of the rows of a triangle that is inverted whole."""

ENDLESS = 1e300
"""A diagonal element beside which all others are nothing."""

LONGEST = 1.5
"""Of a step: in SDs of a term, the larger of its own and a burn's, and in log SD of a burn."""

LIFTED = 0.01
"""Part of all variances that a burn's has at least where a search begins."""

NONE = 1e-3
"""Of all variances, the part below which one is next to none."""

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
        (c, p + k + m, p + k + m) covariance of h, z and w for each variance, random terms first.
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
    turn = np.eye(p + k + m)
    turn[:p, :p], turn[p + k :, :p] = space.back, -X[e:] @ space.back
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
    at = _factored(model, np.tensordot(theta, model.S, axes=1), data)
    D = 2 * np.log(at.diagonal).sum(axis=1) + np.vecdot(at.left, at.left) + np.log(s) @ space.free
    D = D + np.vecdot(data.rss, 1 / s) + space.dof * np.log(2 * np.pi) + space.logdet_xx
    if data.held is not None:
        D = D + np.log(2 * np.pi / np.vecdot(data.held, data.held))
    return np.asarray(D - 2 * log_probability(data.low - at.mean, data.high - at.mean, at.own, data.points))


@dataclass(frozen=True)
class _Factored:
    """The covariance of k'h where it is held, z and w, the n known values q first, by its Cholesky factor.

    Attributes
    ----------
    root, q
        (rows, n + m, n + m) and (rows, n).
    diagonal, left
        (rows, n) of the factor of the known ones, and with which it gives q.
    mean, own
        (rows, m) of w given q, and (rows, m, m) factor of its covariance.
    """

    root: Array
    q: Array
    diagonal: Array
    left: Array
    mean: Array
    own: Array


def _factored(model: Model, S: Array, data: Rows) -> _Factored:
    """Factor with q as a last row beside an end, so that the factor holds what solves for it."""
    p, is_held = model.space.p, int(data.held is not None)
    n = model.space.k + is_held
    A = np.empty((len(S), n + model.m + 1, n + model.m + 1))
    A[:, is_held:-1, is_held:-1] = S[:, p:, p:]
    A[:, -1, is_held:n], A[:, -1, n:-1], A[:, -1, -1] = data.z, 0.0, ENDLESS
    if data.held is not None and data.value is not None:
        along = (data.held[:, None] @ S[:, :p])[:, 0]
        A[:, 1:-1, 0] = along[:, p:]
        A[:, 0, 0] = np.vecdot(along[:, :p], data.held)
        A[:, -1, 0] = np.vecdot(data.held, data.b_ols) - data.value
    root = np.asarray(np.linalg.cholesky(A), dtype=np.float64)
    left = root[:, -1, :n]
    mean = (root[:, n:-1, :n] @ left[:, :, None])[:, :, 0]
    diagonal = np.diagonal(root, axis1=1, axis2=2)[:, :n]
    return _Factored(root[:, :-1, :-1], A[:, -1, :n], diagonal, left, mean, root[:, n:-1, n:-1])


def derivatives(model: Model, theta: Array, data: Rows) -> tuple[Array, Array, Array]:
    """Return gradient (rows, c) and Hessian (rows, c, c) of D in the variances and last in a value that is held.

    The Hessian is as exact as points of the lattice make it, the gradient that of `criterion` with these points. Third
    comes (rows, c) how the curvature in the value goes with the variances, but for what bounds add to it.
    """
    size = max(1, AT_ONCE // model.S.size)
    parts = [slice(i, i + size) for i in range(0, max(len(theta), 1), size)]
    found = [_derivatives(model, theta[part], data.take(part)) for part in parts]
    gradient, H, bend = (np.concatenate(each) for each in zip(*found, strict=True))
    return gradient, H, bend


def _derivatives(model: Model, theta: Array, data: Rows) -> tuple[Array, Array, Array]:
    (rows, c), p, is_held = theta.shape, model.space.p, int(data.held is not None)
    at = _factored(model, np.tensordot(theta, model.S, axes=1), data)
    back = _inverse_triangle(at.root)
    P = inverse = back.transpose(0, 2, 1) @ back
    n = at.q.shape[1]
    # S^-1 (q, w) = E (1, y), y the standard coordinates of w
    values = np.concatenate([at.q, at.mean], axis=1)[:, :, None]
    E = np.concatenate([P @ values, P[:, :, n:] @ at.own], axis=2)
    own, E_own, S = P[:, 0], E[:, 0], model.S if is_held else np.ascontiguousarray(model.S[:, p:, p:])
    if data.held is not None:
        P, E, own = (_spread(data.held, part) for part in (P, E, own[:, :, None]))
        P, own = _spread(data.held, P.transpose(0, 2, 1)), own[:, :, 0]
    SE = S @ E[:, None]  # (rows, c, ..., 1 + m)
    forms = np.zeros((rows, c + is_held, 1 + model.m, 1 + model.m))
    forms[:, :c] = E.transpose(0, 2, 1)[:, None] @ SE
    if is_held:
        forms[:, c, 0] += E_own
        forms[:, c, :, 0] += E_own
    move, covariance, T = moved(data.low - at.mean, data.high - at.mean, at.own, forms, data.points)
    gradient, H = -2 * move - np.trace(forms, axis1=2, axis2=3), -covariance / 2
    gradient[:, :c] += P.reshape(rows, -1) @ S.reshape(c, -1).T
    SE = SE.transpose(0, 2, 1, 3).reshape(rows, len(S[0]), -1)
    inside = (SE.transpose(0, 2, 1) @ P @ SE).reshape(rows, c, 1 + model.m, c, 1 + model.m)
    H[:, :c, :c] += 2 * np.einsum("riajb,rab->rij", inside, T) - _traces(P, S, theta)
    bend = np.zeros((rows, c))
    if is_held:
        bend = -2 * ((own[:, :, None] * own[:, None]).reshape(rows, -1) @ S.reshape(c, -1).T)
        across = 2 * ((own[:, None] @ SE).reshape(rows, c, -1) @ T[:, 0, :, None])[:, :, 0]
        H[:, c, :c] += across
        H[:, :c, c] += across
        H[:, c, c] += 2 * inverse[:, 0, 0]
    s, burns = theta[:, model.terms :], range(model.terms, c)
    gradient[:, burns] += model.space.free / s - data.rss / s**2
    H[:, burns, burns] += 2 * data.rss / s**3 - model.space.free / s**2
    return gradient, H, bend


def _inverse_triangle(L: Array) -> Array:
    """Return L⁻¹ of lower triangles (rows, n, n), by halves: three times as fast as a general inverse."""
    half = L.shape[1] // 2
    if half < SMALL:
        return np.asarray(np.linalg.inv(L), dtype=np.float64)
    top, bottom = _inverse_triangle(L[:, :half, :half]), _inverse_triangle(L[:, half:, half:])
    found = np.zeros_like(L)
    found[:, :half, :half], found[:, half:, half:] = top, bottom
    found[:, half:, :half] = -bottom @ (L[:, half:, :half] @ top)
    return found


def _traces(P: Array, S: Array, theta: Array) -> Array:
    """Return tr(P S_i P S_j) (rows, c, c); that of the last i follows from Σ theta_i P S_i P = P."""
    rows, c, flat = len(P), len(S), S.reshape(len(S), -1).T
    found = np.empty((rows, c, c))
    left = P.reshape(rows, -1) @ flat
    for i in range(c - 1):
        found[:, i] = (P @ S[i] @ P).reshape(rows, -1) @ flat
        left -= theta[:, i, None] * found[:, i]
    found[:, -1] = left / theta[:, -1:]
    return found


def _spread(held: Array, rows: Array) -> Array:
    """Return matrices whose first row is of k'h as those of h."""
    return np.concatenate([held[:, :, None] * rows[:, :1], rows[:, 1:]], axis=1)


def posterior(model: Model, theta: Array, data: Rows, combinations: Array) -> tuple[Array, Array, Box]:
    """Return combinations (rows, q, p) of the means, their covariance given theta, and the values that are bounds.

    A mean given all values is normal; averaged over the values that the bounds allow.
    """
    S, p, m = np.tensordot(theta, model.S, axes=1), model.space.p, model.m
    z, size = slice(p, S.shape[1] - m), S.shape[1]
    turn = np.concatenate([
        np.eye(m, size, size - m)[None].repeat(len(S), axis=0), np.pad(combinations, ((0, 0), (0, 0), (0, size - p)))
    ], axis=1)  # fmt: skip
    beside = (turn @ S)[:, :, z]
    solved = np.linalg.solve(S[:, z, z], beside.transpose(0, 2, 1))
    mean = (data.z[:, None] @ solved)[:, 0]
    G = turn @ S @ turn.transpose(0, 2, 1) - beside @ solved
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


@dataclass(frozen=True)
class Least:
    """Where each search ended.

    Attributes
    ----------
    theta, D, converged
        (rows, c), (rows,) and (rows,).
    slope, move, bend
        (rows,), (rows, c) and (rows, c): how the least D, and the theta at which it is, go with the value that is held,
        and with its square; 0 without.
    """

    theta: Array
    D: Array
    converged: Mask
    slope: Array
    move: Array
    bend: Array


def minimise_rows(
    model: Model,
    start: Array,
    data: Rows,
    held: Codes | None = None,
    unit: Array | None = None,
    steps: int = 30,
    enough: float = ENOUGH,
) -> Least:
    """Newton steps, all rows at once.

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
    slope, move, bend = np.zeros(len(x)), *np.zeros((2, *x.shape))
    for _ in range(steps):
        live = np.flatnonzero(~done)
        if not len(live):
            break
        here, own, before = value[live], space.take(live), x[live]
        newton = _newton(own, before, free[live])
        x[live], value[live] = _shortened(own, before, newton.step, here)
        slope[live] = newton.slope + np.vecdot(newton.across, x[live] - before)
        move[live], bend[live] = newton.move, newton.bend
        fallen = here - value[live]
        done[live] = (fallen**2 <= enough) | ((fallen - newton.promised) ** 2 <= enough * newton.promised)
    terms, burns = x[:, :k] * scale, space.burns(x)
    terms[np.abs(terms) < 1e-3 * burn] = 0.0
    theta = np.concatenate([terms**2, burns], axis=1)
    first, second = space.to_theta(x)
    move, bend = move[:, : theta.shape[1]], bend[:, : theta.shape[1]]
    return Least(theta, value, done, slope, move * first, (bend * first + move**2 * second) / 2)


def least_rows(model: Model, start: Array, data: Rows) -> Least:
    """Minimise from starts (rows, c); where a variance then is next to none, also from variances that are all alike.

    With a variance at zero D may have a least value there and a lower one elsewhere.
    """
    found = minimise_rows(model, start, data)
    doubtful = np.flatnonzero((found.theta < NONE * found.theta.sum(axis=1, keepdims=True)).any(axis=1))
    if not len(doubtful):
        return found
    alike = np.repeat(found.theta[doubtful].mean(axis=1, keepdims=True), found.theta.shape[1], axis=1)
    other = minimise_rows(model, alike, data.take(doubtful))
    lower = np.flatnonzero(found.D[doubtful] > other.D)
    for name, part in vars(rows_of(other, lower)).items():
        getattr(found, name)[doubtful[lower]] = part
    return found


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

    def _at(self, x: Array) -> tuple[Array, Rows]:
        """Return the variances (rows, c) at x, and the data with what is held there."""
        k, data = self.model.terms, self.data
        if self.unit is not None and data.value is not None:
            data = replace(data, value=data.value + x[:, -1] * self.unit)
        return np.concatenate([(x[:, :k] * self.scale) ** 2, self.burns(x)], axis=1), data

    def value(self, x: Array) -> Array:
        """Return the criterion (rows,) at x (rows, c)."""
        return criterion(self.model, *self._at(x))

    def derivatives(self, x: Array) -> tuple[Array, Array, Array]:
        """Return gradient and Hessian of the criterion in x and last in the value that is held, and its third ones."""
        theta, data = self._at(x)
        gradient, H, bend = derivatives(self.model, theta, data)
        c = theta.shape[1]
        first, second = self.to_theta(x)
        to_x = np.ones(gradient.shape)
        to_x[:, :c] = first
        if self.unit is not None:
            to_x[:, c] = self.unit
        H = H * to_x[:, :, None] * to_x[:, None]
        H[:, range(c), range(c)] += gradient[:, :c] * second
        return gradient * to_x, H, bend * first

    def to_theta(self, x: Array) -> tuple[Array, Array]:
        """Return first and second derivatives (rows, c) of the variances in their x."""
        k, burns, twice = self.model.terms, self.burns(x), 2 * self.scale**2
        return np.hstack([twice * x[:, :k], 2 * burns]), np.hstack([twice, 4 * burns])


@dataclass(frozen=True)
class _Newton:
    """A descent step and what it promises; slope in the held value, across with x, and how the least x moves
    and bends with it.

    A step that is shorter than Newton's, or where the curvature is not positive, promises nothing.
    """

    step: Array
    promised: Array
    slope: Array
    across: Array
    move: Array
    bend: Array


def _newton(space: _Search, x: Array, free: Mask) -> _Newton:
    """Return the step in the free coordinates."""
    c = x.shape[1]
    gradient, H, third = space.derivatives(x)
    slope, across = gradient[:, c:].sum(axis=1), H[:, c:, :c].sum(axis=1) * free
    gradient, H = gradient[:, :c] * free, H[:, :c, :c] * (free[:, :, None] & free[:, None])
    values, vectors = np.linalg.eigh(H)
    curved = np.maximum(np.abs(values), 0.05)
    third = np.pad(third, ((0, 0), (0, c - third.shape[1])))
    along = np.stack([gradient, across, third * free], axis=1) @ vectors / curved[:, None]
    step, move, bend = (-along @ vectors.transpose(0, 2, 1) * free[:, None]).transpose(1, 0, 2)
    reach = np.full_like(x, LONGEST)
    reach[:, : space.model.terms] *= np.maximum(1, np.abs(x[:, : space.model.terms]))
    size = np.linalg.norm(step / reach, axis=1)
    whole = (size <= 1) & (values > -1e-3).all(axis=1)
    promised = np.where(whole, np.vecdot(along[:, 0] ** 2, curved) / 2, 0.0)
    return _Newton(step / np.maximum(size, 1)[:, None], promised, slope, across, move, bend)


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
