"""The burns that count in mean curves, with the bag and the day of each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from kit.burns import Curves

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Units:
    """The burns that count, with the unit each belongs to: its bag, or itself where no bag was noted.

    Attributes
    ----------
    celsius
        (burns, times).
    unit, day
        (burns) code of its unit, and of its day; one day for all where days were not noted.
    fuel
        (units) code of its fuel.
    fuels
        Fuels in the order of the burns.
    by_bag
        Whether units are bags.
    """

    celsius: Array
    unit: Codes
    day: Codes
    fuel: Codes
    fuels: tuple[str, ...]
    by_bag: bool

    @property
    def day_apart(self) -> Mask:
        """(fuels, fuels) pairs that days keep apart: each fuel was burned on one day, and theirs differ."""
        own = self.fuel[self.unit]
        first = np.array([self.day[own == fuel][0] for fuel in range(len(self.fuels))], dtype=np.int64)
        if (self.day != first[own]).any():
            return np.zeros((len(first), len(first)), dtype=bool)
        apart: Mask = first[:, None] != first
        return apart


def units_of(curves: Curves) -> Units:
    """Return the counted burns by bag; bags are counted within fuels, blank ones as one of their own."""
    kept = np.flatnonzero(curves.counted)
    fuels = tuple(dict.fromkeys(curves.fuel[i] for i in kept))
    by_bag = any(curves.bag[i] for i in kept)
    names = [(curves.fuel[i], curves.bag[i] if by_bag else curves.burn[i]) for i in kept]
    known = {name: code for code, name in enumerate(dict.fromkeys(names))}
    days = [curves.day[i] for i in kept]
    day_codes = {day: code for code, day in enumerate(dict.fromkeys(days))} if "" not in days else {}
    return Units(
        curves.celsius[kept],
        np.array([known[name] for name in names], dtype=np.int64),
        np.array([day_codes.get(day, 0) for day in days], dtype=np.int64),
        np.array([fuels.index(fuel) for fuel, _ in known], dtype=np.int64),
        fuels,
        by_bag,
    )
