"""How often each verdict is reached in simulated trials, through a verdict layer that this room does not know."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from kit.variance.columns import Array


class Said(Protocol):
    """A verdict."""

    @property
    def verdict(self) -> str:
        """In words."""


class VerdictOf(Protocol):
    """The verdict layer (kit.judge.verdicts.verdict_of), which this room does not know."""

    def __call__(self, low: float, high: float, margin: float, equivalence: Any, /) -> Said:
        """Return the verdict on a pair from its limits at the level and at the one of equivalence."""


APART = {"alike": 0.0, "a margin apart": 1.0, "two margins apart": 2.0}


@dataclass(frozen=True)
class Reached:
    """The margin and the verdict layer, where there are any."""

    margin: float | None
    verdict: VerdictOf | None

    def rows(self, D: Array, E: Array) -> list[tuple[str, float, Array]]:
        """Return how often each verdict is said of two fuels 0, Δ and 2Δ apart.

        Parameters
        ----------
        D, E
            (2, trials, pairs) limits less the true difference, at the level and at that of equivalence.
        """
        if self.margin is None or self.verdict is None:
            return []
        rows = []
        for words, times in APART.items():
            ends = np.concatenate([D, E]).reshape(4, -1) + times * self.margin
            said = [
                self.verdict(low, high, self.margin, (inner, outer)).verdict
                for low, high, inner, outer in ends.T.tolist()
            ]
            table = np.array(said).reshape(D.shape[1:])
            for each in sorted(set(said)):
                rows.append((f"of two fuels {words}: '{each}'", np.nan, (table == each).mean(axis=1)))
        return rows
