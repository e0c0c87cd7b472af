"""The run folder: trial file, burn sheet, events, scores, scaffold, the plan as written and its hash."""

from kit.trial.models import Trial
from kit.trial.plan_file import Plan, deviations, plan_of, read_plan, write_plan
from kit.trial.run import Run, open_run

__all__ = ["Plan", "Run", "Trial", "deviations", "open_run", "plan_of", "read_plan", "write_plan"]
