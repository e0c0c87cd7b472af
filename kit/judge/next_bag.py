"""What a buyer's next bag will do: a prediction interval for one burn from a new bag."""

from __future__ import annotations

import pandas as pd

from kit.judge.means import back
from kit.variance import RepeatFit
from kit.variance.prediction import predict_burn


def next_bag(fit: RepeatFit, level: float = 0.95) -> pd.DataFrame:
    """Return a row a fuel: fuel, mean, low, high, sd, df, level, scale, covers (schema.NEXT_BAG).

    Limits and mean stand on the metric's own scale, sd on the analysis scale. Where days are a random block the
    burn is one of another day. Without repeats limits are blank.
    """
    frame = predict_burn(fit, level)
    for name in ("mean", "low", "high"):
        frame[name] = back(fit, frame[name].to_numpy())
    frame["scale"] = fit.scale
    lead = ["response"] if fit.many else []
    return frame[[*lead, "fuel", "mean", "low", "high", "sd", "df", "level", "scale", "covers"]]
