"""Earlier reports of a folder: how often its data were looked at, and what a corrected report changes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from kit.errors import KitError, did_you_mean
from kit.publish.compare import Comparison, Moved, changed_entries, said
from kit.publish.plain import records
from kit.publish.provenance import COMPARED, changes, corrected_results, environment, read_inputs
from kit.results_file import RESULTS, read_part

if TYPE_CHECKING:
    import pandas as pd


def earlier_looks(folder: Path) -> int:
    """Return how many different states of the data earlier reports of a folder were made from, this one not counted.

    A report made again from the same files is no further look, so the same inputs give the same count.
    """
    now = frozenset((each.name, each.sha256) for each in read_inputs(folder) if _is_data(each.name))
    seen = {state for results in _results(folder / "reports") if (state := state_of(results))}
    return len(seen - {now})


def _results(reports: Path) -> Iterator[dict[str, Any]]:
    if not reports.is_dir():
        return
    for path in sorted(reports.glob(f"[!.]*/{RESULTS}")):
        with suppress(KitError):  # what cannot be read tells of no look
            yield read_part(path, {"inputs"}, {"inputs"})


def state_of(results: Mapping[str, Any]) -> frozenset[tuple[str, str]]:
    """Return names and hashes of the data a report was made from."""
    pairs = ((row["name"], row["sha256"]) for row in results["inputs"])
    return frozenset(pair for pair in pairs if _is_data(pair[0]))


def _is_data(name: str) -> bool:
    return name == "burns.csv" or name.startswith("logs/")


_COLUMNS: Final = ("table", "what", "was", "now")
_FIRST: Final = ("comparisons", "means")


@dataclass(frozen=True, eq=False)
class Correction:
    """What a report changes of an earlier one.

    Attributes
    ----------
    moved
        Columns table, what, was, now: a row a value, verdicts first, then comparisons and means.
    verdicts
        How many verdicts changed.
    causes
        Inputs, exclusions and versions that differ between the two, in words.
    """

    moved: pd.DataFrame
    verdicts: int
    causes: tuple[str, ...]


def correction_of(analysis: Any) -> Correction | None:
    """Return what differs from the report that the trial file's `corrects` names; None where it names none.

    Parameters
    ----------
    analysis
        The analysis; `corrects` holds the name of a folder in reports/.

    Raises
    ------
    KitError
        Where no report of that name stands in the folder.
    """
    import pandas as pd

    name = getattr(analysis.run.trial, "corrects", "")
    if not name:
        return None
    folder = Path(analysis.run.folder)
    was = corrected_results(folder, name)
    if was is None:
        known = [path.name for path in (folder / "reports").glob("[0-9]*") if path.is_dir()]
        remedy = did_you_mean(name, known) if known else "Take the key out: there is no earlier report."
        where, expected = "trial.toml, [trial] corrects", "the name of a report in reports/"
        raise KitError.refuse(where, f"'{name}'", expected, remedy)
    moved = sorted(_moved(analysis, was), key=_weight)
    rows = [(table, what, said(each.was), said(each.now)) for table, what, each in moved]
    verdicts = sum(what.endswith(", verdict") for _, what, _ in moved)
    frame = pd.DataFrame(rows, columns=list(_COLUMNS), dtype=object)
    return Correction(frame, verdicts, tuple(_causes(analysis, was)))


def _moved(analysis: Any, was: Mapping[str, Any]) -> Iterator[tuple[str, str, Moved]]:
    for name in COMPARED:
        table = getattr(analysis, name, None)
        if hasattr(table, "iterrows"):
            comparison = Comparison()
            comparison.look(was.get(name, []), records(table), "")
            for each in comparison.moved:
                yield name, each.where.removeprefix(", "), each


def _weight(row: tuple[str, str, Moved]) -> tuple[bool, int]:
    table, what, _ = row
    return not what.endswith(", verdict"), _FIRST.index(table) if table in _FIRST else len(_FIRST)


def _causes(analysis: Any, was: Mapping[str, Any]) -> Iterator[str]:
    then = {each["name"]: each["sha256"] for each in was.get("inputs", [])}
    now = {each.name: each.sha256 for each in read_inputs(Path(analysis.run.folder))}
    words = {"gone": "is gone", "new": "is new", "changed": "has changed"}
    for name, change in changes(then, now):
        if change != "new" or not name.startswith("reports/"):
            yield f"{name} {words[change]}"
    yield from _exclusions(analysis, was)
    yield from changed_entries(was.get("environment", {}), environment())


def _exclusions(analysis: Any, was: Mapping[str, Any]) -> Iterator[str]:
    then = {str(row.get("burn")): str(row.get("excluded") or "") for row in was.get("burns", [])}
    for row in records(analysis.run.burns):
        before, reason = then.get(str(row["burn"])), str(row.get("excluded") or "")
        if before is not None and before != reason:
            yield (
                f"burn {row['burn']} is left out now: {reason}"
                if reason
                else f"burn {row['burn']} counts again"
            )
