"""All that is said of one metric: the model that was fitted, and every table made from it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from kit.errors import KitError
from kit.judge.best import best_fuels, fuels_differ
from kit.judge.bounds import left_out_beside, measured_only
from kit.judge.comparisons import (
    Differences,
    Multiplicity,
    Pairs,
    family_against,
    pairs_of,
    scope_of,
)
from kit.judge.earlier_trials import prior_table
from kit.judge.further import further
from kit.judge.influence import influence
from kit.judge.kinds import FEWEST_FUELS, kinds_in_general, kinds_tested
from kit.judge.ladder import ladder
from kit.judge.means import fuel_means
from kit.judge.next_bag import chances, next_bag
from kit.judge.odd_burns import odd_burns
from kit.judge.question import MOST_FUELS, Question
from kit.judge.verdicts import verdict_of
from kit.schema import PRODUCT, THESE_BAGS, Metric, Scale
from kit.variance import RepeatFit, fit_repeats
from kit.variance.bootstrap import variance_shares
from kit.variance.families import Family
from kit.variance.fit import joined as joined_with
from kit.variance.sd_limits import component_limits
from kit.variance.second_opinion import second_opinion
from kit.variance.self_check import self_check

Tables = dict[str, pd.DataFrame]


@dataclass(frozen=True)
class Judged:
    """One metric of a trial, judged.

    Attributes
    ----------
    metric
        What was measured.
    fit
        The fitted model; None where the burns support none.
    why_not
        Why there is no fit, or '' where there is one.
    tables
        By the names that `kit.analysis.Analysis` has for them, with the column metric.
    """

    metric: Metric
    fit: RepeatFit | None
    why_not: str
    tables: Tables


def judge_metric(rows: pd.DataFrame, spec: Metric, question: Question) -> Judged:
    """Fit the model of one metric and make every table from it.

    Parameters
    ----------
    rows
        The burns that count: burn, fuel, bag, day, value, status, and the covariates by name.
    spec
        The metric.
    question
        What is asked of it.
    """
    counted, why_not = question.countable(rows)
    if why_not:
        return Judged(spec, None, why_not, {})
    try:
        fit = fit_metric(counted, spec, question)
    except KitError as error:
        return Judged(spec, None, " ".join(problem.found for problem in error.problems), {})
    family = question_family(fit, question)
    tables = _of_every_metric(fit, family, question) | _compared(fit, family, spec, question)
    if question.primary and fit.has_spread:
        tables |= _of_a_primary_metric(fit, family, tables, question)
    return Judged(
        spec, fit, "", {name: _labelled(table, spec) for name, table in tables.items() if len(table)}
    )


def fit_metric(rows: pd.DataFrame, spec: Metric, question: Question) -> RepeatFit:
    """Fit the variance model as the trial declared it.

    Raises
    ------
    KitError
        Where the burns cannot answer.
    """
    return _fitted(rows, spec.scale, question)


def _fitted(rows: pd.DataFrame, scale: Scale, question: Question) -> RepeatFit:
    """Fit burns with the earlier trials beside them, where something was repeated here."""
    fit = fit_repeats(rows, scale=scale, status="status", **question.roles(rows))
    return joined_with(fit, question.earlier) if question.earlier and fit.design.nu > 0 else fit


def question_family(fit: RepeatFit, question: Question) -> Family | None:
    """Return Dunnett's family where the trial has a control fuel among these, to be made once for all refits."""
    declared, _ = question.family(fit.labels)
    control = question.control_in(fit.labels)
    return family_against(fit, control) if control and declared == ("control", control) else None


def compare(
    fit: RepeatFit, question: Question, family: Family | None = None, differences: Differences | None = None
) -> pd.DataFrame:
    """Compare the fuels in the family the trial declared."""
    declared, multiplicity = _declared(fit, question)
    known = differences or Differences.of(fit, [declared], level=question.level)
    return known.compared(declared, multiplicity, question.margin, family)


def _declared(fit: RepeatFit, question: Question) -> tuple[Pairs, Multiplicity]:
    means = np.nan_to_num(fit.estimate.beta[0, : len(fit.labels)], nan=-np.inf)
    best = fit.labels[int(np.argmin(means) if question.better == "less" else np.argmax(means))]
    return question.family(fit.labels, best)


def _of_every_metric(fit: RepeatFit, family: Family | None, question: Question) -> Tables:
    tables = {"means": fuel_means(fit, level=question.level)}
    if fit.has_spread:
        tables["components"] = component_limits(fit, level=question.level)
        if scope_of(fit) == PRODUCT:
            tables["next_bag"] = next_bag(fit, question.level)
    return tables


def _compared(fit: RepeatFit, family: Family | None, spec: Metric, question: Question) -> Tables:
    """Return what is made of the differences of fuels: each is computed once, whatever families it is in."""
    declared, multiplicity = _declared(fit, question)
    asked_about = fit.has_spread and (question.primary or question.margin is not None)
    others = _others(fit, declared) if asked_about else []
    differences = Differences.of(fit, [declared, *([others] if others else [])], level=question.level)
    comparisons = differences.compared(declared, multiplicity, question.margin, family)
    tables = {"comparisons": comparisons}
    if fit.censored is not None:
        tables["censored"] = left_out_beside(fit, comparisons, lambda other: compare(other, question, family))
    if not asked_about:
        return tables
    every = [comparisons, *([differences.compared(others, "tukey", question.margin)] if others else [])]
    tables |= {
        "pairs": pd.concat(every, ignore_index=True),
        "prior": prior_table(fit, question.unused),
        "comparisons_alone": compare(fit.alone, question) if fit.earlier else comparisons.iloc[:0],
        "overall": fuels_differ(fit),
        "odd_burns": odd_burns(measured_only(fit), question),
    }
    if spec.better:
        every_pair = differences if len(fit.labels) <= MOST_FUELS else None
        tables["best"] = best_fuels(fit, spec.better, question.level, every=every_pair)
    return tables


def _others(fit: RepeatFit, declared: Pairs) -> list[tuple[Any, Any]]:
    """Return the pairs outside the declared family, none among very many fuels: each has one verdict."""
    if len(fit.labels) > MOST_FUELS:
        return []
    known = {frozenset(pair) for pair in pairs_of(fit, declared)}
    return [pair for pair in combinations(fit.labels, 2) if frozenset(pair) not in known]


def _of_a_primary_metric(fit: RepeatFit, family: Family | None, tables: Tables, question: Question) -> Tables:
    plain, of_product = measured_only(fit), scope_of(fit) == PRODUCT
    plain_family = family if plain is fit else question_family(plain, question)
    pairs = tables["pairs"]
    makers: dict[str, Callable[[], pd.DataFrame]] = {
        "shares": lambda: variance_shares(fit, question.level, question.seed),
        "kinds": lambda: _kinds(fit, question),
        "second_opinion": lambda: second_opinion(fit),
    }
    if len(fit.labels) <= MOST_FUELS:
        makers |= {
            "influence": lambda: _influence(fit, family, pairs, question),
            "ladder": lambda: ladder(tables["means"].assign(unit=""), pairs),
            "chances": lambda: chances(plain, question.level, question.seed),
            "further": lambda: (
                further(plain, pairs, question, plain_family) if of_product else pairs.iloc[:0]
            ),
            "self_check": lambda: self_check(
                fit, question.seed, margin=question.margin, level=question.level, verdict=verdict_of
            ),
        }
    return {name: table for name, make in makers.items() if len(table := make())}


def _influence(
    fit: RepeatFit, family: Family | None, pairs: pd.DataFrame, question: Question
) -> pd.DataFrame:
    """Judge all pairs again with each burn, bag and day left out, bounds as bounds, each pair in its own family.

    Where day goes along with fuel there is no verdict that could hang on anything.
    """
    pairs = pairs[pairs["verdict"] != "cannot be separated"]
    asked = {
        multiplicity: list(zip(own["a"], own["b"], strict=True))
        for multiplicity, own in pairs.groupby("multiplicity", sort=False)
    }

    def again(rows: pd.DataFrame) -> pd.DataFrame:
        refit = _fitted(rows, fit.scale, question)
        left = {name: [pair for pair in own if set(pair) <= set(refit.labels)] for name, own in asked.items()}
        left = {name: own for name, own in left.items() if own}
        if not left:
            return pairs.iloc[:0]
        differences = Differences.of(refit, list(left.values()), level=question.level)
        return pd.concat(
            [differences.compared(own, name, question.margin, family) for name, own in left.items()]
        )

    return influence(pairs, fit.table, again)


def _kinds(fit: RepeatFit, question: Question) -> pd.DataFrame:
    fuels = [fuel for fuel in map(str, fit.labels) if question.kind_of.get(fuel)]
    counts = pd.Series([question.kind_of[fuel] for fuel in fuels], dtype=object).value_counts()
    if len(counts) < 2:
        return pd.DataFrame()
    known = {str(kind): int(count) for kind, count in counts.items()}
    tested = kinds_tested(fit, question.kind_of, question.margin, question.level)
    if scope_of(fit) == THESE_BAGS:
        tested = tested.iloc[
            :0
        ]  # of one bag each, a kind's fuels are told from another's only as a sample of it
    if counts.min() < FEWEST_FUELS or len(fuels) < len(fit.labels):
        return tested
    roles = question.roles(fit.table) | {"kind": "kind", "fuel_effect": "random", "spread": "common"}
    general = fit_repeats(fit.table, scale=fit.scale, status="status", **roles)
    in_general = kinds_in_general(general, known, question.margin, question.level)
    return pd.concat([each for each in (tested, in_general) if len(each)], ignore_index=True)


def _labelled(table: pd.DataFrame, spec: Metric) -> pd.DataFrame:
    """Put the metric's id first and its unit into the table."""
    labelled = table.copy()
    labelled.insert(0, "metric", spec.id)
    if {"sd", "component"} <= set(table.columns):
        return labelled.assign(unit="ln" if spec.scale == "log" else spec.unit)
    if (
        {"low", "high"} <= set(table.columns) and not {"share", "chance"} & set(table.columns)
    ) or "odd" in table:
        return labelled.assign(unit=spec.unit)
    return labelled


def joined(parts: Mapping[str, Judged], name: str, columns: list[str]) -> pd.DataFrame:
    """Return the tables of one name of all metrics as one, with the columns of its specification."""
    tables = [judged.tables[name] for judged in parts.values() if name in judged.tables]
    if not tables:
        return pd.DataFrame({column: pd.Series(dtype=object) for column in columns})
    return pd.concat(tables, ignore_index=True).reindex(columns=columns)
