"""TOML to tables, and in which line and table each of its keys stands: tomllib tells values only."""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from functools import cached_property
from typing import Any

from kit.errors import Faults
from kit.trial.decode import visible

KeyPath = tuple[str | int, ...]
LARGEST = 1_000_000
DEEPEST = 8
MOST_PARTS = 64
"""Parts of a dotted key: what a reader of TOML makes of twenty thousand takes gigabytes."""


def parse_toml(text: str, name: str, faults: Faults) -> dict[str, Any] | None:
    """Return the tables of a TOML text, or None with one fault noted at the line that cannot be read."""
    if len(text) > LARGEST:
        faults.refuse(name, "more than a million characters", "a trial file", "Keep data out of it.")
        return None
    if (number := _line_of_many_parts(text)) is not None:
        where, remedy = f"{name}, line {number}", "Take the dotted key out."
        faults.refuse(where, f"a key of more than {MOST_PARTS} parts", "a key as `start` writes it", remedy)
        return None
    try:
        tables = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        _note_syntax(str(error), text, faults, name)
        return None
    if _is_too_deep(tables):
        faults.refuse(name, "tables in tables in tables", "tables as `start` writes them", "Take them out.")
        return None
    return tables


def _line_of_many_parts(text: str) -> int | None:
    for number, line in enumerate(text.split("\n"), start=1):
        if line.count(".") > MOST_PARTS:
            bare = re.sub(r""""(?:[^"\\]|\\.)*"|'[^']*'""", "q", line).partition("#")[0]
            joined = bare.replace(" ", "").replace("\t", "")
            if any(part.count(".") > MOST_PARTS for part in re.split(r"[^\w.-]+", joined)):
                return number
    return None


def _is_too_deep(tables: dict[str, Any]) -> bool:
    level: list[Any] = [tables]
    for _ in range(DEEPEST):
        inner = (each.values() if isinstance(each, dict) else each for each in level)
        level = [value for values in inner for value in values if isinstance(value, dict | list)]
    return bool(level)


def _note_syntax(message: str, text: str, faults: Faults, name: str) -> None:
    match = re.search(r"\(at line ([0-9]+), column ([0-9]+)\)", message)
    lines = text.split("\n")
    number = int(match[1]) if match else len(lines)
    line = visible(lines[number - 1].strip()) if 0 < number <= len(lines) else ""
    reason = message.split(" (at ")[0]
    found = f"'{line[:80]}'" if line else "the end of the file"
    faults.refuse(f"{name}, line {number}", found, _grammar(line), f"{_hint(line)} ({reason}.)")


def _grammar(line: str) -> str:
    return "a table in brackets, as [metrics]" if line.startswith("[") else "a line such as key = value"


def _hint(line: str) -> str:
    """Return what a person most likely has to do to a line that TOML cannot read."""
    key, _, value = line.partition("=")
    if re.search("[“”„‘’]", line):
        return "Use straight quotes, not typographic ones."
    if re.search(r"[^\w\s.\"'-]", key) and not key.strip().startswith(("[", '"', "'", "#")):
        return f'Put the key in quotes: "{key.strip()}" = …'
    if "\\" in value:
        return "Write the text in single quotes, or each \\ twice."
    if value and re.match(r"\s*[0-9]+,[0-9]+\s*\Z", value):
        return f"Write {key.strip()} = {value.strip().replace(',', '.')}, with a point."
    if value and re.match(r"\s*(?!true|false|inf|nan)[^\W0-9]", value):
        return f'Put the text in quotes: {key.strip()} = "{value.strip()}"'
    return "Mend the line; a key may stand once, texts in quotes, lists in [ ]."


_KEY = re.compile(r"""\s*(?:"((?:[^"\\]|\\.)*)"|'([^']*)'|([A-Za-z0-9_-]+))\s*""")
_TOKEN = re.compile(
    r'"""(?:[^\\]|\\.)*?"""|' r"'''.*?'''|" r'"(?:[^"\\\n]|\\.)*"|' r"'[^'\n]*'|" r"#[^\n]*|[\[\]{}\n]",
    re.DOTALL,
)


def key_lines(text: str) -> dict[KeyPath, int]:
    """Return the line, counted from 1, of every key and table header of a well-formed TOML text.

    Items of an array of tables have their place, from 0, in the path: ('fuel', 1, 'price').
    """
    lines: dict[KeyPath, int] = {}
    counts: Counter[KeyPath] = Counter()
    prefix: KeyPath = ()
    for number, statement in _statements(text):
        if statement.startswith("["):
            prefix = _header(statement, counts)
            lines.setdefault(prefix, number)
        else:
            path = prefix + _keys(statement)
            for depth in range(len(prefix) + 1, len(path) + 1):
                lines.setdefault(path[:depth], number)
    return lines


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int | None:
    """Return the line of a path, or of the nearest thing above it that has one."""
    for depth in range(len(path), 0, -1):
        if path[:depth] in lines:
            return lines[path[:depth]]
    return None


def _statements(text: str) -> list[tuple[int, str]]:
    """Cut a text at the line ends that stand outside strings and brackets."""
    found: list[tuple[int, str]] = []
    start = depth = 0
    for token in _TOKEN.finditer(text + "\n"):
        mark = token[0]
        if mark in "[{":
            depth += 1
        elif mark in "]}":
            depth -= 1
        elif mark == "\n" and depth <= 0:
            piece = text[start : token.start()]
            bare = piece.lstrip()
            if bare and not bare.startswith("#"):
                found.append((text.count("\n", 0, start + len(piece) - len(bare)) + 1, bare))
            start, depth = token.end(), 0
    return found


def _header(statement: str, counts: Counter[KeyPath]) -> KeyPath:
    is_array = statement.startswith("[[")
    names = _keys(statement.lstrip("["))
    path: KeyPath = ()
    for name in names[:-1]:
        path += (name,)
        path += (counts[path] - 1,) if counts[path] else ()
    path += names[-1:]
    if is_array:
        counts[path] += 1
        path += (counts[path] - 1,)
    elif counts[path]:
        path += (counts[path] - 1,)
    return path


def _keys(text: str) -> tuple[str, ...]:
    names: list[str] = []
    position = 0
    while match := _KEY.match(text, position):
        names.append(next(group for group in match.groups() if group is not None))
        position = match.end()
        if text[position : position + 1] != ".":
            break
        position += 1
    return tuple(names)


LONGEST = 60
"""Letters of a key that a message shows."""
ARRAYS = frozenset({"fuel", "bag", "setting", "cook", "probe", "logger"})
TABLES = ARRAYS | {"trial", "charge", "metrics", "margins", "model", "cleaning", "plan"}


class Places:
    """Names the place of a key; lines are looked for only once somebody asks."""

    def __init__(self, name: str, text: str) -> None:
        self._name, self._text = name, text

    @cached_property
    def _lines(self) -> dict[KeyPath, int]:
        return key_lines(self._text)

    def where(self, loc: KeyPath) -> str:
        """Return 'trial.toml, line 12, [[fuel]] 2, key price'."""
        line = line_of(self._lines, loc)
        rest = loc[2:] if _is_item(loc) else loc[1:]
        key = ".".join(part[:LONGEST] if isinstance(part, str) else str(part + 1) for part in rest)
        words = [self._name, line and f"line {line}", self.table(loc), key and f"key {key}"]
        return visible(", ".join(str(word) for word in words if word))

    def table(self, loc: KeyPath) -> str:
        """Return the table a path stands in: '[metrics]', '[[fuel]] 2', or 'the file' for the top."""
        if _is_item(loc):
            return f"[[{loc[0]}]] {int(loc[1]) + 1}"
        if len(loc) == 1 and loc[0] not in TABLES:
            return "the file"
        return f"[[{loc[0]}]]" if loc[0] in ARRAYS else f"[{str(loc[0])[:LONGEST]}]"


def _is_item(loc: KeyPath) -> bool:
    return len(loc) > 1 and loc[0] in ARRAYS and isinstance(loc[1], int)
