"""Fit the repeat-trial variance model to one response or to many on one design."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import compress
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from kit.errors import KitError, Problem
from kit.variance.columns import Array, Codes, Columns, Roles, Scale, read_columns
from kit.variance.covariance import SmallSample, observed_covariance, small_sample
from kit.variance.design import Design, FuelEffect, Spread, design_of
from kit.variance.earlier import POWER, POWER_OF_SEVERAL, Beside, beside, check_earlier
from kit.variance.engine import Engine, Estimate
from kit.variance.engines import Borrowed, crossed_engine, explained, nested_engine
from kit.variance.frames import frame_of
from kit.variance.nested import Method

if TYPE_CHECKING:
    from kit.variance.censored import Censored
    from kit.variance.summary import Summary

FLAT = 1e-13


@dataclass(frozen=True, repr=False)
class RepeatFit:
    """The fitted model: y = X beta + bags + days + burns, variances bounded at zero.

    Attributes
    ----------
    table
        The burns that were analysed.
    roles, scale, method, spread
        As asked for.
    columns, design
        The burns as arrays, and what the design supports.
    engine, data, estimate
        The form of the model, the responses in its space, the estimates.
    status
        A word or sentence a response: 'ok', 'bag variance at zero', 'all values equal', 'no repeats', …
    borrowed
        Repeatability from elsewhere, if any.
    censored
        What is known where some values are bounds.
    earlier, folders, power
        Earlier trials measured alike, their names, and the power with which the likelihood of each enters df='best'.
    rough
        Whether the responses are simulated trials, each as exact as a share of them needs.
    """

    table: pd.DataFrame
    roles: Roles
    scale: Scale
    method: Method
    spread_choice: Spread
    columns: Columns
    design: Design
    engine: Engine
    data: Any
    estimate: Estimate
    status: tuple[str, ...]
    borrowed: Borrowed | None = None
    censored: Censored | None = None
    earlier: tuple[RepeatFit, ...] = ()
    folders: tuple[str, ...] = ()
    power: float = POWER
    rough: bool = False

    @property
    def many(self) -> bool:
        """Whether several responses were fitted."""
        return len(self.roles.values) > 1

    @property
    def has_spread(self) -> bool:
        """Whether the burns (or a borrowed SD) say anything of the spread."""
        return self.design.nu > 0 or self.borrowed is not None

    @property
    def labels(self) -> tuple[Any, ...]:
        """What the means are of: fuels, kinds, or ('all',)."""
        return self.design.labels

    @property
    def names(self) -> tuple[str, ...]:
        """Random components in the order of `variances`."""
        return self.engine.names

    @property
    def variances(self) -> Array:
        """(responses, components), the burn's last."""
        return self.estimate.theta

    @property
    def criterion(self) -> float | Array:
        """-2 log (restricted) likelihood with its constants; an array for several responses."""
        return self.estimate.criterion if self.many else float(self.estimate.criterion[0])

    @property
    def converged(self) -> bool | np.ndarray[Any, np.dtype[np.bool_]]:
        """Whether the estimates are an optimum to machine precision."""
        return self.estimate.converged if self.many else bool(self.estimate.converged[0])

    @property
    def evaluations(self) -> int:
        """Evaluations of the criterion a response."""
        return self.estimate.evaluations

    @cached_property
    def small_sample(self) -> SmallSample:
        """Kenward–Roger's pieces at the estimates."""
        return small_sample(self.engine.pieces(self.estimate.theta))

    @cached_property
    def observed(self) -> Array:
        """Covariance of the variance estimates from the observed information."""
        return observed_covariance(self)

    @property
    def covariance(self) -> Array:
        """Covariance (X'V^-1X)^-1 of the means at the estimated variances; (responses, …) for several."""
        m = len(self.labels)
        found = self.small_sample.pieces.phi[:, :m, :m]
        return np.asarray(found if self.many else found[0])

    @cached_property
    def counts(self) -> tuple[Codes, Codes]:
        """Burns and bags behind each mean; no bags where none were noted."""
        of, count = self.design.mean_of, len(self.labels)
        bag = self.columns.bag
        of_bags = of[:0] if bag is None else bag.of_each(of)
        return np.bincount(of, minlength=count), np.bincount(of_bags, minlength=count)

    @cached_property
    def means(self) -> pd.DataFrame:
        """The means and their standard errors on the analysis scale (kit.judge.fuel_means adds intervals)."""
        m = len(self.labels)
        se = np.sqrt(np.einsum("rii->ri", self.small_sample.pieces.phi[:, :m, :m]))
        return self.framed({"fuel": self.labels}, {"mean": self.estimate.beta[:, :m], "se": se})

    @cached_property
    def components(self) -> pd.DataFrame:
        """Standard deviations with 95 % limits: kit.variance.component_limits adds methods and levels."""
        from kit.variance.limits import component_limits

        return component_limits(self)

    def summary(self, level: float = 0.95) -> Summary:
        """Return what the fit says on one screen: means, standard deviations, their limits, notes."""
        from kit.variance.summary import summary_of

        return summary_of(self, level)

    def conf_int(self, level: float = 0.95) -> pd.DataFrame:
        """Return fuel, mean, low, high: each mean with its own interval, on the metric's own scale."""
        from kit.variance.summary import conf_int

        return conf_int(self, level)

    def __repr__(self) -> str:
        from kit.variance.summary import words_of

        return f"<RepeatFit: {words_of(self)}, {self.scale} scale>"

    def _repr_html_(self) -> str:
        return (
            repr(self).replace("<", "&lt;").replace(">", "&gt;")
            if self.many
            else self.summary()._repr_html_()
        )

    @cached_property
    def spread(self) -> pd.DataFrame:
        """Burn SD of each group that has its own: group, sd, n."""
        groups = self.design.spread
        start = self.estimate.theta.shape[1] - sum(name.startswith("burn") for name in self.names)
        sd = np.sqrt(self.estimate.theta[:, start:])
        labels = [groups.labels[i] for i in np.unique(groups.codes)] if groups.count > 1 else ["all"]
        return self.framed({"group": labels, "n": list(groups.sizes)}, {"sd": sd})

    @cached_property
    def bags(self) -> pd.DataFrame:
        """Predicted effects of bags, days (and fuels, where random) with their standard deviations."""
        from kit.variance.effects import predicted_effects

        return predicted_effects(self)

    @cached_property
    def beside(self) -> Beside:
        """Restricted likelihoods: its own and those of the earlier trials."""
        return beside(self)

    @property
    def alone(self) -> RepeatFit:
        """The same fit without the earlier trials."""
        return replace(self, earlier=(), folders=())

    @cached_property
    def prior(self) -> pd.DataFrame:
        """What each earlier trial gives: folder, burns, bags, power, p_conflict, used ('yes' or 'no')."""
        if not self.earlier:
            return pd.DataFrame(columns=["folder", "burns", "bags", "power", "p_conflict", "used"])
        bags = [0 if other.columns.bag is None else other.columns.bag.count for other in self.earlier]
        keys = {
            "folder": list(self.folders),
            "burns": [other.design.n for other in self.earlier],
            "bags": bags,
        }
        known = self.beside
        found = self.framed(keys, {"p_conflict": known.p_conflict}, {"power": self.power})
        found["used"] = np.where(known.used.ravel(), "yes", "no")
        return found

    @property
    def notes(self) -> tuple[str, ...]:
        """How the table was read and what the design and the data say of its limits, in a tester's words."""
        at_zero = (words for words in map(_at_zero_words, self._at_zero_names) if words)
        return (*self.design.notes, *explained(self.engine), *at_zero)

    @property
    def _at_zero_names(self) -> tuple[str, ...]:
        if self.many:
            return ()
        return tuple(
            name for name, value in zip(self.names, self.estimate.theta[0], strict=True) if value == 0
        )

    def framed(
        self,
        keys: Mapping[str, Any],
        values: Mapping[str, Array],
        constants: Mapping[str, Any] | None = None,
        order: Sequence[str] | None = None,
    ) -> pd.DataFrame:
        """Lay (responses, rows) arrays out as a long table, with a column 'response' if there are several."""
        return frame_of(self.roles.values if self.many else None, keys, values, constants, order)


def _at_zero_words(name: str) -> str:
    if name == "burn" or name.startswith("burn:"):
        return ""
    inside = {"bag": "bags", "day": "days", "fuel": "fuels of a kind"}[name]
    return f"the data show no more variation between {inside} than within them"


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
    """
    values = (value,) if isinstance(value, str) else tuple(value)
    roles = Roles(values, fuel, bag, day, kind, tuple(covariates), status)
    _check_choices(fuel_effect, spread, scale, method)
    columns = read_columns(table, roles, scale)
    if columns.side is not None:
        from kit.variance.censored import Choices, fit_censored

        choices = Choices(fuel_effect, spread, scale, method, _borrowed(borrowed))
        fit = fit_censored(table, roles, columns, choices)
    else:
        design = design_of(columns, fuel_effect, spread)
        fit = fit_design(table, roles, columns, design, spread, scale, method, _borrowed(borrowed))
    return joined(fit, earlier, power) if earlier else fit


def joined(
    fit: RepeatFit, earlier: Sequence[RepeatFit] | Mapping[str, RepeatFit], power: float | None = None
) -> RepeatFit:
    """Return a fit with earlier trials beside it.

    Raises
    ------
    KitError
        For trials that cannot be joined: other scales, bounds, no repeats, other groups of burns.
    """
    named = (
        earlier if isinstance(earlier, Mapping) else {str(i): each for i, each in enumerate(earlier, start=1)}
    )
    chosen = (POWER if len(named) == 1 else POWER_OF_SEVERAL) if power is None else power
    found = replace(fit, earlier=tuple(named.values()), folders=tuple(named), power=chosen)
    check_earlier(found)
    knows_bags = any(other.design.term("bag") is not None for other in found.earlier)
    if (
        knows_bags
        and fit.design.term("bag") is None
        and fit.columns.bag is not None
        and fit.design.apart.any()
    ):
        # one bag a fuel: what parts fuel from bag is how much bags differed in the earlier trials
        bagless = design_of(replace(fit.columns, bag=None), "fixed", fit.spread_choice)
        found = replace(found, design=replace(fit.design, apart=bagless.apart))
    return found


def _check_choices(fuel_effect: str, spread: str, scale: str, method: str) -> None:
    known = {
        "fuel_effect": (fuel_effect, ("fixed", "random")),
        "spread": (spread, ("common", "by fuel", "by kind")),
        "scale": (scale, ("plain", "log")),
        "method": (method, ("REML", "ML")),
    }
    wrong = [
        Problem("refuse", name, f"'{given}'", " or ".join(choices), "Name one of them.")
        for name, (given, choices) in known.items()
        if given not in choices
    ]
    if wrong:
        raise KitError(wrong)


def _borrowed(borrowed: tuple[float, float] | None) -> Borrowed | None:
    if borrowed is None:
        return None
    sd, df = map(float, borrowed)
    if not (0 < sd < np.inf and df > 0):
        raise KitError(
            Problem("refuse", "borrowed", f"SD {sd:g} on {df:g} degrees of freedom", "both above zero",
                    "Give a pooled SD with its degrees of freedom; a stated figure has 50 or fewer (GUM G.4.2).")
        )  # fmt: skip
    return Borrowed(sd, df if np.isfinite(df) else 1e9)


def fit_design(
    table: pd.DataFrame,
    roles: Roles,
    columns: Columns,
    design: Design,
    spread: Spread,
    scale: Scale,
    method: Method,
    borrowed: Borrowed | None,
) -> RepeatFit:
    """Fit the responses of `columns` on a design already worked out."""
    engine = engine_of(design, method, borrowed)
    rows = table if len(columns.rows) == len(table) else table.iloc[columns.rows]
    data = engine.rotate(columns.values)
    if design.nu == 0 and borrowed is None:
        estimate = _no_repeats(engine, data)
        return RepeatFit(rows, roles, scale, method, spread, columns, design, engine, data, estimate,
                         ("no repeats",) * len(columns.values))  # fmt: skip
    flat = _flat(engine, data, columns.values)
    if flat.any():
        data = _instead(engine, columns, design, flat, roles)
    estimate = _blanked(engine.solve(data), flat)
    status = _statuses(engine.names, estimate, flat, roles)
    return RepeatFit(
        rows, roles, scale, method, spread, columns, design, engine, data, estimate, status, borrowed
    )


def engine_of(design: Design, method: Method, borrowed: Borrowed | None = None) -> Engine:
    """Return the engine that suits the design."""
    if design.spread.count > 1 and design.nu > 0:
        from kit.variance.grouped import grouped_engine

        return grouped_engine(design, method, borrowed)
    if len(design.terms) < 2:
        return nested_engine(design, method, borrowed)
    return crossed_engine(design, method, borrowed)


def _no_repeats(engine: Engine, data: Any) -> Estimate:
    b = data.b_ols
    nothing = np.full((len(b), len(engine.names)), np.nan)
    return Estimate(nothing, b, np.full(len(b), np.nan), np.ones(len(b), dtype=np.bool_), 0)


def _flat(engine: Engine, data: Any, values: Array) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Responses whose burns do not differ within what X explains, to rounding."""
    if getattr(engine, "borrowed", None) is not None:
        return np.zeros(len(values), dtype=np.bool_)
    size = np.maximum(np.abs(values).max(axis=1), 1e-300) * FLAT
    return np.asarray(engine.residual(data) <= size**2 * values.shape[1])


def _instead(
    engine: Engine, columns: Columns, design: Design, flat: np.ndarray[Any, np.dtype[np.bool_]], roles: Roles
) -> Any:
    """Refuse a flat single response; among several, put a stand-in whose results are blanked afterwards."""
    if len(flat) == 1:
        values = columns.values[0]
        found = (
            f"every value equal to {values[0]:g}" if np.ptp(values) == 0 else "no difference within any fuel"
        )
        raise KitError(
            Problem("refuse", f"table, column {roles.values[0]}", found, "values that vary from burn to burn",
                    "Repeats that agree exactly usually mean a copied column or a logger too coarse for the question.")
        )  # fmt: skip
    values = columns.values.copy()
    values[flat] += np.random.default_rng(1).standard_normal((int(flat.sum()), design.n))
    return engine.rotate(values)


def _blanked(estimate: Estimate, flat: np.ndarray[Any, np.dtype[np.bool_]]) -> Estimate:
    if flat.any():
        for part in (estimate.theta, estimate.beta, estimate.criterion):
            part[flat] = np.nan
    return estimate


def _statuses(
    names: tuple[str, ...], estimate: Estimate, flat: np.ndarray[Any, np.dtype[np.bool_]], roles: Roles
) -> tuple[str, ...]:
    optimum_found(estimate.converged | flat, roles)
    zero = estimate.theta == 0
    if not (zero.any() or flat.any()):
        return ("ok",) * len(zero)
    return tuple(
        "all values equal"
        if same
        else ", ".join(f"{n} variance at zero" for n in compress(names, row)) or "ok"
        for row, same in zip(zero.tolist(), flat.tolist(), strict=True)
    )


def optimum_found(converged: np.ndarray[Any, np.dtype[np.bool_]], roles: Roles) -> None:
    """Refuse responses (responses,) whose search found no optimum.

    Raises
    ------
    KitError
        With their names.
    """
    if converged.all():
        return
    named = ", ".join(roles.values[i] for i in np.flatnonzero(~converged)[:5])
    raise KitError(
        Problem("refuse", f"fit of {named}", "no optimum that can be trusted", "a criterion with a minimum",
                "Burns of one bag that agree exactly are the usual cause; of few burns leave covariates out.")
    )  # fmt: skip
