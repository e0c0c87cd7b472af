"""Logger files to tidy readings: dialects, clocks, calibration, flags."""

from kit.readings.log import Dialect, Log
from kit.readings.read import read_log

__all__ = ["Dialect", "Log", "read_log"]
