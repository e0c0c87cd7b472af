"""What one more burn will do: prediction intervals of a burn from a new bag, on a new day."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special

from kit.variance.model import RepeatModel


def predict_burn(fit: RepeatModel, level: float = 0.95, without: tuple[str, ...] = ()) -> pd.DataFrame:
    """Return a row a mean: fuel, mean, sd (of the prediction), df, low, high, covers, level, on the analysis scale.

    mean ± t √T with T = SE² + sum of the variances, df = 2T²/(h'Ah), h_i = g_i + 1 with g_i = LΦP_iΦL' (method 7;
    Satterthwaite 1946). A covers the observed information, components estimated at zero left out.

    Parameters
    ----------
    without
        Components the new burn shares with nobody's question: ('day',) predicts another burn of the same day.
    """
    m, R = len(fit.labels), len(fit.estimate.theta)
    mean = fit.estimate.beta[:, :m]
    if not fit.has_spread:
        blank = np.full((R, m), np.nan)
        sd, df, covers = blank, blank, [""] * m
    else:
        se2 = np.einsum("rii->ri", fit.small_sample.pieces.phi[:, :m, :m])
        g = np.einsum("rcii->rci", fit.small_sample.moved[:, :, :m, :m])
        uses = _uses(fit, without)
        T = se2 + np.einsum("rc,cm->rm", fit.estimate.theta, uses)
        h = g + uses
        df = 2 * T**2 / np.einsum("rcm,rcd,rdm->rm", h, fit.observed, h)
        sd, covers = np.sqrt(T), [_words(fit, without)] * m
    half = special.stdtrit(df, (1 + level) / 2) * sd
    frame = fit.framed({"fuel": fit.labels, "covers": covers}, {
        "mean": mean, "sd": sd, "df": df, "low": mean - half, "high": mean + half,
    })  # fmt: skip
    frame["level"] = level
    return frame


def _uses(fit: RepeatModel, without: tuple[str, ...]) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """(components, means) 1 where a new burn of that mean carries the component."""
    uses = np.ones((len(fit.names), len(fit.labels)))
    groups = fit.design.spread
    for i, name in enumerate(fit.names):
        if name in without:
            uses[i] = 0
        if name.startswith("burn:"):
            code = [str(label) for label in groups.labels].index(name[5:])
            for j in range(len(fit.labels)):
                inside = groups.codes[fit.design.mean_of == j]
                uses[i, j] = float((inside == code).mean())
    return uses


def _words(fit: RepeatModel, without: tuple[str, ...]) -> str:
    parts = [name for name in ("fuel", "bag", "day") if name in fit.names and name not in without]
    *first, last = [*parts, "burn"]
    return f"{', '.join(first)} and {last}" if first else last
