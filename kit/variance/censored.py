"""Fit a table in which some values are known only as 'at least' or 'at most' (kit.variance.bounded)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from kit.errors import Faults, KitError
from kit.variance.bounded import Model, minimise_rows, posterior, rows_of
from kit.variance.columns import Array, Codes, Columns, Roles, Scale
from kit.variance.design import Design, FuelEffect, Spread, design_of
from kit.variance.engine import Estimate
from kit.variance.engines import Borrowed
from kit.variance.nested import Method
from kit.variance.optimise import Mask

if TYPE_CHECKING:
    from kit.variance.fit import RepeatFit

LARGEST = 400


@dataclass(frozen=True)
class Choices:
    """How the model was asked for."""

    fuel_effect: FuelEffect
    spread: Spread
    scale: Scale
    method: Method
    borrowed: Borrowed | None


@dataclass(frozen=True)
class Censored:
    """What a fit with bounds knows beyond the usual.

    Attributes
    ----------
    model, low, high
        The model of the burns that are used (exact ones first) and the bounds (m,) of the others, less `centre`.
    centre
        What was subtracted from every value.
    order, kept
        The table's burns in the model's order; the columns of X that the model keeps.
    is_mean
        Which of the kept columns are means.
    bounded
        Codes of means whose every burn is a bound: they have a bound and no estimate.
    covariance
        (p, p) of beta given the variances, NaN for those.
    face_value, left_out
        The same fit with bounds taken at face value, and without those burns (None where that leaves no fit).
    """

    model: Model
    low: Array
    high: Array
    centre: float
    order: Codes
    kept: Codes
    is_mean: Mask
    bounded: tuple[int, ...]
    covariance: Array
    face_value: RepeatFit
    left_out: RepeatFit | None


def fit_censored(table: pd.DataFrame, roles: Roles, columns: Columns, choices: Choices) -> RepeatFit:
    """Return the fit of one response in which some values are bounds.

    Raises
    ------
    KitError
        For a fit by ML, more than 400 burns, or too few exact burns.
    """
    from kit.variance.fit import fit_design

    design = design_of(columns, choices.fuel_effect, choices.spread)
    _check(columns, design, choices.method)
    plain = (choices.spread, choices.scale, choices.method, choices.borrowed)
    face = fit_design(table, roles, replace(columns, side=None), design, *plain)
    assert columns.side is not None
    centre = float(columns.values[0, columns.side == 0][:1].sum())
    model, order, kept, bounded = _model(columns, design, choices.borrowed, centre)
    bound = order[len(order) - model.m :]
    side, edge = columns.side[bound], columns.values[0, bound] - centre
    low, high = np.where(side > 0, edge, -np.inf), np.where(side > 0, np.inf, edge)
    start = np.maximum(face.estimate.theta, 1e-9 * face.estimate.theta.sum())
    theta, D, done = minimise_rows(model, start, rows_of(model, low, high, 1))
    part, phi, box = posterior(model, theta[0], low[None], high[None])
    beta, covariance = np.full(design.p, np.nan), np.full((design.p, design.p), np.nan)
    beta[kept], covariance[np.ix_(kept, kept)] = part, phi
    beta[: len(design.labels)] += centre
    known = Censored(
        model, low, high, centre, order, kept, kept < len(design.labels), bounded, covariance, face,
        _left_out(table, roles, columns, choices),
    )  # fmt: skip
    filled = columns.values.copy()
    filled[0, bound] = box.mean[0] + centre
    estimate = Estimate(theta, beta[None], D, done, 1)
    return replace(
        face, columns=columns, data=face.engine.rotate(filled), estimate=estimate, censored=known,
        status=(f"{model.m} values are bounds",),
    )  # fmt: skip


def _left_out(table: pd.DataFrame, roles: Roles, columns: Columns, choices: Choices) -> RepeatFit | None:
    from kit.variance.fit import fit_repeats

    assert columns.side is not None
    rows = table.iloc[columns.rows[columns.side == 0]]
    borrowed = None if choices.borrowed is None else (choices.borrowed.sd, choices.borrowed.df)
    try:
        return fit_repeats(
            rows, roles.values[0], roles.fuel, roles.bag, roles.day, roles.kind, roles.covariates,
            choices.fuel_effect, choices.spread, choices.scale, choices.method, None, borrowed,
        )  # fmt: skip
    except KitError:  # too few burns are left: this answer does not exist
        return None


def _model(
    columns: Columns, design: Design, borrowed: Borrowed | None, centre: float
) -> tuple[Model, Codes, Codes, tuple[int, ...]]:
    """Return the model, the burns' order (exact first), the columns of X kept, and the means without exact burns."""
    assert columns.side is not None
    side, m = columns.side, len(design.labels)
    exact = np.bincount(design.mean_of, side == 0, m)
    bounded = tuple(np.flatnonzero(exact == 0).tolist())
    used = ~np.isin(design.mean_of, bounded)
    order = np.concatenate([np.flatnonzero(used & (side == 0)), np.flatnonzero(used & (side != 0))])
    kept = np.array([i for i in range(design.p) if i not in bounded])
    halves = [
        (t.levels.codes[:, None] == np.arange(t.levels.count)).astype(float)[order] for t in design.terms
    ]
    X, cut = design.X[np.ix_(order, kept)], int((side[order] != 0).sum())
    _check_exact(X[: len(order) - cut])
    basis, group, free = _spanned(
        np.hstack([X, *halves]), design.spread.codes[order], len(order) - cut, design
    )
    y = columns.values[:, order] - centre
    left = (y[0] - y[0] @ basis @ basis.T) ** 2
    ss = np.array([left[design.spread.codes[order] == g].sum() for g in range(design.spread.count)])
    if borrowed is not None:
        ss, free = ss + borrowed.df * borrowed.sd**2, free + borrowed.df
    parts = [basis.T @ half @ half.T @ basis for half in _in_engine_order(design, halves)]
    parts += [np.diag((group == g).astype(float)) for g in range(design.spread.count)]
    return Model(y @ basis, basis.T @ X, cut, np.array(parts), len(halves), ss, free), order, kept, bounded


def _spanned(A: Array, codes: Codes, exact: int, design: Design) -> tuple[Array, Codes, Array]:
    """Return a basis of the exact burns' span of A by group (the bounds as they are), its groups, and what is left."""
    blocks, groups, free = [], [], np.zeros(design.spread.count)
    for g in range(design.spread.count):
        rows = np.flatnonzero(codes[:exact] == g)
        if not len(rows):
            continue
        U, size, _ = np.linalg.svd(A[rows], full_matrices=False)
        U = U[:, size > 1e-9 * size[0]]
        block = np.zeros((len(A), U.shape[1]))
        block[rows] = U
        blocks.append(block)
        groups += [g] * U.shape[1]
        free[g] = len(rows) - U.shape[1]
    tail = np.eye(len(A))[:, exact:]
    return np.hstack([*blocks, tail]), np.array([*groups, *codes[exact:]]), free


def _in_engine_order(design: Design, halves: list[Array]) -> list[Array]:
    """Crossed engines put the term with most levels first; one with spread by group keeps the design's order."""
    if design.spread.count > 1 or len(halves) < 2:
        return halves
    sizes = [-term.levels.count for term in design.terms]
    return [halves[i] for i in sorted(range(len(halves)), key=lambda i: sizes[i])]


def _check(columns: Columns, design: Design, method: Method) -> None:
    faults = Faults()
    if method == "ML":
        faults.refuse(
            "method", "ML with values known only as bounds", "REML", "Leave method at its default, 'REML'."
        )
    if columns.n > LARGEST:
        faults.refuse(
            "table",
            f"{columns.n} burns with bounds among them",
            f"at most {LARGEST}",
            "Fit part of the burns.",
        )
    if design.nu == 0:
        faults.refuse("table", "no repeats, and bounds", "repeats", "Bounds can be used beside repeats only.")
    faults.settle()


def _check_exact(X: Array) -> None:
    faults = Faults()
    if X.shape[0] <= X.shape[1] or np.linalg.matrix_rank(X) < X.shape[1]:
        faults.refuse(
            "table, column of statuses", f"{X.shape[0]} exact values for {X.shape[1]} means and covariates",
            "more exact values than that", "With nearly every value a bound nothing can be estimated.",
        )  # fmt: skip
    faults.settle()
