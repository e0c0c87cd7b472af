"""Which fuel for which cook, and which is the better value."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import pandas as pd

from kit import schema
from kit.burns.logged_burns import cooks_at, price_per_kg
from kit.judge.comparisons import fuel_means
from kit.judge.judging import question_of
from kit.judge.question import WORDS as EVERY
from kit.judge.question import Counted, Question
from kit.trial import Run, Trial
from kit.trial.models import Cook
from kit.variance.burn_arrays import Array

VALUE = schema.names("value")
ENDS = ("ratio", "low", "high")
Row = dict[str, object]
COOKS = schema.names("cooks")
HELD, CHARGES, TOP_UPS, COST = "minutes held", "charges needed", "top-ups needed", "cost of the cook"
WORDS = EVERY["cook"]


def judge_cooks(counted: Counted, run: Run) -> pd.DataFrame:
    """Return what the burns say of each declared cook (schema.COOKS).

    The minutes held in the cook's band are a geometric mean of each fuel at each setting declared for the cook, with
    limits from the variance model of those burns. Charges are the cook's hours over the minutes held; top-ups are
    the further whole charges; cost is charges times their mass and price. Their limits are those of the minutes held,
    carried through.

    Parameters
    ----------
    counted
        The burns that count.
    run
        The run folder: cooks, settings, prices.

    Returns
    -------
    DataFrame
        A row a cook, setting, fuel and quantity. A cook without such burns has a row without value, whose note says
        what the burns can and cannot tell.
    """
    question = question_of(run, seed=1)
    records = [row for cook in run.trial.cooks for row in _of_cook(cook, counted, run, question)]
    return pd.DataFrame(records, columns=COOKS)


def _of_cook(cook: Cook, counted: Counted, run: Run, question: Question) -> Iterator[Row]:
    rows = counted.compared(f"band:{cook.name}")
    settings = [name for name in rows["setting"].unique() if cook.name in cooks_at(run.trial, str(name))]
    held: Row = {"cook": cook.name, "fuel": "", "setting": "", "quantity": HELD, "unit": "min"}
    held["level"] = question.level
    if not settings:
        yield held | {"n": 0, "note": WORDS["not_run"].format(low=cook.low, high=cook.high)}
    for setting in settings:
        own = rows[rows["setting"] == setting]
        yield from (held | {"setting": str(setting)} | each for each in _at_setting(cook, own, run, question))


def _at_setting(cook: Cook, rows: pd.DataFrame, run: Run, question: Question) -> Iterator[Row]:
    """Yield what differs from row to row of the burns at one setting."""
    short = rows[rows["status"] == "never"].groupby("fuel", sort=False)["burn"].size()
    for fuel, count in short.items():
        n = int((rows["fuel"] == fuel).sum())
        yield {"fuel": str(fuel), "n": n, "note": WORDS["never_held"].format(count=count, n=n)}
    if len(short) and question.countable(rows, fewest=1)[1]:
        return
    fit, why_not = question.fit_of(rows, run.trial.metric(f"band:{cook.name}"), fewest=1)
    if fit is None:
        yield {"n": len(rows), "note": why_not}
        return
    note = "" if fit.has_spread else WORDS["no_repeats"].format(setting=rows["setting"].iloc[0])
    charges = rows.groupby("fuel")["charge_g"].mean()
    for held in fuel_means(fit, level=question.level).to_dict("records"):
        fuel, minutes = str(held["fuel"]), np.array([held["mean"], held["low"], held["high"]])
        own = {"fuel": fuel, "n": held["n"]}
        yield own | _limited(minutes) | {"note": note}
        yield from (own | each for each in _of_hours(cook, fuel, minutes, float(charges[fuel]), run))


def _of_hours(cook: Cook, fuel: str, minutes: Array, charge_g: float, run: Run) -> Iterator[Row]:
    """Yield what the cook's hours take of a fuel: more minutes held are fewer charges, so limits change places."""
    if cook.hours is None:
        yield {"quantity": CHARGES, "unit": "", "note": WORDS["no_hours"]}
        return
    charges = 60 * cook.hours / minutes[[0, 2, 1]]
    further = np.maximum(np.ceil(charges - 1e-9) - 1, 0.0)
    price = price_per_kg(run.trial, fuel) * charge_g / 1000
    unpriced = WORDS["no_price"].format(fuels=run.trial.fuel(fuel).label)
    first = {"unit": "", "note": WORDS["as_the_first"]}
    yield first | {"quantity": CHARGES} | _limited(charges)
    yield first | {"quantity": TOP_UPS} | _limited(further)
    cost = first if price == price else {"note": unpriced}
    yield cost | {"quantity": COST, "unit": run.trial.currency} | _limited(charges * price)


def _limited(values: Array) -> Row:
    return dict(zip(("value", "low", "high"), values.tolist(), strict=True))


def value_compared(comparisons: pd.DataFrame, trial: Trial) -> pd.DataFrame:
    """Return for each compared pair the cost of an hour above a threshold, and the break-even price (schema.VALUE).

    With prices: the ratio of the costs at the prices paid, its interval and its verdict are those of the comparison of
    the metric cost; both are equal value where the price of a kilogram of a is `break_even` times that of b, the
    ratio paid over the ratio of the costs. Without prices, and with charges said to be of equal mass, that
    is the ratio of the times above the threshold, and no verdict is given.

    Parameters
    ----------
    comparisons
        schema.COMPARISONS of all metrics.
    """
    price = {fuel.id: price_per_kg(trial, fuel.id) for fuel in trial.fuels}
    bases = comparisons["metric"].astype(str).str.split(":").str[0]
    costs = comparisons[bases == "cost"]
    times = comparisons[bases == "time_above"] if trial.charge.of_equal_mass else comparisons.iloc[:0]
    known = set(costs["metric"].str.removeprefix("cost:"))
    times = times[~times["metric"].astype(str).str.removeprefix("time_above:").isin(known)]
    of_a, of_b = (costs[name].astype(object).map(price).astype(float) for name in ("a", "b"))
    paid = of_a / of_b
    ratio, low, high = (costs[name].astype(float) for name in ENDS)
    even = {"break_even": paid / ratio, "break_even_low": paid / high, "break_even_high": paid / low}
    unpriced = {"verdict": "", "direction": "", "paid": math.nan} | dict.fromkeys(ENDS, math.nan)
    equal = dict(zip(even, (times[name] for name in ENDS), strict=True))
    found = pd.concat([costs.assign(paid=paid, **even), times.assign(**equal).assign(**unpriced)])
    return found.loc[found["break_even"].notna(), VALUE].reset_index(drop=True)
