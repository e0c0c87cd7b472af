"""What is asked of one metric: which burns count, which model, which family and margin, at which level."""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import optimize, special

from kit import schema
from kit.burns.logged_burns import bag_prices, sheet_rows
from kit.data_file import data_file
from kit.errors import KitError, refusals
from kit.schema import Metric
from kit.trial import Run
from kit.variance import RepeatFit, fit_repeats
from kit.variance.burn_arrays import Array, noted_bags
from kit.variance.fit import joined

Multiplicity = Literal["tukey", "dunnett", "holm", "none"]
Pairs = str | tuple[str, Any] | Sequence[tuple[Any, Any]]

WORDS = data_file(__file__, "words.toml")
STEP, FARTHEST = 0.02, 9.0
"""Of the integrals over z, at looks before the last."""
KNOWN = ("exact", "at least", "at most")
NO_BAG = "(bag not noted)"
MOST_FUELS = 30
"""Above so many fuels they are compared only with the control fuel, or with the one of the best mean."""
LEAST_OF_A_KIND = 4
"""Residual degrees of freedom that each kind needs for a spread of its own."""
HOUR = 3600.0
NEVER = "never"
OF_A_THRESHOLD = ("time_above", "longest_spell", "cost")
"""How long, given that it was reached: burns that did not reach the threshold have no such value."""
CONDITIONS = ("cooker", "setting", "ambient_c", "wind_m_s", "humidity_pct", "charge_g", "charge_l")

refused = refusals(WORDS["refused"])
"""Returns the error of one question that cannot be answered."""


@dataclass(frozen=True)
class Counted:
    """The metrics of the burns that count, told apart from those that are only shown.

    Attributes
    ----------
    metrics
        schema.METRICS and the conditions of each burn, of the burns that count.
    excluded
        schema.METRICS of the burns left out with a reason.
    setting
        The declared setting whose burns are compared; '' where the trial knows one setting only.
    notes
        What a reader should know of the choice.
    """

    metrics: pd.DataFrame
    excluded: pd.DataFrame
    setting: str
    notes: tuple[str, ...]

    def compared(self, metric_id: str) -> pd.DataFrame:
        """Return the rows of a metric whose burns are compared with one another.

        Minutes held for a cook are of the burns run at a setting for it, whichever the others were run at.
        """
        rows = values_of(self.metrics, metric_id)
        return rows if metric_id.startswith("band:") else rows[rows["setting"] == self.setting]

    @property
    def burns(self) -> set[str]:
        """Burns that are compared."""
        return set(self.metrics.loc[self.metrics["setting"] == self.setting, "burn"])


def values_of(metrics: pd.DataFrame, metric_id: str) -> pd.DataFrame:
    """Return the rows of a metric among schema.METRICS, a burn told as 'never' where it has no such value.

    That is a burn that never reached the threshold, in every metric of how long it was above it or what that cost.
    """
    rows = metrics[metrics["metric"] == metric_id]
    base, _, argument = metric_id.partition(":")
    if base == "band":
        return rows.assign(status=rows["status"].replace("at most", NEVER))  # a zero is no minute held
    if base in OF_A_THRESHOLD:
        times = metrics[metrics["metric"] == f"time_to:{argument}"]
        reached = times.set_index("burn")["status"]
        short = rows["burn"].map(reached).eq(NEVER) | (times.empty and rows["status"].eq("at most"))
        return rows.assign(status=rows["status"].mask(short, NEVER))
    return rows


def counted_burns(metrics: pd.DataFrame, run: Run) -> Counted:
    """Part the burns that count from those left out, and choose the setting whose burns are compared.

    Burns at different settings answer different questions; where a trial has several, the one with most burns is
    compared, and the others serve the cooks that were declared for them.
    """
    sheet = run.burns.set_index("burn")
    excluded = metrics["burn"].isin(sheet.index[sheet["state"] == "excluded"])
    wanted = dict.fromkeys((*CONDITIONS, *run.trial.model.covariates))
    known = [name for name in wanted if name in sheet and name != "kind"]
    kept = metrics[~excluded].join(sheet[known], on="burn")
    minutes = kept[kept["metric"] == "ready"].set_index("burn")["value"]
    kinds = kept["fuel"].map({fuel.id: fuel.kind for fuel in run.trial.fuels}).fillna("")
    kept = kept.assign(kind=kinds, ready=kept["burn"].map(minutes)).reset_index(drop=True)
    sizes = kept.drop_duplicates("burn")["setting"].value_counts(sort=False)
    setting = str(sizes.idxmax()) if len(sizes) else ""
    notes = []
    if len(sizes) > 1:
        named = {name: str(name) or WORDS["no_setting"] for name in sizes.index}
        others = ", ".join(f"{count} at '{named[name]}'" for name, count in sizes.items())
        notes.append(WORDS["settings"].format(others=others, setting=named[setting]))
    left, of_all = metrics.loc[metrics["day"] == "", "burn"].nunique(), metrics["burn"].nunique()
    if left:
        which = "No burn has a day" if left == of_all else f"{left} of {of_all} burns have no day"
        notes.append(WORDS["no_days"].format(which=which))
    without = metrics.loc[excluded, schema.names("metrics")].reset_index(drop=True)
    return Counted(kept, without, setting, tuple(notes))


def look_level(stages: Sequence[int], done: int, confidence: float = 0.95) -> float:
    """Return the confidence of the intervals at the look that so many burns allow.

    Parameters
    ----------
    stages
        Numbers of burns at which the trial was to be looked at, rising; the last is the whole plan. None or one: the
        trial is looked at once, and the confidence is the declared one.
    done
        Burns made; beyond the plan as at its end.
    confidence
        Declared for the whole trial.

    Notes
    -----
    α*(t) = 2 − 2Φ(z_{α/2}/√t), the O'Brien–Fleming-type spending function of Lan & DeMets (1983) on the share t of
    the planned burns; boundaries by recursive integration (Armitage, McPherson & Rowe 1969). The nominal p of each
    look is then asked of t.

    Examples
    --------
    >>> round(1 - look_level((12, 24), 12), 4), round(1 - look_level((12, 24), 24), 4)
    (0.0056, 0.0478)
    """
    looks = sorted(set(stages))
    if len(looks) < 2:
        return confidence
    held = max(1, sum(stage <= done for stage in looks))
    shares = tuple(stage / looks[-1] for stage in looks[:held])
    return 1 - nominal_levels(shares, round(1 - confidence, 12))[-1]


@lru_cache(maxsize=32)
def nominal_levels(shares: tuple[float, ...], alpha: float) -> tuple[float, ...]:
    """Return the two-sided nominal p of each look at these shares of the information, all errors together α*."""

    def beyond(bound: float, root: float, rest: float, inside: Array, spend: float) -> float:
        out = special.ndtr((-bound - root * grid) / rest) + special.ndtr((root * grid - bound) / rest)
        return STEP * float(out @ inside) - spend

    spent = [2 * float(special.ndtr(special.ndtri(alpha / 2) / np.sqrt(share))) for share in shares]
    grid = np.arange(-FARTHEST, FARTHEST + STEP / 2, STEP)
    bounds = [-float(special.ndtri(spent[0] / 2))]
    density = _normal(grid)  # of Z at the first look
    for before, now, last, total in zip(shares, shares[1:], spent, spent[1:], strict=False):
        inside = np.where(np.abs(grid) < bounds[-1], density, 0.0)
        root, rest = np.sqrt(before / now), np.sqrt(1 - before / now)
        density = STEP * (_normal((grid[:, None] - root * grid) / rest) / rest) @ inside
        bounds.append(float(optimize.brentq(beyond, 0.0, FARTHEST, (root, rest, inside, total - last))))
    return tuple(2 * float(special.ndtr(-bound)) for bound in bounds)


def _normal(z: Array) -> Array:
    return np.asarray(np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi))


@dataclass(frozen=True)
class Resources:
    """What a burn and a bag take, and what the plan allows; NaN where it is not known.

    Attributes
    ----------
    grams, hours
        Of one burn: the mean charge, and lighting to stop on average.
    bag_price
        Of each fuel with a price.
    budget, most_hours
        What the plan allows for, infinite where it sets no limit.
    """

    grams: float = math.nan
    hours: float = math.nan
    bag_price: Mapping[str, float] = field(default_factory=dict)
    budget: float = math.inf
    most_hours: float = math.inf


def resources_of(run: Run) -> Resources:
    """Return what a run folder says of the cost of its burns."""
    trial, plan, burns = run.trial, run.trial.plan, list(sheet_rows(run).values())
    seconds = [burn.stop_s + np.nan_to_num(burn.ready_s) for burn in burns if burn.stop_s]
    grams = [burn.charge_g for burn in burns if burn.charge_g == burn.charge_g]
    return Resources(
        grams=float(np.mean(grams)) if grams else float(trial.charge.grams or math.nan),
        hours=float(np.mean(seconds)) / HOUR if seconds else math.nan,
        bag_price=bag_prices(trial),
        budget=plan.budget or math.inf,
        most_hours=plan.hours * plan.days if plan.hours and plan.days else math.inf,
    )


@dataclass(frozen=True)
class Question:
    """The declared way of judging one metric.

    Attributes
    ----------
    level
        Confidence of the intervals that verdicts use.
    margin
        Smallest difference that matters, on the analysis scale.
    control
        Control fuel that the others are compared with; None compares every pair.
    pairs
        Pairs asked about beforehand: they are then the family, one pair alone without adjustment.
    spread
        One burn SD for all, or one for each fuel or kind; '' where the trial file says nothing: by kind where kinds
        are mixed and each has burns enough.
    covariates
        Columns that enter the model, cookers among them.
    kind_of
        Kind of each fuel.
    better
        'more', 'less' or '': which values are better.
    primary
        Whether verdicts are about this metric: then it is looked at from all sides.
    primaries
        How many metrics are primary.
    others
        How many further metrics have a declared margin: odd burns are looked for in these too.
    earlier, unused
        Models of the same metric in earlier trials that were measured alike, by folder; a row (schema.PRIOR) for each
        that could not be used.
    borrowed
        Repeatability SD and its degrees of freedom from other trials, used where this one has no repeats.
    resources
        What further burns take, and what the plan allows.
    seed
        Of everything simulated.
    """

    level: float = 0.95
    margin: float | None = None
    control: str | None = None
    pairs: Sequence[tuple[str, str]] = ()
    spread: Literal["common", "by fuel", "by kind", ""] = "common"
    covariates: Sequence[str] = ()
    kind_of: Mapping[str, str] = field(default_factory=dict)
    better: str = ""
    primary: bool = False
    primaries: int = 1
    others: int = 0
    earlier: Mapping[str, RepeatFit] = field(default_factory=dict)
    unused: Sequence[dict[str, object]] = ()
    borrowed: tuple[float, float] | None = None
    resources: Resources = field(default_factory=Resources)
    seed: int = 1

    @property
    def is_asked_about(self) -> bool:
        """Whether the trial asks about this metric: a primary one, or one with a declared margin."""
        return self.primary or self.margin is not None

    @property
    def looks(self) -> int:
        """By what a p value of an odd burn is multiplied, beside the number of burns.

        Half of what a trial may err by is shared by the primary metrics, the other half by the others (Bonferroni
        with weights).
        """
        same = self.primaries if self.primary else self.others
        return same * (2 if self.others else 1)

    def countable(self, rows: pd.DataFrame, fewest: int = 2) -> tuple[pd.DataFrame, str]:
        """Return the burns whose values can be compared, and why there are none ('' where there are).

        A fuel with a burn that never reached the threshold is left out: its times are not 'later than' any.
        Fewer fuels than `fewest` are too few, unless no other was measured.
        """
        never = set(rows.loc[rows["status"] == "never", "fuel"])
        counted = rows[rows["status"].isin(KNOWN) & ~rows["fuel"].isin(never)]
        if counted.empty:
            return counted, "some burns of every fuel never reached it" if never else "not measured"
        if counted["fuel"].nunique() < min(fewest, rows["fuel"].nunique()):
            left = " whose burns all reached it" if never else ""
            return counted, f"only one fuel{left}: there is nothing to compare"
        # blanks must not buy a verdict
        bags = noted_bags(counted["fuel"].tolist(), counted["bag"].tolist())
        return counted.assign(bag=[bag or NO_BAG for bag in bags]), ""

    def roles(self, rows: pd.DataFrame) -> dict[str, Any]:
        """Return the arguments of `fit_repeats` that say what the columns of these burns are."""
        days, repeats = set(rows["day"].tolist()), bool(rows["fuel"].duplicated().any())
        spread = (self.spread or self._spread_of(rows)) if repeats else "common"
        return {
            "bag": "bag",
            "day": "day" if "" not in days and len(days) > 1 else None,
            "kind": "kind" if spread == "by kind" else None,
            "covariates": tuple(name for name in self.covariates if rows[name].nunique() > 1),
            "spread": spread,
            "borrowed": None if repeats else self.borrowed,
        }

    def fit_of(self, rows: pd.DataFrame, spec: Metric, fewest: int = 2) -> tuple[RepeatFit | None, str]:
        """Return the model of the burns whose values can be compared, or why there is none."""
        counted, why_not = self.countable(rows, fewest)
        if why_not:
            return None, why_not
        try:
            return self.fit(counted, spec), ""
        except KitError as error:
            return None, " ".join(problem.found for problem in error.problems)

    def fit(self, rows: pd.DataFrame, spec: Metric) -> RepeatFit:
        """Fit the variance model as the trial declared it, earlier trials beside it where something was repeated here.

        Raises
        ------
        KitError
            Where the burns cannot answer.
        """
        fit = fit_repeats(rows, scale=spec.scale, status="status", **self.roles(rows))
        return joined(fit, self.earlier) if self.earlier and fit.design.nu > 0 else fit

    def _spread_of(self, rows: pd.DataFrame) -> str:
        """Return the spread to start from: kinds were declared before any value was seen."""
        if "kind" not in rows or rows["kind"].eq("").any():
            return "common"
        # of a bound nobody knows how far it strayed
        exact = rows[rows["status"] == "exact"].groupby("kind")["fuel"]
        freedom = (exact.count() - exact.nunique()).reindex(rows["kind"].unique(), fill_value=0)
        return "by kind" if len(freedom) > 1 and (freedom >= LEAST_OF_A_KIND).all() else "common"

    def family(self, fit: RepeatFit) -> tuple[Pairs, Multiplicity]:
        """Return the family of comparisons of a fit and how it is held together.

        The one declared; of more fuels than `MOST_FUELS`, which have too many pairs for a reader too, all against that
        of the best mean, with limits that hold for every pair.
        """
        declared = self.family_of(fit.labels)
        if declared is not None:
            return declared
        means = np.nan_to_num(fit.estimate.beta[0, : len(fit.labels)], nan=-np.inf)
        best = fit.labels[int(np.argmin(means) if self.better == "less" else np.argmax(means))]
        return [(fuel, best) for fuel in fit.labels if fuel != best], "tukey"

    def family_of(self, fuels: Collection[Any]) -> tuple[Pairs, Multiplicity] | None:
        """Return the family of comparisons of some fuels as declared; None where there are too many for every pair.

        The pairs asked beforehand, else all against the control fuel, else every pair.
        """
        asked = [pair for pair in self.pairs if set(pair) <= set(fuels)]
        if asked:
            return asked, "dunnett" if len(asked) > 1 else "none"
        if self.control in fuels:
            return ("control", self.control), "dunnett"
        return ("all", "tukey") if len(fuels) <= MOST_FUELS else None
