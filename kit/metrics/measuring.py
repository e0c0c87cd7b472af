"""How the metrics of a burn are measured: the [metrics] keys beside thresholds, primary and declared."""

from __future__ import annotations

import math
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, Strict, model_validator

Positive = Annotated[float, Strict(), Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Strict(), Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Strict(), Field(allow_inf_nan=False)]
Share = Annotated[float, Strict(), Field(ge=0, le=1)]


class Measuring(BaseModel):
    """The windows, bands and limits that turn a temperature curve and a weighing into metrics.

    Every key may be left out. The end of a key names its unit: _s seconds, _min minutes, _c °C, _k a
    difference in K (as large as one in °C), _g grams. Two figures made with different settings are
    never to be compared, so settle them before the first burn. Windows in seconds or minutes that are left out are
    shortened, all alike, where the burns last minutes rather than hours, and the report says so.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    median_s: Annotated[float, Strict(), Field(ge=1, le=3600)] = 60.0
    """Smoothing, first step: every reading becomes the median of the readings within this many seconds,
    centred on it, which takes out single wild readings. Cut short at the ends of the log."""

    mean_s: Annotated[float, Strict(), Field(ge=1, le=3600)] = 120.0
    """Smoothing, second step: the mean over this many seconds of what the first step left.
    The peak, the plateau and the mean rate of change are read off the curve smoothed like this."""

    hold_min: Positive = 3.0
    """A threshold is reached when the temperature comes to it and stays there or higher for this many
    minutes; the time to it runs until it came there."""

    bridge_min: NotNegative = 2.0
    """The longest spell above a threshold runs on through dips that are shorter than this many minutes."""

    end_tolerance_min: NotNegative = 2.0
    """A log that ends within this many minutes before the stop on the burn sheet is complete, and one that
    begins within this many minutes after time zero began in time."""

    plateau_min: tuple[NotNegative, Positive] | None = None
    """The plateau, from and to, in minutes after time zero: [30, 90]. Left out: the longest spell in the
    hotter half of the burn in which the smoothed temperature stays within `plateau_band_k` of one level."""

    plateau_band_k: Positive = 10.0
    """How far from its own level, up or down, the temperature may go and still be on the plateau."""

    trend_min: Annotated[float, Strict(), Field(gt=0, le=240)] = 20.0
    """Steadiness and departures are measured from a local trend: the running median over this many
    minutes."""

    rate_step_s: Annotated[float, Strict(), Field(ge=10, le=3600)] = 60.0
    """The mean rate of change is taken between points this many seconds apart on the smoothed curve."""

    departure_k: Positive = 10.0
    """A departure is a stretch that lies farther than this from the local trend, above or below it …"""

    departure_min: Positive = 1.0
    """… for at least this many minutes."""

    lid_settle_min: NotNegative = 3.0
    """Steadiness and departures leave out the time the lid was open and this many minutes after it."""

    near_ambient_k: Positive = 20.0
    """The cooker is near ambient once it is less than this above the air, and stays so."""

    cool_down_c: tuple[Finite, Finite] | None = None
    """Cool-down is the time from the first of these temperatures to the second, after the peak:
    [200, 110]. Left out: from the highest to the lowest threshold, where there are two."""

    leftover_credit: Share = 1.0
    """Share of the fuel left over that is credited to the cost: 1 if all of it is used again, 0 if none."""

    balance_division_g: Positive = 1.0
    """The smallest step the balance shows. Together with the next two it gives the uncertainty of masses."""

    balance_linearity_g: NotNegative = 0.0
    """The balance's linearity by its data sheet: plus or minus so many grams."""

    balance_repeatability_g: NotNegative = 0.0
    """Standard deviation of the balance when the same load is weighed again and again."""

    @property
    def weighing_u_g(self) -> float:
        """What each weighing has anew: u² = (d/√12)² + repeatability² (DEVELOPERS.md, physics)."""
        return math.hypot(self.balance_division_g / math.sqrt(12), self.balance_repeatability_g)

    @property
    def linearity_u_g(self) -> float:
        """What all weighings share: linearity/√3."""
        return self.balance_linearity_g / math.sqrt(3)

    def shortened(self, parts: int) -> Measuring:
        """Return the windows at one part in so many, for burns of minutes; those declared stay as declared."""
        left = set(WINDOWS) - self.model_fields_set if parts > 1 else set()
        return self.model_copy(update={name: getattr(self, name) / parts for name in left})

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.plateau_min and not self.plateau_min[0] < self.plateau_min[1]:
            raise ValueError("plateau_min is [from, to], the earlier first")
        if self.cool_down_c and not self.cool_down_c[0] > self.cool_down_c[1]:
            raise ValueError("cool_down_c is [from, to], the hotter first")
        return self


WINDOWS = [name for name in Measuring.model_fields if name.endswith(("_s", "_min")) and name != "plateau_min"]
"""The windows in time: shortened alike where the burns of a trial last minutes, not hours."""
