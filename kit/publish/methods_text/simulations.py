"""The tables of simulated trials, as a wheel carries them and as `make simulate` writes them."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Final

_KIT: Final = Path(__file__).resolve().parents[2]


def simulations(packaged: str, written: str) -> list[dict[str, str]]:
    """Return the lines of a table: under its packaged name, else where it is written; none where it is absent."""
    places = (_KIT / "packaged" / packaged, _KIT.parent / "tests" / "reference" / written)
    for place in filter(Path.is_file, places):
        with place.open(encoding="utf-8", newline="") as handle:
            return list(csv.DictReader(handle))
    return []
