"""Curves of known shape, as readings and run folders in memory."""

from pathlib import Path

import numpy as np
import pandas as pd

from kit import schema
from kit.burns.logged_burns import burns_of, main_probe
from kit.metrics import metric_of
from kit.metrics.measuring import Measuring
from kit.trial import Run, Trial
from kit.trial.models import Fuel

TEXTS = [column.name for column in schema.BURNS if column.kind in ("text", "clock")]
BURNS = schema.names("burns")


def sheet(**columns):
    """A burn sheet as open_run gives it; single values are repeated."""
    n = max((len(value) for value in columns.values() if isinstance(value, list)), default=1)
    filled = {name: value if isinstance(value, list) else [value] * n for name, value in columns.items()}
    table = pd.DataFrame(filled)
    for name in BURNS:
        if name not in table:
            table[name] = "" if name in TEXTS else np.nan
    if "state" not in table:
        table["state"] = np.where(table["excluded"] == "", "done", "excluded")
    return table


def run_of(burns, **trial):
    fuels = trial.pop("fuels", None) or tuple(Fuel(id=name) for name in dict.fromkeys(burns["fuel"]))
    measuring = Measuring(**trial.pop("measuring", {}))
    trial = Trial(**{"thresholds": (110.0, 180.0), "fuels": fuels, "measuring": measuring, **trial})
    nothing = pd.DataFrame(columns=["burn"])
    return Run(Path("nowhere"), trial, burns, nothing, nothing)


def readings_of(seconds, celsius, burn="1", probe="grate", flag=""):
    seconds = np.asarray(seconds, float)
    return pd.DataFrame(
        {
            "burn": burn,
            "probe": probe,
            "elapsed_s": seconds,
            "temp_c": np.broadcast_to(np.asarray(celsius, float), seconds.shape),
            "flag": flag,
        }
    )


def one(seconds, celsius, *, flag="", stop=None, trial=None, **columns):
    """Readings and run of a single burn lit at 10:00:00; the stop in seconds after that."""
    clocks = {"lit": "10:00:00", "day": "2026-05-14"}
    if stop is not None:
        clocks["stopped"] = str(pd.Timestamp("2026-05-14 10:00") + pd.Timedelta(seconds=stop))[11:]
    burns = sheet(**{"burn": "1", "fuel": "alder", "bag": "a1", "ambient_c": 20.0, **clocks, **columns})
    return readings_of(seconds, celsius, flag=flag), run_of(burns, **(trial or {}))


def parts_of(readings, run, metric):
    """The parts of the uncertainty that the run's one burn has of a metric on its own."""
    (burn,) = burns_of(readings, run, [main_probe(readings, run.trial)]).values()
    return metric_of(burn, run.trial.metric(metric)).u


def value(table, metric, burn="1"):
    row = table[(table["metric"] == metric) & (table["burn"] == burn)]
    assert len(row) == 1, metric
    return row.iloc[0]
