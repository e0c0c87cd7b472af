"""One logger's file to a table of temperatures: decode, find the table, settle its dialect, read it whole."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from kit.errors import Faults, KitError, Problem, did_you_mean
from kit.readings.assemble import Settled, assembled
from kit.readings.body import Wanted, read_body
from kit.readings.celsius import Sentinels
from kit.readings.decimals import loose_columns, settle_decimal
from kit.readings.header import Header, stated_unit, stated_values
from kit.readings.layout import Layout, split_glued, split_line
from kit.readings.leftovers import check_lines
from kit.readings.log import Log
from kit.readings.longform import mark_categories, split_runs, widened
from kit.readings.preamble import clock_stated, step_stated
from kit.readings.roles import Roles, assign_roles, without_non_probes
from kit.readings.sniff import Sniffed, raw_lines, sniff
from kit.readings.source import Source, open_source
from kit.readings.temperatures import to_temperatures
from kit.readings.timebase import Setting
from kit.readings.timeline import time_of
from kit.readings.timing import TimePlan, find_time

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
