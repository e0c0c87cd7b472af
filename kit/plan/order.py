"""In what order to burn: day blocks, drawn from a recorded seed, that keep fuels comparable."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.errors import KitError, Problem

Numbers = npt.NDArray[np.int_]

ORDER_COLUMNS = ("burn", "fuel", "bag", "day", "order")
ROUNDS = 60  # sweeps of the search for even blocks; it settles long before


def run_order(
    fuels: Sequence[str],
    bags: int,
    burns: int,
    per_day: int,
    seed: int,
    control: str | None = None,
    first_day: str | date = "2026-03-02",
    weekdays: Sequence[int] = (0, 1, 2, 3, 4, 5, 6),
    spare_every: int = 0,
    cookers: Sequence[str] = (),
) -> pd.DataFrame:
    """Draw the order of burns: each day a block, each fuel at most once a block where it fits.

    Parameters
    ----------
    fuels
        Ids; the control fuel among them.
    bags, burns
        Bags a fuel and burns a bag.
    per_day
        Burns a day.
    seed
        Of the draw; the same seed gives the same order.
    control
        A fuel that burns on every day, with further burns from its bags where its share does not reach.
    first_day, weekdays
        Where the calendar begins, and which weekdays (0 Monday) are burned on.
    spare_every
        Keep a spare day after so many days, for weather; 0 for none.
    cookers
        Cookers of one make, a block each; the burns of a day take them in turn, and each fuel and bag meets
        them as evenly as goes.

    Returns
    -------
    DataFrame
        burn, fuel, bag ('FUEL-1'), day (yyyy-mm-dd), order (place in the whole order), and cooker where there
        are several; spare days stand in
        the frame's attrs['spare_days'], the seed in attrs['seed'].

    Raises
    ------
    KitError
        Where the blocks cannot link all fuels, so that some could never be compared.
    """
    _check(fuels, bags, burns, per_day, control)
    rng = np.random.default_rng([seed, 21])
    blocks = _blocks(len(fuels), bags * burns, per_day, _place(fuels, control), rng)
    if per_day > 1 and not connected(blocks):
        raise KitError(_unlinked(len(fuels), per_day))
    days, spare = _calendar(len(blocks), first_day, weekdays, spare_every)
    rows = [(days[d], fuels[f]) for d, block in enumerate(blocks) for f in block]
    table = pd.DataFrame(rows, columns=["day", "fuel"])
    table["bag"] = _bags(table["fuel"].tolist(), fuels, bags, rng)
    if len(cookers) > 1:
        table = _into_cookers(table, cookers, rng)
    table["order"] = range(1, len(table) + 1)
    width = max(2, len(str(len(table))))
    table["burn"] = [f"{n:0{width}d}" for n in table["order"]]
    table.attrs.update(seed=seed, spare_days=spare)
    return table[[*ORDER_COLUMNS, *(["cooker"] if len(cookers) > 1 else [])]]


def _into_cookers(table: pd.DataFrame, cookers: Sequence[str], rng: np.random.Generator) -> pd.DataFrame:
    """Turn the burns of each day so that fuels, and then bags, meet the cookers as evenly as goes.

    A day's burns take the cookers in turn; which burn comes first is what is searched, day by day, until no
    day's turning makes the counts more even.
    """
    days = [part.index.to_numpy() for _, part in table.groupby("day", sort=True)]
    place = np.concatenate([np.arange(len(day)) % len(cookers) for day in days])
    fuels, bags = (pd.factorize(table[name])[0] for name in ("fuel", "bag"))
    order = np.concatenate(days)

    def unevenness(at: Numbers) -> float:
        counts = [np.zeros((codes.max() + 1, len(cookers))) for codes in (fuels, bags)]
        for count, codes in zip(counts, (fuels, bags), strict=True):
            np.add.at(count, (codes[at], place), 1)
        return float(10 * (counts[0] ** 2).sum() + (counts[1] ** 2).sum())

    best, starts = unevenness(order), np.cumsum([0, *map(len, days)])
    for _ in range(ROUNDS):
        before = best
        for d in rng.permutation(len(days)):
            turned = order.copy()
            turned[starts[d] : starts[d + 1]] = rng.permutation(order[starts[d] : starts[d + 1]])
            if (score := unevenness(turned)) <= best:
                order, best = turned, score
        if best == before and _ > ROUNDS // 2:
            break
    table = table.loc[order].reset_index(drop=True)
    table["cooker"] = [cookers[p] for p in place]
    return table


def connected(blocks: Sequence[Sequence[int]]) -> bool:
    """Return whether every fuel is linked to every other through shared blocks."""
    groups: list[set[int]] = []
    for block in blocks:
        touching = [group for group in groups if group & set(block)]
        groups = [group for group in groups if group not in touching]
        groups.append(set(block).union(*touching))
    return len(groups) == 1


def _check(fuels: Sequence[str], bags: int, burns: int, per_day: int, control: str | None) -> None:
    problems = []
    for name, value in (("bags", bags), ("burns", burns), ("per_day", per_day)):
        if value < 1:
            problems.append(Problem("refuse", f"run order, {name}", str(value), "at least 1", "Raise it."))
    if len(set(fuels)) != len(fuels) or not fuels:
        text = ", ".join(fuels) or "none"
        problems.append(Problem("refuse", "run order, fuels", text, "each fuel once", "Mend the list."))
    if control is not None and control not in fuels:
        problems.append(
            Problem(
                "refuse", "run order, control", f"'{control}'", "one of the fuels", "Name a fuel of the list."
            )
        )
    if problems:
        raise KitError(problems)


def _unlinked(fuels: int, per_day: int) -> Problem:
    return Problem(
        "refuse",
        "run order",
        f"{per_day} burn(s) a day for {fuels} fuels",
        "days that link every fuel with every other",
        "Burn at least two fuels a day, or more burns a fuel: else fuel and day cannot be separated.",
    )


def _place(fuels: Sequence[str], control: str | None) -> int | None:
    return None if control is None else list(fuels).index(control)


def _blocks(
    fuels: int, each: int, per_day: int, control: int | None, rng: np.random.Generator
) -> list[list[int]]:
    """Deal burns into day blocks, even out who meets whom, and shuffle within and between days."""
    others = [f for f in range(fuels) if f != control]
    room = per_day if control is None else max(per_day - 1, 1)
    pack = np.repeat(others, each)
    count = max(-(-len(pack) // room), each if control is not None else 1)
    sizes = np.full(count, len(pack) // count)
    sizes[: len(pack) % count] += 1
    block_of = np.repeat(np.arange(count), sizes)
    dealt = _even(rng.permutation(pack), block_of, fuels, rng)
    blocks = [list(map(int, dealt[block_of == b])) for b in range(count)]
    if control is not None:
        blocks = [[*block, control] for block in blocks]
    return [list(map(int, rng.permutation(blocks[b]))) for b in rng.permutation(count)]


def _even(dealt: Numbers, block_of: Numbers, fuels: int, rng: np.random.Generator) -> Numbers:
    """Swap burns between blocks while that evens out how often each pair of fuels meets."""
    dealt = dealt.copy()
    score = _unevenness(dealt, block_of, fuels)
    pairs = list(itertools.combinations(range(len(dealt)), 2))
    for _ in range(ROUNDS):
        before = score
        for i, j in rng.permutation(pairs)[:4000]:
            if block_of[i] == block_of[j] or dealt[i] == dealt[j]:
                continue
            dealt[[i, j]] = dealt[[j, i]]
            trial = _unevenness(dealt, block_of, fuels)
            if trial <= score:
                score = trial
            else:
                dealt[[i, j]] = dealt[[j, i]]
        if score == before:
            break
    return dealt


def _unevenness(dealt: Numbers, block_of: Numbers, fuels: int) -> float:
    """Sum of squared meetings of pairs; a fuel meeting itself weighs most."""
    counts = np.zeros((block_of[-1] + 1, fuels))
    np.add.at(counts, (block_of, dealt), 1)
    meetings = counts.T @ counts
    twice = (counts * (counts - 1)).sum()
    off = meetings - np.diag(np.diag(meetings))
    return float((off**2).sum() + 1e3 * twice)


def _bags(burnt: Sequence[str], fuels: Sequence[str], bags: int, rng: np.random.Generator) -> list[str]:
    """Deal each fuel's bags in rounds, each round in a new order, so that a bag's burns lie days apart."""
    rounds = -(-len(burnt) // bags)
    turns = {fuel: iter([b for _ in range(rounds) for b in rng.permutation(bags)]) for fuel in fuels}
    return [f"{fuel}-{next(turns[fuel]) + 1}" for fuel in burnt]


def _calendar(
    count: int, first_day: str | date, weekdays: Sequence[int], spare_every: int
) -> tuple[list[str], list[str]]:
    day = date.fromisoformat(first_day) if isinstance(first_day, str) else first_day
    used: list[str] = []
    spare: list[str] = []
    while len(used) < count:
        if day.weekday() in weekdays:
            due = spare_every > 0 and len(used) // spare_every > len(spare)
            (spare if due else used).append(day.isoformat())
        day += timedelta(days=1)
    return used, spare
