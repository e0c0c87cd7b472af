"""Does a verdict hang on one burn, one bag, one day: each left out in turn."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd

from kit.errors import KitError

LEVELS = ("burn", "bag", "day")
NO_ANSWER = "no answer"


def influence(
    comparisons: pd.DataFrame, rows: pd.DataFrame, compare: Callable[[pd.DataFrame], pd.DataFrame]
) -> pd.DataFrame:
    """Make every comparison again with each burn, bag and day left out (schema.INFLUENCE without metric).

    Parameters
    ----------
    comparisons
        As made from all burns: a, b, verdict.
    rows
        The burns: burn, fuel, bag, day and what the model needs.
    compare
        Makes the comparisons from other rows.
    """
    parts = [
        _beside(comparisons, _answer(compare, rows[~out]), level, label)
        for level, label, out in _left_out(rows)
    ]
    columns = [
        "a",
        "b",
        "level_left_out",
        "left_out",
        "verdict",
        "verdict_without",
        "estimate",
        "low",
        "high",
        "changes",
    ]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def _left_out(rows: pd.DataFrame) -> Iterator[tuple[str, str, np.ndarray]]:
    for level in LEVELS:
        keys = rows[["fuel", "bag"]].agg(" / ".join, axis=1) if level == "bag" else rows[level]
        named = list(dict.fromkeys(keys[rows[level] != ""]))
        if len(named) > 1:
            yield from ((level, str(key), (keys == key).to_numpy()) for key in named)


def _answer(compare: Callable[[pd.DataFrame], pd.DataFrame], rows: pd.DataFrame) -> pd.DataFrame:
    try:
        return compare(rows)
    except KitError:
        return pd.DataFrame(columns=["a", "b", "verdict", "difference", "low", "high"])


def _beside(comparisons: pd.DataFrame, answer: pd.DataFrame, level: str, label: str) -> pd.DataFrame:
    number = "ratio" if "ratio" in answer else "difference"
    kept = answer[["a", "b", "verdict", number, "low", "high"]]
    kept = kept.rename(columns={"verdict": "verdict_without", number: "estimate"})
    both = comparisons[["a", "b", "verdict"]].merge(kept, on=["a", "b"], how="left")
    both["verdict_without"] = both["verdict_without"].fillna(NO_ANSWER)
    return both.assign(
        level_left_out=level, left_out=label, changes=both["verdict"] != both["verdict_without"]
    )
