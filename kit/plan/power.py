"""What a design can settle: the chance of each verdict, before any burn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
import pandas as pd

from kit.errors import KitError, Problem
from kit.plan.burning import Floats
from kit.plan.precision import Precision, balanced, compared, precision
from kit.schema import VERDICTS

if TYPE_CHECKING:
    from kit.variance.families import Family

Components: TypeAlias = Mapping[str, float] | pd.DataFrame
NODES = 400
CHANCE_COLUMNS = (
    "difference",
    "verdict",
    "chance",
    "se",
    "df",
    "half_width",
    "margin",
    "level",
    "multiplicity",
    "method",
)
BEYOND, UNSIZED, LITTLE, SAME, OPEN = list(VERDICTS)[:5]
DIFFERENT, NO_REPEATS = list(VERDICTS)[5:7]
DIFFERENCES = (BEYOND, UNSIZED, LITTLE, DIFFERENT)


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
    design: Design | Mapping[str, int] | pd.DataFrame,
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
        Where the design cannot compare fuels, or a component is missing or negative.

    Notes
    -----
    Of fuels with one bag each the verdicts are for these bags alone, and how far bags differ enters nothing; with
    earlier folders they are for the product, and those alone know its spread.
    The estimate is normal, its squared standard error SE²·χ²_ν/ν beside it, with ν by Satterthwaite's rule at
    the true components; the verdict's region is normal given the standard error, and is averaged over it: for
    'zero excluded' that is the noncentral t (DEVELOPERS.md, method 14).
    """
    sds, one_bag = sds_of(components, upper), _one_bag_each(design)
    if one_bag and not earlier_df:
        sds = {**sds, "bag": 0.0}
    known = precision_of(design, sds, control if multiplicity == "dunnett" else None)
    known = (
        replace(known, se=known.true_sd, df=earlier_df)
        if one_bag and earlier_df
        else replace(known, df=known.df + earlier_df)
    )
    at = [float(difference)] if np.isscalar(difference) else [float(d) for d in difference]  # type: ignore[union-attr, arg-type]
    rows = [row for d in at for row in _rows(known, d, margin, multiplicity, level)]
    return pd.DataFrame(rows, columns=list(CHANCE_COLUMNS))


def _one_bag_each(design: Design | Mapping[str, int] | pd.DataFrame) -> bool:
    """Return whether every fuel has one bag (or bags not noted, which is as one)."""
    if isinstance(design, pd.DataFrame):
        return "bag" in design and bool((design.groupby("fuel")["bag"].nunique() == 1).all())
    return (design if isinstance(design, Design) else Design(**design)).bags == 1


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
        sds = {name: _upper(row) if upper else float(row["sd"]) for name, row in found.items()}
        groups = [sd for name, sd in sds.items() if name.startswith("burn:")]
        if "burn" not in sds and groups:
            sds["burn"] = float(np.sqrt(np.mean(np.square(groups))))
    else:
        sds = {name: float(sd) for name, sd in components.items()}
    wrong = {name: sd for name, sd in sds.items() if not sd >= 0}
    if "burn" not in sds or wrong or sds["burn"] == 0:
        raise KitError(
            Problem(
                "refuse", "components", str(sds), "standard deviations, burn above 0",
                "Give bag, burn and, where days differ, day.",
            )
        )  # fmt: skip
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


def precision_of(
    design: Design | Mapping[str, int] | pd.DataFrame, sds: Mapping[str, float], control: object = None
) -> Precision:
    """Return how well a design knows a difference; in closed form where it is balanced without days."""
    if isinstance(design, pd.DataFrame):
        return precision(design, sds, control)
    design = design if isinstance(design, Design) else Design(**design)
    if (design.days or 1) == 1:
        return balanced(design.fuels, design.bags, design.burns, sds)
    return precision(design.table(), sds, control)


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
    known: Precision, difference: float, margin: float | None, multiplicity: str, level: float
) -> list[tuple[object, ...]]:
    from scipy import special

    # 'inside the margin' is a pair of one-sided tests: its interval leaves out as much on one side as D on both
    difference_c, equivalence_c = (
        float(critical_value(known, multiplicity, at, np.array([known.df]))[0])
        for at in (level, 2 * level - 1)
    )
    share = (np.arange(NODES) + 0.5) / NODES
    spread = np.sqrt(2 * special.gammaincinv(known.df / 2, share) / known.df)  # s/SE, s² ~ SE² χ²_ν/ν
    half, half_inside = difference_c * known.se * spread, equivalence_c * known.se * spread
    chances = {
        verdict: float(np.mean(_inside(region, difference, known.true_sd)))
        for verdict, region in _regions(half, half_inside, margin).items()
    }
    about = (
        known.se,
        known.df,
        float(np.median(half)),
        margin,
        level,
        multiplicity,
        "Satterthwaite, noncentral t",
    )
    return [(difference, verdict, chance, *about) for verdict, chance in chances.items()]


def _regions(half: Floats, half_inside: Floats, margin: float | None) -> dict[str, tuple[Floats, Floats]]:
    """Return where |estimate| lies for each verdict, given both intervals' half-widths (DEVELOPERS.md, method 6)."""
    none, all_of_it = np.zeros_like(half), np.full_like(half, np.inf)
    if margin is None:
        return {DIFFERENT: (half, all_of_it), OPEN: (none, half)}
    inner, outer = np.maximum(margin - half_inside, 0.0), margin + half
    reach = np.maximum(half, inner)
    return {
        BEYOND: (outer, all_of_it),
        UNSIZED: (reach, outer),
        LITTLE: (np.minimum(half, reach), reach),
        SAME: (none, np.minimum(half, inner)),
        OPEN: (np.minimum(half, inner), half),
    }


def _inside(region: tuple[Floats, Floats], difference: float, sd: float) -> Floats:
    """Return the chance that |estimate| lies in a region, on either side of zero."""
    from scipy import special

    low, high = region
    above = special.ndtr((high - difference) / sd) - special.ndtr((low - difference) / sd)
    below = special.ndtr((-low - difference) / sd) - special.ndtr((-high - difference) / sd)
    chance: Floats = above + below
    return chance
