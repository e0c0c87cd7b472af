"""Whole simulated trials: a run folder as a tester would leave it, and said to be simulated throughout."""

from __future__ import annotations

import csv
import io
import shutil
import tempfile
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from kit.errors import KitError, Problem
from kit.plan.burning import Burnt, Charges, Conditions, Floats, burn
from kit.plan.handling import (
    STEP_S,
    Weather,
    blown,
    charge_g,
    cooker_of,
    handling,
    lighting_times,
    open_lids,
    stop_times,
    weather_of,
)
from kit.plan.loggers import NOTE, Fault, Recording, comma_text, plain_text, record
from kit.plan.recipes import KINDS, LUMP, Recipe, charges_of
from kit.schema import BURNS

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
    with tempfile.TemporaryDirectory(dir=folder.parent, prefix=".simulating-") as held:
        work = Path(held) / "run"
        _write(work, trial, made, set(comma_days))
        if tasters:
            _save(work / "scores.csv", _scores(made, tasters, seed))
        shutil.copytree(work, folder)
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
        kind = KINDS.get(entry.get("kind", "lump"), LUMP)
        made[fuel] = given.get(fuel, replace(kind, flux=kind.flux * (0.94 + 0.04 * (place % 4))))
    return made


@dataclass(frozen=True)
class _Made:
    """Everything a folder is written from."""

    rows: list[dict[str, str]]
    events: list[dict[str, str]]
    recordings: list[Recording]
    charges: Charges


def _simulate(
    trial: str, planned: pd.DataFrame, seed: int, recipes: Mapping[str, Recipe], faults: Sequence[Fault],
    interval_s: float,
) -> _Made:  # fmt: skip
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
    return _tell(planned, burnt, charges, of_burn, weather, opened, faults, interval_s, seed, rng)


def _tell(
    planned: pd.DataFrame, burnt: Burnt, charges: Charges, recipes: Sequence[Recipe], weather: Weather,
    around: Conditions, faults: Sequence[Fault], interval_s: float, seed: int, rng: np.random.Generator,
) -> _Made:  # fmt: skip
    stops = stop_times(burnt, weather.ambient_c)
    lit = lighting_times(planned["day"].tolist(), stops)
    made = _Made([], [], [], charges)
    for row, plan in enumerate(planned.to_dict("records")):
        mine = [fault for fault in faults if fault.burn == plan["burn"]]
        true = np.column_stack([burnt.grate_c[row], burnt.lid_c[row]])
        made.recordings.append(
            record(
                plan["burn"], lit[row], burnt.time_s, true, stops[row] + 240, burnt.lid_on_s[row],
                seed * 1000 + row, mine, interval_s,
            )
        )  # fmt: skip
        clocks = _clocks(lit[row], burnt, stops, row)
        weighed = _weighed(burnt, charges, recipes, row, stops[row], rng)
        sky = {
            "ambient_c": f"{weather.ambient_c[row]:.1f}",
            "wind_m_s": f"{weather.wind_m_s[row]:.1f}",
            "humidity_pct": f"{weather.humidity_pct[row]:.0f}",
        }
        said = {key: str(plan[key]) for key in plan if pd.notna(plan[key])}
        notes = "; ".join(["simulated", *(_said(fault) for fault in mine if _said(fault))])
        made.rows.append({**said, **weighed, **clocks, **sky, "operator": "simulator", "notes": notes})
        made.events.extend(_event(plan["burn"], lit[row], around, row, fault) for fault in mine
                           if fault.kind == "lid open")  # fmt: skip
    return made


def _clocks(lit: datetime, burnt: Burnt, stops: Floats, row: int) -> dict[str, str]:
    seconds = {"tipped": burnt.tipped_s[row], "lid_on": burnt.lid_on_s[row], "stopped": stops[row]}
    clocks = {
        name: (lit + timedelta(seconds=float(second))).strftime("%H:%M:%S")
        for name, second in seconds.items()
        if not np.isnan(second)
    }
    return {"lit": lit.strftime("%H:%M:%S"), **clocks}


def _weighed(
    burnt: Burnt, charges: Charges, recipes: Sequence[Recipe], row: int, stop_s: float,
    rng: np.random.Generator,
) -> dict[str, str]:  # fmt: skip
    """Weigh what a careful tester weighs, cold: charge, its volume, coals left over, ash in the pan."""
    mass = float(charges.mass_g[row].sum())
    loose = charges.density[row] * recipes[row].bulk * np.exp(0.02 * rng.standard_normal())
    left = float(burnt.left_g[row, int(np.searchsorted(burnt.time_s, stop_s))])
    dry = 1 - float(charges.ash[row])
    coals = left / dry
    ash = float(burnt.ash_g[row]) * (1 - left / float(burnt.left_g[row, 0])) * rng.uniform(0.93, 0.99)
    return {
        "charge_g": f"{mass:.0f}",
        "charge_l": f"{mass / loose:.2f}",
        "leftover_g": f"{coals:.0f}",
        "ash_g": f"{ash:.1f}",
    }


def _said(fault: Fault) -> str:
    return {
        "battery": "logger dark when I looked: battery",
        "wind": "gusty, much windier than the rest of the day",
        "stuck": "lid display did not move for a while",
        "lid open": "lid lifted to look at the probe",
    }.get(fault.kind, "")


def _event(burn_id: str, lit: datetime, around: Conditions, row: int, fault: Fault) -> dict[str, str]:
    at, until = (
        (lit + timedelta(seconds=float(when[row]))).strftime("%H:%M:%S")
        for when in (around.open_from_s, around.open_until_s)
    )
    return {
        "burn": burn_id,
        "at": at,
        "until": until,
        "event": "lid open",
        "probes": "",
        "notes": "simulated",
    }


def _scores(made: _Made, tasters: Sequence[str], seed: int) -> list[dict[str, str]]:
    """Score smoke and smell from 0 to 10: both grow with volatile matter and moisture, tasters differ."""
    rng = np.random.default_rng([seed, 61])
    habit = rng.normal(0, 0.6, (len(tasters), 2))
    rows = []
    for number, row in enumerate(made.rows):
        strength = 25 * made.charges.volatile[number] + 20 * (made.charges.moisture[number] - 0.03)
        for taster, order in zip(range(len(tasters)), rng.permutation(len(tasters)), strict=True):
            for which, attribute in enumerate(("smoke", "smell")):
                raw = strength * (1.0, 0.7)[which] + habit[taster, which] + rng.normal(0, 0.7)
                rows.append(
                    {
                        "burn": row["burn"], "taster": tasters[taster],
                        "code": f"S{int(row['burn']) * 7 % 97:02d}",
                        "attribute": attribute, "score": f"{min(max(raw, 0.0), 10.0):.0f}",
                        "order": str(order + 1), "note": "simulated",
                    }
                )  # fmt: skip
    return rows


def _write(work: Path, trial: str, made: _Made, comma_days: set[str]) -> None:
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
