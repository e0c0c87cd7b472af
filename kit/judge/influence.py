"""Does a verdict hang on one burn, one bag, one day: each left out in turn."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.errors import KitError

Answer = dict[tuple[str, str], tuple[str, float, float, float]]
"""Of each pair: the verdict, the estimate and its limits."""

LEVELS = ("burn", "bag", "day")
NO_ANSWER = "no answer"
COLUMNS = (
    "a", "b", "level_left_out", "left_out", "verdict", "verdict_without", "estimate", "low", "high", "changes",
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
        As made from all burns: a, b, verdict.
    rows
        The burns: burn, fuel, bag, day and what the model needs.
    compare
        Makes the comparisons from other rows.
    """
    before = dict(zip(_keys(comparisons), comparisons["verdict"], strict=True))
    known: dict[bytes, Answer] = {}
    records = []
    for level, label, out in _left_out(rows) if before else ():
        same = out.tobytes()
        if same not in known:
            known[same] = _answer(compare, rows[~out])
        after = known[same]
        for key, verdict in before.items():
            without, *numbers = after.get(key, (NO_ANSWER, np.nan, np.nan, np.nan))
            records.append((*key, level, label, verdict, without, *numbers, verdict != without))
    return pd.DataFrame(records, columns=list(COLUMNS))


def _keys(table: pd.DataFrame) -> list[tuple[str, str]]:
    return list(zip(table["a"], table["b"], strict=True))


def _left_out(rows: pd.DataFrame) -> Iterator[tuple[str, str, npt.NDArray[np.bool_]]]:
    for level in LEVELS:
        keys = rows[["fuel", "bag"]].agg(" / ".join, axis=1) if level == "bag" else rows[level]
        named = list(dict.fromkeys(keys[rows[level] != ""]))
        if len(named) > 1:
            values = keys.to_numpy()
            yield from ((level, str(key), np.asarray(values == key)) for key in named)


def _answer(compare: Callable[[pd.DataFrame], pd.DataFrame], rows: pd.DataFrame) -> Answer:
    try:
        table = compare(rows)
    except KitError:
        return {}
    number = "ratio" if "ratio" in table else "difference"
    columns = (table[name].tolist() for name in ("verdict", number, "low", "high"))
    return dict(zip(_keys(table), zip(*columns, strict=True), strict=True))
