"""Kinds against kinds: for the fuels tested, and for kinds in general where enough fuels were tested."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from kit.judge.comparisons import back, number_of, scope_of, simultaneous
from kit.judge.question import Question
from kit.judge.verdicts import verdict_of
from kit.schema import PRODUCT
from kit.variance import RepeatFit, contrasts, fit_repeats
from kit.variance.burn_arrays import Array

TESTED = "the fuels tested"
GENERAL = "kinds in general"
FEWEST_FUELS = 3


def kinds_compared(fit: RepeatFit, question: Question) -> pd.DataFrame:
    """Compare kinds (schema.KINDS without metric and unit): the averages of the fuels tested, and kinds in general.

    Of one bag each, fuels of a kind are told from those of another only as a sample of it. Kinds in general, whose
    fuels are a random sample of them, are compared where every fuel has a kind, and each kind fuels enough.
    """
    fuels = [str(label) for label in fit.labels]
    places: dict[str, list[int]] = {}
    for place, fuel in enumerate(fuels):
        if question.kind_of.get(fuel):
            places.setdefault(question.kind_of[fuel], []).append(place)
    if len(places) < 2:
        return pd.DataFrame()
    counts = {kind: len(own) for kind, own in places.items()}
    tables = []
    if scope_of(fit) == PRODUCT:
        means = fit.design.mean_rows()
        averages = np.array([means[own].mean(axis=0) for own in places.values()])
        between = _spread_between(fit, list(places.values()))
        tables.append(_compared(fit, averages, counts, (TESTED, between), question))
    if min(counts.values()) >= FEWEST_FUELS and sum(counts.values()) == len(fuels):
        roles = question.roles(fit.table) | {"kind": "kind", "fuel_effect": "random", "spread": "common"}
        general = fit_repeats(fit.table, scale=fit.scale, status="status", **roles)
        named = {str(label): counts[str(label)] for label in general.labels}
        variances = dict(zip(general.names, general.variances[0], strict=True))
        spread = float(np.sqrt(variances.get("fuel", 0.0)))
        tables.append(_compared(general, general.design.mean_rows(), named, (GENERAL, spread), question))
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()


def _spread_between(fit: RepeatFit, groups: list[list[int]]) -> float:
    """Return the SD between the means of fuels of one kind, pooled over kinds, as they were observed."""
    means = fit.estimate.beta[0]
    squares = sum(float(((means[group] - means[group].mean()) ** 2).sum()) for group in groups)
    freedom = sum(len(group) - 1 for group in groups)
    return float(np.sqrt(squares / freedom)) if freedom else float("nan")


def _compared(
    fit: RepeatFit, means: Array, fuels: Mapping[str, int], scope: tuple[str, float], question: Question
) -> pd.DataFrame:
    """Compare kinds, whose means are rows (kinds, p); `scope` names them, with the spread of fuels within one."""
    kinds, level = list(fuels), question.level
    a, b = np.triu_indices(len(kinds), 1)
    found = contrasts(fit, means[a] - means[b], level=level)
    D, E, _ = simultaneous(found, np.arange(len(a)), "dunnett", level)
    limits = zip(*np.concatenate([D, E])[:, 0].tolist(), strict=True)
    margin = question.margin
    return pd.DataFrame({
        "a": [kinds[k] for k in a], "b": [kinds[k] for k in b], "scope": scope[0],
        number_of(fit): back(fit, found.estimate[0]), "se": found.se[0], "df": found.df[0],
        "low": back(fit, D[0, 0]), "high": back(fit, D[1, 0]), "p": found.p()[0],
        "verdict": [verdict_of(low, high, margin, (e, f)).verdict for low, high, e, f in limits],
        "spread_within": scope[1], "fuels_a": [fuels[kinds[k]] for k in a], "fuels_b": [fuels[kinds[k]] for k in b],
        "scale": fit.scale, "level": level,
    })  # fmt: skip
