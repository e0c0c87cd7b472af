"""What bands, predictions and chances did on simulated trials whose truth was known, over all designs tried."""

from __future__ import annotations

import csv
from collections import defaultdict
from pathlib import Path
from typing import Final

from kit.page.numbers import plain
from kit.publish.facts import Facts
from kit.publish.methods_text.blocks import Rows

_KIT: Final = Path(__file__).resolve().parents[2]
PLACES: Final = (
    _KIT / "packaged" / "decisions.csv",
    _KIT.parent / "tests" / "reference" / "decisions_table.csv",
)
"""The table as a wheel carries it, and as `make simulate` writes it."""

_COUNTED: Final = (
    ("curves", "difference", "the band of a difference of curves held the whole true difference", "95"),
    ("curves", "mean", "the band of a mean curve held the whole true curve", "95"),
    ("judging", "prediction", "the prediction interval held a burn of a new bag", "95"),
    ("judging", "interval", "the interval of a new bag's chance held the true chance", "95"),
    ("judging", "false alarms", "trials in which a burn was called odd though none was", "at most 5"),
    (
        "judging",
        "promise",
        "comparisons settled by the further bags that were said to settle them",
        "at least 75",
    ),
)


def decided(facts: Facts) -> Rows | None:
    """Return how often each kind of statement was right, lowest to highest over the designs; None for bare trials."""
    place = next((path for path in PLACES if path.is_file()), None)
    if place is None or facts.bare:
        return None
    found: dict[tuple[str, str], list[float]] = defaultdict(list)
    trials: list[int] = []
    with place.open(encoding="utf-8", newline="") as handle:
        for line in csv.DictReader(handle):
            found[line["kind"], line["quantity"]].append(100 * float(line["value"]))
            trials.append(int(line["trials"]))
    rows = tuple(
        (words, promised, plain(min(shares), 1), plain(max(shares), 1), str(len(shares)))
        for kind, quantity, words, promised in _COUNTED
        if (shares := found[kind, quantity])
    )
    heads = ("What was counted", "should be, %", "lowest, %", "highest, %", "designs")
    note = f"at least {plain(min(trials), 0)} simulated trials of each design; none of them is this trial"
    return Rows("Simulated trials of curves and predictions", heads, rows, note)
