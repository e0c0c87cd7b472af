"""The fitted model as a record: what was fitted to what, and what follows from the estimates alone; its fit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any, Self

import numpy as np
import pandas as pd

from kit.variance.bounded import Model, Rows
from kit.variance.burn_arrays import (
    Array,
    Codes,
    Columns,
    Mask,
    Roles,
    Scale,
    frame_of,
    noted,
    refused,
)
from kit.variance.design import Design, FuelEffect, Method, Spread
from kit.variance.engine import Borrowed, Engine, Estimate, engine_of, explained
from kit.variance.optimise import at_zero
from kit.variance.ratio_nodes import Joint
from kit.variance.residual_space import Pieces, Residuals

FLAT = 1e-13
"""Of the values' size, what rounding leaves of differences."""

ORDER = ("fuel", "bag", "day", "burn")
"""In which components are shown."""


@dataclass(frozen=True)
class Censored:
    """What a fit with bounds knows beyond the usual.

    Attributes
    ----------
    model, data
        The model of the burns that are used, and its one row of data, less `centre`.
    centre
        What was subtracted from every value.
    order, kept
        The table's burns in the model's order; the columns of X that the model keeps.
    is_mean
        Which of the kept columns are means.
    bounded
        Codes of means whose every burn is a bound: they have a bound and no estimate.
    expected
        (1, n) the table's values, those of bounds as they are expected.
    covariance
        (p, p) of beta given the variances, NaN for those.
    """

    model: Model
    data: Rows
    centre: float
    order: Codes
    kept: Codes
    is_mean: Mask
    bounded: tuple[int, ...]
    expected: Array
    covariance: Array


@dataclass(frozen=True)
class Beside:
    """Earlier trials beside this one.

    Attributes
    ----------
    joint
        The restricted likelihoods of all.
    p_conflict, used
        (responses, folders): p of equal variances, and whether the folder enters.
    """

    joint: Joint
    p_conflict: Array
    used: Mask


@dataclass(frozen=True, repr=False)
class RepeatModel:
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
    borrowed
        Repeatability from elsewhere, if any.
    censored
        What is known where some values are bounds.
    earlier, folders, power, beside
        Earlier trials measured alike, their names, the power with which the likelihood of each enters df='best', and
        those likelihoods.
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
    data: Residuals
    estimate: Estimate
    borrowed: Borrowed | None = None
    censored: Censored | None = None
    earlier: tuple[RepeatModel, ...] = ()
    folders: tuple[str, ...] = ()
    power: float = 1.0
    beside: Beside | None = None
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
    def converged(self) -> bool | Mask:
        """Whether the estimates are an optimum to machine precision."""
        return self.estimate.converged if self.many else bool(self.estimate.converged[0])

    @property
    def evaluations(self) -> int:
        """Evaluations of the criterion a response."""
        return self.estimate.evaluations

    @cached_property
    def small_sample(self) -> Pieces:
        """Kenward–Roger's pieces at the estimates."""
        return self.engine.pieces(self.estimate.theta)

    @cached_property
    def observed(self) -> Array:
        """Covariance of the variance estimates (responses, c, c): 2 × inverse observed Hessian of the criterion.

        Components estimated at zero are left out, with zero rows.
        """
        theta = self.estimate.theta
        if np.isnan(theta).any():
            return np.full((*theta.shape, theta.shape[1]), np.nan)
        zero = at_zero(theta)
        free = ~(zero[:, :, None] | zero[:, None, :])
        H = self.engine.deviance(self.data, theta, np.arange(len(theta))).hessian
        H = np.where(free, H, np.eye(theta.shape[1]))
        try:
            inverse = np.linalg.inv(H)
        except np.linalg.LinAlgError:  # a direction in which the criterion is flat
            inverse = np.linalg.pinv(H, hermitian=True)
        return np.asarray(2 * inverse * free)

    @property
    def covariance(self) -> Array:
        """Covariance (X'V^-1X)^-1 of the means at the estimated variances; (responses, …) for several."""
        m = len(self.labels)
        found = self.small_sample.phi[:, :m, :m]
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
        se = np.sqrt(np.einsum("rii->ri", self.small_sample.phi[:, :m, :m]))
        return self.framed({"fuel": self.labels}, {"mean": self.estimate.beta[:, :m], "se": se})

    @cached_property
    def spread(self) -> pd.DataFrame:
        """Burn SD of each group that has its own: group, sd, n."""
        groups, burns = self.design.spread, self.engine.space.groups
        labels = [groups.labels[i] for i in np.unique(groups.codes)] if groups.count > 1 else ["all"]
        sd = np.sqrt(self.estimate.theta[:, -burns:])
        return self.framed({"group": labels, "n": list(groups.sizes)}, {"sd": sd})

    @property
    def alone(self) -> Self:
        """The same fit without the earlier trials."""
        return replace(self, earlier=(), folders=(), beside=None)

    @cached_property
    def prior(self) -> pd.DataFrame:
        """What each earlier trial gives: folder, burns, bags, power, p_conflict, used ('yes' or 'no')."""
        if not self.earlier:
            return pd.DataFrame(columns=["folder", "burns", "bags", "power", "p_conflict", "used"])
        burns = [other.design.n for other in self.earlier]
        bags = [0 if other.columns.bag is None else other.columns.bag.count for other in self.earlier]
        keys = {"folder": self.folders, "burns": burns, "bags": bags}
        known = self.beside
        assert known is not None
        found = self.framed(keys, {"p_conflict": known.p_conflict}, {"power": self.power})
        found["used"] = np.where(known.used.ravel(), "yes", "no")
        return found

    @property
    def notes(self) -> tuple[str, ...]:
        """How the table was read and what the design and the data say of its limits, in a tester's words."""
        inside = {"bag": "bags", "day": "days", "fuel": "fuels of a kind"}
        at_zero = (
            noted("at zero", levels=inside[name])
            for name, value in zip(self.names, self.estimate.theta[0], strict=True)
            if name in inside and value == 0 and not self.many
        )
        return (*self.design.notes, *explained(self.engine), *at_zero)

    @property
    def framed(self) -> partial[pd.DataFrame]:
        """`frame_of` of its responses: (responses, rows) arrays as a long table, 'response' first of several."""
        return partial(frame_of, self.roles.values if self.many else None)


@dataclass(frozen=True)
class Choices:
    """How the model was asked for."""

    fuel_effect: FuelEffect
    spread: Spread
    scale: Scale
    method: Method
    borrowed: Borrowed | None


def fit_design(
    table: pd.DataFrame, roles: Roles, columns: Columns, design: Design, choices: Choices
) -> RepeatModel:
    """Fit the responses of `columns` on a design already worked out.

    Raises
    ------
    KitError
        For a single response without any difference, and where no optimum is found.
    """
    engine, R = engine_of(design, choices.method, choices.borrowed), len(columns.values)
    data = engine.rotate(columns.values)
    if design.nu == 0 and choices.borrowed is None:
        unknown, known = np.full((R, len(engine.names)), np.nan), np.ones(R, dtype=np.bool_)
        estimate = Estimate(unknown, data.b_ols, unknown[:, 0], known, 0)
    else:
        # responses whose burns do not differ within what X explains, to rounding
        size = np.maximum(np.abs(columns.values).max(axis=1), 1e-300) * FLAT
        flat = (data.total <= size**2 * columns.n) & (engine.borrowed is None)
        if flat.any():
            values = columns.values.copy()
            if R == 1:
                same = np.ptp(values) == 0
                found = f"every value equal to {values[0, 0]:g}" if same else "no difference within any fuel"
                raise refused("flat", name=roles.values[0], found=found)
            # a stand-in, whose results are blanked afterwards
            values[flat] += np.random.default_rng(1).standard_normal((int(flat.sum()), columns.n))
            data = engine.rotate(values)
        estimate = engine.solve(data)
        optimum_found(estimate.converged | flat, roles)
        for part in (estimate.theta, estimate.beta, estimate.criterion):
            part[flat] = np.nan
    return RepeatModel(
        table if len(columns.rows) == len(table) else table.iloc[columns.rows], roles, choices.scale,
        choices.method, choices.spread, columns, design, engine, data, estimate, choices.borrowed,
    )  # fmt: skip


def optimum_found(converged: Mask, roles: Roles) -> None:
    """Refuse responses (responses,) whose search found no optimum.

    Raises
    ------
    KitError
        With their names.
    """
    if converged.all():
        return
    raise refused("no optimum", names=", ".join(roles.values[i] for i in np.flatnonzero(~converged)[:5]))
