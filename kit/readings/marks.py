"""Flags as bits: one set a reading, written out as the text of schema.READINGS."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.schema import FLAGS

Bits = npt.NDArray[np.uint16]
BIT: Mapping[str, np.uint16] = {name: np.uint16(1 << place) for place, name in enumerate(FLAGS)}
UNUSABLE = np.uint16(sum(int(BIT[name]) for name, flag in FLAGS.items() if not flag.usable))


def words(bits: Bits) -> pd.Categorical:
    """Return '' or the names of the flags joined by '+', in the order of schema.FLAGS."""
    found, codes = np.unique(bits, return_inverse=True)
    texts = ["+".join(name for name, bit in BIT.items() if value & bit) for value in found]
    return pd.Categorical.from_codes(codes, categories=texts)


def has(bits: Bits, name: str) -> npt.NDArray[np.bool_]:
    """Return which readings carry a flag."""
    return np.asarray((bits & BIT[name]) > 0)


def is_usable(bits: Bits) -> npt.NDArray[np.bool_]:
    """Return which readings count towards values, uncertainty and n alike."""
    return np.asarray((bits & UNUSABLE) == 0)
