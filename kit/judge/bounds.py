"""Cut-short burns: the verdicts with bounds as bounds, at face value, and left out, side by side."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from kit.errors import KitError
from kit.variance import RepeatFit

NO_ANSWER = "no answer"

Compare = Callable[[RepeatFit], pd.DataFrame]


def three_answers(fit: RepeatFit, comparisons: pd.DataFrame, compare: Compare) -> pd.DataFrame:
    """Return the three verdicts on each pair that a bound touches (schema.CENSORED without metric).

    Parameters
    ----------
    fit
        A fit with values known only as bounds.
    comparisons
        Its comparisons: 'not settled' where the three disagree.
    compare
        Makes the same comparisons of another fit.
    """
    assert fit.censored is not None
    table = comparisons[["a", "b", "verdict"]]
    keys = list(zip(table["a"], table["b"], strict=True))
    face, left_out = (_verdicts(other, compare) for other in (fit.censored.face_value, fit.censored.left_out))
    bounded = fit.table.loc[fit.table["status"] != "exact", "fuel"].value_counts()
    table = table.assign(
        verdict_face=[face.get(key, NO_ANSWER) for key in keys],
        verdict_left_out=[left_out.get(key, NO_ANSWER) for key in keys],
        bounds=[int(bounded.get(a, 0) + bounded.get(b, 0)) for a, b in keys],
    )
    table["agrees"] = (table["verdict_face"] == table["verdict_left_out"]) & (
        table["verdict"] == table["verdict_face"]
    )
    return table[table["bounds"] > 0].reset_index(drop=True)


def measured_only(fit: RepeatFit) -> RepeatFit:
    """Return the fit of the burns measured exactly, or the fit itself where all were or nothing else can be had."""
    return (fit.censored and fit.censored.left_out) or fit


def _verdicts(fit: RepeatFit | None, compare: Compare) -> dict[tuple[str, str], str]:
    if fit is None:
        return {}
    try:
        found = compare(fit)
    except KitError:
        return {}
    return dict(zip(zip(found["a"], found["b"], strict=True), found["verdict"], strict=True))
