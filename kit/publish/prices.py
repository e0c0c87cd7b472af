"""What a fuel costs and is worth: prices paid, the measure that values rest on, break-even prices, verdicts."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from kit.publish.report_data import ReportData

if TYPE_CHECKING:
    import pandas as pd


def prices_per_kg(data: ReportData) -> dict[str, float]:
    """Return the price paid per kilogram of each fuel that has one."""
    return {
        fuel.id: fuel.price / fuel.bag_kg
        for fuel in data.trial.fuels
        if fuel.price is not None and fuel.price > 0 and fuel.bag_kg
    }


def price_metric(data: ReportData) -> str:
    """Return the comparison that break-even prices rest on: cost, else time above where charges are of equal mass."""
    compared = dict.fromkeys(data.table("comparisons")["metric"])
    order = {metric: place for place, metric in enumerate(data.primary)}
    times = [metric for metric in compared if metric.partition(":")[0] == "time_above"]
    times.sort(key=lambda metric: order.get(metric, len(order)))
    wanted = [f"cost:{metric.partition(':')[2]}" for metric in times if metric in order]
    costs = [metric for metric in compared if metric.partition(":")[0] == "cost" and prices_per_kg(data)]
    costs.sort(key=lambda metric: metric not in wanted)
    chosen = costs or (times if data.trial.charge.by == "mass" else [])
    return chosen[0] if chosen else ""


def cost_metric(data: ReportData) -> str:
    """Return the cost per useful hour that the first table shows; '' where none was measured."""
    chosen = price_metric(data)
    if chosen.startswith("cost:"):
        return chosen
    wanted = [
        f"cost:{metric.partition(':')[2]}" for metric in data.primary if metric.startswith("time_above:")
    ]
    costs = [metric for metric in data.metrics if metric.startswith("cost:") and data.has_values(metric)]
    costs.sort(key=lambda metric: metric not in wanted)
    return costs[0] if costs else ""


def break_even_table(data: ReportData) -> pd.DataFrame:
    """Return for each compared pair the price ratio per kilogram at which both are equal value, and the verdict.

    Returns
    -------
    DataFrame
        metric, a, b, value, low, high (the break-even ratio), paid (ratio of the prices paid), verdict, and cost,
        cost_low, cost_high (the ratio of the costs of an hour; blank without prices).
    """
    import pandas as pd

    from kit.judge.better_value import value_compared

    metric, compared = price_metric(data), data.table("comparisons")
    names = {"ratio": "cost", "low": "cost_low", "high": "cost_high"}
    names |= {"break_even": "value", "break_even_low": "low", "break_even_high": "high"}
    if data.interim or not metric:
        return pd.DataFrame(columns=["metric", "a", "b", "paid", "verdict", *names.values()])
    worth = value_compared(compared, data.trial)
    worth = worth[worth["metric"] == metric].rename(columns=names)
    return worth[(worth["low"].astype(float) > 0) & (worth["high"].astype(float) < math.inf)]
