"""Columns, units, flags and metric ids of every table that passes between the stages of the kit."""

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from kit.data_file import data_file, data_text
from kit.metrics import METRIC_BASES as METRIC_BASES
from kit.metrics import Metric as Metric
from kit.metrics import Scale as Scale
from kit.metrics import metric as metric

RESULTS_SCHEMA = "repeatburn-results/1"
KELVIN, FAHRENHEIT_STEP = 273.15, 1.8
"""0 °C in K; °F in one K: differences are divided by it and never shifted by 32."""

SPREADSHEETS = (".xlsx", ".ods", ".xls")
INPUTS = (
    "trial.toml",
    *(f"{stem}.csv" for stem in ("burns", "events", "scores")),
    *(f"{stem}{ending}" for stem in ("burns", "events", "scores") for ending in SPREADSHEETS),
    "notes.md",
    "plan/plan.toml",
)
"""The files of a run folder that are read beside its logs, those that are there."""


@dataclass(frozen=True)
class Column:
    """One column of a table: its name, kind of value, unit ('' for none) and meaning."""

    name: str
    kind: Literal["text", "number", "count", "clock", "yes/no"]
    unit: str
    meaning: str


COLUMNS: Mapping[str, Column] = {
    row["name"]: Column(**row)  # type: ignore[arg-type]
    for row in csv.DictReader(data_text(__file__, "columns.csv").splitlines())
}
"""Every column of every table: a name means the same wherever it stands."""

_WRITTEN = data_file(__file__, "schema.toml")
_COLUMNS = {
    name: columns for kind in ("sheets", "tables", "judged") for name, columns in _WRITTEN[kind].items()
}


def _tables(kind: str) -> dict[str, tuple[Column, ...]]:
    named = {name: _COLUMNS.get(columns, columns).split() for name, columns in _WRITTEN[kind].items()}
    return {name: tuple(COLUMNS[column] for column in columns) for name, columns in named.items()}


SHEETS = _tables("sheets")
"""Tables of the run folder and its logs."""
JUDGED = _tables("judged")
"""Tables of an analysis that are made metric by metric."""
TABLES = _tables("tables") | JUDGED
"""Every table of an analysis, by its name there."""


def __getattr__(name: str) -> tuple[Column, ...]:
    """Return a sheet or table by its name in capitals: `schema.METRICS`."""
    found = SHEETS.get(name.lower()) or TABLES.get(name.lower())
    if found is None or not name.isupper():
        raise AttributeError(f"kit.schema has no {name!r}")
    return found


def names(table: str) -> list[str]:
    """Return the names of a table's columns."""
    return [column.name for column in (SHEETS | TABLES)[table]]


STATUSES: Mapping[str, str] = _WRITTEN["statuses"]
VERDICTS: Mapping[str, str] = _WRITTEN["verdicts"]
UNDECIDED = ("not settled", "no repeats", "cannot be separated")
"""Verdicts that leave the question open."""

THESE_BAGS, PRODUCT = "these bags", "the product"
"""What a verdict is about: these alone where nothing says how far bags differ."""


UNUSABLE: Mapping[str, str] = _WRITTEN["unusable"]
FLAGS: Mapping[str, str] = {**UNUSABLE, **_WRITTEN["usable"]}
"""What each mark on a reading means; those that are unusable come first."""
_COUNTS = {"": True, **{name: name not in UNUSABLE for name in FLAGS}}


def usable(flag: str) -> bool:
    """Return whether a reading with this flag text counts towards values, uncertainty and n alike."""
    return all(_COUNTS[part] for part in flag.split("+"))
