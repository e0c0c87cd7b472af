"""Time the variance model against statsmodels' MixedLM on the same data; prints figures and ratios of one run.

    python tests/bench/bench_variance.py

Each figure is the median processor time of its repeats in one block, so that a busy machine changes it little; ratios
are MixedLM's bare fit over the kit's.
"""

import json
import os
import resource
import subprocess
import sys
import time
import warnings
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd

from kit.judge.comparisons import compare_fuels, fuel_means
from kit.judge.self_check import pair_rows, self_check
from kit.variance import contrasts, fit_repeats
from kit.variance.bootstrap import bootstrap
from kit.variance.sd_limits import component_limits

FOLDER = Path(__file__).parents[1] / "reference"
NEED = {"no Tukey": 10.0, "Tukey": 3.0, "bootstrap": 1.0}


def median_ms(call, repeats):
    call()
    taken = []
    for _ in range(repeats):
        begun = time.process_time()
        call()
        taken.append(time.process_time() - begun)
    return float(np.median(taken)) * 1e3


def mixed_lm(burns):
    from statsmodels.regression.mixed_linear_model import MixedLM

    X = pd.get_dummies(burns["fuel"]).astype(float).to_numpy()
    return MixedLM(burns["value"].to_numpy(), X, groups=(burns["fuel"] + burns["bag"]).to_numpy())


def whole(burns, multiplicity, **roles):
    fit = fit_repeats(burns, **roles)
    return fuel_means(fit, df="kenward-roger"), compare_fuels(
        fit, multiplicity=multiplicity, df="kenward-roger"
    )


def arrays(burns, **roles):
    """The same numbers without the tables: estimates, standard errors, degrees of freedom, limits and p values."""
    fit = fit_repeats(burns, **roles)
    found = [contrasts(fit, L, "kenward-roger") for L in (fit.design.mean_rows(), pair_rows(fit))]
    return [(each.limits(0.95), each.p()) for each in found]


def line(words, value, unit, ratio=None, need=None):
    told = "" if ratio is None else f"  {ratio:8.1f} x" + (f"  (at least {need:g} x)" if need else "")
    print(f"{words:<66}{value:>10.3f} {unit}{told}")


def against_mixed_lm():
    for name in ("burns_unbalanced", "burns_large"):
        burns = pd.read_csv(FOLDER / f"{name}.csv")
        model, n = mixed_lm(burns), len(pd.read_csv(FOLDER / f"{name}.csv"))
        theirs = median_ms(model.fit, 15)
        line(f"{n} burns: MixedLM, bare fit", theirs, "ms")
        line(
            f"{n} burns: fit alone",
            mine := median_ms(lambda b=burns: fit_repeats(b), 300),
            "ms",
            theirs / mine,
        )
        mine = median_ms(lambda b=burns: arrays(b), 300)
        line(f"{n} burns: fit, Kenward–Roger means and unadjusted pairs, arrays", mine, "ms", theirs / mine)
        mine = median_ms(lambda b=burns: whole(b, "none"), 300)
        line(f"{n} burns: the same as tables", mine, "ms", theirs / mine, NEED["no Tukey"])
        mine = median_ms(lambda b=burns: whole(b, "tukey"), 100)
        line(f"{n} burns: tables, with Tukey", mine, "ms", theirs / mine, NEED["Tukey"])
        if name == "burns_unbalanced":
            fit = fit_repeats(burns)
            mine = median_ms(lambda f=fit: bootstrap(f, 1000, 1), 50)
            line("1,000 bootstrap refits of 41 burns", mine, "ms", theirs / mine, NEED["bootstrap"])
            best = median_ms(lambda b=burns: compare_fuels(fit_repeats(b)), 20)
            line("41 burns: fit and all pairs, df='best', Tukey", best, "ms", theirs / best)


def beyond():
    days = pd.read_csv(FOLDER / "burns_days.csv")
    line(
        "36 burns, 8 crossed days: fit, means, pairs",
        median_ms(lambda: whole(days, "none", day="day"), 50),
        "ms",
    )
    fit = fit_repeats(days, day="day")
    line("1,000 bootstrap refits with crossed days", median_ms(lambda: bootstrap(fit, 1000, 1), 7), "ms")
    line(
        "profile limits of three SDs with crossed days",
        median_ms(lambda: component_limits(fit, "profile"), 5),
        "ms",
    )
    spread = pd.read_csv(FOLDER / "burns_heteroscedastic.csv")
    line(
        "64 burns, a burn SD a fuel: fit", median_ms(lambda: fit_repeats(spread, spread="by fuel"), 20), "ms"
    )
    plain = fit_repeats(pd.read_csv(FOLDER / "burns_unbalanced.csv"))
    line("self-check of 41 burns, 1,000 trials", median_ms(lambda: self_check(plain, 1), 3), "ms")
    noise = np.random.default_rng(1).normal(size=(41, 10_000))
    table = pd.DataFrame(noise, columns=[f"y{i}" for i in range(10_000)])
    table[["fuel", "bag"]] = plain.table[["fuel", "bag"]].to_numpy()
    names = list(table.columns[:-2])
    line("10,000 responses on one design of 41 burns", median_ms(lambda: fit_repeats(table, names), 3), "ms")


def large():
    """10,000 burns in 1,000 bags of 50 fuels, in a process of its own, so that its memory is its own."""
    rng = np.random.default_rng(1)
    bags = np.sort(rng.integers(0, 1000, 10_000))
    values = rng.normal(0, 5, 10_000) + rng.normal(0, 6, 1000)[bags]
    burns = pd.DataFrame(
        {"fuel": [f"F{bag % 50}" for bag in bags], "bag": [f"B{bag}" for bag in bags], "value": values}
    )
    begun = time.perf_counter()
    fit = fit_repeats(burns)
    taken = time.perf_counter() - begun
    fuel_means(fit, df="kenward-roger")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"seconds": taken, "megabytes": peak, "converged": fit.converged}))


def main():
    if "--large" in sys.argv:
        large()
        return
    warnings.simplefilter("ignore")
    against_mixed_lm()
    beyond()
    root = Path(__file__).parents[2]
    told = subprocess.run(
        [sys.executable, __file__, "--large"], capture_output=True, text=True, check=True,
        env={**os.environ, "PYTHONPATH": str(root)},
    )  # fmt: skip
    found = json.loads(told.stdout)
    line("10,000 burns, 1,000 bags, 50 fuels: fit (at most 1 s)", found["seconds"] * 1e3, "ms")
    line("the whole process's memory (at most 500 MB)", found["megabytes"], "MB")


if __name__ == "__main__":
    main()
