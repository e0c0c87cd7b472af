"""What a buyer's next bag will do, and how many further bags would settle a question that is open."""

import math
from bisect import bisect_left
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from kit import schema
from kit.errors import KitError
from kit.judge.comparisons import Differences, apart_of, back, places_of, scope_of
from kit.judge.question import Question, Resources, refused
from kit.judge.verdicts import OPEN, half_widths, standard_errors, verdict_chances
from kit.schema import THESE_BAGS
from kit.variance import RepeatFit
from kit.variance.bootstrap import bias_corrected, bootstrap, confidence_draws
from kit.variance.burn_arrays import Array, Codes, read_columns
from kit.variance.design import design_of
from kit.variance.engine import engine_of
from kit.variance.families import Family, all_pairs
from kit.variance.inference import known_at, needs_level, predict_burn, uses_of_a_burn
from kit.variance.sd_limits import component_limits

DRAWS, REFITS = 2000, 1000
"""Draws of a chance, and refits of simulated trials from which a mean is taken."""
ENOUGH = 0.80
"""Chance of a settled verdict that is called enough."""
UPPER = 0.60
"""Two-sided confidence whose upper limit is the upper 80 % limit."""
MOST_TIMES = 4
"""A trial so many times its own size is not called affordable."""
COLUMNS = schema.names("further")[1:]


def next_bag(fit: RepeatFit, level: float = 0.95) -> pd.DataFrame:
    """Return a row a fuel: fuel, mean, low, high, sd, df, level, scale, covers (schema.NEXT_BAG).

    Limits and mean stand on the metric's own scale, sd on the analysis scale. Where days are a random block the
    burn is one of another day. Without repeats limits are blank, and where nothing says how far bags differ.

    Examples
    --------
    >>> ahead = next_bag(fit)
    >>> bool((ahead["low"] < ahead["high"]).all())
    True
    """
    frame = predict_burn(fit, level).assign(scale=fit.scale)
    if scope_of(fit) == THESE_BAGS:
        frame[["low", "high", "sd", "df"]] = np.nan
    for name in ("mean", "low", "high"):
        frame[name] = back(fit, frame[name].to_numpy())
    return frame[[name for name in ("response", *schema.names("next_bag")) if name in frame]]


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


def chance_better(fit: RepeatFit, a: Any, b: Any, level: float = 0.95, seed: int = 1) -> Chance:
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
        Where nothing says how far bags differ: one bag of each fuel, and no earlier trial that knows; for a fuel that
        is not there, and a level that is none.

    Examples
    --------
    >>> chance = chance_better(fit, "vine", "pressed")
    >>> bool(chance.low < chance.chance <= chance.high)
    True
    """
    if scope_of(fit) == THESE_BAGS:
        raise refused("one_bag")
    needs_level(level)
    (found,) = _of_pairs(fit, places_of(fit.labels, [(a, b)]), level, seed).to_dict("records")
    return Chance(**found | {"a": str(a), "b": str(b), "trials": DRAWS})


def chances(fit: RepeatFit, level: float = 0.95, seed: int = 1) -> pd.DataFrame:
    """Return the chance for every pair of fuels: a, b, chance, low, high, level, seed (schema.CHANCES).

    Pairs that day or another block keeps apart have none, and none has one where nothing says how far bags differ.
    """
    pairs = np.argwhere(np.triu(~apart_of(fit), 1))
    if scope_of(fit) == THESE_BAGS or not len(pairs):
        return pd.DataFrame()
    return _of_pairs(fit, pairs, level, seed)


def _of_pairs(fit: RepeatFit, pairs: Codes, level: float, seed: int) -> pd.DataFrame:
    means, (a, b) = fit.design.mean_rows(), pairs.T
    L, uses = means[a] - means[b], uses_of_a_burn(fit)
    uses[[name == "day" for name in fit.names]] = 0  # both burn on one day

    def chance(differences: Array, variances: Array) -> Array:
        return np.asarray(special.ndtr(differences / np.sqrt(variances @ (uses[:, a] + uses[:, b]))))

    drawn = confidence_draws(fit, L, DRAWS, seed)
    refits = bootstrap(fit, DRAWS if drawn is None else REFITS, seed)
    plain = chance(fit.estimate.beta[:1] @ L.T, fit.variances[:1])[0]
    again = chance(refits.beta @ L.T, refits.theta)
    if drawn is None:
        low, high = bias_corrected(again, plain, level, 0.001)
    else:
        low, high = np.quantile(chance(*drawn), [(1 - level) / 2, (1 + level) / 2], axis=0)
    labels = np.array(fit.labels, dtype=object)
    numbers = {"chance": np.clip(2 * plain - again.mean(axis=0), low, high), "low": low, "high": high}
    return pd.DataFrame({"a": labels[a], "b": labels[b], **numbers, "level": level, "seed": seed})


@dataclass(frozen=True)
class Asked:
    """One open comparison.

    Attributes
    ----------
    a, b, difference
        The fuels, and their difference on the analysis scale.
    margin
        On the analysis scale, or None.
    family, level
        Of the simultaneous limits.
    """

    a: str
    b: str
    difference: float
    margin: float | None
    family: Family
    level: float


def further(fit: RepeatFit, comparisons: pd.DataFrame, question: Question) -> pd.DataFrame:
    """Return how many bags more would settle each comparison that is open (schema.FURTHER without metric).

    Further bags are of the two fuels alone, each with as many burns as bags had on average, a burn of each fuel on
    each further day. Their number is the smallest with a chance of 80 % of any settled verdict, were the true
    difference the estimate and the standard deviations their upper 80 % limits.

    Approximation: with the burns made and the further ones in one design, the estimated difference is normal
    about the true one with the standard error SE that this design has at those standard deviations; its estimate is
    SE·√(χ²_ν/ν), independent of it, with ν by Satterthwaite's rule (`verdict_chances`).

    Parameters
    ----------
    fit
        The model of the burns made, all exact.
    comparisons
        The comparisons, of any pairs.
    question
        How the metric is judged, and what burns cost.
    """
    unsettled = comparisons[(comparisons["verdict"] == OPEN) & comparisons["low"].notna()]
    if unsettled.empty:
        return pd.DataFrame(columns=COLUMNS)
    upper = component_limits(fit, level=UPPER).set_index("component")["high"].astype(float).to_dict()
    tukey, records = all_pairs(len(fit.labels)), []
    declared, _ = question.family(fit)
    # whose family takes covariances alone, which need no average
    dunnett = Differences.of(fit, [declared], "kenward-roger").family_against(declared) or tukey
    for row in unsettled.to_dict("records"):
        difference = math.log(row["ratio"]) if fit.scale == "log" else float(row["difference"])
        family = dunnett if row["multiplicity"] == "dunnett" else tukey
        asked = Asked(row["a"], row["b"], difference, question.margin, family, question.level)
        records.append(_needed(fit, asked, upper, question.resources))
    return pd.DataFrame(records, columns=COLUMNS)


def _needed(fit: RepeatFit, asked: Asked, upper: dict[str, float], known: Resources) -> dict[str, object]:
    own = fit.table[fit.table["fuel"].isin([asked.a, asked.b])]
    burns = round(len(own) / len(own.drop_duplicates(["fuel", "bag"]))) if "bag" in fit.names else 1
    # of one more bag of both fuels
    cost = sum(known.bag_price.get(fuel, math.nan) for fuel in (asked.a, asked.b))
    grams, hours = 2 * burns * known.grams, 2 * burns * known.hours
    limits = ((known.budget, cost), (known.most_hours, hours))
    most = [int(limit // each) for limit, each in limits if each > 0 and limit < math.inf]
    options = range(1, min([(MOST_TIMES - 1) * len(fit.table) // (2 * burns), *most]) + 1)
    bags = 1 + bisect_left(options, ENOUGH, key=lambda n: chance_of_settling(fit, asked, upper, n, burns))
    pair: dict[str, object] = {"a": asked.a, "b": asked.b, "burns": burns}
    if bags <= len(options):
        pair |= {"bags": bags, "more_burns": 2 * bags * burns}
        pair |= {"grams": bags * grams, "cost": bags * cost, "hours": bags * hours}
    return pair


def chance_of_settling(fit: RepeatFit, asked: Asked, sds: dict[str, float], bags: int, burns: int) -> float:
    """Return the chance that further bags of both fuels settle a comparison; 0 where nothing can be promised.

    Parameters
    ----------
    sds
        Standard deviation of each component, taken to be the true one.
    """
    unseen: dict[str, Any] = {name: None for name in ("bag", "day") if name not in fit.names}
    roles = replace(fit.roles, status=None, **unseen)
    try:
        columns = read_columns(with_further(fit.table, (asked.a, asked.b), bags, burns), roles, fit.scale)
        design = design_of(columns, "fixed", fit.spread_choice)
        engine = engine_of(design, "REML")
    except KitError:
        return 0.0
    if not set(engine.names) <= set(sds):
        return 0.0
    (a,), (b,) = (design.mean_rows()[[design.labels.index(fuel)]] for fuel in (asked.a, asked.b))
    covariance, df = known_at(engine, np.array([sds[name] ** 2 for name in engine.names]), (a - b)[None])
    se = math.sqrt(covariance.item())
    half, inner = half_widths(asked.family, standard_errors(se, df.item()), df, asked.level)
    return 1 - verdict_chances(asked.difference, se, half, inner, asked.margin)[OPEN]


def with_further(rows: pd.DataFrame, fuels: tuple[str, str], bags: int, burns: int) -> pd.DataFrame:
    """Return the burns and further ones like them of two fuels, from new bags on new days; values are copies."""
    parts = [rows]
    for fuel in fuels:
        own, place = rows[rows["fuel"] == fuel], np.arange(bags * burns)
        bag, day = [f"further {fuel} {n}" for n in place % bags], [f"further {n}" for n in place]
        parts.append(own.iloc[place % len(own)].assign(bag=bag, day=day))
    return pd.concat(parts, ignore_index=True)
