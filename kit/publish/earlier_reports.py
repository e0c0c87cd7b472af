"""How often a trial was looked at before: reports of the folder that were made from other data."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from kit.errors import KitError
from kit.publish.provenance import read_inputs
from kit.results_file import RESULTS, read_part


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
