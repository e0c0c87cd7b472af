"""What bands, predictions and chances did on simulated trials whose truth was known, over all designs tried."""

from __future__ import annotations

from collections import defaultdict
from typing import Final

from kit.page.numbers import plain
from kit.publish.facts import Facts
from kit.publish.methods_text.blocks import Rows
from kit.publish.methods_text.simulations import simulations

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
    lines = simulations("decisions.csv", "decisions_table.csv")
    if not lines or facts.bare:
        return None
    found: dict[tuple[str, str], list[float]] = defaultdict(list)
    for line in lines:
        found[line["kind"], line["quantity"]].append(100 * float(line["value"]))
    rows = tuple(
        (words, promised, plain(min(shares), 1), plain(max(shares), 1), str(len(shares)))
        for kind, quantity, words, promised in _COUNTED
        if (shares := found[kind, quantity])
    )
    heads = ("What was counted", "should be, %", "lowest, %", "highest, %", "designs")
    fewest = min(int(line["trials"]) for line in lines)
    note = f"at least {plain(fewest, 0)} simulated trials of each design; none of them is this trial"
    return Rows("Simulated trials of curves and predictions", heads, rows, note)
