"""What is said of a fault of a run folder's own files: the words of messages.toml, their {parts} filled in."""

import re
from typing import Any

from kit.data_file import data_file

MESSAGES: dict[str, dict[str, Any]] = data_file(__file__, "messages.toml")


def fault(name: str, /, **parts: object) -> tuple[str, str, str]:
    """Return what was found, what was expected and what to do.

    Examples
    --------
    >>> fault("no fuel")
    ('a fuel not filled in', 'the id of a fuel', 'Write which fuel was burned.')
    """
    found, expected, remedy = (words.format(**parts) for words in MESSAGES["fault"][name])
    return found, expected, remedy


def remedy_of(kind: str, text: str, /, **parts: object) -> str:
    """Return what to do about a text that is no 'day', 'time', 'number' or 'line': by the first pattern it fits."""
    fitting = ((re.search(pattern, text), words) for pattern, words in MESSAGES["remedy"][kind])
    return str(next(words.format(*fits.groups(), **parts) for fits, words in fitting if fits))
