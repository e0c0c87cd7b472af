"""What each column of a table is, and columns of names that part its rows: probes one below the other, or burns."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from kit.errors import Faults, did_you_mean
from kit.readings.body import Body, Texts, take
from kit.readings.cells import decimal_evidence, kind_of, split_unit, to_number
from kit.readings.header import Header
from kit.readings.headings import (
    SCALES,
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
    temperature_unit_in,
)
from kit.readings.layout import Layout
from kit.readings.numbers import ABSENT, Numbers
from kit.readings.stamps import NO_OFFSET
from kit.readings.time_column import TimePlan

Floats = npt.NDArray[np.float64]
UNKNOWN = ""
GLUED = "glued"
_COLDEST_K = 200.0


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


Rows = Sequence[Sequence[str]]


def assign_roles(
    header: Header,
    layout: Layout,
    rows: Rows,
    time: TimePlan,
    stated: str,
    declared: Mapping[str, object],
    place: str,
    faults: Faults,
) -> Roles:
    """Return the role of every column; a unit that cannot be seen stays UNKNOWN."""
    names = _names(header, layout, time)
    taken = {
        *time.places,
        *([time.beside[0]] if time.beside else []),
        *([time.millis] if time.millis is not None else []),
    }
    units_of, cells_of_units = _unit_columns(layout, rows, taken)
    taken |= cells_of_units
    numeric = [column for column, kind in enumerate(layout.kinds) if kind == "number" and column not in taken]
    chosen = _declared_columns(declared, names, place, faults)
    units, others = _units(numeric, header, names, rows, units_of, stated, chosen)
    differences = _differences(units, names, rows, chosen)
    units = {column: unit for column, unit in units.items() if column not in differences}
    if chosen:
        units = {column: unit for column, unit in units.items() if column in chosen}
        differences = {column: unit for column, unit in differences.items() if column in chosen}
    for column in numeric:
        if column not in units and column not in differences:
            others.setdefault(column, "not among the declared columns")
    texts = tuple(c for c, kind in enumerate(layout.kinds) if kind in ("text", "blank") and c not in taken)
    return Roles(
        names, time, units, differences, units_of, texts, others, _reasons(units, header, names, stated)
    )


def _names(header: Header, layout: Layout, time: TimePlan) -> tuple[str, ...]:
    """Return the names of the header, and 'probe 1', 'probe 2', … where it has none."""
    names, probes = [], 0
    for column, name in enumerate(header.names):
        probe = layout.kinds[column] == "number" and column not in time.places
        probes += probe
        names.append(name or (f"probe {probes}" if probe and header.made_up else f"column {column + 1}"))
    return tuple(names)


def column_of(heading: str, names: Sequence[str]) -> int | None:
    """Return the place of a heading: as written, else without regard to case and blanks, or None."""
    if heading in names:
        return list(names).index(heading)
    plain = [re.sub(r"\s+", "", name).casefold() for name in names]
    key = re.sub(r"\s+", "", heading).casefold()
    return plain.index(key) if plain.count(key) == 1 else None


def _declared_columns(
    declared: Mapping[str, object], names: Sequence[str], place: str, faults: Faults
) -> dict[int, str]:
    wanted = declared.get("columns") or {}
    chosen: dict[int, str] = {}
    for probe, heading in wanted.items() if isinstance(wanted, Mapping) else ():
        column = column_of(str(heading), names)
        if column is None:
            faults.refuse(
                f"{place}, [[logger]] key columns",
                f"no column '{heading}' for probe {probe}",
                "one of " + ", ".join(f"'{name}'" for name in names),
                did_you_mean(str(heading), names),
            )
        else:
            chosen[column] = str(probe)
    return chosen


def _unit_columns(layout: Layout, rows: Rows, taken: set[int]) -> tuple[dict[int, int], set[int]]:
    """Return the columns whose cells are the units of the column before them."""
    units_of: dict[int, int] = {}
    for column in range(1, layout.width):
        cells = [row[column] for row in rows if row[column]]
        beside = layout.kinds[column - 1 : column + 1] == ("number", "text") and column - 1 not in taken
        if beside and cells and all(bare_unit(cell) in SCALES.values() for cell in cells):
            units_of[column - 1] = column
    return units_of, set(units_of.values())


def _units(
    numeric: Sequence[int],
    header: Header,
    names: Sequence[str],
    rows: Rows,
    units_of: Mapping[int, int],
    stated: str,
    chosen: Mapping[int, str],
) -> tuple[dict[int, str], dict[int, str]]:
    """Return unit ('' unknown) of each column that is a temperature, and why the others are none."""
    units: dict[int, str] = {}
    others: dict[int, str] = {}
    unknown: list[int] = []
    for column in numeric:
        unit, why = _unit_of(column, header, names, rows, units_of)
        if unit:
            units[column] = unit
        elif why and column not in chosen:
            others[column] = why
        else:
            unknown.append(column)
    likely = [column for column in unknown if could_be_temperature(header.names[column]) or column in chosen]
    if stated:
        units |= dict.fromkeys(likely or unknown, stated)
    elif units and not chosen:
        surely = [
            column
            for column in likely
            if re.search(r"temp|therm|(?<![a-z])tc|^t ?\d", names[column], re.IGNORECASE)
        ]
        units |= dict.fromkeys(surely, UNKNOWN)
    else:
        units |= dict.fromkeys(unknown, UNKNOWN)
    others |= {column: "no unit, and no name of a temperature" for column in unknown if column not in units}
    return units, others


def _unit_of(
    column: int, header: Header, names: Sequence[str], rows: Rows, units_of: Mapping[int, int]
) -> tuple[str, str]:
    """Return the unit of a column, or '' and why it is no temperature ('' where that is open)."""
    name = header.names[column]
    if is_set_point(name):
        return "", "the temperature that was set"
    if column in units_of:
        return GLUED, ""
    if any(kind_of(row[column]) == "with unit" and split_unit(row[column])[1] for row in rows):
        return GLUED, ""
    row_unit = bare_unit(header.units[column]) or temperature_unit_in(header.units[column])
    unit = row_unit if row_unit in SCALES.values() else temperature_unit_in(name)
    counted = is_enumerated(name, [each for each in names if each != name])
    if not unit and not row_unit and not counted and not is_no_temperature(name):
        unit = letter_unit_in(name)
    if unit == "K" and _too_cold_for_kelvin(column, rows):
        return "", ""
    if unit and re.search(r"(?<![a-z])r\.?h(?![a-z])|humid", name, re.IGNORECASE) and not row_unit:
        unit = ""
    if unit:
        return unit, ""
    if row_unit.startswith(("time:", "other")) or (
        header.units[column] and other_unit_in(f"({header.units[column]})")
    ):
        return "", f"its unit is {header.units[column]}"
    if header.units[column] and header.units_row and not could_be_temperature(name):
        return "", f"its unit is {header.units[column]}"
    if is_no_temperature(name) and not (counted and other_unit_in(name)):
        return "", "its name is no temperature's"
    if is_index(name) and name and _counts(column, rows):
        return "", "running number"
    return "", ""


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


def numbers_of(column: int, rows: Rows) -> list[float]:
    """Return the numbers of a column in a sample of rows, under whichever decimal mark its cells prove."""
    cells = [split_unit(row[column])[0] for row in rows]
    mark = "," if any(decimal_evidence(cell) == "," for cell in cells if kind_of(cell) == "number") else "."
    values = (to_number(cell, mark) for cell in cells)
    return [value for value in values if value is not None]


def _too_cold_for_kelvin(column: int, rows: Rows) -> bool:
    """Return whether values deny kelvin, so that '(K)' names the kind of thermocouple."""
    values = [value for value in numbers_of(column, rows) if abs(value) < 9000]
    return sum(value < _COLDEST_K for value in values) >= 2


def _counts(column: int, rows: Rows) -> bool:
    values = numbers_of(column, rows)
    return len(values) > 1 and all(value == int(value) for value in values) and all(np.diff(values) > 0)


def _differences(
    units: Mapping[int, str], names: Sequence[str], rows: Rows, chosen: Mapping[int, str]
) -> dict[int, str]:
    """Return the columns that are a difference of two others: by name, and by their values where these can tell."""
    found: dict[int, str] = {}
    for column, unit in units.items():
        if may_be_difference(names[column]) and (
            _subtracts(column, units, rows) or _named_so(names[column], names)
        ):
            found[column] = unit
    return found


def _named_so(name: str, names: Sequence[str]) -> bool:
    if re.search(r"^\W*(?:Δ|∆|delta|diff|d[ _]?t(?![a-z]))|diff|delta", name, re.IGNORECASE):
        return True
    parts = re.split(r"\s*[-−–]\s*", re.sub(r"[(\[{].*", "", name).strip())
    others = [re.sub(r"[(\[{].*", "", other).strip() for other in names if other != name]
    return len(parts) == 2 and all(part and any(other.endswith(part) for other in others) for part in parts)


def _subtracts(column: int, units: Mapping[int, str], rows: Rows) -> bool:
    columns = {each: numbers_of(each, rows) for each in units}
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
NOT_DUE = 4
_MOST_PROBES = 128
_LETTER = {"degC": ord("C"), "degF": ord("F"), "K": ord("K")}


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
            found[len(names) - 1] = _laid(body.numbers[value], rows, slot[rows], len(first))
            units[len(names) - 1] = roles.temperatures[value]
    notes.append(f"long form: a row a probe, told apart by '{roles.names[column]}' ({len(words)} probes)")
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
