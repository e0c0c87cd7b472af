"""Burns that do not fit the others, and the verdicts that hang on one burn, bag or day.

Beside an odd burn stands what was recorded of it: what to look into, never a reason to delete it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from kit.errors import KitError
from kit.judge.question import Question
from kit.variance import RepeatFit, contrasts, fit_repeats

RECORDED: Mapping[str, tuple[str, str]] = {
    "wind_m_s": ("wind", "m/s"),
    "ambient_c": ("air", "°C"),
    "humidity_pct": ("humidity", "%"),
    "charge_g": ("charge", "g"),
    "ready": ("minutes from lit to tipped", "min"),
}
FAR = 3.0
"""A condition stands apart beyond so many robust standard deviations of its peers, and beyond all of them."""
TO_SD = 1.4826
"""Median absolute deviation to standard deviation, for a normal sample."""

Array = npt.NDArray[np.float64]

APART = "held apart"
RATIOS = (0.0, 0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4, 12.8, 51.2)
"""Ratios of a random term's variance to the burns' at which every burn is screened."""
MOST_FOR_A_GRID = 150
"""Burns beyond which one of them no longer moves the ratios: they are screened at the fitted ratios alone."""
ALONE = 1e-9
LEAST_SCALE = 1e-3
Answer = dict[tuple[str, str], tuple[str, str, float, float, float]]
"""Of each pair: the verdict, its direction, the estimate and its limits."""

LEVELS = ("burn", "bag", "day")
NO_ANSWER = "no answer"
OPEN = ("not settled", "no repeats", "cannot be separated", NO_ANSWER)
MOST_REFITS = 400
"""In a trial of which more than so many things can be left out no verdict hangs on one of them."""
INFLUENCE = (
    "a", "b", "level_left_out", "left_out", "verdict", "verdict_without", "estimate", "low", "high", "changes",
    "matters",
)  # fmt: skip


def conditions_apart(rows: pd.DataFrame, burn: str) -> str:
    """Return in words which recorded conditions of a burn lie apart from those of all other burns, or ''.

    Parameters
    ----------
    rows
        A row a burn, with the columns of `RECORDED` that were kept.
    """
    own = rows[rows["burn"] == burn].iloc[0]
    others = rows[rows["burn"] != burn]
    said = [
        f"{words} {own[name]:.4g} {unit}, the others {peers.min():.4g} to {peers.max():.4g}"
        for name, (words, unit) in RECORDED.items()
        if name in rows
        and np.isfinite(own[name])
        and _apart(float(own[name]), peers := others[name].dropna())
    ]
    return "; ".join(said)


def _apart(value: float, peers: pd.Series) -> bool:
    if len(peers) < 3 or peers.min() <= value <= peers.max():
        return False
    middle = float(peers.median())
    spread = TO_SD * float((peers - middle).abs().median())
    return abs(value - middle) > FAR * spread


@dataclass(frozen=True)
class Apart:
    """One burn against the others: what they lead to expect, the studentised residual, its p for itself."""

    expected: float = float("nan")
    residual: float = float("nan")
    p: float = float("nan")


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
    found = _one_by_one(rows, fit, question, tests)
    table = pd.DataFrame([vars(each) for each in found], columns=["expected", "residual", "p"])
    adjusted = np.minimum(1.0, table["p"] * tests)
    odd = adjusted < 1 - question.level
    words = [
        conditions_apart(rows, burn) if is_odd else "" for burn, is_odd in zip(rows["burn"], odd, strict=True)
    ]
    return rows[["burn", "fuel", "value"]].join(table).assign(p=adjusted, odd=odd, conditions=words)


def _one_by_one(rows: pd.DataFrame, fit: RepeatFit, question: Question, tests: int) -> list[Apart]:
    """Judge the most extreme burn, hold it apart if it is odd, and judge the rest without it."""
    found = [Apart()] * len(rows)
    kept = np.arange(len(rows), dtype=np.int64)
    while len(kept) > fit.design.p:
        for place, each in zip(kept.tolist(), _screened(fit, kept), strict=True):
            found[place] = each
        doubtful = [place for place in kept.tolist() if found[place].p * tests < 1]
        for place in doubtful:
            found[place] = _refitted(rows.iloc[kept], place, fit, question)
        known = [place for place in doubtful if np.isfinite(found[place].p)]
        first = min(known, key=lambda place: found[place].p, default=None)
        if first is None or found[first].p * tests >= 1 - question.level:
            break
        kept = kept[kept != first]
    return found


def _screened(fit: RepeatFit, kept: npt.NDArray[np.int64]) -> list[Apart]:
    """Return each burn against the others at the variance ratios that are likeliest for those others.

    With Q = V⁻¹ − V⁻¹X(X'V⁻¹X)⁻¹X'V⁻¹ a burn's own parameter is (Qy)_i/Q_ii with variance 1/Q_ii; the residual sum
    without it is y'Qy − (Qy)_i²/Q_ii, and the restricted likelihood gains the factor Q_ii^−½ (Cook & Weisberg 1982).
    """
    y, X = fit.columns.values[0][kept], fit.design.X[kept]
    same = _same_level(fit, kept)
    scale = _burn_scale(fit)[kept]
    nu = len(kept) - X.shape[1] - 1
    deviance, shift, t = [], [], []
    for ratios in _points(fit, len(same), len(kept)):
        V = np.diag(scale) + sum(
            (ratio * each for ratio, each in zip(ratios, same, strict=True)), np.zeros((1, 1))
        )
        inverse = np.linalg.inv(V)
        VX = inverse @ X
        A = X.T @ VX
        Q = inverse - VX @ np.linalg.pinv(A) @ VX.T
        own, e = np.diag(Q).copy(), Q @ y
        own[own < ALONE * np.diag(inverse)] = np.nan
        left = np.maximum(y @ e - e**2 / own, 1e-300)
        deviance.append(nu * np.log(left) + np.linalg.slogdet(V)[1] + np.linalg.slogdet(A)[1] + np.log(own))
        shift.append(e / own)
        t.append(e / np.sqrt(own * left / max(nu, 1)))
    best = np.argmin(np.where(np.isnan(deviance), np.inf, deviance), axis=0)
    burns = np.arange(len(kept))
    return _as_apart(fit, y, np.array(shift)[best, burns], np.array(t)[best, burns], nu)


def _as_apart(fit: RepeatFit, y: Array, shift: Array, t: Array, nu: int) -> list[Apart]:
    p = 2 * special.stdtr(max(nu, 1), -np.abs(t))
    expected = np.exp(y - shift) if fit.scale == "log" else y - shift
    return [Apart(*map(float, each)) for each in zip(expected, t, p, strict=True)]


def _same_level(fit: RepeatFit, kept: npt.NDArray[np.int64]) -> list[npt.NDArray[np.bool_]]:
    """Return for each random term which burns share a level of it."""
    codes = {term.name: term.levels.codes[kept] for term in fit.design.terms}
    return [codes[name][:, None] == codes[name] for name in fit.names if not name.startswith("burn")]


def _burn_scale(fit: RepeatFit) -> Array:
    """Return each burn's variance relative to the mean of the groups' that have one of their own."""
    groups = fit.design.spread
    own = fit.variances[0, -groups.count :]
    return np.asarray(np.maximum(own / own.mean(), LEAST_SCALE)[groups.codes])


def _points(fit: RepeatFit, terms: int, burns: int) -> Sequence[tuple[float, ...]]:
    if burns <= MOST_FOR_A_GRID:
        return list(product(RATIOS, repeat=terms))
    base = fit.variances[0, terms:].mean()
    return [tuple(fit.variances[0, :terms] / base)]


def _refitted(rows: pd.DataFrame, place: int, fit: RepeatFit, question: Question) -> Apart:
    """Return one burn against the others by a refit with a parameter of its own."""
    marked = rows.assign(**{APART: (rows.index == place).astype(float)})
    with_own = replace(question, covariates=(*question.covariates, APART))
    try:
        again = fit_repeats(marked, scale=fit.scale, **with_own.roles(marked))
    except KitError:
        return Apart()
    L = np.zeros((1, again.design.p))
    L[0, again.design.columns.index(APART)] = 1.0
    found = contrasts(again, L, "kenward-roger")
    shift, se = float(found.estimate[0, 0]), float(found.se[0, 0])
    value = float(rows.at[place, "value"])
    expected = value * np.exp(-shift) if fit.scale == "log" else value - shift
    return Apart(float(expected), shift / se, float(found.p()[0, 0]))


def influence(
    comparisons: pd.DataFrame, rows: pd.DataFrame, compare: Callable[[pd.DataFrame], pd.DataFrame]
) -> pd.DataFrame:
    """Make every comparison again with each burn, bag and day left out (schema.INFLUENCE without metric).

    Every refit is a full one, judged as all burns were: limits of a cheaper method are up to a fifth off in trials
    of this size, and a verdict near a limit is just the one that may hang on one burn. Bags and days of a single burn
    are that burn, whose answer is taken.

    Parameters
    ----------
    comparisons
        As made from all burns: a, b, verdict, direction. Their verdicts are the ones that may change.
    rows
        The burns: burn, fuel, bag, day and what the model needs.
    compare
        Makes the same comparisons from other rows, of the pairs that are left.

    Returns
    -------
    DataFrame
        `changes`: the verdict reads otherwise; `matters`: what it claims, a difference in its direction or that there
        is none, is no longer claimed.
    """
    before = {(row.a, row.b): (row.verdict, row.direction) for row in comparisons.itertuples(index=False)}
    known: dict[bytes, Answer] = {}
    records = []
    left_out = list(_left_out(rows)) if before else []
    for level, label, out in left_out if len(left_out) <= MOST_REFITS else ():
        same = out.tobytes()
        if same not in known:
            known[same] = _answer(compare, rows[~out])
        after = known[same]
        for key, (verdict, direction) in before.items():
            without, side, *numbers = after.get(key, (NO_ANSWER, "", np.nan, np.nan, np.nan))
            changes = (verdict, direction) != (without, side)
            matters = verdict not in OPEN and (without in OPEN or side != direction)
            records.append((*key, level, label, verdict, without, *numbers, changes, matters))
    return pd.DataFrame(records, columns=list(INFLUENCE))


def _keys(table: pd.DataFrame) -> list[tuple[str, str]]:
    return list(zip(table["a"], table["b"], strict=True))


def _left_out(rows: pd.DataFrame) -> Iterator[tuple[str, str, npt.NDArray[np.bool_]]]:
    for level in LEVELS:
        keys = rows[["fuel", "bag"]].agg(" / ".join, axis=1) if level == "bag" else rows[level]
        named = list(dict.fromkeys(keys[rows[level] != ""]))
        if len(named) > 1:
            values, whole = keys.to_numpy(), rows["fuel"].value_counts()
            for key in named:
                out = np.asarray(values == key)
                only = level == "bag" and whole[rows.loc[out, "fuel"].iloc[0]] == out.sum()
                if not only:  # without the only bag of a fuel there is no such fuel
                    yield level, str(key), out


def _answer(compare: Callable[[pd.DataFrame], pd.DataFrame], rows: pd.DataFrame) -> Answer:
    try:
        table = compare(rows)
    except KitError:
        return {}
    number = "ratio" if "ratio" in table else "difference"
    columns = (table[name].tolist() for name in ("verdict", "direction", number, "low", "high"))
    return dict(zip(_keys(table), zip(*columns, strict=True), strict=True))
