"""Tables of a TOML text to a model: in words what is wrong with a key, and all the rest read without it."""

from __future__ import annotations

import copy
import re
from collections.abc import Iterable, Mapping
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from kit.errors import did_you_mean
from kit.trial.decode import shown
from kit.trial.key_types import QuantityError, split_quantity
from kit.trial.toml_reader import ARRAYS, KeyPath, TomlFaults

Model = TypeVar("Model", bound=BaseModel)
ROUNDS = 12
"""Faulty keys are left out and the rest is read again, at most so often."""
_A_LIST, _A_TABLE = "a list in brackets, as [110, 180]", "a table"
_EXPECTED = {
    "string_type": 'text in quotes, as "alder"',
    "float_type": "a number, without quotes or unit",
    "int_type": "a whole number, without quotes",
    "int_from_float": "a whole number",
    "bool_type": "true or false, without quotes",
    "tuple_type": _A_LIST,
    "list_type": _A_LIST,
    "dict_type": _A_TABLE,
    "model_type": _A_TABLE,
    "model_attributes_type": _A_TABLE,
    "finite_number": "a finite number",
    "too_long": "at most {max_length} values",
    "greater_than": "a number above {gt:g}",
    "greater_than_equal": "a number at least {ge:g}",
    "less_than": "a number below {lt:g}",
    "less_than_equal": "a number at most {le:g}",
}
_HEADED = frozenset(kind for kind, words in _EXPECTED.items() if words in (_A_LIST, _A_TABLE))


def validated(model: type[Model], tables: Mapping[str, Any], faults: TomlFaults) -> Model | None:
    """Return a model of tables, faulty keys noted and left out; None where nothing is left that could be read."""
    rest = dict(tables)
    noted: set[KeyPath] = set()
    for _ in range(ROUNDS):
        try:
            read = model.model_validate(rest)
        except ValidationError as error:
            errors = error.errors(include_url=False)
            for each in errors:
                if each["loc"] not in noted:  # a key left out is not missing
                    _note(each, model, faults)
            noted |= {each["loc"] for each in errors}
            faults.lost = frozenset(str(loc[0]) for loc in noted)
            rest = _without(rest, (_as_written(each["loc"]) for each in errors))
        else:
            return read
    return None


def model_in(annotation: Any) -> type[BaseModel] | None:
    """Return the model that an annotation is of: Fuel for tuple[Fuel, ...]."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in get_args(annotation) if (found := model_in(part))), None)


def _note(error: Any, model: type[BaseModel], faults: TomlFaults) -> None:
    loc = _as_written(error["loc"])
    written, kind, context = error["input"], error["type"], error.get("ctx", {})
    if kind == "extra_forbidden":
        expected = f"a key of {faults.table(loc)}" if len(loc) > 1 else "the name of a table"
        faults.refuse(loc, shown(loc[-1]), expected, did_you_mean(str(loc[-1]), _keys_beside(loc, model)))
    elif len(loc) == 1 and isinstance(written, dict | list) and kind in _HEADED:
        brackets = f"[[{loc[0]}]]" if loc[0] in ARRAYS else f"[{loc[0]}]"
        expected = f"a table headed {brackets}"
        faults.refuse(loc, "brackets of the other kind", expected, f"Write {brackets} above its keys.")
    elif kind == "missing" and isinstance(loc[-1], int):
        remedy = "Write as many as `repeatburn keys` shows."
        faults.refuse(loc[:-1], shown(written), f"more than {len(written)}", remedy)
    elif kind == "missing":
        faults.refuse(loc, f"no '{loc[-1]}'", f"{loc[-1]} = …", f"Add the key '{loc[-1]}' here.")
    elif kind == "literal_error":
        words = (word.strip("'") for word in context["expected"].replace(" or ", ", ").split(", "))
        choices = [word for word in words if word]
        expected = "one of: " + ", ".join(f"'{choice}'" for choice in choices)
        faults.refuse(loc, shown(written), expected, did_you_mean(str(written), choices))
    else:
        found, expected = amiss(error)
        number = _number_in(written) if kind in ("float_type", "int_type") else ""
        faults.refuse(
            loc, found, expected, f"Write {loc[-1]} = {number}." if number else f"Write {expected}."
        )


def amiss(error: Any) -> tuple[str, str]:
    """Return what was found and what was expected of a value that a model does not take."""
    kind, cause = error["type"], error.get("ctx", {}).get("error")
    if isinstance(cause, QuantityError):
        return cause.found, cause.expected
    told = error["msg"].removeprefix("Input should be ")
    told = told[:1].lower() + told[1:]
    return shown(error["input"]), _EXPECTED.get(kind, told).format(**error.get("ctx", {}))


def _number_in(written: object) -> str:
    """Return the number in a text that has a decimal comma, its unit or quotes alone too much; '' for any other."""
    if not isinstance(written, str) or split_quantity(written) is None:
        return ""
    match = re.match(r"\s*([+-]?[0-9]+(?:[.,][0-9]+)?)", written.replace("−", "-"))
    return match[1].replace(",", ".") if match else ""


def _keys_beside(loc: KeyPath, model: type[BaseModel]) -> list[str]:
    """Return the keys that may stand in the table of a path."""
    here: type[BaseModel] | None = model
    for part in (part for part in loc[:-1] if isinstance(part, str)):
        fields = here.model_fields.items() if here else ()
        here = next(
            (model_in(field.annotation) for name, field in fields if part in (name, field.alias)), None
        )
    return [field.alias or name for name, field in here.model_fields.items()] if here else []


def _as_written(loc: KeyPath) -> KeyPath:
    """Drop what pydantic adds to a path that no one wrote."""
    return tuple(part for part in loc if part != "[key]")


def _without(tables: dict[str, Any], locs: Iterable[KeyPath]) -> dict[str, Any]:
    """Return the tables without the faulty keys; an item of a list that lacks a key goes whole."""
    pruned = copy.deepcopy(tables)
    for loc in sorted(locs, key=lambda loc: [str(part).zfill(9) for part in loc], reverse=True):
        trail: list[Any] = [pruned]
        for part in loc:
            try:
                trail.append(trail[-1][part])
            except (KeyError, IndexError, TypeError):
                break
        for here, part in reversed(list(zip(trail, loc, strict=False))):
            try:
                del here[part]
            except (KeyError, IndexError, TypeError):
                continue
            break
    return pruned
