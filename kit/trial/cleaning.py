"""The limits by which readings are flagged: the [cleaning] table of trial.toml, each with its default."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Several = Annotated[int, Field(ge=3)]


class Cleaning(BaseModel):
    """Every limit of the cleaning rules; a rule marks readings and never deletes one.

    The defaults belong to edition 1 of the rules and suit a cooker with thermocouples read every
    second to every minute. Temperatures and differences of them are in °C and K, times in seconds.
    Write a limit down before the first burn: a limit chosen after the curves are seen is no limit.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    spike_k: Positive = 30.0
    """A lone reading is a spike if it stands at least this many K away from both its neighbours, to the
    same side. Lower it for a calm cooker, raise it for an open flame."""

    spike_mads: Positive = 8.0
    """… and if it stands at least this many times the usual scatter (scaled median absolute deviation of
    the readings around it, each from the mean of its own neighbours) off the line between its neighbours."""

    spike_window: Several = 15
    """Readings from which that usual scatter is taken, centred on the one in question."""

    sentinels: tuple[Finite, ...] = (1372.0, 2000.0, -200.0)
    """Numbers, in the file's own unit, that a logger writes for an open circuit. These could also be
    honest temperatures, so they count only where the curve jumps there by `sentinel_jump_k` or more, or
    where the column holds nothing else. Numbers that can be nothing else (9999, -9999, 32767, …) and
    words ('OL', 'ERR', …) always count."""

    sentinel_jump_k: Positive = 100.0
    """How far a number of `sentinels` must stand from the readings around it to be one."""

    lowest_c: Finite = -60.0
    """Colder than this is impossible at a burn."""

    highest_c: Finite = 1372.0
    """Hotter than this is impossible for the probe's kind (1372 °C is the end of the type K tables)."""

    stuck_s: Positive = 1200.0
    """The same value for this long is a stuck channel, if the curve stood further off room temperature
    and moved faster before and after than its resolution can explain."""

    stuck_n: Several = 20
    """… and only if that many readings in a row are the same."""

    stuck_lone_k: Positive = 5.0
    """… and only if another probe of the burn moved by at least this many K meanwhile, or if the value
    leaves again by a jump of at least this many K."""

    saturated_n: Several = 4
    """The channel's highest value that many times in a row, reached by a climb of at least
    `saturated_climb_k` in one step, or left by such a fall, is the end of the logger's range."""

    saturated_climb_k: Positive = 5.0
    """Climb into (or fall out of) a run of highest values that shows the curve was cut off there."""

    reversed_k: Positive = 30.0
    """A channel that falls by this much below its start while the other probes rise by at least as much
    has its wires swapped; alone, one that falls this far below room temperature."""

    stepped_k: Positive = 80.0
    """A jump of this many K within `stepped_s`, that stays, and that no other probe follows by a quarter
    of it, is a probe that fell on the coals or was pulled out. It needs a second probe to tell."""

    stepped_s: Positive = 30.0
    """Time within which that jump happens (at least two readings)."""

    stepped_stays_s: Positive = 300.0
    """Time for which the curve must stay on its new level, to be no spike and no lid opened."""

    lid_open_s: NotNegative = 120.0
    """How long readings are marked after a 'lid open' event without an `until`."""

    lid_recovery_s: NotNegative = 0.0
    """How long readings stay marked after the lid was closed."""

    bridge_gap_s: NotNegative = 120.0
    """Gaps in a log up to this long are bridged by a straight line; longer ones are left out of every
    metric, which then says 'at least'."""

    clock_tolerance_s: NotNegative = 1.0
    """Two files overlap where their stamps agree to within this time."""

    lag_correction: bool = False
    """Correct readings for the probe's slowness, T + τ·dT/dt. Done only for probes whose
    `time_constant_s` was measured and that were read at least twice in a time constant."""

    lag_window_s: Positive = 30.0
    """Time over which the slope of that correction is taken (a straight line through the readings)."""
