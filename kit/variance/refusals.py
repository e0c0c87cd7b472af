"""What is said of tables and questions that cannot be answered: the words of refusals.toml, their {parts} filled in."""

from __future__ import annotations

from typing import Final

from kit.data_file import data_file
from kit.errors import KitError

_WORDS: Final = data_file(__file__, "refusals.toml")


def refused(what: str, /, **parts: object) -> KitError:
    """Return the error of one fault, by its name in refusals.toml.

    Examples
    --------
    >>> str(refused("no value", name="peak"))
    'table, column peak: found no value at all; expected numbers. Nothing can be fitted.'
    """
    where, found, expected, remedy = (words.format(**parts) for words in _WORDS[what])
    return KitError.refuse(where, found, expected, remedy)
