"""Differences of fuels: every pair, or each against a control, with simultaneous limits and verdicts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.errors import KitError, Problem, did_you_mean
from kit.judge.means import back, counts_of
from kit.judge.verdicts import verdict_of
from kit.variance import RepeatFit
from kit.variance.covariance import Contrasts, DfMethod, contrasts
from kit.variance.families import all_pairs, correlated, correlation_of, holm

Array = npt.NDArray[np.float64]
Adjust = Literal["tukey", "dunnett", "holm", "none"]
Pairs = str | tuple[str, Any] | Sequence[tuple[Any, Any]]


def compare_fuels(
    fit: RepeatFit,
    pairs: Pairs = "all",
    adjust: Adjust | None = None,
    margin: float | str | None = None,
    df: DfMethod = "best",
    level: float = 0.95,
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

    Returns
    -------
    a, b, difference (ratio on the log scale), se, df, low, high (simultaneous), low_alone, high_alone
    (unadjusted), p (unadjusted), p_adjusted, p_equivalent (a pair of one-sided tests, unadjusted), margin,
    verdict, direction, n_a, n_b, bags_a, bags_b, adjust, method, level, scale. se and margin stay on the
    analysis scale. Numbers are blank where day or another block goes along with fuel.

    Raises
    ------
    KitError
        With fewer than two means, an unknown label, or a margin that is not above zero.
    """
    chosen = _pairs(fit, pairs)
    adjust = adjust or ("tukey" if pairs == "all" else "dunnett")
    delta = _margin(margin, fit.scale)
    L = np.zeros((len(chosen), fit.design.p))
    rows = np.arange(len(chosen))
    L[rows, chosen[:, 0]], L[rows, chosen[:, 1]] = 1.0, -1.0
    found = contrasts(fit, L, df, level)
    apart = fit.design.apart[chosen[:, 0], chosen[:, 1]]
    limits = _adjusted(found, adjust, len(fit.labels), level)
    return _frame(fit, chosen, apart, found, limits, adjust, delta, level)


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
    return np.array([(_place(labels, a), _place(labels, b)) for a, b in pairs])


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


def _adjusted(found: Contrasts, adjust: Adjust, means: int, level: float) -> _Limits:
    alone = found.p()
    if adjust == "none":
        return _Limits(*found.limits(level), alone)
    if adjust == "holm":
        return _Limits(*found.limits(1 - (1 - level) / alone.shape[1]), holm(alone))
    if adjust == "tukey":
        family = all_pairs(means)
        return _Limits(*found.family_limits(family, level), found.family_p(family))
    if adjust != "dunnett":
        raise KitError(
            Problem("refuse", "adjust", f"'{adjust}'", "tukey, dunnett, holm or none", "Name one of them.")
        )
    parts = [_single_step(found, row, level) for row in range(len(alone))]
    return _Limits(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in ("low", "high", "p"))
    )


def _single_step(found: Contrasts, row: int, level: float) -> _Limits:
    """Multivariate t with the correlation of one response's estimates."""
    one = found.of(row)
    if np.isnan(one.covariance).any():
        blank = np.full_like(one.estimate, np.nan)
        return _Limits(blank, blank, blank)
    family = correlated(correlation_of(one.covariance[0]))
    return _Limits(*one.family_limits(family, level), one.family_p(family))


def _frame(
    fit: RepeatFit, chosen: npt.NDArray[np.int64], apart: npt.NDArray[np.bool_], found: Contrasts, limits: _Limits,
    adjust: str, delta: float | None, level: float,
) -> pd.DataFrame:  # fmt: skip
    low_alone, high_alone = found.limits(level)
    equivalent = np.full_like(found.estimate, np.nan)
    if delta is not None:
        equivalent = np.maximum(found.upper_p(-delta), found.lower_p(delta))  # Schuirmann 1987
    numbers = {
        "difference": back(fit, found.estimate), "se": found.se, "df": found.df,
        "low": back(fit, limits.low), "high": back(fit, limits.high),
        "low_alone": back(fit, low_alone), "high_alone": back(fit, high_alone),
        "p": found.p(), "p_adjusted": limits.p, "p_equivalent": equivalent,
    }  # fmt: skip
    if apart.any():
        numbers = {name: np.where(apart, np.nan, values) for name, values in numbers.items()}
    if fit.scale == "log":
        numbers = {"ratio" if name == "difference" else name: values for name, values in numbers.items()}
    words = [
        verdict_of(low, high, delta, bool(out))
        for lows, highs in zip(limits.low.tolist(), limits.high.tolist(), strict=True)
        for low, high, out in zip(lows, highs, apart.tolist(), strict=True)
    ]
    constants = {
        "margin": np.nan if delta is None else delta, "adjust": adjust, "method": found.method, "level": level,
        "scale": fit.scale,
    }  # fmt: skip
    judged = {"verdict": [word.verdict for word in words], "direction": [word.direction for word in words]}
    return fit.framed({**_labels(fit, chosen), **judged}, numbers, constants)


def _labels(fit: RepeatFit, chosen: npt.NDArray[np.int64]) -> dict[str, Any]:
    burns, bags = counts_of(fit)
    a, b = chosen[:, 0], chosen[:, 1]
    return {
        "a": [fit.labels[i] for i in a], "b": [fit.labels[i] for i in b],
        "n_a": burns[a], "n_b": burns[b], "bags_a": bags[a], "bags_b": bags[b],
    }  # fmt: skip
