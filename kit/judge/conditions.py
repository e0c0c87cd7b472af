"""The recorded conditions of a burn beside its peers'."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

RECORDED: Mapping[str, tuple[str, str]] = {
    "wind_m_s": ("wind", "m/s"),
    "ambient_c": ("air", "°C"),
    "humidity_pct": ("humidity", "%"),
    "charge_g": ("charge", "g"),
    "ready": ("minutes from lit to tipped", "min"),
}
FAR = 3.0
"""A condition stands apart beyond so many robust standard deviations of its peers, and beyond all of them."""
TO_SD = 1.4826
"""Median absolute deviation to standard deviation, for a normal sample."""


def conditions_apart(rows: pd.DataFrame, burn: str) -> str:
    """Return in words which recorded conditions of a burn lie apart from those of all other burns, or ''.

    Parameters
    ----------
    rows
        A row a burn, with the columns of `RECORDED` that were kept.
    """
    own = rows[rows["burn"] == burn].iloc[0]
    others = rows[rows["burn"] != burn]
    said = [
        f"{words} {own[name]:.4g} {unit}, the others {peers.min():.4g} to {peers.max():.4g}"
        for name, (words, unit) in RECORDED.items()
        if name in rows
        and np.isfinite(own[name])
        and _apart(float(own[name]), peers := others[name].dropna())
    ]
    return "; ".join(said)


def _apart(value: float, peers: pd.Series) -> bool:
    if len(peers) < 3 or peers.min() <= value <= peers.max():
        return False
    middle = float(peers.median())
    spread = TO_SD * float((peers - middle).abs().median())
    return abs(value - middle) > FAR * spread
