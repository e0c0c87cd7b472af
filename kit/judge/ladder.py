"""The ladder: fuels in order of their means, with brackets joining those not told apart."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd


def ladder(means: pd.DataFrame, pairs: pd.DataFrame) -> pd.DataFrame:
    """Order fuels by their means and bracket those that the simultaneous intervals do not part.

    Two fuels share a bracket exactly where the interval of their difference does not exclude equality.

    Parameters
    ----------
    means
        Rows of ``schema.MEANS`` for one metric.
    pairs
        Rows of ``schema.COMPARISONS`` for every pair of these fuels, with simultaneous limits.

    Returns
    -------
    DataFrame
        place, fuel, mean, low, high, brackets (numbers parted by spaces), unit; largest mean first.
    """
    ordered = means.sort_values(["mean", "fuel"], ascending=[False, True], kind="stable")
    fuels = list(ordered["fuel"])
    brackets = _brackets(_not_parted(fuels, pairs))
    numbers = [
        " ".join(str(number) for number, group in enumerate(brackets, start=1) if place in group)
        for place in range(len(fuels))
    ]
    table = ordered[["fuel", "mean", "low", "high"]].reset_index(drop=True)
    table.insert(0, "place", range(1, len(fuels) + 1))
    return table.assign(brackets=numbers, unit=ordered["unit"].to_numpy())


def _not_parted(fuels: list[str], pairs: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Return (fuels, fuels): whether the interval of their difference holds equality."""
    place = {fuel: code for code, fuel in enumerate(fuels)}
    joined = np.zeros((len(fuels), len(fuels)), dtype=np.bool_)
    a, b = (pairs[name].map(place).to_numpy() for name in ("a", "b"))
    equal = np.where(pairs["scale"] == "log", 1.0, 0.0)
    parted = (pairs["low"].to_numpy(float) > equal) | (pairs["high"].to_numpy(float) < equal)
    joined[a, b] = joined[b, a] = ~parted
    return joined


def _brackets(joined: npt.NDArray[np.bool_]) -> list[list[int]]:
    """Return sets of fuels, all joined to one another, that together hold every joined pair.

    From the top, each pair that no bracket holds yet opens one with the farthest such fuel, and every fuel joined to
    all in it enters. Every letter display parts and joins the same fuels (Piepho 2004); the one with all largest
    sets (Bron & Kerbosch 1973) may need more letters than anyone can count, this one never more than pairs. Where means
    are equally exact, brackets are the runs of neighbours of the classical display.
    """
    open_pairs, brackets = np.triu(joined, 1), []
    for top in range(len(joined)):
        while open_pairs[top].any():
            group = [top, int(np.flatnonzero(open_pairs[top])[-1])]
            for place in range(len(joined)):
                if place not in group and joined[place, group].all():
                    group.append(place)
            group.sort()
            open_pairs[np.ix_(group, group)] = False
            brackets.append(group)
    return brackets
