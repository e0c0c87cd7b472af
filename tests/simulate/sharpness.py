"""What the default inference finds and how it errs: alone, with earlier trials, and with one log that was cut short.

python -m tests.simulate.sharpness [--trials N] [--only TEXT] [--out FILE | --write]. A difference of 4 true standard
errors is 'found' where Tukey's 95 % interval excludes zero; 'the same' is said at a true difference of zero where
Tukey's 90 % interval lies within 4 of them. The cut log is one burn of the first fuel, known to be at least what lies
up to 3 burn SDs below it; the same trials uncut stand beside.
"""

import argparse
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

from kit.variance.earlier_likelihoods import CONFLICT
from kit.variance.families import all_pairs
from kit.variance.fit import RepeatFit, contrasts, fit_repeats, joined
from kit.variance.inference import LEAST_DF, Contrasts
from tests.simulate.measures import pair_rows
from tests.simulate.trials import Case, Layout, Truth, drawn, even, fitted

TABLE = Path(__file__).parents[1] / "reference" / "sharpness_table.csv"
TRIALS, WITH_EARLIER, WITH_CUT, SEED = 10_000, 4_000, 1_000, 40_000
SIZE = 4.0
"""True standard errors of the difference, and of the margin."""

UNEVEN = ((1, 6), (3, 1), (2, 2, 5), (6, 1, 1))
LAYOUTS = (
    Layout("4 × 2 × 2", even(4, 2, 2)),
    Layout("4 × 3 × 2", even(4, 3, 2)),
    Layout("6 × 3 × 2", even(6, 3, 2)),
    Layout("5 × 2 × 1", even(5, 2, 1)),
    Layout("uneven 1, 6 | 3, 1 | 2, 2, 5 | 6, 1, 1", UNEVEN),
)
RATIOS = (0.0, 0.5, 1.0)
BANDS = (0.25, 0.5, 1.0)
"""MS_bag/MS_burn below which coverage is counted."""

WRONG = {
    "bag SD half": (0.5, 1.0),
    "bag SD double": (2.0, 1.0),
    "burn SD 0.7": (1.0, 0.7),
    "burn SD 1.4": (1.0, 1.4),
}


def trials_of(layout: Layout, ratio: float, trials: int, seed: int, burn: float = 1.0) -> RepeatFit:
    """Return simulated trials, bag SD = ratio, burn SD 1 (or `burn`)."""
    case = Case(layout, Truth(bag=ratio, burn=(burn,)))
    return fitted(case, drawn(case, trials, seed))


def true_errors(layout: Layout, ratio: float) -> np.ndarray:
    """Return the standard errors of all pairs by generalised least squares at the true variances."""
    table = layout.table()
    X = pd.get_dummies(table["fuel"]).to_numpy(float)
    Z = pd.get_dummies(table["fuel"] + table["bag"]).to_numpy(float)
    phi = np.linalg.inv(X.T @ np.linalg.solve(np.eye(len(X)) + ratio**2 * Z @ Z.T, X))
    first, second = np.triu_indices(len(phi), 1)
    return np.sqrt(phi[first, first] + phi[second, second] - 2 * phi[first, second])


def shares(found: Contrasts, means: int, size: np.ndarray) -> dict[str, np.ndarray]:
    """Return what each trial counts for: (trials,) shares of its pairs."""
    df = np.maximum(found.df, LEAST_DF)
    D, E = (all_pairs(means).critical(level, df) * found.se for level in (0.95, 0.90))
    away = np.abs(found.estimate)
    return {
        "type I, mean of the pairs": (found.p() < 0.05).mean(axis=1),
        "familywise error, Tukey": (away > D).any(axis=1).astype(float),
        "found at 4 SE": (found.estimate + size > D).mean(axis=1),
        "the same at 0, margin 4 SE": (away + E < size).mean(axis=1),
    }


def laid_out(row: str, method: str, counted: dict[str, np.ndarray]) -> list[tuple]:
    return [
        (row, quantity, method, each.mean(), each.std(ddof=1) / np.sqrt(len(each)), len(each))
        for quantity, each in counted.items() if len(each) > 1
    ]  # fmt: skip


def by_f(fit: RepeatFit, found: Contrasts) -> dict[str, np.ndarray]:
    """Return coverage of the unadjusted pairs in trials whose MS_bag/MS_burn is small."""
    if "bag" not in fit.names:
        return {}
    space, data = fit.engine.space, fit.data
    F = (np.vecdot(data.z, data.z) / space.k) / (data.rss[:, 0] / space.free[0])
    held = (found.p() >= 0.05).mean(axis=1)
    return {f"coverage where F < {band:g}": held[band > F] for band in BANDS}


def of_layout(layout: Layout, ratio: float, trials: int, seed: int) -> list[tuple]:
    """Return the rows of one design and ratio: without earlier trials, with one and with three."""
    row, size = f"{layout.name}; bag SD {ratio:g}", SIZE * true_errors(layout, ratio)
    fit = trials_of(layout, ratio, trials, seed)
    L, means, rows = pair_rows(fit), len(fit.labels), []
    for method in ("best", "kenward-roger"):
        found = contrasts(fit, L, method)
        rows += laid_out(row, method, shares(found, means, size) | by_f(fit, found))
    few = min(trials, WITH_EARLIER)
    part = trials_of(layout, ratio, few, seed)
    before = [trials_of(layout, ratio, few, seed + 1000 * (k + 1)) for k in range(3)]
    for count in (1, 3):
        found = contrasts(joined(part, before[:count]), L, "best")
        rows += laid_out(row, f"best, {count} earlier", shares(found, means, size))
    return rows


def of_wrong(layout: Layout, ratio: float, trials: int, seed: int) -> list[tuple]:
    """Return the rows of earlier trials whose spreads are not those of this one, with and without the conflict test."""
    size, rows = SIZE * true_errors(layout, ratio), []
    fit = trials_of(layout, ratio, trials, seed)
    L = pair_rows(fit)
    for words, (bag, burn) in WRONG.items():
        before = [trials_of(layout, ratio * bag, trials, seed + 1000 * (k + 1), burn) for k in range(3)]
        for count in (1, 3):
            both = joined(fit, before[:count])
            asked = both.beside
            for test in ("conflict test", "no conflict test"):
                used = asked.p_conflict >= (CONFLICT if test == "conflict test" else 0.0)
                object.__setattr__(asked, "used", used)
                found = contrasts(both, L, "best")
                counted = shares(found, len(fit.labels), size)
                counted["earlier trials that entered"] = used.mean(axis=1)
                rows += laid_out(
                    f"{layout.name}; bag SD {ratio:g}; earlier {words}", f"{count} earlier, {test}", counted
                )
    return rows


def of_cut(layout: Layout, ratio: float, trials: int, seed: int) -> list[tuple]:
    """Return the rows of trials one of whose logs was cut short, and of the same trials uncut, by pairs it touches."""
    row, size = f"{layout.name}; bag SD {ratio:g}; one log cut short", SIZE * true_errors(layout, ratio)
    values, table = drawn(Case(layout, Truth(bag=ratio)), trials, seed), layout.table()
    rng, of_first = np.random.default_rng(seed), np.flatnonzero(table["fuel"] == table["fuel"].iloc[0])
    counted: dict[tuple[str, str], list[float]] = {}
    for own in values:
        cut = rng.choice(of_first)
        known = table.assign(value=own, status="exact")
        short = known.assign(value=own - np.where(known.index == cut, rng.uniform(0.0, 3.0), 0.0))
        short.loc[cut, "status"] = "at least"
        for method, burns in (("uncut", known), ("cut", short)):
            for quantity, share in limits_of(fit_repeats(burns, "value", status="status"), size).items():
                counted.setdefault((method, quantity), []).append(share)
    return [
        (row, quantity, method, np.mean(each), np.std(each, ddof=1) / np.sqrt(trials), trials)
        for (method, quantity), each in counted.items()
    ]


def limits_of(fit: RepeatFit, size: np.ndarray) -> dict[str, float]:
    """Return what one trial counts for, by its limits: shares of all pairs, and of those with the first fuel or not."""
    L, family = pair_rows(fit), all_pairs(len(fit.labels))
    found = contrasts(fit, L)
    touched = L[:, 0] != 0
    low, high = (limits[0] for limits in found.limits(0.95))
    far_low, far_high = (limits[0] for limits in found.family_limits(family, 0.95))
    near_low, near_high = (limits[0] for limits in found.family_limits(family, 0.90))
    quantities = {
        "coverage": (low <= 0) & (high >= 0),
        "found at 4 SE": far_low + size > 0,
        "the same at 0, margin 4 SE": (near_low > -size) & (near_high < size),
    }
    counted = {"familywise error, Tukey": float(((far_low > 0) | (far_high < 0)).any())}
    for name, held in quantities.items():
        counted |= {
            f"{name}, pairs with it": held[touched].mean(),
            f"{name}, other pairs": held[~touched].mean(),
        }
    return counted


def burns_needed(ratio: float, trials: int, seed: int) -> list[tuple]:
    """Return how many burns of four fuels, two a bag, reach 80 % for a difference (a margin) of 4 SE of 4 × 2 × 2."""
    size = SIZE * true_errors(Layout("", even(4, 2, 2)), ratio)
    chances: dict[tuple[str, str], list[float]] = {}
    bags = range(2, 8)
    for b in bags:
        layout = Layout("", even(4, b, 2))
        fit = trials_of(layout, ratio, trials, seed + b)
        before = [trials_of(layout, ratio, trials, seed + b + 1000 * (k + 1)) for k in range(3)]
        L = pair_rows(fit)
        routes = {"kenward-roger": contrasts(fit, L, "kenward-roger"), "best": contrasts(fit, L, "best")}
        routes |= {f"best, {k} earlier": contrasts(joined(fit, before[:k]), L, "best") for k in (1, 3)}
        for route, found in routes.items():
            counted = shares(found, 4, size)
            for name in ("found at 4 SE", "the same at 0, margin 4 SE"):
                chances.setdefault((route, name), []).append(float(counted[name].mean()))
    rows = []
    for (route, name), chance in chances.items():
        burns = 8 * np.interp(0.8, np.maximum.accumulate(chance), bags, right=np.nan)  # 16: at most
        slope = max(np.gradient(chance, 8)[int(np.argmin(np.abs(np.array(chance) - 0.8)))], 1e-3)
        error = np.sqrt(0.16 / trials / 2) / slope  # six pairs of a trial count for about two
        rows.append(
            (
                f"four fuels, two burns a bag; bag SD {ratio:g}",
                f"burns for 80 %: {name}",
                route,
                burns,
                error,
                trials,
            )
        )
    return rows


def simulated(trials: int, seed: int = SEED, out: Path | None = None, only: str = "") -> pd.DataFrame:
    """Return the table, or the rows of the jobs whose name holds a text; written as it grows."""
    rows: list[tuple] = []
    jobs = [(of_layout, layout, ratio, trials) for layout in LAYOUTS for ratio in RATIOS]
    jobs += [(of_wrong, LAYOUTS[0], ratio, min(trials, WITH_EARLIER)) for ratio in (0.5, 1.0)]
    jobs += [(of_cut, layout, ratio, min(trials, WITH_CUT)) for layout in LAYOUTS for ratio in RATIOS]
    for place, (job, *given) in enumerate(jobs):
        if only not in job.__name__:
            continue
        begun = time.perf_counter()
        rows += job(*given, seed + 20 * place)
        rows_to(out, rows)
        print(
            f"{job.__name__} {given[0].name} {given[1]}: {time.perf_counter() - begun:.0f} s",
            file=sys.stderr,
            flush=True,
        )
    for ratio in RATIOS if only in burns_needed.__name__ else ():
        rows += burns_needed(ratio, min(trials, WITH_EARLIER // 2), seed + 900)
        rows_to(out, rows)
    return rows_to(out, rows)


def rows_to(out: Path | None, rows: list[tuple]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["row", "quantity", "method", "value", "mc_error", "trials"])
    if out is not None:
        table.to_csv(out, index=False, float_format="%.5f")
    return table


def main() -> int:
    """Print the table, and write it where --out says; the committed one with --write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=TRIALS)
    parser.add_argument("--only", default="", help="text in the name of the jobs that are done: of_cut, say")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--write", action="store_true", help=f"write it to {TABLE.name}, the committed one")
    given = parser.parse_args()
    print(
        simulated(given.trials, out=given.out or (TABLE if given.write else None), only=given.only)
        .round(4)
        .to_string(index=False)
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
