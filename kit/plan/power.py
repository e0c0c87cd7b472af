"""What a design can settle: how well it knows a difference of fuels, and the chance of each verdict."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property, lru_cache
from typing import Any, TypeAlias

import numpy as np
import pandas as pd

from kit.burns.logged_burns import number
from kit.errors import Faults, KitError, did_you_mean
from kit.judge.comparisons import places_of
from kit.judge.question import Multiplicity, Question
from kit.judge.verdicts import DIFFERENCES, half_widths, standard_errors, verdict_chances
from kit.plan.schedule import refuse_misfits, refuse_no_count
from kit.trial.cells import is_number
from kit.variance.burn_arrays import Array, Columns, Levels, Roles, read_columns
from kit.variance.design import Design as AnalysedDesign
from kit.variance.design import Spread, design_of, overlap
from kit.variance.engine import engine_of
from kit.variance.families import Family, all_pairs, correlated, correlation_of
from kit.variance.inference import LEAST_DF, known_at, simulated_errors

Components: TypeAlias = Mapping[str, float] | pd.DataFrame
Designed: TypeAlias = "Design | Mapping[str, int] | pd.DataFrame"
EVERY_PAIR = Question(covariates=("cooker",))
FAMILIES = ("tukey", "dunnett", "none")
METHOD, SIMULATED = "Satterthwaite, noncentral t", "intervals of simulated trials"
MOST_FOLLOWED = 3
"""Differences whose intervals are simulated: of more, an even choice."""
MOST_VARIANCES = 4
"""Variances beside which a simulated design has none for days: with three spreads and days it would take seconds, and
the promise is three to nine points too hopeful without them."""
CHANCE_COLUMNS = (
    "difference", "verdict", "chance", "se", "df", "half_width", "margin", "level", "multiplicity", "method",
)  # fmt: skip


@dataclass(frozen=True)
class Design:
    """How many burns of what: the same bags and burns for each fuel.

    Attributes
    ----------
    fuels, bags, burns
        Fuels, bags a fuel, burns a bag.
    days
        Day blocks over which the burns are spread as evenly as goes; None where days do not differ.
    """

    fuels: int
    bags: int
    burns: int
    days: int | None = None

    @property
    def total(self) -> int:
        """Burns in all."""
        return self.fuels * self.bags * self.burns

    def table(self) -> pd.DataFrame:
        """Return a row a burn: fuel, bag, day; days run through the fuels in turn."""
        rows = [(f, b, i) for i in range(self.burns) for b in range(self.bags) for f in range(self.fuels)]
        frame = pd.DataFrame(rows, columns=["fuel", "bag", "repeat"])
        frame["day"] = np.arange(len(frame)) * (self.days or 1) // max(len(frame), 1)
        return frame


def power_of(
    design: Designed,
    components: Components,
    difference: float | Sequence[float],
    margin: float | None = None,
    multiplicity: Multiplicity = "tukey",
    level: float = 0.95,
    upper: bool = False,
    control: Any = None,
    earlier_df: float = 0.0,
) -> pd.DataFrame:
    """Return the chance of each verdict on two fuels of a design when their true difference is given.

    Parameters
    ----------
    design
        A Design, its numbers by name, or a table with fuel, bag, day and, where there are several, cooker;
        a row a burn.
    components
        Standard deviations on the analysis scale: {'bag': …, 'burn': …, 'day': …}, or a components table.
    difference
        True difference on the analysis scale; several give a block of rows each.
    margin
        On the analysis scale; without one a verdict is 'different' or 'not settled'.
    multiplicity
        'tukey' (all pairs), 'dunnett' (against a control fuel) or 'none'.
    control
        With 'dunnett' and a table: the control fuel; the first one without.
    upper
        With a components table: use the upper 80 % limits of the SDs, so that the promise is not optimistic.
    earlier_df
        Degrees of freedom by which earlier folders, measured alike, know the spread besides.

    Returns
    -------
    DataFrame
        difference, verdict, chance, se, df, half_width (median of the interval's), margin, level, multiplicity,
        method.

    Raises
    ------
    KitError
        Where the design is none or cannot compare fuels, a component is missing or negative, the margin is not above
        zero, the control is no fuel of the table, or `multiplicity` is another word.

    Notes
    -----
    Of fuels with one bag each the verdicts are for these bags alone, and how far bags differ enters nothing; with
    earlier folders they are for the product, and those alone know its spread.
    The estimate is normal, its squared standard error SE²·χ²_ν/ν beside it, with ν by Satterthwaite's rule at
    the true components (`kit.judge.verdicts.verdict_chances`; DEVELOPERS.md, method 14). Where days cross the bags, or
    spreads differ, standard errors are those that the analysis finds in simulated trials.

    Examples
    --------
    >>> table = power_of({"fuels": 4, "bags": 3, "burns": 2}, {"bag": 8.0, "burn": 10.0}, difference=40, margin=15)
    >>> table[["verdict", "chance"]].round(2).values.tolist()[0]
    ['different, by more than the margin', 0.43]
    """
    differences = np.ravel(np.asarray(difference, dtype=object)).tolist()
    faults = Faults()
    given = [
        *(("difference", each, is_number(each)) for each in differences),
        ("margin", margin, margin is None or (is_number(margin) and margin > 0)),
        ("multiplicity", multiplicity, multiplicity in FAMILIES),
        ("level", level, is_number(level) and 0.5 < level < 1),
        ("earlier_df", earlier_df, is_number(earlier_df) and earlier_df >= 0),
    ]
    refuse_misfits(faults, ((where, f"'{found}'", fits) for where, found, fits in given))
    faults.settle()
    burns = burns_of(design)
    # of fuels without names one is as good a control as another
    named = control if isinstance(design, pd.DataFrame) else None
    if named is not None and named not in set(burns["fuel"]):
        remedy = did_you_mean(str(named), map(str, burns["fuel"].unique()))
        raise KitError.refuse("control", f"'{named}'", "a fuel of the design", remedy)
    against = burns["fuel"].iloc[0] if named is None else named
    question = replace(EVERY_PAIR, control=against) if multiplicity == "dunnett" else EVERY_PAIR
    known = precision(burns, sds_of(components, upper), question, multiplicity)
    return known.with_earlier(earlier_df).chances(map(float, differences), margin, level)


def burns_of(design: Designed) -> pd.DataFrame:
    """Return a row a burn of a design that names what it must."""
    if isinstance(design, Mapping):
        names = [each.name for each in fields(Design)]
        if not set(names[:3]) <= set(design) <= set(names):
            found, expected = ", ".join(map(str, design)), "fuels, bags and burns, and days where they differ"
            raise KitError.refuse("design", found, expected, "Name these.")
        design = Design(**design)
    if isinstance(design, Design):
        faults = Faults()
        for name, count in vars(design).items():
            if count is not None:
                refuse_no_count(faults, f"design, {name}", count, least=1)
        faults.settle()
        return design.table()
    if "fuel" not in design or not len(design):
        found = ", ".join(map(str, design.columns)) if len(design) else "no burns"
        raise KitError.refuse("design", found, "a column fuel, and a row a burn", "Give the burns.")
    return design


def chance_of(power: pd.DataFrame, difference: float, verdicts: Sequence[str] = DIFFERENCES) -> float:
    """Return the chance of any of some verdicts at one of the differences of a power table."""
    held = power["difference"].eq(difference) & power["verdict"].isin(list(verdicts))
    return float(power.loc[held, "chance"].sum())


def sds_of(components: Components, upper: bool = False) -> dict[str, float]:
    """Return the SDs of bag, burn and day; where `upper`, their upper 80 % limits.

    Raises
    ------
    KitError
        Where burn is missing, or a value is no SD.
    """
    if isinstance(components, pd.DataFrame):
        found = {str(row["component"]): row for row in components.to_dict("records")}
        sds = {name: _upper(row) if upper else number(row["sd"]) for name, row in found.items()}
        groups = [sd for name, sd in sds.items() if name.startswith("burn:")]
        if "burn" not in sds and groups:
            sds["burn"] = float(np.sqrt(np.mean(np.square(groups))))
    else:
        sds = {name: number(sd) for name, sd in components.items()}
    wrong = {name: sd for name, sd in sds.items() if not sd >= 0}
    if "burn" not in sds or wrong or sds["burn"] == 0:
        remedy = "Give bag, burn and, where days differ, day."
        raise KitError.refuse("components", str(sds), "standard deviations, burn above 0", remedy)
    return {name: sds.get(name, 0.0) for name in ("bag", "burn", "day")}


def _upper(row: Mapping[str, object]) -> float:
    """Return the upper 80 % limit of an SD from its interval.

    As if its square were χ²_ν/ν, with the ν whose upper limit at the row's level is the row's own; where the
    SD is 0, its square as if normal: the SD's limits then go as the roots of the normal's quantiles.
    """
    from scipy import optimize, special

    sd, high, level = (float(row[name]) for name in ("sd", "high", "level"))  # type: ignore[arg-type]
    tail = (1 - level) / 2
    if not high > sd:
        return sd
    if sd <= 0:
        return high * float(np.sqrt(special.ndtri(0.8) / special.ndtri(1 - tail)))

    def factor(log_df: float, share: float) -> float:
        df = np.exp(log_df)
        return float(np.sqrt(df / (2 * special.gammaincinv(df / 2, share))))

    lowest = np.log(0.3)
    if factor(lowest, tail) < high / sd:
        return min(high, sd * factor(lowest, 0.2))
    log_df = optimize.brentq(lambda x: factor(x, tail) - high / sd, lowest, np.log(1e7))
    return sd * factor(log_df, 0.2)


@dataclass(frozen=True)
class Precision:
    """How well a design knows the differences that are asked about.

    Attributes
    ----------
    true_sd
        Standard deviation of an estimated difference, the mean over those asked about.
    se, df
        The standard error that the analysis can know of, smaller where each fuel is of one bag; its degrees of freedom.
    family, multiplicity
        What holds the intervals together, and its name.
    one_bag
        Whether no fuel has a second bag.
    trials
        Design, variances, contrasts and level of trials to be simulated; None where nothing is left to simulate.
    """

    true_sd: float
    se: float
    df: float
    family: Family
    multiplicity: str
    one_bag: bool
    trials: tuple[AnalysedDesign, Array, Array, float] | None = None

    def with_earlier(self, df: float) -> Precision:
        """Return the same with so many degrees of freedom from earlier folders.

        Of fuels of one bag each these alone know the spread of the product; without them all is about these bags.
        """
        if self.one_bag:
            return replace(self, se=self.true_sd, df=df) if df else replace(self, true_sd=self.se)
        return replace(self, df=self.df + df, trials=None) if df else self

    @cached_property
    def simulated(self) -> tuple[Array, Array] | None:
        """Standard errors of simulated trials in units of SE, and their df; None where squared they are χ²_ν/ν."""
        return self.trials and _errors_found(*self.trials)

    @property
    def errors(self) -> tuple[Array, Array]:
        """Equally likely standard errors, and their degrees of freedom."""
        if self.simulated is None:
            return standard_errors(self.se, self.df), np.array([self.df])
        return self.se * self.simulated[0], self.simulated[1]

    def chances(self, differences: Iterable[float], margin: float | None, level: float) -> pd.DataFrame:
        """Return the chance of each verdict at some true differences; columns of `power_of`."""
        half, inner = half_widths(self.family, *self.errors, level)
        method = SIMULATED if self.simulated else METHOD
        about = (self.se, self.df, float(np.median(half)), margin, level, self.multiplicity, method)
        rows = [
            (difference, verdict, chance, *about)
            for difference in differences
            for verdict, chance in verdict_chances(difference, self.true_sd, half, inner, margin).items()
        ]
        return pd.DataFrame(rows, columns=list(CHANCE_COLUMNS))


def precision(
    design: Designed,
    components: Components,
    question: Question = EVERY_PAIR,
    multiplicity: Multiplicity | None = None,
) -> Precision:
    """Return how well a design knows the differences of its fuels that a question asks about, once it is analysed.

    Parameters
    ----------
    design
        As for `power_of`; a table may have cookers and kinds too.
    components
        As for `power_of`.
    question
        What will be asked: the pairs or the control, how spread is taken; every pair without one.
    multiplicity
        Of these pairs: 'tukey', 'dunnett' or 'none'; as the question will be answered without one.

    Raises
    ------
    KitError
        Where fuels cannot be compared: fewer than two, no burn to spare, or fuel and day go together.
    """
    (columns, spread), sds = _columns(burns_of(design), question), sds_of(components)
    assert columns.fuel is not None and columns.bag is not None
    one_bag = columns.bag.count == columns.fuel.count
    known = design_of(replace(columns, bag=None) if one_bag else columns, "fixed", spread)
    if len(known.labels) < 2 or known.nu < 1:
        found, expected = f"fuels: {len(known.labels)}, burns: {known.n}", "two fuels or more, and repeats"
        raise KitError.refuse("design", found, expected, "Plan further burns.")
    if not known.comparable:
        remedy = "Let fuels share days: fuel and day cannot be separated."
        raise KitError.refuse("design", "fuels that never share a day", "linked days", remedy)
    pairs, declared = question.family_of(known.labels) or (("control", known.labels[0]), "tukey")
    (a, b), means = places_of(known.labels, pairs).T, known.mean_rows()
    L, engine = means[a] - means[b], engine_of(known, "REML")
    theta = _as_estimated(known, columns, sds, engine.names)
    covariance, df = known_at(engine, theta, L)
    weights = engine.beta(engine.rotate(np.eye(known.n)), np.tile(theta, (known.n, 1))) @ L.T
    true = sds["burn"] ** 2 * (weights**2).sum(axis=0)
    for name, levels in _terms(columns).items():
        true = true + sds[name] ** 2 * ((levels.indicators.T @ weights) ** 2).sum(axis=0)
    held = multiplicity or declared
    if held == "dunnett" and len(L) > 1:
        family = held_together(correlation_of(covariance).round(9).tobytes(), 2)
    else:
        family = all_pairs(len(known.labels) if held == "tukey" else 2)
    spread_of = (float(np.sqrt(true.mean())), float(np.sqrt(np.diag(covariance).mean())), float(df.mean()))
    followed = L[np.unique(np.linspace(0, len(L) - 1, MOST_FOLLOWED).astype(int))]
    return Precision(*spread_of, family, held, one_bag, (known, theta, followed, question.level))


def _errors_found(known: AnalysedDesign, theta: Array, L: Array, level: float) -> tuple[Array, Array] | None:
    """Return equally likely standard errors of some contrasts, in units of SE, and their df; None where they are χ²'s.

    Where days cross the bags, or spreads differ, the analysis averages over more than one ratio of variances: its
    intervals then vary less from trial to trial than the best estimate's at the true ratios, and are wider or narrower.
    """
    engine = engine_of(known, "REML")
    if len(engine.names) > MOST_VARIANCES and "day" in engine.names:
        terms = tuple(term for term in known.terms if term.name != "day")
        kept = [name != "day" for name in engine.names]
        return _errors_found(replace(known, terms=terms), theta[kept], L, level)
    found = simulated_errors(engine, theta, L, level)
    if found is None:
        return None
    se = np.sqrt(np.diag(known_at(engine, theta, L)[0]))
    return (found[0] / se).ravel(), np.maximum(found[1].ravel(), LEAST_DF)


@lru_cache(maxsize=64)
def held_together(correlation: bytes, sides: int) -> Family:
    """Return the family of one correlation matrix, which many balanced designs share."""
    matrix = np.frombuffer(correlation)
    return correlated(matrix.reshape(-1, round(len(matrix) ** 0.5)), sides)


def _columns(burns: pd.DataFrame, question: Question) -> tuple[Columns, Spread]:
    """Return planned burns as the analysis will read them, and the spread that it will start from."""
    table = burns.assign(
        value=0.0, status="exact", kind=[question.kind_of.get(fuel, "") for fuel in burns["fuel"]]
    )
    table = table.assign(**{name: burns.get(name, "") for name in ("bag", "day", "cooker")})
    planned = replace(question, covariates=[name for name in question.covariates if name in table])
    roles = planned.roles(table)
    spread = roles.pop("spread")
    del roles["borrowed"]
    return read_columns(table, Roles(("value",), **roles), "plain"), spread


def _terms(columns: Columns) -> dict[str, Levels]:
    """Return the terms that burns vary by beside themselves."""
    return {name: levels for name in ("bag", "day") if (levels := getattr(columns, name)) is not None}


def _as_estimated(
    known: AnalysedDesign, columns: Columns, sds: Mapping[str, float], names: Sequence[str]
) -> Array:
    """Return the variances that the analysis will see, in the order of their names.

    What can be seen of a term that is a mixture of others goes to those: with one burn a bag, 'burn' holds the bags;
    with one bag a fuel nothing of the bags is seen.
    """
    terms, groups = _terms(columns), known.spread.count
    shared = overlap(known.Q, list(terms.values()), known.spread)
    true = np.square([sds["burn"]] * groups + [sds[name] for name in terms])
    place = {name: groups + n for n, name in enumerate(terms)}
    kept = [*(place[name] for name in names if name in place), *range(groups)]
    seen = np.linalg.solve(shared[np.ix_(kept, kept)], shared[kept] @ true)
    return np.asarray(np.maximum(seen, 0.0))
