"""Planned chances against the whole chain: burns from physics, peak, repeat-trial model, verdict.

`python -m tests.simulate.planning [TRIALS]` runs 4,000 trials of each of twelve designs and prints, for each
true difference, the planned and the simulated chance of seeing it and of saying 'the same'. Fuels differ in how
fast a piece burns; bags and burns by pieces, moisture, packing, lighting and, in designs with days, by weather.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.judge.comparisons import compare_fuels
from kit.judge.verdicts import DIFFERENCES, SAME
from kit.plan.burning import KINDS, Burnt, Conditions, Recipe, burn, charges_of, conditions
from kit.plan.power import Design, chance_of, power_of
from kit.plan.schedule import run_order
from kit.plan.simulated import weather_of
from kit.variance import fit_repeats

Floats = npt.NDArray[np.float64]

TRIALS, SEED = 4_000, 20_260_401
STEP_S, HOURS, AT_ONCE = 20.0, 2.0, 12_000
FLUXES = (1.0, 1.0, 1.14, 1.31)  # of the fuels in turn: alike, alike, about a margin hotter, about two
MARGIN = 12.0
POOL_BAGS = 4_000
ALLOWED = 0.03


@dataclass(frozen=True)
class Tried:
    """A design to try: fuels (by their place in FLUXES), bags, burns, burns a day (0: days do not differ)."""

    fuels: tuple[int, ...]
    bags: int
    burns: int
    per_day: int = 0


DESIGNS = (
    Tried((0, 2), 3, 2),
    Tried((0, 3), 2, 3),
    Tried((0, 1), 6, 1),
    Tried((0, 2, 3), 2, 2),
    Tried((0, 1, 2), 4, 2),
    Tried((0, 2, 3), 5, 1),
    Tried((0, 1, 2, 3), 3, 3),
    Tried((0, 1, 2, 3), 2, 2),
    Tried((0, 1, 2, 3), 3, 2, 4),
    Tried((0, 1, 2, 3), 3, 2, 2),
    Tried((0, 1, 2, 3, 0, 2), 3, 2, 3),
    Tried((0, 1, 2, 3, 0, 2), 6, 1),
)


def recipe(place: int) -> Recipe:
    """Return the recipe of a fuel."""
    return replace(KINDS["briquette"], flux=KINDS["briquette"].flux * FLUXES[place])


def peaks(burnt: Burnt) -> Floats:
    """Return peaks as the kit's metric has them: running median of 60 s, then running mean of 120 s."""
    temps = burnt.grate_c
    a, b, c = temps[:, :-2], temps[:, 1:-1], temps[:, 2:]
    median = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    weights = np.array([0.5, 1, 1, 1, 1, 1, 0.5]) / 6
    size = median.shape[1] - 6
    smooth: Floats = sum(w * median[:, k : k + size] for k, w in enumerate(weights))  # type: ignore[assignment]
    return np.asarray(smooth.max(axis=1))


def burnt_peaks(
    places: Sequence[int], bags: npt.NDArray[np.int_], sky: Conditions | None, seed: int, whole: int
) -> Floats:
    """Simulate burns and return their peaks, standard weather where none is given; `whole` burns stay together."""
    recipes = [recipe(place) for place in FLUX_PLACES]
    found = np.empty(len(places))
    step = AT_ONCE // whole * whole
    for part, begin in enumerate(range(0, len(places), step)):
        rows = slice(begin, begin + step)
        of_burn = [recipes[place] for place in places[rows]]
        burns = len(of_burn)
        own = np.unique(bags[rows], return_inverse=True)[1]
        humid = np.full(burns, 60.0) if sky is None else sky.humidity_pct[rows]
        charges = charges_of(of_burn, own.tolist(), np.full(burns, 400.0), humid, seed + 1000 * part)
        around = conditions(burns)
        if sky is not None:
            around = _weathered(around, sky, rows)
        found[rows] = peaks(burn(charges, around, hours=HOURS, step_s=STEP_S, seed=seed + 1000 * part))
    return found


FLUX_PLACES = tuple(range(len(FLUXES)))


def _weathered(around: Conditions, sky: Conditions, rows: slice) -> Conditions:
    return replace(around, ambient_c=sky.ambient_c[rows], wind_m_s=sky.wind_m_s[rows])


@dataclass(frozen=True)
class Truth:
    """Mean and variances of each fuel, from many simulated bags and burns."""

    means: Floats
    variances: dict[str, list[float]]

    def sds(self, tried: Tried) -> dict[str, float]:
        """Return the standard deviations to plan a design with: those of its own fuels, pooled."""
        own = list(tried.fuels)
        return {name: float(np.sqrt(np.mean(np.array(v)[own]))) for name, v in self.variances.items()}


def truth(days: bool) -> Truth:
    """Return the truth to plan with: in designs with days two burns share each day, of different bags."""
    means, within, between, shared = [], [], [], []
    for place in FLUX_PLACES:
        burns = 2 * POOL_BAGS
        bags = np.repeat(np.arange(POOL_BAGS), 2)
        day = np.roll(np.arange(burns), 1) // 2  # the second burn of a bag with the first of the next
        sky = weather_of([f"{n:06d}" for n in day], SEED + 7) if days else None
        twin = FLUXES.index(FLUXES[place])  # fuels made alike are alike
        table = burnt_peaks([place] * burns, bags, sky, SEED + twin, 2)
        means.append(table.mean())
        pairs = table.reshape(-1, 2)
        everything = table.var(ddof=1)
        of_bag = float(np.mean((pairs[:, 0] - table.mean()) * (pairs[:, 1] - table.mean())))
        neighbours = np.roll(table, 1).reshape(-1, 2)
        of_day = float(np.mean((neighbours[:, 0] - table.mean()) * (neighbours[:, 1] - table.mean())))
        of_day = max(of_day, 0.0) if days else 0.0
        between.append(max(of_bag, 0.0))
        shared.append(of_day)
        within.append(everything - max(of_bag, 0.0) - of_day)
    return Truth(np.array(means), {"bag": between, "burn": within, "day": shared})


def table_of(tried: Tried) -> pd.DataFrame:
    """Return fuel, bag and day of a design, a row a burn."""
    names = [f"f{n}" for n in range(len(tried.fuels))]
    if tried.per_day:
        return run_order(names, tried.bags, tried.burns, tried.per_day, seed=1)
    table = Design(len(names), tried.bags, tried.burns).table()
    table["fuel"] = [names[n] for n in table["fuel"]]
    table["bag"] = table["fuel"] + "-" + table["bag"].astype(str)
    return table


def simulated(tried: Tried, table: pd.DataFrame, trials: int, seed: int) -> Floats:
    """Return peaks of whole simulated trials; burns × trials."""
    place = {f"f{n}": fuel for n, fuel in enumerate(tried.fuels)}
    bag_codes, bag_names = pd.factorize(table["bag"])
    burns = len(table)
    places = [place[fuel] for fuel in table["fuel"]] * trials
    bags = (bag_codes[None, :] + len(bag_names) * np.arange(trials)[:, None]).ravel()
    sky = None
    if tried.per_day:
        days = pd.factorize(table["day"])[0]
        sky = weather_of([f"{t:05d}-{d:03d}" for t in range(trials) for d in days], seed + 5)
    return burnt_peaks(places, bags, sky, seed, burns).reshape(trials, burns).T


def compare(tried: Tried, known: Truth, trials: int, seed: int) -> pd.DataFrame:
    """Return planned and simulated chances of one design, a row for each true difference."""
    table = table_of(tried)
    values = [f"v{n}" for n in range(trials)]
    wide = pd.DataFrame(simulated(tried, table, trials, seed), columns=values)
    columns = ["fuel", "bag", "day"]
    frame = pd.concat([table[columns].reset_index(drop=True), wide], axis=1)
    fit = fit_repeats(frame, value=values, day="day" if tried.per_day else None)
    judged = compare_fuels(fit, margin=MARGIN)
    mean = {f"f{n}": known.means[fuel] for n, fuel in enumerate(tried.fuels)}
    judged["truth"] = [
        round(abs(mean[a] - mean[b]), 6) for a, b in zip(judged["a"], judged["b"], strict=True)
    ]
    design = table if tried.per_day else Design(len(tried.fuels), tried.bags, tried.burns)
    return pd.DataFrame(
        [_row(tried, design, known, rows, at, trials) for at, rows in judged.groupby("truth")]
    )


def _row(
    tried: Tried, design: Design | pd.DataFrame, known: Truth, rows: pd.DataFrame, at: float, trials: int
) -> dict[str, object]:
    power = power_of(design, known.sds(tried), at, MARGIN)
    seen, same = chance_of(power, at), chance_of(power, at, [SAME])
    found_seen = float(rows["verdict"].isin(list(DIFFERENCES)).mean())
    found_same = float(rows["verdict"].eq(SAME).mean())
    error = float(np.sqrt(max(seen * (1 - seen), same * (1 - same), 0.25 / trials) / trials))
    off = max(abs(found_seen - seen), abs(found_same - same))
    return {
        "fuels": len(tried.fuels), "bags": tried.bags, "burns": tried.burns, "per_day": tried.per_day,
        "difference": at, "planned_seen": seen, "simulated_seen": found_seen, "planned_same": same,
        "simulated_same": found_same, "off": off, "mc_error": error, "within": off <= ALLOWED + 2 * error,
    }  # fmt: skip


def run(designs: Sequence[Tried] = DESIGNS, trials: int = TRIALS) -> pd.DataFrame:
    """Return the whole table."""
    known = {days: truth(days) for days in {bool(tried.per_day) for tried in designs}}
    parts = [
        compare(tried, known[bool(tried.per_day)], trials, SEED + 100_000 * (n + 1))
        for n, tried in enumerate(designs)
    ]
    return pd.concat(parts, ignore_index=True)


def main() -> int:
    """Print the table; 1 where a design lies outside what is allowed."""
    table = run(trials=int(sys.argv[1]) if len(sys.argv) > 1 else TRIALS)
    print(table.round(4).to_string(index=False))
    return 0 if table["within"].all() else 1


if __name__ == "__main__":
    sys.exit(main())
