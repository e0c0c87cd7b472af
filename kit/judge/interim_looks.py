"""Looks that were planned: how much of what a trial may err by each of them spends."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

Array = npt.NDArray[np.float64]

_STEP = 0.02
_FARTHEST = 9.0


def look_level(stages: Sequence[int], done: int, confidence: float = 0.95) -> float:
    """Return the confidence of the intervals at the look that so many burns allow.

    Parameters
    ----------
    stages
        Numbers of burns at which the trial was to be looked at, rising; the last is the whole plan. None or one: the
        trial is looked at once, and the confidence is the declared one.
    done
        Burns made; beyond the plan as at its end.
    confidence
        Declared for the whole trial.

    Notes
    -----
    α*(t) = 2 − 2Φ(z_{α/2}/√t), the O'Brien–Fleming-type spending function of Lan & DeMets (1983) on the share t of
    the planned burns; boundaries by recursive integration (Armitage, McPherson & Rowe 1969). The nominal p of each
    look is then asked of t.

    Examples
    --------
    >>> round(1 - look_level((12, 24), 12), 4), round(1 - look_level((12, 24), 24), 4)
    (0.0056, 0.0478)
    """
    looks = sorted(set(stages))
    if len(looks) < 2:
        return confidence
    held = max(1, sum(stage <= done for stage in looks))
    shares = tuple(stage / looks[-1] for stage in looks[:held])
    return 1 - nominal_levels(shares, round(1 - confidence, 12))[-1]


def is_planned_look(stages: Sequence[int], done: int) -> bool:
    """Return whether so many burns are a look, before the last, that the plan declared."""
    return done in sorted(set(stages))[:-1]


@lru_cache(maxsize=32)
def nominal_levels(shares: tuple[float, ...], alpha: float) -> tuple[float, ...]:
    """Return the two-sided nominal p of each look at these shares of the information, all errors together α*."""
    spent = [2 * float(special.ndtr(special.ndtri(alpha / 2) / np.sqrt(share))) for share in shares]
    grid = np.arange(-_FARTHEST, _FARTHEST + _STEP / 2, _STEP)
    bounds = [-float(special.ndtri(spent[0] / 2))]
    density = np.exp(-(grid**2) / 2) / np.sqrt(2 * np.pi)  # of Z at the first look
    for before, now, last, total in zip(shares, shares[1:], spent, spent[1:], strict=False):
        inside = np.where(np.abs(grid) < bounds[-1], density, 0.0)
        root, rest = np.sqrt(before / now), np.sqrt(1 - before / now)
        density = _STEP * (_normal((grid[:, None] - root * grid) / rest) / rest) @ inside
        bounds.append(_boundary(grid, root, rest, inside, total - last))
    return tuple(2 * float(special.ndtr(-bound)) for bound in bounds)


def _boundary(grid: Array, root: float, rest: float, inside: Array, spend: float) -> float:
    def beyond(bound: float) -> float:
        out = special.ndtr((-bound - root * grid) / rest) + special.ndtr((root * grid - bound) / rest)
        return _STEP * float(out @ inside) - spend

    return float(optimize.brentq(beyond, 0.0, _FARTHEST))


def _normal(z: Array) -> Array:
    return np.asarray(np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi))
