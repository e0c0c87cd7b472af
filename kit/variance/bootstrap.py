"""Parametric bootstrap: draw the rotated responses of many trials of this design, refit them all at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from kit.errors import KitError, Problem
from kit.variance.columns import Array
from kit.variance.earlier import beside
from kit.variance.engines import Estimate
from kit.variance.model import RepeatModel
from kit.variance.optimise import ROUGH


def bootstrap(fit: RepeatModel, trials: int = 1000, seed: int = 1, response: int = 0) -> Estimate:
    """Return the estimates of simulated trials: theta (trials, components), beta (trials, p), …

    Draws come from the fitted model at its estimates; no burn is simulated where sums suffice (method 2), so the
    cost does not grow with the number of burns.

    Raises
    ------
    KitError
        For a fit without repeats.
    """
    return simulated(fit, trials, seed, response=response).estimate


def simulated(
    fit: RepeatModel,
    trials: int,
    seed: int,
    response: int = 0,
    theta: Array | None = None,
    beta: Array | None = None,
) -> RepeatModel:
    """Return a fit of `trials` simulated responses on the same design, at given or estimated parameters.

    Its frames have no burns of their own: use it for contrasts, limits and coverage only. It is as exact as shares
    of trials need (`rough`).
    """
    if not fit.has_spread:
        raise KitError(
            Problem(
                "refuse",
                "fit",
                "no repeats",
                "a fit with repeats",
                "Nothing can be simulated without a spread.",
            )
        )
    at = fit.estimate.theta[response] if theta is None else theta
    centre = fit.estimate.beta[response] if beta is None else beta
    rng, columns = np.random.default_rng(seed), fit.columns
    if fit.earlier:  # their likelihoods stand beside that of the burns themselves
        columns = replace(columns, values=_burns(fit, at, centre, trials, rng))
        data = fit.engine.rotate(columns.values)
    else:
        data = fit.engine.draw(at, centre, trials, rng)
    names = tuple(f"trial {i}" for i in range(trials))
    found = replace(
        fit,
        data=data,
        columns=columns,
        estimate=fit.engine.solve(data, ROUGH),
        roles=replace(fit.roles, values=names),
        status=("",) * trials,
        rough=True,
    )
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
