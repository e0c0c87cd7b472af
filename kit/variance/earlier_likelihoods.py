"""Earlier trials measured alike: what they know of the variances, and whether they may speak here.

Each enters by its own restricted likelihood, its means integrated out, raised to a power (Ibrahim & Chen 2000).
Before that it is asked whether its variances agree with this trial's: two F tests, of the mean squares of burns within
bags and of what lies between bags and days at the ratios that suit both best, together at 5 %. A folder that
disagrees, alone or with the others, is left out; the answer without any stands beside.
"""

from dataclasses import replace
from itertools import compress

import numpy as np
from scipy import special

from kit.errors import Faults
from kit.variance.burn_arrays import Array, refused
from kit.variance.engine import Restricted
from kit.variance.model import Beside, RepeatModel
from kit.variance.ratio_nodes import Joint
from kit.variance.residual_space import grid_of, space_of

POWER, POWER_OF_SEVERAL = 0.6, 0.5
"""Exponent of the likelihood of one earlier trial, and of each of several (tests/simulate)."""

CONFLICT = 0.05
"""Below this p an earlier trial is left out."""

LARGEST = 1500
"""Burns of a trial that is joined with others."""

_RATIOS = np.concatenate([[0.0], np.logspace(-2, 3, 26)])


def check_earlier(fit: RepeatModel) -> None:
    """Refuse earlier trials that cannot be joined with this one.

    Raises
    ------
    KitError
        With every reason.
    """
    faults, groups = Faults(), set(fit.design.spread.labels)
    for number, other in enumerate(fit.earlier, start=1):
        responses, burns = len(other.roles.values), other.design.n
        found = {
            "another scale": other.scale != fit.scale,
            "other responses": other.many and responses != len(fit.roles.values),
            "earlier bounds": other.censored is not None,
            "earlier without repeats": other.design.nu == 0,
            "other groups": len(groups) > 1 and not set(other.design.spread.labels) <= groups,
            "long trial": burns > LARGEST,
        }
        parts = {"number": number, "own": fit.scale, "other": other.scale, "burns": burns, "most": LARGEST}
        for what in compress(found, found.values()):
            faults.take(refused(what, responses=responses, **parts))
    if fit.earlier and (fit.method != "REML" or fit.design.term("fuel") is not None):
        faults.take(refused("earlier to another model"))
    if not 0 < fit.power <= 1:
        faults.take(refused("power", power=fit.power))
    faults.settle()


def beside(fit: RepeatModel) -> Beside:
    """Return the likelihoods of a fit and its earlier trials, and which of them agree with it."""
    # the terms that this trial or an earlier one tells apart, the one with more levels here first
    everyone, count, day = (fit, *fit.earlier), len(fit.earlier), fit.columns.day
    told = [name for name in ("bag", "day") if any(each.design.term(name) is not None for each in everyone)]
    if "day" in told and fit.design.term("day") is None and (day is None or day.count < 3):
        told.remove("day")
    names = tuple(sorted(told, key=lambda name: -_levels(fit, name).shape[1]))
    own, *folders = (_likelihood(each, names, fit) for each in everyone)
    whole = Joint(own, names, folders, [1.0] * count)
    p = np.stack([_conflict(whole.of(alone)) for alone in np.eye(count, dtype=np.bool_)], axis=1)
    if count > 1:  # together they may disagree where none does alone
        p = np.minimum(p, _conflict(whole)[:, None])
    return Beside(replace(whole, powers=[fit.power] * count), p, p >= CONFLICT)


def _levels(fit: RepeatModel, name: str) -> Array:
    """Return indicators (burns, levels): of a blank bag column, one bag of unknown number a fuel; of no day, none."""
    levels = fit.columns.bag if name == "bag" else fit.columns.day
    if levels is not None:
        return levels.indicators
    if name == "bag":
        return np.eye(len(fit.labels))[fit.design.mean_of]
    return np.zeros((fit.design.n, 1))


def _likelihood(fit: RepeatModel, names: tuple[str, ...], host: RepeatModel) -> Restricted:
    """Return one trial's likelihood; the ratio of a day that only this one has is taken as estimated."""
    terms, theta = [_levels(fit, name) for name in names], fit.estimate.theta[0]
    known = [
        (float(variance / theta[-1]), _levels(fit, name))
        for name, variance in zip(fit.names, theta, strict=True)
        if fit.design.term(name) is not None and name not in names and variance > 0
    ]
    groups, own, codes = host.design.spread, fit.design.spread, None
    if groups.count > 1:
        codes = np.array([groups.labels.index(label) for label in own.labels])[own.codes]
    values = fit.columns.values if fit.censored is None else fit.censored.expected
    level = values.mean(axis=1, keepdims=True)
    X, y = fit.design.X, values - level
    if known:
        whole = np.eye(fit.design.n) + sum(ratio * (Z @ Z.T) for ratio, Z in known)
        half = np.linalg.inv(np.linalg.cholesky(whole))
        X, y, terms = half @ X, y @ half.T, [half @ Z for Z in terms]
    space = space_of(X, terms, codes, groups.count)
    data = space.rotate(y)
    data.b_ols[:, : len(fit.labels)] += level
    return Restricted(space, data)


def _conflict(joint: Joint) -> Array:
    """Return p (responses,) of equal variances in a trial and in others together."""
    own, others, terms = joint.own, joint.folders, joint.own.space.terms
    outer, ratio = grid_of([_RATIOS] * terms, np.ones(own.space.groups))
    lines = joint.along(outer)
    Q = [each.reshape(len(each), -1) for each in joint.quadratics(lines, ratio)]
    total = joint.dof * np.log(sum(Q)) + joint.determinant(lines, ratio).ravel()
    best = np.arange(len(total)), total.argmin(axis=1)
    whole = Q[0][best], np.broadcast_to(sum(Q[1:]), total.shape)[best]
    within = own.data.rss.sum(axis=1), sum(each.data.rss.sum(axis=1) for each in others)
    tests: list[Array] = []
    for (a, b), df_a, df_b in (
        (within, own.space.free.sum(), sum(each.space.free.sum() for each in others)),
        ((whole[0] - within[0], whole[1] - within[1]), own.space.k, sum(each.space.k for each in others)),
    ):
        if min(df_a, df_b) > 0:
            with np.errstate(divide="ignore", invalid="ignore"):
                F = np.nan_to_num((a / df_a) / (b / df_b), nan=1.0, posinf=1e300)
            less, more = special.fdtr(df_a, df_b, F), special.fdtrc(df_a, df_b, F)
            tests.append(np.minimum(1.0, 2 * np.minimum(less, more)))
    return np.minimum(1.0, len(tests) * np.min(tests, axis=0)) if tests else np.ones(len(total))
