"""What a metric is measured from: one burn's curve at one probe, what was written down of it, what was not logged.

Two things are taken from the burn itself. Its fastest rise bounds how high the curve can have got in a hole
and come back. Its largest rebound (a dip that it made good again before the peak, or a rise after it) bounds
how far it may climb again once the peak has passed; where the burn shows less, the plateau's band counts.
The peak has passed when the curve has fallen from it by more than that.

What follows for a metric: time above, longest spell and band are 'at least' where the temperature may have been
there unseen; a peak is 'at least' where it may have been higher unseen, or the range ended; time to is 'at most'
where the threshold may have been reached before it was seen, 'at least' where it may still have come after the log,
and 'never' only where neither may be. Degree-hours and departures add up, so any part unseen makes them 'at least'.
Near ambient and cool-down run past the stop, to the log's end. A mean over a part of the burn is of another quantity,
not a bound: mean rate, plateau and steadiness are then missing. With doubts on both sides a metric is missing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from kit.metrics.curve import Array, Curve
from kit.metrics.measuring import Measuring

NO_CURVE = "no usable reading of the probe"
LATE = "the log began late"
CUT = "the log ended before the stop"
TOPPED = "fuel was added"
HOLE = "the log has a hole too long to bridge"
SATURATED = "the logger's range ended there"
ANYWHERE = float(np.finfo(float).min)
"""A threshold below all temperatures: whatever was not logged may have been above it."""


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
        """What may have happened where the log does not show the burn, up to the stop."""
        curve = self.known_curve
        shut = curve.smooth[~curve.lid] if not curve.lid.all() else curve.smooth
        top = int(np.argmax(shut))
        dips = np.maximum.accumulate(shut[: top + 1]) - shut[: top + 1]
        rises = shut[top:] - np.minimum.accumulate(shut[top:])
        rebound = max(curve.measuring.plateau_band_k, float(dips.max()), float(rises.max()))
        peak = int(np.argmax(curve.smooth))
        passed = bool(curve.smooth[peak] > curve.smooth[-1] + rebound)
        after = float(curve.smooth[-1]) + rebound if passed else np.inf
        left = curve.holes
        first, second, width = curve.celsius[left], curve.celsius[left + 1], curve.steps[left]
        higher = np.maximum(first, second)
        slopes = np.diff(curve.smooth)[curve.joined] / curve.steps[curve.joined]
        rise, fall = (max(slopes.max(), 0.0), max(-slopes.min(), 0.0)) if len(slopes) else (np.inf, np.inf)
        tops = (first + second + rise * width) / 2
        tops = np.where(left >= peak, np.minimum(tops, higher + rebound), tops)
        return Hidden(
            before=float(curve.celsius[0]) if curve.started_late else -np.inf,
            holes=np.maximum(tops, higher),
            hole_lows=(first + second - fall * width) / 2,
            after=after if curve.cut_short else -np.inf,
            end_note=TOPPED if curve.topped_up else CUT,
        )

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


@dataclass(frozen=True)
class Hidden:
    """The highest the temperature may have been where nothing was logged, in °C.

    Attributes
    ----------
    before
        Before the first reading; −inf where the log began in time. A fire being lit, it was no hotter
        than the first reading.
    holes, hole_lows
        Highest and lowest in each hole of the curve, in order.
    after
        After the last reading; −inf where the log went on to the stop, inf where the peak had not passed.
    end_note
        Why the curve ends before the stop.
    """

    before: float
    holes: Array
    hole_lows: Array
    after: float
    end_note: str

    def why_more(self, threshold: float = ANYWHERE, ceiling: float = np.inf) -> str:
        """Return why the temperature may have been from threshold to ceiling unseen, '' where it was not."""
        in_hole = (self.holes >= threshold) & (self.hole_lows <= ceiling)
        reasons = {
            LATE: self.before >= threshold,
            HOLE: in_hole.any(),
            self.end_note: self.after >= threshold,
        }
        return "; ".join(note for note, holds in reasons.items() if holds)
