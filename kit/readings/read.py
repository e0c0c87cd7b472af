"""One logger's file to a table of temperatures: decode, find the table, settle its dialect, read it whole."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.errors import KitError, Problem, did_you_mean
from kit.readings.body import Body, Wanted, read_body
from kit.readings.date_order import Timed
from kit.readings.headings import stated_clock, step_between
from kit.readings.long_form import mark_categories, split_runs, widened
from kit.readings.non_rows import Checked, check_lines, with_times
from kit.readings.open_log import OpenLog, open_log
from kit.readings.roles import Roles, assign_roles, without_non_probes
from kit.readings.source import PIECE_BYTES, Source, open_source
from kit.readings.stamps import SECOND
from kit.readings.temperatures import Sentinels, Temperatures, loose_columns, settle_decimal, to_temperatures
from kit.readings.time_column import TimePlan, find_time
from kit.readings.timeline import Timeline, time_of
from kit.trial import Logger


@dataclass(frozen=True)
class Dialect:
    """All that was decided about a file before its numbers were believed, and why.

    Attributes
    ----------
    encoding, line_end, delimiter, decimal
        How the text is written; delimiter ' ' stands for runs of blanks.
    header_row, units_row, body_line
        Line numbers of names, units and the first row; 0 where there is none.
    time
        The columns that hold the time, by heading.
    time_kind
        'stamp', 'number' or 'implied'.
    dated, offset_min
        Whether clock times carry a date; minutes east of UTC where the file says so.
    units
        Unit in the file of each temperature column: 'degC', 'degF', 'K', '0.1 degC' or 'by row'.
    differences, others
        Columns that are a difference of temperatures; other columns left aside, with the reason.
    split_by
        The column that parts the file into runs, '' where there is one run.
    reasons
        Why each of these was decided as it was.
    """

    encoding: str
    line_end: str
    delimiter: str
    decimal: str
    header_row: int
    units_row: int
    body_line: int
    time: str
    time_kind: str
    dated: bool
    offset_min: int | None
    units: Mapping[str, str]
    differences: Mapping[str, str]
    others: Mapping[str, str]
    split_by: str
    reasons: Mapping[str, str]

    def as_record(self) -> dict[str, Any]:
        """Return the fields as a plain dictionary, for JSON."""
        return asdict(self)


Codes = npt.NDArray[np.int8]


@dataclass(frozen=True)
class Log:
    """The readings of one logger's file.

    Attributes
    ----------
    table
        elapsed_s (float, s), clock (datetime64[ns], all NaT without a clock), then a column of °C for each
        probe under its heading; a row for every row of the file with a usable stamp.
    dialect
        How the file was read.
    notes
        What a person should know: lines left aside, words that stood for no reading, …
    path, sha256
        The file and its content's hash.
    lines
        Line number of each row.
    lost
        Line numbers within the table whose readings could not be used: no usable time, cut, out of shape.
    codes
        For each probe and row: 0 read, 1 nothing there, 2 a sign of an open circuit, 4 no reading was due.
    moved, repeated
        Rows that stood out of order in the file; rows that share their stamp with a neighbour.
    groups
        Label of the run each row belongs to, or None where the file holds one.
    differences
        Columns that are a difference of two temperatures, in K, scaled and never shifted.
    events
        Words logged beside or between readings: line, elapsed_s, clock, column, text; with
        only_event where the row held nothing else and is no row of `table`.
    """

    table: pd.DataFrame
    dialect: Dialect
    notes: list[str]
    path: Path
    sha256: str = field(repr=False)
    lines: npt.NDArray[np.int64] = field(repr=False)
    lost: npt.NDArray[np.int64] = field(repr=False)
    codes: Mapping[str, Codes] = field(repr=False)
    moved: npt.NDArray[np.bool_] = field(repr=False)
    repeated: npt.NDArray[np.bool_] = field(repr=False)
    groups: npt.NDArray[np.object_] | None = field(repr=False)
    differences: pd.DataFrame = field(repr=False)
    events: pd.DataFrame = field(repr=False)

    @property
    def probes(self) -> list[str]:
        """Headings of the temperature columns."""
        return [str(name) for name in self.table.columns[2:]]

    @property
    def has_clock(self) -> bool:
        """Whether the rows carry clock times."""
        return bool(len(self.table)) and not bool(self.table["clock"].isna().iloc[0])

    def group(self, label: str) -> pd.DataFrame:
        """Return the rows of one run of a file that was split."""
        if self.groups is None:
            return self.table
        return self.table[self.groups == label]


DECLARABLE = [*Logger.model_fields, "where"]
DEFAULT_SENTINELS = Sentinels((1372.0, 2000.0, -200.0), 100.0)
_LONGEST_TEXT = 1000
_GAP_STEPS, _ENOUGH = 20, 200_000


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
        A delimited text file of any dialect, or a spreadsheet's own file.
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

    Examples
    --------
    >>> read_log(demo / "logs" / "burn-01.csv").table.columns.tolist()
    ['elapsed_s', 'clock', 'grate (°C)', 'lid (°C)']
    """
    path = Path(path)
    keys = {key: value for key, value in (declared or {}).items() if value is not None}
    before = _state(path)
    try:
        log = _read(_opened(path, keys, name), sentinels)
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
    return Problem(problem.kind, *map(_short, texts))


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST_TEXT else f"{text[:_LONGEST_TEXT]} …"


def _state(path: Path) -> tuple[int, int] | None:
    """Return what changes when a file is written to, or None where there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns


def _changed(name: str) -> KitError:
    # a line may have been half written when it was read: part of a number is a wrong number
    found = "a file that changed or went away while it was read"
    remedy = "Wait until the logger or the copying has ended, then try again."
    return KitError.refuse(name, found, "a log that is complete", remedy)


def _opened(path: Path, keys: Mapping[str, object], name: str | None) -> OpenLog:
    encoding, sheet = (None if keys.get(key) is None else str(keys[key]) for key in ("encoding", "sheet"))
    source = open_source(path, encoding, name, sheet)
    strange = [key for key in keys if key not in DECLARABLE]
    if strange:
        where = f"{source.name}, [[logger]] key"
        raise KitError(
            Problem(
                "refuse",
                f"{where} {key}",
                "an unknown key",
                "a key of [[logger]]",
                did_you_mean(key, DECLARABLE),
            )
            for key in strange
        )
    return open_log(source, keys)


def _read(log: OpenLog, sentinels: Sentinels) -> Log:
    """Settle what every column is, read all rows, and put time and temperatures together."""
    mark_categories(log)
    time = find_time(log)
    log.reasons["time column"] = time.reason
    roles = assign_roles(log, time)
    if not roles.temperatures and not len(log.faults):  # a difference alone is no temperature
        _refuse_without_temperature(log, roles)
    log.faults.settle()
    decimal = settle_decimal(log, roles)
    columns = _columns_of_numbers(log, roles)
    texts = roles.texts + tuple(roles.unit_cells.values())
    wanted = Wanted(time, columns, loose_columns(log, columns, decimal), texts, decimal)
    checked = check_lines(log, read_body(log.source, log.layout, wanted), roles)
    log.faults.settle()
    body = checked.body
    if not len(body):
        where, rows = log.name, "no data rows with a usable time"
        raise KitError.refuse(where, rows, "rows of readings", "Export the log again.")
    run, labels, split_by = split_runs(log, body, roles)
    if not split_by:  # in a file that was split rows of different runs may share a time
        body, roles = widened(log, body, roles)
    step = _step(log, time)
    line = time_of(
        Timed(
            log, time, body, run[: len(body)], stated_clock(log.header.preamble, log.layout.delimiter), step
        )
    )
    if line is not None:
        roles = _probes_alone(log, body, roles, line)
    temperatures = to_temperatures(log, body, roles, sentinels)
    log.faults.settle()
    if line is None or not len(line.rows):
        where = log.at(column=time.heading)
        raise KitError.refuse(where, "no usable time", "a time for every row", "Declare time_column.")
    runs = labels[line.rows] if labels is not None else _numbered_runs(line)
    dialect = _dialect(log, roles, line, temperatures, decimal, split_by)
    return replace(_assembled(log, checked, body, line, temperatures, dialect), groups=runs)


def _refuse_without_temperature(log: OpenLog, roles: Roles) -> None:
    left = "; ".join(f"'{roles.names[column]}' ({why})" for column, why in roles.others.items())
    log.faults.refuse(
        log.name,
        f"no temperature among the columns: {left or 'no column of numbers'}",
        "at least one column of temperatures",
        'Name it in the [[logger]] table: columns = {probe = "heading"}, with unit = "degC".',
    )


def _columns_of_numbers(log: OpenLog, roles: Roles) -> tuple[int, ...]:
    """Return the columns to be read as numbers; the first one too, since a footer's word stands there."""
    time = roles.time
    columns = [*roles.temperatures, *roles.differences, *(time.places if time.kind == "number" else ())]
    columns += [column for column in (time.millis, time.beside and time.beside[0]) if column is not None]
    if log.layout.kinds[0] == "number" and 0 not in time.places:
        columns.append(0)
    return tuple(dict.fromkeys(columns))


def _step(log: OpenLog, time: TimePlan) -> float | None:
    """Return the step between rows, declared or, where nothing else tells the time, stated above the table."""
    declared = log.keys.get("step_s")
    if isinstance(declared, int | float) and declared > 0:
        log.reasons["step_s"] = "declared"
        return float(declared)
    stated = step_between(log.header.preamble, log.layout.delimiter) if time.kind == "implied" else None
    if stated is not None:
        log.reasons["step_s"] = stated[1]
    return stated and stated[0]


def _probes_alone(log: OpenLog, body: Body, roles: Roles, line: Timeline) -> Roles:
    columns = {column: part.values[line.rows] for column, part in body.numbers.items()}
    chosen = log.keys.get("columns")
    headings = [str(heading) for heading in chosen.values()] if isinstance(chosen, Mapping) else []
    return without_non_probes(roles, columns, line.elapsed_s, headings)


def _numbered_runs(line: Timeline) -> npt.NDArray[np.object_] | None:
    if not line.run.any():
        return None
    names = [f"run {number + 1}" for number in range(int(line.run.max()) + 1)]
    return np.array(names, dtype=object)[line.run]


def _assembled(
    log: OpenLog,
    checked: Checked,
    body: Body,
    line: Timeline,
    temperatures: Temperatures,
    dialect: Dialect,
) -> Log:
    """Return the log of a file from its timeline and temperatures."""
    offset_s = float(log.text("clock_offset_s") or 0.0)
    if offset_s:
        log.notes.append(f"the clock was moved by {offset_s:g} s, as declared")
    rows, clock = line.rows, _clock(line, offset_s)
    lines = _picked(body.lines, rows)
    columns: dict[str, object] = {"elapsed_s": line.elapsed_s, "clock": clock}
    columns |= {name: _picked(values, rows) for name, values in temperatures.celsius.items()}
    notes = [*log.notes, *_gap_notes(line, lines), *_header_notes(log, dialect)]
    return Log(
        table=pd.DataFrame(columns, copy=False),
        dialect=dialect,
        notes=list(map(_short, notes)),
        path=log.source.path,
        sha256=_content_hash(log.source),
        lines=lines,
        lost=checked.lost,
        codes={name: _picked(part, rows) for name, part in temperatures.codes.items()},
        moved=line.moved,
        repeated=line.repeated,
        groups=None,
        differences=pd.DataFrame(
            {name: _picked(part, rows) for name, part in temperatures.differences.items()}
        ),
        events=with_times(checked.events, lines, line.elapsed_s, clock),
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


def _content_hash(source: Source) -> str:
    """Return the SHA-256 of a file's first bytes, so many as were read."""
    digest = hashlib.sha256()
    with source.path.open("rb") as file:
        while piece := file.read(min(PIECE_BYTES, source.size - file.tell())):
            digest.update(piece)
    return digest.hexdigest()


def _gap_notes(line: Timeline, lines: npt.NDArray[np.int64]) -> list[str]:
    steps = np.diff(line.elapsed_s)
    some = steps[:: max(1, len(steps) // _ENOUGH)]
    if not (some > 0).any():
        return []
    usual = float(np.median(some[some > 0]))
    gaps = np.flatnonzero(steps > _GAP_STEPS * usual)
    places = [(int(lines[row + 1]), float(steps[row])) for row in gaps[:3]]
    shown = [f"line {number}: a gap of {step:g} s where {usual:g} s is usual" for number, step in places]
    return shown + ([f"{len(gaps) - 3} more gaps"] if len(gaps) > 3 else [])


def _header_notes(log: OpenLog, dialect: Dialect) -> list[str]:
    header, notes = log.header, []
    if header.made_up:
        notes.append("no header: names were made up")
    elif any(name.endswith(" #1") for name in dialect.units):
        notes.append(
            f"line {header.row} names fewer columns than the rows hold: its last name was numbered on"
        )
    if header.preamble:
        count = len(header.preamble)
        words = "one line above the table was" if count == 1 else f"{count} lines above the table were"
        notes.append(f"{words} left aside")
    left = ", ".join(f"'{name}' ({why})" for name, why in dialect.others.items())
    return [*notes, f"no temperatures: {left}"] if left else notes


def _dialect(
    log: OpenLog, roles: Roles, line: Timeline, temperatures: Temperatures, decimal: str, split_by: str
) -> Dialect:
    names, units = roles.names, temperatures.units
    differences = {
        names[column]: units.get(names[column], unit) for column, unit in roles.differences.items()
    }
    return Dialect(
        encoding=log.source.encoding,
        line_end=log.source.line_end,
        delimiter=log.layout.delimiter,
        decimal=decimal,
        header_row=log.header.row,
        units_row=log.header.units_row,
        body_line=log.layout.body_line,
        time=roles.time.heading,
        time_kind=roles.time.kind,
        dated=line.dated,
        offset_min=line.offset_min,
        units={name: unit for name, unit in units.items() if name not in differences},
        differences=differences,
        others={names[column]: why for column, why in roles.others.items()},
        split_by=split_by,
        reasons={**log.reasons, **{f"unit of {name}": why for name, why in roles.reasons.items()}},
    )
