"""Reads seasons: what the newest report of each run folder says of its burns, and what was measured differently."""

from __future__ import annotations

import os
from calendar import month_name
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property
from operator import attrgetter
from pathlib import Path
from typing import Any, Final, NamedTuple

from kit.errors import Faults
from kit.results_file import (
    conditions,
    copied_from,
    differences,
    logs_of,
    main_probe,
    newest_report,
    read_part,
    reports_of,
)

KEYS: Final = ("schema", "report", "trial", "inputs", "burns", "metrics")
"""What is read of a results.json; curves and the rest, most of the file, are passed over."""
SIMULATED: Final = "SIMULATED.txt"
"""The input that says of a folder that its burns came from a computer."""
DIRECTLY: Final = "comparable directly"
BY_CONTROL: Final = "only as a difference from the control fuel"
NOT: Final = "not comparable"


class Measured(NamedTuple):
    """One burn's value of a metric; the fuel named as by `fuel_labels`, status as in schema.STATUSES."""

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
        What it is called, as `open_seasons` has it; id of the report.
    trial
        The trial as the report recorded it.
    rows
        The burns of each metric, of the cooker and setting with the most burns.
    where
        cooker and setting of those burns.
    left_out
        Burns at other cookers and settings.
    dated
        The day that puts it in order: the first day of its burns or, where none is known, that of its folder's first
        report.
    control
        The control fuel as in `burns`, '' where none is declared.
    simulated
        Whether the burns came from a computer.
    folder
        Name of its folder.
    """

    name: str
    report: str
    trial: Mapping[str, Any]
    rows: Mapping[str, Sequence[Measured]]
    where: tuple[str, str]
    left_out: int
    dated: str
    control: str = ""
    simulated: bool = False
    folder: str = ""

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

    @property
    def title(self) -> str:
        """Its title, else its folder, with the months of its burns: "'Which lump?' of March to May 2026"."""
        title = str(self.trial.get("title") or "").strip()
        named = f"'{title}'" if title else self.folder
        if not self.days:
            return named
        first, last = (date.fromisoformat(day) for day in (self.first_day, self.last_day))
        end = f"{month_name[last.month]} {last.year}"
        if (first.year, first.month) == (last.year, last.month):
            return f"{named} of {end}"
        return f"{named} of {month_name[first.month]}{f' {first.year}' * (first.year != last.year)} to {end}"

    def knows(self, metric: str) -> bool:
        """Return whether a metric has a value, or a bound, for any burn."""
        return any(row.value is not None or row.status == "never" for row in self.rows.get(metric, ()))


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
        with faults.gathering():
            found.append(newest_report(folder, "metrics"))
    faults.settle()
    return found


def open_seasons(paths: Iterable[str | Path]) -> tuple[Season, ...]:
    """Return the seasons of these results.json, the earliest burns first.

    Each is called by its title and months, with its folder where another is called the same.

    Raises
    ------
    KitError
        With every file that cannot be read, holds no burns, or holds those of another.
    """
    faults, found = Faults(), []
    for path in map(Path, paths):
        with faults.gathering():
            results = read_part(path, KEYS, KEYS)
            found.append((path, results))
    for path, results in found:
        where, again = f"{path}, metrics", "Make its report again."
        if not results["metrics"]:
            remedy = "Leave the folder out until it has burns, then make its report again."
            faults.refuse(str(path), "a report without burns", "a report of burns", remedy)
        listed = {row["burn"] for row in results["burns"]}
        for burn in sorted({row["burn"] for row in results["metrics"]} - listed):
            faults.refuse(where, f"burn '{burn[:60]}'", "a burn of its burns", again)
        for day in sorted({row.get("day") or "" for row in results["metrics"]} - {""}):
            try:
                date.fromisoformat(day)
            except ValueError:
                faults.refuse(where, f"day '{day[:60]}'", "a day, yyyy-mm-dd", again)
    # the longest first, so that half a copy is found in the whole
    whose: dict[str, str] = {}
    for path, results in sorted(found, key=lambda one: -len(logs_of(one[1]))):
        if copied := copied_from(logs_of(results), str(path.parents[2]), whose):
            holds, expected = f"logs of {copied}", "seasons of burns of their own"
            remedy = "Leave one of the two out: burns that count twice make error bars that are too short."
            faults.refuse(str(path.parents[2]), holds, expected, remedy)
    faults.settle()
    folders, every = [path.parents[2] for path, _ in found], [results for _, results in found]
    names = [folder.name for folder in folders]
    if len({*names}) < len(names):
        above = Path(os.path.commonpath(folders))
        names = [folder.relative_to(above).as_posix() for folder in folders]
    labels = fuel_labels([results["trial"].get("fuels") or () for results in every])
    made = map(_season, (path for path, _ in found), names, every, labels)
    seasons = sorted(made, key=attrgetter("dated", "folder"))
    titles = Counter(one.title for one in seasons)
    return tuple(
        replace(one, name=one.title if titles[one.title] == 1 else f"{one.title} ({one.folder})")
        for one in seasons
    )


def fuel_labels(declared: Sequence[Sequence[Mapping[str, Any]]]) -> list[dict[str, str]]:
    """Return for each trial's fuels, by id, the name under which all trials know the product.

    A product is its name and brand: ids are a folder's own.  Where one trial gives less than another (no brand, or
    the id alone), it means the other's product, as long as only one product of all trials fits.
    """
    mentions = [
        [_Mention(fuel["id"], fuel.get("name") or "", fuel.get("brand") or "") for fuel in fuels]
        for fuels in declared
    ]
    every = {each for trial in mentions for each in trial}
    return [{each.id: _fullest(each, every).label for each in trial} for trial in mentions]


class _Mention(NamedTuple):
    id: str
    name: str
    brand: str

    @property
    def label(self) -> str:
        return ", ".join(filter(None, (self.name or self.id, self.brand)))

    @property
    def product(self) -> tuple[str, str]:
        return _alike(self.name), _alike(self.brand)

    def may_be(self, other: _Mention) -> bool:
        """Return whether the other says all that this one does, and more."""
        mine, theirs = self.product, other.product
        named = mine[0] == theirs[0] if self.name else _alike(self.id) in (_alike(other.id), theirs[0])
        return bool(other.name) and named and mine[1] in ("", theirs[1])


def _alike(words: str) -> str:
    return " ".join(words.casefold().split())


def _fullest(mention: _Mention, every: set[_Mention]) -> _Mention:
    """Return the mention that says most of the same product: the first by name of those that say as much."""
    fitting = {each for each in every if mention.may_be(each)} or {mention}
    branded = {each for each in fitting if each.brand} or fitting
    one_product = len({each.product for each in branded}) == 1
    return min(branded) if one_product else mention


def _season(path: Path, folder: str, results: Mapping[str, Any], labels: Mapping[str, str]) -> Season:
    trial, report = results["trial"], results["report"]
    where = {row["burn"]: (row.get("cooker") or "", row.get("setting") or "") for row in results["burns"]}
    burned = Counter(where[burn] for burn in {row["burn"] for row in results["metrics"]})
    main = max(sorted(burned), key=lambda place: burned[place])
    rows: dict[str, list[Measured]] = {}
    for row in (each for each in results["metrics"] if where[each["burn"]] == main):
        fuel, bag, day = labels.get(row["fuel"], row["fuel"]), row.get("bag") or "", row.get("day") or ""
        one = Measured(row["burn"], fuel, bag, day, row["value"], row["status"])
        rows.setdefault(row["metric"], []).append(one)
    days = {row.day for measured in rows.values() for row in measured} - {""}
    reported = (each.date for each in reports_of(path.parents[2]))
    dated = min(days, default="") or min(reported, default=path.parent.name[:10])
    simulated = any(each["name"] == SIMULATED for each in results["inputs"])
    control, left_out = trial.get("control_fuel") or "", burned.total() - burned[main]
    control = labels.get(control, control)
    return Season(folder, report, trial, rows, main, left_out, dated, control, simulated, folder)


def unlike(season: Season, reference: Season) -> list[str]:
    """Return in words every difference in the way of measuring that forbids pooling; none where alike."""
    then, now = (conditions(each.trial, *each.where) for each in (season, reference))
    return [
        f"{name} ({was or 'not stated'}, not {is_now or 'stated'})"
        for name, (was, is_now) in differences(then, now).items()
    ]


def missing_metric(season: Season, metric: str, reference: Season) -> list[str]:
    """Return in words why a season does not know a metric; none where it does."""
    if season.knows(metric):
        currency = season.trial.get("currency"), reference.trial.get("currency")
        if metric.startswith("cost:") and currency[0] != currency[1]:
            return [f"currency ({currency[0] or 'not stated'}, not {currency[1] or 'stated'})"]
        return []
    if ":" in metric:
        return [f"threshold (it did not measure at {metric.partition(':')[2]})"]
    return ["it did not measure this"]


def other_probe(season: Season, reference: Season) -> bool:
    """Return whether another kind of probe sat in the same place: values shift, differences do not."""
    was, is_now = main_probe(season.trial), main_probe(reference.trial)
    return any(was.get(key) != is_now.get(key) for key in ("id", "tolerance_class", "time_constant_s"))
