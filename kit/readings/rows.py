"""Which lines of a log are rows, and whose: footers and words taken out, probes and burns of one table told apart."""

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import reduce
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.readings.body import ABSENT, NOT_DUE, UNREAD, Body, Numbers, Texts, take
from kit.readings.columns import GLUED, Roles, TimePlan
from kit.readings.headings import SCALES, bare_unit, column_of, is_no_temperature, names
from kit.readings.open_log import OpenLog
from kit.readings.source import kind_of
from kit.readings.stamps import DAY, NO_OFFSET, nanoseconds_of
from kit.trial.cells import BLANKS, Bools, Floats, Ints, to_number
from kit.trial.decode import fault

OutsideLine = tuple[int, list[str]]
_MOST_ODD = 0.2
_SHOWN = 5
_SPARSE = 0.5
_MOST_EVENTS = 100_000
_NEAR_ROWS, _NEAR_ZERO = 5, 5.0
_COMPARED = 80


def check_lines(log: OpenLog, body: Body, roles: Roles) -> tuple[Body, pd.DataFrame, Ints]:
    """Take out of a body what is no row; refuse a second header and a file of two shapes.

    Returns
    -------
    tuple
        The rows; words beside or between readings (line, column, text, only_event); numbers of the lines within the
        table whose readings could not be used: without a usable time, or cut or out of shape.
    """
    timed = _timed(log, body, roles.time)
    if log.layout.kinds[0] == "number" and 0 in body.numbers and 0 not in roles.temperatures:
        timed &= body.numbers[0].codes != UNREAD  # a word in a first column of numbers that is no probe's
    outside = [*log.fields(body.lines[~timed].tolist()).items()]
    outside += [(line.number, [*line.fields]) for line in body.odd if line.kind == "outside"]
    outside.sort()
    last = int(body.lines[timed].max()) if timed.any() else 0
    within = [(number, cells) for number, cells in outside if number <= last]
    own = [name.casefold() for name in log.header.names if name]
    repeats = {number for number, cells in within if [cell.casefold() for cell in cells if cell] == own}
    again = [line for line in within if line[0] in repeats]
    within = [line for line in within if line[0] not in repeats]
    misfits = [line for line in body.odd if line.kind in ("short", "long") and line.number <= last]
    _second_header(log, within, roles)
    if len(misfits) > 3 and len(misfits) > _MOST_ODD * max(int(timed.sum()), 1):
        width, count = log.layout.width, len(misfits[0].fields)
        words = fault("rows of two shapes", count=count, lines=len(misfits), width=width)
        log.faults.refuse(log.at(misfits[0].number), *words)
    _note_lines(log, "footer, not rows", [line for line in outside if line[0] > last])
    _note_lines(log, "the header again, left aside", again)
    _note_lines(log, "no usable time, not rows", within)
    for line in misfits[:_SHOWN]:
        log.faults.note(
            f"line {line.number}: {len(line.fields)} fields where {log.layout.width} are expected; which reading is "
            "absent or too many cannot be known, so all readings of that row are missing"
        )
    if len(misfits) > _SHOWN:
        log.faults.note(f"{len(misfits)} lines in all have too few or too many fields")
    cut = [line for line in body.odd if line.kind == "cut"]
    for line in cut:
        log.faults.note(f"last line (line {line.number}) cut off: dropped")
    lost = [number for number, _ in within] + [line.number for line in (*misfits, *cut)]
    events = timed & _only_words(log, body, roles)
    _mask_cut_number(log, body, roles, timed)
    rows, only_events = take(body, np.flatnonzero(timed & ~events)), take(body, np.flatnonzero(events))
    return rows, _words(rows, only_events, roles), np.sort(np.array(lost, np.int64))


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
    """Return which rows have a time, without last ones of words alone, or out of step beside words or nothing."""
    time = body.numbers[place].values
    good = np.isfinite(time)
    others = [part.codes for column, part in body.numbers.items() if column != place]
    codes = np.array(others or [np.zeros(len(body), np.int8)])
    alone, words, nothing = (codes == UNREAD).all(0), (codes == UNREAD).any(0), (codes == ABSENT).all(0)
    for texts in body.texts.values():
        nothing &= texts.codes == 0
    rows = np.flatnonzero(good)
    usual = float(np.median(np.abs(np.diff(time[rows])))) if len(rows) > 2 else np.inf
    while len(rows) > 2 and (
        alone[rows[-1]]
        or ((words | nothing)[rows[-1]] and not 0 < time[rows[-1]] - time[rows[-2]] <= 1.5 * usual)
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
            parts = {"order": order, "time": roles.time.heading or "the time", "line": number}
            told = fault("second header", names=", ".join(words), own=", ".join(own), **parts)
            log.faults.refuse(log.at(number), *told)
            return


def _note_lines(log: OpenLog, what: str, lines: Sequence[OutsideLine]) -> None:
    if lines:
        texts = ((number, " ".join(cell for cell in cells if cell)[:60]) for number, cells in lines[:_SHOWN])
        more = f" and {len(lines) - _SHOWN} more" if len(lines) > _SHOWN else ""
        log.faults.note(f"{what}: " + "; ".join(f"line {number}: {text}" for number, text in texts) + more)


def _only_words(log: OpenLog, body: Body, roles: Roles) -> Bools:
    """Return which rows hold an event and no reading: every reading blank, a word in a mostly empty column."""
    empty = reduce(np.logical_and, (body.numbers[column].codes == ABSENT for column in roles.measured))
    sparse = (texts.codes > 0 for texts in body.texts.values() if _is_sparse(texts, body))
    words = reduce(np.logical_or, sparse, np.zeros(len(body), bool))
    only = empty & words
    fields = log.fields(body.lines[only].tolist())
    for row in np.flatnonzero(only).tolist():  # a word for a missing reading is none
        cells = fields[int(body.lines[row])]
        only[row] = not any(cells[column] for column in roles.temperatures if column < len(cells))
    zero = reduce(np.logical_and, (body.numbers[column].values == 0.0 for column in roles.temperatures))
    # 0 at every probe, where no row near it is close to it, is a logger's word and no reading
    for row in np.flatnonzero(zero).tolist():
        near = np.arange(max(row - _NEAR_ROWS, 0), min(row + _NEAR_ROWS + 1, len(body)))
        near = near[~zero[near]]
        around = [np.abs(body.numbers[column].values[near]) for column in roles.temperatures]
        zero[row] = any(len(values) and np.nanmin(values, initial=np.inf) > _NEAR_ZERO for values in around)
    return np.asarray(only | (words & zero))


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
    texts = log.source.texts(body.lines[-_COMPARED:].tolist())
    cells = [cell for text in texts.values() for cell in log.layout.split(text)[column : column + 1]]
    cells = [cell for cell in cells if kind_of(cell) == "number"]
    if len(cells) < 4 or not texts[number].rstrip(BLANKS).endswith(cells[-1]):
        return
    decimals = [len(re.split("[.,]", cell)[-1]) if re.search("[.,]", cell) else 0 for cell in cells]
    if min(decimals[:-1]) == max(decimals[:-1]) > decimals[-1]:
        numbers = body.numbers[column]
        numbers.values[-1], numbers.codes[-1] = np.nan, ABSENT
        log.faults.note(f"last line (line {number}): the last reading, '{cells[-1]}', is cut off: missing")


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
    order = np.argsort(lines, kind="stable") if len(events) else lines[:0]
    place = np.searchsorted(lines[order], events["line"].to_numpy(np.int64), side="right") - 1
    at = order[np.maximum(place, 0)]
    events.insert(1, "elapsed_s", elapsed_s[at])
    events.insert(2, "clock", clock[at])
    return events


_MOST_PROBES, _MOST_RUNS = 128, 200
_LETTER = {unit: ord(letter) for letter, unit in SCALES.items()}


def mark_categories(log: OpenLog) -> None:
    """Take columns of running channel or burn numbers for words."""
    kinds, split_by = list(log.layout.kinds), (log.keys.split_by or "").casefold()
    for column in log.numeric():
        name = log.header.names[column]
        values = [to_number(cell, ".") for cell in log.cells(column)]
        whole = [value for value in values if value is not None and value == int(value)]
        counts = (names("probe", name) and _recurs(whole)) or (names("run", name) and _in_blocks(whole))
        is_split_by = bool(name) and name.casefold() == split_by
        if is_split_by or (counts and len(whole) == len(values)):
            kinds[column] = "text"
    log.layout = replace(log.layout, kinds=tuple(kinds))


def _recurs(values: Sequence[float]) -> bool:
    """Return whether whole numbers come round and round in one order, as channels do."""
    period = len(set(values))
    if not 2 <= period <= _MOST_PROBES or len(values) < 2 * period:
        return False
    again = sum(first == second for first, second in zip(values, values[period:], strict=False))
    return again >= 0.9 * (len(values) - period)


def _in_blocks(values: Sequence[float]) -> bool:
    changes = int((np.diff(values) != 0).sum()) if len(values) >= 4 else 0
    return 0 < changes <= len(values) // 3 and changes == len(set(values)) - 1


def split_runs(log: OpenLog, body: Body, roles: Roles) -> tuple[Ints, npt.NDArray[np.object_] | None, str]:
    """Return the run of every row, the label of each row's run (None for one run), and the column that parts them."""
    nothing, wanted = np.zeros(len(body), np.int64), log.keys.split_by
    if not wanted:
        if log.keys.clock_change != "restart":
            _ask_split(log, body, roles)
        return nothing, None, ""
    column = column_of(wanted, roles.names)
    if column is None or column not in body.texts:
        known = [roles.names[column] for column in body.texts]
        log.refuse_name("split_by", f"no column of names '{wanted}'", wanted, known)
        return nothing, None, ""
    texts = body.texts[column]
    _, run = np.unique(texts.codes, return_inverse=True)
    return np.asarray(run, np.int64), np.array(texts.words, dtype=object)[texts.codes], roles.names[column]


def _ask_split(log: OpenLog, body: Body, roles: Roles) -> None:
    """Ask whether blocks of rows under one word each are burns, where the heading or the time speaks for it."""
    for column in sorted(body.texts, key=lambda place: not names("run", roles.names[place])):
        texts, name = body.texts[column], roles.names[column]
        starts = _block_starts(texts)
        count = len(starts) + 1
        sizes = np.diff([0, *starts, len(body)])
        whole = (texts.codes > 0).all() and sizes.min() >= 2 and len(np.unique(texts.codes)) == count
        if not (2 <= count <= _MOST_RUNS and whole) or names("probe", name):
            continue
        if names("run", name) or _breaks(body, roles.time, starts):
            before, after = (texts.words[texts.codes[row]] for row in (0, int(starts[0])))
            told = fault("runs in one file", count=count, column=name, before=before, after=after)
            log.faults.ask(log.at(int(body.lines[starts[0]]), name), *told)
            return


def _block_starts(texts: Texts) -> Ints:
    """Return the rows at which a word gives way to another."""
    return np.flatnonzero(np.diff(texts.codes)) + 1


def _breaks(body: Body, plan: TimePlan, starts: Ints) -> bool:
    """Return whether the time jumps or falls back where each run begins."""
    if plan.kind == "implied":
        return False
    steps = np.diff(_rough_time(body, plan))
    usual = float(np.median(np.abs(steps[steps != 0]))) if steps.any() else 0.0
    jumps = steps[starts - 1]
    return bool(((jumps < 0) | (jumps > 10 * usual)).all()) and usual > 0


def _rough_time(body: Body, plan: TimePlan) -> npt.NDArray[Any]:
    """Return one number a row that is equal where the times are, and mostly rises with them.

    The order of dates is not settled yet: days count by their place among those of the file.
    """
    if plan.kind == "number":
        return body.numbers[plan.places[0]].values
    stamps = body.stamps
    if stamps is None:
        return np.arange(len(body))
    _, day = np.unique(stamps.date_code(), return_inverse=True)
    offset = np.where(stamps.offset == NO_OFFSET, 0, stamps.offset).astype(np.int64)
    time = stamps.nanoseconds + np.asarray(day, np.int64) * DAY - offset * 60 * 10**9
    return time if plan.millis is None else time + nanoseconds_of(body.numbers[plan.millis].values)


def widened(log: OpenLog, body: Body, roles: Roles) -> tuple[Body, Roles]:
    """Return a body with one column a probe, where the file has one row a probe; else the body as it is.

    A file that was split into runs is not looked at: there rows of different runs may share a time.
    """
    plan = roles.time
    column = _category(body, roles)
    if column is None:
        return body, roles
    body, roles = _temperatures_only(log, body, roles, column)
    texts = body.texts[column]
    words = [texts.words[code] for code in np.unique(texts.codes)]
    _, first, slot = np.unique(_rough_time(body, plan), return_index=True, return_inverse=True)
    rank = np.argsort(np.argsort(first))
    slot, first = rank[slot], np.sort(first)
    timed = {place: part for place, part in body.numbers.items() if place in (*plan.places, plan.millis)}
    others = {place: part for place, part in body.texts.items() if place != column}
    wide = take(replace(body, numbers=timed, texts=others), first)
    headings, units, columns = list(roles.names), dict[int, str](), dict(wide.numbers)
    for value, unit in roles.temperatures.items():
        for word in words:
            rows = np.flatnonzero(texts.codes == texts.words.index(word))
            name = f"{roles.names[column]} {word}" if word.replace(".", "").isdigit() else word
            columns[len(headings)] = _laid(body.numbers[value].taken(rows), slot[rows], len(first))
            units[len(headings)] = unit
            headings.append(f"{name} {roles.names[value]}" if len(roles.temperatures) > 1 else name)
    log.faults.note(f"long form: a row a probe, told apart by '{roles.names[column]}' ({len(words)} probes)")
    reasons = dict.fromkeys(headings[len(roles.names) :], "as the column of all readings")
    roles = replace(roles, names=tuple(headings), temperatures=units, unit_cells={}, reasons=reasons)
    return replace(wide, numbers=columns), roles


def _laid(numbers: Numbers, slots: Ints, total: int) -> Numbers:
    """Return the readings of one probe in a row each of the wide table; few of them are due in a row not theirs."""
    values, units = np.full(total, np.nan), np.zeros(total, np.int8)
    codes = np.full(total, ABSENT if len(slots) >= 0.9 * total else NOT_DUE, np.int8)
    values[slots], codes[slots], units[slots] = numbers.values, numbers.codes, numbers.units
    return Numbers(values, codes, units, {text: int(slots[row]) for text, row in numbers.unread.items()})


def with_unit_cells(body: Body, column: int, roles: Roles) -> Numbers:
    """Return numbers with the unit that stands in the column beside them."""
    numbers = body.numbers[column]
    if column not in roles.unit_cells:
        return numbers
    texts = body.texts[roles.unit_cells[column]]
    letters = np.array([_LETTER.get(bare_unit(word), 0) for word in texts.words], np.int8)
    return replace(numbers, units=letters[texts.codes])


def _category(body: Body, roles: Roles) -> int | None:
    """Return the column that names the probe of each row, or None where a row holds all probes.

    A time and a name come together once; and of three signs two are seen: the heading names probes, rows share their
    times, the names come round and round.
    """
    if roles.time.kind == "implied" or not roles.temperatures or len(body) < 4:
        return None
    slot: Ints | None = None
    for column in sorted(body.texts, key=lambda place: not names("probe", roles.names[place])):
        texts = body.texts[column]
        words = len(np.unique(texts.codes))
        if not 2 <= words <= _MOST_PROBES or (texts.codes == 0).any():
            continue
        if slot is None:
            slot = np.asarray(np.unique(_rough_time(body, roles.time), return_inverse=True)[1], np.int64)
        hinted = names("probe", roles.names[column])
        shared = int(slot.max()) + 1 <= 0.75 * len(slot)
        recurs = len(_block_starts(texts)) + 1 > 2 * words
        once = len(np.unique(slot * len(texts.words) + texts.codes)) >= 0.99 * len(slot)
        if once and hinted + shared + recurs >= 2:
            return column
    return None


def _temperatures_only(log: OpenLog, body: Body, roles: Roles, column: int) -> tuple[Body, Roles]:
    """Leave out the rows of a long table whose unit or name is no temperature's; the unit beside them is theirs."""
    keep = np.ones(len(body), bool)
    for place, texts in body.texts.items():
        if place == column or place in roles.unit_cells.values():
            continue
        units = {int(code): bare_unit(texts.words[code]) for code in np.unique(texts.codes)}
        degrees = [code for code, unit in units.items() if unit in SCALES.values()]
        if degrees and all(units.values()):
            keep &= np.isin(texts.codes, degrees)
            cells = dict.fromkeys(roles.temperatures, place)
            roles = replace(roles, unit_cells=cells, temperatures=dict.fromkeys(cells, GLUED))
    others = np.array([is_no_temperature(word) for word in body.texts[column].words])
    keep &= ~others[body.texts[column].codes]
    if not keep.any():
        return body, roles
    if not keep.all():
        log.faults.note(f"{int((~keep).sum())} rows of other quantities than temperature left aside")
        body = take(body, np.flatnonzero(keep))
    numbers = {value: with_unit_cells(body, value, roles) for value in roles.temperatures}
    return replace(body, numbers={**body.numbers, **numbers}), roles
