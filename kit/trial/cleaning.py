"""The limits by which readings are flagged: the [cleaning] table of trial.toml, each with its default."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, Strict

from kit.metrics.measuring import Finite, NotNegative, Positive, Share
from kit.trial.key_types import Unit, Yes

Several = Annotated[int, Strict(), Field(ge=3)]


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

    spike_k_per_s: Annotated[NotNegative, Unit("K/s")] = 3.0
    """… and so many K more for each second between readings, since an opened lid or a flare-up can be over
    before the next reading of a slow log."""

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

    stuck_s: Positive = 600.0
    """The same value for this long is a stuck channel, if readings before and after it scatter, or if it
    ends with a jump of `stuck_jump_k`. A slow fire read in whole degrees stands still without being stuck."""

    stuck_n: Several = 20
    """… and only if that many readings in a row are the same."""

    stuck_jump_k: Positive = 8.0
    """… the jump that shows that the temperature went on while the display stood still (and five times
    the channel's resolution)."""

    saturated_n: Several = 5
    """The channel's highest value that many times in a row, for at least `saturated_s`, is the end of the
    logger's range, if the curve ran into it while still climbing (`saturated_steps`)."""

    saturated_s: NotNegative = 15.0
    """… and the seconds for which that value has to stand there."""

    saturated_steps: Positive = 3.0
    """Climb into a run of highest values, in steps of the channel's resolution a reading, that shows the
    curve was cut off there."""

    reversed_k: Positive = 30.0
    """A channel that reads this much below the air (ambient_c of the burn sheet, else its own first
    reading) has its wires swapped: it falls as the fire rises."""

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
    """A reading that two files hold counts once where their stamps agree to within this time (and within 0.4 steps)."""

    most_lost: Share = 0.05
    """Share of a burn's readings, or of its time, at the main probe that may be lost, flagged or never logged before
    `check` asks about it. Raise it once you have looked at the log, or exclude the burn with a reason."""

    lag_correction: Yes = False
    """Correct readings for the probe's slowness, T + τ·dT/dt. Done only for probes whose
    `time_constant_s` was measured and that were read at least twice in a time constant."""

    lag_window_s: Positive = 30.0
    """Time over which the slope of that correction is taken (a straight line through the readings)."""
