"""Whether a run folder can be analysed: every fault of trial file, burn sheet and logs at once, and a line a burn."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import cast

import pandas as pd

from kit import schema
from kit.errors import KitError, Problem
from kit.readings import RunReadings, read_run, with_log_days
from kit.trial import LookedInto, look_into
from kit.trial.logs import LOGS

FOR_THE_LOGS = frozenset({"trial", "cleaning", "probe", "logger"})
"""Tables of trial.toml without which a question about a log may have been answered already."""


@dataclass(frozen=True)
class Checked:
    """A folder that can be analysed: what was read of each burn, for people and for programs.

    Attributes
    ----------
    lines
        A line a burn, then the notes.
    records
        A record a burn: burn, fuel, state, duration_s, peak_c, n, n_flagged, cut_short.
    notes
        What was read with a notice.
    """

    lines: list[str]
    records: list[dict[str, object]]
    notes: list[str]


def check(run_folder: str | Path) -> Checked:
    """Read everything in a run folder and say what was found, a line a burn.

    Raises
    ------
    KitError
        With every fault of the folder: of its sheets and of its logs.
    """
    looked = look_into(run_folder)
    logs = _logs(looked)
    looked.faults.settle()
    assert looked.run is not None and logs is not None
    run = with_log_days(looked.run, logs.readings)
    records = [_burn_record(row, logs) for row in run.burns.to_dict("records")]
    notes = [*run.notes, *log_notes(logs.notes)]
    return Checked([*map(_burn_line, records), *notes], records, notes)


def problems_of(run_folder: str | Path) -> tuple[Problem, ...]:
    """Return every fault of a folder, none where it can be analysed."""
    try:
        check(run_folder)
    except KitError as error:
        return error.problems
    return ()


def _logs(looked: LookedInto) -> RunReadings | None:
    """Read the logs of the burns whose rows are sound, and note their faults beside those of the sheets."""
    if looked.run is None:
        return None
    try:
        return read_run(looked.run)
    except KitError as error:
        unsure = bool(looked.lost & FOR_THE_LOGS)
        for problem in error.problems:
            if not unsure or (problem.kind == "refuse" and problem.where.startswith(LOGS)):
                looked.faults.take(KitError(problem))
        return None


def log_notes(notes: pd.DataFrame) -> list[str]:
    """Return a line a note, naming the one log it is about or counting the logs; a probe's is about none."""
    by_note = notes.groupby("note", sort=False)["file"].agg(list)
    return [f"{_about(files)}{note}" for note, files in by_note.items()]


def _about(files: list[str]) -> str:
    if not any(files):
        return ""
    return f"{files[0]}: " if len(files) == 1 else f"{len(files)} logs: "


def _burn_record(row: Mapping[Hashable, object], logs: RunReadings) -> dict[str, object]:
    record: dict[str, object] = {name: row[name] for name in ("burn", "fuel", "state")}
    spans = logs.spans[logs.spans["burn"] == row["burn"]]
    if spans.empty:
        return record
    readings = logs.readings[logs.readings["burn"] == row["burn"]]
    main = readings[readings["probe"] == spans["probe"].iloc[0]]
    good = main[main["flag"].astype(str).map(schema.usable) & (main["elapsed_s"] >= 0)]
    return record | {
        "duration_s": float(spans["stop_s"].fillna(spans["end_s"]).clip(upper=spans["end_s"]).max()),
        "peak_c": float(good["temp_c"].max()),
        "n": int(spans["n"].sum()),
        "n_flagged": int(spans["n_flagged"].sum()),
        "cut_short": bool(spans["cut_short"].any()),
    }


def _burn_line(record: Mapping[str, object]) -> str:
    if "duration_s" not in record:
        return f"burn {record['burn']}: {record['fuel']}, {record['state']}"
    minutes = round(cast(float, record["duration_s"]) / 60)
    count = cast(int, record["n_flagged"])
    flagged = f"{count} reading{'s' * (count > 1)} flagged" if count else "no reading flagged"
    parts = [f"{minutes // 60} h {minutes % 60:02} min", f"peak {record['peak_c']:.0f} °C", flagged]
    if record["cut_short"]:
        parts.append("the log ends before the burn does")
    if record["state"] == "excluded":
        parts.append("excluded")
    return f"burn {record['burn']}: {', '.join(parts)}"
