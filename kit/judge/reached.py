"""How many burns reached a temperature: shares with exact intervals, and fuels compared, bags minded."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations
from math import comb

import numpy as np
import pandas as pd
from scipy import special

from kit import schema
from kit.judge.question import MOST_FUELS, Counted, Question
from kit.judge.verdicts import DIFFERENT, OPEN
from kit.variance.families import holm

PAIRS = schema.names("reached_pairs")
MOST_WAYS = 20_000
"""Ways to share bags out between two fuels that are looked at one by one."""


def share_reached(counted: Counted, level: float = 0.95) -> pd.DataFrame:
    """Return for each threshold and fuel how many burns reached it (schema.REACHED).

    A burn whose log ends before the threshold is reached tells nothing of it and is left out.

    Parameters
    ----------
    counted
        The burns that count; those compared with one another are counted here.
    level
        Confidence.

    Notes
    -----
    Clopper & Pearson (1934): of n burns k reached it; low = B(α/2; k, n − k + 1), high = B(1 − α/2; k + 1, n − k).
    """
    records, tail = [], (1 - level) / 2
    for metric, told in _told(counted).items():
        for fuel, rows in told.groupby("fuel", sort=False):
            n, k = len(rows), int(rows["reached"].sum())
            low = float(special.betaincinv(k, n - k + 1, tail)) if k else 0.0
            high = float(special.betaincinv(k + 1, n - k, 1 - tail)) if k < n else 1.0
            records.append((metric, fuel, k, n, k / n, low, high, bags_disagree(rows), level))
    return pd.DataFrame(records, columns=schema.names("reached"))


def reached_compared(counted: Counted, question: Question) -> pd.DataFrame:
    """Compare fuels by how many of their burns reached each threshold (schema.REACHED_PAIRS).

    Thresholds that all burns of all fuels reached are left out. Every pair, or all against the control fuel, with
    Holm's p over the pairs of a threshold.

    Notes
    -----
    Fisher's exact test, two-sided, with half the chance of what was seen (mid-p; Lancaster 1961). Where bags of one of
    the two fuels disagree, burns of a bag are not as good as burns of many: whole bags are then shared out between
    the fuels in every way, and the difference of the shares is held against those.
    """
    records = []
    for metric, told in _told(counted).items():
        parts = dict(iter(told.groupby("fuel", sort=False)))
        control = question.control_in(list(parts))
        too_many = len(parts) > MOST_FUELS and not control
        if told["reached"].all() or len(parts) < 2 or too_many:
            continue
        pairs = [(f, control) for f in parts if f != control] if control else combinations(parts, 2)
        table = pd.DataFrame([_compared(a, b, parts) for a, b in pairs])
        table["p_adjusted"] = holm(table["p"].to_numpy())
        differ = table["p_adjusted"] < 1 - question.level
        larger = table["reached_a"] / table["n_a"] > table["reached_b"] / table["n_b"]
        table["verdict"] = np.where(differ, DIFFERENT, OPEN)
        table["direction"] = np.where(differ, np.where(larger, "a", "b"), "")
        records.append(table.assign(metric=metric, level=question.level))
    return pd.concat(records, ignore_index=True)[PAIRS] if records else pd.DataFrame(columns=PAIRS)


def bags_disagree(rows: pd.DataFrame) -> bool:
    """Return whether burns of one bag reached the threshold and burns of another of the same fuel did not."""
    shares = rows.groupby("bag")["reached"].mean()
    return bool(shares.max() > shares.min())


def _told(counted: Counted) -> dict[str, pd.DataFrame]:
    """Return of each threshold the burns that tell of it, and whether each reached it."""
    found = {}
    for name in dict.fromkeys(counted.metrics["metric"]):
        if name.startswith("time_to:"):
            rows = counted.compared(name)
            reached = rows["status"].isin(["exact", "at most"])
            found[name] = rows.assign(reached=reached)[reached | rows["status"].eq("never")]
    return found


def _compared(a: str, b: str, parts: Mapping[str, pd.DataFrame]) -> dict[str, object]:
    (k, n), (j, m) = ((int(parts[fuel]["reached"].sum()), len(parts[fuel])) for fuel in (a, b))
    disagree = [fuel for fuel in (a, b) if bags_disagree(parts[fuel])]
    return {
        "a": a, "b": b, "reached_a": k, "n_a": n, "reached_b": j, "n_b": m,
        "p": _bags_shared_out(parts[a], parts[b]) if disagree else _fisher(k, n, j, m),
        "method": "whole bags shared out anew" if disagree else "Fisher, mid-p", "disagree": " ".join(disagree),
    }  # fmt: skip


def _fisher(k: int, n: int, j: int, m: int) -> float:
    """Return the two-sided mid-p of k of n against j of m, both margins held."""
    hits = k + j
    ways = np.array([comb(n, i) * comb(m, hits - i) if i <= hits else 0 for i in range(n + 1)], float)
    chance = ways / ways.sum()
    return _mid_p(chance, np.isclose(chance, chance[k], rtol=1e-9), chance < chance[k])


def _bags_shared_out(of_a: pd.DataFrame, of_b: pd.DataFrame) -> float:
    """Return the two-sided mid-p of the difference of shares over all ways to give the bags to the two fuels."""
    by_bag = (rows.groupby("bag", sort=False)["reached"] for rows in (of_a, of_b))
    bags = pd.concat([each.agg(["sum", "size"]) for each in by_bag])
    reached, burns = bags["sum"].to_numpy(float), bags["size"].to_numpy(float)
    first = of_a["bag"].nunique()
    if comb(len(bags), first) <= MOST_WAYS:
        chosen = np.array(list(combinations(range(len(bags)), first)))
    else:
        rng = np.random.default_rng(1)
        drawn = [rng.permutation(len(bags))[:first] for _ in range(MOST_WAYS - 1)]
        chosen = np.array([np.arange(first), *drawn])
    k, n = reached[chosen].sum(axis=1), burns[chosen].sum(axis=1)
    apart = np.abs(k / n - (reached.sum() - k) / (burns.sum() - n))
    same = np.isclose(apart, apart[0])
    return _mid_p(np.full(len(apart), 1 / len(apart)), same, (apart > apart[0]) & ~same)


def _mid_p(chance: np.ndarray, same: np.ndarray, beyond: np.ndarray) -> float:  # type: ignore[type-arg]
    return float(chance[beyond & ~same].sum() + chance[same].sum() / 2)
