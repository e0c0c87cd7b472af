"""Anything a result holds as plain data; plain data as text that is the same each time, and compared value by value."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from datetime import date, datetime, time
from typing import TYPE_CHECKING, Any, Final

from kit.page.text import spreadsheet_safe
from kit.schema import COLUMNS

if TYPE_CHECKING:
    import pandas as pd


def plain_value(value: Any) -> Any:
    """Return a value as what JSON knows; no number where there is none, sets in order, tables as rows.

    Raises
    ------
    TypeError
        At a kind of value results do not hold.
    """
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, float):
        return float(value) + 0.0 if math.isfinite(value) else None  # -0.0 and 0.0 are one number to a reader
    if isinstance(value, Mapping):
        return {str(key): plain_value(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [plain_value(each) for each in value]
    if isinstance(value, set | frozenset):
        return sorted(map(plain_value, value), key=str)
    if isinstance(value, datetime | date | time):
        return None if value != value else value.isoformat()  # pandas' time that is none is not itself
    if hasattr(value, "model_dump"):
        return plain_value(value.model_dump())
    if is_dataclass(value):
        return {each.name: plain_value(getattr(value, each.name)) for each in fields(value)}
    if hasattr(value, "iterrows"):
        return records(value)
    if hasattr(value, "tolist"):  # numpy arrays and scalars
        return plain_value(value.tolist())
    if type(value).__name__ in ("NAType", "NaTType"):
        return None
    if hasattr(value, "as_posix"):
        raise TypeError("a path has no place in results: it says where somebody's disk keeps things")
    if hasattr(value, "value"):  # members of an enumeration
        return plain_value(value.value)
    raise TypeError(f"results cannot hold a {type(value).__name__}")


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a table as its rows, columns in their order."""
    held = columns(frame)
    return [dict(zip(held, row, strict=True)) for row in zip(*held.values(), strict=True)]


def columns(frame: pd.DataFrame) -> dict[str, list[Any]]:
    """Return a table as its columns: shorter than rows for curves."""
    held = {}
    for label in frame.columns:
        name = str(label)
        values = [None if value is not value else plain_value(value) for value in frame[label].tolist()]
        if name in COLUMNS and COLUMNS[name].kind == "count":
            # a missing count makes pandas turn the others into decimals
            values = [int(each) if isinstance(each, float) and each.is_integer() else each for each in values]
        held[name] = values
    return held


def canonical(data: Mapping[str, Any]) -> str:
    """Return JSON with a line a row: readable, comparable line by line, the same bytes for the same data."""
    parts = (f"{_line(key)}: {_block(value)}" for key, value in data.items())
    return "{\n" + ",\n".join(parts) + "\n}\n"


def _block(value: Any) -> str:
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return "[\n" + ",\n".join(map(_line, value)) + "\n]"
    if isinstance(value, dict) and any(isinstance(each, dict | list) for each in value.values()):
        return "{\n" + ",\n".join(f"{_line(key)}: {_line(each)}" for key, each in value.items()) + "\n}"
    return _line(value)


def _line(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(", ", ": "))
    if text.isprintable() or text.isascii():
        return text
    # lone halves of a character can stand in file names; they must not stop the file from being written
    return "".join(sign if sign.isprintable() else json.dumps(sign)[1:-1] for sign in text)


def as_csv(frame: pd.DataFrame) -> str:
    """Return a table as CSV: full digits, blank for no value, no cell that a spreadsheet would run."""
    cells = {spreadsheet_safe(name): list(map(_cell, column)) for name, column in columns(frame).items()}
    return str(frame.from_dict(cells, dtype=object).to_csv(index=False, lineterminator="\n"))


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return repr(value)
    return spreadsheet_safe(value)


RELATIVE: Final = 1e-6
ABSOLUTE: Final = 1e-9
"""Two numbers are one where they differ by less than either: more than rounding on another machine, far less than
any digit shown."""

_KEYS: Final = (
    "metric", "quantity", "component", "fuel", "a", "b", "burn", "bag", "day", "cook", "setting", "probe", "flag",
    "source", "scope", "level_left_out", "left_out", "what", "where", "planned", "elapsed_s", "files", "id", "name",
)  # fmt: skip


@dataclass(frozen=True)
class Moved:
    """One value that is not what it was: where it stands, what it was and is."""

    where: str
    was: object
    now: object

    @property
    def size(self) -> float:
        """How far it moved, relative to its size; infinite for what is no number, or has come or gone."""
        if isinstance(self.was, int | float) and isinstance(self.now, int | float):
            return abs(self.was - self.now) / max(abs(self.was), abs(self.now), 1e-300)
        return math.inf

    def __str__(self) -> str:
        return f"{self.where}: was {said(self.was)}, is {said(self.now)}"


def said(value: object) -> str:
    """Return a value as it stands in a sentence: nine digits of a number."""
    if value is None:
        return "no value"
    return f"{value:.9g}" if isinstance(value, float) else repr(value)


def _side_by_side(was: Any, now: Any, where: str) -> Iterator[Moved]:
    """Yield every single value of two results, with what it was and is."""
    if _is_rows(was) and _is_rows(now):
        was, now = dict(_named(was)), dict(_named(now))
    elif isinstance(was, list) and isinstance(now, list) and len(was) == len(now):
        was, now = ({f"entry {i}": each for i, each in enumerate(values, 1)} for values in (was, now))
    if isinstance(was, Mapping) and isinstance(now, Mapping):
        for key in {**was, **now}:
            yield from _side_by_side(was.get(key), now.get(key), f"{where}, {key}" if where else str(key))
    else:
        yield Moved(where, was, now)


def _is_rows(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(row, Mapping) for row in value)


def _named(rows: Sequence[Mapping[str, Any]]) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Name each row by what it is of, so that a row that came or went does not shift the others."""
    seen: dict[str, int] = {}
    for row in rows:
        parts = (f"{key} {row[key]}" for key in _KEYS if isinstance(row.get(key), str | int | float))
        name = ", ".join(parts) or "row"
        seen[name] = seen.get(name, 0) + 1
        yield (name if seen[name] == 1 else f"{name}, no. {seen[name]}"), row


def same(was: Any, now: Any) -> bool:
    """Return whether two single values are one, numbers within the tolerance."""
    numbers = [each for each in (was, now) if isinstance(each, int | float) and not isinstance(each, bool)]
    if len(numbers) == 2:
        return math.isclose(was, now, rel_tol=RELATIVE, abs_tol=ABSOLUTE)
    return type(was) is type(now) and was == now


def compare_values(was: Mapping[str, Any], now: Mapping[str, Any]) -> tuple[int, list[Moved]]:
    """Return how many single values two results hold, and those that differ."""
    pairs = list(_side_by_side(was, now, ""))
    differing = (pair for pair in pairs if not same(pair.was, pair.now))
    return len(pairs), [Moved(each.where, _size(each.was), _size(each.now)) for each in differing]


def _size(value: object) -> object:
    """Return how much a value holds, where it is no single one: a stranger may have nested it deep."""
    return f"{len(value)} values" if isinstance(value, Mapping | list) else value


def changed_entries(was: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """Return 'numpy 2.0.1, now 2.1.0' for each entry that differs."""
    return [
        f"{key} {was.get(key, 'absent')}, now {now.get(key, 'absent')}"
        for key in sorted({*was, *now})
        if was.get(key) != now.get(key)
    ]
