"""From an interval and a margin to a verdict, and the chance of each verdict: pure functions of numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import special

from kit.schema import VERDICTS
from kit.variance.families import Family

Array = npt.NDArray[np.float64]

BEYOND, UNSIZED, LITTLE, SAME, OPEN, DIFFERENT = list(VERDICTS)[:6]
DIFFERENCES = (BEYOND, UNSIZED, LITTLE, DIFFERENT)
"""Verdicts that claim a difference."""
NODES = 400
"""Quantiles of the standard error over which a chance is averaged."""


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
        return Verdict(DIFFERENT if direction else OPEN, direction)
    low_inside, high_inside = equivalence or (low, high)
    inside = low_inside > -margin and high_inside < margin
    if not direction:
        return Verdict(SAME if inside else OPEN, "")
    if low > margin or high < -margin:
        return Verdict(BEYOND, direction)
    return Verdict(LITTLE if inside else UNSIZED, direction)


def standard_errors(se: float, df: float) -> Array:
    """Return equally likely standard errors of trials whose own is SE: SE·√(χ²_ν/ν) at its quantiles."""
    share = (np.arange(NODES) + 0.5) / NODES
    return np.asarray(se * np.sqrt(2 * special.gammaincinv(df / 2, share) / df))


def half_widths(family: Family, se: Array, df: Array, level: float) -> tuple[Array, Array]:
    """Return the half-widths of D and E (see `verdict_of`) of some standard errors on so many degrees of freedom."""
    # 'inside the margin' is a pair of one-sided tests: its interval leaves out as much on one side as D on both
    half, inner = (family.critical(at, df) * se for at in (level, 2 * level - 1))
    return half, inner


def verdict_chances(
    difference: float, sd: float, half: Array, inner: Array, margin: float | None
) -> dict[str, float]:
    """Return the chance of each verdict on a difference.

    Parameters
    ----------
    difference, sd
        The true one, and the standard deviation of its estimate, which is normal about it.
    half, inner
        Equally likely half-widths of D and E (see `verdict_of`), independent of the estimate.
    margin
        As for `verdict_of`.

    Notes
    -----
    Given the half-widths each verdict is a range of the estimate's size; its chance is averaged over them. For 'zero
    excluded' that is noncentral t (Lehmann 1986, 5.2).
    """

    def between(low: Array | float, high: Array | float) -> float:
        above = special.ndtr((high - difference) / sd) - special.ndtr((low - difference) / sd)
        below = special.ndtr((-low - difference) / sd) - special.ndtr((-high - difference) / sd)
        return float(np.mean(above + below))

    if margin is None:
        return {DIFFERENT: between(half, np.inf), OPEN: between(0.0, half)}
    within = np.maximum(margin - inner, 0.0)
    settled = np.minimum(half, within)
    sized = np.maximum(half, within)
    return {
        BEYOND: between(margin + half, np.inf),
        UNSIZED: between(sized, margin + half),
        LITTLE: between(half, sized),
        SAME: between(0.0, settled),
        OPEN: between(settled, half),
    }
