"""Values known only as bounds: density of the exact burns times the probability of the bounds given them.

With e the exact burns and c the others, and flat means as in REML,

    D(theta) = -2 log REML of y_e - 2 log P(low < y_c < high | y_e)

(Harville 1974 for the first part, Genz 1992 for the second). Both come from Henderson's equations (1975): with A the
columns of the means and of the random terms' levels, the latter scaled by their SDs so that their prior precision is
one, H = A'WA + diag(0, I) and W the burns' precisions,

    log|V| + log|X'V^-1X| = log|H| - log|W|,   y'Py = y'Wy - G_yy,   E(y_c) = G_cy,   Cov(y_c) = G_cc + W_c^-1

where G_ab = a'H^-1b for the rows a of A that belong to the burns c and for A'Wy. The term with most levels is diagonal
in H and is taken out first; where all burns share an SD the means are taken out once for all, before any search. A
held combination of the means k'b = v conditions on one more row k: it adds (v - G_ky)²/G_kk and log G_kk to D, and
moves mean and covariance of y_c as in any normal distribution.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from kit.variance.burn_arrays import Array, Codes
from kit.variance.mvn import POINTS, Box, log_probability, truncated

AT_ONCE = 256
"""Rows of one pass: what fits a processor's cache."""

ENDLESS = 1e300
"""A diagonal element beside which all others are nothing."""


@dataclass(frozen=True)
class Columns:
    """What stands beside the values.

    Attributes
    ----------
    A
        (n, k): the levels of the term with most of them, then means and covariates, then the other terms'. Where
        the means are taken out, those of the random terms alone (see `means_taken_out`).
    of
        (k,) which variance scales a column, -1 for a mean.
    q
        How many columns are levels of the first term.
    fixed
        (n, f) X R^-1 of the means taken out, f = p or 0.
    lift, lift_fixed
        (p, k) and (p, f): a combination c of the means is c lift in the columns of A, c lift_fixed in the others.
    logdet_xx
        log|X'X| of the means taken out.
    """

    A: Array
    of: Codes
    q: int
    fixed: Array
    lift: Array
    lift_fixed: Array
    logdet_xx: float


def with_means(Z: Array, X: Array, of: Codes, q: int) -> Columns:
    """Return the columns of random terms Z (n, levels), the first q of one term, and means X (n, p) side by side."""
    p = X.shape[1]
    A, places = np.hstack([Z[:, :q], X, Z[:, q:]]), np.concatenate([of[:q], np.full(p, -1), of[q:]])
    return Columns(A, places, q, np.zeros((len(A), 0)), np.eye(p, A.shape[1], q), np.zeros((p, 0)), 0.0)


def means_taken_out(Z: Array, X: Array, of: Codes, q: int, m: int) -> Columns:
    """Return columns of the random terms alone, for burns that share one SD.

    The exact burns' (all but the last m) are less their projection on X, the bounds' less the same combination;
    those of the first term are turned so that A'A stays diagonal: levels that share a variance may be.
    """
    e = len(X) - m
    Q, R = np.linalg.qr(X[:e])
    back = np.linalg.solve(R, Q.T @ Z[:e])
    A = Z - X @ back
    turn = np.linalg.eigh(A[:e, :q].T @ A[:e, :q])[1]
    A[:, :q], back[:, :q] = A[:, :q] @ turn, back[:, :q] @ turn
    inverse, logdet = np.linalg.inv(R), 2 * float(np.log(np.abs(np.diag(R))).sum())
    return Columns(A, of, q, X @ inverse, -back, inverse, logdet)


@dataclass(frozen=True)
class Model:
    """The burns that are used, exact ones first and bounds last.

    Attributes
    ----------
    columns
        What stands beside the values.
    group
        (n,) which burns share an SD.
    m
        How many burns at the end are bounds.
    terms, groups
        How many of the variances are random terms', and how many are burns'.
    borrowed
        SD and degrees of freedom of a repeatability from elsewhere; zero degrees of freedom without.
    """

    columns: Columns
    group: Codes
    m: int
    terms: int
    groups: int
    borrowed: tuple[float, float] = (0.0, 0.0)

    @property
    def p(self) -> int:
        """Means and covariates."""
        return len(self.columns.lift)

    @cached_property
    def of_group(self) -> Array:
        """(groups, exact) one where an exact burn belongs to a group."""
        exact = self.group[: len(self.group) - self.m]
        return np.asarray(exact == np.arange(self.groups)[:, None], dtype=np.float64)

    @cached_property
    def df(self) -> Array:
        """(groups,) exact burns, and the borrowed degrees of freedom."""
        return np.asarray(self.of_group.sum(axis=1) + self.borrowed[1])

    @cached_property
    def products(self) -> tuple[Array, Array, Array]:
        """A'A of the exact burns by group: (groups, q) diagonal, (groups, q, r) beside it, (groups, r, r) the rest."""
        A, q = self.columns.A[: len(self.group) - self.m], self.columns.q
        AA = np.einsum("gi,ij,ik->gjk", self.of_group, A, A, optimize=True)
        return np.diagonal(AA, axis1=1, axis2=2)[:, :q], AA[:, :q, q:], AA[:, q:, q:]

    def rows(self, y: Array, low: Array, high: Array, points: int = POINTS) -> Rows:
        """Return data of the search from exact values (rows, exact) and bounds (rows, m)."""
        ay = np.einsum("gi,ri,ik->rgk", self.of_group, y, self.columns.A[: y.shape[1]], optimize=True)
        sd, df = self.borrowed
        along = y @ self.columns.fixed[: y.shape[1]]
        yy = y**2 @ self.of_group.T + df * sd**2 - (along**2).sum(axis=1, keepdims=True)
        return Rows(ay, along, yy, low, high, points)


@dataclass(frozen=True)
class Rows:
    """Data of the search, a row each.

    Attributes
    ----------
    ay, along, yy
        (rows, groups, k) A'y, (rows, f) of the means taken out, (rows, groups) y'y less what those take.
    low, high
        (rows, m) bounds.
    points
        Of the lattice.
    held, value
        (rows, p) and (rows,): a combination of the means held at a value.
    """

    ay: Array
    along: Array
    yy: Array
    low: Array
    high: Array
    points: int = POINTS
    held: Array | None = None
    value: Array | None = None

    def take(self, rows: Codes | slice) -> Rows:
        """Return some rows."""
        held, value = (None if part is None else part[rows] for part in (self.held, self.value))
        return replace(
            self, ay=self.ay[rows], along=self.along[rows], yy=self.yy[rows], low=self.low[rows], high=self.high[rows],
            held=held, value=value,
        )  # fmt: skip

    def holding(self, held: Array, value: Array) -> Rows:
        """Return the same rows, each with a combination of the means held."""
        return replace(self, held=held, value=value)

    def times(self, count: int) -> Rows:
        """Return a single row repeated."""
        return self.take(np.zeros(count, dtype=np.int64))


def criterion(model: Model, theta: Array, data: Rows) -> Array:
    """Return D (rows,) at theta (rows, c); no rows are no values."""
    parts = [slice(i, i + AT_ONCE) for i in range(0, max(len(theta), 1), AT_ONCE)]
    return np.concatenate([_criterion(model, theta[part], data.take(part)) for part in parts])


def _criterion(model: Model, theta: Array, data: Rows) -> Array:
    extra = None if data.held is None else data.held[:, None]
    G, logdet = forms(model, theta, data, extra)
    s, m = theta[:, model.terms :], model.m
    free = float(model.df.sum()) - model.p
    D = free * np.log(2 * np.pi) + logdet + np.log(s) @ model.df + np.vecdot(data.yy, 1 / s) - G[:, m, m]
    mean, covariance = given_exact(model, theta, G)
    if data.held is not None and data.value is not None:
        size, along = G[:, -1, -1], G[:, :m, -1]
        off = data.value - G[:, m, -1]
        D = D + off**2 / size + np.log(2 * np.pi * size / np.vecdot(data.held, data.held))
        mean = mean + along * (off / size)[:, None]
        covariance = covariance - along[:, :, None] * along[:, None] / size[:, None, None]
    return np.asarray(D - 2 * log_probability(data.low - mean, data.high - mean, covariance, data.points))


def given_exact(model: Model, theta: Array, G: Array) -> tuple[Array, Array]:
    """Return mean (rows, m) and covariance (rows, m, m) of the bounded values given the exact ones."""
    m, own = model.m, model.group[len(model.group) - model.m :]
    burns = theta[:, model.terms :][:, own][:, :, None] * np.eye(m)
    return G[:, :m, m], np.asarray(G[:, :m, :m] + burns)


def forms(model: Model, theta: Array, data: Rows, extra: Array | None = None) -> tuple[Array, Array]:
    """Return G (rows, k, k) over the bounds, A'Wy and further combinations of the means, and log|H| (rows,).

    Parameters
    ----------
    extra
        (rows or 1, combinations, p).
    """
    columns, q, (diagonal, beside, rest) = model.columns, model.columns.q, model.products
    root = np.sqrt(np.where(columns.of < 0, 1.0, theta[:, columns.of]))
    w = 1 / theta[:, model.terms :]
    first, other = root[:, :q], root[:, q:]
    inner = 1 + first**2 * (w @ diagonal)
    across = first[:, :, None] * np.tensordot(w, beside, axes=1) * other[:, None]
    scaled = across / inner[:, :, None]
    H = np.tensordot(w, rest, axes=1) * other[:, :, None] * other[:, None]
    H = H - scaled.transpose(0, 2, 1) @ across + np.diag((columns.of[q:] >= 0).astype(np.float64))
    a = _vectors(model, w, data, extra) * root[:, None]
    left = a[:, :, q:] - a[:, :, :q] @ scaled
    G = (a[:, :, :q] / inner[:, None]) @ a[:, :, :q].transpose(0, 2, 1)
    taken, logdet_rest = _taken_out(H, left)
    G = G + taken
    logdet = np.log(inner).sum(axis=1) + logdet_rest
    if columns.fixed.shape[1]:
        G = G + _of_means(model, theta[:, -1], data, extra)
        logdet = logdet + columns.logdet_xx - model.p * np.log(theta[:, -1])
    return G, logdet


def _taken_out(H: Array, left: Array) -> tuple[Array, Array]:
    """Return left H^-1 left' and log|H| of each row from one Cholesky factor, of H with `left` below it."""
    r, k = H.shape[1], left.shape[1]
    both = np.zeros((len(H), r + k, r + k))
    both[:, :r, :r], both[:, r:, :r] = H, left
    both[:, range(r, r + k), range(r, r + k)] = ENDLESS
    root = np.linalg.cholesky(both)
    below, diagonal = root[:, r:, :r], np.diagonal(root, axis1=1, axis2=2)[:, :r]
    return below @ below.transpose(0, 2, 1), 2 * np.log(diagonal).sum(axis=1)


def _vectors(model: Model, w: Array, data: Rows, extra: Array | None) -> Array:
    """Return the vectors of G (rows, k, columns of A): the bounds' rows, A'Wy, the combinations of the means."""
    m, count = model.m, 0 if extra is None else extra.shape[1]
    a = np.zeros((len(w), m + 1 + count, len(model.columns.of)))
    a[:, :m] = model.columns.A[len(model.group) - m :]
    a[:, m] = np.einsum("rg,rgk->rk", w, data.ay)
    if extra is not None:
        a[:, m + 1 :] = extra @ model.columns.lift
    return a


def _of_means(model: Model, s: Array, data: Rows, extra: Array | None) -> Array:
    """Return what the means that were taken out add to G: s f f', and f Q'y beside A'Wy."""
    m, count = model.m, 0 if extra is None else extra.shape[1]
    f = np.zeros((len(s), m + 1 + count, model.columns.fixed.shape[1]))
    f[:, :m] = model.columns.fixed[len(model.group) - m :]
    if extra is not None:
        f[:, m + 1 :] = extra @ model.columns.lift_fixed
    G = s[:, None, None] * (f @ f.transpose(0, 2, 1))
    G[:, m] = G[:, :, m] = (f @ data.along[:, :, None])[:, :, 0]
    return np.asarray(G)


def posterior(model: Model, theta: Array, data: Rows) -> tuple[Array, Array, Box]:
    """Return beta (p,), its covariance given theta (c,), and what is known of the bounded values.

    beta given all values is normal; averaged over the values that the bounds allow.
    """
    m, at = model.m, theta[None]
    forms_at, _ = forms(model, at, data, np.eye(model.p)[None])
    mean, covariances = given_exact(model, at, forms_at)
    box = truncated(data.low - mean, data.high - mean, covariances)
    G, covariance = forms_at[0], covariances[0]
    pull = np.linalg.solve(covariance, G[:m, m + 1 :]).T
    spread = covariance - box.covariance[0]
    beta = G[m + 1 :, m] + pull @ box.mean[0]
    return beta, G[m + 1 :, m + 1 :] - pull @ spread @ pull.T, replace(box, mean=mean + box.mean)
