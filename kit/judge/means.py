"""Means of fuels (or of kinds, where the fuels are a sample of them) with their intervals."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.schema import MEANS
from kit.variance import RepeatFit
from kit.variance.inference import DfMethod, contrasts

Array = npt.NDArray[np.float64]

ORDER = tuple(column.name for column in MEANS)


def fuel_means(fit: RepeatFit, df: DfMethod = "best", level: float = 0.95) -> pd.DataFrame:
    """Return a row a mean: fuel, mean, se, df, low, high, scale, method, level, n, bags.

    Parameters
    ----------
    df
        'best', 'kenward-roger' or 'satterthwaite'.

    Returns
    -------
    On the log scale mean, low and high are back-transformed (geometric means); se stays on the log scale.
    Without repeats se, df and limits are blank. A fuel whose every burn is 'at least' (or 'at most') has no mean and
    one limit, the average of its bounds. Covariates stand at their average.
    """
    found = contrasts(fit, fit.design.mean_rows(), df, level)
    low, high = found.limits(level)
    if fit.censored is not None:
        low, high = _bounds(fit, low, high)
    mean, low, high = (back(fit, part) for part in (found.estimate, low, high))
    burns, bags = fit.counts
    numbers = {"mean": mean, "se": found.se, "df": found.df, "low": low, "high": high}
    constants = {"scale": fit.scale, "method": found.method, "level": level}
    return fit.framed({"fuel": fit.labels, "n": burns, "bags": bags}, numbers, constants, ORDER)


def back(fit: RepeatFit, values: Array) -> Array:
    """Return values of the analysis scale on the metric's own; limits beyond all numbers are infinite."""
    if fit.scale != "log":
        return values
    with np.errstate(over="ignore"):
        return np.exp(values)


def _bounds(fit: RepeatFit, low: Array, high: Array) -> tuple[Array, Array]:
    """Give means without an exact burn the average of their bounds, where all bounds are of one side."""
    side, known = fit.columns.side, fit.censored
    low, high = low.copy(), high.copy()
    if side is None or known is None:
        return low, high
    for code in known.bounded:
        own = fit.design.mean_of == code
        bound = float(fit.columns.values[0, own].mean())
        low[0, code] = bound if (side[own] > 0).all() else -np.inf
        high[0, code] = bound if (side[own] < 0).all() else np.inf
    return low, high
