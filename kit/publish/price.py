"""The break-even price: up to what price a kilogram one fuel is the better value than another."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from kit.publish.facts import Facts
from kit.publish.figures.canvas import short

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = ("metric", "a", "b", "label", "short_label", "value", "low", "high", "actual", "place", "told")


def price_metric(facts: Facts) -> str:
    """Return the comparison that break-even prices rest on: cost, else time above where charges are of equal mass."""
    compared = dict.fromkeys(facts.table("comparisons")["metric"])
    order = {metric: place for place, metric in enumerate(facts.primary)}
    times = [metric for metric in compared if metric.partition(":")[0] == "time_above"]
    times.sort(key=lambda metric: order.get(metric, len(order)))
    wanted = [f"cost:{metric.partition(':')[2]}" for metric in times if metric in order]
    costs = [metric for metric in compared if metric.partition(":")[0] == "cost" and _prices(facts)]
    costs.sort(key=lambda metric: metric not in wanted)
    if facts.trial.charge.by != "mass":
        times = []
    found = costs or times
    return found[0] if found else ""


def _prices(facts: Facts) -> dict[str, float]:
    return {
        fuel.id: fuel.price / fuel.bag_kg
        for fuel in facts.trial.fuels
        if fuel.price is not None and fuel.price > 0 and fuel.bag_kg
    }


def break_even_table(facts: Facts) -> pd.DataFrame:
    """Return for each compared pair the price ratio a kilogram at which both are equal value.

    With cost: (price of a ÷ price of b) ÷ (cost of a ÷ cost of b). Without prices, charges being of equal mass:
    the ratio of the times above the threshold. Either way the interval is that of the comparison.

    Returns
    -------
    DataFrame
        metric, a, b, label, short_label, value, low, high, actual (ratio of the prices paid), place, told.
    """
    import pandas as pd

    metric = price_metric(facts)
    if facts.interim or not metric:
        return pd.DataFrame(columns=list(COLUMNS))
    table = facts.rows("comparisons", metric).dropna(subset=["ratio", "low", "high"])
    table = table[(table["low"].astype(float) > 0) & (table["high"].astype(float) < math.inf)]
    prices = _prices(facts)
    rows = [_row(row, prices, metric, facts) for row in table.itertuples(index=False)]
    known = [row for row in rows if row["value"] == row["value"]]
    return pd.DataFrame([row | {"told": place} for place, row in enumerate(known)], columns=list(COLUMNS))


def _row(row: object, prices: dict[str, float], metric: str, facts: Facts) -> dict[str, object]:
    a, b = str(row.a), str(row.b)  # type: ignore[attr-defined]
    ratio, low, high = (float(getattr(row, name)) for name in ("ratio", "low", "high"))
    known = prices.get(a, float("nan")) / prices.get(b, float("nan"))
    if metric.startswith("cost"):
        ratio, low, high = known / ratio, known / high, known / low
    place = next((player.place for player in facts.cast if player.id == a), 0)
    label = f"{facts.name(a)} ÷ {facts.name(b)}"
    brief = f"{short(facts.name(a), 21)} ÷ {short(facts.name(b), 21)}"
    values = dict(zip(("value", "low", "high", "actual"), (ratio, low, high, known), strict=True))
    return {"metric": metric, "a": a, "b": b, "label": label, "short_label": brief, **values, "place": place}
