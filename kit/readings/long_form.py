"""Columns of names that part a table's rows: probes one below the other, or several burns in one file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from kit.readings.body import Body, Texts, take
from kit.readings.headings import SCALES, bare_unit, column_of, is_no_temperature, names
from kit.readings.open_log import OpenLog
from kit.readings.roles import GLUED, Roles
from kit.readings.stamps import DAY, NO_OFFSET
from kit.readings.time_column import TimePlan
from kit.trial.cells import ABSENT, NOT_DUE, Ints, Numbers, to_number

_MOST_PROBES, _MOST_RUNS = 128, 200
_LETTER = {unit: ord(letter) for letter, unit in SCALES.items()}


def mark_categories(log: OpenLog) -> None:
    """Take columns of running channel or burn numbers for words."""
    kinds, split_by = list(log.layout.kinds), (log.keys.split_by or "").casefold()
    for column in log.numeric():
        name = log.header.names[column]
        values = [to_number(cell, ".") for cell in log.cells(column)]
        whole = [value for value in values if value is not None and value == int(value)]
        if name.casefold() == split_by:
            is_name = bool(name)
        else:
            is_name = len(whole) == len(values) and (
                (names("probe", name) and _recurs(whole)) or (names("run", name) and _in_blocks(whole))
            )
        kinds[column] = "text" if is_name else "number"
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
            log.faults.ask(
                log.at(int(body.lines[starts[0]]), name),
                f"{count} runs in one file: '{name}' changes from '{before}' to '{after}' there",
                "either several burns, to be told apart, or one burn",
                f'Add split_by = "{name}" to the [[logger]] table, or clock_change = "restart" if it is all one.',
            )
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
    date = (stamps.c * np.int64(40_000) + stamps.b) * 40_000 + stamps.a
    _, day = np.unique(date, return_inverse=True)
    offset = np.where(stamps.offset == NO_OFFSET, 0, stamps.offset).astype(np.int64)
    time = stamps.nanoseconds + np.asarray(day, np.int64) * DAY - offset * 60 * 10**9
    if plan.millis is not None:
        values = body.numbers[plan.millis].values
        time = time + np.asarray(np.rint(np.clip(np.nan_to_num(values), -1e9, 1e9) * 1e6), np.int64)
    return time


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
    log.notes.append(f"long form: a row a probe, told apart by '{roles.names[column]}' ({len(words)} probes)")
    reasons = dict.fromkeys(headings[len(roles.names) :], "as the column of all readings")
    roles = replace(roles, names=tuple(headings), temperatures=units, unit_cells={}, reasons=reasons)
    return replace(wide, numbers=columns), roles


def _laid(numbers: Numbers, slots: Ints, total: int) -> Numbers:
    """Return the readings of one probe in a row each of the wide table; few of them are due in a row not theirs."""
    values, units = np.full(total, np.nan), None
    codes = np.full(total, ABSENT if len(slots) >= 0.9 * total else NOT_DUE, np.int8)
    values[slots], codes[slots] = numbers.values, numbers.codes
    if numbers.units is not None:
        units = np.zeros(total, np.int8)
        units[slots] = numbers.units
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
        log.notes.append(f"{int((~keep).sum())} rows of other quantities than temperature left aside")
        body = take(body, np.flatnonzero(keep))
    numbers = {value: with_unit_cells(body, value, roles) for value in roles.temperatures}
    return replace(body, numbers={**body.numbers, **numbers}), roles
