"""At which line of a TOML file a key stands: tomllib tells values only."""

from __future__ import annotations

import re
from collections import Counter

Path = tuple[str | int, ...]

_KEY = re.compile(r"""\s*(?:"((?:[^"\\]|\\.)*)"|'([^']*)'|([A-Za-z0-9_-]+))\s*""")
_TOKEN = re.compile(
    r'"""(?:[^\\]|\\.)*?"""|' r"'''.*?'''|" r'"(?:[^"\\\n]|\\.)*"|' r"'[^'\n]*'|" r"#[^\n]*|[\[\]{}\n]",
    re.DOTALL,
)


def key_lines(text: str) -> dict[Path, int]:
    """Return the line, counted from 1, of every key and table header of a well-formed TOML text.

    Items of an array of tables have their place, from 0, in the path: ('fuel', 1, 'price').
    """
    lines: dict[Path, int] = {}
    counts: Counter[Path] = Counter()
    prefix: Path = ()
    for number, statement in _statements(text):
        if statement.startswith("["):
            prefix = _header(statement, counts)
            lines.setdefault(prefix, number)
        else:
            path = prefix + _keys(statement)
            for depth in range(len(prefix) + 1, len(path) + 1):
                lines.setdefault(path[:depth], number)
    return lines


def line_of(lines: dict[Path, int], path: Path) -> int | None:
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


def _header(statement: str, counts: Counter[Path]) -> Path:
    is_array = statement.startswith("[[")
    names = _keys(statement.lstrip("["))
    path: Path = ()
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
