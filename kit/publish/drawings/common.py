"""What all drawings share: units of axes, notes for film, n in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from kit.page.numbers import Units, convert
from kit.publish.facts import Facts
from kit.publish.figures.look import Cast
from kit.publish.wording import counted, label_of
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
    shown: Any = convert(numbers, unit, us(units), difference=difference)  # type: ignore[arg-type]
    return shown


def axis_unit(unit: str, units: Units, *, difference: bool = False) -> str:
    """Return the unit of an axis in words."""
    one = Units("us" if us(units) else "metric", units.currency)
    return one.heading(unit, difference=difference)


def axis_name(spec: Metric, units: Units) -> str:
    """Return 'peak temperature, °C'."""
    unit = axis_unit(spec.unit, units)
    return f"{label_of(spec, units)}, {unit}" if unit else label_of(spec, units)


def n_note(facts: Facts, cast: Cast | None = None) -> str:
    """Return bags and burns for the foot of a film picture: '3 bags, 6 burns each', or the totals."""
    shown = cast or facts.cast
    burns, bags = _counts(facts, shown)
    if len(set(burns)) == 1 and len(set(bags)) == 1:
        return f"{_digits(bags[0], 'bag')}{_digits(burns[0], 'burn')} each"
    return f"{_digits(sum(bags), 'bag')}{_digits(sum(burns), 'burn')}"


def _counts(facts: Facts, cast: Cast) -> tuple[list[int], list[int]]:
    names = [player.id for player in cast]
    return [facts.burns_of(name) for name in names], [facts.bags_of(name) for name in names]


def _digits(count: int, one: str) -> str:
    if one == "bag":
        return f"{count} bag{'s' if count != 1 else ''}, " if count else ""
    return f"{count} {one}{'s' if count != 1 else ''}"


def n_words(facts: Facts, cast: Cast | None = None) -> str:
    """Return n of every fuel, or of those shown, in words, for captions."""
    shown = cast or facts.cast
    burns, bags = _counts(facts, shown)
    if len(shown) > 1 and len(set(burns)) == 1 and len(set(bags)) == 1:
        of_bags = f", from {counted(bags[0], 'bag')} each" if bags[0] else ""
        return f"{counted(burns[0], 'burn')} of each fuel{of_bags}"
    each = [
        f"{player.name} {counted(n, 'burn')}" + (f" from {counted(of, 'bag')}" if of else "")
        for player, n, of in zip(shown, burns, bags, strict=True)
    ]
    return "; ".join(each)
