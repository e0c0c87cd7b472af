"""Means of fuels (or of kinds, where the fuels are a sample of them) with their intervals."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.variance import RepeatFit
from kit.variance.covariance import DfMethod, contrasts

Counts = npt.NDArray[np.int64]


def fuel_means(fit: RepeatFit, df: DfMethod = "best", level: float = 0.95) -> pd.DataFrame:
    """Return a row a mean: fuel, mean, se, df, low, high, scale, method, level, n, bags.

    Parameters
    ----------
    df
        'best', 'kenward-roger' or 'satterthwaite'.

    Returns
    -------
    On the log scale mean, low and high are back-transformed (geometric means); se stays on the log scale.
    Without repeats se, df and limits are blank. Covariates stand at their average.
    """
    found = contrasts(fit, fit.design.mean_rows(), df, level)
    low, high = found.limits(level)
    mean, low, high = (back(fit, part) for part in (found.estimate, low, high))
    burns, bags = counts_of(fit)
    keys = {"fuel": fit.labels, "n": burns, "bags": bags}
    numbers = {"mean": mean, "se": found.se, "df": found.df, "low": low, "high": high}
    constants = {"scale": fit.scale, "method": found.method, "level": level}
    return fit.framed(keys, numbers, constants)


def back(fit: RepeatFit, values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return values of the analysis scale on the metric's own."""
    return np.exp(values) if fit.scale == "log" else values


def counts_of(fit: RepeatFit) -> tuple[Counts, Counts]:
    """Return burns and bags behind each mean."""
    of, count = fit.design.mean_of, len(fit.labels)
    burns = np.bincount(of, minlength=count)
    bag = fit.columns.bag
    if bag is None:
        return burns, burns
    mean_of_bag = np.zeros(bag.count, dtype=np.int64)
    mean_of_bag[bag.codes] = of
    return burns, np.bincount(mean_of_bag, minlength=count)
