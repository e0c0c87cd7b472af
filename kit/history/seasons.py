"""Reads seasons: what the newest report of each run folder says of its burns and of how they were measured."""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Final, NamedTuple

from kit.errors import Faults, KitError
from kit.schema import RESULTS_SCHEMA
from kit.trial.earlier import read_results, reports_of

KEYS: Final = frozenset({"schema", "report", "trial", "inputs", "burns", "metrics"})
"""What is read of a results.json; curves and the rest, most of the file, are passed over."""
SIMULATED: Final = "SIMULATED.txt"
"""The input that says of a folder that its burns came from a computer."""


class Measured(NamedTuple):
    """One burn's value of a metric; the fuel named as by `fuel_names`, status as in schema.STATUSES."""

    burn: str
    fuel: str
    bag: str
    day: str
    value: float | None
    status: str


@dataclass(frozen=True, eq=False)
class Season:
    """One run folder as its newest report tells of it.

    Attributes
    ----------
    name, report
        Name of the folder; id of the report.
    trial
        The trial as the report recorded it.
    rows
        The burns of each metric, of the cooker and setting with the most burns.
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
    rows: Mapping[str, Sequence[Measured]]
    where: tuple[str, str]
    left_out: int
    simulated: bool = False

    @cached_property
    def burns(self) -> frozenset[str]:
        """Ids of the burns."""
        return frozenset(row.burn for rows in self.rows.values() for row in rows)

    @cached_property
    def fuels(self) -> tuple[str, ...]:
        """The fuels that were burned, in the order of their first rows."""
        return tuple(dict.fromkeys(row.fuel for rows in self.rows.values() for row in rows))

    @cached_property
    def days(self) -> tuple[str, ...]:
        """The days of the burns in order, yyyy-mm-dd; none where none is known."""
        return tuple(sorted({row.day for rows in self.rows.values() for row in rows} - {""}))

    @property
    def first_day(self) -> str:
        """First day of the burns; '' where no day is known."""
        return self.days[0] if self.days else ""

    @property
    def last_day(self) -> str:
        """Last day of the burns; '' where no day is known."""
        return self.days[-1] if self.days else ""

    def knows(self, metric: str) -> bool:
        """Return whether a metric has a value, or a bound, for any burn."""
        return any(row.value is not None or row.status == "never" for row in self.rows.get(metric, ()))

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
    if len(paths) == 1:
        return paths[0]
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
    trial = results["trial"]
    names = fuel_names(trial)
    where = {row["burn"]: (row.get("cooker") or "", row.get("setting") or "") for row in results["burns"]}
    burned = Counter(where[burn] for burn in {row["burn"] for row in results["metrics"]})
    main = max(sorted(burned), key=lambda place: burned[place])
    rows: dict[str, list[Measured]] = {}
    for row in results["metrics"]:
        if where[row["burn"]] == main:
            fuel = names.get(row["fuel"], row["fuel"])
            one = Measured(row["burn"], fuel, row["bag"] or "", row["day"] or "", row["value"], row["status"])
            rows.setdefault(row["metric"], []).append(one)
    simulated = any(each.get("name") == SIMULATED for each in results.get("inputs") or ())
    left_out = sum(burned.values()) - burned[main]
    return Season(name, str(results.get("report", "")), trial, rows, main, left_out, simulated)


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
