"""The chance that a new bag of one fuel beats a new bag of another, with its interval."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from kit.variance import RepeatFit
from kit.variance.bootstrap import bootstrap
from kit.variance.engine import Estimate

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Chance:
    """The chance that a burn of a new bag of a gives the larger value than one of a new bag of b.

    Attributes
    ----------
    chance, low, high
        The chance and its limits, 0 to 1.
    level, seed, trials
        Confidence, and what the bootstrap was made with.
    """

    a: str
    b: str
    chance: float
    low: float
    high: float
    level: float
    seed: int
    trials: int


def chance_better(
    fit: RepeatFit, a: Any, b: Any, level: float = 0.95, seed: int = 1, trials: int = 2000
) -> Chance:
    """Return the chance that a burn from a new bag of a exceeds one from a new bag of b on the same day.

    P = Φ((μ_a − μ_b) / √(2σ²_bag + σ²_burn,a + σ²_burn,b)); its limits come from refits of simulated trials.
    """
    return _of_pair(fit, bootstrap(fit, trials, seed), a, b, level, seed)


def _of_pair(fit: RepeatFit, draws: Estimate, a: Any, b: Any, level: float, seed: int) -> Chance:
    i, j = list(fit.labels).index(a), list(fit.labels).index(b)
    estimate = _chance(fit, fit.estimate.beta[:1], fit.variances[:1], i, j)[0]
    drawn = _chance(fit, draws.beta, draws.theta, i, j)
    low, high = _limits(drawn, float(estimate), level)
    return Chance(str(a), str(b), float(estimate), low, high, level, seed, len(draws.beta))


def chances(fit: RepeatFit, level: float = 0.95, seed: int = 1, trials: int = 2000) -> pd.DataFrame:
    """Return the chance for every pair of fuels: a, b, chance, low, high, level, seed (schema.CHANCES)."""
    draws = bootstrap(fit, trials, seed)
    found = [_of_pair(fit, draws, a, b, level, seed) for a, b in combinations(fit.labels, 2)]
    names = ("a", "b", "chance", "low", "high", "level", "seed")
    return pd.DataFrame([{name: getattr(each, name) for name in names} for each in found])


def _chance(fit: RepeatFit, beta: Array, theta: Array, i: int, j: int) -> Array:
    """Return the chance for (draws,) means and components."""
    variance = np.zeros(len(theta))
    for column, name in enumerate(fit.names):
        if name == "bag" or name == "burn":
            variance += 2 * theta[:, column]
        elif name.startswith("burn:"):
            group = name.partition(":")[2]
            variance += theta[:, column] * sum(_group_of(fit, place) == group for place in (i, j))
    return np.asarray(special.ndtr((beta[:, i] - beta[:, j]) / np.sqrt(variance)))


def _group_of(fit: RepeatFit, place: int) -> str:
    groups = fit.design.spread
    return str(groups.labels[groups.codes[fit.design.mean_of == place][0]])


def _limits(drawn: Array, estimate: float, level: float) -> tuple[float, float]:
    """Return bias-corrected percentile limits (Efron 1987, without acceleration)."""
    below = np.clip((np.mean(drawn < estimate) + np.mean(drawn <= estimate)) / 2, 0.001, 0.999)
    shift, tail = special.ndtri(below), special.ndtri((1 + level) / 2)
    low, high = np.quantile(drawn, special.ndtr([2 * shift - tail, 2 * shift + tail]))
    return float(low), float(high)
