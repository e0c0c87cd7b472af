"""The report checks itself: simulate this very trial from its fitted model, refit, count what the intervals hold."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.variance.bootstrap import simulated
from kit.variance.censored_check import censored_rows
from kit.variance.columns import Array
from kit.variance.covariance import Contrasts, DfMethod, contrasts
from kit.variance.engines import NestedEngine
from kit.variance.families import all_pairs
from kit.variance.limits import component_limits
from kit.variance.model import RepeatModel
from kit.variance.profile import profile_holds
from kit.variance.reached import Reached, VerdictOf
from kit.variance.sd_limits import best_hold, own_burns

TRIALS = 1000
"""Simulated trials of a report."""


def self_check(
    fit: RepeatModel,
    seed: int,
    trials: int = TRIALS,
    df: DfMethod = "best",
    margin: float | None = None,
    level: float = 0.95,
    verdict: VerdictOf | None = None,
) -> pd.DataFrame:
    """Return how often each interval held the truth, each verdict erred, and each was reached.

    Parameters
    ----------
    margin
        The metric's margin on the analysis scale, if it has one.
    verdict
        (low, high, margin, limits of equivalence) -> what is said of a pair; its words are counted where two fuels are
        alike, a margin and two margins apart.

    Returns
    -------
    quantity, nominal, share, mc_error, trials (in which it was counted), seed. Days, covariates, spread by group and
    censoring are simulated as they were fitted; the truth of the simulation is the fit itself.

    Raises
    ------
    KitError
        For a fit without repeats.
    """
    reached = Reached(margin, verdict)
    if fit.censored is not None:
        L = np.vstack([fit.design.mean_rows(), pair_rows(fit)])
        return tabulated(censored_rows(fit, fit.censored, L, seed, trials, level, reached), seed)
    again = simulated(fit, trials, seed)
    rows = _means(fit, again, df, level)
    if len(fit.labels) > 1:
        rows += _pairs(fit, again, df, level, reached)
    rows += _components(fit, again, level)
    return tabulated(rows, seed)


def tabulated(rows: list[tuple[str, float, Array]], seed: int) -> pd.DataFrame:
    """Lay (quantity, nominal, share of each trial) out as schema.SELF_CHECK."""
    table = []
    for quantity, nominal, each in rows:
        kept = each[~np.isnan(each)]
        share = float(kept.mean()) if len(kept) else np.nan
        error = float(kept.std() / np.sqrt(len(kept))) if len(kept) else np.nan
        table.append((quantity, nominal, share, error, len(kept), seed))
    return pd.DataFrame(table, columns=["quantity", "nominal", "share", "mc_error", "trials", "seed"])


def _means(
    fit: RepeatModel, again: RepeatModel, df: DfMethod, level: float
) -> list[tuple[str, float, Array]]:
    L = fit.design.mean_rows()
    inside = _inside(contrasts(again, L, df, level), L @ fit.estimate.beta[0], level)
    return [(f"intervals of the means ({fit.design.n} burns) hold the truth", level, inside.mean(axis=1))]


def _inside(found: Contrasts, truth: Array, level: float) -> Array:
    low, high = found.limits(level)
    return np.asarray(((low <= truth) & (truth <= high)).astype(np.float64))


def pair_rows(fit: RepeatModel) -> Array:
    """Rows of all differences of means that can be separated."""
    m, p = len(fit.labels), fit.design.p
    pairs = [(i, j) for i in range(m) for j in range(i + 1, m) if not fit.design.apart[i, j]]
    L = np.zeros((len(pairs), p))
    for row, (i, j) in enumerate(pairs):
        L[row, i], L[row, j] = 1.0, -1.0
    return L


def _pairs(
    fit: RepeatModel, again: RepeatModel, df: DfMethod, level: float, reached: Reached
) -> list[tuple[str, float, Array]]:
    L = pair_rows(fit)
    if not len(L):
        return []
    margin, found, truth = reached.margin, contrasts(again, L, df, level), L @ fit.estimate.beta[0]
    alone, family = _inside(found, truth, level), all_pairs(len(fit.labels))
    D, E = (np.stack(found.family_limits(family, each)) for each in (level, 2 * level - 1))
    together = ((D[0] <= truth) & (truth <= D[1])).all(axis=1).astype(np.float64)
    wrong = wrong_verdicts(D, E, truth, margin).any(axis=1).astype(np.float64)
    rows = [
        ("unadjusted intervals of the differences hold the truth", level, alone.mean(axis=1)),
        ("all Tukey intervals together hold the truth", level, together),
        ("a verdict of the trial is wrong, the fuels being as estimated", 1 - level, wrong),
        ("a difference is claimed somewhere, were all fuels alike", 1 - level, 1 - together),
    ]
    if margin is not None:
        at_margin = E - truth + margin
        same = (at_margin[0] > -margin) & (at_margin[1] < margin)
        words = "'the same within the margin' is said of two fuels a whole margin apart"
        rows.append((words, 1 - level, same.mean(axis=1)))
    return rows + reached.rows(D - truth, E - truth)


def wrong_verdicts(
    D: Array, E: Array, truth: Array, margin: float | None
) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Return which verdicts the truth contradicts: a wrong direction, a difference that is not there or too small.

    Parameters
    ----------
    D, E
        (2, …) lower and upper limits of differences, and those by which they are held to lie within the margin.
    """
    (low, high), (inner, outer) = D, E
    above, below = low > 0, high < 0
    wrong = (above & (truth <= 0)) | (below & (truth >= 0))
    if margin is not None:
        size = np.abs(truth)
        wrong |= ((low > margin) | (high < -margin)) & (size <= margin)
        wrong |= (inner > -margin) & (outer < margin) & (size >= margin)
    return np.asarray(wrong)


def _components(fit: RepeatModel, again: RepeatModel, level: float) -> list[tuple[str, float, Array]]:
    truth = fit.estimate.theta[0]
    limits = component_limits(fit, "best", level).set_index("component")["method"]
    by_profile = limits.str.startswith("profile").all() and not isinstance(fit.engine, NestedEngine)
    if by_profile:
        own = own_burns(fit)
        held = [profile_holds(again, place, truth[place], level, own) for place in range(len(truth))]
    else:
        held = list(best_hold(again, truth, level).T)
    return [
        (f"interval of the {name} SD holds the truth ({limits[name]})", level, each.astype(np.float64))
        for name, each in zip(fit.names, held, strict=True)
    ]
