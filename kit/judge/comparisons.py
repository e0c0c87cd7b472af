"""Means of fuels, their differences with limits and verdicts, which can be the best, their order; kinds too."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain, combinations
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import special

from kit import schema
from kit.errors import KitError, did_you_mean
from kit.judge.question import MOST_FUELS, Multiplicity, Pairs, Question, refused
from kit.judge.verdicts import OPEN, verdicts_of
from kit.schema import PRODUCT, THESE_BAGS
from kit.variance import RepeatFit, contrasts, fit_repeats
from kit.variance.burn_arrays import Array, Codes, Mask
from kit.variance.censored import imputed
from kit.variance.design import design_of
from kit.variance.families import Family, all_pairs, correlated, correlation_of, holm
from kit.variance.fit import contrasts_of_each
from kit.variance.inference import LEAST_DF, Contrasts, DfMethod, f_test

Margin = float | str | None

TESTED, GENERAL = "the fuels tested", "kinds in general"
FEWEST_FUELS = 3
"""Of each kind, where kinds in general are compared."""
SAME = 6
"""Decimals of a correlation that count."""


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
    [[260.0, 242.0, 277.0]]
    """
    found = contrasts(fit, fit.design.mean_rows(), df, level)
    low, high = found.limits(level)
    if fit.censored is not None and fit.columns.side is not None:
        for code in fit.censored.bounded:
            own = fit.design.mean_of == code
            side, bound = fit.columns.side[own], fit.columns.values[0, own].mean()
            low[0, code] = bound if (side > 0).all() else -np.inf
            high[0, code] = bound if (side < 0).all() else np.inf
    mean, low, high = (back(fit, part) for part in (found.estimate, low, high))
    burns, bags = fit.counts
    labels = {"fuel": fit.labels, "n": burns, "bags": bags}
    numbers = {"mean": mean, "se": found.se, "df": found.df, "low": low, "high": high}
    constants = {"scale": fit.scale, "method": found.method, "level": level}
    return fit.framed(labels, numbers, constants, schema.names("means"))


def back(fit: RepeatFit, values: Array) -> Array:
    """Return values of the analysis scale on the metric's own; limits beyond all numbers are infinite."""
    if fit.scale != "log":
        return values
    with np.errstate(over="ignore"):
        return np.exp(values)


def number_of(fit: RepeatFit) -> str:
    """Return what a difference on the analysis scale is on the metric's own."""
    return "ratio" if fit.scale == "log" else "difference"


def compare_fuels(
    fit: RepeatFit,
    pairs: Pairs = "all",
    multiplicity: Multiplicity | None = None,
    margin: Margin = None,
    df: DfMethod = "best",
    level: float = 0.95,
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
    return Differences.of(fit, [pairs], df, level).compared(pairs, asked, margin)


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
    places: Codes
    found: Contrasts
    level: float

    @classmethod
    def of(
        cls, fit: RepeatFit, asked: Sequence[Pairs], df: DfMethod = "best", level: float = 0.95
    ) -> Differences:
        """Return the differences that these families ask for."""
        return cls.of_each([(fit, asked)], df, level)[0]

    @classmethod
    def of_each(
        cls, asked: Sequence[tuple[RepeatFit, Sequence[Pairs]]], df: DfMethod = "best", level: float = 0.95
    ) -> list[Differences]:
        """Return the differences that the families of each of several fits ask for."""
        rows = []
        for fit, families in asked:
            if len(fit.labels) < 2:
                raise refused("one_fuel", fuel=fit.labels[0], remedy="There is nothing to compare.")
            places = np.unique(np.concatenate([places_of(fit.labels, pairs) for pairs in families]), axis=0)
            (a, b), means = places.T, fit.design.mean_rows()
            rows.append((fit, places, means[a] - means[b]))
        found = contrasts_of_each([(fit, L) for fit, _, L in rows], df, level)
        return [cls(fit, places, each, level) for (fit, places, _), each in zip(rows, found, strict=True)]

    def family_against(self, pairs: Pairs) -> Family | None:
        """Return Dunnett's family of ('control', id), to judge trials that differ by one burn; None of other pairs."""
        if not isinstance(pairs, tuple):
            return None
        L = self.found.L[self._rows(places_of(self.fit.labels, pairs))]
        covariance = L @ self.found.phi[0] @ L.T
        return correlated(correlation_of(covariance)) if (np.diag(covariance) > 0).all() else None

    def _rows(self, asked: Codes) -> Codes:
        """Return where some pairs of means (pairs, 2) stand among the differences."""
        known = {pair: row for row, pair in enumerate(map(tuple, self.places.tolist()))}
        return np.array([known[one, other] for one, other in asked.tolist()])

    def compared(
        self, pairs: Pairs, multiplicity: Multiplicity, margin: Margin = None, family: Family | None = None
    ) -> pd.DataFrame:
        """Return a row a pair of one family: arguments and columns are those of `compare_fuels`.

        Parameters
        ----------
        family
            Dunnett's where it is known already: trials that differ by one burn share it to plotting accuracy.
        """
        fit, found, level, smallest = self.fit, self.found, self.level, _margin(margin, self.fit.scale)
        asked = places_of(fit.labels, pairs)
        rows, (a, b) = self._rows(asked), asked.T
        family = all_pairs(len(fit.labels)) if multiplicity == "tukey" else family
        D, E, p_adjusted = simultaneous(found, rows, multiplicity, level, family)
        # no number compares means of bounds alone, or with a burn that never reached the threshold
        hidden = np.array([label in fit.columns.never for label in fit.labels])
        if fit.censored is not None:
            hidden[list(fit.censored.bounded)] = True
        apart, withheld = apart_of(fit)[a, b], hidden[asked].any(axis=1)
        words, larger = verdicts_of(D, E, smallest, apart)
        words, larger = np.where(withheld & ~apart, OPEN, words), np.where(withheld, "", larger)
        equivalent = np.full_like(found.estimate, np.nan)
        if smallest is not None:
            equivalent = np.maximum(found.upper_p(-smallest), found.lower_p(smallest))  # Schuirmann 1987
        alone = np.stack(found.limits(level))[..., rows]
        numbers = {
            number_of(fit): back(fit, found.estimate[:, rows]), "se": found.se[:, rows], "df": found.df[:, rows],
            "p": found.p()[:, rows], "p_adjusted": p_adjusted, "p_equivalent": equivalent[:, rows],
        }  # fmt: skip
        for name, limits in {"": D, "_equivalence": E, "_alone": alone}.items():
            numbers[f"low{name}"], numbers[f"high{name}"] = back(fit, limits)
        numbers = {name: np.where(apart | withheld, np.nan, values) for name, values in numbers.items()}
        burns, bags = fit.counts
        labels = {
            "a": [fit.labels[i] for i in a], "b": [fit.labels[i] for i in b],
            "n_a": burns[a], "n_b": burns[b], "bags_a": bags[a], "bags_b": bags[b],
            "verdict": words.ravel().tolist(), "direction": larger.ravel().tolist(),
        }  # fmt: skip
        constants = {
            "margin": np.nan if smallest is None else smallest, "multiplicity": multiplicity,
            "method": found.method, "level": level, "scale": fit.scale, "scope": scope_of(fit),
        }  # fmt: skip
        return fit.framed(labels, numbers, constants, schema.names("comparisons"))


def simultaneous(
    found: Contrasts, rows: Codes, multiplicity: Multiplicity, level: float, family: Family | None = None
) -> tuple[Array, Array, Array]:
    """Return limits (2, responses, rows) of some contrasts at the level and for equivalence, and adjusted p.

    Parameters
    ----------
    family
        That of all rows, where it is known; else Dunnett's is that of the rows, for each response.
    """
    levels = level, 2 * level - 1
    if multiplicity in ("none", "holm"):
        alone, share = found.p()[:, rows], len(rows) if multiplicity == "holm" else 1
        D, E = (np.stack(found.limits(1 - (1 - each) / share))[..., rows] for each in levels)
        return D, E, holm(alone) if share > 1 else alone
    if multiplicity not in ("tukey", "dunnett"):
        raise refused("choice", name="multiplicity", given=multiplicity, known="tukey, dunnett, holm or none")
    if family is not None and (multiplicity == "tukey" or family.comparisons == len(rows)):
        parts = [(found, family)]
    else:
        parts = []
        for one in map(found.of, range(len(found.estimate))):
            L = one.L[rows][~np.isnan(one.estimate[0, rows] + one.se[0, rows])]  # of those that are known
            parts.append((one, correlated(correlation_of(L @ one.phi[0] @ L.T)) if len(L) else all_pairs(2)))
    D, E = (
        np.concatenate([one.family_limits(held, each) for one, held in parts], axis=1)[..., rows]
        for each in levels
    )
    return D, E, np.concatenate([one.family_p(held) for one, held in parts])[:, rows]


def scope_of(fit: RepeatFit) -> str:
    """Return what verdicts are about: 'these bags' where nothing says how far bags differ, else 'the product'.

    A second bag of some fuel says it, or an earlier trial. Bags that nobody noted count as one of each fuel.
    """
    _, bags = fit.counts
    if "bag" in fit.names or fit.columns.bag is None or (bags > 1).any() or fit.borrowed is not None:
        return PRODUCT
    told = fit.beside is not None and "bag" in fit.beside.joint.names and bool(fit.beside.used.any())
    return PRODUCT if told else THESE_BAGS


def apart_of(fit: RepeatFit) -> Mask:
    """Return the pairs (means, means) that day or another block keeps apart.

    One bag of each fuel does not: then verdicts are for these bags, which stand for no others.
    """
    if scope_of(fit) == THESE_BAGS and fit.design.apart.any():
        return design_of(replace(fit.columns, bag=None), "fixed", fit.spread_choice).apart
    return fit.design.apart


def places_of(
    labels: Sequence[Any], pairs: Pairs, known: str = "a fuel of the table", word: str = "id"
) -> Codes:
    """Return the places (pairs, 2) among labels of 'all', ('control', label) or a list of pairs.

    Parameters
    ----------
    known, word
        What a label is, and what it is called, where `pairs` is refused.
    """
    asked: Any = pairs.tolist() if isinstance(pairs, np.ndarray) else pairs
    match asked:
        case "all":
            asked = list(combinations(labels, 2))
        case ("control", control):
            asked = [(label, control) for label in labels if label != control]
        case [*given] if given and all(map(_is_pair, given)):
            asked = given
        case _:
            raise refused("pairs", pairs=pairs, word=word)
    place = {label: code for code, label in enumerate(labels)}
    for label in chain.from_iterable(asked):
        if label not in place:
            nearest = did_you_mean(str(label), map(str, labels))
            raise refused("label", label=label, known=known, remedy=nearest)
    return np.array([(place[a], place[b]) for a, b in asked], dtype=np.int64).reshape(-1, 2)


def _is_pair(value: Any) -> bool:
    is_row = isinstance(value, Sequence | np.ndarray) and not isinstance(value, str)
    return is_row and len(value) == 2 and bool(value[0] != value[1])


def _margin(margin: Margin, scale: str) -> float | None:
    if margin is None:
        return None
    text, is_log = str(margin).strip(), scale == "log"
    try:
        value = math.log1p(float(text[:-1]) / 100) if text.endswith("%") and is_log else float(margin)
    except ValueError:
        value = math.nan
    if not (0 < value < math.inf):
        raise refused("margin", margin=margin, percent=", or a percentage" if is_log else "")
    return value


def fuels_differ(fit: RepeatFit, every: Differences | None = None) -> pd.DataFrame:
    """Return the F test of no difference between any of the means (schema.OVERALL without metric), or no row.

    Parameters
    ----------
    every
        The differences of every pair, where they are known already.

    Notes
    -----
    Kenward & Roger (1997). With values known as bounds the means and their covariance are those of the likelihood
    with bounds, the degrees of freedom those of the same burns with the expected values in their place. That takes the
    variances as known: so p is no smaller than that of the largest difference by Tukey's family.
    """
    known = _ranked(fit)
    if not len(known):
        return pd.DataFrame()
    means = fit.design.mean_rows()[known]
    L = means[1:] - means[0]
    try:
        test = f_test(imputed(fit) if fit.censored is not None else fit, L)
    except (KitError, np.linalg.LinAlgError):
        return pd.DataFrame()
    f, p, method = test.F, test.p, test.method
    if fit.censored is not None:
        difference = L @ np.nan_to_num(fit.estimate.beta[0])
        spread = L @ np.nan_to_num(fit.censored.covariance) @ L.T
        f = test.scaling * float(difference @ np.linalg.solve(spread, difference)) / len(L)
        p = float(special.fdtrc(test.num_df, test.den_df, f))
        method = f"Wald with bounds, degrees of freedom of {test.method}"
        if every or len(fit.labels) <= MOST_FUELS:
            pairs = (every or Differences.of(fit, [list(combinations(fit.labels, 2))])).found
            p = float(np.fmax(p, np.nanmin(pairs.family_p(all_pairs(len(known))))))
            method += ", p at least that of the largest difference"
    return pd.DataFrame([{"f": f, "df1": test.num_df, "df2": test.den_df, "p": p, "method": method}])


def _ranked(fit: RepeatFit) -> Codes:
    """Return the means that are known, where two or more are and days do not part them; else none."""
    known = np.flatnonzero(~np.isnan(fit.estimate.beta[0, : len(fit.labels)]))
    return known if len(known) > 1 and fit.has_spread and not apart_of(fit).any() else known[:0]


def best_fuels(
    fit: RepeatFit,
    better: Literal["more", "less"] = "more",
    level: float = 0.95,
    every: Differences | None = None,
) -> pd.DataFrame:
    """Return for each fuel by how much it differs from the best of the others, and whether it can be the best.

    Parameters
    ----------
    better
        Whether larger ('more') or smaller ('less') values are better.
    level
        Confidence of all statements together.
    every
        The differences of every pair, where they are known already.

    Returns
    -------
    fuel, mean, difference (ratio on the log scale) to the best of the others, low, high, can_be_best, and how it
    was made. A fuel that can be the best has limits on both sides of equality; one that cannot falls short at most by
    the far limit. A fuel of which only bounds are known is not ruled out, and has no limits. No row where the
    fuels cannot be told from days, or nothing was repeated.

    Raises
    ------
    KitError
        With fewer than two means, or another word for `better`.

    Notes
    -----
    Multiple comparisons with the best, constrained (Hsu 1984; 1996, section 4.2): with every fuel in turn as the
    control, one-sided limits by the multivariate t of its differences.

    Examples
    --------
    >>> best_fuels(fit, "more").query("can_be_best")["fuel"].tolist()
    ['alder', 'vine']
    """
    if better not in ("more", "less"):
        raise refused("choice", name="better", given=better, known="more or less")
    if len(fit.labels) < 2:
        raise refused("one_fuel", fuel=fit.labels[0], remedy="There is nothing to be the best of.")
    known = _ranked(fit)
    if not len(known):
        return pd.DataFrame(columns=schema.names("best")[1:])
    sign = 1.0 if better == "more" else -1.0
    # of fuel (row) less fuel (column), and how far a one-sided limit lies above: the row's is the control of its family
    difference, reach = np.zeros((2, len(fit.labels), len(fit.labels)))
    families: dict[bytes, Family] = {}
    method = ""
    for place, label in enumerate(fit.labels):
        differences = every or Differences.of(fit, [("control", label)], level=level)
        found, (a, b) = differences.found, differences.places.T
        rows = np.flatnonzero(((a == place) | (b == place)) & ~np.isnan(found.estimate[0]))
        if not len(rows):
            continue
        rows = rows[np.argsort((a + b)[rows])]
        others, side = (a + b)[rows] - place, np.where(a[rows] == place, 1.0, -1.0)
        L = side[:, None] * found.L[rows]
        correlation = correlation_of(L @ found.phi[0] @ L.T)
        key = np.round(np.sort(correlation, axis=None), SAME).tobytes()
        if key not in families:
            families[key] = correlated(correlation, sides=1)
        t = np.zeros_like(found.df[0])
        t[rows] = sign * side * families[key].critical(level, np.maximum(found.df[0, rows], LEAST_DF))
        difference[place, others] = sign * side * found.estimate[0, rows]
        reach[place, others] = sign * side * (found.at(t) - found.estimate)[0, rows]
        method = found.method
    difference, reach = (each[np.ix_(known, known)] for each in (difference, reach))
    np.fill_diagonal(difference, np.inf)
    high = np.maximum((difference + reach).min(axis=1), 0.0)
    beyond = np.where(high > 0, difference - reach.T, np.inf)  # lower limits against those that can be
    low = np.minimum(beyond.min(axis=1), 0.0)
    ends = (low, high) if better == "more" else (-high, -low)
    numbers = np.full((3, len(fit.labels)), np.nan)
    numbers[:, known] = back(fit, np.stack([sign * difference.min(axis=1), *ends]))
    can = np.ones(len(fit.labels), dtype=np.bool_)
    can[known] = high > 0
    return pd.DataFrame({
        "better": better, "fuel": list(fit.labels), "mean": back(fit, fit.estimate.beta[0, : len(fit.labels)]),
        number_of(fit): numbers[0], "low": numbers[1], "high": numbers[2], "can_be_best": can,
        "multiplicity": "best", "method": method, "level": level, "scale": fit.scale,
    })  # fmt: skip


def ladder(means: pd.DataFrame, pairs: pd.DataFrame) -> pd.DataFrame:
    """Order fuels by their means and bracket those that the simultaneous intervals do not part.

    Two fuels share a bracket exactly where the interval of their difference does not exclude equality.

    Parameters
    ----------
    means
        Rows of ``schema.MEANS`` for one metric.
    pairs
        Rows of ``schema.COMPARISONS`` for every pair of these fuels, with simultaneous limits.

    Returns
    -------
    DataFrame
        place, fuel, mean, low, high, brackets (numbers parted by spaces); largest mean first.

    Notes
    -----
    Brackets are sets of fuels, all joined to one another, that together hold every joined pair. From the top, each pair
    that no bracket holds yet opens one with the farthest such fuel, and every fuel joined to all in it enters. Every
    letter display parts and joins the same fuels (Piepho 2004); the one with all largest sets (Bron & Kerbosch 1973)
    may need more letters than anyone can count, this one never more than pairs. Where means are equally exact,
    brackets are the runs of neighbours of the classical display.
    """
    ordered = means.sort_values(["mean", "fuel"], ascending=[False, True], ignore_index=True)
    place = {fuel: code for code, fuel in enumerate(ordered["fuel"])}
    a, b = (pairs[name].map(place).to_numpy() for name in ("a", "b"))
    equal = np.where(pairs["scale"] == "log", 1.0, 0.0)
    joined = np.zeros((len(place), len(place)), dtype=np.bool_)
    joined[a, b] = joined[b, a] = ~(pairs["low"].gt(equal) | pairs["high"].lt(equal))
    open_pairs, numbers, count = np.triu(joined, 1), [""] * len(joined), 0
    for top in range(len(joined)):
        while open_pairs[top].any():
            group = [top, int(np.flatnonzero(open_pairs[top])[-1])]
            for row in range(len(joined)):
                if row not in group and joined[row, group].all():
                    group.append(row)
            open_pairs[np.ix_(group, group)] = False
            count += 1
            for row in group:
                numbers[row] = f"{numbers[row]} {count}".lstrip()
    table = ordered.assign(place=range(1, len(ordered) + 1), brackets=numbers)
    return table[["place", "fuel", "mean", "low", "high", "brackets"]]


def kinds_compared(fit: RepeatFit, question: Question) -> pd.DataFrame:
    """Compare kinds (schema.KINDS without metric and unit): the averages of the fuels tested, and kinds in general.

    Of one bag each, fuels of a kind are told from those of another only as a sample of it. Kinds in general, whose
    fuels are a random sample of them, are compared where every fuel has a kind, and each kind fuels enough.
    """
    kinds = [question.kind_of.get(str(label), "") for label in fit.labels]
    places = {kind: np.flatnonzero(np.array(kinds) == kind) for kind in dict.fromkeys(kinds) if kind}
    if len(places) < 2:
        return pd.DataFrame()
    tables = []
    if scope_of(fit) == PRODUCT:
        averages = [fit.design.mean_rows()[own].mean(axis=0) for own in places.values()]
        observed = [fit.estimate.beta[0, own] for own in places.values()]
        freedom = sum(len(own) - 1 for own in observed)
        squares = sum(float(((own - own.mean()) ** 2).sum()) for own in observed)
        within = math.sqrt(squares / freedom) if freedom else math.nan  # pooled over kinds
        tables.append(_compared(fit, np.array(averages), places, question, (TESTED, within)))
    measured = set(fit.table.loc[fit.table["status"] == "exact", "fuel"])
    # a fuel of bounds alone tells no spread of its kind
    if min(map(len, places.values())) >= FEWEST_FUELS and "" not in kinds and len(measured) == len(kinds):
        roles = question.roles(fit.table) | {"kind": "kind", "fuel_effect": "random", "spread": "common"}
        general = fit_repeats(fit.table, scale=fit.scale, status="status", **roles)
        own = {str(label): places[str(label)] for label in general.labels}
        within = float(np.sqrt(dict(zip(general.names, general.variances[0], strict=True)).get("fuel", 0.0)))
        tables.append(_compared(general, general.design.mean_rows(), own, question, (GENERAL, within)))
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()


def _compared(
    fit: RepeatFit, means: Array, fuels: Mapping[str, Codes], question: Question, scope: tuple[str, float]
) -> pd.DataFrame:
    """Compare kinds, whose means are rows (kinds, p); `scope` names them, with the spread of fuels within one."""
    kinds, level = np.array(list(fuels), dtype=object), question.level
    sizes, (a, b) = np.array(list(map(len, fuels.values()))), np.triu_indices(len(kinds), 1)
    found = contrasts(fit, means[a] - means[b], level=level)
    D, E, _ = simultaneous(found, np.arange(len(a)), "dunnett", level)
    words, _ = verdicts_of(D[:, 0], E[:, 0], question.margin)
    low, high = back(fit, D[:, 0])
    return pd.DataFrame({
        "a": kinds[a], "b": kinds[b], "scope": scope[0], number_of(fit): back(fit, found.estimate[0]),
        "se": found.se[0], "df": found.df[0], "low": low, "high": high, "p": found.p()[0], "verdict": words.tolist(),
        "spread_within": scope[1], "fuels_a": sizes[a], "fuels_b": sizes[b], "scale": fit.scale, "level": level,
    })  # fmt: skip
