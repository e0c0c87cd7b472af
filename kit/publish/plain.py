"""Anything a result holds as plain data, and plain data as text that is the same each time: JSON and CSV."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime, time
from typing import TYPE_CHECKING, Any

from kit.page.text import spreadsheet_safe
from kit.schema import COLUMNS

if TYPE_CHECKING:
    import pandas as pd


def plain_value(value: Any) -> Any:
    """Return a value as what JSON knows; no number where there is none, sets in order, tables as rows.

    Raises
    ------
    TypeError
        At a kind of value results do not hold.
    """
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, float):
        return float(value) + 0.0 if math.isfinite(value) else None  # -0.0 and 0.0 are one number to a reader
    if isinstance(value, Mapping):
        return {str(key): plain_value(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [plain_value(each) for each in value]
    if isinstance(value, set | frozenset):
        return sorted(map(plain_value, value), key=str)
    if isinstance(value, datetime | date | time):
        return None if value != value else value.isoformat()  # pandas' time that is none is not itself
    return _object(value)


def _object(value: Any) -> Any:
    if hasattr(value, "model_dump"):
        return plain_value(value.model_dump())
    if is_dataclass(value):
        return {each.name: plain_value(getattr(value, each.name)) for each in fields(value)}
    if hasattr(value, "iterrows"):
        return records(value)
    if hasattr(value, "tolist"):  # numpy arrays and scalars
        return plain_value(value.tolist())
    if type(value).__name__ in ("NAType", "NaTType"):
        return None
    if hasattr(value, "as_posix"):
        raise TypeError("a path has no place in results: it says where somebody's disk keeps things")
    if hasattr(value, "value"):  # members of an enumeration
        return plain_value(value.value)
    raise TypeError(f"results cannot hold a {type(value).__name__}")


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a table as its rows, columns in their order."""
    held = columns(frame)
    return [dict(zip(held, row, strict=True)) for row in zip(*held.values(), strict=True)]


def columns(frame: pd.DataFrame) -> dict[str, list[Any]]:
    """Return a table as its columns: shorter than rows for curves."""
    return {str(name): _column(frame[name]) for name in frame.columns}


def _column(series: pd.Series[Any]) -> list[Any]:
    values = [None if value is not value else plain_value(value) for value in series.tolist()]
    column = COLUMNS.get(str(series.name))
    if column and column.kind == "count":  # a missing count makes pandas turn the others into decimals
        return [int(value) if isinstance(value, float) and value.is_integer() else value for value in values]
    return values


def canonical(data: Mapping[str, Any]) -> str:
    """Return JSON with a line a row: readable, comparable line by line, the same bytes for the same data."""
    parts = (f"{_line(key)}: {_block(value)}" for key, value in data.items())
    return "{\n" + ",\n".join(parts) + "\n}\n"


def _block(value: Any) -> str:
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return "[\n" + ",\n".join(map(_line, value)) + "\n]"
    if isinstance(value, dict) and any(isinstance(each, dict | list) for each in value.values()):
        return "{\n" + ",\n".join(f"{_line(key)}: {_line(each)}" for key, each in value.items()) + "\n}"
    return _line(value)


def _line(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(", ", ": "))
    if text.isprintable() or text.isascii():
        return text
    # lone halves of a character can stand in file names; they must not stop the file from being written
    return "".join(sign if sign.isprintable() else json.dumps(sign)[1:-1] for sign in text)


def as_csv(frame: pd.DataFrame) -> str:
    """Return a table as CSV: full digits, blank for no value, no cell that a spreadsheet would run."""
    held = columns(frame)
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([spreadsheet_safe(name) for name in held])
    writer.writerows(zip(*([_cell(value) for value in column] for column in held.values()), strict=True))
    return out.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return repr(value)
    return spreadsheet_safe(value)
