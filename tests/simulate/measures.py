"""How often intervals and verdicts of simulated trials err, with the Monte-Carlo error of each figure."""

import numpy as np
import pandas as pd
from scipy import special

from kit.judge.verdicts import BEYOND, LITTLE, OPEN, SAME, UNSIZED
from kit.variance.families import all_pairs
from kit.variance.fit import RepeatFit, contrasts
from kit.variance.inference import LEAST_DF, Contrasts
from kit.variance.sd_limits import (
    AVERAGED,
    EXACT,
    averaged_limits,
    best_limits,
    burn_chi_square,
    profile_limits,
)
from tests.simulate.trials import Case, drawn, fitted

LEVEL = 0.95
METHODS = ("best", "kenward-roger", "satterthwaite")
MARGIN = 6.0
"""Δ in median standard errors: at least 4 of its own in all but the rarest trial."""
VERDICT_MARGIN = 4.0
"""Δ of the verdicts, in median standard errors of bounded Kenward–Roger."""
TRUTHS = {"0": 0, "Δ": 1, "2Δ": 2}
SEARCHED = 2000
"""Trials whose profiles are followed, and whose SDs are averaged over two ratios."""

Row = tuple[str, str, float, float, int]


def pair_rows(fit: RepeatFit) -> np.ndarray:
    means = len(fit.labels)
    first, second = np.triu_indices(means, 1)
    rows = np.eye(means, fit.design.p)
    return rows[first] - rows[second]


def measure(case: Case, trials: int, seed: int) -> pd.DataFrame:
    """Return the tidy rows of one case: row, quantity, method, value, mc_error, trials."""
    fit = fitted(case, drawn(case, trials, seed))
    rows = [] if not fit.design.comparable else _of_pairs(fit)
    rows.append(
        (
            "pairs that can be compared",
            "design",
            1 - fit.design.apart.mean() / (1 - 1 / len(fit.labels)),
            0.0,
            1,
        )
    )
    rows += _of_spread(case, fit)
    frame = pd.DataFrame(rows, columns=["quantity", "method", "value", "mc_error", "trials"])
    return frame.assign(row=case.name)[["row", "quantity", "method", "value", "mc_error", "trials"]]


def _of_pairs(fit: RepeatFit) -> list[Row]:
    L = pair_rows(fit)
    found = {method: contrasts(fit, L, method, LEVEL) for method in METHODS}
    bounded = np.median(_half(found["kenward-roger"]))
    margin = VERDICT_MARGIN * np.median(found["kenward-roger"].se, axis=0)
    return [
        *(
            row
            for method, each in found.items()
            for row in _errors(method, each, len(fit.labels), float(bounded))
        ),
        *(row for method, each in found.items() for row in _verdicts(method, each, len(fit.labels), margin)),
    ]


def _half(found: Contrasts) -> np.ndarray:
    return special.stdtrit(found.df, (1 + LEVEL) / 2) * found.se


def _errors(method: str, found: Contrasts, means: int, bounded: float) -> list[Row]:
    alpha, trials = 1 - LEVEL, len(found.se)
    wrong = found.p() < alpha
    single, half = wrong.mean(axis=0), _half(found)
    family = (found.family_p(all_pairs(means)) < alpha).any(axis=1)
    margin = MARGIN * np.median(found.se, axis=0)
    # at a true difference of exactly Δ: the estimate moves by Δ, the margins stay
    same = np.maximum(found.lower_p(0.0), found.upper_p(-2 * margin)) < alpha
    middle, error = _median(half.mean(axis=1))
    return [
        ("type I, mean of the pairs", method, *_share(wrong.mean(axis=1)), trials),
        ("type I, largest single pair", method, single.max(), _binomial(single.max(), trials), trials),
        ("type I, smallest single pair", method, single.min(), _binomial(single.min(), trials), trials),
        ("coverage of the pairs", method, 1 - wrong.mean(), _share(wrong.mean(axis=1))[1], trials),
        ("familywise error, Tukey", method, *_share(family), trials),
        ("equivalence at the margin", method, *_share(same.mean(axis=1)), trials),
        ("half-width, median", method, middle, error, trials),
        ("half-width over bounded Kenward–Roger", method, np.median(half) / bounded, error / middle, trials),
    ]


def _verdicts(method: str, found: Contrasts, means: int, margin: np.ndarray) -> list[Row]:
    """Chance of each verdict at a true difference of nothing, Δ and 2Δ: the estimate moves, and its limits with it."""
    family, df = all_pairs(means), np.maximum(found.df, LEAST_DF)
    half, inner = (family.critical(level, df) * found.se for level in (LEVEL, 2 * LEVEL - 1))
    rows = []
    for words, times in TRUTHS.items():
        size = np.abs(found.estimate + times * margin)
        apart, beyond, inside = size > half, size - half > margin, size + inner < margin
        verdicts = {
            BEYOND: beyond,
            UNSIZED: apart & ~beyond & ~inside,
            LITTLE: apart & inside,
            SAME: ~apart & inside,
            OPEN: ~apart & ~inside,
        }
        for verdict, given in verdicts.items():
            rows.append((f"at {words}: {verdict}", method, *_share(given.mean(axis=1)), len(found.se)))
    return rows


def _share(values: np.ndarray) -> tuple[float, float]:
    return float(values.mean()), float(values.std(ddof=1) / np.sqrt(len(values)))


def _binomial(share: float, trials: int) -> float:
    return float(np.sqrt(share * (1 - share) / trials))


def _median(values: np.ndarray) -> tuple[float, float]:
    """Return the median and its error from the order statistics one binomial SD around it."""
    step = 0.5 / np.sqrt(len(values))
    low, middle, high = np.quantile(values, [0.5 - step, 0.5, 0.5 + step])
    return float(middle), float(high - low) / 2


def _of_spread(case: Case, fit: RepeatFit) -> list[Row]:
    if case.spread != "common" or len(case.truth.burn) > 1 or not (case.use_days or case.truth.day == 0):
        return []
    truths = {"bag": case.truth.bag, "day": case.truth.day, "burn": case.truth.burn[0]}
    part = fitted(case, fit.columns.values[:SEARCHED])
    whole = part if len(fit.names) > 2 else fit  # with crossed days the average is taken on a plane
    best, profile = best_limits(whole, LEVEL), profile_limits(part, LEVEL)
    rows = []
    for j, name in enumerate(fit.names):
        ends = {"best": (best[0][:, j], best[1][:, j]), "profile": (profile[0][:, j], profile[1][:, j])}
        ends |= _further(whole, name, j, best[2][j])
        said = " ".join(fit.design.notes)
        others = [
            truths[other] for other in ("bag", "day") if f"'between {name}s, {other}s included'" in said
        ]
        true = np.sqrt(truths[name] ** 2 + sum(np.square(others)))
        for method, (under, over) in ends.items():
            covered = (under <= true) & (true <= over)
            rows.append((f"coverage of the {name} SD", method, *_share(covered), len(covered)))
            rows.append((f"upper limit of the {name} SD at zero", method, *_share(over == 0), len(over)))
    return rows


def _further(fit: RepeatFit, name: str, j: int, best: str) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Limits by the methods that are not the best."""
    exact = burn_chi_square(fit, LEVEL) if name == "burn" else None
    own = np.eye(len(fit.names))[j]
    averaged = None if best == AVERAGED or len(fit.names) == 1 else averaged_limits(fit, own, LEVEL)
    offered = {"exact": None if best == EXACT else exact, "averaged": averaged}
    return {method: ends for method, ends in offered.items() if ends is not None}
