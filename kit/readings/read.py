"""One logger's file to a table of temperatures: decode, find the table, settle its dialect, read it whole."""

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
from pydantic import ValidationError

from kit.errors import Faults, KitError, Problem
from kit.readings.body import Texts, Wanted, picked, read_body
from kit.readings.columns import (
    Roles,
    TimePlan,
    assign_roles,
    find_time,
    refuse_unknown_columns,
    without_non_probes,
)
from kit.readings.headings import seconds_stated, stated_clock, stated_step
from kit.readings.open_log import OpenLog, open_log
from kit.readings.rows import check_lines, mark_categories, split_runs, widened, with_times
from kit.readings.source import open_source
from kit.readings.stamps import SECOND
from kit.readings.temperatures import ask_units, loose_columns, settle_decimal, to_temperatures
from kit.readings.timeline import Timed, Timeline, sampled, time_of, usual_step
from kit.results_file import sha256_of
from kit.trial.cells import Bools, Codes, Floats, Ints
from kit.trial.decode import fault, path_of
from kit.trial.models import Cleaning, Logger
from kit.trial.toml_reader import key_problems


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
    texts
        Columns of words by heading: code of each row, 0 for blank, into the column's distinct words.
    events
        Words logged beside or between readings: line, elapsed_s, clock, column, text; with
        only_event where the row held nothing else and is no row of `table`.
    """

    table: pd.DataFrame
    dialect: Dialect
    notes: list[str]
    path: Path
    sha256: str = field(repr=False)
    lines: Ints = field(repr=False)
    lost: Ints = field(repr=False)
    codes: Mapping[str, Codes] = field(repr=False)
    moved: Bools = field(repr=False)
    repeated: Bools = field(repr=False)
    groups: npt.NDArray[np.object_] | None = field(repr=False)
    differences: pd.DataFrame = field(repr=False)
    texts: Mapping[str, Texts] = field(repr=False)
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


DEFAULT_LIMITS = Cleaning()
_LONGEST_TEXT = 1000
_GAP_STEPS = 20


def read_log(
    path: Path | str,
    declared: Mapping[str, object] | Logger | None = None,
    *,
    cleaning: Cleaning = DEFAULT_LIMITS,
    name: str | None = None,
) -> Log:
    """Read one logger's export.

    Parameters
    ----------
    path
        A delimited text file of any dialect, or a spreadsheet's own file.
    declared
        Keys of a [[logger]] table, where they cannot be seen from the file.
    cleaning
        Its `sentinels` are the numbers that may stand for an open circuit.
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
    path = path_of(path, "a log")
    keys, faults = _declared(declared, name or path.name)
    # a line may be half written when it is read: part of a number is a wrong number
    changed = KitError.refuse(name or path.name, *fault("log changed"))
    before = _state(path)
    try:
        source = open_source(path, keys.encoding, name, keys.sheet)
        faults.settle()
        log = _read(open_log(source, keys), cleaning)
    except OSError:
        raise changed from None
    except KitError as error:
        parts = ((each.kind, each.where, each.found, each.expected, each.remedy) for each in error.problems)
        raise KitError(Problem(kind, *map(_short, texts)) for kind, *texts in parts) from None
    if _state(path) != before:
        raise changed
    return log


def _short(text: str) -> str:
    """Return a text no longer than a person reads, whatever the file's cells hold."""
    return text if len(text) <= _LONGEST_TEXT else f"{text[:_LONGEST_TEXT]} …"


def _state(path: Path) -> tuple[int, int] | None:
    """Return what changes when a file is written to, or None where there is none."""
    with suppress(OSError):
        state = path.stat()
        return state.st_size, state.st_mtime_ns
    return None


def _declared(declared: object, name: str) -> tuple[Logger, Faults]:
    """Return the keys that were declared, and the faults of those that cannot be read."""
    faults = Faults()
    if isinstance(declared, Logger):
        return declared, faults
    if not isinstance(declared, Mapping | None):
        raise KitError.refuse(f"{name}, declared", *fault("no keys", value=repr(declared)))
    written = {str(key): value for key, value in (declared or {}).items() if value is not None}
    try:
        return Logger.model_validate(written), faults
    except ValidationError as error:
        faults.take(KitError(key_problems(error, f"{name}, [[logger]] key ", Logger)))
    return Logger(), faults


def _read(log: OpenLog, cleaning: Cleaning) -> Log:
    """Settle what every column is, read all rows, and put time and temperatures together."""
    mark_categories(log)
    time = find_time(log)
    log.reasons["time column"] = time.reason
    roles = assign_roles(log, time)
    if not roles.temperatures and not len(log.faults):  # a difference alone is no temperature
        left = "; ".join(f"'{roles.names[column]}' ({why})" for column, why in roles.others.items())
        log.faults.refuse(log.name, *fault("no temperature", left=left or "no column of numbers"))
    log.faults.settle()

    decimal, log.reasons["decimal"] = settle_decimal(log, roles)
    columns = _columns_of_numbers(log, roles)
    texts = (*roles.texts, *roles.unit_cells.values())
    wanted = Wanted(time, columns, loose_columns(log, columns, decimal), texts, decimal)
    body, events, lost = check_lines(log, read_body(log.source, log.layout, wanted), roles)
    if [problem.kind for problem in log.faults] == ["ask"]:  # the decimal mark: units are asked with it
        ask_units(log, roles)
    log.faults.settle()

    if not len(body):
        raise KitError.refuse(log.name, *fault("no timed rows"))
    run, labels, split_by = split_runs(log, body, roles)
    if not split_by:  # in a file that was split rows of different runs may share a time
        body, roles = widened(log, body, roles)
    refuse_unknown_columns(log, roles.names)
    clock = stated_clock(log.header.stated)
    line = time_of(Timed(log, time, body, body.lines, run[: len(body)], clock, _step(log, time)))
    if line is not None:
        values = {column: part.values[line.rows] for column, part in body.numbers.items()}
        roles = without_non_probes(roles, values, line.elapsed_s, set(log.keys.columns.values()))
    temperatures = to_temperatures(log, body, roles, cleaning)
    log.faults.settle()
    if line is None or not len(line.rows):
        raise KitError.refuse(log.at(column=time.heading), *fault("no usable time"))

    rows, names, units = line.rows, roles.names, temperatures.units
    differences = {names[c]: units.get(names[c], unit) for c, unit in roles.differences.items()}
    dialect = Dialect(
        encoding=log.source.encoding,
        line_end=log.source.line_end,
        delimiter=log.layout.delimiter,
        decimal=decimal,
        header_row=log.header.row,
        units_row=log.header.units_row,
        body_line=log.layout.body_line,
        time=time.heading,
        time_kind=time.kind,
        dated=line.dated,
        offset_min=line.offset_min,
        units={name: unit for name, unit in units.items() if name not in differences},
        differences=differences,
        others={names[column]: why for column, why in roles.others.items()},
        split_by=split_by,
        reasons={**log.reasons, **{f"unit of {name}": why for name, why in roles.reasons.items()}},
    )
    lines, shown = picked(body.lines, rows), _clock(log, line)
    groups = None if labels is None else labels[rows]
    if labels is None and line.order.run.any():
        runs = range(int(line.order.run.max()) + 1)
        groups = np.array([f"run {number + 1}" for number in runs], dtype=object)[line.order.run]
    celsius = {name: picked(values, rows) for name, values in temperatures.celsius.items()}
    apart = {name: picked(values, rows) for name, values in temperatures.differences.items()}
    notes = (*log.source.notes, *log.faults.notes, *_notes(log, dialect, line.elapsed_s, lines))
    return Log(
        table=pd.DataFrame({"elapsed_s": line.elapsed_s, "clock": shown, **celsius}, copy=False),
        dialect=dialect,
        notes=[*map(_short, notes)],
        path=log.source.path,
        sha256=sha256_of(log.source.path),
        lines=lines,
        lost=lost,
        codes={name: picked(codes, rows) for name, codes in temperatures.codes.items()},
        moved=line.order.moved,
        repeated=line.order.repeated,
        groups=groups,
        differences=pd.DataFrame(apart),
        texts={names[c]: part.taken(rows) for c, part in body.texts.items() if c in roles.texts},
        events=with_times(events, lines, line.elapsed_s, shown),
    )


def _columns_of_numbers(log: OpenLog, roles: Roles) -> tuple[int, ...]:
    """Return the columns to be read as numbers; the first one too, since a footer's word stands there."""
    time = roles.time
    columns = [*roles.measured, *(time.places if time.kind == "number" else ())]
    columns += [column for column in (time.millis, time.beside and time.beside[0]) if column is not None]
    if log.layout.kinds[0] == "number" and 0 not in time.places:
        columns.append(0)
    return tuple(dict.fromkeys(columns))


def _step(log: OpenLog, time: TimePlan) -> float | None:
    """Return the step between rows, declared or, where nothing else tells the time, stated above the table."""
    if log.keys.step_s is not None:
        log.reasons["step_s"] = "declared"
        return log.keys.step_s
    name, value = stated_step(log.header.stated)
    seconds = seconds_stated(name, value, any("(s)" in line.text for line in log.header.preamble))
    if time.kind != "implied" or not seconds or seconds < 0:
        return None
    log.reasons["step_s"] = f"'{name} {value}' above the table"
    return seconds


def _clock(log: OpenLog, line: Timeline) -> npt.NDArray[np.datetime64]:
    """Return the clock of each row, moved as declared; NaT without one."""
    offset_s = log.keys.clock_offset_s
    if offset_s:
        log.faults.note(f"the clock was moved by {offset_s:g} s, as declared")
    if line.clock_ns is None:
        return np.full(len(line.rows), np.datetime64("NaT", "ns"), dtype="datetime64[ns]")
    moved = line.clock_ns + round(offset_s * SECOND) if offset_s else line.clock_ns
    return moved.view("datetime64[ns]")


def _notes(log: OpenLog, dialect: Dialect, elapsed_s: Floats, lines: Ints) -> list[str]:
    """Return what a person should know of gaps, of the header, and of the columns left aside."""
    steps, count = np.diff(elapsed_s), len(log.header.preamble)
    usual = usual_step(sampled(steps))
    gaps = np.flatnonzero(steps > _GAP_STEPS * usual).tolist()
    notes = [f"line {lines[k + 1]}: a gap of {steps[k]:g} s where {usual:g} s is usual" for k in gaps[:3]]
    if len(gaps) > 3:
        notes.append(f"{len(gaps) - 3} more gap{'s' * (len(gaps) > 4)}")
    if log.header.made_up:
        notes.append("no header: names were made up")
    elif any(name.endswith(" #1") for name in dialect.units):
        named = f"line {log.header.row} names fewer columns than the rows hold"
        notes.append(f"{named}: its last name was numbered on")
    if count:
        notes.append(f"skipped {count} line{'s' * (count > 1)} above the table")
    left = ", ".join(f"'{name}' ({why})" for name, why in dialect.others.items())
    return [*notes, f"no temperatures: {left}"] if left else notes
