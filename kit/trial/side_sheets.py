"""events.csv and scores.csv: what happened during a burn, and what people scored."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd

from kit.errors import Faults, did_you_mean
from kit.schema import EVENTS, SCORES
from kit.trial.clocks import event_times, relative_times
from kit.trial.decode import shown
from kit.trial.logs import nearest
from kit.trial.sheet import Sheet, SheetKind, read_sheet, sheet_path, table_of
from kit.trial.trial import Trial

EVENT_WORDS = ("lid open", "top-up", "vent moved", "rain", "probe moved", "other")


def read_events(
    folder: Path, burns: pd.DataFrame | None, trial: Trial | None, faults: Faults, notes: list[str]
) -> pd.DataFrame:
    """Return the events of a folder, columns of schema.EVENTS and further ones; empty without a sheet."""
    kind = SheetKind(EVENTS, ("burn", "at", "event"))
    table, sheet = _side_table(sheet_path(folder, "events", faults), kind, burns, faults, notes)
    if sheet is None:
        return table
    table["event"] = [_event_word(word) for word in table["event"]]
    expected = f"one of: {', '.join(EVENT_WORDS)}"
    remedy = "Anything else is 'other', with a note."
    sheet.refuse_unknown(
        table["event"], EVENT_WORDS, expected, lambda word: f"{did_you_mean(word, EVENT_WORDS)} {remedy}"
    )
    _refuse_blanks(table, sheet, "event", expected, "Write what happened.")
    known = [probe.id for probe in trial.probes] if trial else []
    for place, cell in enumerate(table["probes"]):
        for word in probe_names(cell) if known else ():
            if word not in known:
                expected = "ids of [[probe]] tables, parted by semicolons"
                sheet.refuse(place, "probes", shown(word), expected, did_you_mean(word, known))
    rows = {} if burns is None else {str(row["burn"]): row for row in burns.to_dict("records")}
    for place, event in enumerate(table.to_dict("records")):
        if not event["at"] and not sheet.cells("at")[place].strip():
            sheet.refuse(place, "at", "a blank", "a time of day as 14:05", "Write when it began.")
            continue
        burn = relative_times(rows.get(event["burn"], {}))
        fault = "" if burn.fault else event_times(event, burn).fault
        if fault:
            sheet.refuse(place, "", fault, "until after at", "Correct it, or write the date before it.")
    return table


def read_scores(folder: Path, burns: pd.DataFrame | None, faults: Faults, notes: list[str]) -> pd.DataFrame:
    """Return the scores of a folder, columns of schema.SCORES and further ones; empty without a sheet."""
    kind = SheetKind(SCORES, ("burn", "attribute", "score"))
    table, sheet = _side_table(sheet_path(folder, "scores", faults), kind, burns, faults, notes)
    if sheet is not None:
        remedy = "Write smoke, smell, taste or what it was."
        _refuse_blanks(table, sheet, "attribute", "what was scored", remedy)
    return table


def probe_names(cell: str) -> tuple[str, ...]:
    """Return the probes of an event's cell, parted by semicolons or commas; none means all."""
    return tuple(part.strip() for part in re.split("[;,]", cell) if part.strip())


def _side_table(
    path: Path, kind: SheetKind, burns: pd.DataFrame | None, faults: Faults, notes: list[str]
) -> tuple[pd.DataFrame, Sheet | None]:
    """Return a sheet that may be missing as a table, its burns checked; without rows where it is, or is unreadable."""
    sheet = read_sheet(path, kind, faults, notes) if path.is_file() else None
    if sheet is None:
        kinds = {column.name: "float64" if column.kind == "number" else "str" for column in kind.columns}
        return pd.DataFrame({name: pd.Series(dtype=dtype) for name, dtype in kinds.items()}), None
    table = table_of(sheet)
    _refuse_blanks(table, sheet, "burn", "the id of a burn", "Write the burn's id.")
    if burns is not None:
        known, remedy = list(burns["burn"]), "Write an id that stands in burns.csv."
        expected = "the id of a burn of burns.csv"
        sheet.refuse_unknown(table["burn"], known, expected, lambda word: nearest(word, known) or remedy)
    return table, sheet


def _refuse_blanks(table: pd.DataFrame, sheet: Sheet, column: str, expected: str, remedy: str) -> None:
    for place in np.flatnonzero(table[column] == "").tolist():
        sheet.refuse(place, column, "a blank", expected, remedy)


def _event_word(word: str) -> str:
    plain = " ".join(re.sub("[-_ ]+", " ", word.casefold()).split())
    return next((known for known in EVENT_WORDS if known.replace("-", " ") == plain), word)
