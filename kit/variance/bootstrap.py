"""Draws: the responses of many trials of this design, refitted at once; what is known of differences and variances."""

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.random import Generator
from scipy import special

from kit.variance.bounded import Rows
from kit.variance.burn_arrays import Array, Codes, Columns, refused
from kit.variance.earlier_likelihoods import beside
from kit.variance.engine import Estimate
from kit.variance.fit import contrasts
from kit.variance.inference import nodes_of
from kit.variance.model import ORDER, RepeatModel
from kit.variance.optimise import ROUGH
from kit.variance.ratio_nodes import weigh
from kit.variance.residual_space import Residuals

Order = Codes | slice

WIDTH, POINTS = 1e-4, 67
"""An exact value among bounded burns is an interval of so many burn SDs; points of the lattice of several bounds."""


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
        columns = replace(columns, values=_burns(fit, response, trials, rng))
        return refitted(fit, columns, fit.engine.rotate(columns.values))
    return refitted(fit, columns, fit.engine.draw(theta, beta, trials, rng))


def refitted(fit: RepeatModel, columns: Columns, data: Residuals) -> RepeatModel:
    """Return the fit of simulated responses, as the engine holds them; earlier trials stand beside them too."""
    estimate = fit.engine.solve(data, ROUGH)
    names = tuple(f"trial {i}" for i in range(len(estimate.theta)))
    roles = replace(fit.roles, values=names)
    found = replace(fit, data=data, columns=columns, estimate=estimate, roles=roles, rough=True)
    return replace(found, beside=beside(found)) if fit.earlier else found


def bounded_again(fit: RepeatModel, trials: int, seed: int) -> tuple[Array, Rows]:
    """Return simulated values (trials, burns) of a fit with bounds, the last of them bounds, and data of the search.

    Those hold the exact burns, and for the others the bound or a narrow interval round the value: a burn that was 'at
    least' its bound is so again where its value lies above.
    """
    known, theta = fit.censored, fit.estimate.theta[0]
    assert known is not None
    model, rng, exact = known.model, np.random.default_rng(seed), len(known.order) - known.model.m
    y = _burns(fit, 0, trials, rng, known.order) - known.centre
    above, below = (end + known.data.b_ols @ model.X.T for end in (known.data.low, known.data.high))
    late, width = y[:, exact:], WIDTH * np.sqrt(theta[-1])
    over, under = np.isfinite(above) & (late >= above), np.isfinite(below) & (late <= below)
    low = np.where(under, -np.inf, np.where(over, above, late - width))
    high = np.where(under, below, np.where(over, np.inf, late + width))
    data = model.rows(y[:, :exact], low, high, POINTS)
    sd, df = model.borrowed
    again = sd**2 * 2 * rng.standard_gamma(df / 2, (trials, 1)) - df * sd**2 if df else 0.0
    return y, replace(data, rss=data.rss + again)


def _burns(fit: RepeatModel, response: int, trials: int, rng: Generator, order: Order = slice(None)) -> Array:
    """Return simulated values (trials, burns) of the burns in this order."""
    theta, beta = fit.estimate.theta[response], np.nan_to_num(fit.estimate.beta[response])
    groups, count = fit.design.spread.codes[order], fit.design.spread.count
    burns = np.sqrt(theta[len(theta) - count :])[groups]
    values = beta @ fit.design.X[order].T + burns * rng.standard_normal((trials, len(groups)))
    for variance, name in zip(theta, fit.names, strict=False):
        term = fit.design.term(name)
        if term is not None:
            levels = term.levels
            values += np.sqrt(variance) * rng.standard_normal((trials, levels.count))[:, levels.codes[order]]
    return np.asarray(values)


def confidence_draws(fit: RepeatModel, L: Array, count: int, seed: int) -> tuple[Array, Array] | None:
    """Draw contrasts L (contrasts, p) and variances from what the burns tell of them (Weerahandi 1993).

    The ratios of the variances are drawn by their weights in the restricted likelihood, the burn variance as Q/χ²_ν,
    contrasts as normal given both: alone each has the t averaged over that likelihood.

    Returns
    -------
    (count, contrasts) and (count, components); None where that likelihood is not averaged over.
    """
    rng = np.random.default_rng(seed)
    if len(fit.names) == 1:  # without a random term the burn variance is s²ν/χ²_ν
        known = contrasts(fit, L, "kenward-roger")
        wider = known.df[:, :1] / rng.chisquare(known.df[0, 0], (count, 1))
        centre, se, variances = known.estimate, np.sqrt(wider) * known.se, wider * fit.variances[:1]
    else:
        nodes, first = nodes_of(fit, L), np.zeros(1, dtype=np.int64)
        if nodes is None:
            return None
        at = weigh(nodes, first)
        estimate = (fit.data.b_ols @ L.T)[at.of] - nodes.shifts(first)[at.of, at.node]
        row = rng.choice(len(at.weight), count, p=at.weight)
        burn, node = at.Q[row, None] / rng.chisquare(at.dof, (count, 1)), at.node[row]
        ratios = np.pad(np.maximum(nodes.ratios[node], 0.0), ((0, 0), (0, 1)), constant_values=1.0)
        centre, se, variances = estimate[row], np.sqrt(nodes.v[node] * burn), burn * ratios
    return centre + se * rng.standard_normal((count, len(L))), variances


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
            low[row], high[row] = bias_corrected(drawn, share[row], level)
    numbers = {"share": share, "low": np.minimum(low, share), "high": np.maximum(high, share)}
    return fit.framed({"component": names}, numbers, {"level": level})


def _shares(fit: RepeatModel, theta: Array, components: list[str]) -> Array:
    """(rows, components): groups of burns count by their burns."""
    names, burns = [name.split(":")[0] for name in fit.names], fit.engine.space.groups
    weight = np.ones(len(names))
    if burns > 1:
        weight[-burns:] = fit.design.spread.sizes / fit.design.n
    parts = (theta * weight) @ (np.array(names)[:, None] == components)
    return np.asarray(parts / parts.sum(axis=1, keepdims=True))


def bias_corrected(drawn: Array, plain: Array, level: float, least: float = 0.02) -> tuple[Array, Array]:
    """Return percentiles of drawn values (draws, k), moved by what plain ones differ from their median (Efron 1987).

    No acceleration; a plain value beyond all but a share `least` of the draws counts as there.
    """
    below = ((drawn < plain).mean(axis=0) + (drawn <= plain).mean(axis=0)) / 2
    z0, tail = special.ndtri(np.clip(below, least, 1 - least)), special.ndtri((1 + level) / 2)
    ends = [special.ndtr(2 * z0 + sign * tail) for sign in (-1, 1)]
    low, high = (np.array(list(map(np.quantile, drawn.T, end))) for end in ends)
    return low, high
