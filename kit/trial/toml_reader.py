"""TOML to tables and models, and its faults in words, at the line and table of each key: tomllib tells values only."""

import re
import tomllib
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache, cached_property
from typing import Any, Generic, TypeVar

from pydantic import BaseModel, ValidationError

from kit.errors import Faults, Kind, KitError, Problem, did_you_mean
from kit.trial.cells import QuantityError, split_quantity
from kit.trial.decode import MESSAGES, fault, remedy_of, shown, visible

KeyPath = tuple[str | int, ...]
Schema = dict[str, Any]
Model = TypeVar("Model", bound=BaseModel)
LARGEST = 1_000_000
DEEPEST = 8
MOST_PARTS = 64
"""Parts of a dotted key: what a reader of TOML makes of twenty thousand takes gigabytes."""
LONGEST_KEY = 60
"""Letters of a key that a message shows."""
MOST_PARSED = 2_000_000
"""Characters read in search of keys: values over very many lines leave those below them without a line."""
_STRING = r""""(?:[^"\\\n]|\\.)*"|'[^'\n]*'"""
_MANY_PARTS = re.compile(rf"(?<![\w-])(?:[\w-]+[ \t]*\.[ \t]*){{{MOST_PARTS}}}")


def parse_toml(text: str, name: str) -> dict[str, Any]:
    """Return the tables of a TOML text.

    Raises
    ------
    KitError
        With one fault at the line that cannot be read.
    """
    if len(text) > LARGEST:
        raise KitError.refuse(name, *fault("too long"))
    bare = re.sub(rf"{_STRING}|#.*", "_", text)
    if many := _MANY_PARTS.search(bare):
        number = bare.count("\n", 0, many.start()) + 1
        raise KitError.refuse(f"{name}, line {number}", *fault("many parts", most=MOST_PARTS))
    try:
        tables = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        match = re.search(r"\(at line ([0-9]+), column ([0-9]+)\)", str(error))
        lines = text.split("\n")
        number = int(match[1]) if match else len(lines)
        line = visible(lines[number - 1].strip()) if 0 < number <= len(lines) else ""
        found = f"'{line[:80]}'" if line else "the end of the file"
        expected = (
            "a table in brackets, as [metrics]" if line.startswith("[") else "a line such as key = value"
        )
        remedy = f"{remedy_of('line', line)} ({str(error).split(' (at ')[0]}.)"
        raise KitError.refuse(f"{name}, line {number}", found, expected, remedy) from None
    level: list[Any] = [tables]
    for _ in range(DEEPEST):
        inner = (each.values() if isinstance(each, dict) else each for each in level)
        level = [value for values in inner for value in values if isinstance(value, dict | list)]
    if level:
        raise KitError.refuse(name, *fault("too deep"))
    return tables


def key_lines(text: str) -> dict[KeyPath, int]:
    """Return the line, counted from 1, of every key and table header of a well-formed TOML text.

    Items of an array of tables have their place, from 0, in the path: ('fuel', 1, 'price'). A statement is read by
    itself, as soon as its lines make one.
    """
    lines: dict[KeyPath, int] = {}
    counts: Counter[KeyPath] = Counter()
    table: KeyPath = ()
    statement: list[str] = []
    parsed = 0
    for number, line in enumerate(text.split("\n"), start=1):
        statement.append(line)
        joined = "\n".join(statement)
        parsed += len(joined)
        if parsed > MOST_PARSED:
            break
        try:
            tables = tomllib.loads(joined)
        except ValueError:  # a value that goes on in the next line
            continue
        paths = list(_paths(tables))
        if statement[0].lstrip().startswith("["):
            is_array, names, table = statement[0].lstrip().startswith("[["), paths[-1], ()
            for depth, part in enumerate(names, start=1):
                table += (part,)
                counts[table] += is_array and depth == len(names)
                table += (counts[table] - 1,) if counts[table] else ()
            paths = [()]
        for path in paths:
            lines.setdefault(table + path, number - len(statement) + 1)
        statement = []
    return lines


def _paths(tables: dict[str, Any]) -> Iterator[KeyPath]:
    for key, value in tables.items():
        yield (key,)
        if isinstance(value, dict):
            yield from ((key, *path) for path in _paths(value))


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int | None:
    """Return the line of a path, or of the nearest thing above it that has one."""
    return next((lines[path[:depth]] for depth in range(len(path), 0, -1) if path[:depth] in lines), None)


ROUNDS = 12
"""Faulty keys are left out and the rest is read again, at most so often."""
_UNKNOWN = ("extra_forbidden", "unexpected_keyword_argument")
_HEADED = ("tuple_type", "list_type", "dict_type", "model_type", "dataclass_type")
"""Kinds of pydantic's errors of a table, or a list of tables, that is the other of the two."""


class TomlFile(Generic[Model]):
    """A TOML file that is read into a model, and its faults, each at the line and key it stands at.

    Parameters
    ----------
    name
        The file's name, for messages.
    text
        What stands in it.
    model
        What may.

    Attributes
    ----------
    lost
        Tables of which faulty keys were left out: nothing that may be among them is called unknown.

    Raises
    ------
    KitError
        Where the text is no TOML.
    """

    def __init__(self, name: str, text: str, model: type[Model]) -> None:
        self.lost: frozenset[str] = frozenset()
        self._name, self._text, self._model = name, text, model
        self._tables = parse_toml(text, name)
        self._noted: list[tuple[int, Problem]] = []

    @cached_property
    def _lines(self) -> dict[KeyPath, int]:  # looked for only once somebody asks
        lines = key_lines(self._text)
        for path, line in [*lines.items()]:  # [[metrics.x]] alone is where [metrics] begins
            for depth in range(1, len(path)):
                lines.setdefault(path[:depth], line)
        return lines

    def where(self, loc: KeyPath) -> str:
        """Return 'trial.toml, line 12, [[fuel]] 2, key price'."""
        line, (table, rest) = line_of(self._lines, loc), self._table_and_key(loc)
        key = ".".join(part[:LONGEST_KEY] if isinstance(part, str) else str(part + 1) for part in rest)
        words = [self._name, line and f"line {line}", table, key and f"key {key}"]
        return visible(", ".join(str(word) for word in words if word))

    def _table_and_key(self, loc: KeyPath) -> tuple[str, KeyPath]:
        """Return the table a path stands in, as '[metrics]' or '[[fuel]] 2', and what is left of the path."""
        heading = heading_of(loc[0], self._model)
        if heading.startswith("[[") and len(loc) > 1:
            return f"{heading} {int(loc[1]) + 1}", loc[2:]
        return heading, loc[bool(heading) :]

    def note(self, kind: Kind, loc: KeyPath, found: str, expected: str, remedy: str) -> None:
        """Note a fault, or a question, at a key."""
        problem = Problem(kind, self.where(loc), found, expected, remedy)
        self._noted.append((line_of(self._lines, loc) or 0, problem))

    def refuse(self, loc: KeyPath, what: str, /, **parts: object) -> None:
        """Note a fault at a key, in the words of messages.toml."""
        self.note("refuse", loc, *fault(what, **parts))

    @contextmanager
    def noting(self, loc: KeyPath) -> Iterator[None]:
        """Note at a key what is raised about it."""
        try:
            yield
        except KitError as error:
            for each in error.problems:
                self.note(each.kind, loc, each.found, each.expected, each.remedy)

    def hand_to(self, faults: Faults) -> None:
        """Hand over what was noted, in the order of the lines."""
        faults.lost = self.lost
        faults.extend(problem for _, problem in sorted(self._noted, key=lambda each: each[0]))

    def read(self) -> Model | None:
        """Return the model of the tables, faulty keys noted and left out; None where nothing could be read."""
        tables: Any = self._tables
        noted: set[KeyPath] = set()
        for _ in range(ROUNDS):
            try:
                return self._model.model_validate(tables)
            except ValidationError as error:
                errors = error.errors(include_url=False)
            # "[key]" is pydantic's addition to a path that no one wrote
            faulty = [tuple(part for part in each["loc"] if part != "[key]") for each in errors]
            for loc, each in zip(faulty, errors, strict=True):
                if loc not in noted:  # a key left out is not missing
                    self._note(loc, each)
            noted.update(faulty)
            self.lost = frozenset(str(loc[0]) for loc in noted)
            tables = _without(tables, faulty)
        return None

    def _note(self, loc: KeyPath, error: Any) -> None:
        written, kind = error["input"], error["type"]
        words = amiss(error)
        if kind in _UNKNOWN:
            table, key = self._table_and_key(loc)
            what = f"a key of {table}" if key else "the name of a table"
            schema = schema_of(self._model)
            here: Schema | None = schema
            for part in (part for part in loc[:-1] if isinstance(part, str)):
                here = table_in(here["properties"].get(part, {}), schema) if here else None
            hint = did_you_mean(str(loc[-1]), here["properties"] if here else ())
            words = fault("unknown key", key=shown(loc[-1]), what=what, hint=hint)
        elif len(loc) == 1 and isinstance(written, dict | list) and kind in _HEADED:
            words = fault("other brackets", heading=heading_of(loc[0], self._model))
        elif kind == "missing" and isinstance(loc[-1], int):
            loc, words = loc[:-1], fault("too few", value=shown(written), count=len(written))
        elif kind == "missing":
            words = fault("no key", key=loc[-1])
        elif kind == "literal_error":
            choices = [*filter(None, re.findall("'([^']*)'", error["ctx"]["expected"]))]
            named, hint = ", ".join(f"'{choice}'" for choice in choices), did_you_mean(str(written), choices)
            words = fault("no choice", value=shown(written), choices=named, hint=hint)
        self.note("refuse", loc, *words)


@cache
def schema_of(model: type[BaseModel]) -> Schema:
    """Return what may stand in the tables of a model, as JSON Schema tells it."""
    return model.model_json_schema()


def table_in(field: Schema, schema: Schema) -> Schema | None:
    """Return what may stand in the table that a key holds, or holds a list of; None where it holds no such."""
    ref = field.get("$ref") or field.get("items", {}).get("$ref")
    return schema["$defs"][ref.rpartition("/")[2]] if ref else None


def heading_of(name: str | int, model: type[BaseModel]) -> str:
    """Return how a table is headed: '[metrics]', '[[fuel]]' where there may be several; '' where it is a plain key."""
    schema = schema_of(model)
    if name not in schema["properties"]:
        return "the file"
    field = schema["properties"][name]
    if table_in(field, schema) is None and field.get("type") != "object":
        return ""
    return f"[[{name}]]" if field.get("type") == "array" else f"[{name}]"


def amiss(error: Any) -> tuple[str, str, str]:
    """Return what was found and what was expected of a value that a model does not take, and what to do."""
    written, kind, context = error["input"], error["type"], error.get("ctx", {})
    if isinstance(cause := context.get("error"), QuantityError):
        return cause.found, cause.expected, cause.remedy or f"Write {cause.expected}."
    told = error["msg"].removeprefix("Input should be ")
    expected = MESSAGES["expected"].get(kind, told[:1].lower() + told[1:]).format(**context)
    remedy = f"Write {expected}."
    if isinstance(written, str) and kind in ("float_type", "int_type") and split_quantity(written):
        plain = written.strip().replace(",", ".").replace("−", "-")
        remedy = f"Write {error['loc'][-1]} = {re.sub('(?s)[^0-9.+-].*', '', plain)}."
    return shown(written), expected, remedy


def key_problems(error: ValidationError, where: str, model: type[BaseModel]) -> list[Problem]:
    """Return what is amiss with values given for keys of a model, unknown keys first; `where` stands before the key."""
    problems = []
    for each in sorted(error.errors(include_url=False), key=lambda each: each["type"] not in _UNKNOWN):
        key, words = str(each["loc"][0]), amiss(each)
        if each["type"] in _UNKNOWN:
            words = ("an unknown key", "a known one", did_you_mean(key, model.model_fields))
        problems.append(Problem("refuse", where + key, *words))
    return problems


def _without(value: Any, paths: Sequence[KeyPath]) -> Any:
    """Return a table or list without what paths lead to; where one leads nowhere, what it came to goes whole."""
    parts = dict(value.items() if isinstance(value, dict) else enumerate(value))
    for key, part in list(parts.items()):
        below = [path[1:] for path in paths if path[0] == key]
        keys = part.keys() if isinstance(part, dict) else range(len(part)) if isinstance(part, list) else ()
        if any(not path or path[0] not in keys for path in below):
            del parts[key]
        elif below:
            parts[key] = _without(part, below)
    return parts if isinstance(value, dict) else list(parts.values())
