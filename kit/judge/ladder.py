"""The ladder: fuels in order of their means, with brackets joining those not told apart."""

from __future__ import annotations

from collections.abc import Iterator

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
    joined = _not_parted(fuels, pairs)
    brackets = [group for group in _maximal_groups(fuels, joined) if len(group) > 1]
    brackets.sort(key=lambda group: sorted(map(fuels.index, group)))
    numbers = [
        " ".join(str(number) for number, group in enumerate(brackets, start=1) if fuel in group)
        for fuel in fuels
    ]
    table = ordered[["fuel", "mean", "low", "high"]].reset_index(drop=True)
    table.insert(0, "place", range(1, len(fuels) + 1))
    return table.assign(brackets=numbers, unit=ordered["unit"].to_numpy())


def _not_parted(fuels: list[str], pairs: pd.DataFrame) -> dict[str, set[str]]:
    joined: dict[str, set[str]] = {fuel: set() for fuel in fuels}
    for row in pairs.itertuples(index=False):
        equal = 1.0 if row.scale == "log" else 0.0
        if not (row.low > equal or row.high < equal):
            joined[row.a].add(row.b)
            joined[row.b].add(row.a)
    return joined


def _maximal_groups(
    fuels: list[str],
    joined: dict[str, set[str]],
    group: frozenset[str] = frozenset(),
    candidates: set[str] | None = None,
    done: frozenset[str] = frozenset(),
) -> Iterator[frozenset[str]]:
    """Yield each largest set of fuels all joined to one another (Bron and Kerbosch 1973)."""
    left = set(fuels) if candidates is None else candidates
    if not left and not done:
        yield group
    for fuel in [fuel for fuel in fuels if fuel in left]:
        yield from _maximal_groups(
            fuels, joined, group | {fuel}, left & joined[fuel], done & frozenset(joined[fuel])
        )
        left = left - {fuel}
        done = done | {fuel}
