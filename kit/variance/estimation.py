"""From burns as arrays to a fitted model, also where some values are known only as 'at least' or 'at most'."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import compress

import numpy as np
import pandas as pd

from kit.errors import Faults
from kit.variance.bounded import NONE, minimise_rows, model_of, posterior
from kit.variance.burn_arrays import Array, Columns, Mask, Roles, Scale, read_columns, rows_of
from kit.variance.design import Design, FuelEffect, Method, Spread, design_of
from kit.variance.engine import Borrowed, Engine, Estimate, engine_of, terms_in_order
from kit.variance.model import Censored, RepeatModel
from kit.variance.mvn import POINTS
from kit.variance.optimise import EXACT, FLOOR
from kit.variance.refusals import refused
from kit.variance.residual_space import Residuals

FLAT = 1e-13

LARGEST = 400


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
    """Fit the responses of `columns` on a design already worked out."""
    borrowed = choices.borrowed
    engine = engine_of(design, choices.method, borrowed)
    rows = table if len(columns.rows) == len(table) else table.iloc[columns.rows]
    data = engine.rotate(columns.values)
    asked = rows, roles, choices.scale, choices.method, choices.spread, columns, design, engine
    if design.nu == 0 and borrowed is None:
        return RepeatModel(*asked, data, _no_repeats(engine, data), ("no repeats",) * len(columns.values))
    flat = _flat(engine, data, columns.values)
    if flat.any():
        data = _instead(engine, columns, design, flat, roles)
    estimate = _blanked(engine.solve(data), flat)
    return RepeatModel(*asked, data, estimate, _statuses(engine.names, estimate, flat, roles), borrowed)


def _no_repeats(engine: Engine, data: Residuals) -> Estimate:
    b = data.b_ols
    nothing = np.full((len(b), len(engine.names)), np.nan)
    return Estimate(nothing, b, np.full(len(b), np.nan), np.ones(len(b), dtype=np.bool_), 0)


def _flat(engine: Engine, data: Residuals, values: Array) -> Mask:
    """Responses whose burns do not differ within what X explains, to rounding."""
    if engine.borrowed is not None:
        return np.zeros(len(values), dtype=np.bool_)
    size = np.maximum(np.abs(values).max(axis=1), 1e-300) * FLAT
    return np.asarray(data.total <= size**2 * values.shape[1])


def _instead(engine: Engine, columns: Columns, design: Design, flat: Mask, roles: Roles) -> Residuals:
    """Refuse a flat single response; among several, put a stand-in whose results are blanked afterwards."""
    if len(flat) == 1:
        values = columns.values[0]
        found = (
            f"every value equal to {values[0]:g}" if np.ptp(values) == 0 else "no difference within any fuel"
        )
        raise refused("flat", name=roles.values[0], found=found)
    values = columns.values.copy()
    values[flat] += np.random.default_rng(1).standard_normal((int(flat.sum()), design.n))
    return engine.rotate(values)


def _blanked(estimate: Estimate, flat: Mask) -> Estimate:
    if flat.any():
        for part in (estimate.theta, estimate.beta, estimate.criterion):
            part[flat] = np.nan
    return estimate


def _statuses(names: tuple[str, ...], estimate: Estimate, flat: Mask, roles: Roles) -> tuple[str, ...]:
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


def fit_censored(table: pd.DataFrame, roles: Roles, columns: Columns, choices: Choices) -> RepeatModel:
    """Return the fit of one response in which some values are bounds.

    Raises
    ------
    KitError
        For a fit by ML, more than 400 burns, or too few exact burns.
    """
    assert columns.side is not None
    _check(columns, choices.method)
    exact = read_columns(
        table.iloc[columns.rows[columns.side == 0]], replace(roles, status=None), choices.scale
    )
    alone, whole = (design_of(each, choices.fuel_effect, choices.spread) for each in (exact, columns))
    if alone.nu == 0:
        raise refused("few exact", exact=alone.n, parameters=alone.p)
    design = _told_apart(whole, alone)
    known = _bounded(columns, design, choices.borrowed, float(exact.values[0, 0]))
    model, data, centre, kept = known.model, known.data, known.centre, known.kept
    face = fit_design(table, roles, replace(columns, side=None), design, choices)
    at_face = face.estimate.theta
    starts = np.vstack([at_face, np.full_like(at_face, at_face.mean())])
    found = minimise_rows(model, starts, data.times(2), enough=EXACT)
    if not found.converged.all():  # a burn variance that goes to zero creeps there
        size = found.theta.sum(axis=1, keepdims=True)
        creeps = (np.arange(found.theta.shape[1]) >= model.terms) & (found.theta < NONE * size)
        starts = np.where(creeps, FLOOR * size, found.theta)
        found = minimise_rows(model, starts, data.times(2), enough=EXACT)
    least = rows_of(found, found.value.argmin(axis=0, keepdims=True))
    optimum_found(least.converged, roles)
    theta = least.theta
    every = np.eye(len(kept))[None]
    part, phi, box = posterior(model, theta, replace(data, points=8 * POINTS), every)
    beta, covariance = np.full(design.p, np.nan), np.full((design.p, design.p), np.nan)
    beta[kept], covariance[np.ix_(kept, kept)] = part[0], phi[0]
    beta[: len(design.labels)] += centre
    filled = columns.values.copy()
    filled[0, known.order[len(known.order) - model.m :]] = box.mean[0] + centre
    return replace(
        face, columns=columns, data=face.engine.rotate(filled), status=(f"{model.m} values are bounds",),
        estimate=Estimate(theta, beta[None], least.value, least.converged, 1),
        censored=replace(known, expected=filled, covariance=covariance),
    )  # fmt: skip


def _told_apart(whole: Design, alone: Design) -> Design:
    """Return the design of all burns with the random terms of the exact ones: of the others a bound knows no size."""
    terms = tuple(term for term in whole.terms if alone.term(term.name) is not None)
    lost = [term.name for term in whole.terms if term not in terms]
    why = tuple(f"{name} stands apart only in burns that are bounds, and is left out" for name in lost)
    return replace(whole, terms=terms, notes=(*whole.notes, *why))


def _bounded(columns: Columns, design: Design, borrowed: Borrowed | None, centre: float) -> Censored:
    """Return the model of the burns whose mean has an exact burn, before anything is expected of its bounds."""
    assert columns.side is not None
    side = columns.side
    exact = np.bincount(design.mean_of, side == 0, len(design.labels))
    bounded = tuple(np.flatnonzero(exact == 0).tolist())
    used = ~np.isin(design.mean_of, bounded)
    bound = np.flatnonzero(used & (side != 0))
    kept = np.array([i for i in range(design.p) if i not in bounded], dtype=np.int64)
    exact_X = design.X[np.ix_(used & (side == 0), kept)]
    if len(exact_X) <= len(kept) or np.linalg.matrix_rank(exact_X) < len(kept):
        raise refused("few exact", exact=len(exact_X), parameters=len(kept))
    order = np.concatenate([np.flatnonzero(used & (side == 0)), bound])
    extra = (0.0, 0.0) if borrowed is None else (borrowed.sd, borrowed.df)
    groups, X = design.spread, design.X[np.ix_(order, kept)]
    terms = [term.levels.indicators[order] for term in terms_in_order(design)]
    model = model_of(X, terms, groups.codes[order], groups.count, len(bound), extra)
    y, above = columns.values[:, order] - centre, side[bound] > 0
    edge = y[:, len(order) - len(bound) :]
    low, high = np.where(above, edge, -np.inf), np.where(above, np.inf, edge)
    data = model.rows(y[:, : len(order) - len(bound)], low, high)
    unknown, is_mean = np.full((design.p, design.p), np.nan), kept < len(design.labels)
    return Censored(model, data, centre, order, kept, is_mean, bounded, columns.values, unknown)


def _check(columns: Columns, method: Method) -> None:
    faults = Faults()
    if method == "ML":
        faults.take(refused("bounds by ML"))
    if columns.n > LARGEST:
        faults.take(refused("many with bounds", burns=columns.n, most=LARGEST))
    faults.settle()
    if columns.side is not None and columns.side.all():
        raise refused("few exact", exact=0, parameters=1)
