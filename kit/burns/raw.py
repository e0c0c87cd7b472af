"""Readings parted into burns and probes, with their flags looked up once for all."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit import schema
from kit.burns.window import Array, Indices, Mask


@dataclass(frozen=True)
class Raw:
    """The readings of one burn at one probe as logged, in order of time.

    Attributes
    ----------
    seconds, celsius
        (n) all readings with a stamp.
    usable, lid_open, saturated, topped_up
        (n) what their flags say; `usable` is the one mask for value, uncertainty and count.
    """

    burn: str
    probe: str
    seconds: Array
    celsius: Array
    usable: Mask
    lid_open: Mask
    saturated: Mask
    topped_up: Mask


def raw_burns(readings: pd.DataFrame) -> Iterator[Raw]:
    """Yield the readings of each burn and probe, in order of time.

    Parameters
    ----------
    readings
        schema.READINGS; texts may be categories.
    """
    burns, probes, flags = (readings[name].astype("category") for name in ("burn", "probe", "flag"))
    lookups = _flag_lookups(flags.cat.categories)
    marks = {name: lookup[flags.cat.codes.to_numpy()] for name, lookup in lookups.items()}
    group = (
        burns.cat.codes.to_numpy().astype(np.int64) * len(probes.cat.categories) + probes.cat.codes.to_numpy()
    )
    seconds = readings["elapsed_s"].to_numpy(np.float64)
    celsius = readings["temp_c"].to_numpy(np.float64, na_value=np.nan)
    order = np.arange(len(group)) if _in_order(group, seconds) else np.lexsort((seconds, group))
    edges = np.flatnonzero(np.diff(group[order])) + 1
    for rows in np.split(order, edges) if len(order) else []:
        code = int(group[rows[0]])
        burn, probe = divmod(code, len(probes.cat.categories))
        yield Raw(
            str(burns.cat.categories[burn]),
            str(probes.cat.categories[probe]),
            seconds[rows],
            celsius[rows],
            marks["usable"][rows] & np.isfinite(celsius[rows]),
            marks["lid open"][rows],
            marks["saturated"][rows],
            marks["after top-up"][rows],
        )


def _flag_lookups(flags: pd.Index[str]) -> dict[str, Mask]:
    texts = [str(flag) for flag in flags]
    lookups = {"usable": np.array([*map(schema.usable, texts), True])}
    for name in ("lid open", "saturated", "after top-up"):
        lookups[name] = np.array([*(name in text.split("+") for text in texts), False])
    return lookups  # the last place answers code −1, a blank


def _in_order(group: Indices, seconds: Array) -> bool:
    step = np.diff(group)
    return bool(np.all((step > 0) | ((step == 0) & (np.diff(seconds) >= 0))))
