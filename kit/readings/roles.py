"""What each column of a table is, and columns of names that part its rows: probes one below the other, or burns."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from kit.errors import did_you_mean
from kit.readings.body import Body, Texts, take
from kit.readings.header import (
    SCALES,
    Header,
    bare_unit,
    could_be_temperature,
    is_enumerated,
    is_index,
    is_no_temperature,
    is_set_point,
    letter_unit_in,
    may_be_difference,
    names_probes,
    names_runs,
    other_unit_in,
    stated_unit,
    temperature_unit_in,
)
from kit.readings.open_log import OpenLog
from kit.readings.stamps import NO_OFFSET
from kit.readings.time_column import TimePlan
from kit.trial.cells import ABSENT, NOT_DUE, Numbers, kind_of, split_unit, to_number

Floats = npt.NDArray[np.float64]
UNKNOWN = ""
GLUED = "glued"
_COLDEST_K = 200.0
_SURELY = re.compile(r"temp|therm|(?<![a-z])tc|^t ?\d", re.IGNORECASE)


@dataclass(frozen=True)
class Roles:
    """What the columns are, by their place.

    Attributes
    ----------
    names
        One distinct name a column.
    time
        Where the time stands.
    temperatures
        Unit of each temperature column: 'degC', 'degF', 'K', GLUED (in its cells), or UNKNOWN.
    differences
        The same of columns that hold a difference of two temperatures.
    unit_cells
        Place of the column that holds the unit of another, row by row.
    texts
        Columns of words: events, remarks, ids.
    others
        Why any other column is left aside.
    reasons
        How each temperature's unit is known.
    """

    names: tuple[str, ...]
    time: TimePlan
    temperatures: Mapping[int, str]
    differences: Mapping[int, str]
    unit_cells: Mapping[int, int]
    texts: tuple[int, ...]
    others: Mapping[int, str]
    reasons: Mapping[str, str] = field(default_factory=dict)


def assign_roles(log: OpenLog, time: TimePlan) -> Roles:
    """Return the role of every column; a unit that cannot be seen stays UNKNOWN."""
    names = _names(log, time)
    beside = (time.beside[0] if time.beside else None, time.millis)
    taken = {*time.places, *(column for column in beside if column is not None)}
    units_of = _unit_columns(log, taken)
    taken |= set(units_of.values())
    numeric = [column for column in log.numeric() if column not in taken]
    chosen = _declared_columns(log, names)
    stated = stated_unit(log.header.preamble, log.layout.delimiter)
    units, others = _units(log, numeric, units_of, stated, chosen)
    differences = _differences(log, units, names)
    units = {column: unit for column, unit in units.items() if column not in differences}
    if chosen:
        units = {column: unit for column, unit in units.items() if column in chosen}
        differences = {column: unit for column, unit in differences.items() if column in chosen}
    for column in numeric:
        if column not in units and column not in differences:
            others.setdefault(column, "not among the declared columns")
    texts = tuple(
        c for c, kind in enumerate(log.layout.kinds) if kind in ("text", "blank") and c not in taken
    )
    reasons = _reasons(units, log.header, names, stated)
    return Roles(names, time, units, differences, units_of, texts, others, reasons)


def _names(log: OpenLog, time: TimePlan) -> tuple[str, ...]:
    """Return the names of the header, and 'probe 1', 'probe 2', … where it has none."""
    names, probes = [], 0
    for column, name in enumerate(log.header.names):
        probe = log.layout.kinds[column] == "number" and column not in time.places
        probes += probe
        made_up = f"probe {probes}" if probe and log.header.made_up else f"column {column + 1}"
        names.append(name or made_up)
    return tuple(names)


def column_of(heading: str, names: Sequence[str]) -> int | None:
    """Return the place of a heading: as written, else without regard to case and blanks, or None."""
    if heading in names:
        return list(names).index(heading)
    plain = [re.sub(r"\s+", "", name).casefold() for name in names]
    key = re.sub(r"\s+", "", heading).casefold()
    return plain.index(key) if plain.count(key) == 1 else None


def _declared_columns(log: OpenLog, names: Sequence[str]) -> set[int]:
    wanted, chosen = log.keys.get("columns"), set[int]()
    for probe, heading in wanted.items() if isinstance(wanted, Mapping) else ():
        column = column_of(str(heading), names)
        if column is not None:
            chosen.add(column)
            continue
        known = ", ".join(f"'{name}'" for name in names)
        found = f"no column '{heading}' for probe {probe}"
        log.refuse_key("columns", found, f"one of {known}", did_you_mean(str(heading), names))
    return chosen


def _unit_columns(log: OpenLog, taken: set[int]) -> dict[int, int]:
    """Return the columns of numbers beside which a column holds nothing but their units, with that column."""
    found: dict[int, int] = {}
    for column in range(1, log.layout.width):
        cells = [cell for cell in log.cells(column) if cell]
        beside = log.layout.kinds[column - 1 : column + 1] == ("number", "text") and column - 1 not in taken
        if beside and cells and all(bare_unit(cell) in SCALES.values() for cell in cells):
            found[column - 1] = column
    return found


def _units(
    log: OpenLog, numeric: Sequence[int], units_of: Mapping[int, int], stated: str, chosen: set[int]
) -> tuple[dict[int, str], dict[int, str]]:
    """Return unit ('' unknown) of each column that is a temperature, and why the others are none."""
    units: dict[int, str] = {}
    others: dict[int, str] = {}
    unknown: list[int] = []
    names = log.header.names
    for column in numeric:
        unit, why = _unit_of(log, column, units_of)
        if unit:
            units[column] = unit
        elif why and column not in chosen:
            others[column] = why
        else:
            unknown.append(column)
    likely = [column for column in unknown if could_be_temperature(names[column]) or column in chosen]
    if stated:
        units |= dict.fromkeys(likely or unknown, stated)
    elif units and not chosen:
        units |= dict.fromkeys([column for column in likely if _SURELY.search(names[column])], UNKNOWN)
    else:
        units |= dict.fromkeys(unknown, UNKNOWN)
    others |= {column: "no unit, and no name of a temperature" for column in unknown if column not in units}
    return units, others


def _unit_of(log: OpenLog, column: int, units_of: Mapping[int, int]) -> tuple[str, str]:
    """Return the unit of a column, or '' and why it is no temperature ('' where that is open)."""
    name, unit_cell = log.header.names[column], log.header.units[column]
    if is_set_point(name):
        return "", "the temperature that was set"
    if column in units_of:
        return GLUED, ""
    if any(kind_of(cell) == "with unit" and split_unit(cell)[1] for cell in log.cells(column)):
        return GLUED, ""
    row_unit = bare_unit(unit_cell) or temperature_unit_in(unit_cell)
    unit = row_unit if row_unit in SCALES.values() else temperature_unit_in(name)
    counted = is_enumerated(name, [other for other in log.header.names if other != name])
    if not unit and not row_unit and not counted and not is_no_temperature(name):
        unit = letter_unit_in(name)
    values = log.values(column)
    if unit == "K" and sum(value < _COLDEST_K for value in values if abs(value) < 9000) >= 2:
        return "", ""  # '(K)' names the kind of thermocouple
    if unit and re.search(r"(?<![a-z])r\.?h(?![a-z])|humid", name, re.IGNORECASE) and not row_unit:
        unit = ""
    if unit:
        return unit, ""
    other = row_unit.startswith(("time:", "other")) or (unit_cell and other_unit_in(f"({unit_cell})"))
    if other or (unit_cell and log.header.units_row and not could_be_temperature(name)):
        return "", f"its unit is {unit_cell}"
    if is_no_temperature(name) and not (counted and other_unit_in(name)):
        return "", "its name is no temperature's"
    counts = len(values) > 1 and all(value == int(value) for value in values) and all(np.diff(values) > 0)
    return ("", "running number") if is_index(name) and name and counts else ("", "")


_ENOUGH_ROWS = 10
_NEAR_NOTHING, _BEYOND = 3.0, 5000.0
_TIME_SCALES = (1.0, 1 / 60, 1 / 3600, 1000.0, 1 / 86400)


def without_non_probes(
    roles: Roles, columns: Mapping[int, Floats], elapsed_s: Floats, chosen: Sequence[str]
) -> Roles:
    """Return roles that leave aside, with the reason, columns of numbers that are no temperatures by their values.

    What stands still throughout, counts the rows, copies the time, or stays near 0 is no probe, where another
    column is one; a column that states its unit is denied by standing still alone, a declared one by nothing.
    """
    why = {
        column: reason
        for column, values in columns.items()
        if column in roles.temperatures
        and roles.names[column] not in chosen
        and (reason := _no_probe(values, elapsed_s, _says_unit(roles, column)))
    }
    if not why or len(why) == len(roles.temperatures):
        return roles
    left = {column: unit for column, unit in roles.temperatures.items() if column not in why}
    return replace(roles, temperatures=left, others={**roles.others, **why})


def _says_unit(roles: Roles, column: int) -> bool:
    return roles.reasons.get(roles.names[column], "").startswith(
        ("its heading", "units row", "the unit stands")
    )


def _no_probe(values: Floats, elapsed_s: Floats, says_unit: bool) -> str:
    """Return why a column of numbers is no probe's, '' where it may be one."""
    good = np.isfinite(values)
    values, elapsed_s = values[good], elapsed_s[good]
    if len(values) < _ENOUGH_ROWS:
        return ""
    if np.ptp(values) == 0:
        return f"stands still at {values[0]:g}"
    if says_unit:
        return ""
    steps, passed = np.diff(values), elapsed_s - elapsed_s[0]
    if (steps == 1).all() and (values[0] in (0, 1) or values[0] > _BEYOND):
        return "counts the rows"
    grain = next((10.0**-k for k in range(7) if np.allclose(values * 10**k, np.rint(values * 10**k))), 1e-7)
    for scale in _TIME_SCALES if np.ptp(passed) > 0 else ():
        begins = (
            0.0,
            float(np.median(np.diff(passed))) * scale,
            *(values[:1] if values[0] > _BEYOND else ()),
        )
        for begin in begins:
            told = (passed * scale + begin) / grain
            if any(np.abs(values / grain - whole(told)).max() < 1e-3 for whole in (np.rint, np.floor)):
                return "repeats the time"
    if np.abs(values).max() < _NEAR_NOTHING:
        return "stays near 0"
    return "beyond any temperature" if np.abs(values).min() > _BEYOND else ""


def _differences(log: OpenLog, units: Mapping[int, str], names: Sequence[str]) -> dict[int, str]:
    """Return the columns that are a difference of two others: by name, and by their values where these can tell."""
    return {
        column: unit
        for column, unit in units.items()
        if may_be_difference(names[column])
        and (_subtracts(log, column, units) or _named_so(names[column], names))
    }


def _named_so(name: str, names: Sequence[str]) -> bool:
    if re.search(r"^\W*(?:Δ|∆|delta|diff|d[ _]?t(?![a-z]))|diff|delta", name, re.IGNORECASE):
        return True
    parts = re.split(r"\s*[-−–]\s*", re.sub(r"[(\[{].*", "", name).strip())
    others = [re.sub(r"[(\[{].*", "", other).strip() for other in names if other != name]
    return len(parts) == 2 and all(part and any(other.endswith(part) for other in others) for part in parts)


def _subtracts(log: OpenLog, column: int, units: Mapping[int, str]) -> bool:
    columns = {other: log.values(other) for other in units}
    values = np.array(columns[column])
    for a, first in columns.items():
        for b, second in columns.items():
            fitting = len({a, b, column}) == 3 and len(values) == len(first) == len(second) > 5
            if fitting and np.abs(np.array(first) - np.array(second) - values).max() < 0.11:
                return bool(np.ptp(values) > 0.5)
    return False


def _reasons(units: Mapping[int, str], header: Header, names: Sequence[str], stated: str) -> dict[str, str]:
    reasons = {}
    for column, unit in units.items():
        if unit == GLUED:
            why = "the unit stands beside every reading"
        elif not unit:
            why = "not stated"
        elif bare_unit(header.units[column]) == unit:
            why = f"units row, line {header.units_row}"
        elif (
            temperature_unit_in(header.names[column]) == unit or letter_unit_in(header.names[column]) == unit
        ):
            why = "its heading"
        else:
            why = "stated above the table" if stated else "its heading"
        reasons[names[column]] = why
    return reasons


Ints = npt.NDArray[np.int64]
_MOST_PROBES = 128
_LETTER = {"degC": ord("C"), "degF": ord("F"), "K": ord("K")}


def mark_categories(log: OpenLog) -> None:
    """Take columns of running channel or burn numbers for words."""
    kinds, split_by = list(log.layout.kinds), log.text("split_by").casefold()
    for column in log.numeric():
        name = log.header.names[column]
        if name and (
            name.casefold() == split_by
            or (names_probes(name) and _recurs(log.cells(column)))
            or (names_runs(name) and _in_blocks(log.cells(column)))
        ):
            kinds[column] = "text"
    log.layout = replace(log.layout, kinds=tuple(kinds))


def _whole_numbers(cells: Sequence[str]) -> list[float]:
    values = [to_number(cell, ".") for cell in cells]
    whole = [value for value in values if value is not None and value == int(value)]
    return whole if len(whole) == len(values) else []


def _recurs(cells: Sequence[str]) -> bool:
    """Return whether whole numbers come round and round in one order, as channels do."""
    values = _whole_numbers(cells)
    period = len(set(values))
    if not 2 <= period <= _MOST_PROBES or len(values) < 2 * period:
        return False
    again = sum(first == second for first, second in zip(values, values[period:], strict=False))
    return again >= 0.9 * (len(values) - period)


def _in_blocks(cells: Sequence[str]) -> bool:
    values = _whole_numbers(cells)
    changes = int((np.diff(values) != 0).sum()) if len(values) >= 4 else 0
    return 0 < changes <= len(values) // 3 and changes == len(set(values)) - 1


def _runs_of(texts: Texts) -> tuple[Ints, int]:
    """Return the number of the block each row lies in, and how many blocks there are."""
    changes = (
        np.concatenate([[0], np.cumsum(np.diff(texts.codes) != 0)])
        if len(texts.codes)
        else np.zeros(0, np.int64)
    )
    return np.asarray(changes, np.int64), int(changes[-1]) + 1 if len(changes) else 0


def split_runs(log: OpenLog, body: Body, roles: Roles) -> tuple[Ints, npt.NDArray[np.object_] | None, str]:
    """Return the run of every row, the label of each row's run (None for one run), and the column that parts them."""
    nothing, wanted = np.zeros(len(body), np.int64), log.text("split_by")
    if not wanted:
        if log.keys.get("clock_change") != "restart":
            _ask_split(log, body, roles)
        return nothing, None, ""
    column = column_of(wanted, roles.names)
    if column is None or column not in body.texts:
        known = [roles.names[column] for column in body.texts]
        shown = ", ".join(f"'{name}'" for name in known)
        log.refuse_key(
            "split_by", f"no column of names '{wanted}'", f"one of {shown}", did_you_mean(wanted, known)
        )
        return nothing, None, ""
    texts = body.texts[column]
    _, run = np.unique(texts.codes, return_inverse=True)
    return np.asarray(run, np.int64), np.array(texts.words, dtype=object)[texts.codes], roles.names[column]


def _ask_split(log: OpenLog, body: Body, roles: Roles) -> None:
    for column in sorted(body.texts, key=lambda place: not names_runs(roles.names[place])):
        texts, name = body.texts[column], roles.names[column]
        blocks, count = _runs_of(texts)
        words = len(np.unique(texts.codes))
        whole = not (texts.codes == 0).any() and len(blocks) > 0 and np.bincount(blocks).min() >= 2
        if words < 2 or count != words or count > 200 or not whole or names_probes(name):
            continue
        starts = np.flatnonzero(np.diff(blocks)) + 1
        if not names_runs(name) and not _breaks(body, roles.time, starts):
            continue
        before, after = (texts.words[texts.codes[row]] for row in (0, int(starts[0])))
        log.faults.ask(
            log.at(int(body.lines[starts[0]]), name),
            f"{count} runs in one file: '{name}' changes from '{before}' to '{after}' there",
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
            found[len(names) - 1] = _laid(body.numbers[value], rows, slot[rows], len(first))
            units[len(names) - 1] = roles.temperatures[value]
    log.notes.append(f"long form: a row a probe, told apart by '{roles.names[column]}' ({len(words)} probes)")
    reasons = dict.fromkeys(names[len(roles.names) :], "as the column of all readings")
    return replace(wide, numbers=found), replace(
        roles, names=tuple(names), temperatures=units, unit_cells={}, reasons=reasons
    )


def with_unit_cells(body: Body, column: int, roles: Roles) -> Numbers:
    """Return numbers with the unit that stands in the column beside them."""
    numbers = body.numbers[column]
    if column not in roles.unit_cells:
        return numbers
    texts = body.texts[roles.unit_cells[column]]
    letters = np.array([_LETTER.get(bare_unit(word), 0) for word in texts.words], np.int8)
    return replace(numbers, units=letters[texts.codes])


def _wide_name(word: str, roles: Roles, column: int, value: int) -> str:
    name = f"{roles.names[column]} {word}" if word.replace(".", "").isdigit() else word
    return f"{name} {roles.names[value]}" if len(roles.temperatures) > 1 else name


def _laid(numbers: Numbers, rows: Ints, slots: Ints, total: int) -> Numbers:
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


def _category(body: Body, roles: Roles) -> int | None:
    """Return the column that names the probe of each row, or None where a row holds all probes."""
    if roles.time.kind == "implied" or not roles.temperatures or len(body) < 4:
        return None
    key: Ints | None = None
    for column in sorted(body.texts, key=lambda each: not names_probes(roles.names[each])):
        texts = body.texts[column]
        words = np.unique(texts.codes)
        if not 2 <= len(words) <= _MOST_PROBES or (texts.codes == 0).any():
            continue
        key = _time_key(body, roles.time) if key is None else key
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


def _temperatures_only(log: OpenLog, body: Body, roles: Roles, column: int) -> tuple[Body, Roles]:
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
        log.notes.append(f"{int((~keep).sum())} rows of other quantities than temperature left aside")
        body = take(body, np.flatnonzero(keep))
    numbers = {value: with_unit_cells(body, value, roles) for value in roles.temperatures}
    return replace(body, numbers={**body.numbers, **numbers}), roles
