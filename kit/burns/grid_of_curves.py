"""The curves of all burns on one grid of times, for figures and for mean and difference curves."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.burns.logged_burns import burns_of, main_probe
from kit.metrics.curve import Array, values_at
from kit.page.text import element
from kit.trial import Run

MOST_POINTS = 400
STEPS_S = (1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600, 900, 1800, 3600)
"""Steps a reader can count in; the first that is fine enough and gives few enough points is taken."""


@dataclass(frozen=True, eq=False, repr=False)
class Curves:
    """Every burn's curve at one probe, aligned on time zero.

    Attributes
    ----------
    seconds
        (times) since time zero, evenly spaced from 0.
    celsius
        (burns, times) on the line between usable readings; NaN before the first, after the last or the
        stop, in a gap that is too long to bridge, and while the lid was open.
    burn, fuel, bag, day
        (burns) labels.
    counted
        (burns) False for an excluded burn: it is shown, and stands in no mean.
    probe
        The probe they are of.
    air_c
        The coolest air of any burn; where none was noted, the coolest reading of all; NaN without burns.
    """

    seconds: Array
    celsius: Array
    burn: tuple[str, ...]
    fuel: tuple[str, ...]
    bag: tuple[str, ...]
    day: tuple[str, ...]
    counted: npt.NDArray[np.bool_]
    probe: str
    air_c: float = math.nan

    def __repr__(self) -> str:
        if not self.burn:
            return "<Curves: no burn>"
        of = f"{len(self.burn)} burns of {len(set(self.fuel))} fuels at probe '{self.probe}'"
        return f"<Curves: {of}, every {self.step_s:g} s from 0 to {self.seconds[-1] / 60:.0f} min>"

    def _repr_html_(self) -> str:
        return str(element("p", repr(self)[1:-1]))

    @property
    def step_s(self) -> float:
        """Seconds from one time to the next."""
        return float(self.seconds[1] - self.seconds[0]) if len(self.seconds) > 1 else math.nan


def common_grid(readings: pd.DataFrame, run: Run, step_s: float | None = None) -> Curves:
    """Return all burns' curves at the main probe on one grid, aligned on time zero (DEVELOPERS.md, method 10).

    Parameters
    ----------
    readings
        schema.READINGS; flagged readings that may not be used are left out first.
    run
        The run folder.
    step_s
        Seconds between times; by default a round step, no finer than the logs, for at most 400 times.

    Examples
    --------
    >>> common_grid(logs.readings, run)
    <Curves: 36 burns of 6 fuels at probe 'grate', every 30 s from 0 to 162 min>
    """
    at = main_probe(readings, run.trial)
    logged = burns_of(readings, run, [at])
    burns = {name: burn for (name, _), burn in logged.items() if burn.curve is not None}
    sheet = [burn.row for burn in burns.values()]
    curves = [burn.known_curve for burn in burns.values()]
    end = max((float(curve.seconds[-1]) for curve in curves), default=0.0)
    interval = float(np.median([curve.interval_s for curve in curves])) if curves else 0.0
    least = max(end / MOST_POINTS, interval * (1 - 1e-9))
    whole_hours = math.ceil(least / 3600) * 3600
    step = step_s or float(next((step for step in STEPS_S if step >= least), whole_hours))
    seconds = np.arange(0.0, end + step / 1e6, step)
    excluded = set(run.burns.loc[run.burns["state"] == "excluded", "burn"].astype("str"))
    celsius = np.full((len(curves), len(seconds)), np.nan)
    for on_grid, curve in zip(celsius, curves, strict=True):
        lid = values_at(seconds, curve.seconds, curve.lid.astype(np.float64), curve.joined)
        values = values_at(seconds, curve.seconds, curve.celsius, curve.joined)
        on_grid[:] = np.where(lid > 0, np.nan, values)
    air = pd.to_numeric(run.burns.get("ambient_c", pd.Series(dtype=float)), errors="coerce").min()
    air_c = float(air if pd.notna(air) else np.fmin.reduce(celsius, axis=None, initial=np.nan))
    counted = np.array([name not in excluded for name in burns], dtype=bool)
    fuel, bag, day = (tuple(getattr(row, name) for row in sheet) for name in ("fuel", "bag", "day"))
    return Curves(seconds, celsius, tuple(burns), fuel, bag, day, counted, at, air_c)
