"""From an interval and a margin to a verdict: a pure function of numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Verdict:
    """One of kit.schema.VERDICTS, and which of the two is larger ('' where that is open)."""

    verdict: str
    direction: Literal["a", "b", ""]


def verdict_of(
    low: float,
    high: float,
    margin: float | None = None,
    equivalence: tuple[float, float] | None = None,
    apart: bool = False,
) -> Verdict:
    """Return the verdict on a difference a - b from its simultaneous intervals.

    Parameters
    ----------
    low, high
        Limits of the difference on the analysis scale (D, 95 %); NaN where no interval is possible.
    margin
        The smallest difference that matters, on the same scale and above zero; None where none is declared.
    equivalence
        Limits of the same difference for 'inside the margin' (E, 90 %: a pair of one-sided tests at 5 %,
        Schuirmann 1987); None takes D for them too.
    apart
        Whether day or another block goes along with fuel.

    Notes
    -----
    DEVELOPERS.md, method 6: the verdict depends on where D lies against 0 and beyond the margin, and on whether E
    lies inside the margin.

    Examples
    --------
    >>> verdict_of(-16.0, 12.0, margin=15.0, equivalence=(-14.0, 10.0)).verdict
    'the same within the margin'
    """
    if apart:
        return Verdict("cannot be separated", "")
    if math.isnan(low) or math.isnan(high):
        return Verdict("no repeats", "")
    direction: Literal["a", "b", ""] = "a" if low > 0 else "b" if high < 0 else ""
    if margin is None or math.isnan(margin):
        return Verdict("different" if direction else "not settled", direction)
    low_inside, high_inside = equivalence or (low, high)
    inside = low_inside > -margin and high_inside < margin
    if not direction:
        return Verdict("the same within the margin" if inside else "not settled", "")
    if low > margin or high < -margin:
        return Verdict("different, by more than the margin", direction)
    return Verdict(
        "different, but too little to matter" if inside else "different, size not settled", direction
    )
