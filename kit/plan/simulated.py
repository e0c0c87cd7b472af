"""Whole simulated trials: a run folder as a tester would leave it, and said to be simulated throughout."""

from __future__ import annotations

import csv
import io
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from kit.errors import KitError, Problem
from kit.plan.burning import burn
from kit.plan.handling import (
    STEP_S,
    blown,
    charge_g,
    cooker_of,
    handling,
    open_lids,
    weather_of,
)
from kit.plan.kept import Afternoon, Made, scores, tell
from kit.plan.loggers import NOTE, PROBES, Fault, Recording, comma_text, plain_text
from kit.plan.recipes import Recipe, charges_of, kind_named
from kit.plan.timetable import ASSUMED_COOL_H
from kit.readings.calibration import Correction, correction_of
from kit.runtime.locked_tmp import locked_folder
from kit.schema import BURNS
from kit.trial import Probe

SHEET_COLUMNS = tuple(column.name for column in BURNS)
HOURS = 5.0


def simulate_trial(
    folder: str | Path,
    trial: str,
    planned: pd.DataFrame,
    seed: int = 1,
    recipes: Mapping[str, Recipe] | None = None,
    faults: Sequence[Fault] = (),
    comma_days: Sequence[str] = (),
    interval_s: float = 20.0,
    tasters: Sequence[str] = (),
) -> Path:
    """Write a whole run folder of simulated burns; nothing at all where it can not be whole.

    Parameters
    ----------
    folder
        To be made; must not exist yet.
    trial
        Text of trial.toml, written as it is.
    planned
        burn, fuel, bag, day, order, and where they are known charge_g, setting, cooker.
    seed
        Of bags, charges, weather, handling and readings.
    recipes
        By fuel id; a fuel without one is made of its kind.
    faults
        What goes wrong.
    comma_days
        Days logged by another logger, in one file a day with semicolons and decimal commas.
    interval_s
        Of the readings.
    tasters
        Who scores smoke and smell; nobody, and there is no scores.csv.

    Raises
    ------
    KitError
        Where the folder exists, or a burn's fuel is not in the trial file.
    """
    folder = Path(folder)
    fuels = {entry["id"]: entry for entry in tomllib.loads(trial).get("fuel", [])}
    _check(folder, planned, fuels)
    made = _simulate(trial, planned, seed, _recipes(fuels, recipes or {}), faults, interval_s)
    folder.parent.mkdir(parents=True, exist_ok=True)
    with locked_folder(folder.parent, ".simulating-") as work:
        _write(work, trial, made, set(comma_days))
        if tasters:
            _save(work / "scores.csv", scores(made, tasters, seed))
        work.rename(folder)
    return folder


def _check(folder: Path, planned: pd.DataFrame, fuels: Mapping[str, Any]) -> None:
    problems = []
    if folder.exists():
        problems.append(
            Problem("refuse", str(folder), "a folder already there", "a new one", "Name another folder.")
        )
    problems += [
        Problem("refuse", "order of burns", f"fuel '{fuel}'", "a fuel of trial.toml", "Mend one of the two.")
        for fuel in sorted(set(planned["fuel"]) - set(fuels))
    ]
    if problems:
        raise KitError(problems)


def _recipes(fuels: Mapping[str, Any], given: Mapping[str, Recipe]) -> dict[str, Recipe]:
    """Return a recipe for each fuel: the one given, else its kind's, a little moved by its place."""
    made = {}
    for place, (fuel, entry) in enumerate(fuels.items()):
        kind = kind_named(str(entry.get("kind", "")))
        made[fuel] = given.get(fuel, replace(kind, flux=kind.flux * (0.94 + 0.04 * (place % 4))))
    return made


def _simulate(
    trial: str, planned: pd.DataFrame, seed: int, recipes: Mapping[str, Recipe], faults: Sequence[Fault],
    interval_s: float,
) -> Made:  # fmt: skip
    table = tomllib.loads(trial)
    rng = np.random.default_rng([seed, 51])
    weather = blown(weather_of(planned["day"].tolist(), seed), planned, faults)
    of_burn = [recipes[fuel] for fuel in planned["fuel"]]
    names = (planned["fuel"] + "/" + planned["bag"].astype(str)).tolist()
    numbers = {name: n for n, name in enumerate(dict.fromkeys(sorted(names)))}
    charge = charge_g(planned, table, of_burn, rng)
    charges = charges_of(of_burn, [numbers[name] for name in names], charge, weather.humidity_pct, seed)
    around = handling(planned, table, weather, rng)
    cooker = cooker_of(table)
    burnt = burn(charges, around, cooker, HOURS, STEP_S, seed)
    opened = open_lids(around, burnt, planned, faults)
    if opened is not around:
        burnt = burn(charges, opened, cooker, HOURS, STEP_S, seed)
    cool_h = float(table.get("plan", {}).get("cool_h", ASSUMED_COOL_H))
    done = Afternoon(planned, burnt, charges, of_burn, weather, opened, cool_h)
    return tell(done, faults, _probes(table), interval_s, seed, rng)


def _probes(table: Mapping[str, Any]) -> dict[str, Correction]:
    """Return the correction of each probe by its id, the main one first; grate and lid where none is declared."""
    declared = [Probe.model_validate(entry) for entry in table.get("probe", [])]
    probes = {probe.id: correction_of(probe) for probe in declared} or dict.fromkeys(PROBES, Correction())
    main = table.get("trial", {}).get("probe")
    return dict(sorted(probes.items(), key=lambda item: item[0] != main))


def _write(work: Path, trial: str, made: Made, comma_days: set[str]) -> None:
    (work / "logs").mkdir(parents=True)
    (work / "trial.toml").write_text(trial, encoding="utf-8", newline="\n")
    (work / "SIMULATED.txt").write_text(NOTE + ".\n", encoding="utf-8", newline="\n")
    of_day: dict[str, list[Recording]] = {}
    for row, recording in zip(made.rows, made.recordings, strict=True):
        if row["day"] in comma_days:
            of_day.setdefault(row["day"], []).append(recording)
            row["log"] = f"spare-{row['day']}.csv"
        else:
            row["log"] = f"burn-{row['burn']}.csv"
            (work / "logs" / row["log"]).write_text(plain_text([recording]), encoding="utf-8", newline="\n")
    for day, recordings in of_day.items():
        text = comma_text(recordings)
        (work / "logs" / f"spare-{day}.csv").write_bytes(text.encode("cp1252"))
    _save(work / "burns.csv", made.rows, SHEET_COLUMNS)
    if made.events:
        _save(work / "events.csv", made.events)


def _save(path: Path, rows: Sequence[Mapping[str, str]], columns: Sequence[str] = ()) -> None:
    """Write a table; columns come first in the order given, then any others as they appear."""
    names = list(dict.fromkeys([*columns, *(name for row in rows for name in row)]))
    text = io.StringIO()
    writer = csv.DictWriter(text, names, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    path.write_text(text.getvalue(), encoding="utf-8", newline="\n")
