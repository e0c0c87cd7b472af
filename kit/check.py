"""Whether a run folder can be analysed: every fault of trial file, burn sheet and logs at once, and a line a burn."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import cast

import numpy as np
import pandas as pd

from kit import schema
from kit.burns.logged_burns import main_probe
from kit.burns.measure import measure
from kit.errors import Faults, KitError, Problem
from kit.readings import RunReadings, read_run, with_log_days
from kit.readings.fires import Span, fires_in
from kit.trial import Run, look_into
from kit.trial.run_sheets import LOGS, some_of

FOR_THE_LOGS = frozenset({"trial", "cleaning", "probe", "logger"})
"""Tables of trial.toml without which a question about a log may have been answered already."""
STILL_K, LEAST_RANGE_K = 3.0, 15.0
"""A main probe that moved by less stood still; by less than the second, it hardly saw the fire."""
LATE_S = 300.0
"""A fire that begins so long after time zero makes every time to something too long."""


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
    run, faults = look_into(run_folder)
    logs = _logs(run, faults)
    faults.settle()
    assert run is not None and logs is not None
    run = with_log_days(run, logs.readings)
    quality = quality_notes(run, logs)
    measured = measure(logs.readings, run)
    records = [_burn_record(row, logs) for row in run.burns.to_dict("records")]
    left_out = uncounted_words(uncounted(run, measured.metrics, measured.reasons))
    notes = [*run.notes, *left_out, *quality, *log_notes(logs.notes)]
    return Checked([*map(_burn_line, records), *notes], records, notes)


def problems_of(run_folder: str | Path) -> tuple[Problem, ...]:
    """Return every fault of a folder, none where it can be analysed."""
    try:
        check(run_folder)
    except KitError as error:
        return error.problems
    return ()


def _logs(run: Run | None, faults: Faults) -> RunReadings | None:
    """Read the logs of the burns whose rows are sound, and note their faults beside those of the sheets."""
    if run is None:
        return None
    try:
        return read_run(run)
    except KitError as error:
        unsure = bool(faults.lost & FOR_THE_LOGS)
        for problem in error.problems:
            if not unsure or (problem.kind == "refuse" and problem.where.startswith(LOGS)):
                faults.take(KitError(problem))
        return None


def quality_notes(run: Run, logs: RunReadings) -> list[str]:
    """Return a note a burn with readings lost, flagged or not logged at the main probe, in true counts.

    Raises
    ------
    KitError
        With a question a burn whose log is not sound enough to be judged by, or holds more than one fire: too much
        lost, flagged or never logged at the main probe ([cleaning] most_lost), a main probe that saw no fire, several
        fires in one row.
    """
    faults = Faults()
    all_sound = [*_soundness(run, logs)]
    for sound in all_sound:
        for found, expected, remedy in _doubts(sound, run.trial.cleaning.most_lost):
            faults.ask(f"burns.csv, burn {sound.burn}", found, expected, remedy)
        parts = [f"{sound.lost} of {sound.n} readings lost or flagged"] if sound.lost else []
        parts += [f"{sound.gap_share:.1%} of the time without a sound reading"] if sound.gap_share else []
        parts += [f"{len(sound.fires)} fires, with events between them"] if len(sound.fires) > 1 else []
        parts += [sound.late] if sound.late else []
        if parts:
            faults.note(f"Burn {sound.burn}, {sound.probe}: {', '.join(parts)}.")
    lowest = min(run.trial.thresholds, default=np.inf)
    still = [sound for sound in all_sound if sound.range_k < LEAST_RANGE_K]
    hot = [sound for sound in all_sound if sound.last_c >= lowest and not sound.is_cut_short]
    if still:
        reach = _reach([sound.range_k for sound in still])
        faults.note(f"{_some(still)}, probe {still[0].probe}: moved by {reach} K only.")
    if hot:
        faults.note(
            f"{_some(hot)}, probe {hot[0].probe}: ended at {_reach([sound.last_c for sound in hot])} °C, not below "
            f"{lowest:.4g} °C. Times above a temperature count to the stop alone; the fire may have gone on."
        )
    faults.settle()
    return faults.notes


def _doubts(sound: _Soundness, most_lost: float) -> Iterator[tuple[str, str, str]]:
    """Yield what was found, expected and is to do where a log is not sound enough, or holds more than one fire."""
    probe, few = sound.probe, f"at most {most_lost:.0%} ([cleaning] most_lost)"
    if sound.lost_share > most_lost:
        found = f"{sound.lost} of {sound.n} readings of {probe} ({sound.lost_share:.0%}) lost or flagged"
        remedy = "Mend the export, exclude the burn with a reason, or raise most_lost once you have looked."
        yield found, few, remedy
    elif sound.gap_share > most_lost:
        remedy = "Name the file that fills the gap, exclude the burn with a reason, or raise most_lost."
        yield f"no sound reading of {probe} in {sound.gap_share:.0%} of its time", few, remedy
    if sound.range_k < STILL_K:
        remedy = (
            "Name the right column in [[logger]] columns, mend the times, or exclude the burn with a reason."
        )
        yield f"{probe} moved by {sound.range_k:.1f} K only", "a main probe that sees the fire", remedy
    if len(sound.fires) > 1 and not sound.has_events:
        found = f"{len(sound.fires)} fires in one row: begun about {sound.begun}"
        remedy = (
            "Give each fire a row with its lit and stopped, or note in events.csv what was done in between."
        )
        yield found, "a row a fire", remedy


@dataclass(frozen=True)
class _Soundness:
    """What the log of one burn is worth at the main probe."""

    burn: str
    probe: str
    n: int
    lost: int
    gap_share: float
    range_k: float
    last_c: float
    is_cut_short: bool
    fires: tuple[Span, ...]
    clock_zero: str
    has_events: bool

    @property
    def lost_share(self) -> float:
        return self.lost / self.n if self.n else 1.0

    @property
    def begun(self) -> str:
        """When the fires began: clock times, or minutes after time zero."""
        if not self.clock_zero:
            return ", ".join(f"{fire.begin_s / 60:.0f} min" for fire in self.fires)
        zero = datetime.fromisoformat(self.clock_zero)
        return ", ".join(f"{zero + timedelta(seconds=fire.begin_s):%H:%M}" for fire in self.fires)

    @property
    def late(self) -> str:
        """That the fire begins long after the first reading of a log without a clock, which counts as time zero."""
        late = self.fires[0].begin_s if self.fires and not self.clock_zero else 0.0
        words = "time zero is the first reading, as the log has no clock; the fire begins"
        return f"{words} {late / 60:.0f} min later" if late > LATE_S else ""


def _soundness(run: Run, logs: RunReadings) -> Iterator[_Soundness]:
    """Return what the logs of the burns that count are worth, in the order of the sheet."""
    main = main_probe(logs.readings, run.trial)
    counts = logs.quality[logs.quality["probe"] == main].set_index("burn")
    spans = logs.spans[logs.spans["probe"] == main].set_index("burn")
    meant = logs.flags[(logs.flags["probe"] == main) & (logs.flags["flag"] == "after top-up")]
    topped = meant.groupby("burn")["n"].sum()
    curves = dict(iter(logs.readings.groupby("burn", observed=True)))
    for burn in [burn for burn in run.in_state("done")["burn"] if burn in counts.index]:
        rows = curves[burn]
        rows = rows[(rows["probe"] == main).to_numpy()]
        usable = rows["flag"].astype(str).map(schema.usable).to_numpy()
        seconds, celsius = rows["elapsed_s"].to_numpy(), rows["temp_c"].to_numpy()
        span, count = spans.loc[burn], counts.loc[burn]
        stop = float(np.fmin(span["end_s"], span["stop_s"]))  # the log's end where no stop is written
        good = usable & np.isfinite(celsius) & (seconds >= 0) & (seconds <= stop)
        steps = np.diff(seconds[good])
        gaps = float(steps[steps > run.trial.cleaning.bridge_gap_s].sum())
        is_looked_at = count["fires"] > 1 or not span["clock_zero"]
        fires = fires_in(seconds, np.where(usable, celsius, np.nan)) if is_looked_at else []
        yield _Soundness(
            burn,
            main,
            int(count["n"] + count["n_lost"]),
            max(int(count["n_unusable"] - topped.get(burn, 0) + count["n_lost"]), 0),
            gaps / stop if stop > 0 else 0.0,
            float(np.ptp(celsius[good])) if good.any() else 0.0,
            float(celsius[good][-1]) if good.any() else -np.inf,
            bool(span["cut_short"]),
            tuple(fire for fire in fires if fire.begin_s < stop),
            str(span["clock_zero"]),
            bool((run.events["burn"] == burn).any()),
        )


def _named(burns: list[str]) -> str:
    return f"Burn{'s' * (len(burns) > 1)} {', '.join(burns)}"


def _some(of: list[_Soundness]) -> str:
    """Name the first of these burns, and count the others."""
    return f"Burn{'s' * (len(of) > 1)} {some_of([sound.burn for sound in of])}"


def _reach(values: list[float]) -> str:
    """Return a whole number, or the least and the largest of several."""
    return " to ".join(dict.fromkeys(f"{end:.0f}" for end in (min(values), max(values))))


def uncounted(run: Run, metrics: pd.DataFrame, reasons: pd.DataFrame) -> pd.DataFrame:
    """Return the burns that were done and count for nothing in a primary metric.

    Parameters
    ----------
    run
        The run folder.
    metrics, reasons
        As `kit.burns` measured them.

    Returns
    -------
    DataFrame
        schema.UNCOUNTED: burn, metric, why.
    """
    done = set(run.in_state("done")["burn"])
    lacking = metrics[metrics["metric"].isin(run.trial.primary) & (metrics["status"] == "missing")]
    why = {(row.burn, row.metric): row.note for row in reasons.itertuples()}
    pairs = [(row.burn, row.metric) for row in lacking.itertuples() if row.burn in done]
    rows = [(*pair, why.get(pair, "not measured")) for pair in pairs]
    return pd.DataFrame(rows, columns=schema.names("uncounted"), dtype="str")


def uncounted_words(table: pd.DataFrame) -> list[str]:
    """Return a sentence a metric and reason, naming the burns that do not count for it."""
    return [
        f"{_named(list(rows['burn']))} {'do' if len(rows) > 1 else 'does'} not count for {metric}: {why}."
        for (metric, why), rows in table.groupby(["metric", "why"], sort=False)
    ]


def log_notes(notes: pd.DataFrame) -> list[str]:
    """Return a line a note, naming the one log it is about or counting the logs; a probe's is about none."""
    lines = []
    for note, files in notes.groupby("note", sort=False)["file"].agg(list).items():
        about = f"{files[0]}: " if len(files) == 1 else f"{len(files)} logs: "
        lines.append(f"{about if any(files) else ''}{note}")
    return lines


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
