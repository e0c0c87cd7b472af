"""Values known only as bounds: density of the exact burns times the probability of the bounds given them.

With e the exact burns and c the others, and flat means as in REML,

    D(theta) = -2 log REML of y_e - 2 log P(low < y_c < high | y_e),

where y_c given y_e is normal with mean X_cb + V_ceV_ee^-1(y_e - X_eb) and covariance
V_cc - V_ceV_ee^-1V_ec + BΦB', B = X_c - V_ceV_ee^-1X_e (Harville 1974 for the first part, Genz 1992 for the second).
Without bounds this is REML itself. A difference c'b = v is held by taking its direction out of X and v times it off y.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from kit.variance.columns import Array, Codes
from kit.variance.mvn import POINTS, Box, log_probability, truncated
from kit.variance.optimise import Mask


@dataclass(frozen=True)
class Model:
    """Exact burns in the space that X and the random terms span, then the burns that are bounds.

    Attributes
    ----------
    y
        (1, n) exact coordinates, then the bounds.
    X
        (n, p) of the means that have exact burns.
    m
        How many burns at the end are bounds.
    parts
        (components, n, n) G_k with V = sum theta_k G_k.
    terms
        How many of the components are random terms; the rest are burns.
    ss, df
        (groups,) sum of squares of the exact burns outside that space, and its degrees of freedom; a borrowed
        repeatability adds df sd² and df.
    """

    y: Array
    X: Array
    m: int
    parts: Array
    terms: int
    ss: Array
    df: Array


@dataclass(frozen=True)
class Rows:
    """Data of the search, a row each: y (rows, exact), X (n, p), bounds (rows, m), ss (rows, groups)."""

    y: Array
    X: Array
    low: Array
    high: Array
    ss: Array
    points: int = POINTS

    def take(self, rows: Codes) -> Rows:
        """Return some rows."""
        return replace(self, y=self.y[rows], low=self.low[rows], high=self.high[rows], ss=self.ss[rows])


def rows_of(model: Model, low: Array, high: Array, times: int) -> Rows:
    """Return the model's own data, repeated."""
    e, one = model.X.shape[0] - model.m, np.ones((times, 1))
    return Rows(one * model.y[:, :e], model.X, one * low, one * high, one * model.ss)


def criterion(model: Model, theta: Array, data: Rows) -> Array:
    """Return D (rows,) at theta (rows, c)."""
    y, X = data.y, data.X
    e = X.shape[0] - model.m
    V = np.tensordot(theta, model.parts, axes=1)
    inverse = np.asarray(np.linalg.inv(V[:, :e, :e]), dtype=np.float64)
    solved = inverse @ X[:e]
    xvx = X[:e].T @ solved
    Vy = (inverse @ y[:, :, None])[:, :, 0]
    b = np.linalg.solve(xvx, np.einsum("ep,re->rp", X[:e], Vy)[:, :, None])[:, :, 0]
    Q = np.vecdot(y, Vy) - np.vecdot(b, np.einsum("rpq,rq->rp", xvx, b))
    value = (e - X.shape[1] + model.df.sum()) * np.log(2 * np.pi) + Q
    value = value - np.linalg.slogdet(inverse)[1] + np.linalg.slogdet(xvx)[1]
    s = theta[:, model.terms :]
    value = value + np.vecdot(data.ss, 1 / s) + np.log(s) @ model.df
    mean, covariance = _given_exact(V, X, e, inverse, solved, xvx, Vy, b)
    return np.asarray(value - 2 * log_probability(data.low - mean, data.high - mean, covariance, data.points))


def _given_exact(
    V: Array, X: Array, e: int, inverse: Array, solved: Array, xvx: Array, Vy: Array, b: Array
) -> tuple[Array, Array]:
    """Mean (rows, m) and covariance (rows, m, m) of y_c given y_e under flat means."""
    ce = V[:, e:, :e]
    B = X[e:] - ce @ solved
    left = Vy - np.einsum("rep,rp->re", solved, b)
    mean = b @ X[e:].T + np.einsum("rce,re->rc", ce, left)
    covariance = V[:, e:, e:] - ce @ inverse @ ce.transpose(0, 2, 1)
    covariance = covariance + B @ np.linalg.solve(xvx, B.transpose(0, 2, 1))
    return mean, (covariance + covariance.transpose(0, 2, 1)) / 2


def minimise_rows(
    model: Model, start: Array, data: Rows, held: int | None = None, steps: int = 30
) -> tuple[Array, Array, Mask]:
    """Newton steps with numerical derivatives, every row and every probe in one evaluation.

    Random terms move as SDs (their sign is free, so that zero is a smooth point), burns as log SDs.

    Parameters
    ----------
    held
        A component that stays where it starts.

    Returns
    -------
    theta (rows, c), D (rows,) and whether each row converged.
    """
    scale = np.sqrt(start[:, model.terms :].mean(axis=1, keepdims=True))
    terms = np.sqrt(start[:, : model.terms]) / scale
    free = np.array([i for i in range(start.shape[1]) if i != held], dtype=np.int64)
    for i in free[free < model.terms]:
        terms[:, i] = np.maximum(terms[:, i], 0.05)
    x = np.concatenate([terms, 0.5 * np.log(start[:, model.terms :])], axis=1)
    done, value = np.zeros(len(x), dtype=np.bool_), np.full(len(x), np.inf)
    for _ in range(steps):
        live = np.flatnonzero(~done)
        if not len(live):
            break
        space = Space(model, scale[live], data.take(live))
        step, here = _newton_step(space, x[live], free)
        new, after = _shortened(space, x[live], step, here)
        moved = np.abs(new - x[live]).max(axis=1)
        x[live], value[live] = new, after
        done[live] = (moved < 2e-5) | (np.abs(here - after) < 1e-9)
    terms = np.where(np.abs(x[:, : model.terms]) < 1e-3, 0.0, x[:, : model.terms] * scale)
    return np.concatenate([terms**2, np.exp(2 * x[:, model.terms :])], axis=1), value, done


@dataclass(frozen=True)
class Space:
    """The coordinates of the search: SDs over `scale` (rows, 1) for terms, log SDs for burns."""

    model: Model
    scale: Array
    data: Rows

    def value(self, x: Array, rows: Codes | None = None) -> Array:
        """Return the criterion at x, whose rows belong to the data's `rows` (all, one to one, if None)."""
        scale, data = (self.scale, self.data) if rows is None else (self.scale[rows], self.data.take(rows))
        k = self.model.terms
        theta = np.concatenate([(x[:, :k] * scale) ** 2, np.exp(2 * x[:, k:])], axis=1)
        return criterion(self.model, theta, data)


def _newton_step(space: Space, x: Array, free: Codes) -> tuple[Array, Array]:
    """Return a descent step (rows, c) in the free coordinates and D (rows,), from central differences."""
    rows, f, h = len(x), len(free), 2e-3
    eye = np.eye(x.shape[1])[free]
    pairs = [(i, j) for i in range(f) for j in range(i)]
    probes = np.vstack([np.zeros((1, x.shape[1])), eye, -eye, *(eye[[i]] + eye[[j]] for i, j in pairs)])
    of = np.repeat(np.arange(rows), len(probes))
    D = space.value((x[:, None] + h * probes).reshape(rows * len(probes), -1), of).reshape(rows, -1)
    here, plus, minus = D[:, 0], D[:, 1 : 1 + f], D[:, 1 + f : 1 + 2 * f]
    H = np.zeros((rows, f, f))
    H[:, np.arange(f), np.arange(f)] = (plus - 2 * here[:, None] + minus) / h**2
    for place, (i, j) in enumerate(pairs, start=1 + 2 * f):
        H[:, i, j] = H[:, j, i] = (D[:, place] - plus[:, i] - plus[:, j] + here) / h**2
    values, vectors = np.linalg.eigh(H)
    along = np.einsum("rji,rj->ri", vectors, (plus - minus) / (2 * h)) / np.maximum(np.abs(values), 0.05)
    step = np.zeros_like(x)
    step[:, free] = -np.einsum("rij,rj->ri", vectors, along)
    size = np.linalg.norm(step, axis=1, keepdims=True)
    return step * np.minimum(1, 1.5 / np.maximum(size, 1e-12)), here


def _shortened(space: Space, x: Array, step: Array, here: Array) -> tuple[Array, Array]:
    size, new = np.ones(len(x)), x + step
    after = space.value(new)
    for _ in range(12):
        worse = np.flatnonzero(~(after <= here + 1e-10))
        if not len(worse):
            break
        size[worse] /= 3
        new[worse] = x[worse] + size[worse, None] * step[worse]
        after[worse] = space.value(new[worse], worse)
    return new, after


def posterior(model: Model, theta: Array, low: Array, high: Array) -> tuple[Array, Array, Box]:
    """Return beta (p,), its covariance given theta (c,), and what is known of the bounded values.

    beta given all values is normal; averaged over the values that the bounds allow.
    """
    e = model.X.shape[0] - model.m
    y = model.y[:, :e]
    V = np.tensordot(theta[None], model.parts, axes=1)
    inverse = np.asarray(np.linalg.inv(V[:, :e, :e]), dtype=np.float64)
    solved = inverse @ model.X[:e]
    xvx = model.X[:e].T @ solved
    Vy = (inverse @ y[:, :, None])[:, :, 0]
    b = np.linalg.solve(xvx, np.einsum("ep,re->rp", model.X[:e], Vy)[:, :, None])[:, :, 0]
    mean, covariance = _given_exact(V, model.X, e, inverse, solved, xvx, Vy, b)
    box = truncated(low - mean, high - mean, covariance)
    full = np.linalg.inv(V[0])
    phi = np.linalg.inv(model.X.T @ full @ model.X)
    pull = phi @ model.X.T @ full  # beta = pull y
    values = np.concatenate([y[0], mean[0] + box.mean[0]])
    return (
        pull @ values,
        phi + pull[:, e:] @ box.covariance[0] @ pull[:, e:].T,
        replace(box, mean=values[None, e:]),
    )
