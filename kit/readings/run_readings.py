"""A run folder's logs to tidy readings: cut by the burn sheet, flagged, calibrated; and what they held, as tables."""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from kit import schema
from kit.errors import Faults
from kit.page.html_tables import as_table
from kit.page.text import element, join
from kit.readings.calibration import Correction, correction_of, lag_corrected
from kit.readings.cutting import (
    Recorded,
    Tell,
    Trace,
    Window,
    files_of,
    from_one_zero,
    joined,
    parted,
    read_files,
    traces_of,
    window_of,
)
from kit.readings.fires import fires_in
from kit.readings.flags import (
    BIT,
    Bits,
    Happened,
    Stack,
    flagged,
    handling,
    happened,
    is_usable,
    mark_stepped,
    resolutions,
    words,
)
from kit.readings.headings import SCALES
from kit.readings.temperatures import to_celsius
from kit.readings.timeline import usual_step
from kit.trial import Run
from kit.trial.cells import Floats
from kit.trial.decode import fault
from kit.trial.run_sheets import LOGS, has_times, log_names

_FAR_K, _NEAR_K = 15.0, 4.0
_FIRST = 3


LOG_DAYS = "days of the logs"
"""In `attrs` of the readings: JSON of the day of each burn whose sheet leaves it blank."""

_FILES_SHOWN = 12


@dataclass(frozen=True, eq=False, repr=False)
class RunReadings:
    """What the logs of a run folder held.

    Attributes
    ----------
    readings
        schema.READINGS; burn, probe and flag are categories. A burn's readings run from the stop of the
        burn before it in the same file to the start of the next one.
    spans
        schema.SPANS: a row a burn and probe.
    quality
        schema.QUALITY: a row a burn and probe.
    flags
        schema.FLAG_COUNTS: a row a burn, probe and flag.
    files
        A row a log file: file, sha256, bytes, rows, first and last clock, and how it was read.
    notes
        file, note: what a person should know of each file.
    """

    readings: pd.DataFrame
    spans: pd.DataFrame
    quality: pd.DataFrame
    flags: pd.DataFrame
    files: pd.DataFrame
    notes: pd.DataFrame

    def __repr__(self) -> str:
        burns, flagged = self.spans["burn"].nunique(), int(self.spans["n_flagged"].sum())
        of = f"{len(self.readings)} readings of {burns} burns from {len(self.files)} logs"
        return f"<RunReadings: {of}, {flagged} flagged>"

    def _repr_html_(self) -> str:
        flags = self.flags.groupby("flag", sort=False).agg(readings=("n", "sum"), burns=("burn", "nunique"))
        spans = self.spans[["burn", "probe", "interval_s", "n", "n_flagged", "cut_short"]]
        more = "Further columns are in .spans, the readings themselves in .readings."
        parts = [
            element("p", repr(self)[14:-1].capitalize() + "."),
            as_table(flags.reset_index(), "Flags", note="A flagged reading stays in its place."),
            as_table(spans, "What each burn's log held", note=more, rows=12),
        ]
        return str(join(parts))


@dataclass(frozen=True)
class Cut:
    """One burn cut out of its logs."""

    row: Mapping[str, Any]
    traces: tuple[Trace, ...]
    window: Window | None
    events: tuple[Happened, ...]
    clock_zero: str

    @property
    def air_c(self) -> float:
        """Temperature of the air around it, NaN where it is not known."""
        return float(self.row.get("ambient_c", np.nan))


def read_burns(run: Run) -> pd.DataFrame:
    """Return the readings of every burn.

    Columns of schema.READINGS: burn, probe, elapsed_s, temp_c, flag.

    Raises
    ------
    KitError
        With every fault of every log.

    Examples
    --------
    >>> read_burns(run).columns.tolist()[:5]
    ['burn', 'probe', 'elapsed_s', 'temp_c', 'flag']
    """
    return read_run(run).readings


def read_run(run: Run, tell: Tell | None = None) -> RunReadings:
    """Read all logs of a run folder, each file once, and cut, flag and calibrate the burns.

    Parameters
    ----------
    run
        The run folder as opened.
    tell
        Called before each file with its place, how many there are, and its name.

    Raises
    ------
    KitError
        With every fault of every log, and every burn whose times do not fit.

    Examples
    --------
    >>> logs = read_run(run)
    >>> len(logs.files), int((logs.readings["flag"] == "spike").sum())
    (34, 1)
    """
    faults = Faults()
    recorded = read_files(run, faults, tell)
    corrections: dict[str, Correction] = {}
    for probe in dict.fromkeys(probe for log in recorded.values() for probe in log.probes):
        with faults.gathering():
            corrections[probe] = correction_of(run.trial.find_probe(probe))
    _given_twice(run, recorded, faults)
    cuts = _cuts(run, recorded, faults)
    _no_main_probe(run, cuts, recorded, faults)
    check_units(run, recorded, cuts, faults)
    faults.settle()
    marked, corrected = _corrected(_flagged(run, cuts), corrections)
    readings, spans = _tidy(marked), span_table(marked)
    blank = set(run.burns.loc[run.burns["day"] == "", "burn"])
    zeros = zip(spans["burn"], spans["clock_zero"], strict=True)
    if days := {burn: zero[:10] for burn, zero in zeros if zero and burn in blank}:
        readings.attrs[LOG_DAYS] = json.dumps(days)
    notes = [*faults.notes, *corrected]
    tables = quality_table(marked), flag_table(marked), file_table(recorded), note_table(recorded, notes)
    return RunReadings(readings, spans, *tables)


def check_units(run: Run, recorded: Mapping[str, Recorded], cuts: Sequence[Cut], faults: Faults) -> None:
    """Ask about a probe whose burns begin far from the air, and at the air if its unit were another.

    Asked only of units that the file states: a declared one is taken as it is. Kelvin read as °C is asked of
    one burn, °F of two, since one warm cooker may begin anywhere.
    """
    firsts: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for trace, air in [(trace, cut.air_c) for cut in cuts for trace in cut.traces]:
        first = trace.celsius[np.isfinite(trace.celsius)][:_FIRST]
        if len(first) and np.isfinite(air):
            firsts.setdefault((trace.files[0], trace.probe), []).append((float(np.median(first)), air))
    for (name, probe), pairs in firsts.items():
        heading, logger = recorded[name].probes[probe], run.trial.logger_of(name)
        unit = recorded[name].log.dialect.units.get(heading, "")
        celsius, around = np.array(pairs).T
        declared = logger is not None and logger.unit
        if unit not in SCALES.values() or declared or (np.abs(celsius - around) <= _FAR_K).any():
            continue
        written = celsius * 1.8 + 32 if unit == "degF" else celsius + 273.15 if unit == "K" else celsius
        for other, least in (("K", 1), ("degF", 2), ("degC", 2)):
            as_other = to_celsius(written, other)
            if other == unit or len(pairs) < least or (np.abs(as_other - around) > _NEAR_K).any():
                continue
            values = {"begins": written[0], "celsius": celsius[0], "instead": as_other[0], "air": around[0]}
            told = fault("unit by the air", unit=unit, other=other, **values)
            faults.ask(f"{LOGS}/{name}, column {heading}", *told)


def _given_twice(run: Run, recorded: Mapping[str, Recorded], faults: Faults) -> None:
    """Refuse files of one content under two names, given to two burns that no clock parts."""
    files, column = files_of(run), run.trial.time_zero_column
    timed = {str(row["burn"]) for row in run.burns.to_dict("records") if row.get(column)}
    by_hash: dict[str, str] = {}
    for name, each in recorded.items():
        first = by_hash.setdefault(each.log.sha256, name)
        burns = dict.fromkeys([*files[first], *files[name]])
        if first != name and len(burns) > 1 and (each.wall is None or not timed.issuperset(burns)):
            told = fault("same bytes", first=f"{LOGS}/{first}", second=f"{LOGS}/{name}")
            faults.refuse(f"burns.csv, burns {' and '.join(burns)}, column log", *told)


def _cuts(run: Run, recorded: Mapping[str, Recorded], faults: Faults) -> list[Cut]:
    """Return every burn with its readings, in the order of the sheet."""
    rows = [row for row in run.burns.to_dict("records") if row["state"] != "planned"]
    files = files_of(run)
    by_file: dict[str, list[Window]] = {name: [] for name in recorded}
    for row in rows:
        own = Faults() if row["state"] == "excluded" else faults  # what an excluded burn lacks is no fault
        names = [name for name in log_names(str(row["log"] or "")) if name in recorded]
        found = [window_of(row, recorded[name], run, len(files[name]) > 1, own) for name in names]
        burns = [window for window in found if window]
        for window in burns if has_times(row) else from_one_zero(burns, recorded):
            by_file[window.file].append(window)
    windows = {(cut.burn, cut.file): cut for found in by_file.values() for cut in parted(found, faults)}
    cuts = []
    for row in rows:
        burn, parts = str(row["burn"]), dict[str, list[Trace]]()
        names = [name for name in log_names(str(row["log"] or "")) if (burn, name) in windows]
        for name in names:
            for trace in traces_of(windows[burn, name], recorded[name]):
                parts.setdefault(trace.probe, []).append(trace)
        clocked = all(recorded[name].wall is not None for name in names)
        tolerance = run.trial.cleaning.clock_tolerance_s
        traces = [joined(same, clocked, tolerance, faults) for same in parts.values()]
        traces = [trace for trace in traces if len(trace.seconds)]
        if names and not traces and row["state"] != "excluded":
            faults.refuse(f"burns.csv, burn {burn}", *fault("no readings", logs=", ".join(names)))
        first, log = (windows[burn, names[0]], recorded[names[0]]) if names else (None, None)
        events = happened(run, row, first, log, faults)
        cuts.append(Cut(row, tuple(traces), first, tuple(events), _clock_zero(first, log)))
    return cuts


def _clock_zero(window: Window | None, recorded: Recorded | None) -> str:
    """Return the clock time of time zero, ISO 8601; '' without a dated clock."""
    if window is None or recorded is None or recorded.wall is None or not recorded.log.dialect.dated:
        return ""
    elapsed, clock = recorded.times(window.group)
    place = int(np.clip(np.searchsorted(elapsed, window.zero), 0, len(elapsed) - 1))
    wall = int(clock[place]) + round((window.zero - float(elapsed[place])) * 1e9)
    return f"{pd.Timestamp(wall):%Y-%m-%dT%H:%M:%S}"


def _no_main_probe(run: Run, cuts: Sequence[Cut], recorded: Mapping[str, Recorded], faults: Faults) -> None:
    """Refuse burns whose logs do not hold the main probe, a problem a set of headings: they would drop out unseen."""
    counted = [cut for cut in cuts if cut.traces and cut.row["state"] != "excluded"]
    main = run.trial.main_probe or next((trace.probe for cut in counted for trace in cut.traces), "")
    lacking: dict[tuple[str, ...], list[Cut]] = {}
    for cut in counted:
        probes = tuple(trace.probe for trace in cut.traces)
        if main not in probes:
            lacking.setdefault(probes, []).append(cut)
    for probes, those in lacking.items():
        files = list(dict.fromkeys(name for cut in those for trace in cut.traces for name in trace.files))
        heading, many = recorded[files[0]].probes[probes[0]], "s" * (len(those) > 1)
        shown = ", ".join(f'"{name}"' for name in files[:_FILES_SHOWN]) + ", …" * (len(files) > _FILES_SHOWN)
        more = f" and {len(files) - 1} more" if len(files) > 1 else ""
        parts = {"log": f"{LOGS}/{files[0]}{more}", "files": shown, "heading": heading}
        told = fault("no main probe", probes=", ".join(probes), main=main, **parts)
        burns = ", ".join(str(cut.row["burn"]) for cut in those)
        faults.refuse(f"burns.csv, burn{many} {burns}, column log", *told)


@dataclass(frozen=True)
class Marked:
    """All readings of a run, trace after trace.

    Attributes
    ----------
    run, cuts
        The run folder, and its burns cut out of their logs.
    stack, bits
        The readings as logged, and their flags.
    celsius
        Their temperatures, put right where that is known to be due.
    """

    run: Run
    cuts: Sequence[Cut]
    stack: Stack
    bits: Bits
    celsius: Floats

    def traces(self) -> Iterator[tuple[Cut, Trace, slice]]:
        """Yield the traces of every burn, each with its place among the readings."""
        every = ((cut, trace) for cut in self.cuts for trace in cut.traces)
        for place, (cut, trace) in enumerate(every):
            yield cut, trace, self.stack.rows_of(place)


def _flagged(run: Run, cuts: Sequence[Cut]) -> Marked:
    """Return all readings in one stack with their flags."""
    traces = [trace for cut in cuts for trace in cut.traces]
    sizes = np.array([len(trace.seconds) for trace in traces], np.int64)
    kinds = {"seconds": "float64", "celsius": "float64", "codes": "int8", "moved": "bool", "repeated": "bool"}
    columns: dict[str, Any] = {
        name: np.concatenate([np.zeros(0, kind), *(getattr(trace, name) for trace in traces)])
        for name, kind in kinds.items()
    }
    stack = Stack(
        seg=np.repeat(np.arange(len(traces)), sizes),
        starts=np.concatenate([[0], np.cumsum(sizes)]),
        air=np.array([cut.air_c for cut in cuts for _ in cut.traces]),
        **columns,
    )
    cleaning = run.trial.cleaning
    marked = Marked(run, cuts, stack, flagged(stack, cleaning), stack.celsius)
    for cut, trace, rows in marked.traces():
        bits = marked.bits[rows]
        for event in cut.events:
            since = trace.seconds >= event.begin
            if event.event == "top-up":
                bits[since] |= BIT["after top-up"]
            elif event.event == "lid open" and (not event.probes or trace.probe in event.probes):
                inside = since & (trace.seconds <= event.end + cleaning.lid_recovery_s)
                bits[inside] = (bits[inside] | BIT["lid open"]) & ~BIT["spike"]
    edges = np.cumsum([0, *(len(cut.traces) for cut in cuts)]).tolist()
    for cut, edge in zip(cuts, pairwise(edges), strict=True):
        mark_stepped(stack, range(*edge), marked.bits, handling(cut.row, run, cut.events), cleaning)
    return marked


def _corrected(marked: Marked, corrections: Mapping[str, Correction]) -> tuple[Marked, list[str]]:
    """Return temperatures calibrated and, where it was asked for and may be done, put right for slowness."""
    celsius, trial, notes = marked.celsius.copy(), marked.run.trial, list[str]()
    for _, trace, rows in marked.traces():
        correction = corrections.get(trace.probe, Correction())
        if not correction.is_none:
            celsius[rows] = correction.apply(celsius[rows])
            shift = f"{-correction.offset:+.2f} K, then × {correction.gain:.4f}"
            notes.append(f"probe {trace.probe}: corrected by its check at known temperatures: {shift}")
        good = is_usable(marked.bits[rows])
        usable, probe = np.where(good, celsius[rows], np.nan), trial.find_probe(trace.probe)
        values, why = lag_corrected(trace.seconds, usable, probe, trial.cleaning)
        if trial.cleaning.lag_correction:
            celsius[rows] = np.where(good, values, celsius[rows])
            notes.append(f"probe {trace.probe}: {why or 'put right for its time constant'}")
    return replace(marked, celsius=celsius), list(dict.fromkeys(notes))


def _tidy(marked: Marked) -> pd.DataFrame:
    def named(texts: Sequence[str]) -> pd.Categorical:
        places, names = pd.factorize(np.array(texts, dtype=object))
        return pd.Categorical.from_codes(places[marked.stack.seg], categories=list(names))

    columns = {
        "burn": named([trace.burn for _, trace, _ in marked.traces()]),
        "probe": named([trace.probe for _, trace, _ in marked.traces()]),
        "elapsed_s": marked.stack.seconds,
        "temp_c": marked.celsius,
        "flag": words(marked.bits),
    }
    return pd.DataFrame(columns, copy=False)


def with_log_days(run: Run, readings: pd.DataFrame) -> Run:
    """Return a run in which a burn without a day on the sheet has that of its log at time zero.

    Parameters
    ----------
    run
        As opened.
    readings
        What `read_burns` or `read_run` returned of it.

    Examples
    --------
    >>> with_log_days(run, logs.readings).burns["day"].nunique()
    18
    """
    days = json.loads(readings.attrs.get(LOG_DAYS) or "{}")
    sheet = zip(run.burns["burn"], run.burns["day"], strict=True)
    filled = pd.Series([day or days.get(burn, "") for burn, day in sheet], run.burns.index, dtype="str")
    count = int((filled != run.burns["day"]).sum())
    if not count:
        return run
    words = "The day of one burn is" if count == 1 else f"The days of {count} burns are"
    note = f"{words} the log's at time zero: the sheet leaves it blank."
    return replace(run, burns=run.burns.assign(day=filled), notes=(*run.notes, note))


_LATE_STEPS, _GAP_STEPS = 1.5, 3


def span_table(marked: Marked) -> pd.DataFrame:
    """Return schema.SPANS: from when to when each burn was read, how often and how finely."""
    good = np.flatnonzero(np.isfinite(marked.stack.celsius) & is_usable(marked.bits))
    finest = resolutions(marked.stack, good)
    rows = []
    for (cut, trace, here), resolution in zip(marked.traces(), finest, strict=True):
        window = cut.window
        stop = np.nan if window is None or window.stop is None else window.stop - window.zero
        start, end = float(trace.seconds[0]), float(trace.seconds[-1])
        step = usual_step(np.diff(trace.seconds))
        slack = max(marked.run.trial.measuring.end_tolerance_min * 60, _LATE_STEPS * step)
        whose = trace.burn, trace.probe, ";".join(trace.files), cut.clock_zero
        counts = len(trace.seconds), int((marked.bits[here] > 0).sum())
        ends = bool(end < stop - slack), start > slack
        rows.append((*whose, start, end, stop, step, resolution, *counts, *ends))
    return pd.DataFrame(rows, columns=schema.names("spans"))


def quality_table(marked: Marked) -> pd.DataFrame:
    """Return schema.QUALITY: what was lost, marked or never logged of each burn and probe, in true counts."""
    rows = []
    for _, trace, here in marked.traces():
        usable, steps = is_usable(marked.bits[here]), np.diff(trace.seconds)
        bridged = max(marked.run.trial.cleaning.bridge_gap_s, _GAP_STEPS * usual_step(steps))
        gaps = steps[steps > bridged]
        counts = len(trace.seconds), int(np.isnan(trace.celsius).sum()), int((~usable).sum()), trace.lost
        fires = fires_in(trace.seconds, np.where(usable, trace.celsius, np.nan))
        rows.append((trace.burn, trace.probe, *counts, len(gaps), float(gaps.max(initial=0.0)), len(fires)))
    return pd.DataFrame(rows, columns=schema.names("quality"))


def flag_table(marked: Marked) -> pd.DataFrame:
    """Return schema.FLAG_COUNTS: how many readings of each burn and probe carry each flag, from when to when."""
    found = []
    for _, trace, here in marked.traces():
        bits, celsius = marked.bits[here], marked.celsius[here]
        for name, bit in BIT.items():
            if not len(rows := np.flatnonzero(bits & bit)):
                continue
            values = celsius[rows][np.isfinite(celsius[rows])]
            reach = (float(values.min()), float(values.max())) if len(values) else (np.nan, np.nan)
            first, last = float(trace.seconds[rows[0]]), float(trace.seconds[rows[-1]])
            found.append((trace.burn, trace.probe, name, len(rows), first, last, *reach))
    return pd.DataFrame(found, columns=schema.names("flag_counts"))


_HASHED, _WRITTEN = ("file", "sha256", "bytes", "rows", "first", "last"), ("encoding", "delimiter", "decimal")


def file_table(recorded: Mapping[str, Recorded]) -> pd.DataFrame:
    """Return a row a file: its content's hash, its size, and how it was read."""
    rows = []
    for name, log in ((name, each.log) for name, each in recorded.items()):
        dialect, clock = log.dialect, log.table["clock"]
        ends = [str(clock.iloc[place]) if dialect.dated else "" for place in (0, -1)]
        written = [getattr(dialect, name) for name in _WRITTEN]
        units = "; ".join(f"{heading}: {unit}" for heading, unit in dialect.units.items())
        reasons = "; ".join(f"{what}: {why}" for what, why in dialect.reasons.items() if why)
        size = log.path.stat().st_size
        rows.append((name, log.sha256, size, len(log.table), *ends, *written, dialect.time, units, reasons))
    return pd.DataFrame(rows, columns=[*_HASHED, *_WRITTEN, "time", "units", "reasons"])


def note_table(recorded: Mapping[str, Recorded], further: Sequence[str]) -> pd.DataFrame:
    """Return file and note: what a person should know of each file, '' for what concerns several."""
    rows = [(name, note) for name, each in recorded.items() for note in each.log.notes]
    return pd.DataFrame([*rows, *(("", note) for note in further)], columns=["file", "note"])
