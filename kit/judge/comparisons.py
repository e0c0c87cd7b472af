"""Means of fuels, and their differences with limits and verdicts: every pair, against a control, or those asked for."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.errors import KitError, did_you_mean
from kit.judge.verdicts import Verdict, verdict_of
from kit.schema import COMPARISONS, MEANS, PRODUCT, THESE_BAGS
from kit.variance import RepeatFit
from kit.variance.design import design_of
from kit.variance.families import Family, all_pairs, correlated, correlation_of, holm
from kit.variance.inference import Contrasts, DfMethod, contrasts

Array = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]
Limits = tuple[Array, Array]
Multiplicity = Literal["tukey", "dunnett", "holm", "none"]
Pairs = str | tuple[str, Any] | Sequence[tuple[Any, Any]]

OF_MEANS, OF_PAIRS = (tuple(column.name for column in table) for table in (MEANS, COMPARISONS))
"""Columns in the order of their tables."""


def fuel_means(fit: RepeatFit, df: DfMethod = "best", level: float = 0.95) -> pd.DataFrame:
    """Return a row a mean: fuel, mean, se, df, low, high, scale, method, level, n, bags.

    Parameters
    ----------
    df
        'best', 'kenward-roger' or 'satterthwaite'.

    Returns
    -------
    On the log scale mean, low and high are back-transformed (geometric means); se stays on the log scale.
    Without repeats se, df and limits are blank. A fuel whose every burn is 'at least' (or 'at most') has no mean and
    one limit, the average of its bounds. Covariates stand at their average.

    Examples
    --------
    >>> means = fuel_means(fit)
    >>> means.loc[means["fuel"] == "vine", ["mean", "low", "high"]].round().values.tolist()
    [[260.0, 242.0, 276.0]]
    """
    found = contrasts(fit, fit.design.mean_rows(), df, level)
    low, high = found.limits(level)
    if fit.censored is not None:
        low, high = _bounds(fit, low, high)
    mean, low, high = (back(fit, part) for part in (found.estimate, low, high))
    burns, bags = fit.counts
    numbers = {"mean": mean, "se": found.se, "df": found.df, "low": low, "high": high}
    constants = {"scale": fit.scale, "method": found.method, "level": level}
    return fit.framed({"fuel": fit.labels, "n": burns, "bags": bags}, numbers, constants, OF_MEANS)


def back(fit: RepeatFit, values: Array) -> Array:
    """Return values of the analysis scale on the metric's own; limits beyond all numbers are infinite."""
    if fit.scale != "log":
        return values
    with np.errstate(over="ignore"):
        return np.exp(values)


def _bounds(fit: RepeatFit, low: Array, high: Array) -> tuple[Array, Array]:
    """Give means without an exact burn the average of their bounds, where all bounds are of one side."""
    side, known = fit.columns.side, fit.censored
    low, high = low.copy(), high.copy()
    if side is None or known is None:
        return low, high
    for code in known.bounded:
        own = fit.design.mean_of == code
        bound = float(fit.columns.values[0, own].mean())
        low[0, code] = bound if (side[own] > 0).all() else -np.inf
        high[0, code] = bound if (side[own] < 0).all() else np.inf
    return low, high


def compare_fuels(
    fit: RepeatFit,
    pairs: Pairs = "all",
    multiplicity: Multiplicity | None = None,
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
    multiplicity
        'tukey' (all pairs; the default for them), 'dunnett' (multivariate t of just these pairs; the default
        for any others), 'holm' (Holm's p, Bonferroni's limits) or 'none'.
    margin
        Smallest difference that matters, on the analysis scale, or '10 %' on the log scale (ln 1.10).
    df
        'best', 'kenward-roger' or 'satterthwaite'.
    family
        Dunnett's family where it is known already: trials that differ by one burn share it to plotting accuracy.

    Returns
    -------
    a, b, difference (ratio on the log scale), se, df, low, high (simultaneous, at `level`), low_equivalence,
    high_equivalence (simultaneous at 2·level − 1: a pair of one-sided tests), low_alone, high_alone (unadjusted), p
    (unadjusted), p_adjusted, p_equivalent (a pair of one-sided tests, unadjusted), margin, verdict, direction,
    scope ('these bags' where no fuel has a second bag, else 'the product'), n_a, n_b, bags_a, bags_b, multiplicity,
    method, level, scale. se and margin stay on the analysis scale. Numbers
    are blank where day or another block goes along with fuel, where a fuel's every burn is a bound, and where a
    burn never reached the threshold. Where values are bounds, all of it is the analysis with bounds as bounds.

    Raises
    ------
    KitError
        With fewer than two means, an unknown label, or a margin that is not above zero.

    Examples
    --------
    >>> table = compare_fuels(fit, ("control", "pressed"), margin=15)
    >>> table[["a", "b", "verdict"]].head(2).values.tolist()
    [['alder', 'pressed', 'different, by more than the margin'], ['sawdust', 'pressed', 'not settled']]
    """
    asked = multiplicity or ("tukey" if isinstance(pairs, str) else "dunnett")
    return Differences.of(fit, [pairs], df, level).compared(pairs, asked, margin, family)


@dataclass(frozen=True)
class Against:
    """Means less one of them: places of the means (n,), differences, standard errors and degrees of freedom (n,).

    `covariance` (n, n) is that of the differences.
    """

    places: Places
    difference: Array
    se: Array
    df: Array
    covariance: Array


@dataclass(frozen=True)
class Differences:
    """Differences of one fit, computed once: every family of comparisons is made of some of them.

    Attributes
    ----------
    fit
        The model.
    places
        (pairs, 2) means of which pairs.
    found
        The differences as contrasts, in that order.
    level
        Confidence of simultaneous limits.
    """

    fit: RepeatFit
    places: Places
    found: Contrasts
    level: float

    @classmethod
    def of(
        cls, fit: RepeatFit, asked: Sequence[Pairs], df: DfMethod = "best", level: float = 0.95
    ) -> Differences:
        """Return the differences that these families ask for."""
        places = np.unique(np.concatenate([_places(fit, pairs) for pairs in asked]), axis=0)
        L = np.zeros((len(places), fit.design.p))
        L[np.arange(len(places)), places[:, 0]], L[np.arange(len(places)), places[:, 1]] = 1.0, -1.0
        return cls(fit, places, contrasts(fit, L, df, level), level)

    def compared(
        self,
        pairs: Pairs,
        multiplicity: Multiplicity,
        margin: float | str | None = None,
        family: Family | None = None,
    ) -> pd.DataFrame:
        """Return a row a pair of one family: arguments and columns are those of `compare_fuels`."""
        fit, found, level = self.fit, self.found, self.level
        smallest = _margin(margin, fit.scale)
        rows = self._rows(_places(fit, pairs))
        a, b = self.places[rows].T
        together = _simultaneous(found, rows, multiplicity, len(fit.labels), family)
        D, E = together.limits(level), together.limits(2 * level - 1)
        apart: Mask = apart_of(fit)[a, b]
        withheld: Mask = np.asarray(_withheld(fit)[self.places[rows]].any(axis=1))
        verdicts = _verdicts(D, E, smallest, apart, withheld)
        equivalent = np.full_like(found.estimate, np.nan)
        if smallest is not None:
            equivalent = np.maximum(found.upper_p(-smallest), found.lower_p(smallest))  # Schuirmann 1987
        alone = [ends[:, rows] for ends in found.limits(level)]
        limits = {"": D, "_equivalence": E, "_alone": alone}
        number = "ratio" if fit.scale == "log" else "difference"
        numbers = {
            number: back(fit, found.estimate[:, rows]), "se": found.se[:, rows], "df": found.df[:, rows],
            **{f"low{name}": back(fit, each[0]) for name, each in limits.items()},
            **{f"high{name}": back(fit, each[1]) for name, each in limits.items()},
            "p": found.p()[:, rows], "p_adjusted": together.p(), "p_equivalent": equivalent[:, rows],
        }  # fmt: skip
        if (apart | withheld).any():
            numbers = {name: np.where(apart | withheld, np.nan, values) for name, values in numbers.items()}
        burns, bags = fit.counts
        labels = {
            "a": [fit.labels[i] for i in a], "b": [fit.labels[i] for i in b],
            "n_a": burns[a], "n_b": burns[b], "bags_a": bags[a], "bags_b": bags[b],
            "verdict": [each.verdict for each in verdicts], "direction": [each.direction for each in verdicts],
            "scope": [scope_of(fit)] * len(rows),
        }  # fmt: skip
        constants = {
            "margin": np.nan if smallest is None else smallest, "multiplicity": multiplicity,
            "method": found.method, "level": level, "scale": fit.scale,
        }  # fmt: skip
        return fit.framed(labels, numbers, constants, OF_PAIRS)

    def against(self, place: int) -> Against:
        """Return every mean that is compared with this one, less it."""
        rows = np.flatnonzero((self.places == place).any(axis=1))
        rows = rows[np.argsort(self.places[rows].sum(axis=1))]
        sign = np.where(self.places[rows, 1] == place, 1.0, -1.0)
        L = sign[:, None] * self.found.L[rows]
        return Against(
            self.places[rows].sum(axis=1) - place,
            sign * self.found.estimate[0, rows],
            self.found.se[0, rows],
            self.found.df[0, rows],
            L @ self.found.phi[0] @ L.T,
        )

    def _rows(self, places: Places) -> Places:
        known = {(a, b): row for row, (a, b) in enumerate(self.places.tolist())}
        return np.array([known[a, b] for a, b in places.tolist()])


def _verdicts(
    D: Limits, E: Limits, margin: float | None, apart: npt.NDArray[np.bool_], withheld: npt.NDArray[np.bool_]
) -> list[Verdict]:
    """Return the verdict of every response and pair, from limits (responses, pairs)."""
    ends = zip(*(part.tolist() for part in (*D, *E)), strict=True)
    return [
        Verdict("not settled", "")
        if hidden and not out
        else verdict_of(low, high, margin, (inner, outer), out)
        for rows in ends
        for low, high, inner, outer, out, hidden in zip(*rows, apart.tolist(), withheld.tolist(), strict=True)
    ]


def scope_of(fit: RepeatFit) -> str:
    """Return what verdicts are about: 'these bags' where nothing says how far bags differ, else 'the product'.

    A second bag of some fuel says it, or an earlier trial. Bags that nobody noted count as one of each fuel.
    """
    _, bags = fit.counts
    if "bag" in fit.names or fit.columns.bag is None or (bags > 1).any() or fit.borrowed is not None:
        return PRODUCT
    told = fit.beside is not None and "bag" in fit.beside.names and bool(fit.beside.used.any())
    return PRODUCT if told else THESE_BAGS


def apart_of(fit: RepeatFit) -> Mask:
    """Return the pairs (means, means) that day or another block keeps apart.

    One bag of each fuel does not: then verdicts are for these bags, which stand for no others.
    """
    if scope_of(fit) == THESE_BAGS and fit.design.apart.any():
        return design_of(replace(fit.columns, bag=None), "fixed", fit.spread_choice).apart
    return fit.design.apart


def _withheld(fit: RepeatFit) -> npt.NDArray[np.bool_]:
    """Means that no number compares: every burn a bound, or a burn that never reached the threshold."""
    hidden = np.array([label in fit.columns.never for label in fit.labels])
    if fit.censored is not None:
        hidden[list(fit.censored.bounded)] = True
    return hidden


def pairs_of(fit: RepeatFit, pairs: Pairs) -> list[tuple[Any, Any]]:
    """Return the pairs of fuels that 'all', ('control', id) or a list of pairs stands for."""
    return [(fit.labels[a], fit.labels[b]) for a, b in _places(fit, pairs)]


def _places(fit: RepeatFit, pairs: Pairs) -> Places:
    labels = list(fit.labels)
    if len(labels) < 2:
        raise KitError.refuse(
            "table", f"one fuel ({labels[0]})", "two fuels or more", "There is nothing to compare."
        )
    if isinstance(pairs, str) and pairs == "all":
        return np.array(list(combinations(range(len(labels)), 2)))
    if isinstance(pairs, tuple) and len(pairs) == 2 and pairs[0] == "control":
        control = _place(labels, pairs[1])
        return np.array([(i, control) for i in range(len(labels)) if i != control])
    if isinstance(pairs, str) or not len(pairs):
        raise KitError.refuse(
            "pairs", f"'{pairs}'", "'all', ('control', id) or pairs of ids", "Name the pairs."
        )
    return np.array([[_place(labels, label) for label in pair] for pair in pairs])


def _place(labels: list[Any], label: Any) -> int:
    if label in labels:
        return labels.index(label)
    remedy = did_you_mean(str(label), map(str, labels))
    raise KitError.refuse("pairs", f"'{label}'", "a fuel of the table", remedy)


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
        raise KitError.refuse(
            "margin", f"'{margin}'", expected, "State the smallest difference that matters."
        )
    return value


@dataclass(frozen=True)
class _Simultaneous:
    """Some of the contrasts, with the families, one for all responses or one each, that hold their limits together.

    Without families the limits are each one's own, at a level that is shared out (Bonferroni) by `share`.
    """

    found: Contrasts
    rows: Places
    families: tuple[Family | None, ...] = ()
    share: int = 1

    def limits(self, level: float) -> Limits:
        if self.families:
            parts = [_family_limits(one, family, level) for one, family in self._parts()]
            low, high = (np.concatenate(ends) for ends in zip(*parts, strict=True))
        else:
            low, high = self.found.limits(1 - (1 - level) / self.share)
        return low[:, self.rows], high[:, self.rows]

    def p(self) -> Array:
        if not self.families:
            alone = self.found.p()[:, self.rows]
            return holm(alone) if self.share > 1 else alone
        parts = [
            one.family_p(family) if family else np.full_like(one.estimate, np.nan)
            for one, family in self._parts()
        ]
        return np.concatenate(parts)[:, self.rows]

    def _parts(self) -> list[tuple[Contrasts, Family | None]]:
        if len(self.families) == 1:
            return [(self.found, self.families[0])]
        return [(self.found.of(row), family) for row, family in enumerate(self.families)]


def _family_limits(found: Contrasts, family: Family | None, level: float) -> Limits:
    unknown = np.full_like(found.estimate, np.nan)
    return found.family_limits(family, level) if family else (unknown, unknown)


def _simultaneous(
    found: Contrasts, rows: Places, multiplicity: str, means: int, known: Family | None
) -> _Simultaneous:
    if multiplicity == "none":
        return _Simultaneous(found, rows)
    if multiplicity == "holm":
        return _Simultaneous(found, rows, share=len(rows))
    if multiplicity == "tukey":
        return _Simultaneous(found, rows, (all_pairs(means),))
    if multiplicity != "dunnett":
        expected = "tukey, dunnett, holm or none"
        raise KitError.refuse("multiplicity", f"'{multiplicity}'", expected, "Name one of them.")
    if known is not None and known.comparisons == len(rows):
        return _Simultaneous(found, rows, (known,))
    own = tuple(_single_step(found.of(response), rows) for response in range(len(found.estimate)))
    return _Simultaneous(found, rows, own)


def _single_step(one: Contrasts, rows: Places) -> Family | None:
    """Return the multivariate t with the correlation of one response's estimates, None where none is known."""
    covariance = one.L[rows] @ one.phi[0] @ one.L[rows].T
    known = np.flatnonzero(~np.isnan(one.estimate[0, rows]) & (np.diag(covariance) > 0))
    return correlated(correlation_of(covariance[np.ix_(known, known)])) if len(known) else None


def family_against(fit: RepeatFit, control: Any) -> Family | None:
    """Return Dunnett's family of a fit against its control fuel, to judge trials that differ by one burn."""
    chosen = _places(fit, ("control", control))
    rows = np.eye(len(fit.labels))[chosen[:, 0]] - np.eye(len(fit.labels))[chosen[:, 1]]
    covariance = rows @ fit.covariance @ rows.T
    unknown = np.isnan(covariance).any() or not (np.diag(covariance) > 0).all()
    return None if unknown else correlated(correlation_of(covariance))
