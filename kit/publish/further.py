"""What would settle a question that is open: so many further bags and burns, the fuel and the hours they take."""

from __future__ import annotations

import math
from bisect import bisect_left
from typing import TYPE_CHECKING, Any, Final

from kit.publish.claims import claim_id
from kit.publish.facts import Facts

if TYPE_CHECKING:
    import pandas as pd

ENOUGH: Final = 0.80
MOST_BAGS: Final = 24
AFFORDABLE: Final = 200
"""Burns of a whole trial beyond which a number is called no affordable one."""

COLUMNS: Final = ("id", "metric", "a", "b", "bags", "burns", "more_burns", "grams", "hours")


def further_table(facts: Facts) -> pd.DataFrame:
    """Return for each open question of a primary metric how many bags a fuel, of as many burns each, would settle it.

    The true difference and spreads are taken to be the estimates, the spreads at their upper 80 % limits; enough is
    a chance of 80 % of any settled verdict (DEVELOPERS.md, methods 6 and 14). The bags are further ones, like those
    burned.

    Returns
    -------
    DataFrame
        id, metric, a, b, bags (further ones of each fuel; blank where no affordable number is enough), burns (a
        bag), more_burns (of all fuels), grams, hours.
    """
    import pandas as pd

    if facts.interim or facts.bare:
        return pd.DataFrame(columns=list(COLUMNS))
    rows = [
        _needed(row, facts)
        for metric in facts.primary
        for row in facts.rows("comparisons", metric).itertuples(index=False)
        if row.verdict == "not settled" and math.isfinite(row.low) and math.isfinite(row.high)
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _needed(row: Any, facts: Facts) -> tuple[object, ...]:
    fuels = len(facts.cast)
    have = max(int(min(row.bags_a, row.bags_b)), 1)
    burns = max(1, round(min(row.n_a, row.n_b) / have))
    most = min(MOST_BAGS, AFFORDABLE // (fuels * burns))
    options = range(have + 1, most + 1)
    enough = bisect_left(options, True, key=lambda bags: _settles(row, facts, bags, burns))
    key = (claim_id(row.metric, row.a, row.b), row.metric, row.a, row.b)
    if enough == len(options):
        return (*key, float("nan"), burns, float("nan"), float("nan"), float("nan"))
    bags = options[enough] - have
    more = bags * burns * fuels
    return (*key, bags, burns, more, more * _grams(facts), more * _hours(facts))


def _settles(row: Any, facts: Facts, bags: int, burns: int) -> bool:
    from kit.errors import KitError
    from kit.plan.power import Design, power_of

    value = math.log(row.ratio) if row.scale == "log" else float(row.difference)
    margin = float(row.margin) if row.margin == row.margin else None
    components = facts.rows("components", row.metric)
    design = Design(len(facts.cast), bags, burns)
    level = float(row.level) if row.level == row.level else facts.level
    try:
        power = power_of(design, components, abs(value), margin, str(row.adjust), level, upper=True)
    except KitError:  # the burns do not tell bags and burns apart: nothing can be promised
        return False
    settled = power.loc[
        ~power["verdict"].isin(["not settled", "no repeats", "cannot be separated"]), "chance"
    ]
    return bool(settled.sum() >= ENOUGH)


def _grams(facts: Facts) -> float:
    import pandas as pd

    sheet = facts.in_state("done")
    weighed = (
        pd.to_numeric(sheet["charge_g"], errors="coerce").mean() if "charge_g" in sheet else float("nan")
    )
    return float(weighed) if weighed == weighed else float(facts.trial.charge.grams or float("nan"))


def _hours(facts: Facts) -> float:
    spans = facts.table("spans")
    ends = spans.groupby("burn")["end_s"].max().astype(float) if len(spans) else None
    return float(ends.mean()) / 3600 if ends is not None and len(ends) else float("nan")
