"""Forty seasons of thirty-six burns with known spreads: what the control chart finds, and what pooling gives.

python -m tests.simulate.history [--trials N] prints shares of charts with a signal, with and without a planted
drift, beside the stated rate, and pooled SDs beside the true ones.
"""

import argparse
import sys

import numpy as np
import pandas as pd

from kit.history import Season, history_of
from kit.history.control_chart import FALSE_ALARMS
from kit.history.seasons import Measured

SEED = 30_000
SEASONS, FUELS, BAGS, BURNS, PER_DAY = 40, 6, 3, 2, 3
SDS = {"bag": 6.0, "day": 4.0, "burn": 10.0}
LEVELS = np.array([200.0, 240.0, 260.0, 215.0, 190.0, 230.0])
TRIAL = {
    "control_fuel": "f0",
    "primary": ["peak"],
    "charge": {"by": "mass", "grams": 400.0},
    "time_zero": "lit",
    "cookers": ["drum"],
    "probe": "grate",
    "probes": [{"id": "grate", "place": "grate"}],
    "fuels": [{"id": f"f{k}", "name": f"fuel {k}", "brand": ""} for k in range(FUELS)],
}


def made_season(number, rng, shift=0.0, sds=None, season_sd=0.0):
    """Return one season: each fuel in two halves of six days, bags in turn, order drawn."""
    sds = sds or SDS
    n = FUELS * BAGS * BURNS
    fuel = np.concatenate([rng.permutation(FUELS) for _ in range(BAGS * BURNS)])
    bag = np.repeat(np.arange(BAGS * BURNS) % BAGS, FUELS)
    day = np.arange(n) // PER_DAY
    value = LEVELS[fuel] + shift + rng.normal(0, season_sd) if season_sd else LEVELS[fuel] + shift
    value = value + rng.normal(0, sds["bag"], (FUELS, BAGS))[fuel, bag]
    value = value + rng.normal(0, sds["day"], day.max() + 1)[day] + rng.normal(0, sds["burn"], n)
    first = pd.Timestamp("2000-03-01") + pd.DateOffset(months=6 * number)
    days = [str((first + pd.Timedelta(days=int(each))).date()) for each in day]
    rows = [
        Measured(f"{k:02d}", f"fuel {fuel[k]}", f"b{bag[k]}", days[k], float(value[k]), "exact")
        for k in range(n)
    ]
    return Season(f"s{number:02d}", "", TRIAL, {"peak": rows}, ("", ""), 0, min(days), "fuel 0")


def one_history(rng, shifts, **how):
    seasons = [made_season(k, rng, shift, **how) for k, shift in enumerate(shifts)]
    return history_of(seasons).metrics["peak"]


def drift_se(seasons=SEASONS, seed=SEED):
    """Return the standard error of the control fuel's change from first to last season, under the true spreads."""
    drift = one_history(np.random.default_rng(seed), np.zeros(seasons)).chart.drift
    return float(drift["se"].iloc[0])


def season_se(seed=SEED):
    """Return the standard error of one season's mean of the control fuel."""
    return float(one_history(np.random.default_rng(seed), np.zeros(SEASONS)).chart.seasons["se"].mean())


def planted(kind, sizes):
    """Return the shift of each season: none, a steady drift, or a step from the middle or the last season on."""
    along = np.arange(SEASONS)
    if kind == "drift":
        return 4 * sizes["drift"] * along / (SEASONS - 1)
    if kind == "step at the last season":
        return 4 * sizes["season"] * (along == SEASONS - 1)
    return np.zeros(SEASONS)


def simulate(trials, kinds=("nothing", "drift", "step at the last season"), seed=SEED):
    """Return a row a kind: share of charts with any signal, its Monte-Carlo error; and the pooled variances drawn."""
    sizes = {"drift": drift_se(), "season": season_se()}
    rows, variances = [], []
    for place, kind in enumerate(kinds):
        rng = np.random.default_rng(seed + 1 + place)
        flagged = 0
        for _ in range(trials):
            found = one_history(rng, planted(kind, sizes))
            flagged += len(found.chart.signals) > 0
            if kind == "nothing":
                variances.append([found.pooled.variance(term) for term in SDS])
        share = flagged / trials
        rows.append((kind, share, np.sqrt(share * (1 - share) / trials), trials))
    table = pd.DataFrame(rows, columns=["planted", "flagged", "mc_error", "trials"])
    return table, pd.DataFrame(variances, columns=list(SDS))


def pooled_table(variances):
    """Return for each component the true variance, the mean of the pooled ones and its Monte-Carlo error."""
    rows = [
        (term, sd**2, variances[term].mean(), variances[term].std(ddof=1) / np.sqrt(len(variances)))
        for term, sd in SDS.items()
    ]
    return pd.DataFrame(rows, columns=["component", "true", "mean", "mc_error"])


def words(trials):
    """Return what the simulations gave, beside what was stated."""
    table, variances = simulate(trials)
    return "\n".join(
        [
            f"forty seasons of thirty-six burns; stated false-alarm rate {FALSE_ALARMS:.3f}",
            table.round(4).to_string(index=False),
            pooled_table(variances).round(3).to_string(index=False),
        ]
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=200)
    print(words(parser.parse_args().trials))
    return 0


if __name__ == "__main__":
    sys.exit(main())
