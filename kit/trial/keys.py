"""Every key of trial.toml: its kind and default as the models have them, what it means as keys.toml tells it."""

import re
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from kit.data_file import data_file
from kit.errors import KitError, nearest
from kit.schema import METRIC_BASES
from kit.trial.decode import toml_value
from kit.trial.models import TrialFile
from kit.trial.toml_reader import Schema, heading_of, schema_of, table_in

SCHEMA = schema_of(TrialFile)
WIDTH = 100
_UNITS = {"c": "°C", "k": "K", "hpa": "hPa"} | {unit: unit for unit in ("min", "kg", "s", "g", "h", "m")}
"""Units by the ends of keys."""
_KINDS = {
    **{"string": "text", "boolean": "true or false", "integer": "whole number", "number": "number"},
    **{"date": "date", "time": "time of day", "object": "table of texts"},
}
_ARGUMENTS = {"threshold": ":110", "cook": ":COOK", "": ""}
METRIC_IDS = ", ".join(f"{base}{_ARGUMENTS[record.takes]}" for base, record in METRIC_BASES.items())
ALL_SHOWN = "`repeatburn keys` without a word shows all of them."
MEANINGS: dict[str, dict[str, Any]] = data_file(__file__, "keys.toml")
"""What each key means, by table and key; with its unit where the key does not end with it."""


@dataclass(frozen=True)
class Key:
    """One key of trial.toml.

    Attributes
    ----------
    table, key
        Where it stands ('[metrics]', '[[fuel]]') and its name.
    kind, default, unit
        What may stand there, what holds where it is left out ('' for nothing), and the unit of a bare number.
    meaning
        A sentence or two.
    """

    table: str
    key: str
    kind: str
    default: str
    unit: str
    meaning: str

    @property
    def words(self) -> str:
        """The key as `repeatburn keys` prints it."""
        about = [self.kind, self.unit, f"default {self.default}" if self.default else ""]
        head = f"{self.key}   ({', '.join(each for each in about if each)})"
        return f"  {head}\n{textwrap.indent(textwrap.fill(self.meaning, WIDTH), ' ' * 6)}"


def explained_keys(word: str = "") -> tuple[Key, ...]:
    """Return every key of trial.toml, or those that a word is about.

    Parameters
    ----------
    word
        Part of a key, of the name of a table, or of a meaning; '' for all.

    Raises
    ------
    KitError
        Where no key has to do with the word.

    Examples
    --------
    >>> [key.key for key in explained_keys("tolerance_g")]
    ['tolerance_g']
    """
    keys: list[Key] = []
    for name, field in SCHEMA["properties"].items():
        heading = heading_of(name, TrialFile)
        if table := table_in(field, SCHEMA):
            keys += _keys_of(table, name, heading)
        else:
            keys.append(Key(heading, "METRIC", "text or number", "", *_unit_and_meaning(name, "METRIC")))
    plain = word.strip().strip("[]").casefold()
    named = [key for key in keys if plain == key.key.casefold()]
    near = [key for key in keys if plain in key.key.casefold() or plain == key.table.strip("[]")]
    about = [key for key in keys if plain in key.meaning.casefold()]
    found = tuple(named or near or about)
    if not found:
        remedy = nearest(plain, [key.key for key in keys])
        expected = f"a key, or a table: {', '.join(TrialFile.model_fields)}"
        raise KitError.refuse("keys", f"'{word}'", expected, remedy or ALL_SHOWN)
    return found


def keys_text(keys: tuple[Key, ...]) -> str:
    """Return keys as people read them, table by table."""
    about = {}
    for name, field in SCHEMA["properties"].items():
        described = table_in(field, SCHEMA) or {"description": "the smallest differences that matter."}
        words = re.sub(r"^\[+\w+\]+: ", "", described["description"].split("\n")[0])
        about[heading_of(name, TrialFile)] = words
    parts: list[str] = []
    for table in dict.fromkeys(key.table for key in keys):
        parts += [f"{table}  {about.get(table, '')}".rstrip()]
        parts += [*(key.words for key in keys if key.table == table), ""]
    return "\n".join(parts).rstrip()


def _keys_of(table: Schema, name: str, heading: str) -> Iterator[Key]:
    for key, field in table["properties"].items():
        value = field.get("default")
        default = "" if value in (None, "", []) or isinstance(value, dict) else toml_value(value)
        if key in table.get("required", ()):
            default = "none: it has to be there"
        yield Key(heading, key, _kind(field), default, *_unit_and_meaning(name, key))
        if nested := table_in(field, SCHEMA):
            yield from _keys_of(nested, key, f"{heading} {key}")


def _unit_and_meaning(table: str, key: str) -> tuple[str, str]:
    written = MEANINGS[table][key]
    if isinstance(written, dict):
        return written["unit"], written["means"]
    _, mark, ending = key.rpartition("_")
    return _UNITS.get(ending, "") if mark else "", written.replace("{every metric}", METRIC_IDS)


def _kind(field: Schema) -> str:
    """Return in words what may stand for a key."""
    field = field.get("anyOf", [field])[0]
    if "enum" in field:
        return " | ".join(f'"{choice}"' for choice in field["enum"] if choice)
    if "prefixItems" in field:
        return f"[{', '.join(map(_kind, field['prefixItems']))}]"
    if "items" in field:
        kind = _kind(field["items"])
        return f"list of {kind}" + "s" * (not kind.startswith("["))
    return _KINDS.get(field.get("format") or field.get("type", ""), "table")
