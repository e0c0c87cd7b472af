"""Tables from arrays, in one construction: a row a response and label, constants beside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from kit.variance.columns import Array


def frame_of(
    responses: Sequence[str] | None,
    keys: Mapping[str, Any],
    values: Mapping[str, Array],
    constants: Mapping[str, Any] | None = None,
    order: Sequence[str] | None = None,
) -> pd.DataFrame:
    """Lay (responses, rows) arrays out as a long table.

    Parameters
    ----------
    responses
        Their names for a first column 'response'; None for a single one.
    keys
        Columns of labels or counts: an entry a row of one response, or one for every row of the table.
    values
        Columns of numbers, (responses, rows).
    constants
        Columns that are the same in every row.
    order
        Names in the order wanted; those that are not there are passed over.
    """
    R, rows = next(iter(values.values())).shape
    length = R * rows
    texts: dict[str, list[str]] = {}
    parts: dict[str, Any] = {}
    if responses is not None:
        texts["response"] = parts["response"] = [name for name in responses for _ in range(rows)]
    for name, labels in keys.items():
        times = length // len(labels) if len(labels) else 1
        if len(labels) and isinstance(labels[0], str):
            texts[name] = parts[name] = list(labels) * times
        else:
            column = np.asarray(labels)
            parts[name] = column if times == 1 else np.tile(column, times)
    for name, array in values.items():
        parts[name] = array.flatten()
    for name, value in (constants or {}).items():
        if isinstance(value, str):
            texts[name] = parts[name] = [value] * length
        else:
            parts[name] = np.full(length, value)
    if length:
        _as_columns(parts, texts, length)
    if order is not None:
        parts = {name: parts[name] for name in ("response", *order) if name in parts}
    return pd.DataFrame(parts, index=pd.RangeIndex(length), copy=False)


def _as_columns(parts: dict[str, Any], texts: dict[str, list[str]], length: int) -> None:
    """Turn all text into one array and give each column its slice: one conversion instead of many."""
    if texts:
        whole = pd.array([word for words in texts.values() for word in words], dtype="str")
        for place, name in enumerate(texts):
            parts[name] = whole[place * length : (place + 1) * length]
