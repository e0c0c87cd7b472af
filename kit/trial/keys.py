"""Every key of trial.toml: what it means, read off the models themselves, and in words what is wrong with one."""

from __future__ import annotations

import copy
import re
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import date, time
from types import NoneType
from typing import Annotated, Any, Literal, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from kit.errors import Faults, KitError, did_you_mean
from kit.trial.decode import shown
from kit.trial.key_types import QuantityError, Unit, split_quantity
from kit.trial.models import TrialFile
from kit.trial.toml_reader import KeyPath, Places

WIDTH = 100
_SUFFIXES = {
    "_k_per_s": "K/s",
    "_hpa": "hPa",
    "_min": "min",
    "_kg": "kg",
    "_s": "s",
    "_c": "°C",
    "_k": "K",
    "_g": "g",
    "_h": "h",
    "_m": "m",
}
_KINDS: dict[Any, str] = {
    str: "text",
    bool: "true or false",
    int: "whole number",
    float: "number",
    date: "date",
    time: "time of day",
}
_MARGIN = (
    "The smallest difference of that metric that matters to a cook, written down before the first burn: "
    'degrees for temperatures, per cent for times, masses and costs, as peak = "15 °C" and '
    '"time_above:110" = "10 %". Without one, nothing can be called the same.'
)


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
    keys = tuple(_keys())
    plain = word.strip().strip("[]").casefold()
    named = [key for key in keys if plain == key.key.casefold()]
    near = [key for key in keys if plain in key.key.casefold() or plain == key.table.strip("[]")]
    about = [key for key in keys if plain in key.meaning.casefold()]
    found = tuple(named or near or about)
    if not found:
        near_by = did_you_mean(plain, [key.key for key in keys])
        remedy = (
            near_by if near_by.startswith("Did") else "`repeatburn keys` without a word shows all of them."
        )
        expected = f"a key, or a table: {', '.join(TrialFile.model_fields)}"
        raise KitError.refuse("keys", f"'{word}'", expected, remedy)
    return found


def keys_text(keys: tuple[Key, ...]) -> str:
    """Return keys as people read them, table by table."""
    about = {_titled(name, field): _about_table(field) for name, field in TrialFile.model_fields.items()}
    parts: list[str] = []
    for table in dict.fromkeys(key.table for key in keys):
        parts += [f"{table}  {about.get(table, '')}".rstrip()]
        parts += [*(key.words for key in keys if key.table == table), ""]
    return "\n".join(parts).rstrip()


def as_records(keys: tuple[Key, ...]) -> list[dict[str, str]]:
    """Return keys as plain dictionaries, for JSON."""
    return [asdict(key) for key in keys]


def _keys() -> Iterator[Key]:
    for name, field in TrialFile.model_fields.items():
        model = _model_in(field.annotation)
        if model is None:
            yield Key(_titled(name, field), "METRIC", "text or number", "", "of the metric", _MARGIN)
            continue
        for key, inner in model.model_fields.items():
            yield _key(_titled(name, field), key, inner)
            if (nested := _model_in(inner.annotation)) is not None:
                below = f"{_titled(name, field)} {inner.alias or key}"
                yield from (_key(below, part, each) for part, each in nested.model_fields.items())


def _key(table: str, name: str, field: FieldInfo) -> Key:
    key = field.alias or name
    meaning = " ".join((field.description or "").split())
    return Key(table, key, _kind(field.annotation), _default(field), _unit(key, field), meaning)


def _titled(name: str, field: FieldInfo) -> str:
    return f"[[{name}]]" if get_origin(field.annotation) is tuple else f"[{name}]"


def _about_table(field: FieldInfo) -> str:
    model = _model_in(field.annotation)
    words = (model.__doc__ or "").split("\n")[0] if model else "the smallest differences that matter."
    return re.sub(r"^\[+\w+\]+: ", "", words)


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in get_args(annotation) if (found := _model_in(part))), None)


def _kind(annotation: Any) -> str:
    """Return in words what may stand for an annotation."""
    origin, parts = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return _kind(parts[0])
    if origin is Literal:
        return " | ".join(f'"{choice}"' for choice in parts if choice)
    if origin is tuple and Ellipsis in parts:
        return f"list of {_plural(_kind(parts[0]))}"
    if origin is tuple:
        return f"[{', '.join(map(_kind, parts))}]"
    if origin is dict:
        return "table of texts"
    if parts:
        return _kind(next(part for part in parts if part is not NoneType))
    return _KINDS.get(annotation, "table")


def _plural(kind: str) -> str:
    return kind if kind.startswith("[") else f"{kind}s"


def _unit(key: str, field: FieldInfo) -> str:
    named = next((unit for ending, unit in _SUFFIXES.items() if key.endswith(ending)), "")
    return next((mark.symbol for mark in _marks(field) if isinstance(mark, Unit)), named)


def _marks(field: FieldInfo) -> Iterator[object]:
    yield from field.metadata
    yield from _marks_in(field.annotation)


def _marks_in(annotation: Any) -> Iterator[object]:
    parts = get_args(annotation)
    if get_origin(annotation) is Annotated:
        yield from parts[1:]
    for part in parts if get_origin(annotation) is not Literal else ():
        yield from _marks_in(part)


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "none: it has to be there"
    value = field.get_default()
    return "" if value in (None, "", ()) or isinstance(value, dict | BaseModel) else _written(value)


def _written(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return f"[{', '.join(map(_written, value))}]"
    return f"{value:g}" if isinstance(value, float | int) else f'"{value}"'


_EXPECTED = {
    "string_type": 'text in quotes, as "alder"',
    "float_type": "a number, without quotes or unit",
    "int_type": "a whole number, without quotes",
    "int_from_float": "a whole number",
    "bool_type": "true or false, without quotes",
    "tuple_type": "a list in brackets, as [110, 180]",
    "list_type": "a list in brackets, as [110, 180]",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "finite_number": "a finite number",
    "too_long": "fewer values",
}
_BOUNDS = {
    "greater_than": ("above", "gt"),
    "greater_than_equal": ("at least", "ge"),
    "less_than": ("below", "lt"),
    "less_than_equal": ("at most", "le"),
}


def note_fault(error: Any, places: Places, faults: Faults) -> None:
    """Note one error of a model as a fault at its line and key."""
    loc: KeyPath = _path_written(error["loc"])
    where = places.where(loc)
    kind = error["type"]
    if kind == "extra_forbidden":
        keys = keys_at(loc[:-1])
        faults.refuse(where, shown(loc[-1]), _a_key_of(places, loc), did_you_mean(str(loc[-1]), keys))
    elif kind == "missing":
        faults.refuse(where, f"no '{loc[-1]}'", f"{loc[-1]} = …", f"Add the key '{loc[-1]}' here.")
    elif kind == "literal_error":
        choices = [word.strip("'") for word in error["ctx"]["expected"].replace(" or ", ", ").split(", ")]
        remedy = did_you_mean(str(error["input"]), choices)
        faults.refuse(where, shown(error["input"]), f"one of: {_listed(choices)}", remedy)
    else:
        found, expected = _found_and_expected(error)
        faults.refuse(where, found, expected, _rewritten(loc[-1], error) or f"Write {expected}.")


def _a_key_of(places: Places, loc: KeyPath) -> str:
    return f"a key of {places.table(loc)}" if len(loc) > 1 else "the name of a table"


def _listed(choices: Sequence[str]) -> str:
    return ", ".join(f"'{choice}'" for choice in choices)


def _found_and_expected(error: Any) -> tuple[str, str]:
    cause = error.get("ctx", {}).get("error")
    if isinstance(cause, QuantityError):
        return cause.found, cause.expected
    if cause is not None:
        return shown(error["input"]), str(cause)
    if error["type"] in _BOUNDS:
        words, key = _BOUNDS[error["type"]]
        return shown(error["input"]), f"a number {words} {error['ctx'][key]:g}"
    message = error["msg"][:1].lower() + error["msg"][1:]
    return shown(error["input"]), _EXPECTED.get(error["type"], message)


def _rewritten(key: object, error: Any) -> str:
    """Return what to write where a number was put in quotes, with a decimal comma or its unit."""
    written = error["input"]
    parts = split_quantity(written) if isinstance(written, str) else None
    if error["type"] not in ("float_type", "int_type") or parts is None:
        return ""
    number = re.match(r"\s*([+-]?[0-9]+(?:[.,][0-9]+)?)", written.replace("−", "-"))
    return f"Write {key} = {number[1].replace(',', '.')}." if number else ""


def keys_at(loc: KeyPath) -> list[str]:
    """Return the keys that may stand in the table at a path."""
    model: Any = TrialFile
    for part in loc:
        if isinstance(part, str):
            field = next((f for n, f in model.model_fields.items() if part in (n, f.alias)), None)
            model = _model_in(field.annotation) if field else None
        if model is None:
            return []
    return [field.alias or name for name, field in model.model_fields.items()]


def _path_written(loc: KeyPath) -> KeyPath:
    """Drop what pydantic adds to a path that no one wrote."""
    return tuple(part for part in loc if part != "[key]")


def prune(raw: dict[str, Any], locs: Iterable[KeyPath]) -> dict[str, Any]:
    """Return the tables without the faulty keys; an item of a list that lacks a key goes whole."""
    pruned = copy.deepcopy(raw)
    for loc in sorted(
        map(_path_written, locs), key=lambda loc: [str(part).zfill(9) for part in loc], reverse=True
    ):
        _remove(pruned, loc)
    return pruned


def _remove(tables: Any, loc: KeyPath) -> None:
    trail = [tables]
    for part in loc[:-1]:
        try:
            trail.append(trail[-1][part])
        except (KeyError, IndexError, TypeError):
            break
    for here, part in reversed(list(zip(trail, loc, strict=False))):
        try:
            del here[part]
            return
        except (KeyError, IndexError, TypeError):
            continue
