"""Fit the repeat-trial variance model to one response or to many on one design; the fit as a person reads it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import get_args

import numpy as np
import pandas as pd

from kit.errors import Faults, KitError
from kit.page.html_tables import as_table
from kit.page.text import Html, element, join
from kit.variance.burn_arrays import Array, Roles, Scale, read_columns, refused
from kit.variance.censored import censored_contrasts, fit_censored
from kit.variance.design import FuelEffect, Method, Spread, design_of
from kit.variance.earlier_likelihoods import POWER, POWER_OF_SEVERAL, beside, check_earlier
from kit.variance.engine import Borrowed, terms_in_order
from kit.variance.inference import Contrasts, DfMethod, exact_contrasts, needs_level
from kit.variance.model import Choices, RepeatModel, fit_design
from kit.variance.sd_limits import component_limits

__all__ = ["RepeatFit", "contrasts", "fit_repeats", "joined"]

SCALES = {"plain": "", "log": ", on the log scale: means are geometric, SDs are of logarithms"}


@dataclass(frozen=True, repr=False)
class RepeatFit(RepeatModel):
    """The fitted model, with what is inferred from it: limits of SDs, effects of bags, a summary."""

    @cached_property
    def left_out(self) -> RepeatFit | None:
        """The same fit of the exact burns alone, where some values are bounds and the others leave a fit."""
        if self.columns.side is None:
            return None
        effect: FuelEffect = "fixed" if self.design.term("fuel") is None else "random"
        choices = Choices(effect, self.spread_choice, self.scale, self.method, self.borrowed)
        try:
            return _fitted(self.table[self.columns.side == 0], replace(self.roles, status=None), choices)
        except KitError:  # too few burns are left
            return None

    @cached_property
    def components(self) -> pd.DataFrame:
        """Standard deviations with 95 % limits: kit.variance.component_limits adds methods and levels."""
        return component_limits(self)

    @cached_property
    def bags(self) -> pd.DataFrame:
        """Predicted effects of bags, days (and fuels, where random) with their standard deviations, given the means."""
        effect, sd = self.engine.effects(self.columns.values, self.estimate.theta, self.estimate.beta)
        terms = terms_in_order(self.design)
        names = [term.name for term in terms for _ in term.levels.labels]
        labels = [str(label) for term in terms for label in term.levels.labels]
        return self.framed({"component": names, "label": labels}, {"effect": effect, "sd": sd})

    def conf_int(self, level: float = 0.95) -> pd.DataFrame:
        """Return fuel, mean, low, high: each mean with its own interval, on the metric's own scale."""
        found = contrasts(self, self.design.mean_rows(), "best", level)
        values = dict(zip(("mean", "low", "high"), (found.estimate, *found.limits(level)), strict=True))
        if self.scale == "log":
            with np.errstate(over="ignore"):
                values = {name: np.exp(each) for name, each in values.items()}
        return self.framed({"fuel": self.labels}, values)

    def summary(self, level: float = 0.95) -> Summary:
        """Return what the fit says on one screen: means, standard deviations, their limits, notes."""
        burns, bags = self.counts
        limits = self.conf_int(level).assign(burns=burns, **({"bags": bags} if bags.any() else {}))
        components = component_limits(self, level=level)[["component", "sd", "low", "high", "at_boundary"]]
        words = f"{self.method} fit of {self._words}{SCALES[self.scale]}."
        return Summary(words, limits, components, self.notes, level)

    @property
    def _words(self) -> str:
        """'36 burns of 6 fuels with bags and days at random'."""
        burns = len(self.columns.rows)
        if self.many:
            return f"{len(self.roles.values)} responses of {burns} burns"
        random = " and ".join(f"{name}s" for name in self.names if not name.startswith("burn"))
        return f"{burns} burns of {len(self.labels)} fuels{f' with {random} at random' if random else ''}"

    def __repr__(self) -> str:
        return f"<RepeatFit: {self._words}, {self.scale} scale>"

    def _repr_html_(self) -> str:
        return element("p", repr(self)) if self.many else self.summary()._repr_html_()


def fit_repeats(
    table: pd.DataFrame,
    value: str | Sequence[str] = "value",
    fuel: str | None = "fuel",
    bag: str | None = "bag",
    day: str | None = None,
    kind: str | None = None,
    covariates: Sequence[str] = (),
    fuel_effect: FuelEffect = "fixed",
    spread: Spread = "common",
    scale: Scale = "plain",
    method: Method = "REML",
    status: str | None = None,
    borrowed: tuple[float, float] | None = None,
    earlier: Sequence[RepeatFit] | Mapping[str, RepeatFit] = (),
    power: float | None = None,
) -> RepeatFit:
    """Fit y = X beta + bag + day + burn by REML or ML, exactly, for one response or many on one design.

    Parameters
    ----------
    table
        One row a burn.
    value
        Column of the response, or several: responses of the same burns, which share the design's algebra.
    fuel, bag, day, kind
        Columns of labels; None where there is none. Bags are counted within fuels.
    covariates
        Columns of numbers (centred) or of labels (sum-to-zero blocks: cooker, setting).
    fuel_effect
        'fixed': a mean for each fuel. 'random': a mean for each kind, its fuels being a sample of it.
    spread
        One burn SD for all, or one for each fuel or kind.
    scale
        'log' analyses the natural logarithm.
    status
        Column with 'exact', 'at least', 'at most', 'never' or 'missing'.
    borrowed
        Repeatability SD on the analysis scale and its degrees of freedom, from other burns.
    earlier
        Fits of the same metric from trials measured alike, by name or in order. What they know of the variances enters
        df='best'; estimates are this trial's own.
    power
        Exponent of each one's likelihood, 0 to 1; None for the kit's choice.

    Raises
    ------
    KitError
        For every table that cannot answer, with what to do.

    Notes
    -----
    DEVELOPERS.md, methods 1 and 2; Pinheiro & Bates (2000), Bates et al. (2015).

    Examples
    --------
    >>> values = [61, 60, 70, 72, 63, 65, 69, 70]
    >>> burns = pd.DataFrame({"fuel": list("aabb") * 2, "bag": list("1234") * 2, "value": values})
    >>> fit_repeats(burns).means[["fuel", "mean"]].values.tolist()
    [['a', 62.25], ['b', 70.25]]
    """
    values = (value,) if isinstance(value, str) else tuple(value)
    roles = Roles(values, fuel, bag, day, kind, tuple(covariates), status)
    known = None
    if borrowed is not None:
        sd, df = map(float, borrowed)
        if not (0 < sd < np.inf and df > 0):
            raise refused("borrowed", sd=sd, df=df)
        known = Borrowed(sd, df if np.isfinite(df) else 1e9)
    choices, faults = Choices(fuel_effect, spread, scale, method, known), Faults()
    offered = {"fuel_effect": FuelEffect, "spread": Spread, "scale": Scale, "method": Method}
    for name, words in offered.items():
        if (given := getattr(choices, name)) not in get_args(words):
            faults.take(refused("choice", name=name, given=given, known=" or ".join(get_args(words))))
    faults.settle()
    fit = _fitted(table, roles, choices)
    return joined(fit, earlier, power) if earlier else fit


def _fitted(table: pd.DataFrame, roles: Roles, choices: Choices) -> RepeatFit:
    columns = read_columns(table, roles, choices.scale)
    if columns.side is None:
        design = design_of(columns, choices.fuel_effect, choices.spread)
        model = fit_design(table, roles, columns, design, choices)
    else:
        model = fit_censored(table, roles, columns, choices)
    return RepeatFit(**{each.name: getattr(model, each.name) for each in fields(model)})


def joined(
    fit: RepeatFit, earlier: Sequence[RepeatFit] | Mapping[str, RepeatFit], power: float | None = None
) -> RepeatFit:
    """Return a fit with earlier trials beside it.

    Raises
    ------
    KitError
        For trials that cannot be joined: other scales, bounds, no repeats, other groups of burns.
    """
    named = earlier if isinstance(earlier, Mapping) else {str(i): each for i, each in enumerate(earlier, 1)}
    chosen = (POWER if len(named) == 1 else POWER_OF_SEVERAL) if power is None else power
    found = replace(fit, earlier=tuple(named.values()), folders=tuple(named), power=chosen)
    check_earlier(found)
    knows_bags = any(other.design.term("bag") is not None for other in found.earlier)
    one_bag_each = fit.columns.bag is not None and fit.design.term("bag") is None and fit.design.apart.any()
    if knows_bags and one_bag_each:
        # what parts fuel from bag is how much bags differed in the earlier trials
        bagless = design_of(replace(fit.columns, bag=None), "fixed", fit.spread_choice)
        found = replace(found, design=replace(fit.design, apart=bagless.apart))
    return replace(found, beside=beside(found))


def contrasts(fit: RepeatModel, L: Array, df: DfMethod = "best", level: float = 0.95) -> Contrasts:
    """Return linear combinations of the coefficients with their small-sample distribution.

    Parameters
    ----------
    L
        (contrasts, p) rows over `fit.design.columns`.
    df
        'best' (DEVELOPERS.md, method 3: averaged over the restricted likelihood), 'kenward-roger' or 'satterthwaite'.
    level
        Confidence for which effective degrees of freedom are given, where a method has no single ones.

    Raises
    ------
    KitError
        For an unknown method, a level that is none, and Kenward–Roger of a fit by ML.
    """
    return contrasts_of_each([(fit, L)], df, level)[0]


def contrasts_of_each(
    asked: Sequence[tuple[RepeatModel, Array]], df: DfMethod = "best", level: float = 0.95
) -> list[Contrasts]:
    """Return `contrasts` of several fits, each with its own L: profiles are followed at once.

    Raises
    ------
    KitError
        As `contrasts` does.
    """
    needs_level(level)
    asked = [(fit, np.atleast_2d(np.asarray(L, dtype=np.float64))) for fit, L in asked]
    bounded = iter(censored_contrasts([each for each in asked if each[0].censored is not None], df, level))
    return [exact_contrasts(fit, L, df, level) if fit.censored is None else next(bounded) for fit, L in asked]


@dataclass(frozen=True, repr=False)
class Summary:
    """What a fit says, on one screen.

    Attributes
    ----------
    words
        What was fitted to what.
    means
        fuel, mean, low, high: each fuel's own interval; burns and bags behind it.
    components
        component, sd, low, high on the analysis scale.
    notes
        What the design and the data say of the model's limits.
    level
        Confidence of the intervals.
    """

    words: str
    means: pd.DataFrame
    components: pd.DataFrame
    notes: tuple[str, ...]
    level: float

    def __repr__(self) -> str:
        shown = {"index": False, "float_format": "{:.4g}".format}
        tables = (each.to_string(**shown) for each in (self.means, self.components))
        percent = f"low, high: {100 * self.level:g} % intervals"
        return "\n".join([self.words, "", *tables, "", percent, *self.notes])

    def _repr_html_(self) -> Html:
        percent = f"{100 * self.level:g} % intervals, each on its own."
        means = as_table(self.means, "Means", note=percent)
        spread = as_table(self.components, "Where the variation comes from", note="Standard deviations.")
        notes = (element("p", f"Note: {note}.".replace("..", ".")) for note in self.notes)
        return join([element("p", self.words), means, spread, *notes])
