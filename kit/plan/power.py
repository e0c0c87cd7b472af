"""What a design can settle: how well it knows a difference of fuels, and the chance of each verdict."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from itertools import combinations
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
import pandas as pd

from kit.burns.logged_burns import number
from kit.errors import Faults, KitError, did_you_mean
from kit.judge.verdicts import DIFFERENCES, standard_errors, verdict_chances
from kit.plan.burning import Floats
from kit.plan.schedule import refuse_no_count
from kit.trial.key_types import is_number

if TYPE_CHECKING:
    from kit.variance.families import Family

Components: TypeAlias = Mapping[str, float] | pd.DataFrame
Designed: TypeAlias = "Design | Mapping[str, int] | pd.DataFrame"
INDEPENDENT = 1e-8
FAMILIES = ("tukey", "dunnett", "none")
METHOD = "Satterthwaite, noncentral t"
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
    multiplicity: str = "tukey",
    level: float = 0.95,
    upper: bool = False,
    control: object = None,
    earlier_df: float = 0.0,
) -> pd.DataFrame:
    """Return the chance of each verdict on two fuels of a design when their true difference is given.

    Parameters
    ----------
    design
        A Design, its numbers by name, or a table with fuel, bag and day, a row a burn.
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
    the true components (`kit.judge.verdicts.verdict_chances`; DEVELOPERS.md, method 14).

    Examples
    --------
    >>> table = power_of({"fuels": 4, "bags": 3, "burns": 2}, {"bag": 8.0, "burn": 10.0}, difference=40, margin=15)
    >>> table[["verdict", "chance"]].round(2).values.tolist()[0]
    ['different, by more than the margin', 0.43]
    """
    differences = np.ravel(np.asarray(difference, dtype=object)).tolist()
    _refuse_amiss(differences, margin, multiplicity, level, earlier_df)
    design = _checked(design, control)
    if isinstance(design, Design):
        one_bag, control = design.bags == 1, 0  # of fuels without names one is as good a control as another
    else:  # bags not noted are as one each
        one_bag = "bag" in design and bool((design.groupby("fuel")["bag"].nunique() == 1).all())
        control = design["fuel"].iloc[0] if control is None else control
    sds = sds_of(components, upper)
    if one_bag and not earlier_df:
        sds["bag"] = 0.0
    known = precision(design, sds, control if multiplicity == "dunnett" else None)
    if one_bag and earlier_df:
        known = replace(known, se=known.true_sd, df=earlier_df)
    else:
        known = replace(known, df=known.df + earlier_df)
    rows = [row for d in map(float, differences) for row in _rows(known, d, margin, level, multiplicity)]
    return pd.DataFrame(rows, columns=list(CHANCE_COLUMNS))


def _refuse_amiss(
    differences: Sequence[object], margin: object, multiplicity: str, level: object, earlier_df: object
) -> None:
    faults, on_scale = Faults(), "on the analysis scale"
    for each in differences:
        if not is_number(each):
            faults.refuse("difference", f"'{each}'", f"a number {on_scale}", "State the true difference.")
    if margin is not None and not (is_number(margin) and margin > 0):
        remedy = "State the smallest difference that matters."
        faults.refuse("margin", f"'{margin}'", f"a number above zero {on_scale}", remedy)
    if multiplicity not in FAMILIES:
        faults.refuse("multiplicity", f"'{multiplicity}'", " or ".join(FAMILIES), "Name one of them.")
    if not (is_number(level) and 0.5 < level < 1):
        faults.refuse("level", f"'{level}'", "a confidence between 0.5 and 1", "State it as 0.95.")
    if not (is_number(earlier_df) and earlier_df >= 0):
        faults.refuse("earlier_df", f"'{earlier_df}'", "a number from zero", "Leave it out, or mend it.")
    faults.settle()


def _checked(design: Designed, control: object) -> Design | pd.DataFrame:
    """Return a design or a table of burns that names what it must, the control fuel among its fuels."""
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
        return design
    if "fuel" not in design or not len(design):
        found = ", ".join(map(str, design.columns)) if len(design) else "no burns"
        raise KitError.refuse("design", found, "a column fuel, and a row a burn", "Give the burns.")
    if control is not None and control not in set(design["fuel"]):
        remedy = did_you_mean(str(control), map(str, design["fuel"].unique()))
        raise KitError.refuse("control", f"'{control}'", "a fuel of the design", remedy)
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


def critical_value(known: Precision, multiplicity: str, level: float, df: Floats) -> Floats:
    """Return what a simultaneous interval multiplies its standard error by, at some degrees of freedom."""
    from kit.variance.families import all_pairs, correlation_of

    if multiplicity == "dunnett" and known.fuels > 2:
        against = compared(known.fuels, known.control or 0)
        correlation = correlation_of(against @ known.covariance @ against.T)
        return _against_control(correlation.round(9).tobytes(), len(against)).critical(level, df)
    return all_pairs(known.fuels if multiplicity == "tukey" else 2).critical(level, df)


@lru_cache(maxsize=64)
def _against_control(correlation: bytes, comparisons: int) -> Family:
    """Return the family of one correlation matrix: balanced designs of as many fuels share it."""
    from kit.variance.families import correlated

    return correlated(np.frombuffer(correlation).reshape(comparisons, comparisons))


def _rows(
    known: Precision, difference: float, margin: float | None, level: float, multiplicity: str
) -> list[tuple[object, ...]]:
    # 'inside the margin' is a pair of one-sided tests: its interval leaves out as much on one side as D on both
    half, inner = (
        critical_value(known, multiplicity, at, np.array([known.df])) * standard_errors(known.se, known.df)
        for at in (level, 2 * level - 1)
    )
    about = (known.se, known.df, float(np.median(half)), margin, level, multiplicity, METHOD)
    chances = verdict_chances(difference, known.true_sd, half, inner, margin)
    return [(difference, verdict, chance, *about) for verdict, chance in chances.items()]


@dataclass(frozen=True)
class Precision:
    """How well a design knows one difference of fuels.

    Attributes
    ----------
    true_sd
        Standard deviation of the estimated difference.
    se
        The standard error that the analysis can know of: smaller where a fuel's burns are of one bag.
    df
        Degrees of freedom of that standard error.
    fuels
        Means in the family.
    covariance
        Of the means as the analysis sees it; fuels × fuels.
    control
        Place of the control fuel; None where every pair is compared.
    """

    true_sd: float
    se: float
    df: float
    fuels: int
    covariance: Floats
    control: int | None = None


def precision(design: Design | pd.DataFrame, sds: Mapping[str, float], control: object = None) -> Precision:
    """Return how well a design knows the difference of two of its fuels, the mean over pairs.

    Parameters
    ----------
    design
        A table with fuel, bag and, where days differ, day; a row a burn.
    sds
        bag, burn, day: standard deviations on the analysis scale.
    control
        Fuel that each other one is compared with; every pair without.

    Raises
    ------
    KitError
        Where fuels cannot be compared: fewer than two, no burn to spare, or fuel and day go together.
    """
    table = design.table() if isinstance(design, Design) else design
    X, groups = _matrices(table, sds)
    labels = pd.factorize(table["fuel"])[1].tolist()
    fuels, place = len(labels), None if control is None else labels.index(control)
    if fuels < 2 or len(X) <= X.shape[1]:
        found, expected = f"{fuels} fuel(s), {len(X)} burns", "two fuels or more, and repeats"
        raise KitError.refuse("design", found, expected, "Plan further burns.")
    if np.linalg.matrix_rank(X) < X.shape[1]:
        remedy = "Let fuels share days: fuel and day cannot be separated."
        raise KitError.refuse("design", "fuels that never share a day", "linked days", remedy)
    variance, terms = _as_estimated(X, groups, sds)
    inverse = np.linalg.inv(variance)
    covariance = np.asarray(np.linalg.inv(X.T @ inverse @ X), dtype=float)
    chosen = compared(fuels, place)
    pairs = np.hstack([chosen, np.zeros((len(chosen), X.shape[1] - fuels))])
    weights = pairs @ covariance @ X.T @ inverse
    truth = np.sum([sds.get(name, 0.0) ** 2 * group for name, group in groups.items()], axis=0)
    se2, true2 = _squares(pairs, covariance), _squares(weights, truth)
    # ν = 2 SE⁴/Var(SE²) with the expected information ½ tr(P G_k P G_l) (Satterthwaite 1946)
    P = inverse - inverse @ X @ covariance @ X.T @ inverse
    moved = [P @ term for term in terms]
    information = np.array([[0.5 * np.sum(a * b.T) for b in moved] for a in moved])
    gradient = np.column_stack([_squares(weights, term) for term in terms])
    df = 2 * se2**2 / _squares(gradient, np.linalg.inv(information))
    spread = float(np.sqrt(true2.mean())), float(np.sqrt(se2.mean())), float(df.mean())
    return Precision(*spread, fuels, covariance[:fuels, :fuels], place)


def _squares(rows: Floats, matrix: Floats) -> Floats:
    """Return each row's quadratic form."""
    return np.asarray(np.einsum("pi,ij,pj->p", rows, matrix, rows))


def _matrices(table: pd.DataFrame, sds: Mapping[str, float]) -> tuple[Floats, dict[str, Floats]]:
    """Return the fuel indicators and G_k of each term: V = Σ σ²_k G_k (DEVELOPERS.md, method 1)."""
    fuels = pd.factorize(table["fuel"])[0]
    X = np.eye(fuels.max() + 1)[fuels]
    groups = {"burn": np.eye(len(table))}
    if "bag" in table:
        groups["bag"] = _together(table["fuel"].astype(str) + "/" + table["bag"].astype(str))
    days = table["day"].nunique() if "day" in table else 1
    if days == 2:  # a fixed block
        late = pd.factorize(table["day"])[0] - 0.5
        X = np.column_stack([X, late])
    elif days > 2 and sds.get("day", 0.0) > 0:
        groups["day"] = _together(table["day"])
    return X, groups


def _together(labels: pd.Series) -> Floats:
    codes = pd.factorize(labels)[0]
    return np.asarray(np.equal.outer(codes, codes), dtype=float)


def compared(fuels: int, control: int | None = None) -> Floats:
    """Return the contrasts of a family: every pair, or each fuel against the control; comparisons × fuels."""
    unit = np.eye(fuels)
    pairs = (
        combinations(range(fuels), 2)
        if control is None
        else ((i, control) for i in range(fuels) if i != control)
    )
    return np.array([unit[i] - unit[j] for i, j in pairs])


def _as_estimated(
    X: Floats, groups: Mapping[str, Floats], sds: Mapping[str, float]
) -> tuple[Floats, list[Floats]]:
    """Return V as the analysis will see it, and G_k of the terms that it can tell apart.

    A term that is a mixture of others in the residual space of X is left out, and what can be seen of it goes
    to those: with one burn a bag, 'burn' holds the bags; with one bag a fuel nothing of the bags is seen.
    """
    residual = np.linalg.qr(X, mode="complete")[0][:, X.shape[1] :]
    seen = {name: (residual.T @ group @ residual).ravel() for name, group in groups.items()}
    names: list[str] = []
    for name, column in seen.items():
        before = np.column_stack([np.zeros_like(column), *(seen[each] for each in names)])
        left = column - before @ np.linalg.lstsq(before, column, rcond=None)[0]
        if np.linalg.norm(left) > INDEPENDENT * max(float(np.linalg.norm(column)), 1.0):
            names.append(name)
    whole = sum(sds.get(name, 0.0) ** 2 * seen[name] for name in groups)
    kept = np.column_stack([seen[name] for name in names])
    variances = np.maximum(np.linalg.lstsq(kept, whole, rcond=None)[0], 0.0)
    terms = [groups[name] for name in names]
    return np.tensordot(variances, terms, 1), terms
