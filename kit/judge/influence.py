"""Does a verdict hang on one burn, one bag, one day: each left out in turn."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.errors import KitError

Answer = dict[tuple[str, str], tuple[str, str, float, float, float]]
"""Of each pair: the verdict, its direction, the estimate and its limits."""

LEVELS = ("burn", "bag", "day")
NO_ANSWER = "no answer"
OPEN = ("not settled", "no repeats", "cannot be separated", NO_ANSWER)
MOST_REFITS = 400
"""In a trial of which more than so many things can be left out no verdict hangs on one of them."""
COLUMNS = (
    "a", "b", "level_left_out", "left_out", "verdict", "verdict_without", "estimate", "low", "high", "changes",
    "matters",
)  # fmt: skip


def influence(
    comparisons: pd.DataFrame, rows: pd.DataFrame, compare: Callable[[pd.DataFrame], pd.DataFrame]
) -> pd.DataFrame:
    """Make every comparison again with each burn, bag and day left out (schema.INFLUENCE without metric).

    Every refit is a full one, judged as all burns were: limits of a cheaper method are up to a fifth off in trials
    of this size, and a verdict near a limit is just the one that may hang on one burn. Bags and days of a single burn
    are that burn, whose answer is taken.

    Parameters
    ----------
    comparisons
        As made from all burns: a, b, verdict, direction. Their verdicts are the ones that may change.
    rows
        The burns: burn, fuel, bag, day and what the model needs.
    compare
        Makes the same comparisons from other rows, of the pairs that are left.

    Returns
    -------
    DataFrame
        `changes`: the verdict reads otherwise; `matters`: what it claims, a difference in its direction or that there
        is none, is no longer claimed.
    """
    before = {(row.a, row.b): (row.verdict, row.direction) for row in comparisons.itertuples(index=False)}
    known: dict[bytes, Answer] = {}
    records = []
    left_out = list(_left_out(rows)) if before else []
    for level, label, out in left_out if len(left_out) <= MOST_REFITS else ():
        same = out.tobytes()
        if same not in known:
            known[same] = _answer(compare, rows[~out])
        after = known[same]
        for key, (verdict, direction) in before.items():
            without, side, *numbers = after.get(key, (NO_ANSWER, "", np.nan, np.nan, np.nan))
            changes = (verdict, direction) != (without, side)
            matters = verdict not in OPEN and (without in OPEN or side != direction)
            records.append((*key, level, label, verdict, without, *numbers, changes, matters))
    return pd.DataFrame(records, columns=list(COLUMNS))


def _keys(table: pd.DataFrame) -> list[tuple[str, str]]:
    return list(zip(table["a"], table["b"], strict=True))


def _left_out(rows: pd.DataFrame) -> Iterator[tuple[str, str, npt.NDArray[np.bool_]]]:
    for level in LEVELS:
        keys = rows[["fuel", "bag"]].agg(" / ".join, axis=1) if level == "bag" else rows[level]
        named = list(dict.fromkeys(keys[rows[level] != ""]))
        if len(named) > 1:
            values, whole = keys.to_numpy(), rows["fuel"].value_counts()
            for key in named:
                out = np.asarray(values == key)
                only = level == "bag" and whole[rows.loc[out, "fuel"].iloc[0]] == out.sum()
                if not only:  # without the only bag of a fuel there is no such fuel
                    yield level, str(key), out


def _answer(compare: Callable[[pd.DataFrame], pd.DataFrame], rows: pd.DataFrame) -> Answer:
    try:
        table = compare(rows)
    except KitError:
        return {}
    number = "ratio" if "ratio" in table else "difference"
    columns = (table[name].tolist() for name in ("verdict", "direction", number, "low", "high"))
    return dict(zip(_keys(table), zip(*columns, strict=True), strict=True))
