"""Log files and run folders for the tests."""

from datetime import datetime, timedelta

import numpy as np

from kit.readings import read_run
from kit.trial import open_run

START = datetime(2026, 5, 14, 10, 0, 0)


def log_text(text, folder, name="log.csv", encoding="utf-8"):
    """Write a file as it stands and return its path."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
    return path


def curve(seconds, ambient=20.0, peak=260.0, rise=1500.0, fall=9000.0):
    """A burn: a rise and a slow fall."""
    shape = (1 - np.exp(-np.asarray(seconds) / rise)) * np.exp(-np.asarray(seconds) / fall)
    return ambient + (peak - ambient) * shape / shape.max()


def csv_of(start, seconds, **columns):
    """A plain log: ISO stamps and a column of °C for each name, blank where NaN."""
    lines = ["time," + ",".join(f"{name} (°C)" for name in columns)]
    for k, second in enumerate(seconds):
        cells = ["" if np.isnan(values[k]) else f"{values[k]:.1f}" for values in columns.values()]
        lines.append(f"{start + timedelta(seconds=float(second)):%Y-%m-%d %H:%M:%S}," + ",".join(cells))
    return "\n".join(lines) + "\n"


def folder_of(folder, burns, logs, trial="", events=None):
    """Write a run folder and return it opened."""
    fuels = dict.fromkeys(row.split(",")[1] for row in burns.strip().splitlines()[1:])
    tables = "".join(f'[[fuel]]\nid = "{fuel}"\n' for fuel in fuels)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "trial.toml").write_text(f"{trial}\n{tables}", encoding="utf-8")
    (folder / "burns.csv").write_text(burns.strip() + "\n", encoding="utf-8")
    if events:
        (folder / "events.csv").write_text(events.strip() + "\n", encoding="utf-8")
    for name, text in logs.items():
        log_text(text, folder / "logs", name)
    return open_run(folder)


def read_folder(*args, **kwargs):
    """Write a run folder and read its logs."""
    return read_run(folder_of(*args, **kwargs))
