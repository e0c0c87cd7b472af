"""The report checks itself: by simulating this very trial from its fitted model, and by a second program's estimates.

Simulated trials are refitted, and it is counted what the intervals hold. Where some values are bounds, a simulated
trial is bounded again where the trial was.
"""

import re
import warnings
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import special

from kit.judge.question import WORDS
from kit.judge.verdicts import BEYOND, LITTLE, SAME, half_widths, verdicts_of
from kit.variance.bootstrap import bounded_again, refitted, simulated
from kit.variance.bounded import STEPS, minimise_rows, posterior, slope
from kit.variance.burn_arrays import Array, Mask
from kit.variance.censored import held_rows, imputed
from kit.variance.families import all_pairs
from kit.variance.fit import contrasts
from kit.variance.inference import LEAST_DF
from kit.variance.model import Censored, RepeatModel
from kit.variance.sd_limits import best_hold, component_limits, profile_words, rises

SAID, OPINION = WORDS["self_check"], WORDS["second_opinion"]

SD_SAID = re.escape(SAID["sd"]).replace(r"\{name\}", "(.+)").replace(r"\{method\}", ".+")
"""Finds in the words of an SD's interval which SD it is."""

TRIALS = 1000
"""Simulated trials of a report."""

APART = {"alike": 0.0, "a margin apart": 1.0, "two margins apart": 2.0}
"""How far apart two fuels are, in margins, of which each verdict is counted."""

MOST = 6
"""Contrasts that are followed where some values are bounds: of more, an even choice."""

LARGEST = (10**7, 3000, 300)
"""Burns above which MixedLM is not waited for: with no random term, with one, and with crossed ones."""

TOLERANCE = 1e-3
"""Of the burn SD: so near the other program's estimates agree."""

ROUNDING = 1e-6
"""Of a criterion: so near two are the same."""

SD_OF = "SD of {name}s"

Row = tuple[str, float, Array | Mask]
"""What is counted, how often it was promised, and in which simulated trials it held, or how often in each."""


def self_check(
    fit: RepeatModel, seed: int, trials: int = TRIALS, margin: float | None = None, level: float = 0.95
) -> pd.DataFrame:
    """Return how often each interval held the truth, each verdict erred, and each was reached.

    Parameters
    ----------
    margin
        The metric's margin on the analysis scale, if it has one: then verdicts are counted where two fuels are alike, a
        margin and two margins apart.

    Returns
    -------
    quantity, nominal, share, mc_error, trials (in which it was counted), seed. Days, covariates, spread by group and
    censoring are simulated as they were fitted; the truth of the simulation is the fit itself.

    Raises
    ------
    KitError
        For a fit without repeats.
    """
    means, pairs = fit.design.mean_rows(), pair_rows(fit)
    L, m = np.vstack([means, pairs]), len(means)
    if fit.censored is None:
        again = simulated(fit, trials, seed)
        found, truth = contrasts(again, L, "best", level), L @ fit.estimate.beta[0]
        located = np.stack([found.estimate - truth, found.se, found.df])
        of_means, of_pairs, true_gaps = located[..., :m], located[..., m:], truth[m:]
        of_burns = SAID["of_burns"].format(burns=fit.design.n)
        words = component_limits(fit, level=level).set_index("component")["method"]
        held = best_hold(again, fit.estimate.theta[0], level).T
        spreads = [(name, words[name], each) for name, each in zip(fit.names, held, strict=True)]
    else:
        located, differ, spreads = _with_bounds(fit, fit.censored, L, seed, trials, level)
        of_means, of_pairs, true_gaps = located[:, ~differ, None], located[:, differ, None], None
        of_burns = ""
    rows: list[Row] = [(SAID["means"].format(of_burns=of_burns), level, _inside(of_means, level))]
    if of_pairs.size:
        rows += _pairs(of_pairs, true_gaps, m, level, margin)
    rows += [(SAID["sd"].format(name=name, method=method), level, held) for name, method, held in spreads]
    table = []
    for quantity, nominal, each in rows:
        kept = pd.Series(each, dtype=float).dropna()
        table.append((quantity, nominal, kept.mean(), kept.sem(ddof=0), len(kept), seed))
    return pd.DataFrame(table, columns=["quantity", "nominal", "share", "mc_error", "trials", "seed"])


def fell_short(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of intervals that held the truth less often than promised, the worst first.

    By more than five points and than the error of the count. Of an SD's interval the column `component` has its source.
    """
    rows = table[table["quantity"].astype(str).str.contains("holds? the truth")]
    source = rows["quantity"].astype(str).str.extract(SD_SAID, expand=False)
    missing = (rows["nominal"] - rows["share"]).astype(float)
    short = rows.assign(component=source, missing=missing)[missing > rows["mc_error"].clip(lower=0.05)]
    return short.sort_values("missing", ascending=False)


def pair_rows(fit: RepeatModel) -> Array:
    """Rows of all differences of means that can be separated."""
    means = fit.design.mean_rows()
    a, b = np.nonzero(np.triu(~fit.design.apart, 1))
    return means[a] - means[b]


def _inside(located: Array, level: float) -> Array:
    """Return the share (trials,) of the truths within their unadjusted intervals."""
    off, se, df = located
    return np.asarray((np.abs(off) <= special.stdtrit(df, (1 + level) / 2) * se).mean(axis=1))


def _pairs(located: Array, truth: Array | None, means: int, level: float, margin: float | None) -> list[Row]:
    """Return (quantity, nominal, share of each trial) of the intervals and verdicts of differences.

    Parameters
    ----------
    located
        (3, trials, pairs) estimates less the truth, standard errors and degrees of freedom.
    truth
        (pairs) where every trial has all differences; None where each follows one. Then a verdict that is wrong is
        one whose simultaneous interval misses the truth, so that these are counted.
    """
    off, se, df = located
    reaches = half_widths(all_pairs(means), se, np.maximum(df, LEAST_DF), level)
    D, E = (np.stack([off - each, off + each]) for each in reaches)  # limits less the true difference
    held = np.asarray((np.abs(off) <= reaches[0]).all(axis=1))
    rows: list[Row] = [(SAID["differences"], level, _inside(located, level))]
    if truth is None:
        promised = 1 - 2 * float(special.stdtr(df, -reaches[0] / se).mean())
        rows.append((SAID["one_tukey"], promised, held))
    else:
        wrong = np.asarray(wrong_verdicts(D + truth, E + truth, truth, margin).any(axis=1))
        rows += [(SAID["tukey"], level, held), (SAID["wrong"], 1 - level, wrong)]
        rows += [(SAID["claimed"], 1 - level, ~held)]
    if margin is None:
        return rows
    same = E[1] < 0 if truth is None else (E[1] < 0) & (E[0] > -2 * margin)
    rows.append((SAID["same_at_most" if truth is None else "same"], 1 - level, same.mean(axis=1)))
    for words, times in APART.items():
        said, _ = verdicts_of(D + times * margin, E + times * margin, margin)
        for each in np.unique(said):
            reached = SAID["reached"].format(apart=words, verdict=each)
            rows.append((reached, np.nan, (said == each).mean(axis=1)))
    return rows


def wrong_verdicts(D: Array, E: Array, truth: Array, margin: float | None) -> Mask:
    """Return which verdicts the truth contradicts: a wrong direction, a difference that is not there or too small.

    Parameters
    ----------
    D, E, margin
        As for `verdicts_of`.
    """
    verdicts, larger = verdicts_of(D, E, margin)
    wrong = ((larger == "a") & (truth <= 0)) | ((larger == "b") & (truth >= 0))
    if margin is not None:
        size = np.abs(truth)
        wrong |= (verdicts == BEYOND) & (size <= margin)
        wrong |= ((verdicts == LITTLE) | (verdicts == SAME)) & (size >= margin)
    return np.asarray(wrong)


def _with_bounds(
    fit: RepeatModel, known: Censored, L: Array, seed: int, trials: int, level: float
) -> tuple[Array, Mask, list[tuple[str, str, Array | Mask]]]:
    """Return estimates less the truth, their SEs and df (3, trials), which are of differences, and how SDs are held.

    A burn that was 'at least' its bound is so again in a simulated trial where its value lies above; else it is exact.
    Each trial follows one of the contrasts L (the means, then differences of them) and one of the SDs, for profiles
    are dear.
    """
    theta, beta = fit.estimate.theta[0], np.nan_to_num(fit.estimate.beta[0])
    y, rows = bounded_again(fit, trials, seed)
    found = minimise_rows(known.model, np.repeat(theta[None], trials, axis=0), rows)
    best = found.theta
    usable = np.flatnonzero(~np.abs(L[:, list(known.bounded)]).any(axis=1))
    usable = usable[np.unique(np.linspace(0, len(usable) - 1, min(MOST, len(usable))).astype(int))]
    which = np.arange(trials) % len(usable)
    df = contrasts(imputed(fit), L[usable], "best", level).df[0][which]
    chosen = L[usable[which]]
    held, truth = chosen[:, known.kept], chosen @ beta
    estimate, covariance, box = posterior(known.model, best, rows, held[:, None])
    estimate = estimate[:, 0] + known.centre * held[:, known.is_mean].sum(axis=1)
    se = np.sqrt(covariance[:, 0, 0])
    # t of the truth, from the rise of each trial's profile there above a parabola of one an SE squared
    at_best = held_rows(known, rows, held, estimate)
    there = minimise_rows(known.model, best, at_best, most=STEPS)
    lowest = there.value - slope(known.model, there.theta, at_best, se) ** 2 / 4
    at_truth = held_rows(known, rows, held, truth)
    rise = minimise_rows(known.model, there.theta, at_truth, most=STEPS).value - lowest
    with np.errstate(over="ignore"):  # where burns agree all but exactly, no other value is possible
        size = np.sqrt(df * np.expm1(np.maximum(rise, 0.0) / (df + 1)))
    t = np.copysign(size, estimate - truth)
    trial, of_sd = np.arange(trials), np.arange(trials) % len(theta)
    # as if the values expected of the bounds had been measured
    whole, values = imputed(fit), np.repeat(known.expected, trials, axis=0)
    values[:, known.order] = np.hstack([y[:, : len(known.order) - known.model.m], box.mean]) + known.centre
    again = refitted(whole, replace(whole.columns, values=values), whole.engine.rotate(values))
    least = contrasts(again, L[usable], "best", level)
    off = (least.estimate[trial, which] - truth) / least.se[trial, which]
    wider = special.stdtrit(least.df[trial, which], (1 + level) / 2) / special.stdtrit(df, (1 + level) / 2)
    t = np.clip(t, -np.abs(off) / wider, np.abs(off) / wider)
    at, fixed = best.copy(), np.arange(len(theta)) == of_sd[:, None]
    at[trial, of_sd] = np.maximum(theta, 1e-12 * theta.sum())[of_sd]
    value = minimise_rows(known.model, at, rows, fixed, STEPS).value
    above = (theta[of_sd] > best[trial, of_sd]).astype(int)
    most = np.stack([rises(fit, j, level, own=True)[:, 0] for j in range(len(theta))], axis=1)
    inside = value - found.value <= most[above, of_sd]
    of_each = [inside[of_sd == j] for j in range(len(theta))]
    spreads = list(zip(fit.names, profile_words(fit, own=True), of_each, strict=True))
    return np.stack([t * se, se, df]), usable[which] >= len(fit.labels), spreads


def second_opinion(fit: RepeatModel) -> pd.DataFrame:
    """Return quantity, kit, other, agrees, note: means and SDs of both programs for one response.

    'agrees' is within one part in a thousand of the burn SD. Only estimates are compared: MixedLM's standard errors
    are not (X'V^-1X)^-1 in unbalanced designs.
    """
    theta, most = fit.estimate.theta[0], LARGEST[min(len(fit.design.terms), 2)]
    reasons = {
        "no_repeats": not fit.has_spread,
        "spread_by_group": fit.design.spread.count > 1,
        "borrowed": fit.borrowed is not None,
        "bounds": fit.columns.side is not None,
        "too_many": fit.design.n > most,
    }
    theirs: Mapping[str, float] = {}
    if reason := next((name for name, holds in reasons.items() if holds), ""):
        note = OPINION[reason].format(most=most)
    else:
        # kept from all eyes, whatever becomes of warnings elsewhere: statsmodels sets a filter of its own
        with warnings.catch_warnings(record=True, action="always"):
            try:
                theirs, note = _by_statsmodels(fit)
            except Exception as error:  # whatever goes wrong inside the other program is its answer
                said = str(error).splitlines()[0][:80]
                note = OPINION["failed"].format(error=type(error).__name__, said=said)
    mine = _quantities(fit, fit.estimate.beta[0], dict(zip(fit.names, theta, strict=True)))
    table = pd.DataFrame({"kit": pd.Series(mine)}).rename_axis("quantity")
    table["other"] = pd.Series(theirs, dtype=float)
    near = (table["kit"] - table["other"]).abs() <= TOLERANCE * np.sqrt(theta[-1])
    if theirs and not near.all():  # by the criterion that both minimise
        other = np.array([[theirs[SD_OF.format(name=name)] ** 2 for name in fit.names]])
        criterion = fit.engine.deviance(fit.data, other, np.zeros(1, int)).value[0]
        note += OPINION["less_likely"] if criterion > fit.criterion + ROUNDING else ""
    return table.assign(agrees=near, note=note).reset_index()


def _quantities(fit: RepeatModel, beta: Array, variances: Mapping[str, float]) -> dict[str, float]:
    means = {f"mean of {label}": float(mean) for label, mean in zip(fit.labels, beta, strict=False)}
    return means | {SD_OF.format(name=name): float(np.sqrt(each)) for name, each in variances.items()}


def _by_statsmodels(fit: RepeatModel) -> tuple[dict[str, float], str]:
    """Return what the other program found, by quantity, and how."""
    from statsmodels.regression.linear_model import OLS
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

    y, X, terms = fit.columns.values[0], fit.design.X, fit.design.terms
    if not terms:
        found = OLS(y, X).fit()
        return _quantities(fit, found.params, {"burn": found.ssr / fit.engine.dof}), "statsmodels OLS"
    if len(terms) == 1:
        found = MixedLM(y, X, groups=terms[0].levels.codes).fit(reml=fit.method == "REML")
        variances = {terms[0].name: found.cov_re[0, 0]}
    else:
        labels = [[list(map(str, range(term.levels.count)))] for term in terms]
        spec = VCSpec([term.name for term in terms], labels, [[term.levels.indicators] for term in terms])
        found = MixedLM(y, X, groups=np.zeros(len(y)), exog_vc=spec).fit(reml=fit.method == "REML")
        variances = dict(zip(spec.names, found.vcomp, strict=True))
    note = "statsmodels MixedLM" + ("" if found.converged else ", which says it did not converge")
    return _quantities(fit, np.asarray(found.fe_params), variances | {"burn": found.scale}), note
