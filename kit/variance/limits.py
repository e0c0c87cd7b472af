"""Standard deviations with their limits: exact χ², profile, or what covers best."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd

from kit.errors import KitError, Problem
from kit.variance.censored_limits import censored_limits
from kit.variance.columns import Array
from kit.variance.model import RepeatModel
from kit.variance.optimise import at_zero
from kit.variance.profile import profile_limits, profile_words
from kit.variance.sd_limits import best_limits, burn_chi_square

LimitMethod = Literal["best", "profile", "exact"]

ORDER = ("fuel", "bag", "day", "burn")


def component_limits(fit: RepeatModel, method: LimitMethod = "best", level: float = 0.95) -> pd.DataFrame:
    """Return a row a component: component, sd, low, high, level, method, at_boundary.

    Parameters
    ----------
    method
        'profile' of the restricted likelihood (of the likelihood for a fit by ML), 'exact' χ² for the burn SD
        (profile for the others), or 'best': what covers best, named in its row.

    Notes
    -----
    A component at the boundary is reported as 0 with its upper limit. Components: fuel, bag, day, burn
    (burn:GROUP where spread differs by group). DEVELOPERS.md, method 4.
    """
    low, high, named = _limits(fit, method, level)
    at = at_zero(fit.estimate.theta)
    sd, low = np.where(at, 0.0, np.sqrt(fit.estimate.theta)), np.where(at, 0.0, low)
    order = sorted(range(len(fit.names)), key=lambda i: ORDER.index(fit.names[i].split(":")[0]))
    names = [fit.names[i] for i in order]
    frame = fit.framed(
        {"component": names}, {"sd": sd[:, order], "low": low[:, order], "high": high[:, order]}
    )
    frame["level"] = level
    frame["method"] = [named[i] for i in order] * len(sd)
    frame["at_boundary"] = at[:, order].ravel()
    return frame


def _limits(fit: RepeatModel, method: LimitMethod, level: float) -> tuple[Array, Array, list[str]]:
    if method not in ("best", "profile", "exact"):
        raise KitError(
            Problem("refuse", "method", f"'{method}'", "best, profile or exact", "Name one of them.")
        )
    if not fit.has_spread:
        blank = np.full_like(fit.estimate.theta, np.nan)
        return blank, blank, ["none: no repeats"] * len(fit.names)
    if fit.censored is not None:
        low, high = censored_limits(fit, fit.censored, level, method == "best")
        return low, high, profile_words(fit, method == "best")
    if method == "best":
        return best_limits(fit, level)
    low, high = profile_limits(fit, level)
    names = profile_words(fit)
    exact = burn_chi_square(fit, level) if method == "exact" else None
    if exact is not None:
        low[:, -1], high[:, -1], names[-1] = *exact, "exact χ²"
    return low, high, names
