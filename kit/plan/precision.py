"""How well a design knows the difference of two fuels, from the variance model alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.errors import KitError, Problem
from kit.plan.burning import Floats

INDEPENDENT = 1e-8


@dataclass(frozen=True)
class Precision:
    """How well a design knows one difference of fuels.

    Attributes
    ----------
    true_sd
        Standard deviation of the estimated difference.
    se
        The standard error that the analysis can know of: smaller where a fuel's burns are of one bag.
    df
        Degrees of freedom of that standard error.
    fuels
        Means in the family.
    covariance
        Of the means as the analysis sees it; fuels × fuels.
    control
        Place of the control fuel; None where every pair is compared.
    separates
        Terms that the design tells apart, of 'burn', 'bag', 'day'.
    """

    true_sd: float
    se: float
    df: float
    fuels: int
    covariance: Floats
    separates: tuple[str, ...]
    control: int | None = None


def precision(table: pd.DataFrame, sds: Mapping[str, float], control: object = None) -> Precision:
    """Return how well a table of burns knows the difference of two of its fuels, the mean over pairs.

    Parameters
    ----------
    table
        fuel, bag and, where days differ, day; a row a burn.
    sds
        bag, burn, day: standard deviations on the analysis scale.
    control
        Fuel that each other one is compared with; every pair without.

    Raises
    ------
    KitError
        Where fuels cannot be compared: fewer than two, no burn to spare, or fuel and day go together.
    """
    X, groups = _matrices(table, sds)
    labels = list(pd.factorize(table["fuel"])[1])
    fuels, place = len(labels), labels.index(control) if control in labels else None
    _check(X, fuels)
    used, names = _as_estimated(X, groups, sds)
    inverse = _inverse(used)
    covariance = _inverse(X.T @ inverse @ X)
    weights = covariance @ X.T @ inverse
    chosen = compared(fuels, place)
    pairs = np.hstack([chosen, np.zeros((len(chosen), X.shape[1] - fuels))])
    truth = sum(sds.get(name, 0.0) ** 2 * group for name, group in groups.items())
    se2 = np.einsum("pi,ij,pj->p", pairs, covariance, pairs)
    true2 = np.einsum("pi,ij,pj->p", pairs @ weights, truth, pairs @ weights)
    df = _satterthwaite(pairs @ weights, X, inverse, covariance, [groups[name] for name in names], se2)
    spread = float(np.sqrt(true2.mean())), float(np.sqrt(se2.mean())), float(df.mean())
    return Precision(*spread, fuels, covariance[:fuels, :fuels], names, place)


def balanced(fuels: int, bags: int, burns: int, sds: Mapping[str, float]) -> Precision:
    """Return the same for a balanced design whose days do not differ, in closed form.

    SE² = 2 (σ²_bag + σ²_burn/n)/b on fuels·(b − 1) degrees of freedom: the mean square between bags.

    Raises
    ------
    KitError
        Where there are fewer than two fuels, or no repeats.
    """
    _check(np.ones((fuels * bags * burns, fuels)), fuels, full_rank=True)
    between = sds.get("bag", 0.0) ** 2 + sds["burn"] ** 2 / burns
    seen = between if bags > 1 else sds["burn"] ** 2 / burns
    df = fuels * (bags - 1) if bags > 1 else fuels * (burns - 1)
    names = ("burn", "bag") if bags > 1 and burns > 1 else ("burn",)
    spread = float(np.sqrt(2 * between / bags)), float(np.sqrt(2 * seen / bags)), float(df)
    return Precision(*spread, fuels, np.eye(fuels) * seen / bags, names)


def _inverse(matrix: Floats) -> Floats:
    return np.asarray(np.linalg.inv(matrix), dtype=float)


def _matrices(table: pd.DataFrame, sds: Mapping[str, float]) -> tuple[Floats, dict[str, Floats]]:
    """Return the fuel indicators and G_k of each term: V = Σ σ²_k G_k (DEVELOPERS.md, method 1)."""
    fuels = pd.factorize(table["fuel"])[0]
    X = np.eye(fuels.max() + 1)[fuels]
    groups = {"burn": np.eye(len(table))}
    if "bag" in table:
        groups["bag"] = _together(table["fuel"].astype(str) + "/" + table["bag"].astype(str))
    days = table["day"].nunique() if "day" in table else 1
    if days == 2:  # a fixed block
        late = pd.factorize(table["day"])[0] - 0.5
        X = np.column_stack([X, late])
    elif days > 2 and sds.get("day", 0.0) > 0:
        groups["day"] = _together(table["day"])
    return X, groups


def _together(labels: pd.Series) -> Floats:
    codes = pd.factorize(labels)[0]
    same: Floats = (codes[:, None] == codes[None, :]).astype(float)
    return same


def _check(X: Floats, fuels: int, full_rank: bool = False) -> None:
    if fuels < 2 or len(X) <= X.shape[1]:
        found, expected = f"{fuels} fuel(s), {len(X)} burns", "two fuels or more, and repeats"
        raise KitError(Problem("refuse", "design", found, expected, "Plan further burns."))
    if not full_rank and np.linalg.matrix_rank(X) < X.shape[1]:
        remedy = "Let fuels share days: fuel and day cannot be separated."
        raise KitError(Problem("refuse", "design", "fuels that never share a day", "linked days", remedy))


def compared(fuels: int, control: int | None = None) -> Floats:
    """Return the contrasts of a family: every pair, or each fuel against the control; comparisons × fuels."""
    unit = np.eye(fuels)
    if control is None:
        return np.array([unit[i] - unit[j] for i in range(fuels) for j in range(i + 1, fuels)])
    return np.array([unit[i] - unit[control] for i in range(fuels) if i != control])


def _as_estimated(
    X: Floats, groups: Mapping[str, Floats], sds: Mapping[str, float]
) -> tuple[Floats, tuple[str, ...]]:
    """Return V as the analysis will see it, and the terms that it can tell apart.

    A term that is a mixture of others in the residual space of X is left out, and what can be seen of it goes
    to those: with one burn a bag, 'burn' holds the bags; with one bag a fuel nothing of the bags is seen.
    """
    residual = np.linalg.qr(X, mode="complete")[0][:, X.shape[1] :]
    seen = {name: (residual.T @ group @ residual).ravel() for name, group in groups.items()}
    names: list[str] = []
    for name in groups:
        if _adds(seen[name], [seen[each] for each in names]):
            names.append(name)
    whole = sum(sds.get(name, 0.0) ** 2 * seen[name] for name in groups)
    kept = np.column_stack([seen[name] for name in names])
    variances = np.maximum(np.linalg.lstsq(kept, whole, rcond=None)[0], 0.0)
    used: Floats = np.sum([v * groups[name] for v, name in zip(variances, names, strict=True)], axis=0)
    return used, tuple(names)


def _adds(column: Floats, before: Sequence[Floats]) -> bool:
    """Return whether a column is no mixture of those before."""
    if not before:
        return True
    kept = np.column_stack(before)
    left = column - kept @ np.linalg.lstsq(kept, column, rcond=None)[0]
    return bool(np.linalg.norm(left) > INDEPENDENT * max(float(np.linalg.norm(column)), 1.0))


def _satterthwaite(
    contrasts: Floats, X: Floats, inverse: Floats, covariance: Floats, terms: Sequence[Floats], se2: Floats
) -> Floats:
    """Return 2 SE⁴/Var(SE²) with the expected information ½ tr(P G_k P G_l) (Satterthwaite 1946)."""
    P = inverse - inverse @ X @ covariance @ X.T @ inverse
    moved = [P @ term for term in terms]
    information = np.array([[0.5 * np.sum(a * b.T) for b in moved] for a in moved])
    gradient = np.column_stack([np.einsum("pi,ij,pj->p", contrasts, term, contrasts) for term in terms])
    variance = np.einsum("pk,kl,pl->p", gradient, np.linalg.inv(information), gradient)
    df: Floats = 2 * se2**2 / variance
    return df
