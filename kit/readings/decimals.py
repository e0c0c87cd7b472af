"""The decimal mark of a whole file: proved by its numbers, or asked for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from kit.errors import Faults
from kit.readings.body import Wanted, read_body, read_marks
from kit.readings.cells import decimal_evidence, kind_of
from kit.readings.layout import Layout
from kit.readings.roles import Roles
from kit.readings.rows import Body
from kit.readings.source import Source

_HOTTEST = 10_000.0
"""No thermometer reads more, in any unit: numbers beyond it cannot be what a thousands mark would make of them."""

_ENOUGH = 40

Rows = Sequence[Sequence[str]]


def settle_decimal(
    source: Source, layout: Layout, rows: Rows, roles: Roles, keys: Mapping[str, object], faults: Faults
) -> tuple[str, str]:
    """Return the decimal mark of a file and why."""
    declared = keys.get("decimal")
    if declared in (".", ","):
        return str(declared), "declared"
    if declared is not None:
        faults.refuse(
            f"{source.name}, [[logger]] key decimal", f"'{declared}'", "'.' or ','", "Mend the key."
        )
    columns = list(
        dict.fromkeys(
            [
                *roles.temperatures,
                *roles.differences,
                *(roles.time.places if roles.time.kind == "number" else ()),
            ]
        )
    )
    rows = rows[:: max(1, len(rows) // _ENOUGH)]
    proved = {
        mark
        for row in rows
        for column in columns
        if (mark := decimal_evidence(row[column])) in (".", ",") and _is_number(row[column])
    }
    if len(proved) == 1:
        mark = proved.pop()
        return mark, "shown by numbers such as " + repr(_first(rows, columns, mark))
    if not proved and layout.delimiter == "," and b'"' not in source.head:
        return ".", "commas part the fields"
    if not proved and source.complete and not (b"," in source.head or b"." in source.head):
        return ".", "whole numbers only"
    return _from_all_rows(source, layout, roles, columns, faults)


def _is_number(cell: str) -> bool:
    return kind_of(cell) in ("number", "with unit")


def _first(rows: Rows, columns: Sequence[int], mark: str) -> str:
    return next(row[column] for row in rows for column in columns if decimal_evidence(row[column]) == mark)


def _from_all_rows(
    source: Source, layout: Layout, roles: Roles, columns: Sequence[int], faults: Faults
) -> tuple[str, str]:
    found = read_marks(source, layout, roles.time, columns)
    lines = {
        mark: min(marks[mark] for marks in found.values() if mark in marks)
        for mark in (".", ",", "comma", "point")
        if any(mark in marks for marks in found.values())
    }
    if "." in lines and "," in lines:
        first, second = sorted((lines["."], lines[","]))
        faults.refuse(
            f"{source.name}, line {second}",
            f"a number whose decimal mark contradicts line {first}",
            "one decimal mark in a whole file",
            "Look at both lines; take out thousands marks, or export the log again.",
        )
        return ".", ""
    for mark in (".", ","):
        if mark in lines:
            return mark, f"shown by line {lines[mark]}"
    doubtful = [mark for mark in ("comma", "point") if mark in lines]
    if not doubtful:
        return ".", "whole numbers only"
    if len(doubtful) == 1:
        mark = "," if doubtful == ["comma"] else "."
        if _too_hot(source, layout, roles, mark):
            return mark, "a thousands mark would make the readings hotter than any fire"
        if mark == "." and layout.delimiter == ",":
            return ".", "commas part the fields"
    _ask(source, lines[doubtful[0]], doubtful, faults)
    return ".", ""


def _too_hot(source: Source, layout: Layout, roles: Roles, mark: str) -> bool:
    """Return whether readings with exactly three decimals would be beyond any thermometer without the mark."""
    columns = tuple(roles.temperatures)
    body = read_body(source, layout, Wanted(roles.time, columns, frozenset(columns), (), mark))
    return any(_any_above(body, column) for column in columns)


def _any_above(body: Body, column: int) -> bool:
    values = body.numbers[column].values
    values = values[np.isfinite(values) & (values != np.rint(values))]
    return bool((np.abs(values) * 1000 > _HOTTEST).any())


def _ask(source: Source, line: int, doubtful: Sequence[str], faults: Faults) -> None:
    marks = " and ".join("commas" if each == "comma" else "points" for each in doubtful)
    faults.ask(
        f"{source.name}, line {line}",
        f"{marks} before exactly three digits, everywhere: '1,234' is 1.234 (decimal comma) or 1234 "
        "(thousands mark)",
        "the decimal mark",
        'Add decimal = "," or decimal = "." to the [[logger]] table.',
    )


def loose_columns(columns: Sequence[int], rows: Rows, decimal: str) -> frozenset[int]:
    """Return the columns whose cells hold more than plain numbers: signs apart, units, words, thousands marks."""
    plain = set("0123456789-eE" + decimal)
    return frozenset(column for column in columns if any(set(row[column]) - plain for row in rows))
