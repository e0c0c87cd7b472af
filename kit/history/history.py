"""The history of many seasons, metric by metric: fuels with the spread from season to season, and what changed.

Its tables are as results.json has them: the metric and its unit in every row, ratios as ratios.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from operator import attrgetter
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from kit.errors import Faults, KitError
from kit.history.control_chart import Chart, control_chart, t_of
from kit.history.pooled import Block, Pooled, SeasonMeans, block_of, pool, season_means
from kit.history.seasons import BY_CONTROL, DIRECTLY, NOT, Season, missing_metric, other_probe, unlike
from kit.judge.verdicts import verdicts_of
from kit.schema import Metric, metric
from kit.trial.models import Declared, declared_metric

OF_PROBE: Final = "peak"
"""A metric that every probe's drift moves."""
OF_COOKER: Final = "burn_rate"
"""A metric no thermometer touches: it moves where the cooker draws differently."""
LEVEL: Final = 0.95
PROFILE: Final = "profile of the restricted likelihood over all seasons"
METHODS: Final = {
    "bag": PROFILE, "day": PROFILE,
    "burn": "restricted likelihood over all seasons; chi-squared with its own degrees of freedom",
}  # fmt: skip
"""How the limits of a pooled SD are made."""


class Cell(NamedTuple):
    """One fuel in one season: a value on the analysis scale, its variance, and burns behind it."""

    season: str
    fuel: str
    value: float
    variance: float
    n: int


@dataclass(frozen=True)
class SeasonSpread:
    """Variance from season to season of one fuel, beyond what bags, days and burns explain.

    Attributes
    ----------
    variance
        Estimated, bounded at zero.
    uncertainty
        Variance of that estimate.
    df
        Seasons less one: all fuels of a season share what was odd about it.
    """

    variance: float
    uncertainty: float
    df: int

    @property
    def known(self) -> bool:
        """Whether any fuel came again, so that it could be estimated."""
        return self.df > 0


def by_fuel(cells: Sequence[Cell], fewest: int = 1) -> pd.DataFrame:
    """Return season, value, variance and n of each fuel that came so often: lists in the order of the cells."""
    listed = pd.DataFrame(cells, columns=Cell._fields).groupby("fuel", sort=False).agg(list)
    return listed[listed["value"].map(len) >= fewest]


def season_spread(cells: Sequence[Cell], df_within: float) -> SeasonSpread:
    """Return the variance from season to season from fuels that came again, by the method of moments.

    For each fuel E Σ(y - ȳ)² = (k - 1) σ²_season + (1 - 1/k) Σ var(y); summed over fuels and solved
    (DerSimonian and Laird 1986 with equal weights).
    """
    again = by_fuel(cells, fewest=2)
    if again.empty:
        return SeasonSpread(0.0, 0.0, 0)
    k = again["value"].map(len)
    squares, within = again["value"].map(np.var) * k, again["variance"].map(sum) * (1 - 1 / k)
    freedom, df = (k - 1).sum(), len(set().union(*again["season"])) - 1
    mean_square, mean_within = float(squares.sum() / freedom), float(within.sum() / freedom)
    uncertainty = 2 * mean_square**2 / df + 2 * mean_within**2 / df_within
    return SeasonSpread(max(0.0, mean_square - mean_within), uncertainty, df)


def fuel_table(cells: Sequence[Cell], spread: SeasonSpread, df_within: float) -> pd.DataFrame:
    """Return mean and 95 % interval of each fuel over its seasons: fuel, mean, se, df, low, high, seasons, n.

    The interval holds for the fuel over seasons like these: the spread from season to season is in it
    wherever it could be estimated.  Degrees of freedom are Satterthwaite's for the sum of the two parts.
    """
    found = by_fuel(cells)
    k, n = found["value"].map(len).astype(int), found["n"].map(sum).astype(int)
    within = found["variance"].map(sum).astype(float) / k**2
    variance = spread.variance / k + within
    df = 2 * variance**2 / (spread.uncertainty / k**2 + 2 * within**2 / df_within)
    mean, se = found["value"].map(np.mean).astype(float), np.sqrt(variance)
    half = t_of(df.clip(lower=1.0)) * se
    ends = {"mean": mean, "se": se, "df": df, "low": mean - half, "high": mean + half}
    return pd.DataFrame({**ends, "seasons": k, "n": n}).reset_index()


def came_again(cells: Sequence[Cell], df_within: float, margin: float | None, shared: float) -> pd.DataFrame:
    """Return for each fuel that came again how far its newest season lies from the mean of those before.

    Columns fuel, season, change, se, df, low, high (simultaneous over the fuels, Bonferroni), verdict, seasons.

    Parameters
    ----------
    cells
        In the order of the seasons; differences from the control fuel where it was burned along.
    margin
        The smallest change that matters; None where none was declared.
    shared
        Variance from season to season to reckon with where there is no control fuel to take it out, else 0.
    """
    again = by_fuel(cells, fewest=2)
    t = t_of(df_within, 1 - 0.025 / max(len(again), 1))
    rows = []
    for fuel, seasons, values, variances, _ in again.itertuples():
        k = len(values) - 1
        change = values[-1] - float(np.mean(values[:-1]))
        within = variances[-1] + sum(variances[:-1]) / k**2
        se = float(np.sqrt(within + shared * (1 + 1 / k)))
        low, high = change - t * se, change + t * se
        limits = np.array([low, high])
        verdict = verdicts_of(limits, limits, margin)[0].item()
        rows.append((fuel, seasons[-1], change, se, df_within, low, high, verdict, len(values)))
    names = ["fuel", "season", "change", "se", "df", "low", "high", "verdict", "seasons"]
    return pd.DataFrame(rows, columns=names)


@dataclass(frozen=True, eq=False)
class MetricHistory:
    """What the seasons say of one metric; numbers are on the analysis scale.

    Attributes
    ----------
    spec, reference
        The metric; name of the newest season that measured it, which the others are held against.
    seasons
        Seasons measured like it, in order.
    why_not
        For each other season what was different.
    pooled, chart, spread, control_spread
        Repeatability; control chart (None without a control fuel); spread from season to season of fuels, and of
        their differences from the control fuel.
    fuels, by_control
        Means of fuels (where the level moved, of the reference season alone), and of their differences from the
        control fuel, with intervals.
    again
        Fuels that came again: did the product change?
    standing
        fuel, standing, why, seasons: how each fuel ever tested may be compared.
    bounds
        Burns left out because only a bound of them is known.
    """

    spec: Metric
    reference: str
    seasons: tuple[str, ...]
    why_not: Mapping[str, tuple[str, ...]]
    pooled: Pooled
    control: str
    chart: Chart | None
    spread: SeasonSpread
    control_spread: SeasonSpread
    fuels: pd.DataFrame
    by_control: pd.DataFrame
    again: pd.DataFrame
    standing: pd.DataFrame
    bounds: int

    @cached_property
    def components(self) -> pd.DataFrame:
        """The pooled SDs with their limits, as in a report of one folder."""
        pooled, terms = self.pooled, self.pooled.terms
        low, high = zip(*(pooled.limits(term, LEVEL) for term in terms), strict=True)
        zero, df = pooled.variances <= 0, [pooled.df(one) for one in np.eye(len(terms))]
        return pd.DataFrame({
            "component": terms, "sd": np.sqrt(pooled.variances), "low": low, "high": high, "level": LEVEL,
            "method": [METHODS[term] for term in terms], "at_boundary": zero, "df": np.where(zero, np.nan, df),
            "unit": self.unit,
        })  # fmt: skip

    @property
    def log(self) -> bool:
        """Whether ratios are told."""
        return self.spec.scale == "log"

    @property
    def unit(self) -> str:
        """The unit of the analysis scale."""
        return "ln" if self.log else self.spec.unit

    def measured(self, values: Any) -> Any:
        """Return values of the analysis scale as they are shown: exponentials on the log scale."""
        return np.exp(values) if self.log else values


@dataclass(frozen=True, eq=False)
class History:
    """Many seasons: the seasons, the metrics that have a history, and why others have none."""

    seasons: tuple[Season, ...]
    metrics: Mapping[str, MetricHistory]
    without: Mapping[str, str] = field(default_factory=dict)

    @property
    def newest(self) -> Season:
        """The season with the latest burns."""
        return self.seasons[-1]


def history_of(seasons: Sequence[Season]) -> History:
    """Return the history of every primary metric, of the peak and of the burn rate.

    Parameters
    ----------
    seasons
        In the order of their burns.

    Raises
    ------
    KitError
        Where no metric has a history at all.
    """
    faults, found, without = Faults(), {}, {}
    wanted = [name for season in reversed(seasons) for name in season.trial.get("primary") or ()]
    known = {name for season in seasons for name in season.rows if season.knows(name)}
    for name in (name for name in dict.fromkeys([*wanted, OF_PROBE, OF_COOKER]) if name in known):
        try:
            found[name] = metric_history(seasons, name)
        except KitError as error:
            without[name] = "; ".join(problem.found for problem in error.problems)
            faults.take(error)
    if not found:
        faults.settle()
    return History(tuple(seasons), found, without)


def spec_of(name: str, trial: Mapping[str, Any]) -> Metric:
    """Return what a metric id stands for in a trial as recorded."""
    try:
        declared = [declared_metric(Declared(**each)) for each in trial.get("declared") or ()]
    except (TypeError, ValueError) as error:  # pydantic's faults are ValueErrors
        where, found = "results.json, trial, declared", "declared metrics that cannot be read"
        raise KitError.refuse(where, found, "those of the kit", "Make its report again.") from error
    return metric(name, declared)


def metric_history(seasons: Sequence[Season], name: str) -> MetricHistory:
    """Return the history of one metric.

    Raises
    ------
    KitError
        Where nothing was repeated in any season measured alike.
    """
    reference = next(each for each in reversed(seasons) if each.knows(name))
    spec = spec_of(name, reference.trial)
    why = {each.name: (*unlike(each, reference), *missing_metric(each, name, reference)) for each in seasons}
    alike = [each for each in seasons if not why[each.name]]
    blocks = [block for each in alike if (block := _block(each, spec)) is not None]
    pooled, control = pool(blocks), reference.control
    df, means = pooled.df_total, [season_means(block, pooled) for block in blocks]
    joined = [each for each in means if control in each.block.fuels]
    dated = {each.name: each.dated for each in alike}
    chart = control_chart(joined, pooled, control, dated) if joined else None
    same_probe = {each.name for each in alike if not other_probe(each, reference)}
    direct = [cell for cell in _cells(means) if cell.season in same_probe]
    by_control = _cells(joined, control)
    spread, control_spread = (season_spread(cells, df) for cells in (direct, by_control))
    levels = fuel_table(direct, spread, df)
    if chart is not None and chart.moved:
        # what moved all fuels alike is no part of their spread: that of their differences from the control fuel is
        own = [cell for cell in direct if cell.season == reference.name]
        levels = fuel_table(own, control_spread, df)
    margin = (reference.trial.get("margins") or {}).get(name)
    smallest, shared = float(margin["value"]) if margin else None, 0.0 if by_control else spread.variance
    measured = [row for each in alike for row in each.rows.get(name, ())]
    return MetricHistory(
        spec=spec, reference=reference.name, seasons=tuple(block.season for block in blocks),
        why_not={season: differ for season, differ in why.items() if differ},
        pooled=pooled, control=control, chart=chart, spread=spread, control_spread=control_spread,
        fuels=levels, by_control=fuel_table(by_control, control_spread, df),
        again=came_again(by_control or direct, df, smallest, shared),
        standing=standing_table(seasons, reference, why, same_probe, chart),
        bounds=sum(row.status in ("at least", "at most", "never") for row in measured),
    )  # fmt: skip


def standing_table(
    seasons: Sequence[Season],
    reference: Season,
    why: Mapping[str, Sequence[str]],
    same_probe: set[str],
    chart: Chart | None,
) -> pd.DataFrame:
    """Return fuel, standing, why, newest season and seasons of each fuel ever tested.

    A fuel of the reference season is comparable directly.  One of another season is so if that season was
    measured alike with the same probe and the control fuel shows no change; only as a difference from the control
    fuel if probe or control fuel say that levels moved; not at all where something was measured differently
    or no control fuel joins the seasons.
    """
    moved = chart is not None and chart.moved
    joined = set(chart.seasons["season"]) if chart is not None else set()
    rows = []
    for fuel in dict.fromkeys(fuel for season in reversed(seasons) for fuel in season.fuels):
        own = [season for season in seasons if fuel in season.fuels]
        usable = [season.name for season in own if not why[season.name]]
        newest = usable[-1] if usable else own[-1].name
        told = _standing(newest, reference.name, why[newest], joined, newest in same_probe, moved)
        rows.append((fuel, *told, newest, len(usable) or len(own)))
    return pd.DataFrame(rows, columns=["fuel", "standing", "why", "season", "seasons"])


def _standing(
    season: str, reference: str, why: Sequence[str], joined: set[str], same_probe: bool, moved: bool
) -> tuple[str, str]:
    if why:
        return NOT, f"{season} differs from {reference} in {'; '.join(why)}"
    if season == reference:
        return DIRECTLY, f"it was burned in {reference} itself"
    if season not in joined or reference not in joined:
        return NOT, f"no control fuel joins {season} to {reference}, so that a drift could not be seen"
    if not same_probe:
        return BY_CONTROL, f"another probe sat in the same place in {season}"
    if moved:
        return BY_CONTROL, "the control fuel's chart shows that the level moved over the seasons"
    return DIRECTLY, f"{season} was measured like {reference}, and the control fuel stayed the same"


def _block(season: Season, spec: Metric) -> Block | None:
    """Return the burns of a metric that were measured exactly, those above zero on the log scale; None without any."""
    log = spec.scale == "log"
    exact = [row for row in season.rows.get(spec.id, ()) if row.status == "exact" and row.value is not None]
    rows = [row for row in exact if row.value > 0 or not log]  # type: ignore[operator]
    if not rows:
        return None
    values = np.array([row.value for row in rows], dtype=float)
    labels = ([row.fuel for row in rows], [row.bag for row in rows], [row.day for row in rows])
    return block_of(season.name, *labels, np.log(values) if log else values)


def _cells(means: Sequence[SeasonMeans], control: str = "") -> list[Cell]:
    """Return each fuel in each season or, with a control fuel, its difference from that."""
    from_it = {control: -1.0} if control else {}
    return [
        Cell(found.block.season, fuel, *found.of({fuel: 1.0, **from_it}), found.block.sizes[fuel])
        for found in means
        for fuel in found.block.fuels
        if fuel != control
    ]


Maker = Callable[[MetricHistory], Any]


def history_tables(history: History) -> dict[str, pd.DataFrame]:
    """Return every table by its key; columns metric and unit first where they apply.

    Keys: seasons, chart, signals, drift, components, next_bag, season_spread, means, against_control, came_again,
    standing.  'components' and 'next_bag' are as in a report of one folder, so that [model] borrow_from can name the
    folder above the seasons: they are of the metrics that the newest season measured.
    """
    newest = history.newest.name

    def of_newest(make: Maker) -> Maker:
        return lambda found: make(found) if found.reference == newest else None

    makers: dict[str, Maker] = {
        "chart": lambda found: found.chart and chart_points(found, found.chart),
        "signals": lambda found: found.chart and found.chart.signals.assign(unit=found.unit),
        "drift": lambda found: found.chart and found.chart.drift,
        "components": of_newest(lambda found: found.components),
        "next_bag": of_newest(_next_bag),
        "season_spread": _spread,
        "means": lambda found: _as_measured(found, found.fuels),
        "against_control": lambda found: _as_measured(found, found.by_control),
        "came_again": lambda found: found.again,
        "standing": lambda found: found.standing,
    }
    tables = {"seasons": seasons_table(history)}
    for key, make in makers.items():
        made = {name: make(found) for name, found in history.metrics.items()}
        parts = [
            table.assign(metric=name) for name, table in made.items() if table is not None and len(table)
        ]
        joined = pd.concat(parts or [pd.DataFrame({"metric": pd.Series(dtype=object)})], ignore_index=True)
        tables[key] = joined[["metric", *joined.columns.drop("metric")]]
    return tables


def seasons_table(history: History) -> pd.DataFrame:
    """Return season, folder, report, first and last day, burns, fuels, control, left_out, in order."""
    names = ["name", "folder", "report", "first_day", "last_day", "burns", "fuels", "control", "left_out"]
    table = pd.DataFrame(map(attrgetter(*names), history.seasons), columns=names)
    counts = {name: table[name].map(len) for name in ("burns", "fuels")}
    return table.assign(**counts).rename(columns={"name": "season"})


def chart_points(found: MetricHistory, chart: Chart) -> pd.DataFrame:
    """Return the points of a chart: what, season, day, value, low, high (limits), n, outside, unit; as measured."""
    seasons = chart.seasons.rename(columns={"first_day": "day"}).assign(what="season")
    joined = pd.concat([seasons, chart.days.assign(what="day")], ignore_index=True)
    values = found.measured(joined[["value", "low", "high"]].astype(float))
    kept = ["what", "season", "day", "value", "low", "high", "n", "outside"]
    return joined.assign(**values)[kept].assign(unit=found.spec.unit)


def _next_bag(found: MetricHistory) -> pd.DataFrame:
    """Return the SD of one burn of a new bag and its degrees of freedom: what a trial may borrow."""
    pooled, spec = found.pooled, found.spec
    row = {"fuel": "", "sd": float(np.sqrt(pooled.variances.sum())), "df": pooled.df_total, "level": LEVEL}
    row |= {"unit": spec.unit, "scale": spec.scale, "covers": ", ".join(pooled.terms)}
    return pd.DataFrame([row])


def _spread(found: MetricHistory) -> pd.DataFrame:
    spreads = {"fuels": found.spread, "differences from the control": found.control_spread}
    rows = [
        (of, float(np.sqrt(spread.variance)) if spread.known else np.nan, spread.df, found.unit)
        for of, spread in spreads.items()
    ]
    return pd.DataFrame(rows, columns=["of", "sd", "df", "unit"])


def _as_measured(found: MetricHistory, table: pd.DataFrame) -> pd.DataFrame:
    """Return means or differences as shown (ratios on the log scale); se stays on the analysis scale."""
    values = found.measured(table[["mean", "low", "high"]].astype(float))
    return table.assign(**values, unit=found.spec.unit, scale=found.spec.scale, level=LEVEL)
