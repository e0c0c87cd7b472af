"""events.csv and scores.csv: what happened during a burn, and what people scored."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from kit.errors import Faults, did_you_mean
from kit.schema import EVENTS, SCORES, Column
from kit.trial.clocks import event_times, relative_times
from kit.trial.decode import shown
from kit.trial.logs import nearest
from kit.trial.sheet import (
    Sheet,
    note_unknown,
    read_sheet,
    sheet_path,
    table_of,
)
from kit.trial.trial import Trial

EVENT_WORDS = ("lid open", "top-up", "vent moved", "rain", "probe moved", "other")


def read_events(
    folder: Path, burns: pd.DataFrame | None, trial: Trial | None, faults: Faults, notes: list[str]
) -> pd.DataFrame:
    """Return the events of a folder, columns of schema.EVENTS and further ones; empty without a sheet."""
    sheet = _side_sheet(sheet_path(folder, "events", faults), EVENTS, ("burn", "at", "event"), faults, notes)
    if sheet is None:
        return _empty(EVENTS)
    table = table_of(sheet, EVENTS, (), faults, notes)
    table["event"] = [_event_word(word) for word in table["event"]]
    _known_burns(table, sheet, burns, faults)
    _event_words(table, sheet, faults)
    _event_probes(table, sheet, trial, faults)
    _event_times(table, sheet, burns, faults)
    return table


def read_scores(folder: Path, burns: pd.DataFrame | None, faults: Faults, notes: list[str]) -> pd.DataFrame:
    """Return the scores of a folder, columns of schema.SCORES and further ones; empty without a sheet."""
    sheet = _side_sheet(
        sheet_path(folder, "scores", faults), SCORES, ("burn", "attribute", "score"), faults, notes
    )
    if sheet is None:
        return _empty(SCORES)
    table = table_of(sheet, SCORES, (), faults, notes)
    _known_burns(table, sheet, burns, faults)
    for place in np.flatnonzero(table["attribute"] == ""):
        where, remedy = sheet.where(int(place), "attribute"), "Write smoke, smell, taste or what it was."
        faults.refuse(where, "a blank", "what was scored", remedy)
    return table


def _side_sheet(
    path: Path, known: tuple[Column, ...], required: Sequence[str], faults: Faults, notes: list[str]
) -> Sheet | None:
    """Return an optional sheet; one without a row besides its headings is as good as none."""
    if not path.is_file():
        return None
    return read_sheet(path, known, required, (), faults, notes)


def _empty(columns: tuple[Column, ...]) -> pd.DataFrame:
    kinds = {column.name: "float64" if column.kind == "number" else "str" for column in columns}
    return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in kinds.items()})


def _event_word(word: str) -> str:
    plain = " ".join(re.sub("[-_ ]+", " ", word.casefold()).split())
    return next((known for known in EVENT_WORDS if known.replace("-", " ") == plain), word)


def _known_burns(table: pd.DataFrame, sheet: Sheet, burns: pd.DataFrame | None, faults: Faults) -> None:
    for place in np.flatnonzero(table["burn"] == ""):
        remedy = "Write the burn's id."
        faults.refuse(sheet.where(int(place), "burn"), "a blank", "the id of a burn", remedy)
    if burns is None:
        return
    known = list(burns["burn"])

    def note(where: str, word: str) -> None:
        remedy = nearest(word, known) or "Write an id that stands in burns.csv."
        faults.refuse(where, shown(word), "the id of a burn of burns.csv", remedy)

    note_unknown(sheet, "burn", list(table["burn"]), known, note)


def _event_words(table: pd.DataFrame, sheet: Sheet, faults: Faults) -> None:
    def note(where: str, word: str) -> None:
        remedy = f"{did_you_mean(word, EVENT_WORDS)} Anything else is 'other', with a note."
        faults.refuse(where, shown(word), f"one of: {', '.join(EVENT_WORDS)}", remedy)

    note_unknown(sheet, "event", list(table["event"]), EVENT_WORDS, note)
    for place in np.flatnonzero(table["event"] == ""):
        expected = f"one of: {', '.join(EVENT_WORDS)}"
        faults.refuse(sheet.where(int(place), "event"), "a blank", expected, "Write what happened.")


def _event_probes(table: pd.DataFrame, sheet: Sheet, trial: Trial | None, faults: Faults) -> None:
    known = [probe.id for probe in trial.probes] if trial else []
    if not known:
        return
    for place, cell in enumerate(table["probes"]):
        for word in probe_names(cell):
            if word not in known:
                expected = "ids of [[probe]] tables, parted by semicolons"
                faults.refuse(sheet.where(place, "probes"), shown(word), expected, did_you_mean(word, known))


def probe_names(cell: str) -> tuple[str, ...]:
    """Return the probes of an event's cell, parted by semicolons or commas; none means all."""
    return tuple(part.strip() for part in re.split("[;,]", cell) if part.strip())


def _event_times(table: pd.DataFrame, sheet: Sheet, burns: pd.DataFrame | None, faults: Faults) -> None:
    rows = {} if burns is None else {str(row["burn"]): row for row in burns.to_dict("records")}
    for place, event in enumerate(table.to_dict("records")):
        if not event["at"] and not sheet.cells("at")[place].strip():
            remedy = "Write when it began."
            faults.refuse(sheet.where(place, "at"), "a blank", "a time of day as 14:05", remedy)
            continue
        burn = relative_times(rows.get(str(event["burn"]), {}))
        fault = "" if burn.fault else event_times({str(k): v for k, v in event.items()}, burn).fault
        if fault:
            remedy = "Correct it, or write the date before it."
            faults.refuse(sheet.where(place), fault, "until after at", remedy)
