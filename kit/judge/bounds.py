"""Cut-short burns: the answer with bounds as bounds, at face value, and left out."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from kit.errors import KitError

UNSETTLED = "not settled"
NO_ANSWER = "no answer"


def three_answers(
    comparisons: pd.DataFrame, rows: pd.DataFrame, compare: Callable[[pd.DataFrame], pd.DataFrame]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Hold the verdicts against those with bounds taken at face value and with those burns left out.

    Where the three disagree the verdict becomes 'not settled' (STATISTICS section 9).

    Parameters
    ----------
    comparisons
        The comparisons made with bounds as bounds.
    rows
        The burns they were made from: fuel, value, status and the model's columns.
    compare
        Makes the same comparisons from other rows.

    Returns
    -------
    comparisons, table
        The comparisons with their verdicts mended, and a, b, verdict, verdict_face, verdict_left_out, agrees, bounds.
    """
    bounded = rows["status"] != "exact"
    face = _verdicts(compare, rows.assign(status="exact"))
    left_out = _verdicts(compare, rows[~bounded])
    table = comparisons[["a", "b", "verdict"]].copy()
    keys = list(zip(table["a"], table["b"], strict=True))
    table["verdict_face"] = [face.get(key, NO_ANSWER) for key in keys]
    table["verdict_left_out"] = [left_out.get(key, NO_ANSWER) for key in keys]
    table["agrees"] = (table["verdict"] == table["verdict_face"]) & (
        table["verdict"] == table["verdict_left_out"]
    )
    counts = rows.loc[bounded, "fuel"].value_counts()
    table["bounds"] = [int(counts.get(a, 0) + counts.get(b, 0)) for a, b in keys]
    open_question = ~table["agrees"].to_numpy() & (table["bounds"].to_numpy() > 0)
    mended = comparisons.copy()
    mended.loc[open_question, "verdict"] = UNSETTLED
    mended.loc[open_question, "direction"] = ""
    return mended, table[table["bounds"] > 0].reset_index(drop=True)


def _verdicts(
    compare: Callable[[pd.DataFrame], pd.DataFrame], rows: pd.DataFrame
) -> dict[tuple[str, str], str]:
    try:
        found = compare(rows)
    except KitError:
        return {}
    return dict(zip(zip(found["a"], found["b"], strict=True), found["verdict"], strict=True))
