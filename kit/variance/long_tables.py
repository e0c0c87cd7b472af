"""Tables from arrays, in one construction: a row a response and label, constants beside.

Fits are made by the thousand, and a table made column by column takes as long as the fit; so it is laid out in the
blocks that pandas keeps, by the function that pandas offers to libraries for it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache, lru_cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
from pandas.api.internals import create_dataframe_from_blocks

from kit.variance.burn_arrays import Array

_TEXT: Final = pd.StringDtype("pyarrow", na_value=np.nan)
"""What pandas calls 'str'."""

LONGEST_KEPT: Final = 500
"""Rows of a column of text that is kept for the tables after it."""


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
    parts: dict[str, Any] = {}
    if responses is not None:
        parts["response"] = tuple(name for name in responses for _ in range(rows))
    for name, labels in keys.items():
        parts[name] = _repeated(labels, length)
    for name, array in values.items():
        parts[name] = array.ravel()
    for name, value in (constants or {}).items():
        parts[name] = (value,) * length if isinstance(value, str) else np.full(length, value)
    names = tuple(parts) if order is None else tuple(name for name in ("response", *order) if name in parts)
    return create_dataframe_from_blocks(
        _blocks([parts[name] for name in names]), pd.RangeIndex(length), _index(names).view()
    )


def _repeated(labels: Any, length: int) -> tuple[str, ...] | Array:
    """Return labels for every row: text as a tuple, anything else as an array."""
    times = length // len(labels) if len(labels) else 1
    if len(labels) and isinstance(labels[0], str):
        return tuple(labels) * times
    column = np.asarray(labels)
    return column if times == 1 else np.tile(column, times)


def _blocks(parts: Sequence[Any]) -> list[tuple[Any, npt.NDArray[np.intp]]]:
    """Return the columns as pandas keeps them: a text by itself, an array a kind of number."""
    blocks: list[tuple[Any, npt.NDArray[np.intp]]] = []
    alike: dict[Any, list[int]] = {}
    for place, part in enumerate(parts):
        if isinstance(part, tuple):
            text = _text(part) if len(part) <= LONGEST_KEPT else _text.__wrapped__(part)
            blocks.append((text.copy(), np.array([place])))
        else:
            alike.setdefault(part.dtype, []).append(place)
    blocks += [(np.array([parts[place] for place in places]), np.array(places)) for places in alike.values()]
    return blocks


@lru_cache(maxsize=512)
def _text(words: tuple[str, ...]) -> pd.arrays.ArrowStringArray:
    """Return a column of text: labels and methods are those of the fit before, so columns are kept and copied."""
    return pd.arrays.ArrowStringArray(pa.array(words, pa.large_string()), dtype=_TEXT)


@cache
def _index(names: tuple[str, ...]) -> pd.Index:
    return pd.Index(names)
