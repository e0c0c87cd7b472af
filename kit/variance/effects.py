"""Predicted effects of bags, days and fuels, for figures."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.variance.model import RepeatModel


def predicted_effects(fit: RepeatModel) -> pd.DataFrame:
    """Return best linear unbiased predictions: component, label, effect, sd (given the means)."""
    found = fit.engine.effects(fit.columns.values, fit.estimate.theta, fit.estimate.beta)
    frames = []
    for name, (effect, sd) in found.items():
        term = fit.design.term(name)
        labels = [str(label) for label in term.levels.labels] if term is not None else []
        frames.append(
            fit.framed({"component": [name] * len(labels), "label": labels}, {"effect": effect, "sd": sd})
        )
    if not frames:
        nothing = np.zeros((len(fit.roles.values), 0))
        return fit.framed({"component": [], "label": []}, {"effect": nothing, "sd": nothing})
    return pd.concat(frames, ignore_index=True)
