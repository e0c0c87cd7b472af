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

UNEVEN: Sizes = ((1, 6), (3, 1), (2, 2, 5), (6, 1, 1))

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


def _small() -> list[Case]:
    """Few bags, one burn a bag, very uneven ones, one bag a fuel (these bags), and errors that are not normal."""
    square, uneven = (
        Layout("4 × 2 × 2", even(4, 2, 2)),
        Layout("uneven 1, 6 | 3, 1 | 2, 2, 5 | 6, 1, 1", UNEVEN),
    )
    single = (Layout("5 × 2 × 1", even(5, 2, 1)), Layout("6 × 2 × 1", even(6, 2, 1)))
    return [
        *(Case(square, Truth(bag=ratio)) for ratio in (*RATIOS, 3.0)),
        *(Case(uneven, Truth(bag=ratio)) for ratio in (*RATIOS, 3.0)),
        *(Case(layout, Truth(bag=ratio)) for layout in single for ratio in (0.0, 1.0)),
        Case(Layout("5 × 1 × 3", even(5, 1, 3)), Truth(bag=0.0), bag=None, note="these bags"),
        *(
            Case(square, Truth(bag=ratio, errors=kind))
            for kind in ("t3", "log-normal")
            for ratio in (0.0, 1.0)
        ),
    ]


CASES = (*_nested(), *_days(), *_spread(), *_many_days(), *_small())
