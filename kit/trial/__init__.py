"""The run folder: trial file, burn sheet, events, scores, scaffold, the plan as written and its hash."""

from kit.trial.clocks import Times, event_times, relative_times
from kit.trial.models import Logger, Probe, Trial
from kit.trial.plan_file import Plan, deviations, plan_hash, plan_of, read_plan, write_plan
from kit.trial.run import Run, fuel_ids, look_into, open_run
from kit.trial.run_sheets import log_names, probe_names
from kit.trial.scaffold import demo_folder

__all__ = [
    "Logger",
    "Plan",
    "Probe",
    "Run",
    "Times",
    "Trial",
    "demo_folder",
    "deviations",
    "event_times",
    "fuel_ids",
    "log_names",
    "look_into",
    "open_run",
    "plan_hash",
    "plan_of",
    "probe_names",
    "read_plan",
    "relative_times",
    "write_plan",
]
