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
from scipy.linalg import block_diag

from kit.variance.burn_arrays import Array, Codes, Mask, rows_of, stacked
from kit.variance.mvn import POINTS, Box, log_probability, moved, truncated
from kit.variance.optimise import Derivatives, Minimum, floor_of, lowest, minimise
from kit.variance.residual_space import Space, space_of

AT_ONCE = 100_000
"""Elements of a matrix a row, in one pass: what fits a processor's cache, and what memory is not asked anew for."""

ENDLESS = 1e300
"""A diagonal element beside which all others are nothing."""

NONE = 1e-3
"""Of all variances, the part below which one is next to none."""

ENOUGH = 1e-5
"""Of D, what a last step of a profile may promise."""

STEPS = 30
"""Of a search of a profile, at the most."""

NEAR = 0.01
"""Standard errors on either side, over which the slope of a profile is taken."""


@dataclass(frozen=True)
class Model:
    """The burns that are used, exact ones first and bounds last; or several such sets of one shape (`together`).

    Attributes
    ----------
    space
        That of the exact burns; the degrees of freedom of a borrowed SD are among those of its groups.
    S
        (sets, c, p + k + m, p + k + m) covariance of h, z and w for each variance, random terms first.
    halves, of_half
        (sets, p + k + m, halves) columns H of all variances but the last, S_i = H_i H_i', and (halves, c - 1) of which
        variance each is.
    free, constant
        (sets, groups) degrees of freedom beyond z, and (sets,) what D has whatever the variances.
    X
        (m, p) of the bounds.
    group
        (n,) which burns share an SD.
    borrowed
        SD and degrees of freedom of a repeatability from elsewhere; zero degrees of freedom without.
    """

    space: Space
    S: Array
    halves: Array
    of_half: Array
    free: Array
    constant: Array
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
        first = np.zeros(len(y), dtype=np.int64)
        return Rows(data.z, data.rss + df * sd**2, data.b_ols, low - off, high - off, first, points)

    @property
    def shape(self) -> tuple[object, ...]:
        """What models share that go `together`."""
        return self.S.shape, self.of_half.tobytes(), self.m, self.space.p, self.terms

    def passes(self, rows: int) -> list[slice]:
        """Return what of so many rows is done at once; no rows are one pass."""
        size = max(1, AT_ONCE // self.S.shape[2] ** 2)
        return [slice(i, i + size) for i in range(0, max(rows, 1), size)]


def model_of(
    X: Array, terms: Sequence[Array], group: Codes, groups: int, m: int, borrowed: tuple[float, float]
) -> Model:
    """Return the model of burns, the last m of them bounds, from X (n, p) and indicators of each random term."""
    e = len(X) - m
    space = space_of(X[:e], [Z[:e] for Z in terms], group[:e], groups)
    p, k = space.p, space.k
    turn = np.eye(p + k + m)
    turn[:p, :p], turn[p + k :, :p] = space.back, -X[e:] @ space.back
    halves = [np.vstack([half, Z[e:]]) for half, Z in zip(space.halves, terms, strict=True)]
    for own in group == np.arange(groups)[:, None]:
        halves.append(block_diag(space.basis[own[:e]].T, np.eye(m)[:, own[e:]]))
    halves = [turn @ half for half in halves]
    of_half = np.repeat(np.eye(len(halves) - 1), [half.shape[1] for half in halves[:-1]], axis=0)
    space = replace(space, free=space.free + borrowed[1])
    constant = np.array([space.dof * np.log(2 * np.pi) + space.logdet_xx])
    S, H = np.array([half @ half.T for half in halves]), np.hstack([np.zeros((p + k + m, 0)), *halves[:-1]])
    return Model(space, S[None], H[None], of_half, space.free[None], constant, X[e:], group, borrowed)


@dataclass(frozen=True)
class Rows:
    """Data of the search, a row each.

    Attributes
    ----------
    z, rss, b_ols
        (rows, k), (rows, groups) and (rows, p), as kit.variance.residual_space has them.
    low, high
        (rows, m) bounds of w.
    of
        (rows,) which set of burns of the model.
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
    of: Codes
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


def together(models: Sequence[Model], rows: Sequence[Rows]) -> tuple[Model, Rows]:
    """Return models of one shape as one, and the rows of each, one below the other."""
    parts = zip(*((m.S, m.halves, m.free, m.constant) for m in models), strict=True)
    S, halves, free, constant = map(np.concatenate, parts)
    of = np.repeat(np.arange(len(rows)), [len(own.z) for own in rows])
    return replace(models[0], S=S, halves=halves, free=free, constant=constant), replace(stacked(rows), of=of)


def criterion(model: Model, theta: Array, data: Rows) -> Array:
    """Return D (rows,) at theta (rows, c); no rows are no values."""
    parts = [(theta[part], data.take(part)) for part in model.passes(len(theta))]
    return np.concatenate([_value(model, at, rows, _factored(model, at, rows)) for at, rows in parts])


def _value(model: Model, theta: Array, data: Rows, at: _Factored) -> Array:
    s = theta[:, model.terms :]
    D = 2 * np.log(at.diagonal).sum(axis=1) + np.vecdot(at.left, at.left)
    D = D + np.vecdot(np.log(s), model.free[data.of]) + np.vecdot(data.rss, 1 / s) + model.constant[data.of]
    if data.held is not None:
        D = D + np.log(2 * np.pi / np.vecdot(data.held, data.held))
    return np.asarray(D - 2 * log_probability(data.low - at.mean, data.high - at.mean, at.own, data.points))


def _seen(known: Array, p: int, data: Rows) -> Array:
    """Return k'h where it is held, z and w of h, z and w, which are rows."""
    if data.held is None:
        return known[:, p:]
    first = data.held[:, None] @ known[:, :p]
    others = np.broadcast_to(known[:, p:], (len(first), *known[:, p:].shape[1:]))
    return np.concatenate([first, others], axis=1)


def _of(known: Array, data: Rows) -> Array:
    """Return what is known of each row's set of burns; of one set, once for all rows."""
    return known if len(known) == 1 else known[data.of]


@dataclass(frozen=True)
class _Factored:
    """The covariance of k'h where it is held, z and w, the n known values q first, by its Cholesky factor.

    Attributes
    ----------
    root
        (rows, n + m, n + m).
    diagonal, left
        (rows, n) of the factor of the known ones, and with which it gives q.
    mean, own
        (rows, m) of w given q, and (rows, m, m) factor of its covariance.
    """

    root: Array
    diagonal: Array
    left: Array
    mean: Array
    own: Array


def _factored(model: Model, theta: Array, data: Rows) -> _Factored:
    """Factor with q as a last row beside an end, so that the factor holds what solves for it."""
    S, p, is_held = _of(model.S, data), model.space.p, int(data.held is not None)
    total = (theta[:, None] @ S.reshape(*S.shape[:2], -1)).reshape(len(theta), *S.shape[2:])
    covariance = _seen(_seen(total, p, data).transpose(0, 2, 1), p, data)
    size, n = covariance.shape[1], data.z.shape[1] + is_held
    A = np.empty((len(theta), size + 1, size + 1))
    A[:, :-1, :-1] = covariance
    A[:, -1, is_held:n], A[:, -1, n:-1], A[:, -1, -1] = data.z, 0.0, ENDLESS
    if data.held is not None and data.value is not None:
        A[:, -1, 0] = np.vecdot(data.held, data.b_ols) - data.value
    try:
        root = np.asarray(np.linalg.cholesky(A), dtype=np.float64)
    except np.linalg.LinAlgError:  # burn variances all but vanish
        least = 1e-10 * np.trace(covariance, axis1=1, axis2=2)[:, None, None] / (size + 1)
        root = np.asarray(np.linalg.cholesky(A + least * np.eye(size + 1)), dtype=np.float64)
    left = root[:, -1, :n]
    mean = (root[:, n:-1, :n] @ left[:, :, None])[:, :, 0]
    diagonal = np.diagonal(root, axis1=1, axis2=2)[:, :n]
    return _Factored(root[:, :-1, :-1], diagonal, left, mean, root[:, n:-1, n:-1])


def derivatives(model: Model, theta: Array, data: Rows) -> Derivatives:
    """Return D and its derivatives in the variances: the gradient exactly that of `criterion` with these points.

    Of the second ones, the observed as nearly as points of a lattice make them; expected are those without bounds.
    """
    parts = model.passes(len(theta))
    return stacked([_derivatives(model, theta[part], data.take(part)) for part in parts])


def _derivatives(model: Model, theta: Array, data: Rows) -> Derivatives:
    at, (rows, c), t = _factored(model, theta, data), theta.shape, 1 + model.m
    size, of = at.root.shape[1], model.of_half
    # with S = LL': T_i = L^-1 S_i L^-T, and (q, w) = LE (1, y), y the standard coordinates of w
    E = np.zeros((rows, size, t))
    E[:, : size - model.m, 0], E[:, size - model.m :, 1:] = at.left, np.eye(model.m)
    turned = np.linalg.solve(at.root, _seen(_of(model.halves, data), model.space.p, data))
    across = turned.transpose(0, 2, 1)
    inner, onto = across @ turned, across @ E
    # the products of T_1 … T_(c-1) and I, whose last stands for T_c: Σ theta_i T_i = I
    products = np.full((rows, c, c), float(size))
    products[:, :-1, :-1] = of.T @ inner**2 @ of
    products[:, -1, :-1] = products[:, :-1, -1] = np.diagonal(inner, axis1=1, axis2=2) @ of
    TE = np.stack([*(turned[:, :, own] @ onto[:, own] for own in of.T > 0), E], axis=1)
    change = np.repeat(np.eye(c)[None], rows, axis=0)
    change[:, -1, :-1], change[:, -1, -1] = -theta[:, :-1] / theta[:, -1:], 1 / theta[:, -1]
    expected, traces = change @ products @ change.transpose(0, 2, 1), (change @ products[:, :, -1:])[:, :, 0]
    TE = (change @ TE.reshape(rows, c, size * t)).reshape(rows, c, size, t)
    forms = E.transpose(0, 2, 1)[:, None] @ TE
    move, covariance, T = moved(data.low - at.mean, data.high - at.mean, at.own, forms, data.points)
    beside = TE.transpose(0, 2, 1, 3).reshape(rows, size, c * t)
    inside = (beside.transpose(0, 2, 1) @ beside).reshape(rows, c, t, c, t)
    gradient = traces - 2 * move - np.trace(forms, axis1=2, axis2=3)
    hessian = 2 * np.einsum("riajb,rab->rij", inside, T) - expected - covariance / 2
    s, burns, free = theta[:, model.terms :], range(model.terms, c), model.free[data.of]
    gradient[:, burns] += free / s - data.rss / s**2
    hessian[:, burns, burns] += 2 * data.rss / s**3 - free / s**2
    expected[:, burns, burns] += free / s**2
    return Derivatives(_value(model, theta, data, at), gradient, hessian, expected)


def posterior(model: Model, theta: Array, data: Rows, combinations: Array) -> tuple[Array, Array, Box]:
    """Return combinations (rows, q, p) of the means, their covariance given theta, and the values that are bounds.

    A mean given all values is normal; averaged over the values that the bounds allow.
    """
    S, p, m = np.tensordot(theta, model.S[0], axes=1), model.space.p, model.m
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


def minimise_rows(
    model: Model, start: Array, data: Rows, fixed: Mask | None = None, most: int = 150, enough: float = ENOUGH
) -> Minimum:
    """Minimise D over the variances from a start a row (kit.variance.optimise)."""

    def of_rows(theta: Array, rows: Codes) -> Derivatives:
        return derivatives(model, theta, data.take(rows))

    start = np.maximum(start, floor_of(start, model.groups))
    found = minimise(of_rows, start, np.arange(len(start)), fixed, model.groups, most, enough)
    return replace(found, value=criterion(model, found.theta, data))


def least_rows(model: Model, start: Array, data: Rows, fixed: Mask | None = None) -> Minimum:
    """Minimise from starts (rows, c); where a variance is next to none there, also from variances that are all alike.

    With a variance at zero D may have a least value there and a lower one elsewhere.
    """
    held = np.zeros(start.shape, dtype=np.bool_) if fixed is None else fixed
    small = ~held & (start < NONE * start.sum(axis=1, keepdims=True))
    again = np.flatnonzero(small.any(axis=1))
    alike = np.where(held, start, start.mean(axis=1, keepdims=True))[again]
    of = np.concatenate([np.arange(len(start)), again])
    return lowest(minimise_rows(model, np.concatenate([start, alike]), data.take(of), held[of], STEPS), of)


def slope(model: Model, theta: Array, data: Rows, se: Array) -> Array:
    """Return how D (rows,) goes with the value that is held, in standard errors."""
    assert data.value is not None
    ends = (replace(data, value=data.value + off * se) for off in (NEAR, -NEAR))
    above, below = (criterion(model, theta, end) for end in ends)
    return np.asarray((above - below) / (2 * NEAR))
