"""Where in a trial file a key stands, in words."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property

from kit.trial.toml_lines import line_of

Loc = tuple[str | int, ...]
ARRAYS = frozenset({"fuel", "bag", "setting", "cook", "probe", "logger"})


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
        words = [self._name] + ([f"line {line}"] if line else [])
        depth = 2 if loc and loc[0] in ARRAYS and len(loc) > 1 and isinstance(loc[1], int) else 1
        table = self.table(loc)
        words += [table] if table else []
        key = ".".join(str(part) if isinstance(part, str) else str(part + 1) for part in loc[depth:])
        return ", ".join(words + ([f"key {key}"] if key else []))

    def table(self, loc: Loc) -> str:
        """Return the table a path stands in: '[metrics]' or '[[fuel]] 2'."""
        if len(loc) < 2:
            return f"[{loc[0]}]" if loc and loc[0] not in ARRAYS and self._is_known(loc[0]) else "the file"
        if loc[0] in ARRAYS:
            return f"[[{loc[0]}]]" + (f" {loc[1] + 1}" if isinstance(loc[1], int) else "")
        return f"[{loc[0]}]"

    def _is_known(self, name: str | int) -> bool:
        from kit.trial.models import TrialFile

        return name in TrialFile.model_fields
