"""What all drawings share: units of axes, notes for film, n in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from kit.page.numbers import Units, convert
from kit.publish.facts import Facts
from kit.publish.wording import label_of
from kit.schema import Metric

if TYPE_CHECKING:
    import pandas as pd

AXIS_UNITS = {"per h": "an hour", "": ""}


def us(units: Units) -> bool:
    """Return whether axes carry US units; where both are shown, axes are metric and tables give both."""
    return units.show == "us"


def turned(values: pd.Series, unit: str, units: Units, *, difference: bool = False) -> pd.Series:
    """Return values of the kit's unit in the unit of the axis."""
    import pandas as pd

    numbers = pd.to_numeric(values)
    return cast("pd.Series", convert(numbers, unit, us(units), difference=difference))  # type: ignore[arg-type]


def axis_unit(unit: str, units: Units, *, difference: bool = False) -> str:
    """Return the unit of an axis in words."""
    one = Units("us" if us(units) else "metric", units.currency)
    return one.heading(unit, difference=difference)


def axis_name(spec: Metric, units: Units) -> str:
    """Return 'peak temperature, °C'."""
    unit = axis_unit(spec.unit, units)
    return f"{label_of(spec, units)}, {unit}" if unit else label_of(spec, units)


def n_note(facts: Facts) -> str:
    """Return bags and burns for the foot of a film picture: '3 bags, 6 burns each', or the totals."""
    burns = {facts.burns_of(player.id) for player in facts.cast}
    bags = {facts.bags_of(player.id) for player in facts.cast}
    if len(burns) == 1 and len(bags) == 1:
        return f"{bags.pop()} bags, {burns.pop()} burns each"
    total = sum(facts.bags_of(player.id) for player in facts.cast)
    return f"{total} bags, {facts.done} burns"


def n_words(facts: Facts) -> str:
    """Return n of every fuel in words, for captions."""
    each = [f"{p.name} {facts.bags_of(p.id)} bags, {facts.burns_of(p.id)} burns" for p in facts.cast]
    burns = {facts.burns_of(player.id) for player in facts.cast}
    bags = {facts.bags_of(player.id) for player in facts.cast}
    if len(burns) == 1 and len(bags) == 1 and len(facts.cast) > 1:
        return f"{burns.pop()} burns of each fuel, from {bags.pop()} bags each"
    return "; ".join(each)


def number(value: float, decimals: int = 0) -> str:
    """Return a number for an alt text."""
    from kit.page.numbers import plain

    return plain(value, decimals)
