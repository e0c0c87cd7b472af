"""From burns as arrays and a design to a fitted model."""

from __future__ import annotations

from itertools import compress
from typing import Any

import numpy as np
import pandas as pd

from kit.errors import KitError
from kit.variance.burn_arrays import Array, Columns, Roles, Scale
from kit.variance.design import Design, Spread
from kit.variance.engines import Borrowed, Engine, Estimate, engine_of
from kit.variance.model import RepeatModel
from kit.variance.rotation import Method

FLAT = 1e-13


def fit_design(
    table: pd.DataFrame,
    roles: Roles,
    columns: Columns,
    design: Design,
    spread: Spread,
    scale: Scale,
    method: Method,
    borrowed: Borrowed | None,
) -> RepeatModel:
    """Fit the responses of `columns` on a design already worked out."""
    engine = engine_of(design, method, borrowed)
    rows = table if len(columns.rows) == len(table) else table.iloc[columns.rows]
    data = engine.rotate(columns.values)
    if design.nu == 0 and borrowed is None:
        estimate = _no_repeats(engine, data)
        return RepeatModel(rows, roles, scale, method, spread, columns, design, engine, data, estimate,
                         ("no repeats",) * len(columns.values))  # fmt: skip
    flat = _flat(engine, data, columns.values)
    if flat.any():
        data = _instead(engine, columns, design, flat, roles)
    estimate = _blanked(engine.solve(data), flat)
    status = _statuses(engine.names, estimate, flat, roles)
    return RepeatModel(
        rows, roles, scale, method, spread, columns, design, engine, data, estimate, status, borrowed
    )


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
        raise KitError.refuse(
            f"table, column {roles.values[0]}",
            found,
            "values that vary from burn to burn",
            "Repeats that agree exactly usually mean a copied column or a logger too coarse for the question.",
        )
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
    raise KitError.refuse(
        f"fit of {named}",
        "no optimum that can be trusted",
        "a criterion with a minimum",
        "Burns of one bag that agree exactly are the usual cause; of few burns leave covariates out.",
    )
