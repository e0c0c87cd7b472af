"""Cut-short burns: the verdicts with bounds as bounds, and beside them what leaving those burns out would say."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from kit.errors import KitError
from kit.variance import RepeatFit

NO_ANSWER = "no answer"

Compare = Callable[[RepeatFit], pd.DataFrame]


def left_out_beside(fit: RepeatFit, comparisons: pd.DataFrame, compare: Compare) -> pd.DataFrame:
    """Return, for each pair that a bound touches, the verdict and that without those burns (schema.CENSORED).

    Parameters
    ----------
    fit
        A fit with values known only as bounds.
    comparisons
        Its comparisons, which alone give the verdict.
    compare
        Makes the same comparisons of another fit.
    """
    assert fit.censored is not None
    bounded = fit.table.loc[fit.table["status"] != "exact", "fuel"].value_counts()
    table = comparisons[["a", "b", "verdict"]].copy()
    table["bounds"] = [int(bounded.get(a, 0) + bounded.get(b, 0)) for a, b in _keys(table)]
    table = table[table["bounds"] > 0].reset_index(drop=True)
    left_out = _verdicts(fit.left_out, compare)
    table["verdict_left_out"] = [left_out.get(key, NO_ANSWER) for key in _keys(table)]
    table["agrees"] = table["verdict"] == table["verdict_left_out"]
    return table


def measured_only(fit: RepeatFit) -> RepeatFit:
    """Return the fit of the burns measured exactly, or the fit itself where all were or nothing else can be had."""
    return fit.left_out or fit


def _keys(table: pd.DataFrame) -> list[tuple[str, str]]:
    return list(zip(table["a"], table["b"], strict=True))


def _verdicts(fit: RepeatFit | None, compare: Compare) -> dict[tuple[str, str], str]:
    if fit is None:
        return {}
    try:
        found = compare(fit)
    except KitError:
        return {}
    return dict(zip(_keys(found), found["verdict"], strict=True))
