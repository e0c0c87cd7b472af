"""The rows of the simulation table."""

from tests.simulate.trials import (
    REFERENCE,
    SECTION_3,
    Case,
    Layout,
    Sizes,
    Truth,
    block_days,
    complete_days,
    even,
    scattered_days,
)

RATIOS = (0.0, 0.5, 1.0, 2.0)
"""Bag SD over burn SD."""

_UNEVEN_SPREAD = (3.0, 3.0, 1.0, 1.0)


def _own_days(sizes: Sizes, per: str) -> tuple[int, ...]:
    """Each fuel, or each bag, on a day of its own."""
    days, bag = [], 0
    for fuel, bags in enumerate(sizes):
        for burns in bags:
            days += [fuel if per == "fuel" else bag] * burns
            bag += 1
    return tuple(days)


def _nested() -> list[Case]:
    layouts = (
        Layout("4 × 3 × 3", even(4, 3, 3)),
        Layout("3 × 2 × 2", even(3, 2, 2)),
        Layout("unbalanced, section 3", SECTION_3),
        Layout("unbalanced, burns_unbalanced", REFERENCE),
    )
    return [Case(layout, Truth(bag=ratio)) for layout in layouts for ratio in RATIOS]


def _days() -> list[Case]:
    square = even(4, 3, 3)
    crossed = (complete_days(3, 3, 4), block_days(6, 3, 2, 3, seed=1))
    each_bag = Layout("4 × 3 × 3, each bag on a day of its own", square, _own_days(square, "bag"))
    each_fuel = Layout("4 × 3 × 3, each fuel on a day of its own", square, _own_days(square, "fuel"))
    return [
        *(
            Case(layout, Truth(bag, day))
            for layout in crossed
            for bag, day in ((0.0, 1.0), (0.5, 0.5), (1.0, 0.0))
        ),
        Case(crossed[0], Truth(0.5, 1.0), use_days=False, note="days left out"),
        Case(each_bag, Truth(0.5, 0.5)),
        Case(each_fuel, Truth(0.5, 0.5)),
        Case(each_fuel, Truth(0.5, 0.5), use_days=False, note="days left out"),
    ]


def _spread() -> list[Case]:
    layout = Layout("4 × 3 × 3, burn SD 3, 3, 1, 1", even(4, 3, 3))
    return [
        Case(layout, Truth(bag, burn=_UNEVEN_SPREAD), spread=spread, note=f"spread {spread}")
        for bag in (0.0, 1.0)
        for spread in ("common", "by fuel")
    ]


def _many_days() -> list[Case]:
    """Bags and days together explain every burn."""
    layout = scattered_days(3, 2, 2, 9, seed=0)
    return [Case(layout, Truth(bag, day)) for bag, day in ((0.0, 1.0), (0.5, 0.5), (1.0, 0.0))]


CASES = (*_nested(), *_days(), *_spread(), *_many_days())
