"""What was read, put together into a Log."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.readings.header import Header
from kit.readings.layout import Layout
from kit.readings.leftovers import Checked, events_of
from kit.readings.log import Dialect, Log
from kit.readings.roles import Roles
from kit.readings.rows import Body
from kit.readings.source import PIECE_BYTES, Source
from kit.readings.stamps import SECOND
from kit.readings.temperatures import Temperatures
from kit.readings.timebase import Timeline
from kit.readings.timing import TimePlan

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
