"""One logger's file to a table of temperatures: decode, find the table, settle its dialect, read it whole."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.errors import Faults, KitError, Problem, did_you_mean
from kit.readings.body import Body, Wanted, read_body
from kit.readings.header import Header, clock_stated, stated_unit, stated_values, step_stated
from kit.readings.layout import Layout, split_glued, split_line
from kit.readings.log import Dialect, Log
from kit.readings.non_rows import Checked, check_lines, events_of
from kit.readings.roles import Roles, assign_roles, mark_categories, split_runs, widened, without_non_probes
from kit.readings.sniff import Sniffed, raw_lines, sniff
from kit.readings.source import PIECE_BYTES, Source, open_source
from kit.readings.stamps import SECOND
from kit.readings.temperatures import Sentinels, Temperatures, loose_columns, settle_decimal, to_temperatures
from kit.readings.time_column import TimePlan, find_time
from kit.readings.timeline import Setting, Timeline, time_of

_GAP_STEPS = 20
_LONGEST_NOTE = 1000
_ENOUGH = 200_000


@dataclass(frozen=True)
class Settled:
    """All that was settled about a file before its rows were converted."""

    source: Source
    layout: Layout
    header: Header
    time: TimePlan
    roles: Roles
    decimal: str
    reasons: Mapping[str, str]
    split_by: str
    labels: npt.NDArray[np.object_] | None
    offset_s: float


def assembled(
    settled: Settled, checked: Checked, body: Body, line: Timeline, temperatures: Temperatures
) -> Log:
    """Return the log of a file from its timeline and temperatures."""
    rows = line.rows
    clock = _clock(line, settled.offset_s)
    columns: dict[str, object] = {"elapsed_s": line.elapsed_s, "clock": clock}
    columns |= {name: _picked(values, rows) for name, values in temperatures.celsius.items()}
    table = pd.DataFrame(columns, copy=False)
    lines = _picked(body.lines, rows)
    labels = settled.labels[rows] if settled.labels is not None else None
    groups = _groups(line, labels)
    notes = [
        *checked.notes,
        *line.notes,
        *temperatures.notes,
        *_gap_notes(line, lines),
        *_header_notes(settled),
    ]
    if settled.offset_s:
        notes.append(f"the clock was moved by {settled.offset_s:g} s, as declared")
    notes = [note if len(note) <= _LONGEST_NOTE else f"{note[:_LONGEST_NOTE]} …" for note in notes]
    codes = {name: _picked(part, rows) for name, part in temperatures.codes.items()}
    return Log(
        table,
        _dialect(settled, line, temperatures),
        notes,
        settled.source.path,
        content_hash(settled.source.path, settled.source.size),
        lines,
        checked.lost,
        codes,
        line.moved,
        line.repeated,
        groups,
        pd.DataFrame({name: _picked(values, rows) for name, values in temperatures.differences.items()}),
        events_of(checked, settled.roles, lines, line.elapsed_s, clock),
    )


def _picked(values: npt.NDArray[Any], rows: npt.NDArray[np.int64]) -> npt.NDArray[Any]:
    if len(rows) == len(values) and (np.diff(rows) == 1).all():
        return values
    return values[rows]


def _clock(line: Timeline, offset_s: float) -> npt.NDArray[np.datetime64]:
    if line.clock_ns is None:
        return np.full(len(line.rows), np.datetime64("NaT", "ns"), dtype="datetime64[ns]")
    moved = line.clock_ns + round(offset_s * SECOND) if offset_s else line.clock_ns
    return moved.view("datetime64[ns]")


def _groups(line: Timeline, labels: npt.NDArray[np.object_] | None) -> npt.NDArray[np.object_] | None:
    if labels is not None:
        return labels
    if not line.run.any():
        return None
    return np.array([f"run {number + 1}" for number in range(int(line.run.max()) + 1)], dtype=object)[
        line.run
    ]


def content_hash(path: Path, size: int) -> str:
    """Return the SHA-256 of a file's first bytes, so many as were read."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(min(PIECE_BYTES, size - file.tell())):
            digest.update(piece)
    return digest.hexdigest()


def _gap_notes(line: Timeline, lines: npt.NDArray[np.int64]) -> list[str]:
    steps = np.diff(line.elapsed_s)
    some = steps[:: max(1, len(steps) // _ENOUGH)]
    some = some[some > 0]
    if not len(some):
        return []
    usual = float(np.median(some))
    gaps = np.flatnonzero(steps > _GAP_STEPS * usual)
    shown = [
        f"line {int(lines[row + 1])}: a gap of {steps[row]:g} s where {usual:g} s is usual"
        for row in gaps[:3]
    ]
    return shown + ([f"{len(gaps) - 3} more gaps"] if len(gaps) > 3 else [])


def _header_notes(settled: Settled) -> list[str]:
    header = settled.header
    notes = []
    if header.made_up:
        notes.append("no header: names were made up")
    elif any(name.endswith(" #1") for name in settled.roles.names):
        notes.append(
            f"line {header.row} names fewer columns than the rows hold: its last name was numbered on"
        )
    if header.preamble:
        notes.append(f"{len(header.preamble)} lines above the table were left aside")
    left = [f"'{settled.roles.names[column]}' ({why})" for column, why in settled.roles.others.items()]
    return [*notes, *(["no temperatures: " + ", ".join(left)] if left else [])]


def _dialect(settled: Settled, line: Timeline, temperatures: Temperatures) -> Dialect:
    source, header, roles = settled.source, settled.header, settled.roles
    reasons = {
        "encoding": source.encoding_reason,
        "time column": settled.time.reason,
        **settled.reasons,
        **line.reasons,
    }
    reasons |= {f"unit of {name}": why for name, why in roles.reasons.items()}
    differences = {
        roles.names[column]: temperatures.units.get(roles.names[column], unit)
        for column, unit in roles.differences.items()
    }
    return Dialect(
        encoding=source.encoding,
        line_end=source.line_end,
        delimiter=settled.layout.delimiter,
        decimal=settled.decimal,
        header_row=header.row,
        units_row=header.units_row,
        body_line=settled.layout.body_line,
        time=settled.time.heading,
        time_kind=settled.time.kind,
        dated=line.dated,
        offset_min=line.offset_min,
        units={name: unit for name, unit in temperatures.units.items() if name not in differences},
        differences=differences,
        others={roles.names[column]: why for column, why in roles.others.items()},
        split_by=settled.split_by,
        reasons=reasons,
    )


DECLARABLE = [
    "columns",
    "clock_offset_s",
    "delimiter",
    "decimal",
    "encoding",
    "header_row",
    "time_column",
    "time_unit",
    "time_format",
    "day_first",
    "step_s",
    "timezone",
    "unit",
    "unit_per_row",
    "split_by",
    "clock_change",
    "id",
    "files",
    "where",
    "sheet",
]
_LONGEST_TEXT = 1000
DEFAULT_SENTINELS = Sentinels((1372.0, 2000.0, -200.0), 100.0)


@dataclass(frozen=True)
class _Plan:
    """A file whose columns are known."""

    layout: Layout
    header: Header
    time: TimePlan
    roles: Roles


def read_log(
    path: Path | str,
    declared: Mapping[str, object] | None = None,
    *,
    sentinels: Sentinels = DEFAULT_SENTINELS,
    name: str | None = None,
) -> Log:
    """Read one logger's export.

    Parameters
    ----------
    path
        A delimited text file of any dialect.
    declared
        Keys of a [[logger]] table, where they cannot be seen from the file.
    sentinels
        Numbers that stand for an open circuit.
    name
        The file's name in messages.

    Raises
    ------
    KitError
        With every fact that is missing ('ask', naming the key that supplies it) and every fault ('refuse').
    """
    path = Path(path)
    keys = {key: value for key, value in (declared or {}).items() if value is not None}
    before = _state(path)
    try:
        log = _read_file(path, keys, sentinels, name)
    except OSError:
        raise _changed(name or path.name) from None
    except KitError as error:
        raise KitError(map(_shortened, error.problems)) from None
    if _state(path) != before:
        raise _changed(name or path.name)
    return log


def _shortened(problem: Problem) -> Problem:
    """Return a problem of which no part is longer than a person reads, whatever the file's cells hold."""
    texts = (problem.where, problem.found, problem.expected, problem.remedy)
    return Problem(
        problem.kind, *(text if len(text) <= _LONGEST_TEXT else f"{text[:_LONGEST_TEXT]} …" for text in texts)
    )


def _state(path: Path) -> tuple[int, int] | None:
    """Return what changes when a file is written to, or None where there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns


def _changed(name: str) -> KitError:
    # a line may have been half written when it was read: part of a number is a wrong number
    return KitError(
        Problem(
            "refuse",
            name,
            "a file that changed or went away while it was read",
            "a log that is complete",
            "Wait until the logger or the copying has ended, then try again.",
        )
    )


def _read_file(path: Path, keys: Mapping[str, object], sentinels: Sentinels, name: str | None) -> Log:
    encoding = keys.get("encoding")
    sheet = keys.get("sheet")
    source = open_source(
        path, None if encoding is None else str(encoding), name, None if sheet is None else str(sheet)
    )
    _known_keys(keys, source.name)
    sniffed = sniff(source, keys)
    plan = _planned(source, sniffed, keys)
    return _read(source, sniffed, plan, keys, sentinels)


def _known_keys(keys: Mapping[str, object], name: str) -> None:
    strange = [key for key in keys if key not in DECLARABLE]
    if strange:
        raise KitError(
            Problem(
                "refuse",
                f"{name}, [[logger]] key {key}",
                "an unknown key",
                "a key of [[logger]]",
                did_you_mean(key, DECLARABLE),
            )
            for key in strange
        )


def _planned(source: Source, sniffed: Sniffed, keys: Mapping[str, object]) -> _Plan:
    """Return what every column is.

    Raises
    ------
    KitError
        Where a declared column is not there, or no column is a temperature.
    """
    faults = Faults()
    layout = mark_categories(sniffed.layout, sniffed.header, sniffed.rows, keys)
    time = find_time(sniffed.header, layout, sniffed.rows, keys, source.name, faults)
    stated = stated_unit(sniffed.header.preamble, layout.delimiter)
    roles = assign_roles(sniffed.header, layout, sniffed.rows, time, stated, keys, source.name, faults)
    if not roles.temperatures and not len(faults):  # a difference alone is no temperature
        left = (
            "; ".join(f"'{roles.names[column]}' ({why})" for column, why in roles.others.items())
            or "no column of numbers"
        )
        faults.refuse(
            source.name,
            f"no temperature among the columns: {left}",
            "at least one column of temperatures",
            'Name it in the [[logger]] table: columns = {probe = "heading"}, with unit = "degC".',
        )
    faults.settle()
    return _Plan(layout, sniffed.header, time, roles)


def _read(
    source: Source, sniffed: Sniffed, plan: _Plan, keys: Mapping[str, object], sentinels: Sentinels
) -> Log:
    faults = Faults()
    decimal, why_decimal = settle_decimal(source, plan.layout, sniffed.rows, plan.roles, keys, faults)
    columns = _columns_of_numbers(plan.roles, plan.layout)
    texts = plan.roles.texts + tuple(plan.roles.unit_cells.values())
    wanted = Wanted(plan.time, columns, loose_columns(columns, sniffed.rows, decimal), texts, decimal)
    body = read_body(source, plan.layout, wanted)
    checked = check_lines(source, body, plan.roles, plan.layout, plan.header, plan.time, faults)
    faults.settle()
    if not len(checked.body):
        raise KitError(
            Problem(
                "refuse",
                source.name,
                "no data rows with a usable time",
                "rows of readings",
                "Export the log again.",
            )
        )
    run, labels, split_by = split_runs(checked.body, plan.roles, plan.time, keys, source.name, faults)
    wide, roles = (
        (checked.body, plan.roles)
        if split_by
        else widened(checked.body, plan.roles, plan.time, checked.notes)
    )
    setting = Setting(
        plan.time,
        keys,
        _where(source, plan),
        wide.lines,
        lambda line: _cells(source, plan, line),
        faults,
        plan.roles.names,
        [
            value
            for _, _, values in stated_values(plan.header.preamble, plan.layout.delimiter)
            for value in values
        ],
    )
    step, why_step = _step(keys, plan)
    line = time_of(wide, run[: len(wide)], clock_stated(plan.header, plan.layout), step, setting)
    if line is not None:
        read = {column: part.values[line.rows] for column, part in wide.numbers.items()}
        chosen = keys.get("columns")
        named = [str(heading) for heading in chosen.values()] if isinstance(chosen, Mapping) else []
        roles = without_non_probes(roles, read, line.elapsed_s, named)
    temperatures = to_temperatures(wide, roles, keys, sentinels, source.name, faults)
    faults.settle()
    if line is None or not len(line.rows):
        raise KitError(
            Problem(
                "refuse",
                _where(source, plan),
                "no usable time",
                "a time for every row",
                "Declare time_column.",
            )
        )
    reasons = {"decimal": why_decimal} | ({"step_s": why_step} if plan.time.kind == "implied" else {})
    offset = float(str(keys.get("clock_offset_s") or 0.0))
    settled = Settled(
        source, plan.layout, plan.header, plan.time, roles, decimal, reasons, split_by, labels, offset
    )
    return assembled(settled, checked, wide, line, temperatures)


def _columns_of_numbers(roles: Roles, layout: Layout) -> tuple[int, ...]:
    """Return the columns to be read as numbers; the first one too, since a footer's word stands there."""
    columns = [*roles.temperatures, *roles.differences]
    if roles.time.kind == "number":
        columns += roles.time.places
    if roles.time.millis is not None:
        columns.append(roles.time.millis)
    if roles.time.beside is not None:
        columns.append(roles.time.beside[0])
    if layout.kinds[0] == "number" and 0 not in roles.time.places:
        columns.append(0)
    return tuple(dict.fromkeys(columns))


def _where(source: Source, plan: _Plan) -> str:
    return f"{source.name}, column {plan.time.heading}" if plan.time.heading else source.name


def _cells(source: Source, plan: _Plan, number: int) -> list[str]:
    return split_glued(
        split_line(raw_lines(source, [number]).get(number, ""), plan.layout.delimiter), plan.layout.glued
    )


def _step(keys: Mapping[str, object], plan: _Plan) -> tuple[float | None, str]:
    declared = keys.get("step_s")
    if isinstance(declared, int | float) and declared > 0:
        return float(declared), "declared"
    stated = step_stated(plan.header, plan.layout) if plan.time.kind == "implied" else None
    return stated or (None, "")
