"""Two results compared value by value, within a tolerance."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

RELATIVE: Final = 1e-6
ABSOLUTE: Final = 1e-9
"""Two numbers are one where they differ by less than either: more than rounding on another machine, far less than
any digit shown."""

_NOT_COMPARED: Final = frozenset(
    {"schema", "$schema", "report", "inputs", "environment", "template", "parameters"}
)
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
    return (
        repr(value) if isinstance(value, str) else f"{value:.9g}" if isinstance(value, float) else str(value)
    )


class Comparison:
    """Walks two results side by side.

    Attributes
    ----------
    values
        How many single values were compared.
    moved
        Those that differ, in their order.
    """

    def __init__(self) -> None:
        self.values = 0
        self.moved: list[Moved] = []

    def look(self, was: Any, now: Any, where: str) -> None:
        """Compare two values and everything in them."""
        if isinstance(was, Mapping) and isinstance(now, Mapping):
            for key in [*was, *(key for key in now if key not in was)]:
                self.look(was.get(key), now.get(key), f"{where}, {key}" if where else str(key))
        elif _is_rows(was) and _is_rows(now):
            before, after = dict(_named(was)), dict(_named(now))
            for key in [*before, *(key for key in after if key not in before)]:
                self.look(before.get(key), after.get(key), f"{where}, {key}")
        elif isinstance(was, list) and isinstance(now, list) and len(was) == len(now):
            for place, pair in enumerate(zip(was, now, strict=True)):
                self.look(*pair, f"{where}, entry {place + 1}")
        else:
            self.values += 1
            if not same(was, now):
                self.moved.append(Moved(where, was, now))


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


def compare_results(was: Mapping[str, Any], now: Mapping[str, Any]) -> Comparison:
    """Return what differs between two results; hashes, versions and parameters are not values of a trial."""
    comparison = Comparison()
    keys = [key for key in [*was, *(key for key in now if key not in was)] if key not in _NOT_COMPARED]
    for key in keys:
        comparison.look(was.get(key), now.get(key), key)
    return comparison


def changed_entries(was: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """Return 'numpy 2.0.1, now 2.1.0' for each entry that differs."""
    return [
        f"{key} {was.get(key, 'absent')}, now {now.get(key, 'absent')}"
        for key in sorted({*was, *now})
        if was.get(key) != now.get(key)
    ]
