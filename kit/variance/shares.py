"""Shares of the variance between kinds' fuels, bags, days and burns, with intervals from the bootstrap."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.variance.bootstrap import bootstrap
from kit.variance.columns import Array
from kit.variance.model import RepeatModel


def variance_shares(fit: RepeatModel, level: float = 0.95, seed: int = 1, trials: int = 1000) -> pd.DataFrame:
    """Return a row a component: component, share, low, high, level.

    Limits are percentiles of refits to simulated trials, moved by what the share of the estimates differs from their
    median on the logit scale (bias-corrected percentiles; Efron 1987, without acceleration).
    """
    order = sorted(
        range(len(fit.names)), key=lambda i: ("fuel", "bag", "day", "burn").index(fit.names[i].split(":")[0])
    )
    names = list(dict.fromkeys(fit.names[i].split(":")[0] for i in order))
    share = _shares(fit, fit.estimate.theta)
    low, high = np.full_like(share, np.nan), np.full_like(share, np.nan)
    for row in range(len(share)):
        if fit.has_spread and np.isfinite(share[row]).all():
            drawn = _shares(fit, bootstrap(fit, trials, seed, response=row).theta)
            low[row], high[row] = _percentiles(drawn, share[row], level)
    frame = fit.framed({"component": names}, {"share": share, "low": low, "high": high})
    frame["level"] = level
    return frame


def _shares(fit: RepeatModel, theta: Array) -> Array:
    """(rows, components): groups of burns count by their burns."""
    names = [name.split(":")[0] for name in fit.names]
    weight = np.ones(len(names))
    if fit.design.spread.count > 1:
        weight[[i for i, name in enumerate(names) if name == "burn"]] = fit.design.spread.sizes / fit.design.n
    order = [name for name in ("fuel", "bag", "day", "burn") if name in names]
    parts = np.stack([(theta * weight)[:, [n == name for n in names]].sum(axis=1) for name in order], axis=1)
    return np.asarray(parts / parts.sum(axis=1, keepdims=True))


def _percentiles(drawn: Array, share: Array, level: float) -> tuple[Array, Array]:
    from scipy import special

    below = ((drawn < share).mean(axis=0) + (drawn <= share).mean(axis=0)) / 2
    z0 = special.ndtri(np.clip(below, 0.02, 0.98))
    tail = special.ndtri((1 + level) / 2)
    ends = [special.ndtr(2 * z0 + sign * tail) for sign in (-1, 1)]
    low, high = (np.array([np.quantile(drawn[:, i], end[i]) for i in range(len(share))]) for end in ends)
    return np.minimum(low, share), np.maximum(high, share)
