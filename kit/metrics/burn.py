"""What a metric is measured from: one burn's curve at one probe, and what was written down of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

from kit.metrics.censoring import Hidden, hidden_of
from kit.metrics.curve import Curve
from kit.metrics.measuring import Measuring

NO_CURVE = "no usable reading of the probe"


@dataclass(frozen=True)
class SheetRow:
    """One burn as the burn sheet and the trial file have it; numbers are NaN where they are blank.

    Attributes
    ----------
    burn, fuel, bag, day, setting
        Labels, '' where blank.
    charge_g, charge_l, leftover_g, ash_g, ambient_c
        As weighed and read.
    ready_s
        Lit to tipped.
    stop_s
        Stop after time zero; None where the sheet does not tell.
    clock_s
        The step in which the burn's clock times are written: 60 or 1.
    price_per_kg
        Of its fuel, in the trial's currency.
    declared
        The row's declared columns.
    cool_down_c
        From and to of the cool-down in °C; None where there are no two temperatures to choose.
    bands
        Low and high of each cook's band in °C; None for a cook whose band the burn was not run to hold.
    measuring
        The windows, limits and balance it is measured by.
    """

    burn: str
    fuel: str
    bag: str
    day: str
    setting: str
    charge_g: float
    charge_l: float
    leftover_g: float
    ash_g: float
    ambient_c: float
    ready_s: float
    stop_s: float | None
    clock_s: float
    price_per_kg: float
    declared: Mapping[str, float]
    cool_down_c: tuple[float, float] | None
    bands: Mapping[str, tuple[float, float] | None] = field(default_factory=dict)
    measuring: Measuring = field(default_factory=Measuring)


@dataclass(frozen=True)
class Burn:
    """One burn at one probe: its row of the sheet, and its curve (None without usable readings)."""

    row: SheetRow
    curve: Curve | None
    n_flagged: int = 0

    @cached_property
    def hidden(self) -> Hidden:
        """What may have happened unseen, up to the stop."""
        return hidden_of(self.known_curve)

    @cached_property
    def to_the_end(self) -> Burn:
        """The burn with its curve to the end of the log, past the stop where the log goes on."""
        tail = self.known_curve.tail
        return replace(self, curve=tail) if tail else self

    @property
    def known_curve(self) -> Curve:
        """The curve, where there is one."""
        if self.curve is None:
            raise ValueError(NO_CURVE)
        return self.curve

    def shifted(self, offset: float, gain: float) -> Burn:
        """Return the burn as it were if its probe read T(1 + gain) + offset."""
        return replace(self, curve=self.known_curve.shifted(offset, gain))
