"""Means and differences with their small-sample distribution: with bounds or without, by any of the methods."""

from __future__ import annotations

import numpy as np

from kit.variance.averaged import exact_contrasts
from kit.variance.censored_profile import censored_contrasts
from kit.variance.columns import Array
from kit.variance.model import RepeatModel
from kit.variance.small_sample import small_sample
from kit.variance.t_contrasts import LEAST_DF, Contrasts, DfMethod, FamilyLike, FTest, f_test, kenward_roger

__all__ = [
    "LEAST_DF", "Contrasts", "DfMethod", "FTest", "FamilyLike", "contrasts", "f_test", "kenward_roger", "small_sample",
]  # fmt: skip


def contrasts(fit: RepeatModel, L: Array, df: DfMethod = "best", level: float = 0.95) -> Contrasts:
    """Return linear combinations of the coefficients with their small-sample distribution.

    Parameters
    ----------
    L
        (contrasts, p) rows over `fit.design.columns`.
    df
        'best' (DEVELOPERS.md, method 3: averaged over the restricted likelihood), 'kenward-roger' or 'satterthwaite'.
    level
        Confidence for which effective degrees of freedom are given, where a method has no single ones.

    Raises
    ------
    KitError
        For an unknown method, and Kenward–Roger of a fit by ML.
    """
    L = np.atleast_2d(np.asarray(L, dtype=np.float64))
    if fit.censored is not None:
        return censored_contrasts(fit, fit.censored, L, df, level)
    return exact_contrasts(fit, L, df, level)
