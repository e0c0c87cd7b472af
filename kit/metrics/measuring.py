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

    model_config = ConfigDict(frozen=True, extra="forbid")

    median_s: Annotated[float, Strict(), Field(ge=1, le=3600)] = 60.0
    mean_s: Annotated[float, Strict(), Field(ge=1, le=3600)] = 120.0
    hold_min: Positive = 3.0
    bridge_min: NotNegative = 2.0
    end_tolerance_min: NotNegative = 2.0
    plateau_min: tuple[NotNegative, Positive] | None = None
    plateau_band_k: Positive = 10.0
    trend_min: Annotated[float, Strict(), Field(gt=0, le=240)] = 20.0
    rate_step_s: Annotated[float, Strict(), Field(ge=10, le=3600)] = 60.0
    departure_k: Positive = 10.0
    departure_min: Positive = 1.0
    lid_settle_min: NotNegative = 3.0
    near_ambient_k: Positive = 20.0
    cool_down_c: tuple[Finite, Finite] | None = None
    leftover_credit: Share = 1.0
    balance_division_g: Positive = 1.0
    balance_linearity_g: NotNegative = 0.0
    balance_repeatability_g: NotNegative = 0.0

    @property
    def weighing_u_g(self) -> float:
        """What each weighing has anew: u² = (d/√12)² + repeatability² (DEVELOPERS.md, physics)."""
        return math.hypot(self.balance_division_g / math.sqrt(12), self.balance_repeatability_g)

    @property
    def linearity_u_g(self) -> float:
        """What all weighings share: linearity/√3."""
        return self.balance_linearity_g / math.sqrt(3)

    def shortened(self, parts: int) -> Measuring:
        """Return the windows at one part in so many, for burns of minutes; those declared stay, and now all are."""
        left = set(WINDOWS) - self.model_fields_set
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
