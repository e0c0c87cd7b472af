"""Burns that do not fit the others, and the verdicts that hang on one burn, bag or day.

Beside an odd burn stands what was recorded of it: what to look into, never a reason to delete it.
"""

from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from kit import schema
from kit.errors import KitError
from kit.judge.comparisons import Differences, number_of
from kit.judge.question import WORDS, Question
from kit.judge.verdicts import NOT_SEPARATED
from kit.schema import UNDECIDED, Metric
from kit.variance import RepeatFit, contrasts, fit_repeats
from kit.variance.burn_arrays import Array, Codes, Mask
from kit.variance.families import Family

RECORDED: Mapping[str, tuple[str, str]] = WORDS["recorded"]
FAR = 3.0
"""A condition stands apart beyond so many robust standard deviations of its peers, and beyond all of them."""
TO_SD = 1.4826
"""Median absolute deviation to standard deviation, for a normal sample."""


APART = "held apart"
RATIOS = (0.0, 0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4, 12.8, 51.2)
"""Ratios of a random term's variance to the burns' at which every burn is screened."""
MOST_FOR_A_GRID = 150
"""Burns beyond which one of them no longer moves the ratios: they are screened at the fitted ratios alone."""
LEAST_LEFT = 3
"""Degrees of freedom that must be left beside a burn's own parameter: of fewer, burns may agree by chance."""
ALONE = 1e-9
LEAST_SCALE = 1e-3

NO_ANSWER = "no answer"
OPEN = (*UNDECIDED, NO_ANSWER)
MOST_REFITS = 400
"""In a trial of which more than so many things can be left out no verdict hangs on one of them."""
WITHOUT = {name: f"{name}_without" for name in ("verdict", "direction")}


def conditions_apart(rows: pd.DataFrame, burn: str) -> str:
    """Return in words which recorded conditions of a burn lie apart from those of all other burns, or ''.

    Parameters
    ----------
    rows
        A row a burn, with the columns of `RECORDED` that were kept.
    """
    is_own, said = rows["burn"] == burn, []
    for name, (words, unit) in RECORDED.items():
        if name in rows:
            value, peers = float(rows.loc[is_own, name].iloc[0]), rows.loc[~is_own, name].dropna()
            least, most, middle = peers.min(), peers.max(), peers.median()
            spread = TO_SD * (peers - middle).abs().median()
            is_outside = len(peers) >= 3 and not least <= value <= most
            if is_outside and abs(value - middle) > FAR * spread:
                said.append(f"{words} {value:.4g} {unit}, the others {least:.4g} to {most:.4g}")
    return "; ".join(said)


def odd_burns(fit: RepeatFit, question: Question) -> pd.DataFrame:
    """Hold each burn against what the others lead to expect (schema.ODD_BURNS without metric and unit).

    A burn gets a parameter of its own, so that means, bags, days and spread come from the other burns alone; its
    estimate over its standard error is the studentised leave-one-out residual (Cook & Weisberg 1982, 2.2.1). A wild
    burn makes its bag-mates look odd too; therefore the most extreme burn is judged first and, if odd, held apart
    before the others are judged, and so on until the most extreme of the rest is not odd.

    All burns are screened first, with the variance ratios that are likeliest for the other burns on a grid. The t of
    given ratios has the most degrees of freedom there are, so its p is a lower bound; burns that could be odd
    by it are then judged by a refit of the model with Kenward–Roger's t. (So far out in the tail the t that is averaged
    over the likelihood of the ratios is too easily convinced: it called a burn odd in 9 % of trials of 12 burns.)

    Parameters
    ----------
    fit
        The model of one metric, all of whose values are exact.
    question
        How the metric is judged; p is multiplied by `question.looks` times burns (Bonferroni).

    Returns
    -------
    DataFrame
        A row a burn, in the order of the table; residual and p are blank where the others say nothing of it.
    """
    rows = fit.table.reset_index(drop=True)
    tests = len(rows) * question.looks
    expected, residual, p = judged = np.full((3, len(rows)), np.nan)
    kept = np.arange(len(rows))
    while len(kept) - 1 - fit.design.p >= LEAST_LEFT:
        judged[:, kept] = _screened(fit, kept)
        doubtful = kept[p[kept] * tests < 1]
        for place in doubtful.tolist():
            judged[:, place] = _refitted(rows.iloc[kept], place, fit, question)
        known = doubtful[np.isfinite(p[doubtful])]
        first = known[np.argsort(p[known])[:1]]
        if not (p[first] * tests < 1 - question.level).any():
            break
        kept = np.setdiff1d(kept, first)
    adjusted = np.minimum(1.0, p * tests)
    odd = adjusted < 1 - question.level
    apart = [conditions_apart(rows, rows.at[place, "burn"]) if odd[place] else "" for place in rows.index]
    found = {"expected": expected, "residual": residual, "p": adjusted, "odd": odd, "conditions": apart}
    return rows[["burn", "fuel", "value"]].assign(**found)


def _screened(fit: RepeatFit, kept: Codes) -> Array:
    """Return expected value, residual and p (3, burns) at the variance ratios that are likeliest for the others.

    With Q = V⁻¹ − V⁻¹X(X'V⁻¹X)⁻¹X'V⁻¹ a burn's own parameter is (Qy)_i/Q_ii with variance 1/Q_ii; the residual sum
    without it is y'Qy − (Qy)_i²/Q_ii, and the restricted likelihood gains the factor Q_ii^−½ (Cook & Weisberg 1982).
    """
    y, X = fit.columns.values[0][kept], fit.design.X[kept]
    codes = [term.levels.codes[kept] for name in fit.names if (term := fit.design.term(name)) is not None]
    same = np.array([each[:, None] == each for each in codes]).reshape(len(codes), len(kept), len(kept))
    groups, variances = fit.design.spread, fit.variances[0]
    own = variances[-groups.count :]
    scale = np.maximum(own / own.mean(), LEAST_SCALE)[groups.codes[kept]]  # beside the mean of all groups
    points = list(product(RATIOS, repeat=len(same)))
    if len(kept) > MOST_FOR_A_GRID:
        points = [tuple(variances[: len(same)] / variances[len(same) :].mean())]
    nu = len(kept) - X.shape[1] - 1
    V = np.diag(scale) + np.tensordot(np.array(points), same, axes=1)
    inverse = np.linalg.inv(V)
    VX = inverse @ X
    A = X.T @ VX
    Q = inverse - VX @ np.linalg.pinv(A) @ VX.transpose(0, 2, 1)
    own, of_inverse = (np.diagonal(each, axis1=1, axis2=2) for each in (Q, inverse))
    own, e = np.where(own < ALONE * of_inverse, np.nan, own), Q @ y
    left = np.maximum((e @ y)[:, None] - e**2 / own, 1e-300)
    determinants = np.linalg.slogdet(V)[1] + np.linalg.slogdet(A)[1]
    deviance = nu * np.log(left) + determinants[:, None] + np.log(own)
    shift, t = e / own, e / np.sqrt(own * left / nu)
    best = np.argmin(np.where(np.isnan(deviance), np.inf, deviance), axis=0), np.arange(len(kept))
    expected = np.exp(y - shift[best]) if fit.scale == "log" else y - shift[best]
    return np.stack([expected, t[best], 2 * special.stdtr(nu, -np.abs(t[best]))])


def _refitted(
    rows: pd.DataFrame, place: int, fit: RepeatFit, question: Question
) -> tuple[float, float, float]:
    """Return expected value, residual and p of one burn by a refit with a parameter of its own."""
    marked = rows.assign(**{APART: (rows.index == place).astype(float)})
    with_own = replace(question, covariates=(*question.covariates, APART))
    try:
        again = fit_repeats(marked, scale=fit.scale, **with_own.roles(marked))
    except KitError:
        return np.nan, np.nan, np.nan
    found = contrasts(again, np.array([[name == APART for name in again.design.columns]]), "kenward-roger")
    shift, se, value = float(found.estimate[0, 0]), float(found.se[0, 0]), float(rows.at[place, "value"])
    expected = value * np.exp(-shift) if fit.scale == "log" else value - shift
    return float(expected), shift / se, float(found.p()[0, 0])


def influence(
    fit: RepeatFit, pairs: pd.DataFrame, spec: Metric, question: Question, family: Family | None = None
) -> pd.DataFrame:
    """Make every comparison again with each burn, bag and day left out (schema.INFLUENCE without metric).

    Every refit is a full one, judged as all burns were, bounds as bounds and each pair in its own family: limits of a
    cheaper method are up to a fifth off in trials of this size, and a verdict near a limit is just the one that may
    hang on one burn. Bags and days of a single burn are that burn, whose answer is taken. Where day goes along with
    fuel there is no verdict that could hang on anything.

    Parameters
    ----------
    fit
        The model of all burns.
    pairs
        schema.COMPARISONS as made from them. Their verdicts are the ones that may change.
    spec, question
        The metric and how it is judged.
    family
        Dunnett's, where it is known: one for all refits.

    Returns
    -------
    DataFrame
        `changes`: the verdict reads otherwise; `matters`: what it claims, a difference in its direction or that there
        is none, is no longer claimed.
    """
    pairs = pairs[pairs["verdict"] != NOT_SEPARATED]
    # with a burn less a kind may have too few for a spread of its own
    question = replace(question, spread=fit.spread_choice)
    left_out = list(_left_out(fit.table)) if len(pairs) else []
    if len(left_out) > MOST_REFITS:
        left_out = []
    refits: dict[bytes, RepeatFit] = {}
    for same, out in {out.tobytes(): out for _, _, out in left_out}.items():
        with suppress(KitError):
            refits[same] = question.fit(fit.table[~out], spec)
    without = [(level, label, out.tobytes()) for level, label, out in left_out]
    rows = pd.DataFrame(without, columns=["level_left_out", "left_out", "refit"])
    rows = rows.merge(pairs[["a", "b", "verdict", "direction"]], "cross")
    rows = rows.merge(judged_again(refits, pairs, question, family), "left", ["refit", "a", "b"])
    rows = rows.fillna({"verdict_without": NO_ANSWER, "direction_without": ""})
    turned = rows["direction"] != rows["direction_without"]
    rows["changes"] = turned | (rows["verdict"] != rows["verdict_without"])
    rows["matters"] = ~rows["verdict"].isin(OPEN) & (turned | rows["verdict_without"].isin(OPEN))
    return rows[schema.names("influence")[1:]]


def _left_out(rows: pd.DataFrame) -> Iterator[tuple[str, str, Mask]]:
    for level in ("burn", "bag", "day"):
        keys = rows[["fuel", "bag"]].agg(" / ".join, axis=1) if level == "bag" else rows[level]
        named = keys[rows[level] != ""].unique()
        for key in named if len(named) > 1 else ():
            out = (keys == key).to_numpy(dtype=np.bool_)
            # without the only bag of a fuel there is no such fuel
            if level != "bag" or rows.loc[out, "fuel"].isin(rows.loc[~out, "fuel"]).all():
                yield level, str(key), out


def judged_again(
    refits: Mapping[Any, RepeatFit], pairs: pd.DataFrame, question: Question, family: Family | None
) -> pd.DataFrame:
    """Return the answer of each refit on each pair whose fuels it has: refit, a, b, verdict_without and the like."""
    asked: dict[Any, dict[Any, list[tuple[Any, Any]]]] = {}
    for same, refit in refits.items():
        families = pairs[pairs[["a", "b"]].isin(refit.labels).all(axis=1)].groupby("multiplicity", sort=False)
        if len(families):
            asked[same] = {how: list(zip(own["a"], own["b"], strict=True)) for how, own in families}
    each = [(refits[same], list(families.values())) for same, families in asked.items()]
    tables = [pd.DataFrame(columns=["refit", "a", "b", *WITHOUT.values(), "estimate", "low", "high"])]
    for same, found in zip(asked, Differences.of_each(each, level=question.level), strict=True):
        for multiplicity, own in asked[same].items():
            table = found.compared(own, multiplicity, question.margin, family)
            table = table.rename(columns={**WITHOUT, number_of(found.fit): "estimate"})
            tables.append(table.assign(refit=same)[list(tables[0])])
    return pd.concat(tables[len(tables) > 1 :], ignore_index=True)
