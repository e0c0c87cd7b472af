"""Profile limits of means and differences by the likelihood: how far a contrast can move before the fit suffers."""

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import stats

from kit.variance.engine import dense_space, engine_of, terms_in_order
from kit.variance.residual_space import space_of


def profile_means(fit, L, level=0.95):
    """Return estimate, low, high of contrasts L beta of one response, on the analysis scale.

    The likelihood (not the restricted one, whose value depends on X) is maximised over all else with L beta held at v;
    its deviance rises by the χ² quantile at the limits. A fit by REML is refitted by ML, as lme4's confint does. Known
    to be too short with few bags: df='best' and 'kenward-roger' of `contrasts` are not.
    """
    engine = replace(engine_of(fit.design, "ML"), space=dense_space(fit.design))
    best = engine.solve(engine.rotate(fit.columns.values))
    phi = engine.pieces(best.theta).phi[0]
    rows = []
    for c in np.atleast_2d(np.asarray(L, dtype=np.float64)):
        estimate, se = float(c @ best.beta[0]), float(np.sqrt(c @ phi @ c))
        rows.append((estimate, *_ends(fit, engine, c, estimate, se, best.criterion[0], level)))
    return pd.DataFrame(rows, columns=["estimate", "low", "high"])


def _ends(fit, engine, c, estimate, se, best, level):
    """Move both ends in proportion until √(D(v) - D_min) is the cut: it is nearly linear in v."""
    X, groups, cut = fit.design.X, fit.design.spread, np.sqrt(stats.chi2.ppf(level, 1))
    basis = np.linalg.svd(c[None], full_matrices=True)[2][1:].T
    space = space_of(
        X @ basis, [term.levels.indicators for term in terms_in_order(fit.design)], groups.codes, groups.count
    )
    held = replace(engine, space=space)
    v = estimate + np.array([-cut, cut]) * se
    for _ in range(40):
        data = space.rotate(fit.columns.values - v[:, None] * (X @ c / (c @ c)))
        root = np.sqrt(np.maximum(held.solve(data).criterion - best, 1e-12))
        new = estimate + (v - estimate) * cut / root
        if np.abs(new - v).max() <= 1e-9 * se:
            break
        v = new
    return float(v[0]), float(v[1])
