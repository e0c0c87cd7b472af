"""Probes put right by ice and boiling water, for slowness where it was measured, and how well they are known."""

import math
import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from kit.data_file import data_file
from kit.errors import KitError
from kit.trial import Run
from kit.trial.cells import Floats
from kit.trial.decode import fault
from kit.trial.models import Cleaning, Probe

_DEFAULT_CLASS = "K 2"
_DEFAULT_RESOLUTION = 0.1
SEA_LEVEL_KPA = 101.325
KPA_TO_MMHG = 7.500616827


@dataclass(frozen=True)
class Correction:
    """A probe's correction: true = gain · (read − offset)."""

    offset: float = 0.0
    gain: float = 1.0

    def apply(self, celsius: Floats) -> Floats:
        """Return corrected temperatures."""
        return self.gain * (celsius - self.offset)

    @property
    def is_none(self) -> bool:
        """Whether it changes nothing."""
        return self.offset == 0.0 and self.gain == 1.0


@dataclass(frozen=True)
class ProbeUncertainty:
    """How well a probe's readings are known; common to all its burns.

    Attributes
    ----------
    u_offset
        Standard uncertainty of an offset common to all its readings, K.
    u_gain
        Relative standard uncertainty of its scale (K per °C read).
    u_resolution
        Standard uncertainty of one reading from the smallest step shown, K.
    source, edition
        What it was taken from, and the edition of the tolerances.
    """

    probe: str
    u_offset: float
    u_gain: float
    u_resolution: float
    source: str
    edition: str


@lru_cache(maxsize=1)
def tolerances() -> dict[str, Any]:
    """Return the table of tolerances that stands beside this module."""
    return data_file(__file__, "tolerances.toml")


def pressure_kpa(altitude_m: float) -> float:
    """Return the standard pressure at an altitude: 101.325·(1 − 2.25577e−5·h)^5.2559 kPa (DEVELOPERS.md, physics)."""
    return float(SEA_LEVEL_KPA * (1 - 2.25577e-5 * altitude_m) ** 5.2559)


def boiling_point(kpa: float) -> float:
    """Return the boiling point of water in °C by Antoine: 1730.63/(8.07131 − log10 p) − 233.426, p in mmHg."""
    return 1730.63 / (8.07131 - math.log10(kpa * KPA_TO_MMHG)) - 233.426


def correction_of(probe: Probe | None) -> Correction:
    """Return the correction by a probe's ice and boiling-water readings.

    Raises
    ------
    KitError
        'ask' where the boiling point cannot be known for want of altitude or pressure.
    """
    if probe is None or (probe.ice_reads is None and probe.boil_reads is None):
        return Correction()
    if probe.boil_reads is None:
        return Correction(offset=float(probe.ice_reads or 0.0))
    if probe.pressure_hpa is not None:
        boils = boiling_point(probe.pressure_hpa / 10)
    elif probe.altitude_m is not None:
        boils = boiling_point(pressure_kpa(probe.altitude_m))
    else:
        raise KitError.ask(f"trial.toml, probe {probe.id}", *fault("boiled where"))
    if probe.ice_reads is None:
        return Correction(offset=probe.boil_reads - boils)
    if not 50.0 < probe.boil_reads - probe.ice_reads < 150.0:
        words = fault("ice and boiling", ice=probe.ice_reads, boiling=probe.boil_reads)
        raise KitError.refuse(f"trial.toml, probe {probe.id}, ice_reads and boil_reads", *words)
    return Correction(probe.ice_reads, boils / (probe.boil_reads - probe.ice_reads))


def probe_uncertainty(run: Run, probe: str) -> ProbeUncertainty:
    """Return how well one probe's readings are known.

    A two-point check leaves the bath, the boiling point, drift since then, and the widening of the gain
    beyond 100 °C; else the tolerance of its class and the logger's cold junction hold (half-width / √3).
    """
    declared, table = run.trial.find_probe(probe), tolerances()
    step = declared.resolution if declared is not None and declared.resolution else _DEFAULT_RESOLUTION
    u_step, known = step / math.sqrt(12), table["two_point_check"]
    name, said = _class_of(declared.tolerance_class if declared is not None else "")
    entry = table["class"][name]
    junction = 0.0 if entry.get("no_cold_junction") else table["cold_junction"]["half_width"]
    u_offset, u_gain = math.hypot(entry["fixed"], junction) / math.sqrt(3), entry["share"] / math.sqrt(3)
    source = entry["source"] if said else f"no class declared: {entry['source']} assumed"
    source += ", and the cold junction" if junction else ""
    reads = {} if declared is None else {"ice_u": declared.ice_reads, "boil_u": declared.boil_reads}
    u_baths = [math.hypot(known[bath], u_step) for bath, read in reads.items() if read is not None]
    if u_baths:
        u_offset = math.hypot(u_baths[0], known["drift_u"])
        source = f"one-point check; {source} for the gain"
    if len(u_baths) == 2:
        u_gain = math.hypot(math.hypot(*u_baths) / 100, known["beyond_share"] / math.sqrt(3))
        source = "two-point check"
    return ProbeUncertainty(probe, u_offset, u_gain, u_step, source, str(table["edition"]))


def _class_of(text: str) -> tuple[str, bool]:
    """Return the key of a class as testers write it ('2', 'type K class 1', 'Pt100 A'), and whether it is known."""
    plain = text.casefold()
    if re.search(r"pt|rtd|resist", plain):
        letter = re.search(r"(?<![a-z])([ab])(?![a-z])", plain)
        return (f"Pt {letter[1].upper()}" if letter else "Pt B"), bool(letter)
    kind = re.search(r"(?<![a-z])([knjt])(?![a-z])", plain)
    number = re.search(r"(?<![0-9])([12])(?![0-9])", plain)
    if not number:
        return _DEFAULT_CLASS, False
    return f"{kind[1].upper() if kind else 'K'} {number[1]}", True


def lag_corrected(
    seconds: Floats, celsius: Floats, probe: Probe | None, cleaning: Cleaning
) -> tuple[Floats, str]:
    """Return temperatures put right for the probe's slowness, T + τ·dT/dt, and why not where they are not.

    Done where it was asked for, the time constant τ was measured, and the sampling interval is at most
    τ/2 (DEVELOPERS.md, physics). The slope is that of a straight line through the readings of `lag_window_s`.
    """
    if not cleaning.lag_correction:
        return celsius, ""
    tau = probe.time_constant_s if probe is not None else None
    if tau is None:
        return celsius, "no lag correction: its time constant was not measured"
    good = np.isfinite(celsius)
    steps = np.diff(seconds[good])
    steps = steps[steps > 0]
    if not len(steps) or float(np.median(steps)) > tau / 2:
        return celsius, "no lag correction: read less often than twice in a time constant"
    corrected = celsius.copy()
    corrected[good] += tau * _slopes(seconds[good], celsius[good], cleaning.lag_window_s)
    return corrected, ""


def _slopes(seconds: Floats, celsius: Floats, window: float) -> Floats:
    """Return the least-squares slope around each reading: Σ(t − t̄)(T − T̄) / Σ(t − t̄)², by running sums."""
    first = np.searchsorted(seconds, seconds - window / 2, side="left")
    last = np.searchsorted(seconds, seconds + window / 2, side="right")
    origin = seconds - seconds[0]

    def summed(values: Floats) -> Floats:
        total = np.concatenate([[0.0], np.cumsum(values)])
        return np.asarray(total[last] - total[first])

    n = (last - first).astype(np.float64)
    level = celsius - celsius.mean()
    t, y = summed(origin), summed(level)
    spread = summed(origin**2) - t**2 / n
    moved = summed(origin * level) - t * y / n
    slopes = np.divide(moved, spread, out=np.zeros(len(seconds)), where=spread > 1e-9)
    return np.asarray(slopes)
