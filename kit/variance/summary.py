"""A fitted model as a person reads it: what it rests on, its means, where the variation comes from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.page.html_tables import as_table
from kit.page.text import Html, element, join
from kit.variance.inference import contrasts
from kit.variance.model import RepeatModel
from kit.variance.sd_limits import component_limits

SCALES = {"plain": "", "log": ", on the log scale: means are geometric, SDs are of logarithms"}


@dataclass(frozen=True, repr=False)
class Summary:
    """What a fit says, on one screen.

    Attributes
    ----------
    words
        What was fitted to what.
    means
        fuel, mean, low, high: each fuel's own interval; burns and bags behind it.
    components
        component, sd, low, high on the analysis scale.
    notes
        What the design and the data say of the model's limits.
    level
        Confidence of the intervals.
    """

    words: str
    means: pd.DataFrame
    components: pd.DataFrame
    notes: tuple[str, ...]
    level: float

    def __repr__(self) -> str:
        tables = (
            each.to_string(index=False, float_format="{:.4g}".format)
            for each in (self.means, self.components)
        )
        percent = f"low, high: {100 * self.level:g} % intervals"
        return "\n".join([self.words, "", *tables, "", percent, *self.notes])

    def _repr_html_(self) -> Html:
        percent = f"{100 * self.level:g} % intervals, each on its own."
        return join(
            [
                element("p", self.words),
                as_table(self.means, "Means", note=percent),
                as_table(self.components, "Where the variation comes from", note="Standard deviations."),
                *(element("p", f"Note: {note}.".replace("..", ".")) for note in self.notes),
            ]
        )


def summary_of(fit: RepeatModel, level: float = 0.95) -> Summary:
    """Return the summary of a fit of one response."""
    burns, bags = fit.counts
    limits = conf_int(fit, level).assign(burns=burns, **({"bags": bags} if len(bags) and bags.any() else {}))
    components = component_limits(fit, level=level)[["component", "sd", "low", "high", "at_boundary"]]
    words = f"{fit.method} fit of {words_of(fit)}{SCALES[fit.scale]}."
    return Summary(words, limits, components, fit.notes, level)


def conf_int(fit: RepeatModel, level: float = 0.95) -> pd.DataFrame:
    """Return fuel, mean, low, high: each mean with its own interval, on the metric's own scale."""
    found = contrasts(fit, fit.design.mean_rows(), "best", level)
    values = dict(zip(("mean", "low", "high"), (found.estimate, *found.limits(level)), strict=True))
    if fit.scale == "log":
        with np.errstate(over="ignore"):
            values = {name: np.exp(each) for name, each in values.items()}
    return fit.framed({"fuel": fit.labels}, values)


def words_of(fit: RepeatModel) -> str:
    """Return '36 burns of 6 fuels: bags and days at random'."""
    burns = len(fit.columns.rows)
    if fit.many:
        return f"{len(fit.roles.values)} responses of {burns} burns"
    random = [
        {"bag": "bags", "day": "days", "fuel": "fuels"}[name]
        for name in fit.names
        if not name.startswith("burn")
    ]
    within = f" with {' and '.join(random)} at random" if random else ""
    return f"{burns} burns of {len(fit.labels)} fuels{within}"
