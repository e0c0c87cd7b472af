"""What the loggers would have written of simulated burns: probe faults and file text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

import numpy as np

from kit.plan.burning import Floats

FaultKind = Literal["battery", "spike", "stuck", "lid open", "wind"]
PROBES = ("grate", "lid")
NOTE = "SIMULATED readings, made by the repeatburn kit: no fuel was burnt"


@dataclass(frozen=True)
class Fault:
    """Something that goes wrong in one simulated burn.

    Attributes
    ----------
    kind
        'battery' ends the log; 'spike' and 'stuck' touch one probe; 'lid open' and 'wind' touch the burn.
    burn
        Id of the burn.
    after_min, minutes
        From lid on to the fault, and how long it lasts (for 'wind' neither is used).
    probe
        Id of the probe.
    value
        Height of the spike in K; the wind in m/s.
    """

    kind: FaultKind
    burn: str
    after_min: float = 0.0
    minutes: float = 0.0
    probe: str = "grate"
    value: float = 0.0


@dataclass(frozen=True)
class Recording:
    """Readings of one burn as logged: clock stamps, and °C of each probe (readings × probes)."""

    burn: str
    probes: tuple[str, ...]
    stamps: tuple[datetime, ...]
    temps: Floats


def record(
    burn: str,
    lit: datetime,
    time_s: Floats,
    true_c: Floats,
    end_s: float,
    lid_on_s: float,
    seed: int,
    faults: Sequence[Fault] = (),
    interval_s: float = 20.0,
    probes: Sequence[str] = PROBES,
) -> Recording:
    """Read simulated probe temperatures as a logger would.

    Parameters
    ----------
    time_s, true_c
        Seconds since lit, and true temperatures (times × probes).
    end_s, lid_on_s
        When logging ends and when the lid went on, since lit.
    seed
        Of the noise of one reading; the turbulence of hot gas is part of it.
    """
    rng = np.random.default_rng([seed, 31])
    at = np.arange(0.0, end_s + 1, interval_s)
    columns = [np.interp(at, time_s, true_c[:, k]) for k in range(true_c.shape[1])]
    temps = np.column_stack(columns)
    swirl = 0.004 * (temps - temps[:1]) * rng.standard_normal(temps.shape)
    temps = np.round(temps + swirl + 0.1 * rng.standard_normal(temps.shape), 1)
    for fault in faults:
        probe = list(probes).index(fault.probe) if fault.probe in probes else 0
        temps, at = _spoil(temps, at, fault, probe, lid_on_s)
    stamps = tuple(lit + timedelta(seconds=float(second)) for second in at)
    return Recording(burn, tuple(probes), stamps, temps)


def _spoil(temps: Floats, at: Floats, fault: Fault, probe: int, lid_on_s: float) -> tuple[Floats, Floats]:
    begin = lid_on_s + 60 * fault.after_min
    first = int(np.searchsorted(at, begin))
    last = int(np.searchsorted(at, begin + 60 * fault.minutes))
    if fault.kind == "battery":
        return temps[:first], at[:first]
    temps = temps.copy()
    if fault.kind == "spike":
        temps[first, probe] += fault.value
    if fault.kind == "stuck":
        temps[first:last, probe] = temps[first, probe]
    return temps, at


def plain_text(recordings: Sequence[Recording]) -> str:
    """Return a file of the plain kind: a note, a header, ISO stamps, decimal points."""
    head = [f"# {NOTE}", "time," + ",".join(f"{probe} (°C)" for probe in recordings[0].probes)]
    rows = [
        f"{stamp:%Y-%m-%d %H:%M:%S}," + ",".join(f"{value:.1f}" for value in temps)
        for recording in recordings
        for stamp, temps in zip(recording.stamps, recording.temps, strict=True)
    ]
    return "\n".join([*head, *rows, ""])


def comma_text(recordings: Sequence[Recording]) -> str:
    """Return a file of another dialect: semicolons, decimal commas, day first."""
    head = [f"{NOTE};;", "Logger;spare;", "Time;" + ";".join(f"{probe} °C" for probe in recordings[0].probes)]
    rows = [
        f"{stamp:%d.%m.%Y %H:%M:%S};" + ";".join(f"{value:.1f}" for value in temps).replace(".", ",")
        for recording in recordings
        for stamp, temps in zip(recording.stamps, recording.temps, strict=True)
    ]
    return "\r\n".join([*head, *rows, ""])
