"""statsmodels' MixedLM as a second opinion of the estimates, and where it could not give one."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from kit.variance.burn_arrays import Array
from kit.variance.model import RepeatModel

LARGEST = {1: 3000, 2: 300}
"""Burns above which MixedLM is not waited for: with one random term, and with crossed ones."""

TOLERANCE = 1e-3
"""Agreement is within this part of the burn SD."""


Opinion = tuple[Mapping[str, float], str]
"""What the other program found, by quantity, and how, or why it found nothing."""


def second_opinion(fit: RepeatModel) -> pd.DataFrame:
    """Return quantity, kit, other, agrees, note: means and SDs of both programs for one response.

    'agrees' is within one part in a thousand of the burn SD. Only estimates are compared: MixedLM's standard errors
    are not (X'V^-1X)^-1 in unbalanced designs.
    """
    theta = fit.estimate.theta[0]
    mine = _quantities(fit, fit.estimate.beta[0], dict(zip(fit.names, np.sqrt(theta), strict=True)))
    theirs, note = _asked(fit)
    table = pd.DataFrame({"quantity": list(mine), "kit": list(mine.values())})
    table["other"] = [theirs.get(name, np.nan) for name in mine]
    near = (table["kit"] - table["other"]).abs() <= TOLERANCE * np.sqrt(theta[-1])
    return table.assign(agrees=near, note=note)


def _quantities(fit: RepeatModel, beta: Array, sd: Mapping[str, float]) -> dict[str, float]:
    means = {f"mean of {label}": float(mean) for label, mean in zip(fit.labels, beta, strict=False)}
    return means | {f"SD of {name}s": float(each) for name, each in sd.items()}


def _asked(fit: RepeatModel) -> Opinion:
    reason = _not_asked(fit)
    if reason:
        return {}, reason
    with warnings.catch_warnings(record=True):  # kept from all eyes: statsmodels sets a filter of its own
        try:
            return _mixed_lm(fit) if fit.design.terms else _least_squares(fit)
        except Exception as error:  # whatever goes wrong inside the other program is its answer
            return {}, f"MixedLM failed: {type(error).__name__}: {str(error).splitlines()[0][:80]}"


def _not_asked(fit: RepeatModel) -> str:
    if not fit.has_spread:
        return "no repeats: nothing to compare"
    if fit.design.spread.count > 1:
        return "MixedLM has one burn SD only: it can not fit a spread by group"
    if fit.borrowed is not None:
        return "MixedLM can not use a borrowed repeatability"
    if fit.columns.side is not None:
        return "MixedLM can not use values known only as bounds"
    limit = LARGEST[min(len(fit.design.terms), 2)] if fit.design.terms else 10**7
    return f"not asked: more than {limit} burns take MixedLM too long" if fit.design.n > limit else ""


def _least_squares(fit: RepeatModel) -> Opinion:
    from statsmodels.regression.linear_model import OLS

    found = OLS(fit.columns.values[0], fit.design.X).fit()
    dof = fit.design.nu if fit.method == "REML" else fit.design.n
    return _quantities(fit, found.params, {"burn": np.sqrt(found.ssr / dof)}), "statsmodels OLS"


def _mixed_lm(fit: RepeatModel) -> Opinion:
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

    y, X, terms = fit.columns.values[0], fit.design.X, fit.design.terms
    if len(terms) == 1:
        found: Any = MixedLM(y, X, groups=terms[0].levels.codes).fit(reml=fit.method == "REML")
        sd = {terms[0].name: np.sqrt(found.cov_re[0, 0])}
    else:
        spec = VCSpec(
            [term.name for term in terms],
            [[list(map(str, range(term.levels.count)))] for term in terms],
            [[term.levels.indicators] for term in terms],
        )
        model = MixedLM(y, X, groups=np.zeros(len(y)), exog_vc=spec)
        found = model.fit(reml=fit.method == "REML")
        order = model.exog_vc.names
        sd = dict(zip(order, np.sqrt(found.vcomp), strict=True))
    sd["burn"] = np.sqrt(found.scale)
    note = "statsmodels MixedLM" + ("" if found.converged else ", which says it did not converge")
    return _quantities(fit, np.asarray(found.fe_params), sd), note
