"""What a buyer's next bag will do: a prediction interval, and the chance that it beats a bag of another fuel."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from kit.errors import KitError, Problem
from kit.judge.comparisons import apart_of, scope_of
from kit.judge.means import back
from kit.schema import THESE_BAGS
from kit.variance import RepeatFit, contrasts
from kit.variance.averaged import nodes_of
from kit.variance.bootstrap import bootstrap
from kit.variance.engines import NestedEngine
from kit.variance.ratio_nodes import weigh
from kit.variance.t_contrasts import predict_burn


def next_bag(fit: RepeatFit, level: float = 0.95) -> pd.DataFrame:
    """Return a row a fuel: fuel, mean, low, high, sd, df, level, scale, covers (schema.NEXT_BAG).

    Limits and mean stand on the metric's own scale, sd on the analysis scale. Where days are a random block the
    burn is one of another day. Without repeats limits are blank, and where nothing says how far bags differ.
    """
    frame = predict_burn(fit, level)
    if scope_of(fit) == THESE_BAGS:
        frame[["low", "high", "sd", "df"]] = np.nan
    for name in ("mean", "low", "high"):
        frame[name] = back(fit, frame[name].to_numpy())
    frame["scale"] = fit.scale
    lead = ["response"] if fit.many else []
    return frame[[*lead, "fuel", "mean", "low", "high", "sd", "df", "level", "scale", "covers"]]


Array = npt.NDArray[np.float64]
Places = list[tuple[int, int]]

REFITS = 1000
"""Refits of simulated trials from which a mean is taken."""


@dataclass(frozen=True)
class Chance:
    """The chance that a burn of a new bag of a gives the larger value than one of a new bag of b.

    Attributes
    ----------
    chance, low, high
        The chance and its limits, 0 to 1.
    level, seed, trials
        Confidence, and what the draws were made with.
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

    P = Φ((μ_a − μ_b) / √(2σ²_bag + σ²_burn,a + σ²_burn,b)). With estimates in their places it is too near to a half
    on average; what it falls short by in refits of simulated trials is added (Efron & Tibshirani 1993, 10.6). Its
    limits are quantiles of P over the confidence distribution whose difference of the means has the t averaged over
    the restricted likelihood of the variance ratios: the ratios are drawn by their weights, the burn variance as
    Q/χ²_ν, the difference as normal given both (Weerahandi 1993). Where spread differs by group, and with three or
    more random terms, they are bias-corrected quantiles of the refits (Efron 1987, without acceleration).

    Raises
    ------
    KitError
        Where nothing says how far bags differ: one bag of each fuel, and no earlier trial that knows.
    """
    if scope_of(fit) == THESE_BAGS:
        remedy = "Burn a second bag, or name an earlier trial that knows how far bags differ."
        raise KitError(Problem("refuse", "table", "one bag of each fuel", "two bags of some fuel", remedy))
    labels = list(fit.labels)
    return _of_pairs(fit, [(labels.index(a), labels.index(b))], level, seed, trials)[0]


def chances(fit: RepeatFit, level: float = 0.95, seed: int = 1, trials: int = 2000) -> pd.DataFrame:
    """Return the chance for every pair of fuels: a, b, chance, low, high, level, seed (schema.CHANCES).

    Pairs that day or another block keeps apart have none, and none has one where nothing says how far bags differ.
    """
    if scope_of(fit) == THESE_BAGS:
        return pd.DataFrame()
    apart = apart_of(fit)
    pairs = [(i, j) for i, j in combinations(range(len(fit.labels)), 2) if not apart[i, j]]
    found = _of_pairs(fit, pairs, level, seed, trials) if pairs else []
    names = ("a", "b", "chance", "low", "high", "level", "seed")
    return pd.DataFrame([{name: getattr(each, name) for name in names} for each in found])


def _of_pairs(fit: RepeatFit, pairs: Places, level: float, seed: int, trials: int) -> list[Chance]:
    drawn = _confidence(fit, pairs, trials, seed)
    refits = bootstrap(fit, trials if drawn is None else min(trials, REFITS), seed)
    found = []
    for place, (i, j) in enumerate(pairs):
        plain = float(_chance(fit, fit.estimate.beta[:1], fit.variances[:1], i, j)[0])
        again = _chance(fit, refits.beta, refits.theta, i, j)
        low, high = _corrected(again, plain, level) if drawn is None else _quantiles(drawn[:, place], level)
        chance = float(np.clip(2 * plain - again.mean(), low, high))
        found.append(Chance(str(fit.labels[i]), str(fit.labels[j]), chance, low, high, level, seed, trials))
    return found


def _confidence(fit: RepeatFit, pairs: Places, trials: int, seed: int) -> Array | None:
    """Return draws of the chance (trials, pairs), or None where the ratios' likelihood is not averaged over."""
    L = np.zeros((len(pairs), fit.design.p))
    for row, (i, j) in enumerate(pairs):
        L[row, i], L[row, j] = 1.0, -1.0
    rng = np.random.default_rng(seed)
    if isinstance(fit.engine, NestedEngine) and fit.engine.levels is None:
        return _of_burns_alone(fit, L, trials, rng)
    made = nodes_of(fit, L)
    if made is None:
        return None
    nodes, data = made
    at = weigh(nodes, data)
    estimate = (fit.data.b_ols @ L.T)[at.of] - nodes.shifts(data)[at.of, at.node]
    drawn = rng.choice(len(at.weight), trials, p=at.weight)
    ratios, v = nodes.ratios[at.node[drawn]], nodes.v[at.node[drawn]]
    burn = (at.Q[drawn] / rng.chisquare(at.dof, trials))[:, None]
    difference = estimate[drawn] + np.sqrt(v * burn) * rng.standard_normal((trials, len(pairs)))
    bag = ratios[:, [fit.names.index("bag")]] if "bag" in fit.names else np.zeros((trials, 1))
    return np.asarray(special.ndtr(difference / np.sqrt(2 * burn * (1 + np.maximum(bag, 0.0)))))


def _of_burns_alone(fit: RepeatFit, L: Array, trials: int, rng: np.random.Generator) -> Array:
    """Without a random term the burn variance is s²ν/χ²_ν and the differences are normal given it."""
    found = contrasts(fit, L, "kenward-roger")
    nu = float(found.df[0, 0])
    wider = (nu / rng.chisquare(nu, trials))[:, None]
    difference = found.estimate + np.sqrt(wider) * found.se * rng.standard_normal((trials, len(L)))
    return np.asarray(special.ndtr(difference / np.sqrt(2 * wider * fit.variances[0, -1])))


def _chance(fit: RepeatFit, beta: Array, theta: Array, i: int, j: int) -> Array:
    """Return the chance for (draws,) means and components."""
    variance = np.zeros(len(theta))
    for column, name in enumerate(fit.names):
        if name in ("bag", "burn"):
            variance += 2 * theta[:, column]
        elif name.startswith("burn:"):
            group = name.partition(":")[2]
            variance += theta[:, column] * sum(_group_of(fit, place) == group for place in (i, j))
    return np.asarray(special.ndtr((beta[:, i] - beta[:, j]) / np.sqrt(variance)))


def _group_of(fit: RepeatFit, place: int) -> str:
    groups = fit.design.spread
    return str(groups.labels[groups.codes[fit.design.mean_of == place][0]])


def _quantiles(drawn: Array, level: float) -> tuple[float, float]:
    low, high = np.quantile(drawn, [(1 - level) / 2, (1 + level) / 2])
    return float(low), float(high)


def _corrected(drawn: Array, estimate: float, level: float) -> tuple[float, float]:
    """Return bias-corrected percentile limits (Efron 1987, without acceleration)."""
    below = np.clip((np.mean(drawn < estimate) + np.mean(drawn <= estimate)) / 2, 0.001, 0.999)
    shift, tail = special.ndtri(below), special.ndtri((1 + level) / 2)
    low, high = np.quantile(drawn, special.ndtr([2 * shift - tail, 2 * shift + tail]))
    return float(low), float(high)
