"""An analysis seen as being about two fuels: their comparisons alone, told from the first one's side."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from kit.publish.report_data import ReportData

if TYPE_CHECKING:
    import pandas as pd

_SWAPPED = (("a", "b"), ("n_a", "n_b"), ("bags_a", "bags_b"))
_LIMITS = (("low", "high"), ("low_equivalence", "high_equivalence"), ("low_alone", "high_alone"))


def narrowed(data: ReportData, a: str, b: str) -> ReportData:
    """Return data whose only comparisons are those of a with b, metric by metric from the declared family if there.

    Each row keeps the size of its family in the column family: its interval is as wide as in the whole report.
    """
    import pandas as pd

    declared = _pair(data.table("comparisons"), a, b)
    others = _pair(data.table("pairs"), a, b)
    others = others[~others["metric"].isin(declared["metric"])]
    rows = (
        pd.concat([declared, others])
        if len(declared) and len(others)
        else declared
        if len(declared)
        else others
    )
    return replace(data, instead={"comparisons": rows, "pairs": rows})


def _pair(table: pd.DataFrame, a: str, b: str) -> pd.DataFrame:
    import pandas as pd

    sized = table.assign(family=table.groupby("metric")["a"].transform("size") if len(table) else 0)
    straight = sized[(sized["a"] == a) & (sized["b"] == b)]
    other = turned_round(sized[(sized["a"] == b) & (sized["b"] == a)])
    return (
        pd.concat([straight, other]) if len(straight) and len(other) else straight if len(straight) else other
    )


def turned_round(rows: pd.DataFrame) -> pd.DataFrame:
    """Return comparisons told from the other side: differences change their sign, ratios turn over."""
    log = rows["scale"] == "log"
    turned = {one: rows[other] for pair in _SWAPPED for one, other in (pair, pair[::-1])}
    for low, high in _LIMITS:
        first, last = rows[low].astype(float), rows[high].astype(float)
        turned |= {low: (-last).where(~log, 1 / last), high: (-first).where(~log, 1 / first)}
    sides = {"a": "b", "b": "a"}
    return rows.assign(
        **turned,
        difference=-rows["difference"].astype(float),
        ratio=1 / rows["ratio"].astype(float),
        direction=rows["direction"].map(lambda side: sides.get(side, side)),
    )
