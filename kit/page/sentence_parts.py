"""Sentences with {parts}: said where they hold, their parts filled in; counts and lists in words."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from string import Formatter
from typing import Any, Final

from kit.page.shown_numbers import plain

NUMBERS: Final = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
)  # fmt: skip


Template = str | Sequence[str | Mapping[str, Any]]
"""A sentence with {parts}, or several; of { if = part, say = …, else = … } one is said where that part holds."""


def told_each(template: Template, parts: Mapping[str, object]) -> list[str]:
    """Return the sentences of a template that are there, their parts filled in.

    What is not among the parts is an attribute of the part `data`. {Part} begins with a capital, {part.name} is what it
    has of that name, {list} and {list:or} join what it holds, {number:1} has so many decimals, and {n:burn}, {n:is/are}
    and {n:in words} tell how many it is or holds. A number that is none does not hold.
    """
    known, said = Parts(parts), []
    for one in [template] if isinstance(template, str) else template:
        while not isinstance(one, str):
            holds = Formatter().get_field(one["if"], (), known)[0]
            one = one["say"] if holds else one.get("else", "")
        said.append(one.format_map(known))
    return list(filter(None, said))


class Parts(dict[str, Any]):
    """Parts of a sentence by name, ready to be told."""

    def __getitem__(self, name: str) -> _Part:
        own = name[:1].lower() + name[1:]
        return _Part(self.get(own) if own in self else getattr(super().__getitem__("data"), own), own != name)


@dataclass(frozen=True)
class _Part:
    """A part of a sentence, and whether it begins with a capital."""

    value: Any
    begins: bool

    def __bool__(self) -> bool:
        return bool(self.value) and not (isinstance(self.value, float) and math.isnan(self.value))

    def __getattr__(self, name: str) -> _Part:
        return _Part(getattr(self.value, name), self.begins)

    def __getitem__(self, key: str | int) -> _Part:
        return _Part(self.value[key], self.begins)

    def __format__(self, how: str) -> str:
        text = self._told(how)
        return capital(text) if self.begins else text

    def _told(self, how: str) -> str:
        if isinstance(self.value, list | tuple) and how in ("", "or"):
            return listed(self.value, how or "and")
        if how.isdigit():
            return plain(self.value, int(how))
        if not how or isinstance(self.value, str) or how.startswith("."):
            return format(self.value, how)
        count = len(self.value) if hasattr(self.value, "__len__") else int(self.value)
        if "/" in how:
            return how.split("/")[count != 1]
        return number_word(count) if how == "in words" else counted(count, how)


def told(template: Template, parts: Mapping[str, object]) -> str:
    """Return the same as one text."""
    return " ".join(told_each(template, parts))


def filled(template: Any, parts: Mapping[str, object]) -> Any:
    """Return what stands in words.toml with its parts filled in; a text that is one part alone becomes that part."""
    if isinstance(template, dict):
        return {key: filled(each, parts) for key, each in template.items()}
    if isinstance(template, list):
        return [filled(each, parts) for each in template]
    alone = re.fullmatch(r"\{(\w+)\}", template)
    return parts[alone[1]] if alone else template.format(**parts)


def capital(text: str) -> str:
    """Return text whose first letter is a capital."""
    return text[:1].upper() + text[1:]


def number_word(count: int) -> str:
    """Return a count as a word up to twelve."""
    return NUMBERS[count] if 0 <= count < len(NUMBERS) else str(count)


def counted(count: int, one: str) -> str:
    """Return 'one burn', 'six burns', '36 burns'."""
    return f"{number_word(count)} {one}{'s' * (count != 1)}"


def listed(words: Sequence[str], last: str = "and") -> str:
    """Return 'a', 'a and b', 'a, b and c'."""
    return f"{', '.join(words[:-1])} {last} {words[-1]}" if len(words) > 1 else "".join(words)
