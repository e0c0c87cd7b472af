"""Earlier run folders that a trial borrows from: which were measured alike, and what their results hold."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from pydantic_core import to_jsonable_python

from kit.data_file import data_file
from kit.errors import Faults, refusals
from kit.metrics.measuring import WINDOWS
from kit.results_file import (
    conditions,
    copied_from,
    differences,
    logs_of,
    newest_results,
    reports_of,
    sha256_of,
)
from kit.trial import Trial
from kit.trial.models import ALL_ALIKE
from kit.trial.run import lender_folders
from kit.trial.run_sheets import LOGS

WORDS = data_file(__file__, "lenders.toml")
SAME = ("time_zero", "cookers", "measuring", "charge", "probe", "probes")
"""What of a trial must be known, to see whether it was measured alike."""
TABLES = ("metrics", "components", "next_bag")
"""Tables of an earlier trial that are used."""
MOST_HALVINGS = 12
"""Of the windows, for burns of minutes."""
OF_BURNS, OF_FUELS = ("burn", "cooker", "setting"), ("id", "kind")
"""What of its burns and of its fuels is used."""

refused = refusals(WORDS["refused"])
"""Returns the error of one folder that cannot lend."""


@dataclass(frozen=True)
class Lender:
    """One earlier trial: its run folder and its newest results."""

    folder: Path
    results: Mapping[str, Any]

    @property
    def name(self) -> str:
        """The folder's name."""
        return self.folder.name

    def rows_of(self, table: str, metric_id: str) -> list[Mapping[str, Any]]:
        """Return the rows of a metric in one of its tables."""
        return [row for row in self.results.get(table, ()) if row["metric"] == metric_id]

    def burns_of(self, metric_id: str) -> pd.DataFrame:
        """Return its exact values of a metric, at the setting most of its burns were run at, as `Counted` has them."""
        rows = pd.DataFrame(self.rows_of("metrics", metric_id))
        if rows.empty:
            return rows
        sheet = pd.DataFrame(self.results.get("burns", ())).reindex(columns=list(OF_BURNS))
        rows = rows.merge(sheet, on="burn", how="left").fillna({"bag": "", "day": "", "setting": ""})
        kinds = {fuel["id"]: fuel.get("kind", "") for fuel in self.results.get("trial", {}).get("fuels", ())}
        rows["kind"] = [kinds.get(fuel, "") for fuel in rows["fuel"]]
        usual = rows["setting"] == rows["setting"].value_counts().idxmax()
        return rows[usual & rows["status"].isin(["exact", "never"])].reset_index(drop=True)


def lenders_of(folder: Path, trial: Trial) -> tuple[tuple[Lender, ...], tuple[str, ...]]:
    """Return the earlier trials that the trial file of a run folder borrows from, and why others lend nothing.

    Of "all alike" those that were measured alike lend; of the others it is said how they were not. A copy, half of
    whose logs are this folder's or a lender's before it, does not lend. Windows that are left to the kit may have been
    shortened there, for burns of minutes: whether they are here the logs tell.

    Raises
    ------
    KitError
        Where one that is named has no report or logs that count already, or measured in another way, with every
        difference.
    """
    faults, lenders, unlike = Faults(), [], []
    every = trial.model.borrow_from == (ALL_ALIKE,)
    stated = {key: getattr(trial, key) for key in SAME}
    places = able_lenders(folder, lender_folders(folder, trial.model.borrow_from))
    found = [Lender(place, newest_results(place, "metrics")[1]) for place in places]
    sizes = {size for lender in found for size in logs_of(lender.results).values()}
    own = (path for path in (folder / LOGS).rglob("*") if path.is_file() and path.stat().st_size in sizes)
    whose = {sha256_of(path): "this folder" for path in own}
    for lender in found:
        name, then = lender.name, lender.results.get("trial", {})
        copied = copied_from(logs_of(lender.results), name, whose)
        there = then.get("measuring") or {}
        ways = (trial.measuring.shortened(2**halvings) for halvings in range(MOST_HALVINGS))
        same = (way for way in ways if all(there.get(window) == getattr(way, window) for window in WINDOWS))
        stated["measuring"] = next(same, trial.measuring)
        others = differences(conditions(then), conditions(to_jsonable_python(stated, by_alias=False)))
        if every and (others or copied):
            why = {"name": name, "whose": copied, "why": ", ".join(others)}
            unlike.append(WORDS["unlike" if others else "copy"].format(**why))
            continue
        if copied:
            faults.take(refused("copy", name=name, whose=copied))
        for key, (before, now) in others.items():
            faults.take(refused("pooled", name=name, key=key, then=before or "none", now=now or "none"))
        lenders.append(lender)
    faults.settle()
    return tuple(lenders), tuple(unlike)


def able_lenders(folder: str | Path, places: Iterable[Path]) -> list[Path]:
    """Return the earlier run folders that a trial borrows from, each with a report and each another one.

    Raises
    ------
    KitError
        With every one that is the folder itself, named twice, or without a report.
    """
    faults, known = Faults(), {Path(folder).resolve(): "this folder itself"}
    for place in map(Path.resolve, places):
        where, name = "trial.toml, [model], key borrow_from", place.name
        if place in known:
            remedy = "Take it out: burns that count twice make error bars that are too short."
            faults.refuse(where, f"{name}, which is {known[place]}", "earlier trials, each once", remedy)
        elif not reports_of(place):
            found = f"{name}, which has no report with results.json"
            remedy = (
                f"Run `repeatburn report` on {name} first, without its borrow_from if that names this folder."
            )
            faults.refuse(where, found, "run folders that have one", remedy)
        known.setdefault(place, "named twice")
    faults.settle()
    return list(known)[1:]
