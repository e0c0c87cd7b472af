"""Which of two fuels is the better value: the cost of a useful hour, and the prices at which both are equal."""

from __future__ import annotations

import math

import pandas as pd

from kit import schema
from kit.trial import Trial

COLUMNS = [column.name for column in schema.VALUE]


def value_compared(comparisons: pd.DataFrame, trial: Trial) -> pd.DataFrame:
    """Return for each compared pair the cost of an hour above a threshold, and the break-even price (schema.VALUE).

    With prices: the ratio of the costs at the prices paid, its interval and its verdict are those of the comparison of
    the metric cost; both are equal value where the price of a kilogram of a is `break_even` times that of b, the
    ratio paid over the ratio of the costs. Without prices, and with charges of equal mass, that is the ratio of the
    times above the threshold, and no verdict is given.

    Parameters
    ----------
    comparisons
        schema.COMPARISONS of all metrics.
    """
    price = {
        fuel.id: fuel.price / fuel.bag_kg for fuel in trial.fuels if fuel.price is not None and fuel.bag_kg
    }
    bases = comparisons["metric"].astype(str).str.split(":").str[0]
    costs = comparisons[bases == "cost"]
    times = comparisons[bases == "time_above"] if trial.charge.by == "mass" else comparisons.iloc[:0]
    known = set(costs["metric"].str.removeprefix("cost:"))
    times = times[~times["metric"].astype(str).str.removeprefix("time_above:").isin(known)]
    rows = [
        *(_priced(row, price) for row in costs.to_dict("records")),
        *(_unpriced(row) for row in times.to_dict("records")),
    ]
    found = pd.DataFrame(rows, columns=COLUMNS)
    return found[found["break_even"].notna()].reset_index(drop=True)


def _priced(row: dict[str, object], price: dict[str, float]) -> dict[str, object]:
    paid = price.get(str(row["a"]), math.nan) / price.get(str(row["b"]), math.nan)
    ratio, low, high = (float(row[name]) for name in ("ratio", "low", "high"))  # type: ignore[arg-type]
    return _row(
        row, (ratio, low, high), paid, (paid / ratio, paid / high, paid / low if low > 0 else math.inf)
    )


def _unpriced(row: dict[str, object]) -> dict[str, object]:
    ends = tuple(float(row[name]) for name in ("ratio", "low", "high"))  # type: ignore[arg-type]
    return _row(row | {"verdict": "", "direction": ""}, (math.nan,) * 3, math.nan, ends)


def _row(
    row: dict[str, object], costs: tuple[float, ...], paid: float, equal: tuple[float, ...]
) -> dict[str, object]:
    same = {name: row[name] for name in ("metric", "a", "b", "verdict", "direction", "multiplicity", "level")}
    return (
        same
        | dict(zip(("ratio", "low", "high"), costs, strict=True))
        | {"paid": paid}
        | dict(zip(("break_even", "break_even_low", "break_even_high"), equal, strict=True))
    )
