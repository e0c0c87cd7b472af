"""Logger files to tidy readings: dialects, clocks, calibration, flags."""

from kit.readings.calibration import ProbeUncertainty, probe_uncertainty
from kit.readings.fires import Fire, find_fires
from kit.readings.read import Dialect, Log, read_log
from kit.readings.run_readings import RunReadings, read_burns, read_run, with_log_days

__all__ = [
    "Dialect",
    "Fire",
    "Log",
    "ProbeUncertainty",
    "RunReadings",
    "find_fires",
    "probe_uncertainty",
    "read_burns",
    "read_log",
    "read_run",
    "with_log_days",
]
