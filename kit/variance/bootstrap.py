"""Parametric bootstrap: draw the responses of many trials of this design, refit them at once; shares of variance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import special

from kit.variance.burn_arrays import Array, Columns, refused
from kit.variance.earlier_likelihoods import beside
from kit.variance.engine import Estimate
from kit.variance.model import ORDER, RepeatModel
from kit.variance.optimise import ROUGH
from kit.variance.residual_space import Residuals


def bootstrap(fit: RepeatModel, trials: int = 1000, seed: int = 1, response: int = 0) -> Estimate:
    """Return the estimates of simulated trials: theta (trials, components), beta (trials, p), …

    Draws come from the fitted model at its estimates; no burn is simulated where sums suffice (method 2), so the
    cost does not grow with the number of burns.

    Raises
    ------
    KitError
        For a fit without repeats.
    """
    return simulated(fit, trials, seed, response).estimate


def simulated(fit: RepeatModel, trials: int, seed: int, response: int = 0) -> RepeatModel:
    """Return a fit of `trials` simulated responses on the same design, at the parameters estimated of one response.

    Its frames have no burns of their own: use it for contrasts, limits and coverage only. It is as exact as shares
    of trials need (`rough`).
    """
    if not fit.has_spread:
        raise refused("no repeats")
    theta, beta = fit.estimate.theta[response], fit.estimate.beta[response]
    rng, columns = np.random.default_rng(seed), fit.columns
    if fit.earlier:  # their likelihoods stand beside that of the burns themselves
        columns = replace(columns, values=_burns(fit, theta, beta, trials, rng))
        return refitted(fit, columns, fit.engine.rotate(columns.values))
    return refitted(fit, columns, fit.engine.draw(theta, beta, trials, rng))


def refitted(fit: RepeatModel, columns: Columns, data: Residuals) -> RepeatModel:
    """Return the fit of simulated responses, as the engine holds them; earlier trials stand beside them too."""
    estimate = fit.engine.solve(data, ROUGH)
    names = tuple(f"trial {i}" for i in range(len(estimate.theta)))
    roles = replace(fit.roles, values=names)
    found = replace(fit, data=data, columns=columns, estimate=estimate, roles=roles, rough=True)
    return replace(found, beside=beside(found)) if fit.earlier else found


def _burns(fit: RepeatModel, theta: Array, beta: Array, trials: int, rng: np.random.Generator) -> Array:
    """Return simulated values (trials, burns)."""
    groups, count = fit.design.spread.codes, fit.design.spread.count
    burns = np.sqrt(theta[len(theta) - count :])[groups]
    values = beta @ fit.design.X.T + burns * rng.standard_normal((trials, fit.design.n))
    for variance, name in zip(theta, fit.names, strict=False):
        term = fit.design.term(name)
        if term is not None:
            levels = term.levels
            values += np.sqrt(variance) * rng.standard_normal((trials, levels.count))[:, levels.codes]
    return values


def variance_shares(fit: RepeatModel, level: float = 0.95, seed: int = 1, trials: int = 1000) -> pd.DataFrame:
    """Return a row a component: component, share, low, high, level.

    Limits are percentiles of refits to simulated trials, moved by what the share of the estimates differs from their
    median on the logit scale (bias-corrected percentiles; Efron 1987, without acceleration).
    """
    names = sorted({name.split(":")[0] for name in fit.names}, key=ORDER.index)
    share = _shares(fit, fit.estimate.theta, names)
    low, high = np.full_like(share, np.nan), np.full_like(share, np.nan)
    for row in range(len(share)):
        if fit.has_spread and np.isfinite(share[row]).all():
            drawn = _shares(fit, bootstrap(fit, trials, seed, response=row).theta, names)
            low[row], high[row] = _percentiles(drawn, share[row], level)
    return fit.framed({"component": names}, {"share": share, "low": low, "high": high}, {"level": level})


def _shares(fit: RepeatModel, theta: Array, components: list[str]) -> Array:
    """(rows, components): groups of burns count by their burns."""
    names, burns = [name.split(":")[0] for name in fit.names], fit.engine.space.groups
    weight = np.ones(len(names))
    if burns > 1:
        weight[-burns:] = fit.design.spread.sizes / fit.design.n
    parts = (theta * weight) @ (np.array(names)[:, None] == components)
    return np.asarray(parts / parts.sum(axis=1, keepdims=True))


def _percentiles(drawn: Array, share: Array, level: float) -> tuple[Array, Array]:
    below = ((drawn < share).mean(axis=0) + (drawn <= share).mean(axis=0)) / 2
    z0 = special.ndtri(np.clip(below, 0.02, 0.98))
    tail = special.ndtri((1 + level) / 2)
    ends = [special.ndtr(2 * z0 + sign * tail) for sign in (-1, 1)]
    low, high = (np.array([np.quantile(drawn[:, i], end[i]) for i in range(len(share))]) for end in ends)
    return np.minimum(low, share), np.maximum(high, share)
