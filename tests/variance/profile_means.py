"""Profile limits of means and differences by the likelihood: how far a contrast can move before the fit suffers."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.errors import KitError, Problem
from kit.variance.columns import Array
from kit.variance.grouped import GroupedData, GroupedEngine, grouped_engine
from kit.variance.profile import chi2_quantile

if TYPE_CHECKING:
    from kit.variance.fit import RepeatFit


def profile_means(fit: RepeatFit, L: npt.ArrayLike, level: float = 0.95) -> pd.DataFrame:
    """Return estimate, low, high, level, method of contrasts L beta of one response, on the analysis scale.

    The likelihood (not the restricted one, whose value depends on X) is maximised over all else with L beta held at v;
    its deviance rises by the χ² quantile at the limits. A fit by REML is refitted by ML, as lme4's confint does. Known
    to be too short with few bags: df='best' and 'kenward-roger' of `contrasts` are not.

    Raises
    ------
    KitError
        For several responses, bounds, or no repeats.
    """
    if fit.many or fit.censored is not None or not fit.has_spread:
        raise KitError(
            Problem("refuse", "fit", "several responses, bounds or no repeats", "one response with repeats",
                    "Profile one response at a time.")
        )  # fmt: skip
    engine = grouped_engine(fit.design, "ML", fit.borrowed)
    data = engine.rotate(fit.columns.values)
    best = engine.solve(data)
    rows, cut = [], np.sqrt(chi2_quantile(level))
    phi = np.linalg.inv(engine.X.T @ _inverse(engine, best.theta[0]) @ engine.X)
    for c in np.atleast_2d(np.asarray(L, dtype=np.float64)):
        estimate, se = float(c @ best.beta[0]), float(np.sqrt(c @ phi @ c))
        ends = _ends(engine, data, c, estimate, se, float(best.criterion[0]), float(cut))
        rows.append((estimate, *ends, level, "profile of the likelihood"))
    return pd.DataFrame(rows, columns=["estimate", "low", "high", "level", "method"])


def _inverse(engine: GroupedEngine, theta: Array) -> Array:
    K = len(engine.Z)
    V = np.diag(theta[K:][engine.group])
    for i, Z in enumerate(engine.Z):
        V = V + theta[i] * (Z @ Z.T)
    return np.asarray(np.linalg.inv(V), dtype=np.float64)


def _ends(
    engine: GroupedEngine, data: GroupedData, c: Array, estimate: float, se: float, best: float, cut: float
) -> tuple[float, float]:
    """Move both ends in proportion until √(D(v) - D_min) is the cut: it is nearly linear in v."""
    basis = np.linalg.svd(c[None], full_matrices=True)[2][1:].T
    reduced = replace(engine, X=engine.X @ basis)
    along = engine.X @ c / (c @ c)
    centred = float(c[: len(engine.design.labels)].sum() * data.level[0])
    v = estimate + np.array([-cut, cut]) * se
    for _ in range(40):
        y = data.y - (v - centred)[:, None] * along
        held = GroupedData(y, np.repeat(data.rss, 2, axis=0), np.zeros(2))
        root = np.sqrt(np.maximum(reduced.solve(held).criterion - best, 1e-12))
        new = estimate + (v - estimate) * cut / root
        if np.abs(new - v).max() <= 1e-9 * se:
            break
        v = new
    return float(v[0]), float(v[1])
