"""Minimise many deviances at once over variances that may not fall below zero."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from kit.variance.burn_arrays import Array, Codes, Mask, rows_of

FLOOR = 1e-9
"""A burn variance this small beside the rest counts as zero."""

EXACT = 1e-14
"""Part of the deviance after whose step rounding is all that is left: Newton's error is of the order of its square."""

ROUGH = 1e-7
"""The same for one of many simulated trials."""

ENDLESS = 0.01
"""A deviance that falls by more than this for a burn variance smaller by a factor of e has no least value there."""


@dataclass(frozen=True)
class Derivatives:
    """A deviance at one point a row.

    Attributes
    ----------
    value
        (rows,).
    gradient
        (rows, c) in the variance components.
    hessian, expected
        (rows, c, c) observed and expected second derivatives; the expected ones are positive definite.
    """

    value: Array
    gradient: Array
    hessian: Array
    expected: Array


Deviance = Callable[[Array, Codes], Derivatives]
"""(theta (rows, c), which response each row belongs to) -> Derivatives."""


@dataclass(frozen=True)
class Minimum:
    """Where the descent ended: theta (rows, c), value (rows,), converged (rows,), steps."""

    theta: Array
    value: Array
    converged: Mask
    steps: int


def minimise(
    deviance: Deviance,
    start: Array,
    of: Codes,
    fixed: Mask | None = None,
    burns: int = 1,
    most: int = 150,
    enough: float = EXACT,
) -> Minimum:
    """Projected Newton steps from a start a row, halved until the deviance falls.

    Parameters
    ----------
    start
        (rows, c) variances; those below zero are not allowed.
    of
        (rows,) response of each row.
    fixed
        (rows, c) components that are held where they are.
    burns
        How many of the last components are burn variances, which stay at or above FLOOR times the sum of all.
    enough
        A row ends with the step that promises less than this part of the deviance, which is not looked at again.

    A row in which a burn variance is at its floor and the deviance falls on below has no minimum: burns agree exactly.
    A component at zero with a slope upwards is held there; where the observed Hessian is not positive definite
    the expected one takes its place. A row also ends with a step too small to matter.
    """
    theta = start.copy()
    held = np.zeros(theta.shape, dtype=np.bool_) if fixed is None else fixed
    now = deviance(theta, of)
    value, live = now.value.copy(), np.arange(len(theta))
    done, steps = np.zeros(len(theta), dtype=np.bool_), 0
    while len(live) and steps < most:
        steps += 1
        x, low = theta[live], floor_of(theta[live], burns)
        still = held[live] | (at_floor(x, burns) & (now.gradient >= 0))
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):  # a step too far is shortened
            move = _step(now, still, x)  # none where the curvature overflows
            gain = np.vecdot(np.where(still, 0.0, now.gradient), move)  # twice what a Newton step promises
            last = np.abs(gain) <= enough * (1 + np.abs(now.value))
            ended, on = live[last], live[~last]
            theta[ended], value[ended] = _project(x, move, low)[last], (now.value + gain / 2)[last]
            done[ended] = ~_falls_on(theta[ended], now.gradient[last], held[ended], burns)
            if not len(on):
                break
            at = rows_of(now, ~last)
            new, after, small = _descend(deviance, x[~last], move[~last], at, of[on], low[~last])
        theta[on], value[on] = new, after.value
        ended = on[small]
        done[ended] = ~_falls_on(theta[ended], after.gradient[small], held[ended], burns)
        live, now = on[~small], rows_of(after, ~small)
    return Minimum(theta, value, done, steps)


def lowest(found: Minimum, of: Codes) -> Minimum:
    """Return the lowest of the minima that were found of each response."""
    order = np.lexsort((found.value, of))
    return rows_of(found, order[np.diff(of[order], prepend=-1) > 0])


def _falls_on(theta: Array, gradient: Array, held: Mask, burns: int) -> Mask:
    """Return the rows in which a burn variance is at its floor and the deviance falls on below it."""
    return np.asarray((at_floor(theta, burns) & ~held & (gradient * theta > ENDLESS)).any(axis=1))


def _step(now: Derivatives, still: Mask, x: Array) -> Array:
    """Return the Newton step of the free components, in units of their own scale."""
    free = ~still
    scale = 1 / np.sqrt(np.maximum(np.einsum("rii->ri", now.expected), 1e-300))
    both = scale[:, :, None] * scale[:, None, :] * (free[:, :, None] & free[:, None, :])
    alone = np.einsum("ri,ij->rij", still.astype(np.float64), np.eye(x.shape[1]))
    H = now.hessian * both + alone
    bad = np.linalg.eigvalsh(H)[:, 0] < 1e-6
    if bad.any():
        H[bad] = (now.expected * both + alone)[bad] + 1e-9 * np.eye(x.shape[1])
    move = np.linalg.solve(H, (now.gradient * scale * free)[:, :, None])[:, :, 0]
    return np.asarray(np.nan_to_num(-move * scale * free, nan=0.0, posinf=0.0, neginf=0.0))


def _descend(
    deviance: Deviance, x: Array, move: Array, now: Derivatives, of: Codes, low: Array
) -> tuple[Array, Derivatives, Mask]:
    """Shorten each step until the deviance no longer rises; say which steps were too small to matter."""
    size = np.ones(len(x))
    new = _project(x, move, low)
    after = deviance(new, of)
    slack = 1e-11 * (1 + np.abs(now.value))
    for _ in range(40):
        worse = ~(after.value <= now.value + slack)
        if not worse.any():
            break
        size[worse] /= 4
        new[worse] = _project(x[worse], size[worse, None] * move[worse], low[worse])
        again = deviance(new[worse], of[worse])
        for name, part in vars(after).items():
            part[worse] = vars(again)[name]
    scale = np.maximum(np.abs(new).max(axis=1, keepdims=True) * 1e-3, np.maximum(new, x))
    return new, after, np.asarray((np.abs(new - x) <= 1e-11 * scale).all(axis=1))


def floor_of(theta: Array, burns: int) -> Array:
    """Return the lowest variances allowed: zero, but FLOOR times the sum of all for burns."""
    floor = np.zeros_like(theta)
    floor[:, -burns:] = FLOOR * theta.sum(axis=1, keepdims=True)
    return floor


def at_zero(theta: Array) -> Mask:
    """Return which variances (rows, c) count as zero beside the others of their row."""
    return np.asarray(theta <= 100 * FLOOR * np.nansum(theta, axis=1, keepdims=True))


def at_floor(theta: Array, burns: int) -> Mask:
    """Return which variances (rows, c) are as low as they may be; the burns' floor moves a little with the sum."""
    return np.asarray(theta <= 1.01 * floor_of(theta, burns))


def _project(x: Array, move: Array, low: Array) -> Array:
    """Step, but not below the floor, and no burn variance to a twentieth or less in one go."""
    new = np.maximum(x + move, low)
    return np.where(low > 0, np.maximum(new, 0.05 * x), new)
