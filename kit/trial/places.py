"""Where in a trial file a key stands, in words."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property

from kit.trial.decode import visible
from kit.trial.toml_lines import line_of

Loc = tuple[str | int, ...]
LONGEST = 60
"""Letters of a key that a message shows."""
ARRAYS = frozenset({"fuel", "bag", "setting", "cook", "probe", "logger"})
TABLES = ARRAYS | {"trial", "charge", "metrics", "margins", "model", "cleaning", "plan"}


class Places:
    """Names the place of a key; lines are looked for only once somebody asks."""

    def __init__(self, name: str, text: str, lines: Callable[[str], dict[Loc, int]]) -> None:
        self._name, self._text, self._find = name, text, lines

    @cached_property
    def _lines(self) -> dict[Loc, int]:
        return self._find(self._text)

    def where(self, loc: Loc) -> str:
        """Return 'trial.toml, line 12, [[fuel]] 2, key price'."""
        line = line_of(self._lines, loc)
        rest = loc[2:] if _is_item(loc) else loc[1:]
        key = ".".join(part[:LONGEST] if isinstance(part, str) else str(part + 1) for part in rest)
        words = [self._name, line and f"line {line}", self.table(loc), key and f"key {key}"]
        return visible(", ".join(str(word) for word in words if word))

    def table(self, loc: Loc) -> str:
        """Return the table a path stands in: '[metrics]', '[[fuel]] 2', or 'the file' for the top."""
        if _is_item(loc):
            return f"[[{loc[0]}]] {int(loc[1]) + 1}"
        if len(loc) == 1 and loc[0] not in TABLES:
            return "the file"
        return f"[[{loc[0]}]]" if loc[0] in ARRAYS else f"[{str(loc[0])[:LONGEST]}]"


def _is_item(loc: Loc) -> bool:
    return len(loc) > 1 and loc[0] in ARRAYS and isinstance(loc[1], int)
