"""What is asked of one metric: which burns count, which model, which family, which margin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import pandas as pd

from kit.judge.resources import Resources

KNOWN = ("exact", "at least", "at most")
NO_BAG = "(bag not noted)"


@dataclass(frozen=True)
class Question:
    """The declared way of judging one metric.

    Attributes
    ----------
    level
        Confidence of the intervals that verdicts use.
    margin
        Smallest difference that matters, on the analysis scale.
    control
        Control fuel that the others are compared with; None compares every pair.
    spread
        One burn SD for all, or one for each fuel or kind.
    covariates
        Columns that enter the model, cookers among them.
    kind_of
        Kind of each fuel.
    primary
        Whether verdicts are about this metric: then it is looked at from all sides.
    primaries
        How many metrics are primary.
    others
        How many further metrics have a declared margin: odd burns are looked for in these too.
    borrowed
        Repeatability SD and its degrees of freedom from other trials, used where this one has no repeats.
    resources
        What further burns take, and what the plan allows.
    seed
        Of everything simulated.
    """

    level: float = 0.95
    margin: float | None = None
    control: str | None = None
    spread: Literal["common", "by fuel", "by kind"] = "common"
    covariates: Sequence[str] = ()
    kind_of: Mapping[str, str] = field(default_factory=dict)
    primary: bool = False
    primaries: int = 1
    others: int = 0
    borrowed: tuple[float, float] | None = None
    resources: Resources = field(default_factory=Resources)
    seed: int = 1

    @property
    def looks(self) -> int:
        """By what a p value of an odd burn is multiplied, beside the number of burns.

        Half of what a trial may err by is shared by the primary metrics, the other half by the others (Bonferroni
        with weights).
        """
        same = self.primaries if self.primary else self.others
        return same * (2 if self.others else 1)

    def countable(self, rows: pd.DataFrame, fewest: int = 2) -> tuple[pd.DataFrame, str]:
        """Return the burns whose values can be compared, and why there are none ('' where there are).

        A fuel with a burn that never reached the threshold is left out: its times are not 'later than' any.
        Fewer fuels than `fewest` are too few.
        """
        never = set(rows.loc[rows["status"] == "never", "fuel"])
        counted = rows[rows["status"].isin(KNOWN) & ~rows["fuel"].isin(never)]
        if counted.empty:
            return counted, "some burns of every fuel never reached it" if never else "not measured"
        if counted["fuel"].nunique() < fewest:
            left = " whose burns all reached it" if never else ""
            return counted, f"only one fuel{left}: there is nothing to compare"
        noted = counted["bag"] != ""
        return (counted.assign(bag=counted["bag"].where(noted, NO_BAG)) if noted.any() else counted), ""

    def roles(self, rows: pd.DataFrame) -> dict[str, Any]:
        """Return the arguments of `fit_repeats` that say what the columns of these burns are."""
        days, fuels = set(rows["day"].tolist()), rows["fuel"].tolist()
        has_bags = not set(rows["bag"].tolist()) <= {"", NO_BAG}
        has_days = "" not in days and len(days) > 1
        varying = [name for name in self.covariates if rows[name].nunique() > 1]
        repeats = len(set(fuels)) < len(fuels)
        return {
            "bag": "bag" if has_bags else None,
            "day": "day" if has_days else None,
            "kind": "kind" if self.spread == "by kind" else None,
            "covariates": tuple(varying),
            "spread": self.spread if repeats else "common",
            "borrowed": None if repeats else self.borrowed,
        }

    def control_in(self, fuels: Sequence[Any]) -> str | None:
        """Return the control fuel if it is among these fuels."""
        return self.control if self.control in fuels else None

    def family(self, fuels: Sequence[Any]) -> str | tuple[str, str]:
        """Return the family of comparisons: against the control fuel, or every pair."""
        control = self.control_in(fuels)
        return ("control", control) if control else "all"
