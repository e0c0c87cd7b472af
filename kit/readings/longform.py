"""Columns of names that part rows: one probe a row (long form), or one burn after the other in one file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from kit.errors import Faults, did_you_mean
from kit.readings.cells import to_number
from kit.readings.header import Header
from kit.readings.headings import SCALES, bare_unit, is_no_temperature, names_probes, names_runs
from kit.readings.layout import Layout
from kit.readings.numbers import ABSENT, Numbers
from kit.readings.roles import GLUED, Roles, column_of
from kit.readings.rows import Body, Texts, take
from kit.readings.stamps import NO_OFFSET
from kit.readings.temperatures import with_unit_cells
from kit.readings.timing import TimePlan

Ints = npt.NDArray[np.int64]
NOT_DUE = 4
_MOST_PROBES = 128


def mark_categories(
    layout: Layout, header: Header, rows: Sequence[Sequence[str]], keys: Mapping[str, object]
) -> Layout:
    """Return the layout with columns of running channel or burn numbers taken for words."""
    kinds = list(layout.kinds)
    split_by = str(keys.get("split_by") or "").casefold()
    for column, name in enumerate(header.names):
        if kinds[column] != "number" or not name:
            continue
        if (
            name.casefold() == split_by
            or (names_probes(name) and _recurs(column, rows))
            or _in_blocks(name, column, rows)
        ):
            kinds[column] = "text"
    return replace(layout, kinds=tuple(kinds))


def _whole_numbers(column: int, rows: Sequence[Sequence[str]]) -> list[float]:
    values = [to_number(row[column], ".") for row in rows]
    return (
        []
        if any(value is None or value != int(value) for value in values)
        else [value for value in values if value is not None]
    )


def _recurs(column: int, rows: Sequence[Sequence[str]]) -> bool:
    """Return whether whole numbers come round and round in one order, as channels do."""
    values = _whole_numbers(column, rows)
    period = len(set(values))
    if not 2 <= period <= _MOST_PROBES or len(values) < 2 * period:
        return False
    again = sum(first == second for first, second in zip(values, values[period:], strict=False))
    return again >= 0.9 * (len(values) - period)


def _in_blocks(name: str, column: int, rows: Sequence[Sequence[str]]) -> bool:
    if not names_runs(name):
        return False
    values = _whole_numbers(column, rows)
    if len(values) < 4:
        return False
    changes = int((np.diff(values) != 0).sum())
    return 0 < changes <= len(values) // 3 and changes == len(set(values)) - 1


def _runs_of(texts: Texts) -> tuple[Ints, int]:
    """Return the number of the block each row lies in, and how many blocks there are."""
    changes = (
        np.concatenate([[0], np.cumsum(np.diff(texts.codes) != 0)])
        if len(texts.codes)
        else np.zeros(0, np.int64)
    )
    return np.asarray(changes, np.int64), int(changes[-1]) + 1 if len(changes) else 0


def split_runs(
    body: Body, roles: Roles, plan: TimePlan, keys: Mapping[str, object], place: str, faults: Faults
) -> tuple[Ints, npt.NDArray[np.object_] | None, str]:
    """Return the run of every row, the label of each row's run (None for one run), and the column that parts them."""
    nothing = np.zeros(len(body), np.int64)
    wanted = keys.get("split_by")
    if wanted:
        column = column_of(str(wanted), roles.names)
        if column is None or column not in body.texts:
            faults.refuse(
                f"{place}, [[logger]] key split_by",
                f"no column of names '{wanted}'",
                "one of " + ", ".join(f"'{roles.names[each]}'" for each in body.texts),
                did_you_mean(str(wanted), roles.names),
            )
            return nothing, None, ""
        texts = body.texts[column]
        _, run = np.unique(texts.codes, return_inverse=True)
        labels = np.array(texts.words, dtype=object)[texts.codes]
        return np.asarray(run, np.int64), labels, roles.names[column]
    if keys.get("clock_change") != "restart":
        _ask_split(body, roles, plan, place, faults)
    return nothing, None, ""


def _ask_split(body: Body, roles: Roles, plan: TimePlan, place: str, faults: Faults) -> None:
    for column in sorted(body.texts, key=lambda each: not names_runs(roles.names[each])):
        texts = body.texts[column]
        blocks, count = _runs_of(texts)
        words = len(np.unique(texts.codes))
        if (
            words < 2
            or count != words
            or count > 200
            or (texts.codes == 0).any()
            or np.bincount(blocks).min() < 2
        ):
            continue
        starts = np.flatnonzero(np.diff(blocks)) + 1
        if names_probes(roles.names[column]) or not (
            names_runs(roles.names[column]) or _breaks(body, plan, starts)
        ):
            continue
        first = int(starts[0])
        shown = [texts.words[texts.codes[0]], texts.words[texts.codes[first]]]
        name = roles.names[column]
        faults.ask(
            f"{place}, line {int(body.lines[first])}, column {name}",
            f"{count} runs in one file: '{name}' changes from '{shown[0]}' to '{shown[1]}' there",
            "either several burns, to be told apart, or one burn",
            f'Add split_by = "{name}" to the [[logger]] table, or clock_change = "restart" if it is all one.',
        )
        return


def _breaks(body: Body, plan: TimePlan, starts: Ints) -> bool:
    """Return whether the time jumps or falls back where each run begins."""
    time = _rough_time(body, plan)
    if time is None or not len(starts):
        return False
    steps = np.diff(time)
    usual = float(np.median(np.abs(steps[steps != 0]))) if (steps != 0).any() else 0.0
    jumps = steps[starts - 1]
    return bool(((jumps < 0) | (jumps > 10 * usual)).all()) and usual > 0


def _rough_time(body: Body, plan: TimePlan) -> npt.NDArray[np.float64] | None:
    if plan.kind == "number":
        return body.numbers[plan.places[0]].values
    if body.stamps is None:
        return None
    date = body.stamps.a.astype(np.float64) + body.stamps.b * 31.0 + body.stamps.c * 372.0
    return np.asarray(body.stamps.nanoseconds / 1e9 + 86400.0 * date)


def widened(body: Body, roles: Roles, plan: TimePlan, notes: list[str]) -> tuple[Body, Roles]:
    """Return a body with one column a probe, where the file has one row a probe; else the body as it is.

    A file that was split into runs is not looked at: there rows of different runs may share a time.
    """
    column = _category(body, roles, plan)
    if column is None:
        return body, roles
    body, roles = _temperatures_only(body, roles, column, notes)
    texts = body.texts[column]
    words = [texts.words[code] for code in np.unique(texts.codes)]
    _, first, slot = np.unique(_time_key(body, plan), return_index=True, return_inverse=True)
    rank = np.argsort(np.argsort(first))
    slot, first = rank[slot], np.sort(first)
    numbers = {
        each: part for each, part in body.numbers.items() if each in plan.places or each == plan.millis
    }
    wide = take(
        replace(body, numbers=numbers, texts={k: v for k, v in body.texts.items() if k != column}), first
    )
    names, units = list(roles.names), {}
    found = dict(wide.numbers)
    for value in roles.temperatures:
        for word in words:
            rows = np.flatnonzero(texts.codes == texts.words.index(word))
            names.append(_wide_name(word, roles, column, value))
            found[len(names) - 1] = _placed(body.numbers[value], rows, slot[rows], len(first))
            units[len(names) - 1] = roles.temperatures[value]
    notes.append(f"long form: a row a probe, told apart by '{roles.names[column]}' ({len(words)} probes)")
    reasons = dict.fromkeys(names[len(roles.names) :], "as the column of all readings")
    return replace(wide, numbers=found), replace(
        roles, names=tuple(names), temperatures=units, unit_cells={}, reasons=reasons
    )


def _wide_name(word: str, roles: Roles, column: int, value: int) -> str:
    name = f"{roles.names[column]} {word}" if word.replace(".", "").isdigit() else word
    return f"{name} {roles.names[value]}" if len(roles.temperatures) > 1 else name


def _placed(numbers: Numbers, rows: Ints, slots: Ints, total: int) -> Numbers:
    values = np.full(total, np.nan)
    full = len(slots) >= 0.9 * total
    codes = np.full(total, ABSENT if full else NOT_DUE, np.int8)
    values[slots], codes[slots] = numbers.values[rows], numbers.codes[rows]
    units = None
    if numbers.units is not None:
        units = np.zeros(total, np.int8)
        units[slots] = numbers.units[rows]
    row_to_slot = dict(zip(rows.tolist(), slots.tolist(), strict=True))
    unread = {text: row_to_slot[row] for text, row in numbers.unread.items() if row in row_to_slot}
    return Numbers(values, codes, units, unread)


def _time_key(body: Body, plan: TimePlan) -> Ints:
    """Return one number a row that is equal where the times are equal."""
    if plan.kind == "number":
        _, key = np.unique(body.numbers[plan.places[0]].values, return_inverse=True)
        return np.asarray(key, np.int64)
    stamps = body.stamps
    if stamps is None:
        return np.arange(len(body))
    date = (stamps.a.astype(np.int64) * 40_000 + stamps.b) * 40_000 + stamps.c
    _, days = np.unique(date, return_inverse=True)
    offset = np.where(stamps.offset == NO_OFFSET, 0, stamps.offset).astype(np.int64)
    time = stamps.nanoseconds + np.asarray(days, np.int64) * (10**15) - offset * 60 * 10**9
    if plan.millis is not None:
        values = body.numbers[plan.millis].values
        time = time + np.asarray(np.rint(np.clip(np.nan_to_num(values), -1e9, 1e9) * 1e6), np.int64)
    return np.asarray(time, np.int64)


def _category(body: Body, roles: Roles, plan: TimePlan) -> int | None:
    """Return the column that names the probe of each row, or None where a row holds all probes."""
    if plan.kind == "implied" or not roles.temperatures or len(body) < 4:
        return None
    key: Ints | None = None
    for column in sorted(body.texts, key=lambda each: not names_probes(roles.names[each])):
        texts = body.texts[column]
        words = np.unique(texts.codes)
        if not 2 <= len(words) <= _MOST_PROBES or (texts.codes == 0).any():
            continue
        key = _time_key(body, plan) if key is None else key
        pairs = (
            len(np.unique(key * np.int64(len(texts.words)) + texts.codes))
            if key.max() < 2**55
            else len(np.unique(np.stack([key, texts.codes]), axis=1).T)
        )
        if pairs < 0.99 * len(key):
            continue
        hinted = names_probes(roles.names[column])
        shared = len(np.unique(key)) <= 0.75 * len(key)
        _, blocks = _runs_of(texts)
        if shared and (hinted or blocks > 2 * len(words)):
            return column
        if hinted and blocks > 2 * len(words):
            return column
    return None


def _temperatures_only(body: Body, roles: Roles, column: int, notes: list[str]) -> tuple[Body, Roles]:
    """Leave out the rows of a long table whose unit or name is no temperature's; the unit beside them is theirs."""
    keep = np.ones(len(body), bool)
    for each, texts in body.texts.items():
        if each == column or each in roles.unit_cells.values():
            continue
        units = {int(code): bare_unit(texts.words[code]) for code in np.unique(texts.codes)}
        degrees = [code for code, unit in units.items() if unit in SCALES.values()]
        if degrees and all(units.values()):
            keep &= np.isin(texts.codes, degrees)
            cells = dict.fromkeys(roles.temperatures, each)
            roles = replace(roles, unit_cells=cells, temperatures=dict.fromkeys(cells, GLUED))
    words = body.texts[column].words
    keep &= ~np.isin(
        body.texts[column].codes, [code for code, word in enumerate(words) if is_no_temperature(word)]
    )
    if not keep.any():
        return body, roles
    if not keep.all():
        notes.append(f"{int((~keep).sum())} rows of other quantities than temperature left aside")
        body = take(body, np.flatnonzero(keep))
    numbers = {value: with_unit_cells(body, value, roles) for value in roles.temperatures}
    return replace(body, numbers={**body.numbers, **numbers}), roles
