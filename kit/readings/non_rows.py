"""Lines of a log that are no readings: footers, repeated headers, words between the rows, lines cut or out of shape."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.readings.body import Body, OddLine, Texts, take
from kit.readings.open_log import OpenLog, raw_lines
from kit.readings.roles import Roles
from kit.readings.time_column import TimePlan
from kit.trial.cells import ABSENT, BLANKS, UNREAD, Numbers, kind_of

Ints = npt.NDArray[np.int64]
_MOST_ODD = 0.2
_SHOWN = 5
_SPARSE = 0.5
_MOST_EVENTS = 100_000
_NEAR_ROWS, _NEAR_ZERO = 5, 5.0
_COMPARED = 80


@dataclass(frozen=True)
class Checked:
    """A body without the lines that are no rows.

    Attributes
    ----------
    body
        The rows.
    events
        Words beside or between readings: line, column, text, only_event.
    lost
        Numbers of the lines within the table whose readings could not be used: without a usable time, or cut or
        out of shape.
    """

    body: Body
    events: pd.DataFrame
    lost: Ints


def check_lines(log: OpenLog, body: Body, roles: Roles) -> Checked:
    """Take out of a body what is no row; refuse a second header and a file of two shapes."""
    timed = _timed(log, body, roles.time) & ~_begins_with_word(log, body, roles)
    outside = list(log.fields(body.lines[~timed].tolist()).items())
    outside = sorted(
        outside + [(line.number, list(line.fields)) for line in body.odd if line.kind == "outside"]
    )
    last = int(body.lines[timed].max()) if timed.any() else 0
    _second_header(log, outside, last, roles)
    _two_shapes(log, body.odd, int(timed.sum()))
    within = [number for number, cells in outside if number <= last and not _is_header(log, cells)]
    lost = [*within, *(line.number for line in body.odd if line.kind in ("short", "long", "cut"))]
    log.notes += _line_notes(log, outside, last, body.odd)
    events = timed & _only_words(log, body, roles)
    _mask_cut_number(log, body, roles, timed)
    rows, only_events = take(body, np.flatnonzero(timed & ~events)), take(body, np.flatnonzero(events))
    words = _words(((rows, False), (only_events, True)), roles)
    return Checked(rows, words, np.sort(np.array(lost, np.int64)))


def _timed(log: OpenLog, body: Body, plan: TimePlan) -> npt.NDArray[np.bool_]:
    """Return which rows have a usable time; without a time column, which are no footer."""
    if plan.kind == "stamp" and body.stamps is not None:
        return np.asarray(body.stamps.form > 0)
    if plan.kind == "number":
        return _numbered(body, plan.places[0])
    odd = np.zeros(len(body), bool)
    for part in body.numbers.values():
        odd |= part.codes == UNREAD
    for column, texts in body.texts.items():
        if log.layout.kinds[column] == "blank":
            odd |= texts.codes > 0
    end = len(body)
    while end and odd[end - 1]:
        end -= 1
    return np.asarray(np.arange(len(body)) < end)


def _numbered(body: Body, place: int) -> npt.NDArray[np.bool_]:
    """Return which rows have a time, without a last one of words alone, or of words and a time that does not go on."""
    time = body.numbers[place].values
    good = np.isfinite(time)
    others = [part.codes == UNREAD for column, part in body.numbers.items() if column != place]
    words = np.any(others, axis=0) if others else np.zeros(len(body), bool)
    alone = np.all(others, axis=0) if others else words
    rows = np.flatnonzero(good)
    usual = float(np.median(np.abs(np.diff(time[rows])))) if len(rows) > 2 else np.inf
    while len(rows) > 2 and (
        alone[rows[-1]] or (words[rows[-1]] and not 0 < time[rows[-1]] - time[rows[-2]] <= 1.5 * usual)
    ):
        good[rows[-1]] = False
        rows = rows[:-1]
    return np.asarray(good)


def _begins_with_word(log: OpenLog, body: Body, roles: Roles) -> npt.NDArray[np.bool_]:
    """Return which rows have a word in a first column of numbers that is no probe's."""
    if log.layout.kinds[0] != "number" or 0 not in body.numbers or 0 in roles.temperatures:
        return np.zeros(len(body), bool)
    return np.asarray(body.numbers[0].codes == UNREAD)


def _second_header(log: OpenLog, outside: Sequence[tuple[int, list[str]]], last: int, roles: Roles) -> None:
    own = [name for name in log.header.names if name]
    for number, cells in outside:
        words = [cell for cell in cells if cell]
        texts = sum(kind_of(cell) == "text" for cell in words)
        if number > last or len(words) < 2 or texts * 2 < len(words) or not own:
            continue
        if _is_header(log, words):
            continue
        shared = len(set(words) & set(own))
        if shared * 2 >= len(own) or (len(words) == len(own) and texts == len(words)):
            order = "in another column order" if set(words) == set(own) else "with other columns"
            log.faults.refuse(
                log.at(number),
                f"a second header {order}: {', '.join(words)} (the first: {', '.join(own)}); "
                f"{roles.time.heading or 'the time'} restarts below it",
                "one table a file",
                f"These are two logs glued together: split the file at line {number} and give both files.",
            )
            return


def _two_shapes(log: OpenLog, odd: Sequence[OddLine], rows: int) -> None:
    bad = [line for line in odd if line.kind in ("short", "long")]
    if len(bad) > 3 and len(bad) > _MOST_ODD * max(rows, 1):
        first = bad[0]
        log.faults.refuse(
            log.at(first.number),
            f"{len(first.fields)} fields; {len(bad)} lines are so, where the others have {log.layout.width}",
            f"{log.layout.width} fields in every row",
            "Split the file where its shape changes, or export it again.",
        )


def _is_header(log: OpenLog, cells: Sequence[str]) -> bool:
    return [cell.casefold() for cell in cells if cell] == [
        name.casefold() for name in log.header.names if name
    ]


def _line_notes(
    log: OpenLog, outside: Sequence[tuple[int, list[str]]], last: int, odd: Sequence[OddLine]
) -> list[str]:
    notes = []
    within = [(number, cells) for number, cells in outside if number <= last]
    for what, lines in (
        ("footer, not rows", [(number, cells) for number, cells in outside if number > last]),
        ("the header again, left aside", [line for line in within if _is_header(log, line[1])]),
        ("no usable time, not rows", [line for line in within if not _is_header(log, line[1])]),
    ):
        if lines:
            shown = "; ".join(
                f"line {number}: {' '.join(cell for cell in cells if cell)[:60]}"
                for number, cells in lines[:_SHOWN]
            )
            more = f" and {len(lines) - _SHOWN} more" if len(lines) > _SHOWN else ""
            notes.append(f"{what}: {shown}{more}")
    for line in [line for line in odd if line.kind in ("short", "long")][:_SHOWN]:
        notes.append(
            f"line {line.number}: {len(line.fields)} fields where {log.layout.width} are expected; which reading is "
            "absent or too many cannot be known, "
            "so all readings of that row are missing"
        )
    many = sum(line.kind in ("short", "long") for line in odd)
    notes += [f"{many} lines in all have too few or too many fields"] if many > _SHOWN else []
    notes += [f"last line (line {line.number}) cut off: dropped" for line in odd if line.kind == "cut"]
    return notes


def _only_words(log: OpenLog, body: Body, roles: Roles) -> npt.NDArray[np.bool_]:
    """Return which rows hold an event and no reading: every reading blank, a word in a mostly empty column."""
    empty = np.ones(len(body), bool)
    for column in (*roles.temperatures, *roles.differences):
        empty &= body.numbers[column].codes == ABSENT
    words = np.zeros(len(body), bool)
    for _, texts in _sparse(body):
        words |= texts.codes > 0
    found = empty & words
    rows = np.flatnonzero(found)
    fields = log.fields(body.lines[rows].tolist())
    for row in rows.tolist():
        cells = fields[int(body.lines[row])]
        found[row] = all(not cells[column] for column in roles.temperatures if column < len(cells))
    return np.asarray(found | (words & _zero_beside_none(body, roles)))


def _zero_beside_none(body: Body, roles: Roles) -> npt.NDArray[np.bool_]:
    """Return which rows hold 0 at every probe where no row near them is close to it: a logger's word, no reading."""
    zero = np.full(len(body), bool(roles.temperatures))
    for column in roles.temperatures:
        zero &= body.numbers[column].values == 0.0
    for row in np.flatnonzero(zero).tolist():
        near = np.arange(max(row - _NEAR_ROWS, 0), min(row + _NEAR_ROWS + 1, len(body)))
        near = near[~zero[near]]
        around = [np.abs(body.numbers[column].values[near]) for column in roles.temperatures]
        zero[row] = any(len(values) and np.nanmin(values, initial=np.inf) > _NEAR_ZERO for values in around)
    return zero


def _sparse(body: Body) -> list[tuple[int, Texts]]:
    return [
        (column, texts)
        for column, texts in body.texts.items()
        if (texts.codes > 0).sum() < _SPARSE * max(len(body), 1)
    ]


def _mask_cut_number(log: OpenLog, body: Body, roles: Roles, timed: npt.NDArray[np.bool_]) -> None:
    """Blank the last reading of a file that ends without a line end, if it has fewer decimals than all others."""
    column = log.layout.width - 1
    if not log.source.ends_open or len(body) < 4 or not timed[-1] or column not in roles.temperatures:
        return
    if any(line.number > body.lines[-1] for line in body.odd):  # what ends within a line is a footer
        return
    texts = raw_lines(log.source, body.lines[-_COMPARED:].tolist())
    rows = [log.split(text) for text in texts.values()]
    cells = [row[column] for row in rows if column < len(row) and kind_of(row[column]) == "number"]
    number = int(body.lines[-1])
    if len(cells) < 4 or not texts[number].rstrip(BLANKS).endswith(cells[-1]):
        return
    decimals = [_decimals(cell) for cell in cells]
    if min(decimals[:-1]) == max(decimals[:-1]) > decimals[-1]:
        numbers: Numbers = body.numbers[column]
        numbers.values[-1], numbers.codes[-1] = np.nan, ABSENT
        log.notes.append(f"last line (line {number}): the last reading, '{cells[-1]}', is cut off: missing")


def _decimals(cell: str) -> int:
    digits = cell.rstrip("CFK° ")
    place = max(digits.rfind("."), digits.rfind(","))
    return len(digits) - place - 1 if place >= 0 else 0


def _words(parts: Sequence[tuple[Body, bool]], roles: Roles) -> pd.DataFrame:
    """Return the words logged beside or between readings: line, column, text, and whether the row held nothing else."""
    found: list[tuple[int, str, str, bool]] = []
    for body, only in parts:
        for column, texts in body.texts.items():
            filled = np.flatnonzero(texts.codes > 0)
            if column in roles.unit_cells.values() or not (only or len(filled) < _SPARSE * max(len(body), 1)):
                continue
            for row in filled[:_MOST_EVENTS].tolist():
                found.append((int(body.lines[row]), roles.names[column], texts.words[texts.codes[row]], only))
    found += [(line, "", text, False) for line, text in parts[0][0].remarks.items()]
    return pd.DataFrame(sorted(found), columns=["line", "column", "text", "only_event"])


def with_times(
    events: pd.DataFrame, lines: Ints, elapsed_s: npt.NDArray[np.float64], clock: npt.NDArray[np.datetime64]
) -> pd.DataFrame:
    """Return events with the time of the row they stand in or after."""
    order = np.argsort(lines, kind="stable") if len(events) else np.zeros(0, np.int64)
    place = np.searchsorted(lines[order], events["line"].to_numpy(np.int64), side="right") - 1
    at = order[np.maximum(place, 0)] if len(order) else np.zeros(0, np.int64)
    events.insert(1, "elapsed_s", elapsed_s[at])
    events.insert(2, "clock", clock[at])
    return events
