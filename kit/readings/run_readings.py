"""A run folder's logs to tidy readings: cut by the burn sheet, flagged, calibrated."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.errors import Faults, KitError
from kit.page.html_tables import as_table
from kit.page.text import element, join
from kit.readings.burn_tables import file_table, flag_table, note_table, quality_table, span_table
from kit.readings.calibration import Correction, correction_of, lag_corrected
from kit.readings.cutting import (
    Recorded,
    Window,
    elapsed_at,
    files_of,
    from_one_zero,
    parted,
    read_files,
    window_of,
)
from kit.readings.flags import BIT, Bits, Stack, flagged, is_usable, mark_stepped, words
from kit.readings.stamps import SECOND
from kit.readings.temperatures import UNITS, to_celsius
from kit.readings.traces import Trace, joined, traces_of
from kit.trial import Run, event_times, log_names, probe_names, relative_times
from kit.trial.cleaning import Cleaning
from kit.trial.logs import LOGS, has_times

_HANDLING_S = 180.0


@dataclass(frozen=True)
class Happened:
    """An event of one burn.

    Attributes
    ----------
    event
        'lid open', 'top-up', …
    begin, end
        Seconds since time zero.
    probes
        The probes it touches, empty for all.
    """

    event: str
    begin: float
    end: float
    probes: tuple[str, ...]

    def touches(self, probe: str) -> bool:
        """Return whether it touches a probe."""
        return not self.probes or probe in self.probes


def happened(
    run: Run, row: Mapping[str, Any], window: Window | None, recorded: Recorded | None, faults: Faults
) -> list[Happened]:
    """Return the events of one burn on its own seconds."""
    burn = relative_times(row)
    zero_at = burn.seconds.get(run.trial.time_zero_column)
    zero_at = min(burn.seconds.values()) if zero_at is None and burn.seconds else zero_at
    found = []
    for event in run.events[run.events["burn"] == row["burn"]].to_dict("records"):
        times = event_times(event, burn)
        if "at" not in times.seconds:
            continue
        if zero_at is None:
            faults.ask(
                f"events.csv, burn {row['burn']}, {event['event']}",
                "a clock time, and a burn without one",
                "a clock time of time zero",
                f"Fill in {run.trial.time_zero_column} on the burn sheet.",
            )
            continue
        begin = _burn_seconds(times.seconds["at"], zero_at, window, recorded)
        until = times.seconds.get("until")
        end = (
            begin + _lasting(str(event["event"]), run.trial.cleaning)
            if until is None
            else _burn_seconds(until, zero_at, window, recorded)
        )
        found.append(
            Happened(
                str(event["event"]),
                begin,
                max(begin, end),
                tuple(probe_names(str(event.get("probes") or ""))),
            )
        )
    return found


def _lasting(event: str, cleaning: Cleaning) -> float:
    return cleaning.lid_open_s if event == "lid open" else 0.0


def _burn_seconds(at: float, zero_at: float, window: Window | None, recorded: Recorded | None) -> float:
    """Return seconds since time zero of a clock time; by the log, where its clock was changed within the burn."""
    if window is None or window.day_ns is None or recorded is None or recorded.wall is None:
        return at - zero_at
    places = elapsed_at(recorded, window.day_ns + round(at * SECOND), window.group)
    return places[0] - window.zero


def handling(row: Mapping[str, Any], run: Run, events: list[Happened]) -> list[tuple[float, float]]:
    """Return the spans in which a probe may jump for a reason: tipping, lid on, and every event."""
    times = relative_times(row)
    zero = times.seconds.get(run.trial.time_zero_column)
    spans = [
        (event.begin - _HANDLING_S, event.end + _HANDLING_S) for event in events if event.event != "rain"
    ]
    if zero is not None:
        for column in ("lit", "tipped", "lid_on"):
            if column in times.seconds:
                at = times.seconds[column] - zero
                spans.append((at - _HANDLING_S, at + _HANDLING_S))
    return spans


_FAR_K, _NEAR_K = 15.0, 4.0
_FIRST = 3


def check_units(
    run: Run,
    recorded: Mapping[str, Recorded],
    traces: Sequence[Trace],
    air: Mapping[str, float],
    faults: Faults,
) -> None:
    """Ask about a probe whose burns begin far from the air, and at the air if its unit were another.

    Asked only of units that the file states: a declared one is taken as it is. Kelvin read as °C is asked of
    one burn, °F of two, since one warm cooker may begin anywhere.
    """
    for (name, probe), firsts in _first_readings(traces, air).items():
        each = recorded[name]
        logger = run.trial.logger_of(name)
        unit = each.log.dialect.units.get(each.probes.get(probe, ""), "")
        if unit not in UNITS.values() or (logger is not None and logger.unit):
            continue
        celsius, around = np.array(firsts).T
        if (np.abs(celsius - around) <= _FAR_K).any():
            continue
        written = _as_written(celsius, unit)
        for other, least in (("K", 1), ("degF", 2), ("degC", 2)):
            if other == unit or len(celsius) < least:
                continue
            if (np.abs(to_celsius(written, other) - around) <= _NEAR_K).all():
                where = f"{LOGS}/{name}, column {each.probes[probe]}"
                _ask_unit(where, (unit, other), written[0], around[0], faults)


def _first_readings(
    traces: Sequence[Trace], air: Mapping[str, float]
) -> dict[tuple[str, str], list[tuple[float, float]]]:
    found: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for trace in traces:
        first = trace.celsius[np.isfinite(trace.celsius)][:_FIRST]
        if len(first) and np.isfinite(air[trace.burn]):
            pair = float(np.median(first)), air[trace.burn]
            found.setdefault((trace.files[0], trace.probe), []).append(pair)
    return found


def _as_written(
    celsius: np.ndarray[tuple[int], np.dtype[np.float64]], unit: str
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return celsius * 1.8 + 32 if unit == "degF" else celsius + 273.15 if unit == "K" else celsius


def _ask_unit(where: str, units: tuple[str, str], written: float, air: float, faults: Faults) -> None:
    unit, other = units
    here, there = (float(to_celsius(np.array([written]), each)[0]) for each in units)
    faults.ask(
        where,
        f"a log that begins at {written:g}: as {unit}, which the file says, that is {here:.1f} °C, as {other} "
        f"{there:.1f} °C, and the burn sheet has air of {air:g} °C",
        "the unit of that column",
        f'Add unit = "{other}" or unit = "{unit}" to the [[logger]] table, or mend ambient_c.',
    )


LOG_DAYS = "days of the logs"
"""In `attrs` of the readings: JSON of the day of each burn whose sheet leaves it blank."""

Tell = Callable[[int, int, str], None]
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
        return str(
            join(
                [
                    element("p", repr(self)[14:-1].capitalize() + "."),
                    as_table(flags.reset_index(), "Flags", note="A flagged reading stays in its place."),
                    as_table(
                        self.spans[["burn", "probe", "interval_s", "n", "n_flagged", "cut_short"]],
                        "What each burn's log held",
                        note="Further columns are in .spans, the readings themselves in .readings.",
                        rows=12,
                    ),
                ]
            )
        )


@dataclass(frozen=True)
class Cut:
    """One burn cut out of its logs."""

    row: Mapping[str, Any]
    traces: tuple[Trace, ...]
    window: Window | None
    events: tuple[Happened, ...]
    clock_zero: str


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
    notes: list[str] = []
    recorded = read_files(run, faults, notes, tell)
    corrections = _corrections(run, recorded, faults)
    _given_twice(run, recorded, faults)
    cuts = _cuts(run, recorded, faults)
    traces = [trace for cut in cuts for trace in cut.traces]
    _main_probe_missing(run, cuts, recorded, faults)
    check_units(run, recorded, traces, _air(cuts), faults)
    faults.settle()
    stack, bits = _flagged(run, cuts, traces)
    celsius, corrected = _corrected(run, traces, stack, bits, corrections)
    readings = _tidy(traces, stack, bits, celsius)
    spans = span_table(
        traces, stack, bits, {str(cut.row["burn"]): (cut.window, cut.clock_zero) for cut in cuts}, run
    )
    if days := _log_days(run, spans):
        readings.attrs[LOG_DAYS] = days
    return RunReadings(
        readings,
        spans,
        quality_table(traces, stack, bits, run),
        flag_table(traces, stack, bits, celsius),
        file_table(recorded),
        note_table(recorded, [*notes, *corrected]),
    )


def _corrections(run: Run, recorded: Mapping[str, Recorded], faults: Faults) -> dict[str, Correction]:
    found = {}
    for probe in dict.fromkeys(probe for each in recorded.values() for probe in each.probes):
        try:
            found[probe] = correction_of(run.trial.find_probe(probe))
        except KitError as error:
            faults.take(error)
    return found


def _given_twice(run: Run, recorded: Mapping[str, Recorded], faults: Faults) -> None:
    """Refuse files of one content under two names, given to two burns that no clock parts."""
    files = files_of(run)
    by_hash: dict[str, str] = {}
    for name, each in recorded.items():
        first = by_hash.setdefault(each.log.sha256, name)
        if first == name:
            continue
        burns = dict.fromkeys([*files[first], *files[name]])
        if len(burns) > 1 and (each.wall is None or not all(_timed(run, burn) for burn in burns)):
            faults.refuse(
                f"burns.csv, burns {' and '.join(burns)}, column log",
                f"{LOGS}/{first} and {LOGS}/{name} hold the same bytes",
                "a log of its own for each burn, or clock times that part one log",
                "Find the right file; one was copied over the other.",
            )


def _timed(run: Run, burn: str) -> bool:
    row = run.burns.loc[run.burns["burn"] == burn].iloc[0]
    return bool(row.get(run.trial.time_zero_column) or "")


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
    windows = {
        (window.burn, name): window for name, found in by_file.items() for window in parted(found, faults)
    }
    return [_cut(run, row, recorded, windows, faults) for row in rows]


def _cut(
    run: Run,
    row: Mapping[str, Any],
    recorded: Mapping[str, Recorded],
    windows: Mapping[tuple[str, str], Window],
    faults: Faults,
) -> Cut:
    burn = str(row["burn"])
    names = [name for name in log_names(str(row["log"] or "")) if (burn, name) in windows]
    parts: dict[str, list[Trace]] = {}
    for name in names:
        for trace in traces_of(windows[burn, name], recorded[name]):
            parts.setdefault(trace.probe, []).append(trace)
    clocked = all(recorded[name].wall is not None for name in names)
    tolerance = run.trial.cleaning.clock_tolerance_s
    traces = [joined(found, clocked, tolerance, faults) for found in parts.values()]
    if names and not any(len(trace.seconds) for trace in traces) and row["state"] != "excluded":
        faults.refuse(
            f"burns.csv, burn {burn}",
            f"no readings between its times in {', '.join(names)}",
            "a log that covers the burn",
            "Mend the times, or name the right log.",
        )
    window = windows[burn, names[0]] if names else None
    events = happened(run, row, window, recorded[names[0]] if names else None, faults)
    zero = _clock_zero(window, recorded[names[0]]) if window else ""
    return Cut(row, tuple(trace for trace in traces if len(trace.seconds)), window, tuple(events), zero)


def _clock_zero(window: Window, recorded: Recorded) -> str:
    """Return the clock time of time zero, ISO 8601; '' without a dated clock."""
    if recorded.wall is None or not recorded.log.dialect.dated:
        return ""
    log, groups = recorded.log, recorded.log.groups
    rows = np.flatnonzero(groups == window.group) if window.group and groups is not None else slice(None)
    elapsed, clock = log.table["elapsed_s"].to_numpy()[rows], recorded.wall[rows]
    place = int(np.clip(np.searchsorted(elapsed, window.zero), 0, len(elapsed) - 1))
    wall = int(clock[place]) + round((window.zero - float(elapsed[place])) * 1e9)
    return str(np.datetime64(wall, "ns").astype("datetime64[s]"))


def _main_probe_missing(
    run: Run, cuts: Sequence[Cut], recorded: Mapping[str, Recorded], faults: Faults
) -> None:
    """Refuse burns whose logs do not hold the main probe, a problem a set of headings: they would drop out unseen."""
    counted = [cut for cut in cuts if cut.traces and cut.row["state"] != "excluded"]
    main = run.trial.main_probe or next((trace.probe for cut in counted for trace in cut.traces), "")
    lacking: dict[tuple[str, ...], list[Cut]] = {}
    for cut in counted:
        if main not in {trace.probe for trace in cut.traces}:
            lacking.setdefault(tuple(trace.probe for trace in cut.traces), []).append(cut)
    for probes, those in lacking.items():
        files = list(dict.fromkeys(name for cut in those for trace in cut.traces for name in trace.files))
        heading = recorded[files[0]].probes[probes[0]]
        burns = ", ".join(str(cut.row["burn"]) for cut in those)
        shown = ", ".join(f'"{name}"' for name in files[:_FILES_SHOWN]) + (
            ", …" if len(files) > _FILES_SHOWN else ""
        )
        faults.refuse(
            f"burns.csv, burn{'s' * (len(those) > 1)} {burns}, column log",
            f"probes {', '.join(probes)} in {LOGS}/{files[0]}"
            + (f" and {len(files) - 1} more" if len(files) > 1 else "")
            + f", and none of them is the main probe '{main}'",
            "the main probe in the log of every burn that counts",
            f'Add to trial.toml: [[logger]] with files = [{shown}] and columns = {{ "{main}" = "{heading}" }} (the '
            "heading that stands for it), or exclude the burns with a reason.",
        )


def _air(cuts: Sequence[Cut]) -> dict[str, float]:
    """Return the air temperature of each burn as the sheet has it, NaN where it is blank."""
    return {str(cut.row["burn"]): float(cut.row.get("ambient_c", np.nan)) for cut in cuts}


def _flagged(run: Run, cuts: Sequence[Cut], traces: Sequence[Trace]) -> tuple[Stack, Bits]:
    """Return all readings in one stack with their flags."""
    sizes = np.array([len(trace.seconds) for trace in traces], np.int64)
    starts = np.concatenate([[0], np.cumsum(sizes)])
    air = _air(cuts)

    def stacked(name: str, kind: str) -> npt.NDArray[Any]:
        return np.concatenate([getattr(trace, name) for trace in traces]) if traces else np.zeros(0, kind)

    stack = Stack(
        np.repeat(np.arange(len(traces)), sizes),
        stacked("seconds", "float64"),
        stacked("celsius", "float64"),
        stacked("codes", "int8"),
        stacked("moved", "bool"),
        stacked("repeated", "bool"),
        starts,
        np.array([air[trace.burn] for trace in traces]),
    )
    bits = flagged(stack, run.trial.cleaning)
    place = 0
    for cut in cuts:
        here = range(place, place + len(cut.traces))
        place += len(cut.traces)
        parts = [stack.rows_of(k) for k in here]
        _mark_events(cut, [bits[part] for part in parts], run)
        mark_stepped(
            [stack.seconds[part] for part in parts],
            [stack.celsius[part] for part in parts],
            [bits[part] for part in parts],
            handling(cut.row, run, list(cut.events)),
            run.trial.cleaning,
        )
    return stack, bits


def _mark_events(cut: Cut, bits: Sequence[Bits], run: Run) -> None:
    recovery = run.trial.cleaning.lid_recovery_s
    for trace, mark in zip(cut.traces, bits, strict=True):
        for event in cut.events:
            if event.event == "top-up":
                mark[trace.seconds >= event.begin] |= BIT["after top-up"]
            elif event.event == "lid open" and event.touches(trace.probe):
                inside = (trace.seconds >= event.begin) & (trace.seconds <= event.end + recovery)
                mark[inside] |= BIT["lid open"]
                mark[inside] &= ~BIT["spike"]


def _corrected(
    run: Run, traces: Sequence[Trace], stack: Stack, bits: Bits, corrections: Mapping[str, Correction]
) -> tuple[npt.NDArray[np.float64], list[str]]:
    """Return temperatures calibrated and, where it was asked for and may be done, put right for slowness."""
    celsius = stack.celsius.copy()
    notes: dict[str, None] = {}
    for place, trace in enumerate(traces):
        rows = stack.rows_of(place)
        correction = corrections.get(trace.probe, Correction())
        if not correction.is_none:
            celsius[rows] = correction.apply(celsius[rows])
            notes[
                f"probe {trace.probe}: corrected by its check at known temperatures: {-correction.offset:+.2f} K, "
                f"then × {correction.gain:.4f}"
            ] = None
        good = is_usable(bits[rows])
        values, why = lag_corrected(
            trace.seconds,
            np.where(good, celsius[rows], np.nan),
            run.trial.find_probe(trace.probe),
            run.trial.cleaning,
        )
        if why:
            notes[f"probe {trace.probe}: {why}"] = None
        elif run.trial.cleaning.lag_correction:
            celsius[rows] = np.where(good, values, celsius[rows])
            notes[f"probe {trace.probe}: put right for its time constant"] = None
    return celsius, list(notes)


def _tidy(
    traces: Sequence[Trace], stack: Stack, bits: Bits, celsius: npt.NDArray[np.float64]
) -> pd.DataFrame:
    def named(texts: Sequence[str]) -> pd.Categorical:
        names = list(dict.fromkeys(texts))
        place = {name: number for number, name in enumerate(names)}
        places = np.array([place[text] for text in texts], np.int64)
        return pd.Categorical.from_codes(places[stack.seg] if len(texts) else places, categories=names)

    return pd.DataFrame(
        {
            "burn": named([trace.burn for trace in traces]),
            "probe": named([trace.probe for trace in traces]),
            "elapsed_s": stack.seconds,
            "temp_c": celsius,
            "flag": words(bits),
        },
        copy=False,
    )


def _log_days(run: Run, spans: pd.DataFrame) -> str:
    blank = set(run.burns.loc[run.burns["day"] == "", "burn"])
    days = {burn: zero[:10] for burn, zero in zip(spans["burn"], spans["clock_zero"], strict=True) if zero}
    found = {burn: day for burn, day in days.items() if burn in blank}
    return json.dumps(found) if found else ""


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
    blank = run.burns["day"] == ""
    logged = pd.Series([days.get(burn, "") for burn in run.burns["burn"]], run.burns.index, dtype="str")
    filled = run.burns["day"].where(~blank, logged)
    count = int((filled != run.burns["day"]).sum())
    if not count:
        return run
    words = "The day of one burn is" if count == 1 else f"The days of {count} burns are"
    note = f"{words} the log's at time zero: the sheet leaves it blank."
    return replace(run, burns=run.burns.assign(day=filled), notes=(*run.notes, note))
