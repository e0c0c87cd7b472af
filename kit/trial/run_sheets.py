"""burns.csv, events.csv and scores.csv to tables, and the log files they name: every fault of every row."""

import re
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from kit.errors import Faults, did_you_mean, nearest
from kit.schema import BURNS, EVENTS, SCORES
from kit.trial.clocks import CLOCK_COLUMNS, event_times, relative_times
from kit.trial.decode import fault, shown, toml_text, visible
from kit.trial.models import Trial
from kit.trial.sheet import Sheet, SheetKind, places_of, read_sheet, sheet_path, table_of
from kit.trial.trial_file import repeats

NAME = "burns.csv"
KNOWN = frozenset(column.name for column in BURNS)
REQUIRED = ("burn", "fuel", "log")
GUESSED = ("burn", "fuel", "bag", "day", "setting", "charge_g", *CLOCK_COLUMNS)
"""Columns in which a '?' marks a guess."""
PLACES = {"", "burn", "day", "log", *CLOCK_COLUMNS}
"""Columns that say where in which log a burn lies, '' for a whole row."""
NUMBERS = {column.name for column in BURNS if column.kind == "number"}
EVENT_WORDS = ("lid open", "top-up", "vent moved", "rain", "probe moved", "other")
RANGES: tuple[tuple[str, tuple[str, ...], Callable[[pd.Series], pd.Series]], ...] = (
    ("negative", ("charge_g", "charge_l", "leftover_g", "ash_g", "wind_m_s"), lambda value: value < 0),
    ("zero", ("charge_g", "charge_l"), lambda value: value == 0),
    ("humidity", ("humidity_pct",), lambda value: (value < 0) | (value > 100)),
    ("air", ("ambient_c",), lambda value: value.abs() > 60),
)
"""What a number cannot be, and in which columns."""


def read_burn_sheet(
    folder: Path, trial: Trial | None, faults: Faults
) -> tuple[pd.DataFrame | None, list[int]]:
    """Return the burns of a folder, or None where the sheet is not there or cannot be told apart.

    Beside them stand the places of those rows of which no log can be read before a fault is mended.

    Columns: those of schema.BURNS, then further ones as they stand, then 'state': 'done', 'planned' (no log
    yet) or 'excluded' (a reason is given). Clock cells are hh:mm:ss or yyyy-mm-ddThh:mm:ss, days yyyy-mm-dd,
    numbers NaN and texts '' where blank. What the trial declares is not judged without one (its file is
    unreadable), nor what stands in tables of it that lost keys to faults.
    """
    path = sheet_path(folder, Path(NAME).stem, faults)
    if not path.is_file():
        kin = sorted(each.name for each in folder.iterdir() if each.stem.casefold() == "burns")
        save = f"Save '{kin[0]}' as CSV under the name {NAME}." if kin else ""
        remedy = save or "Write one, or let `start` make one."
        faults.refuse(NAME, *fault("no burn sheet", name=NAME, remedy=remedy))
        return None, []
    own = [] if trial is None else [name for name in trial.own_columns if name not in KNOWN]
    sheet = read_sheet(path, SheetKind(BURNS, REQUIRED, own), faults)
    if sheet is None:
        return None, []
    if not sheet.rows:
        faults.ask(NAME, *fault("no rows"))
    sheet = _without_guesses(sheet)
    table = table_of(sheet).rename(columns={"state": "state in the sheet"})
    table["state"] = np.select([table["excluded"] != "", table["log"] != ""], ["excluded", "done"], "planned")
    sheet.refuse_where(table["burn"], table["burn"] == "", "no burn")
    burns = table["burn"].tolist()
    for place, first in repeats(burns):
        sheet.refuse(place, "burn", "burn twice", burn=shown(burns[place]), row=sheet.rows[first])
    sheet.ask([place for place, fuel in enumerate(table["fuel"]) if not fuel], "fuel", "no fuel")
    for what, columns, amiss in RANGES:
        for column in columns:
            sheet.refuse_where(table[column], amiss(table[column]), what)
    for place, row in enumerate(table[["burn", "day", *CLOCK_COLUMNS]].to_dict("records")):
        times = relative_times(row)
        if times.fault:
            sheet.refuse(place, "", "times", fault=times.fault)
        elif times.rolled:
            column = times.rolled[0]
            faults.note(f"Burn {row['burn']}: {column} {row[column]} is taken to be of the next day.")
    table["log"] = _logs(table, sheet, folder, trial)
    if trial is not None:
        _judge_by(trial, table, sheet)
    for column, words in (("ash_g", "ash"), ("leftover_g", "fuel left over")):
        for burn in table.loc[table[column] > table["charge_g"], "burn"]:
            faults.note(f"Burn {burn}: {words} heavier than the charge; was the scale tared?")
    return table, sorted({place for place, column in sheet.faulty if column in PLACES})


def _without_guesses(sheet: Sheet) -> Sheet:
    """Return the sheet with its guesses ('alder?', '09:40?') taken at their word, and ask for all of them at once."""
    columns = dict(sheet.columns)
    guessed: dict[str, list[int]] = {}
    for name in filter(columns.__contains__, GUESSED):
        columns[name] = [cell.strip().strip("? ") for cell in sheet.columns[name]]
        marked = zip(sheet.rows, map(str.strip, sheet.columns[name]), columns[name], strict=True)
        # a lone '?' is a guess only where the column may stay blank; elsewhere it is a cell not filled in
        guessed[name] = [row for row, cell, bare in marked if cell != bare and (bare or name not in REQUIRED)]
    if rows := [row for own in guessed.values() for row in own]:
        within = f"row {rows[0]}" if len({*rows}) == 1 else f"rows {min(rows)} to {max(rows)}"
        named = ", ".join(f"{name} ({len(own)})" for name, own in guessed.items() if own)
        count = f"{len(rows)} guess{'es' * (len(rows) > 1)}"
        words = fault(
            "guesses of lit" if guessed.get("lit") else "guesses", count=count, rows=within, columns=named
        )
        sheet.faults.ask(f"{sheet.name}, cells marked '?'", *words)
    return replace(sheet, columns=columns)


def _logs(table: pd.DataFrame, sheet: Sheet, folder: Path, trial: Trial | None) -> list[str]:
    """Note what is wrong with the files that the rows name, and return the names as the disk spells them."""
    logs = Logs(folder)
    named = [log_names(cell) for cell in table["log"]]
    faults = {name: logs.fault_of(name) for name in {name for names in named for name in names}}
    first: dict[str, tuple[int, bool]] = {}
    for place, row in enumerate(table[["burn", "state", *CLOCK_COLUMNS]].to_dict("records")):
        names = named[place]
        # a column of the files, declared for their logger, parts them into burns as times do
        loggers = [trial.logger_of(name) for name in names] if trial is not None else []
        is_split = bool(loggers) and all(logger is not None and logger.split_by for logger in loggers)
        is_parted = has_times(row) or is_split
        for nth, name in enumerate(names):
            other, other_is_parted = first.setdefault(name, (place, is_parted))
            if amiss := faults[name]:
                sheet.refuse(place, "log", amiss[0], log=shown(name), hint=amiss[1])
            elif name in names[:nth]:
                sheet.refuse(place, "log", "log twice", log=shown(name))
            elif other != place and not is_parted and not other_is_parted:
                sheet.refuse(place, "log", "log of two", log=shown(name), other=sheet.where(other))
        if row["state"] == "planned" and has_times(row):
            sheet.faults.note(
                f"Burn {row['burn']} has times and no log: it counts as planned until its log is named."
            )
    unused = [name for composed, name in logs.on_disk.items() if composed not in faults]
    if unused:
        sheet.faults.note(f"In {LOGS}/ and named by no burn: {some_of(unused)}.")
    for name in filter(logs.leaves_the_folder, unused):
        sheet.faults.refuse(f"{LOGS}/{visible(name)}", *fault("unused link"))
    return ["; ".join(logs.on_disk.get(name, name) for name in names) for names in named]


def _judge_by(trial: Trial, table: pd.DataFrame, sheet: Sheet) -> None:
    """Note what does not agree with the tables of the trial file, those aside that lost keys to faults."""
    lost = sheet.faults.lost
    for column, written, known in (
        ("fuel", "fuel", [fuel.id for fuel in trial.fuels]),
        ("setting", "setting", [setting.id for setting in trial.settings]),
        ("cooker", "trial", trial.cookers),
    ):
        if written in lost or (column == "cooker" and not known):
            continue
        if known:
            sheet.refuse_unknown(table[column], known, f"unknown {column}")
        else:
            for word, places in places_of(table[column]).items():
                sheet.ask(places, column, f"undeclared {column}", word=shown(word), written=toml_text(word))
        if len(known) > 1 and column != "fuel":  # a blank fuel is asked about in any case
            blank = [place for place, cell in enumerate(table[column]) if not cell]
            sheet.ask(blank, column, "which", known=", ".join(known), column=column)
    if not lost & {"metrics", "model"}:
        for place, column in enumerate(trial.own_columns):
            if column not in sheet.columns and column not in NUMBERS:
                key = "[metrics] declared" if place < len(trial.declared) else "[model] covariates"
                hint = did_you_mean(column, sheet.columns)
                words = fault("no own column", column=shown(column), sheet=NAME, hint=hint)
                sheet.faults.refuse(f"trial.toml, {key}", *words)
    for fuel in {bag.fuel: None for bag in trial.bags if "bag" not in lost}:
        of_fuel = [bag.id for bag in trial.bags if bag.fuel == fuel]
        sheet.refuse_unknown(table.loc[table["fuel"] == fuel, "bag"], of_fuel, "no bag", fuel=fuel)
    for declared in trial.declared:
        if declared.scale == "count" and declared.column in table:
            counts = table[declared.column]
            sheet.refuse_where(counts, (counts < 0) | (counts % 1 > 0), "count")


def read_events(
    folder: Path, burns: pd.DataFrame | None, trial: Trial | None, faults: Faults
) -> pd.DataFrame:
    """Return the events of a folder, columns of schema.EVENTS and further ones; empty without a sheet."""
    kind = SheetKind(EVENTS, ("burn", "at", "event"))
    table, sheet = _side_table(sheet_path(folder, "events", faults), kind, burns, faults)
    if sheet is None:
        return table
    known_words = {word.replace("-", " "): word for word in EVENT_WORDS}
    plain = [" ".join(re.sub("[-_ ]+", " ", word.casefold()).split()) for word in table["event"]]
    table["event"] = [known_words.get(bare, word) for bare, word in zip(plain, table["event"], strict=True)]
    sheet.refuse_unknown(table["event"], EVENT_WORDS, "unknown event")
    sheet.refuse_where(table["event"], table["event"] == "", "no event", known=", ".join(EVENT_WORDS))
    if known := [probe.id for probe in trial.probes] if trial else []:
        sheet.refuse_unknown(table["probes"].map(probe_names).explode(), known, "unknown probe")
    rows = {} if burns is None else {str(row["burn"]): row for row in burns.to_dict("records")}
    for place, event in enumerate(table.to_dict("records")):
        if not event["at"] and not sheet.cells("at")[place].strip():
            sheet.refuse(place, "at", "no begin")
            continue
        burn = relative_times(rows.get(event["burn"], {}))
        if not burn.fault and (amiss := event_times(event, burn).fault):
            sheet.refuse(place, "", "event times", fault=amiss)
    return table


def read_scores(folder: Path, burns: pd.DataFrame | None, faults: Faults) -> pd.DataFrame:
    """Return the scores of a folder, columns of schema.SCORES and further ones; empty without a sheet."""
    kind = SheetKind(SCORES, ("burn", "attribute", "score"))
    table, sheet = _side_table(sheet_path(folder, "scores", faults), kind, burns, faults)
    if sheet is not None:
        sheet.refuse_where(table["attribute"], table["attribute"] == "", "no attribute")
    return table


def probe_names(cell: str) -> tuple[str, ...]:
    """Return the probes of an event's cell, parted by semicolons or commas; none means all."""
    return tuple(part.strip() for part in re.split("[;,]", cell) if part.strip())


def _side_table(
    path: Path, kind: SheetKind, burns: pd.DataFrame | None, faults: Faults
) -> tuple[pd.DataFrame, Sheet | None]:
    """Return a sheet that may be missing as a table, its burns checked; without rows where it is, or is unreadable."""
    sheet = read_sheet(path, kind, faults) if path.is_file() else None
    if sheet is None:
        kinds = {column.name: "float64" if column.kind == "number" else "str" for column in kind.columns}
        return pd.DataFrame({name: pd.Series(dtype=dtype) for name, dtype in kinds.items()}), None
    table = table_of(sheet)
    sheet.refuse_where(table["burn"], table["burn"] == "", "no such burn")
    if burns is not None:
        sheet.refuse_unknown(table["burn"], list(burns["burn"]), "unknown burn", _burn_meant)
    return table, sheet


def _burn_meant(burn: str, known: Sequence[str]) -> str:
    return nearest_of_few(burn, known) or "Write an id that stands in burns.csv."


LOGS = "logs"
LOOKED_THROUGH = 300
"""Names among which a near one is looked for; in thousands of rows it would take minutes."""
_NO_EXPORT = re.compile(r"(^|/)\.|(^|/)(Thumbs\.db|desktop\.ini)$")


def log_names(cell: str) -> tuple[str, ...]:
    """Return the files of a log cell: parted by semicolons, a leading 'logs/' taken off."""
    parts = (part.strip().replace("\\", "/") for part in cell.split(";"))
    return tuple(part.removeprefix(f"{LOGS}/") for part in parts if part)


def has_times(row: Mapping[str, object]) -> bool:
    """Return whether a row gives any clock time."""
    return any(row.get(column) for column in CLOCK_COLUMNS)


def stays_inside(folder: Path, path: Path) -> bool:
    """Return whether a path, its links followed, is below a folder."""
    return path.resolve().is_relative_to(folder.resolve())


class Logs:
    """The files below logs/ of a run folder, as a burn sheet names them; hidden ones are left out.

    Attributes
    ----------
    on_disk
        The names as the disk spells them, by their composed form: accents may be composed in two ways.
    """

    def __init__(self, folder: Path) -> None:
        self._folder, self._root = folder, folder / LOGS
        paths = (path.relative_to(self._root).as_posix() for path in self._root.rglob("*") if path.is_file())
        self._there = sorted(name for name in paths if not _NO_EXPORT.search(name))
        self.on_disk = {unicodedata.normalize("NFC", name): name for name in self._there}

    def leaves_the_folder(self, name: str) -> bool:
        """Return whether a file is a link out of the run folder: a report publishes everything in logs/."""
        return not stays_inside(self._folder, self._root / self.on_disk.get(name, name))

    def fault_of(self, name: str) -> tuple[str, str] | None:
        """Return what is wrong with a file, as messages.toml has it, and what may be meant; None if it may be read."""
        path = self._root / self.on_disk.get(name, name)
        if name.startswith("/") or re.match("[A-Za-z]:", name) or ".." in name.split("/"):
            return "log elsewhere", ""
        with suppress(OSError, ValueError):  # a name that no disk can hold
            if path.is_file():
                return ("log a link", "") if self.leaves_the_folder(name) else None
            if path.is_dir():
                return "log a folder", ""
        if not self._there:
            return "no log", f"Copy the logger's export into {LOGS}/; it holds no files."
        if spelt := {there.casefold(): there for there in self._there}.get(name.casefold()):
            return "no log", f"Write it as the file is: {shown(spelt)} (capitals count)."
        if whole := {there.rpartition(".")[0]: there for there in self._there}.get(name):
            return "no log", f"Write it with its ending: {shown(whole)}."
        return "no log", nearest_of_few(name, self._there) or f"{LOGS}/ holds {some_of(self._there)}."


def some_of(names: Sequence[str]) -> str:
    """Return the first six names in a row, and how many more there are."""
    return visible(", ".join(names[:6])) + f" and {len(names) - 6} more" * (len(names) > 6)


def nearest_of_few(word: str, known: Sequence[str]) -> str:
    """Return 'Did you mean …?', or '' where nothing is near or there is too much to look through."""
    return visible(nearest(word, known)) if len(known) <= LOOKED_THROUGH else ""
