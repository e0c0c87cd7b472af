"""Lines of a log that are no readings: footers, repeated headers, words between the rows, lines cut or out of shape."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.readings.body import Body, Texts, take
from kit.readings.open_log import OpenLog, raw_lines
from kit.readings.roles import Roles
from kit.readings.time_column import TimePlan
from kit.trial.cells import ABSENT, BLANKS, UNREAD, Bools, Floats, Ints, kind_of

OutsideLine = tuple[int, list[str]]
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
    timed = _timed(log, body, roles.time)
    if log.layout.kinds[0] == "number" and 0 in body.numbers and 0 not in roles.temperatures:
        timed &= body.numbers[0].codes != UNREAD  # a word in a first column of numbers that is no probe's
    outside = [*log.fields(body.lines[~timed].tolist()).items()]
    outside = sorted(
        [*outside, *((line.number, [*line.fields]) for line in body.odd if line.kind == "outside")]
    )
    last = int(body.lines[timed].max()) if timed.any() else 0
    within = [(number, cells) for number, cells in outside if number <= last]
    own = [name.casefold() for name in log.header.names if name]
    repeats = {number for number, cells in within if [cell.casefold() for cell in cells if cell] == own}
    again = [line for line in within if line[0] in repeats]
    within = [line for line in within if line[0] not in repeats]
    misfits = [line for line in body.odd if line.kind in ("short", "long")]
    _second_header(log, within, roles)
    if len(misfits) > 3 and len(misfits) > _MOST_ODD * max(int(timed.sum()), 1):
        width, count = log.layout.width, len(misfits[0].fields)
        log.faults.refuse(
            log.at(misfits[0].number),
            f"{count} fields; {len(misfits)} lines are so, where the others have {width}",
            f"{width} fields in every row",
            "Split the file where its shape changes, or export it again.",
        )
    _note_lines(log, "footer, not rows", [line for line in outside if line[0] > last])
    _note_lines(log, "the header again, left aside", again)
    _note_lines(log, "no usable time, not rows", within)
    for line in misfits[:_SHOWN]:
        log.notes.append(
            f"line {line.number}: {len(line.fields)} fields where {log.layout.width} are expected; which reading is "
            "absent or too many cannot be known, so all readings of that row are missing"
        )
    if len(misfits) > _SHOWN:
        log.notes.append(f"{len(misfits)} lines in all have too few or too many fields")
    cut = [line for line in body.odd if line.kind == "cut"]
    log.notes += [f"last line (line {line.number}) cut off: dropped" for line in cut]
    lost = [number for number, _ in within] + [line.number for line in (*misfits, *cut)]
    events = timed & _only_words(log, body, roles)
    _mask_cut_number(log, body, roles, timed)
    rows, only_events = take(body, np.flatnonzero(timed & ~events)), take(body, np.flatnonzero(events))
    return Checked(rows, _words(rows, only_events, roles), np.sort(np.array(lost, np.int64)))


def _timed(log: OpenLog, body: Body, plan: TimePlan) -> Bools:
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
    return np.asarray(~np.logical_and.accumulate(odd[::-1])[::-1])


def _numbered(body: Body, place: int) -> Bools:
    """Return which rows have a time, without a last one of words alone, or of words and a time that does not go on."""
    time = body.numbers[place].values
    good = np.isfinite(time)
    others = [part.codes == UNREAD for column, part in body.numbers.items() if column != place]
    words, alone = (how(others, axis=0) if others else ~good & good for how in (np.any, np.all))
    rows = np.flatnonzero(good)
    usual = float(np.median(np.abs(np.diff(time[rows])))) if len(rows) > 2 else np.inf
    while len(rows) > 2 and (
        alone[rows[-1]] or (words[rows[-1]] and not 0 < time[rows[-1]] - time[rows[-2]] <= 1.5 * usual)
    ):
        good[rows[-1]] = False
        rows = rows[:-1]
    return np.asarray(good)


def _second_header(log: OpenLog, within: Sequence[OutsideLine], roles: Roles) -> None:
    own = [name for name in log.header.names if name]
    for number, cells in within if own else ():
        words = [cell for cell in cells if cell]
        texts = sum(kind_of(cell) == "text" for cell in words)
        shared = len(set(words) & set(own)) * 2 >= len(own)
        if len(words) >= 2 and texts * 2 >= len(words) and (shared or len(words) == len(own) == texts):
            order = "in another column order" if set(words) == set(own) else "with other columns"
            log.faults.refuse(
                log.at(number),
                f"a second header {order}: {', '.join(words)} (the first: {', '.join(own)}); "
                f"{roles.time.heading or 'the time'} restarts below it",
                "one table a file",
                f"These are two logs glued together: split the file at line {number} and give both files.",
            )
            return


def _note_lines(log: OpenLog, what: str, lines: Sequence[OutsideLine]) -> None:
    if lines:
        texts = ((number, " ".join(cell for cell in cells if cell)[:60]) for number, cells in lines[:_SHOWN])
        more = f" and {len(lines) - _SHOWN} more" if len(lines) > _SHOWN else ""
        log.notes.append(f"{what}: " + "; ".join(f"line {number}: {text}" for number, text in texts) + more)


def _only_words(log: OpenLog, body: Body, roles: Roles) -> Bools:
    """Return which rows hold an event and no reading: every reading blank, a word in a mostly empty column."""
    empty, words = np.ones(len(body), bool), np.zeros(len(body), bool)
    for column in (*roles.temperatures, *roles.differences):
        empty &= body.numbers[column].codes == ABSENT
    for texts in body.texts.values():
        if _is_sparse(texts, body):
            words |= texts.codes > 0
    only = empty & words
    fields = log.fields(body.lines[only].tolist())
    for row in np.flatnonzero(only).tolist():  # a word for a missing reading is none
        cells = fields[int(body.lines[row])]
        only[row] = not any(cells[column] for column in roles.temperatures if column < len(cells))
    return np.asarray(only | (words & _zero_beside_none(body, roles)))


def _zero_beside_none(body: Body, roles: Roles) -> Bools:
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


def _is_sparse(texts: Texts, body: Body) -> bool:
    return bool((texts.codes > 0).sum() < _SPARSE * max(len(body), 1))


def _mask_cut_number(log: OpenLog, body: Body, roles: Roles, timed: Bools) -> None:
    """Blank the last reading of a file that ends without a line end, if it has fewer decimals than all others."""
    column = log.layout.width - 1
    if not log.source.ends_open or len(body) < 4 or not timed[-1] or column not in roles.temperatures:
        return
    number = int(body.lines[-1])
    if any(line.number > number for line in body.odd):  # what ends within a line is a footer
        return
    texts = raw_lines(log.source, body.lines[-_COMPARED:].tolist())
    cells = [cell for text in texts.values() for cell in log.layout.split(text)[column : column + 1]]
    cells = [cell for cell in cells if kind_of(cell) == "number"]
    if len(cells) < 4 or not texts[number].rstrip(BLANKS).endswith(cells[-1]):
        return
    decimals = [len(re.split("[.,]", cell)[-1]) if re.search("[.,]", cell) else 0 for cell in cells]
    if min(decimals[:-1]) == max(decimals[:-1]) > decimals[-1]:
        numbers = body.numbers[column]
        numbers.values[-1], numbers.codes[-1] = np.nan, ABSENT
        log.notes.append(f"last line (line {number}): the last reading, '{cells[-1]}', is cut off: missing")


def _words(rows: Body, only_events: Body, roles: Roles) -> pd.DataFrame:
    """Return the words logged beside or between readings: line, column, text, and whether the row held nothing else."""
    words = [(line, "", text, False) for line, text in rows.remarks.items()]
    for body, only in ((rows, False), (only_events, True)):
        for column, texts in body.texts.items():
            if column in roles.unit_cells.values() or not (only or _is_sparse(texts, body)):
                continue
            for row in np.flatnonzero(texts.codes > 0)[:_MOST_EVENTS].tolist():
                text = texts.words[texts.codes[row]]
                words.append((int(body.lines[row]), roles.names[column], text, only))
    return pd.DataFrame(sorted(words), columns=["line", "column", "text", "only_event"])


def with_times(
    events: pd.DataFrame, lines: Ints, elapsed_s: Floats, clock: npt.NDArray[np.datetime64]
) -> pd.DataFrame:
    """Return events with the time of the row they stand in or after."""
    order = np.argsort(lines, kind="stable") if len(events) else np.zeros(0, np.int64)
    place = np.searchsorted(lines[order], events["line"].to_numpy(np.int64), side="right") - 1
    at = order[np.maximum(place, 0)] if len(order) else np.zeros(0, np.int64)
    events.insert(1, "elapsed_s", elapsed_s[at])
    events.insert(2, "clock", clock[at])
    return events
