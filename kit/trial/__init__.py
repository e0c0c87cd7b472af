"""The run folder: trial file, burn sheet, events, scores, scaffold, the plan as written and its hash."""

from kit.trial.clocks import Times, event_times, relative_times
from kit.trial.logs import log_names
from kit.trial.models import Fuel, Logger, Probe
from kit.trial.run import Run, open_run
from kit.trial.side_sheets import probe_names
from kit.trial.trial import Margin, Trial

__all__ = [
    "Fuel",
    "Logger",
    "Margin",
    "Probe",
    "Run",
    "Times",
    "Trial",
    "event_times",
    "log_names",
    "open_run",
    "probe_names",
    "relative_times",
]
