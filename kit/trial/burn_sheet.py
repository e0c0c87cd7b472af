"""burns.csv to the table of burns: every fault of every row, and whether it is done, planned or excluded."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence, Set
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from kit.errors import Faults, did_you_mean
from kit.schema import BURNS
from kit.trial.clocks import CLOCK_COLUMNS, relative_times
from kit.trial.decode import shown, toml_text
from kit.trial.logs import Logs, has_times, log_names, some_of
from kit.trial.sheet import (
    Sheet,
    also_rows,
    note_outside,
    note_unknown,
    read_sheet,
    sheet_path,
    table_of,
)
from kit.trial.trial import Trial

NAME = "burns.csv"
REQUIRED = ("burn", "fuel", "log")
NUMBERS = {column.name: column.unit for column in BURNS if column.kind == "number"}
MASSES = ("charge_g", "charge_l", "leftover_g", "ash_g", "wind_m_s")


def read_burn_sheet(
    folder: Path, trial: Trial | None, faults: Faults, notes: list[str], lost: Set[str] = frozenset()
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
        _note_absent(folder, faults)
        return None, []
    own = _own_columns(trial)
    sheet = read_sheet(path, BURNS, REQUIRED, own, faults, notes)
    if sheet is None:
        return None, []
    if not sheet.rows:
        expected = "a row a burn, with at least burn and fuel"
        remedy = "Write a row for each burn; for burns to come fill in trial.toml, and `repeatburn plan` writes them."
        faults.ask(NAME, "headings and no burns", expected, remedy)
    sheet = _without_guesses(sheet, faults)
    table = _table(sheet, own, faults, notes)
    _judge(table, sheet, folder, trial, faults, notes)
    if trial is not None:
        _judge_by(trial, lost, table, sheet, faults, notes)
    return table, _without_place(sheet, faults)


def _without_place(sheet: Sheet, faults: Faults) -> list[int]:
    """Return the places of rows with a fault in what says where in which log a burn lies."""
    column = rf"(, column ({'|'.join(('burn', 'day', 'log', *CLOCK_COLUMNS))}))?"
    named = (
        re.fullmatch(rf"{re.escape(sheet.name)}, row ([0-9]+){column}", problem.where) for problem in faults
    )
    rows = {int(match[1]) for match in named if match}
    return [place for place, row in enumerate(sheet.rows) if row in rows]


def _note_absent(folder: Path, faults: Faults) -> None:
    kin = sorted(p.name for p in folder.iterdir() if p.stem.casefold() == "burns") if folder.is_dir() else []
    remedy = (
        f"Save '{kin[0]}' as CSV under the name {NAME}." if kin else "Write one, or let `start` make one."
    )
    faults.refuse(NAME, "no burn sheet", f"{NAME} with a row a burn: burn, fuel, log", remedy)


def _own_columns(trial: Trial | None) -> list[str]:
    if trial is None:
        return []
    named = [each.column for each in trial.declared] + list(trial.model.covariates)
    return [name for name in dict.fromkeys(named) if name not in {column.name for column in BURNS}]


def _table(sheet: Sheet, own: Sequence[str], faults: Faults, notes: list[str]) -> pd.DataFrame:
    table = table_of(sheet, BURNS, own, faults, notes).rename(columns={"state": "state in the sheet"})
    return table.assign(state=_states(table))


def _states(table: pd.DataFrame) -> list[str]:
    pairs = zip(table["excluded"], table["log"], strict=True)
    return ["excluded" if reason else "done" if log else "planned" for reason, log in pairs]


def _judge(
    table: pd.DataFrame, sheet: Sheet, folder: Path, trial: Trial | None, faults: Faults, notes: list[str]
) -> None:
    _burn_ids(table, sheet, faults)
    _fuels_are_told(table, sheet, faults)
    _ranges(table, sheet, faults)
    _times(table, sheet, faults, notes)
    _logs(table, sheet, folder, trial, faults, notes)


def _judge_by(
    trial: Trial, lost: Set[str], table: pd.DataFrame, sheet: Sheet, faults: Faults, notes: list[str]
) -> None:
    checks = {
        "fuel": _fuels,
        "setting": _settings,
        "trial": _cookers,
        "metrics": _own_are_there,
        "model": _own_are_there,
        "bag": _bags,
    }
    left_out = [checks[name] for name in lost if name in checks]
    for check in dict.fromkeys(checks.values()):
        if check not in left_out:
            check(table, sheet, trial, faults)
    _counts_are_whole(table, sheet, trial, faults)
    _charges(table, trial, notes)


def _burn_ids(table: pd.DataFrame, sheet: Sheet, faults: Faults) -> None:
    first: dict[str, int] = {}
    for place, burn in enumerate(table["burn"]):
        where = sheet.where(place, "burn")
        if not burn:
            faults.refuse(where, "a blank", "an id of the burn", "Give the burn an id, or delete the row.")
        elif burn in first:
            expected = f"an id once; row {sheet.rows[first[burn]]} has it already"
            faults.refuse(where, f"{shown(burn)} a second time", expected, "Rename one of the two.")
        else:
            first[burn] = place


def _without_guesses(sheet: Sheet, faults: Faults) -> Sheet:
    """Return the sheet with its guesses ('alder?', '09:40?') taken at their word, and ask for all of them at once."""
    columns = dict(sheet.columns)
    counts: dict[str, int] = {}
    rows: set[int] = set()
    for name in (*REQUIRED[:2], "bag", "day", "setting", *CLOCK_COLUMNS):
        cells = [cell.strip() for cell in sheet.cells(name)]
        marked = [place for place, cell in enumerate(cells) if _is_guess(cell, name)]
        if marked:
            columns[name] = [cell.strip("? ") if _is_guess(cell, name) else cell for cell in cells]
            counts[name] = len(marked)
            rows |= {sheet.rows[place] for place in marked}
    if counts:
        within = f"row {min(rows)}" if len(rows) == 1 else f"rows {min(rows)} to {max(rows)}"
        count = sum(counts.values())
        found = f"{count} guess{'es' * (count > 1)} marked '?' in {within}: "
        found += ", ".join(f"{name} ({count})" for name, count in counts.items())
        remedy = "Look at each and correct it; then replace every ? in the sheet by nothing."
        faults.ask(f"{sheet.name}, cells marked '?'", found, "what was burned, and when", remedy)
    return replace(sheet, columns=columns)


def _is_guess(cell: str, column: str) -> bool:
    """Return whether a cell is marked; a lone '?' is, too, where the column may stay blank."""
    return "?" in (cell[:1], cell[-1:]) and (column not in REQUIRED or bool(cell.strip("? ")))


def _fuels_are_told(table: pd.DataFrame, sheet: Sheet, faults: Faults) -> None:
    blank = [place for place, fuel in enumerate(table["fuel"]) if not fuel.strip("? ")]
    if blank:
        where = sheet.where(blank[0], "fuel") + also_rows(sheet, blank[1:])
        faults.ask(where, "a fuel not filled in", "the id of a fuel", "Write which fuel was burned.")


def _fuels(table: pd.DataFrame, sheet: Sheet, trial: Trial, faults: Faults) -> None:
    known = [fuel.id for fuel in trial.fuels]
    told = [fuel if fuel.strip("? ") else "" for fuel in table["fuel"]]
    note_unknown(sheet, "fuel", told, known, _fuel_noter(known, faults))


def _fuel_noter(known: Sequence[str], faults: Faults) -> Callable[[str, str], None]:
    def note(where: str, word: str) -> None:
        if known:
            remedy = f"{did_you_mean(word, known)} A new one is declared: [[fuel]] id = {toml_text(word)}."
            faults.refuse(where, shown(word), "the id of a [[fuel]] of trial.toml", remedy)
        else:
            remedy = f"Add to trial.toml two lines: [[fuel]] and, below it, id = {toml_text(word)}."
            faults.ask(
                where, f"{shown(word)}; trial.toml declares no fuels", "a fuel that is declared", remedy
            )

    return note


def _ranges(table: pd.DataFrame, sheet: Sheet, faults: Faults) -> None:
    for column in MASSES:
        words = ("a number that is not negative", "Correct it, or leave it blank where nothing was measured.")
        note_outside(sheet, column, table[column].to_numpy(), (0.0, np.inf), words, faults)
    for column in ("charge_g", "charge_l"):
        for place in np.flatnonzero(table[column] == 0):
            remedy = "Correct it, or leave it blank where it was not weighed."
            faults.refuse(sheet.where(int(place), column), "0", "a number above zero", remedy)
    words = ("0 to 100 %", "Correct it, or leave it blank.")
    note_outside(sheet, "humidity_pct", table["humidity_pct"].to_numpy(), (0.0, 100.0), words, faults)
    words = ("air from -60 to 60 °C", "Is it in °F? Convert it: (°F - 32) / 1.8.")
    note_outside(sheet, "ambient_c", table["ambient_c"].to_numpy(), (-60.0, 60.0), words, faults)


def _times(table: pd.DataFrame, sheet: Sheet, faults: Faults, notes: list[str]) -> None:
    for place, row in enumerate(table[["day", *CLOCK_COLUMNS]].to_dict("records")):
        times = relative_times(row)
        if times.fault:
            expected = "lit, tipped, lid_on and stopped one after the other"
            remedy = "Correct the time, or write the date before it, as 2026-05-15 00:20."
            faults.refuse(sheet.where(place), times.fault, expected, remedy)
        elif times.rolled:
            burn, column = table["burn"][place], times.rolled[0]
            notes.append(f"Burn {burn}: {column} {row[column]} is taken to be of the next day.")


def _is_split(names: tuple[str, ...], trial: Trial | None) -> bool:
    """Return whether a column of the files, declared for their logger, parts them into burns."""
    loggers = [trial.logger_of(name) for name in names] if trial is not None else []
    return bool(loggers) and all(logger is not None and logger.split_by for logger in loggers)


def _logs(
    table: pd.DataFrame, sheet: Sheet, folder: Path, trial: Trial | None, faults: Faults, notes: list[str]
) -> None:
    logs = Logs(folder)
    named: set[str] = set()
    cells: list[str] = []
    for place, row in enumerate(table[["burn", "log", "state", *CLOCK_COLUMNS]].to_dict("records")):
        names = log_names(str(row["log"]))
        named.update(names)
        logs.judge(names, sheet.where(place, "log"), has_times(row) or _is_split(names, trial), faults)
        cells.append(logs.on_disk(names))
        if row["state"] == "planned" and has_times(row):
            notes.append(
                f"Burn {row['burn']} has times and no log: it counts as planned until its log is named."
            )
    table["log"] = cells
    unused = logs.unused(named)
    if unused:
        notes.append(f"In logs/ and named by no burn: {some_of(unused)}.")
    logs.judge_unused(unused, faults)


def _settings(table: pd.DataFrame, sheet: Sheet, trial: Trial, faults: Faults) -> None:
    known = [setting.id for setting in trial.settings]

    def note(where: str, word: str) -> None:
        declare = f"Declare it: [[setting]] and, below, id = {toml_text(word)}."
        remedy = did_you_mean(word, known) if known else declare
        faults.refuse(where, shown(word), "the id of a [[setting]] of trial.toml", remedy)

    note_unknown(sheet, "setting", list(table["setting"]), known, note)
    _note_blanks(table, sheet, "setting", known, faults)


def _cookers(table: pd.DataFrame, sheet: Sheet, trial: Trial, faults: Faults) -> None:
    if not trial.cookers:
        return

    def note(where: str, word: str) -> None:
        remedy = f"{did_you_mean(word, trial.cookers)} Several cookers are declared as cooker = ['A', 'B']."
        faults.refuse(where, shown(word), "a cooker of trial.toml, [trial] cooker", remedy)

    note_unknown(sheet, "cooker", list(table["cooker"]), trial.cookers, note)
    _note_blanks(table, sheet, "cooker", trial.cookers, faults)


def _note_blanks(
    table: pd.DataFrame, sheet: Sheet, column: str, known: Sequence[str], faults: Faults
) -> None:
    """Ask for a blank cell where several things are declared and the row does not say which it was."""
    blank = [place for place, cell in enumerate(table[column]) if not cell] if len(known) > 1 else []
    if blank:
        where = sheet.where(blank[0], column) + also_rows(sheet, blank[1:])
        faults.ask(where, "a blank", f"one of: {', '.join(known)}", f"Write which {column} it was.")


def _own_are_there(table: pd.DataFrame, sheet: Sheet, trial: Trial, faults: Faults) -> None:
    for place, column in enumerate([each.column for each in trial.declared] + list(trial.model.covariates)):
        if column not in sheet.columns and column not in NUMBERS:
            key = "[metrics] declared" if place < len(trial.declared) else "[model] covariates"
            remedy = did_you_mean(column, sheet.columns)
            faults.refuse(f"trial.toml, {key}", shown(column), f"a column of {NAME}", remedy)


def _counts_are_whole(table: pd.DataFrame, sheet: Sheet, trial: Trial, faults: Faults) -> None:
    for column in [each.column for each in trial.declared if each.scale == "count" and each.column in table]:
        for place in np.flatnonzero((table[column] < 0) | (table[column] % 1 > 0)):
            remedy = 'Correct it, or declare the column with scale = "plain" or "log".'
            where, found = sheet.where(int(place), column), f"{table[column][place]:g}"
            faults.refuse(where, found, "a count: a whole number, 0 or more", remedy)


def _bags(table: pd.DataFrame, sheet: Sheet, trial: Trial, faults: Faults) -> None:
    declared = {(bag.fuel, bag.id) for bag in trial.bags}
    for place, (fuel, bag) in enumerate(zip(table["fuel"], table["bag"], strict=True)):
        of_fuel = [label for owner, label in declared if owner == fuel]
        if bag and of_fuel and bag not in of_fuel:
            where = sheet.where(place, "bag")
            faults.refuse(where, shown(bag), f"a [[bag]] of {fuel}", did_you_mean(bag, of_fuel))


def _charges(table: pd.DataFrame, trial: Trial, notes: list[str]) -> None:
    grams, tolerance = trial.charge.grams, trial.charge.tolerance_g
    if grams is not None and tolerance is not None:
        off = table[(table["charge_g"] - grams).abs() > tolerance + 1e-9]
        for burn, charge in zip(off["burn"], off["charge_g"], strict=True):
            notes.append(f"Burn {burn}: charge {charge:g} g, planned {grams:g} ± {tolerance:g} g.")
    for column, words in (("ash_g", "ash"), ("leftover_g", "fuel left over")):
        heavy = table[table[column] > table["charge_g"]]
        notes += [
            f"Burn {burn}: {words} heavier than the charge; was the scale tared?" for burn in heavy["burn"]
        ]
