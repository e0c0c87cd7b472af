"""What was measured of one metric of one burn: value, status, uncertainty by source, and why."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

SOURCES = ("resolution", "sampling", "gaps", "balance", "clock")
"""Sources of uncertainty that a burn has on its own: they shrink with more burns."""
MINUTE = 60.0
RECTANGLE = math.sqrt(12)
"""Anywhere in an interval: its width over √12 is the standard uncertainty (GUM 4.3.7)."""
NO_DOUBT: Mapping[str, float] = {}
_NOTHING = 1e-9


@dataclass(frozen=True)
class MeasuredValue:
    """One metric of one burn.

    Attributes
    ----------
    value
        In the metric's unit; a bound where `status` says so; NaN where there is none.
    status
        One of schema.STATUSES.
    u
        Standard uncertainty by source, in the metric's unit; empty for bounds.
    note
        Why it is missing or a bound, in a tester's words.
    """

    value: float
    status: str = "exact"
    u: Mapping[str, float] = field(default_factory=dict)
    note: str = ""

    @property
    def total_u(self) -> float:
        """Root of the sum of squares over the sources; NaN for bounds (GUM 5.1.2, uncorrelated)."""
        if self.status != "exact":
            return math.nan
        return math.sqrt(sum(part * part for part in self.u.values()))


def missing(note: str) -> MeasuredValue:
    """Return a metric that was not measured, with the reason."""
    return MeasuredValue(math.nan, "missing", note=note)


def never(note: str) -> MeasuredValue:
    """Return a threshold that a completed burn never reached."""
    return MeasuredValue(math.nan, "never", note=note)


def bounded(
    value: float, u: Mapping[str, float] = NO_DOUBT, *, more: str = "", less: str = ""
) -> MeasuredValue:
    """Return a value that the truth may exceed or fall short of.

    Parameters
    ----------
    value
        What was seen.
    u
        For an exact value: standard uncertainty by source.
    more, less
        Why the truth may be more or less, '' where it may not. Both: nothing is known.
    """
    if more and less:
        return missing(f"{more}; {less}")
    if more or less:
        return MeasuredValue(value, "at least" if more else "at most", note=more or less)
    return MeasuredValue(value, "exact", u)


def floor_zero(measured: MeasuredValue, least: float, what: str, why: str = "none was seen") -> MeasuredValue:
    """Return a zero as 'at most' the least that can be told from it (DEVELOPERS.md, method 9).

    Parameters
    ----------
    measured
        A metric of the log scale.
    least
        The least that can be told from zero, in the metric's unit.
    what
        Its name: 'one sampling interval'.
    why
        What zero means here.
    """
    if not measured.value <= _NOTHING:
        return measured
    if measured.status == "at least":
        return missing(f"{measured.note}; {why} before")
    if measured.status in ("exact", "at most") and least > 0:
        return MeasuredValue(least, "at most", note=f"{why}: less than {what}")
    return missing(f"zero, and {what} is not known")
