"""Repeatability pooled over seasons, and each season's fuel means with their covariance under it."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.special import chdtri

from kit.errors import KitError
from kit.variance.burn_arrays import Array, Codes, Roles, levels_of, noted_bags, read_columns
from kit.variance.design import design_of
from kit.variance.engine import Engine
from kit.variance.optimise import Derivatives, minimise
from kit.variance.residual_space import Residuals, space_of

TERMS = ("bag", "day", "burn")
ONE = np.zeros(1, dtype=np.int64)
"""There is one response, the metric."""
CLOSE, DOUBLINGS = 1e-8, 16
"""How close a limit of an SD is sought, and up to how many doublings of it: the seasons set none beyond."""


@dataclass(frozen=True, eq=False)
class Block:
    """The burns of one season, and its restricted likelihood.

    Attributes
    ----------
    burns
        fuel, bag, day and value (on the analysis scale), a tuple a burn.
    engine, data
        The model of kit.variance with a mean for each fuel and variances of TERMS; the values in its space.
    """

    season: str
    burns: Sequence[tuple[str, str, str, float]]
    engine: Engine
    data: Residuals

    @property
    def fuels(self) -> tuple[str, ...]:
        """The fuels, in the order of the means."""
        return self.engine.design.labels

    @cached_property
    def sizes(self) -> dict[str, int]:
        """Burns of each fuel."""
        return Counter(fuel for fuel, *_ in self.burns)


def block_of(
    season: str, fuel: Sequence[str], bag: Sequence[str], day: Sequence[str], values: Array
) -> Block:
    """Return the block of one season from its burns and their values on the analysis scale."""
    table = pd.DataFrame({"fuel": fuel, "value": values})
    design = design_of(read_columns(table, Roles(("value",), "fuel", bag=None), "plain"), "fixed", "common")
    levels = levels_of(zip(fuel, noted_bags(fuel, bag), strict=True)), levels_of(day)
    engine = Engine(design, space_of(design.X, [each.indicators for each in levels]), TERMS, method="REML")
    burns = list(zip(fuel, bag, day, values, strict=True))
    return Block(season, burns, engine, engine.rotate(np.asarray(values, dtype=np.float64)[None]))


@dataclass(frozen=True, eq=False)
class Pooled:
    """Variances common to all seasons.

    Attributes
    ----------
    blocks, criterion
        The seasons, and their deviance at these variances.
    terms, variances
        Of TERMS those that the designs tell apart, and their variances.
    covariance
        Of the variances, from their expected information.
    """

    blocks: Sequence[Block]
    criterion: float
    terms: tuple[str, ...]
    variances: Array
    covariance: Array

    def df(self, weights: Iterable[float]) -> float:
        """Return degrees of freedom of a weighted sum of the variances, 2 s⁴/var(s²) (Satterthwaite 1946)."""
        w = np.asarray(list(weights))
        variance = float(w @ self.covariance @ w)
        return 2 * float(w @ self.variances) ** 2 / variance if variance > 0 else np.inf

    @property
    def df_total(self) -> float:
        """Degrees of freedom of the variance of one burn from a new bag on another day."""
        return self.df(np.ones(len(self.terms)))

    def variance(self, term: str) -> float:
        """Return a term's variance; 0 where the designs do not tell it apart."""
        return float(self.variances[self.terms.index(term)]) if term in self.terms else 0.0

    def limits(self, term: str, level: float) -> tuple[float, float]:
        """Return limits of a term's SD.

        Of burns χ² with Satterthwaite's degrees of freedom; of bags and days the profile of the restricted likelihood
        (Pinheiro and Bates 2000, section 2.4), as one report has it: 0 where no spread at all lies within, infinite
        where the seasons set no limit.
        """
        sd = self.variance(term) ** 0.5
        if term == "burn":
            df = self.df(np.isin(self.terms, term).astype(float))
            low, high = (sd * float(df / chdtri(df, (1 + sign * level) / 2)) ** 0.5 for sign in (-1, 1))
            return low, high
        rise = partial(self._rise, term, float(chdtri(1, 1 - level)))
        least = max(sd, 0.1 * float(self.variances.sum()) ** 0.5)
        doubled = (least * 2**n for n in range(1, DOUBLINGS + 1))
        beyond = next((end for end in doubled if rise(end) > 0), None)
        low = brentq(rise, 0.0, sd, rtol=CLOSE) if rise(0.0) > 0 else 0.0
        high = brentq(rise, sd, beyond, rtol=CLOSE) if beyond else np.inf
        return float(low), float(high)

    def _rise(self, term: str, enough: float, sd: float) -> float:
        """Return how far the deviance rises beyond enough where a term's SD is held; burns take what it gives up."""
        place, theta = TERMS.index(term), np.array([self.variance(each) for each in TERMS])
        theta[-1] += max(theta[place] - sd**2, 0.0)
        theta[place] = sd**2
        held = ~np.isin(TERMS, self.terms) | np.isin(TERMS, term)
        least = minimise(partial(_deviance, self.blocks), theta[None], ONE, fixed=held[None])
        return float(least.value[0]) - self.criterion - enough


def pool(blocks: Sequence[Block]) -> Pooled:
    """Return the variances of bag, day and burn by restricted maximum likelihood over all seasons at once.

    Every season has fuel means of its own; the criterion is the sum of the seasons' (Patterson and Thompson 1971).

    Raises
    ------
    KitError
        Where nothing was repeated, or the variances do not settle.
    """
    within = sum(float(block.data.total[0]) for block in blocks)
    freedom = sum(block.engine.design.nu for block in blocks)
    if freedom <= 0 or within <= 0:
        found = "no fuel burned twice in a season, or no spread at all"
        raise _fault(found, "Burn each fuel at least twice.")
    deviance = partial(_deviance, blocks)
    kept = _told_apart(deviance(np.array([[0.0, 0.0, 1.0]]), ONE).expected[0])
    start = np.isin(range(len(TERMS)), kept) * within / freedom / len(kept)
    least = minimise(deviance, start[None], ONE, fixed=start[None] == 0)
    if not least.converged[0]:
        raise _fault("pooled variances that do not settle", "Leave out the season that differs most.")
    information = deviance(least.theta, ONE).expected[0][np.ix_(kept, kept)] / 2
    terms, covariance = tuple(TERMS[k] for k in kept), np.linalg.inv(information)
    return Pooled(blocks, float(least.value[0]), terms, least.theta[0, kept], covariance)


def _deviance(blocks: Sequence[Block], theta: Array, of: Codes) -> Derivatives:
    """Return the sum of the seasons' deviances at theta (1, 3), with its derivatives."""
    parts = [vars(block.engine.deviance(block.data, theta, of)).values() for block in blocks]
    return Derivatives(*map(sum, zip(*parts, strict=True)))  # type: ignore[arg-type]


def _fault(found: str, remedy: str) -> KitError:
    return KitError.refuse("pooled repeatability", found, "burns that repeat a fuel", remedy)


def _told_apart(information: Array) -> list[int]:
    """Return the terms whose matrices are linearly independent beside the fuel means, burns first, then days."""
    kept = [2]
    for term in (1, 0):
        tried = sorted([*kept, term])
        part = information[np.ix_(tried, tried)]
        size = np.sqrt(part.diagonal())
        if size.min() > 1e-6 * size.max() and np.linalg.cond(part / np.outer(size, size)) < 1e8:
            kept = tried
    return kept


@dataclass(frozen=True, eq=False)
class SeasonMeans:
    """Fuel means of one season on the analysis scale, with their covariance under the pooled variances."""

    block: Block
    means: Array
    covariance: Array

    def of(self, weights: Mapping[str, float]) -> tuple[float, float]:
        """Return value and variance of a weighted sum of the fuels' means."""
        w = np.array([weights.get(fuel, 0.0) for fuel in self.block.fuels])
        return float(w @ self.means), float(w @ self.covariance @ w)


def season_means(block: Block, pooled: Pooled) -> SeasonMeans:
    """Return the fuel means of one season by generalised least squares under the pooled variances."""
    theta = np.array([[pooled.variance(term) for term in TERMS]])
    means = block.engine.beta(block.data, theta)[0]
    return SeasonMeans(block, means, block.engine.pieces(theta).phi[0])
