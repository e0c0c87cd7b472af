"""Differences of fuels: every pair, or each against a control, with simultaneous limits and verdicts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.errors import KitError, Problem, did_you_mean
from kit.judge.means import back
from kit.judge.verdicts import Verdict, verdict_of
from kit.schema import COMPARISONS
from kit.variance import RepeatFit
from kit.variance.covariance import Contrasts, DfMethod, contrasts
from kit.variance.families import Family, all_pairs, correlated, correlation_of, holm

Array = npt.NDArray[np.float64]
Adjust = Literal["tukey", "dunnett", "holm", "none"]
ORDER = tuple(column.name for column in COMPARISONS)

Pairs = str | tuple[str, Any] | Sequence[tuple[Any, Any]]


def compare_fuels(
    fit: RepeatFit,
    pairs: Pairs = "all",
    adjust: Adjust | None = None,
    margin: float | str | None = None,
    df: DfMethod = "best",
    level: float = 0.95,
    family: Family | None = None,
) -> pd.DataFrame:
    """Return a row a pair: difference (or ratio), limits, p values and verdict.

    Parameters
    ----------
    pairs
        'all', ('control', id) or a list of (a, b). Against the control, b is the control.
    adjust
        'tukey' (all pairs; the default for them), 'dunnett' (multivariate t of just these pairs; the default
        against a control), 'holm' (Holm's p, Bonferroni's limits) or 'none'.
    margin
        Smallest difference that matters, on the analysis scale, or '10 %' on the log scale (ln 1.10).
    df
        'best', 'kenward-roger' or 'satterthwaite'.
    family
        Dunnett's family where it is known already: trials that differ by one burn share it to plotting accuracy.

    Returns
    -------
    a, b, difference (ratio on the log scale), se, df, low, high (simultaneous), low_alone, high_alone
    (unadjusted), p (unadjusted), p_adjusted, p_equivalent (a pair of one-sided tests, unadjusted), margin,
    verdict, direction, n_a, n_b, bags_a, bags_b, adjust, method, level, scale. se and margin stay on the
    analysis scale. Numbers are blank where day or another block goes along with fuel, where a fuel's every burn is
    a bound, and where a burn never reached the threshold. With bounds the verdict is 'not settled' unless the answers
    with bounds as bounds, at face value and left out agree.

    Raises
    ------
    KitError
        With fewer than two means, an unknown label, or a margin that is not above zero.
    """
    chosen = _pairs(fit, pairs)
    adjust = adjust or ("tukey" if isinstance(pairs, str) else "dunnett")
    asked = _Asked(adjust, _margin(margin, fit.scale), df, level, family)
    judged = _judge(fit, chosen, asked)
    if fit.censored is not None:
        others = (fit.censored.face_value, fit.censored.left_out)
        judged = _agreed(
            judged, [_elsewhere(fit, other, chosen, asked) for other in others if other is not None]
        )
    return _frame(fit, chosen, judged, asked)


@dataclass(frozen=True)
class _Asked:
    adjust: Adjust
    margin: float | None
    df: DfMethod
    level: float
    family: Family | None


@dataclass(frozen=True)
class _Judged:
    """Contrasts, limits one by one and simultaneous, pairs without numbers, and a verdict a row."""

    found: Contrasts
    alone: _Limits
    limits: _Limits
    blank: npt.NDArray[np.bool_]
    verdicts: list[Verdict]


def _judge(fit: RepeatFit, chosen: npt.NDArray[np.int64], asked: _Asked) -> _Judged:
    L = np.zeros((len(chosen), fit.design.p))
    rows = np.arange(len(chosen))
    L[rows, chosen[:, 0]], L[rows, chosen[:, 1]] = 1.0, -1.0
    found = contrasts(fit, L, asked.df, asked.level)
    apart = fit.design.apart[chosen[:, 0], chosen[:, 1]]
    withheld: npt.NDArray[np.bool_] = np.asarray(_withheld(fit)[chosen].any(axis=1))
    alone = _Limits(*found.limits(asked.level), found.p())
    limits = _adjusted(found, alone, asked, len(fit.labels))
    verdicts = [
        Verdict("not settled", "") if hidden and not out else verdict_of(low, high, asked.margin, out)
        for lows, highs in zip(limits.low.tolist(), limits.high.tolist(), strict=True)
        for low, high, out, hidden in zip(lows, highs, apart.tolist(), withheld.tolist(), strict=True)
    ]
    return _Judged(found, alone, limits, apart | withheld, verdicts)


def _withheld(fit: RepeatFit) -> npt.NDArray[np.bool_]:
    """Means that no number compares: every burn a bound, or a burn that never reached the threshold."""
    hidden = np.array([label in fit.columns.never for label in fit.labels])
    if fit.censored is not None:
        hidden[list(fit.censored.bounded)] = True
    return hidden


def _elsewhere(
    fit: RepeatFit, other: RepeatFit, chosen: npt.NDArray[np.int64], asked: _Asked
) -> list[Verdict | None]:
    """Verdicts on the same pairs from another fit; None where it lacks one of the two."""
    place = {label: i for i, label in enumerate(other.labels)}
    pairs = [(place.get(fit.labels[a]), place.get(fit.labels[b])) for a, b in chosen]
    there = np.array([(a, b) for a, b in pairs if a is not None and b is not None])
    verdicts = iter(_judge(other, there, asked).verdicts if len(there) else [])
    return [next(verdicts) if a is not None and b is not None else None for a, b in pairs]


def _agreed(judged: _Judged, others: list[list[Verdict | None]]) -> _Judged:
    """Settle nothing on which bounds as bounds, at face value and left out disagree (DEVELOPERS.md, method 9)."""
    agreed = [
        own if all(each is None or each == own for each in rest) else Verdict("not settled", "")
        for own, *rest in zip(judged.verdicts, *others, strict=True)
    ]
    return replace(judged, verdicts=[own or Verdict("not settled", "") for own in agreed])


def _pairs(fit: RepeatFit, pairs: Pairs) -> npt.NDArray[np.int64]:
    labels = list(fit.labels)
    if len(labels) < 2:
        raise KitError(
            Problem(
                "refuse",
                "table",
                f"one fuel ({labels[0]})",
                "two fuels or more",
                "There is nothing to compare.",
            )
        )
    if pairs == "all":
        return np.array([(i, j) for i in range(len(labels)) for j in range(i + 1, len(labels))])
    if isinstance(pairs, tuple) and len(pairs) == 2 and pairs[0] == "control":
        control = _place(labels, pairs[1])
        return np.array([(i, control) for i in range(len(labels)) if i != control])
    if isinstance(pairs, str) or not len(pairs):
        raise KitError(
            Problem(
                "refuse", "pairs", f"'{pairs}'", "'all', ('control', id) or pairs of ids", "Name the pairs."
            )
        )
    chosen = [tuple(pair) for pair in pairs]
    return np.array([[_place(labels, label) for label in pair] for pair in chosen])


def _place(labels: list[Any], label: Any) -> int:
    if label in labels:
        return labels.index(label)
    raise KitError(
        Problem(
            "refuse", "pairs", f"'{label}'", "a fuel of the table", did_you_mean(str(label), map(str, labels))
        )
    )


def _margin(margin: float | str | None, scale: str) -> float | None:
    if margin is None:
        return None
    expected = "a number above zero on the analysis scale" + (", or a percentage" if scale == "log" else "")
    try:
        text = str(margin).strip()
        value = math.log1p(float(text[:-1]) / 100) if text.endswith("%") and scale == "log" else float(margin)
    except ValueError:
        value = math.nan
    if not (0 < value < math.inf):
        raise KitError(
            Problem(
                "refuse", "margin", f"'{margin}'", expected, "State the smallest difference that matters."
            )
        )
    return value


@dataclass(frozen=True)
class _Limits:
    low: Array
    high: Array
    p: Array


def _adjusted(found: Contrasts, alone: _Limits, asked: _Asked, means: int) -> _Limits:
    adjust, level, comparisons = asked.adjust, asked.level, found.estimate.shape[1]
    if adjust == "none":
        return alone
    if adjust == "holm":
        return _Limits(*found.limits(1 - (1 - level) / comparisons), holm(alone.p))
    if adjust == "tukey":
        return _of_family(found, all_pairs(means), level)
    if adjust != "dunnett":
        raise KitError(
            Problem("refuse", "adjust", f"'{adjust}'", "tukey, dunnett, holm or none", "Name one of them.")
        )
    if asked.family is not None and asked.family.comparisons == comparisons:
        return _of_family(found, asked.family, level)
    parts = [_single_step(found.of(row), level) for row in range(len(found.estimate))]
    return _Limits(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in ("low", "high", "p"))
    )


def _of_family(found: Contrasts, family: Family, level: float) -> _Limits:
    return _Limits(*found.family_limits(family, level), found.family_p(family))


def _single_step(one: Contrasts, level: float) -> _Limits:
    """Multivariate t with the correlation of one response's estimates."""
    if np.isnan(one.covariance).any() or np.isnan(one.estimate).any():
        blank = np.full_like(one.estimate, np.nan)
        return _Limits(blank, blank, blank)
    return _of_family(one, correlated(correlation_of(one.covariance[0])), level)


def family_against(fit: RepeatFit, control: Any) -> Family | None:
    """Return Dunnett's family of a fit against its control fuel, to judge trials that differ by one burn."""
    chosen = _pairs(fit, ("control", control))
    rows = np.eye(len(fit.labels))[chosen[:, 0]] - np.eye(len(fit.labels))[chosen[:, 1]]
    covariance = rows @ fit.covariance @ rows.T
    unknown = np.isnan(covariance).any() or not (np.diag(covariance) > 0).all()
    return None if unknown else correlated(correlation_of(covariance))


def _frame(fit: RepeatFit, chosen: npt.NDArray[np.int64], judged: _Judged, asked: _Asked) -> pd.DataFrame:
    found, alone, limits = judged.found, judged.alone, judged.limits
    equivalent = np.full_like(found.estimate, np.nan)
    if asked.margin is not None:
        equivalent = np.maximum(found.upper_p(-asked.margin), found.lower_p(asked.margin))  # Schuirmann 1987
    numbers = {
        ("ratio" if fit.scale == "log" else "difference"): back(fit, found.estimate), "se": found.se, "df": found.df,
        "low": back(fit, limits.low), "high": back(fit, limits.high),
        "low_alone": back(fit, alone.low), "high_alone": back(fit, alone.high),
        "p": alone.p, "p_adjusted": limits.p, "p_equivalent": equivalent,
    }  # fmt: skip
    if judged.blank.any():
        numbers = {name: np.where(judged.blank, np.nan, values) for name, values in numbers.items()}
    constants = {
        "margin": np.nan if asked.margin is None else asked.margin, "adjust": asked.adjust, "method": found.method,
        "level": asked.level, "scale": fit.scale,
    }  # fmt: skip
    words = {
        "verdict": [each.verdict for each in judged.verdicts],
        "direction": [each.direction for each in judged.verdicts],
    }
    return fit.framed({**_labels(fit, chosen), **words}, numbers, constants, ORDER)


def _labels(fit: RepeatFit, chosen: npt.NDArray[np.int64]) -> dict[str, Any]:
    burns, bags = fit.counts
    a, b = chosen[:, 0], chosen[:, 1]
    return {
        "a": [fit.labels[i] for i in a], "b": [fit.labels[i] for i in b],
        "n_a": burns[a], "n_b": burns[b], "bags_a": bags[a], "bags_b": bags[b],
    }  # fmt: skip
