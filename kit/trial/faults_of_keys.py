"""Faults that a model finds in a trial file, in words for the person who wrote it."""

from __future__ import annotations

import copy
import re
from collections.abc import Iterable, Sequence
from typing import Any, get_args

from pydantic import BaseModel

from kit.errors import Faults, did_you_mean
from kit.trial.decode import visible
from kit.trial.models import TrialFile
from kit.trial.toml_reader import Path, Places
from kit.trial.units import QuantityError, split_quantity

_KINDS = {
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
SHOWN = 60


def shown(value: object) -> str:
    """Return a value as it may stand in a message: short, texts in quotes."""
    words = visible(f"'{value}'" if isinstance(value, str) else str(value))
    return words if len(words) <= SHOWN else words[: SHOWN - 1] + "…"


def note_fault(error: Any, places: Places, faults: Faults) -> None:
    """Note one error of a model as a fault at its line and key."""
    loc: Path = _written(error["loc"])
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


def _a_key_of(places: Places, loc: Path) -> str:
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
    return shown(error["input"]), _KINDS.get(error["type"], message)


def _rewritten(key: object, error: Any) -> str:
    """Return what to write where a number was put in quotes, with a decimal comma or its unit."""
    written = error["input"]
    parts = split_quantity(written) if isinstance(written, str) else None
    if error["type"] not in ("float_type", "int_type") or parts is None:
        return ""
    number = re.match(r"\s*([+-]?[0-9]+(?:[.,][0-9]+)?)", written.replace("−", "-"))
    return f"Write {key} = {number[1].replace(',', '.')}." if number else ""


def keys_at(loc: Path) -> list[str]:
    """Return the keys that may stand in the table at a path."""
    model: Any = TrialFile
    for part in loc:
        if isinstance(part, str):
            field = next((f for n, f in model.model_fields.items() if part in (n, f.alias)), None)
            model = _model_in(field.annotation) if field else None
        if model is None:
            return []
    return [field.alias or name for name, field in model.model_fields.items()]


def _model_in(annotation: Any) -> Any:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in get_args(annotation) if (found := _model_in(part))), None)


def _written(loc: Path) -> Path:
    """Drop what pydantic adds to a path that no one wrote."""
    return tuple(part for part in loc if part != "[key]")


def prune(raw: dict[str, Any], locs: Iterable[Path]) -> dict[str, Any]:
    """Return the tables without the faulty keys; an item of a list that lacks a key goes whole."""
    pruned = copy.deepcopy(raw)
    for loc in sorted(
        map(_written, locs), key=lambda loc: [str(part).zfill(9) for part in loc], reverse=True
    ):
        _remove(pruned, loc)
    return pruned


def _remove(tables: Any, loc: Path) -> None:
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
