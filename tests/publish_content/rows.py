"""One comparison of alder and olive with chosen numbers, in an otherwise believable analysis."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from kit.publish.claims import Claim, claims_of
from kit.publish.facts import Facts, facts_of
from tests.publish_content.stand_in import stand_in, verdict_of


def facts_with(
    metric: str, value: float, low: float, high: float, margin: float = np.nan, **changes: Any
) -> Facts:
    """Return facts whose only comparison is alder against olive, its verdict made from the numbers."""
    trial_changes = changes.pop("trial", {})
    base = stand_in(**trial_changes)
    row = base.comparisons[base.comparisons["metric"] == metric].iloc[0].to_dict()
    log = row["scale"] == "log"
    turn = np.log if log else (lambda number: number)
    row |= {
        "a": "alder", "b": "olive", "low": low, "high": high, "margin": margin,
        "difference": np.nan if log else value, "ratio": value if log else np.nan,
        "verdict": verdict_of(turn(low), turn(high), margin), "n_a": 9, "n_b": 9, "bags_a": 3, "bags_b": 3,
    }  # fmt: skip
    row |= changes
    table = pd.DataFrame([row])
    return facts_of(replace(base, comparisons=table, pairs=table))


def claim_with(
    metric: str, value: float, low: float, high: float, margin: float = np.nan, **changes: Any
) -> Claim:
    return claims_of(facts_with(metric, value, low, high, margin, **changes))[0]
