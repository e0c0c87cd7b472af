"""Sums of squares: nested and one-way analysis of variance, ISO 5725 figures, and tests of equal spread."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import special

from kit.errors import KitError, Problem
from kit.variance.burn_arrays import Array, Codes, Levels, Roles, levels_of, read_columns

if TYPE_CHECKING:
    from kit.variance.fit import RepeatFit

LIMIT = 2.8
"""ISO 5725-6: two results under the same conditions differ by more than 2.8 SD in 5 % of cases."""


@dataclass(frozen=True)
class Anova:
    """An analysis of variance.

    Attributes
    ----------
    table
        source, df, ss, ms, F, p, tested_against (which mean square stands below F).
    n0
        Effective burns a bag, NaN without bags.
    variance_bag, variance_burn
        Moment estimates; the bag's may be below zero.
    balanced
        Whether F of the fuels is exact.
    notes
        In words.
    """

    table: pd.DataFrame
    n0: float
    variance_bag: float
    variance_burn: float
    balanced: bool
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class OneWay:
    """A one-way analysis of variance: between and within groups, F, p, R² and the residual SD."""

    between_df: int
    between_ss: float
    within_df: int
    within_ss: float
    F: float
    p: float
    r_squared: float
    residual_sd: float


def one_way(table: pd.DataFrame, value: str = "value", group: str = "group") -> OneWay:
    """Return the one-way analysis of variance; values are centred on one of their own before any sum.

    Raises
    ------
    KitError
        With one group, or no group with two values.
    """
    columns = read_columns(table, Roles((value,), group, None), "plain")
    levels = columns.fuel if columns.fuel is not None else levels_of([0] * columns.n)
    n, k = columns.n, levels.count
    if k < 2 or n <= k:
        raise KitError(
            Problem("refuse", f"table, column {group}", f"{n} values in {k} groups", "two groups or more, with repeats",
                    "An analysis of variance needs both.")
        )  # fmt: skip
    y = _centred(columns.values)
    means = levels.sums(y) / levels.sizes
    within = float(((y - means[:, levels.codes]) ** 2).sum())
    between = float((levels.sizes * (means - y.mean()) ** 2).sum())
    ms = within / (n - k)
    F = between / (k - 1) / ms
    return OneWay(
        k - 1, between, n - k, within, F, float(special.fdtrc(k - 1, n - k, F)), between / (between + within),
        float(np.sqrt(ms)),
    )  # fmt: skip


def _centred(values: Array) -> Array:
    """Subtract one of the values, then the mean of the rest: no leading digit is lost."""
    y = values - values[:, :1]
    return np.asarray(y - y.mean(axis=1, keepdims=True))


@dataclass(frozen=True)
class _Sums:
    """Per bag: its fuel, burns, mean (centred) and sum of squares about its mean."""

    fuel: Codes
    n: Array
    mean: Array
    ss: Array


def _sums(fit: RepeatFit) -> _Sums:
    bag = fit.columns.bag
    if bag is None or fit.columns.fuel is None or fit.many or not fit.design.cell_means:
        raise KitError(
            Problem("refuse", "fit", "no bags, several responses or covariates", "one response of bags in fuels",
                    "A nested analysis of variance is of one response by fuel and bag alone.")
        )  # fmt: skip
    y = _centred(fit.columns.values)
    means = bag.sums(y) / bag.sizes
    ss = bag.sums((y - means[:, bag.codes]) ** 2)[0]
    return _Sums(bag.of_each(fit.columns.fuel.codes), bag.sizes.astype(np.float64), means[0], ss)


def nested_anova(fit: RepeatFit) -> Anova:
    """Return fuel, bag within fuel and residual: degrees of freedom from the bags that exist.

    F of the fuels is over the bags within fuels, exact in balanced designs (Satterthwaite's problem otherwise);
    n0 = (N - sum_f sum_b n_fb²/N_f)/(B - F).

    Raises
    ------
    KitError
        For fits without bags, of several responses, or with covariates.
    """
    s = _sums(fit)
    F, B, N = len(fit.labels), len(s.n), float(s.n.sum())
    per_fuel = np.bincount(s.fuel, s.n, F)
    mean = np.bincount(s.fuel, s.n * s.mean, F) / per_fuel
    grand = float((per_fuel * mean).sum() / N)
    ss = np.array([
        (per_fuel * (mean - grand) ** 2).sum(), (s.n * (s.mean - mean[s.fuel]) ** 2).sum(), s.ss.sum()
    ])  # fmt: skip
    df = np.array([F - 1, B - F, N - B])
    ms = np.divide(ss, df, out=np.full(3, np.nan), where=df > 0)
    n0 = float((N - np.sum(s.n**2 / per_fuel[s.fuel])) / (B - F)) if B > F else np.nan
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.append(ms[:2] / ms[1:], np.nan)  # infinite where bags (or burns) agree exactly
    p = np.array([float(special.fdtrc(df[i], df[i + 1], ratio[i])) for i in range(2)] + [np.nan])
    table = pd.DataFrame({
        "source": ["fuel", "bag within fuel", "residual"], "df": df.astype(int), "ss": ss, "ms": ms, "F": ratio,
        "p": p, "tested_against": ["bag within fuel", "residual", ""],
    })  # fmt: skip
    balanced = len(set(s.n)) == 1 and len(set(np.bincount(s.fuel))) == 1
    raw = float((ms[1] - ms[2]) / n0)
    return Anova(table, n0, raw, float(ms[2]), balanced, _raw_words(raw))


def _raw_words(raw: float) -> tuple[str, ...]:
    if not raw < 0:
        return ()
    return (
        f"the moment estimate of the bag variance is {raw:.3g}, below zero, and is reported as 0: the data show no "
        "more variation between bags than within them. Chance alone does this often; burns of one bag that were "
        "made to differ (a drift over the day, a falling charge) or probes that disagree in a fixed way do it too.",
    )


def iso5725(fit: RepeatFit) -> pd.DataFrame:
    """Return ISO 5725-2 figures of each fuel and of all together, the bag in the laboratory's place.

    Returns
    -------
    fuel ('all' pools the nested analysis of variance), bags, n, mean, s_r, s_d2, n_bar, s_L2_raw (may be below
    zero), s_L, s_R, r and R (limits, 2.8 × s).

    Raises
    ------
    KitError
        As `nested_anova`.
    """
    s, anova = _sums(fit), nested_anova(fit)
    rows: list[dict[str, Any]] = [_iso_row(fit, s, code) for code in range(len(fit.labels))]
    rows.append({
        "fuel": "all", "bags": len(s.n), "n": int(s.n.sum()), "mean": float(fit.columns.values.mean()),
        "s_d2": np.nan, "n_bar": anova.n0, "s_r": np.sqrt(anova.variance_burn), "s_L2_raw": anova.variance_bag,
    })  # fmt: skip
    table = pd.DataFrame(rows)
    table["s_L"] = np.sqrt(table["s_L2_raw"].clip(lower=0))
    table["s_R"] = np.sqrt(table["s_r"] ** 2 + table["s_L"] ** 2)
    table["r"], table["R"] = LIMIT * table["s_r"], LIMIT * table["s_R"]
    return table


def _iso_row(fit: RepeatFit, s: _Sums, code: int) -> dict[str, Any]:
    """s_r² pools within bags; s_L² = (s_d² - s_r²)/n_bar (ISO 5725-2:2019, 7.4.5)."""
    own = s.fuel == code
    n, N, bags = s.n[own], float(s.n[own].sum()), int(own.sum())
    s_r2 = float(s.ss[own].sum() / (N - bags)) if bags < N else np.nan
    mean = float((n * s.mean[own]).sum() / N)
    s_d2 = float((n * (s.mean[own] - mean) ** 2).sum() / (bags - 1)) if bags > 1 else np.nan
    n_bar = float((N - (n**2).sum() / N) / (bags - 1)) if bags > 1 else np.nan
    shown = float(fit.columns.values[0][fit.design.mean_of == code].mean())
    return {
        "fuel": fit.labels[code], "bags": bags, "n": int(N), "mean": shown, "s_d2": s_d2, "n_bar": n_bar,
        "s_r": np.sqrt(s_r2), "s_L2_raw": (s_d2 - s_r2) / n_bar if bags > 1 else np.nan,
    }  # fmt: skip


def precision(fit: RepeatFit) -> pd.DataFrame:
    """Return repeatability and intermediate precision from the fit: quantity, sd, limit (2.8 sd), holds."""
    theta, names = fit.estimate.theta, fit.names
    burn = [i for i, name in enumerate(names) if name.startswith("burn")]
    rest = [i for i in range(len(names)) if i not in burn and names[i] != "fuel"]
    s_r2 = theta[:, burn].mean(axis=1)
    total = s_r2 + theta[:, rest].sum(axis=1)
    sd = np.sqrt(np.stack([s_r2, total], axis=1))
    holds = ["burns of one bag", ", ".join([*(f"{names[i]}s" for i in rest), "burns"])]
    keys = {"quantity": ["repeatability", "intermediate precision"], "holds": holds}
    return fit.framed(keys, {"sd": sd, "limit": LIMIT * sd})


@dataclass(frozen=True)
class SpreadTest:
    """A test of equal spread: statistic, degrees of freedom, p, in words."""

    statistic: float
    df: tuple[float, ...]
    p: float
    method: str


def likelihood_ratio(common: RepeatFit, grouped: RepeatFit) -> SpreadTest:
    """Compare a fit with one burn SD with one that has an SD a group (same means, same burns).

    The restricted likelihoods are compared as χ² with one degree of freedom for each further SD.
    """
    df = len(grouped.names) - len(common.names)
    statistic = max(0.0, float(common.estimate.criterion[0] - grouped.estimate.criterion[0]))
    return SpreadTest(
        statistic, (df,), float(special.chdtrc(df, statistic)), "likelihood ratio of common spread"
    )


def equal_spread(fit: RepeatFit, centre: str = "median") -> SpreadTest:
    """Levene's test by fuel, bags ignored: a diagnostic; 'median' is Brown & Forsythe (1974), 'mean' Levene (1960)."""
    levels = Levels(fit.design.mean_of, fit.labels)
    y, k, n = fit.columns.values[0], levels.count, fit.design.n
    middle = np.median if centre == "median" else np.mean
    z = np.abs(y - np.array([middle(y[levels.codes == i]) for i in range(k)])[levels.codes])[None]
    means = levels.sums(z)[0] / levels.sizes
    between = float((levels.sizes * (means - z.mean()) ** 2).sum()) / (k - 1)
    within = float(((z[0] - means[levels.codes]) ** 2).sum()) / (n - k)
    F = between / within
    name = "Brown–Forsythe" if centre == "median" else "Levene"
    return SpreadTest(F, (k - 1, n - k), float(special.fdtrc(k - 1, n - k, F)), f"{name}, bags ignored")
