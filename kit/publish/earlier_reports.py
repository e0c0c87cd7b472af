"""How often a trial was looked at before: reports of the folder that were made from other data."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from kit.publish.provenance import read_inputs
from kit.publish.results import RESULTS


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
        try:
            found = json.loads(path.read_text("utf-8"))
        except (OSError, ValueError):
            continue
        if isinstance(found, dict):
            yield found


def state_of(results: dict[str, Any]) -> frozenset[tuple[str, str]]:
    """Return names and hashes of the data a report was made from."""
    inputs = results.get("inputs")
    rows = [row for row in inputs if isinstance(row, dict)] if isinstance(inputs, list) else []
    pairs = ((str(row.get("name")), str(row.get("sha256"))) for row in rows)
    return frozenset(pair for pair in pairs if _is_data(pair[0]))


def _is_data(name: str) -> bool:
    return name == "burns.csv" or name.startswith("logs/")
