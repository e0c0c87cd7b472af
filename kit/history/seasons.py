"""Reads seasons: what the newest report of each run folder says of its burns and of how they were measured."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from kit.errors import Faults, KitError
from kit.schema import RESULTS_SCHEMA
from kit.trial.earlier import read_results, reports_of

if TYPE_CHECKING:
    import pandas as pd

KEYS: Final = frozenset({"schema", "report", "trial", "inputs", "burns", "metrics"})
"""What is read of a results.json; curves and the rest, most of the file, are passed over."""
SIMULATED: Final = "SIMULATED.txt"
"""The input that says of a folder that its burns came from a computer."""


@dataclass(frozen=True, eq=False)
class Season:
    """One run folder as its newest report tells of it.

    Attributes
    ----------
    name, report
        Name of the folder; id of the report.
    trial
        The trial as the report recorded it.
    burns
        burn, fuel (named as by `fuel_names`), bag, day, metric, value, status: of the cooker and setting with
        the most burns.
    first_day
        First day of the burns, yyyy-mm-dd; '' where no day is known.
    where
        cooker and setting of those burns.
    left_out
        Burns at other cookers and settings.
    simulated
        Whether the burns came from a computer.
    """

    name: str
    report: str
    trial: Mapping[str, Any]
    burns: pd.DataFrame
    first_day: str
    where: tuple[str, str]
    left_out: int
    simulated: bool = False

    @property
    def control(self) -> str:
        """Name of the control fuel as in `burns`, '' where none is declared."""
        found = self.trial.get("control_fuel")
        return fuel_names(self.trial).get(found, str(found)) if found else ""


def fuel_names(trial: Mapping[str, Any]) -> dict[str, str]:
    """Return for each fuel's id its name with the brand: ids are a folder's own, products are not."""
    return {
        fuel["id"]: ", ".join(filter(None, (fuel.get("name") or fuel["id"], fuel.get("brand"))))
        for fuel in trial.get("fuels") or ()
    }


def newest_reports(folders: Iterable[str | Path]) -> list[Path]:
    """Return the results.json of the newest report of each folder that measured burns.

    Raises
    ------
    KitError
        Naming every folder that is none or has no report.
    """
    faults, found = Faults(), []
    for folder in dict.fromkeys(Path(each).absolute() for each in folders):
        if not folder.is_dir():
            faults.refuse(str(folder), "no such folder", "a run folder", "Check the path.")
            continue
        try:
            found.append(_newest(reports_of(folder)))
        except KitError as error:
            faults.take(error)
    faults.settle()
    return found


def _newest(paths: Sequence[Path]) -> Path:
    return next((path for path in paths if read_part(path, {"metrics"}).get("metrics")), paths[0])


def open_seasons(paths: Iterable[str | Path]) -> tuple[Season, ...]:
    """Return the seasons of these results.json, the earliest burns first.

    Raises
    ------
    KitError
        With every file that cannot be read or holds no burns.
    """
    faults, seasons = Faults(), []
    found = [Path(path) for path in paths]
    for path, name in zip(found, _names(found), strict=True):
        try:
            results = read_part(path, KEYS)
        except KitError as error:
            faults.take(error)
            continue
        if not results.get("metrics"):
            remedy = "Leave the folder out until it has burns, then make its report again."
            faults.refuse(str(path), "a report without burns", "a report of burns", remedy)
            continue
        seasons.append(_season(name, results))
    faults.settle()
    return tuple(sorted(seasons, key=lambda each: (each.first_day, each.name)))


def _names(paths: Sequence[Path]) -> list[str]:
    """Return the folders' names, with those of the folders above them where two are alike."""
    folders = [path.parents[2] for path in paths]
    if len({folder.name for folder in folders}) == len(folders):
        return [folder.name for folder in folders]
    above = Path(os.path.commonpath(folders))
    return [folder.relative_to(above).as_posix() for folder in folders]


def _season(name: str, results: Mapping[str, Any]) -> Season:
    import pandas as pd

    rows = pd.DataFrame(results["metrics"])[["burn", "fuel", "bag", "day", "metric", "value", "status"]]
    names = fuel_names(results["trial"])
    rows = rows.assign(
        value=pd.to_numeric(rows["value"]),
        day=rows["day"].fillna(""),
        fuel=[names.get(fuel, fuel) for fuel in rows["fuel"]],
    )
    where = {row["burn"]: (row.get("cooker") or "", row.get("setting") or "") for row in results["burns"]}
    places = rows["burn"].map(where)
    main = places.groupby(places).size().sort_values(kind="stable").index[-1] if len(places) else ("", "")
    kept = rows[[place == main for place in places]]
    days = sorted(day for day in kept["day"].unique() if day)
    left_out = rows["burn"].nunique() - kept["burn"].nunique()
    report = str(results.get("report", ""))
    simulated = any(each.get("name") == SIMULATED for each in results.get("inputs") or ())
    return Season(name, report, results["trial"], kept, days[0] if days else "", main, left_out, simulated)


def read_part(path: Path, keys: Iterable[str]) -> dict[str, Any]:
    """Return some keys of a results.json; the others are not parsed where the file has a line a row.

    Raises
    ------
    KitError
        Where the file cannot be read or is of another schema.
    """
    wanted = {*keys, "schema"}
    try:
        text = "{" + ",".join(_wanted_parts(path, wanted)) + "}"
        results: dict[str, Any] = json.loads(text)
        if results.get("schema") == RESULTS_SCHEMA:
            return results
    except (OSError, ValueError):
        pass
    whole = read_results(path)
    return {key: value for key, value in whole.items() if key in wanted}


def _wanted_parts(path: Path, wanted: set[str]) -> Iterator[str]:
    """Give 'key: value' of each wanted key: they stand at a line's start, a block's end has a line of its own."""
    part: list[str] = []
    taking, closing = False, ""
    with path.open(encoding="utf-8") as lines:
        for line in lines:
            if closing:
                if taking:
                    part.append(line)
                if line.rstrip("\n").rstrip(",") == closing:
                    closing = ""
            elif line.startswith('"'):
                key, _, value = line.partition(": ")
                taking = key.strip('"') in wanted
                if taking:
                    part.append(line)
                closing = {"[\n": "]", "{\n": "}"}.get(value, "")
            if taking and not closing and part:
                yield "".join(part).rstrip().rstrip(",")
                part = []
