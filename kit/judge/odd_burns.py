"""Burns that do not fit the others, and what was recorded beside them: what to look into, never a reason to delete."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from kit.errors import KitError
from kit.judge.conditions import conditions_apart
from kit.judge.question import Question
from kit.variance import RepeatFit, contrasts, fit_repeats

APART = "held apart"


def odd_burns(fit: RepeatFit, question: Question) -> pd.DataFrame:
    """Hold each burn against what the others lead to expect (schema.ODD_BURNS without metric and unit).

    The burn gets a parameter of its own, so that means, bags, days and spread come from the other burns alone; its
    estimate over its standard error is the studentised leave-one-out residual (Cook & Weisberg 1982, 2.2.1).

    Parameters
    ----------
    fit
        The model of one metric.
    question
        How the metric is judged; p is multiplied by burns times primary metrics (Bonferroni).

    Returns
    -------
    DataFrame
        A row a burn whose value is exact, in the order of the table; residual and p are blank where the others say
        nothing of it.
    """
    rows = fit.table
    exact = rows[rows["status"] == "exact"]
    records = [_held_apart(rows, place, fit, question) for place in exact.index]
    table = pd.DataFrame(records, columns=["expected", "residual", "p"])
    adjusted = np.minimum(1.0, table["p"] * len(exact) * question.primaries)
    odd = adjusted < 1 - question.level
    words = [
        conditions_apart(rows, burn) if is_odd else ""
        for burn, is_odd in zip(exact["burn"], odd, strict=True)
    ]
    lead = exact[["burn", "fuel", "value"]].reset_index(drop=True)
    return lead.join(table).assign(p=adjusted, odd=odd, conditions=words)


def _held_apart(
    rows: pd.DataFrame, place: object, fit: RepeatFit, question: Question
) -> tuple[float, float, float]:
    nothing = (float("nan"),) * 3
    marked = rows.assign(**{APART: (rows.index == place).astype(float)})
    if (rows["fuel"] == rows.at[place, "fuel"]).sum() < 2:
        return nothing
    try:
        again = fit_repeats(
            marked,
            scale=fit.scale,
            status="status",
            **replace(question, covariates=(*question.covariates, APART)).roles(marked),
        )
    except KitError:
        return nothing
    L = np.zeros((1, again.design.p))
    L[0, again.design.columns.index(APART)] = 1.0
    found = contrasts(again, L, "kenward-roger", question.level)
    shift, se = float(found.estimate[0, 0]), float(found.se[0, 0])
    value = float(rows.at[place, "value"])
    expected = value * np.exp(-shift) if fit.scale == "log" else value - shift
    return float(expected), shift / se, float(found.p()[0, 0])
