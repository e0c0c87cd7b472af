"""From intervals and a margin to verdicts, and the chance of each verdict: pure functions of numbers."""

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
from scipy import special

from kit.schema import VERDICTS
from kit.variance.burn_arrays import Array
from kit.variance.families import Family

Words = npt.NDArray[np.str_]

BEYOND, UNSIZED, LITTLE, SAME, OPEN, DIFFERENT, NO_REPEATS, NOT_SEPARATED = VERDICTS
DIFFERENCES = (BEYOND, UNSIZED, LITTLE, DIFFERENT)
"""Verdicts that claim a difference."""
NODES = 400
"""Quantiles of the standard error over which a chance is averaged."""


def verdicts_of(
    D: Array, E: Array, margin: float | None, apart: npt.ArrayLike = False
) -> tuple[Words, Words]:
    """Return the verdict on each difference a - b, and which of the two is larger ('' where that is open).

    Parameters
    ----------
    D
        (2, …) limits of the differences on the analysis scale, simultaneous at 95 %; NaN where no interval is possible.
    E
        (2, …) their limits for 'inside the margin', at 90 %: a pair of one-sided tests at 5 % (Schuirmann 1987).
    margin
        The smallest difference that matters, on the same scale and above zero; None where none is declared.
    apart
        Whether day or another block goes along with fuel, in each.

    Notes
    -----
    DEVELOPERS.md, method 6: the verdict depends on where D lies against 0 and beyond the margin, and on whether E
    lies inside the margin.

    Examples
    --------
    >>> verdicts_of(np.array([-16.0, 12.0]), np.array([-14.0, 10.0]), margin=15.0)[0].item()
    'the same within the margin'
    """
    (low, high), (inner, outer) = D, E
    unknown = np.isnan(low) | np.isnan(high)
    above, below = low > 0, high < 0
    kept_apart = np.asarray(apart, dtype=np.bool_)
    cases = {NOT_SEPARATED: kept_apart, NO_REPEATS: unknown}
    if margin is None:
        cases |= {DIFFERENT: above | below}
    else:
        inside = (inner > -margin) & (outer < margin)
        cases |= {BEYOND: (low > margin) | (high < -margin), LITTLE: (above | below) & inside}
        cases |= {UNSIZED: above | below, SAME: inside}
    larger = _first_that_holds({"": kept_apart | unknown, "a": above, "b": below})
    return _first_that_holds({**cases, OPEN: True}), larger


def _first_that_holds(cases: Mapping[str, npt.ArrayLike]) -> Words:
    """Return, of each difference, the name of the first case that holds; of none, the first."""
    first = np.stack(np.broadcast_arrays(*cases.values())).argmax(axis=0)
    return np.asarray(np.array(list(cases))[first])


def standard_errors(se: float, df: float) -> Array:
    """Return equally likely standard errors of trials whose own is SE: SE·√(χ²_ν/ν) at its quantiles."""
    share = (np.arange(NODES) + 0.5) / NODES
    return np.asarray(se * np.sqrt(2 * special.gammaincinv(df / 2, share) / df))


def half_widths(family: Family, se: Array, df: Array, level: float) -> tuple[Array, Array]:
    """Return the half-widths of D and E (see `verdicts_of`) of some standard errors on so many degrees of freedom."""
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
        Equally likely half-widths of D and E (see `verdicts_of`), independent of the estimate.
    margin
        As for `verdicts_of`.

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
