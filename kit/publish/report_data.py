"""What pages read of an analysis: its tables by name, fuels as drawn, values as shown, prices; or two fuels alone."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import pandas as pd

from kit import schema
from kit.burns.logged_burns import price_per_kg
from kit.judge.comparisons import compare_fuels
from kit.judge.kitchen import value_compared
from kit.judge.question import KNOWN, values_of
from kit.page.shown_numbers import Units, with_unit_after
from kit.page.text import capital, counted, number_word
from kit.publish.canvas import Axis, Cast, cast_of
from kit.publish.provenance import SIMULATED
from kit.publish.wording import Count, alike, called, label_of, margin_words, paragraph_of
from kit.trial.models import Trial

MOST_NAMED = 3
"""Fuels whose burns are counted one by one in a sentence."""


@dataclass(frozen=True, eq=False)
class ReportData:
    """An analysis as the pages read it.

    Attributes
    ----------
    analysis
        The analysis itself.
    trial, sheet
        The trial as declared, and its burn sheet.
    units
        Units as shown.
    cast
        The fuels that were burned, in the order of the trial file.
    instead
        Tables that stand in for those of the analysis, on pages about two fuels.
    """

    analysis: Any
    trial: Trial
    sheet: pd.DataFrame
    units: Units
    cast: Cast
    instead: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    _by_metric: dict[str, dict[Any, pd.DataFrame]] = field(init=False, default_factory=dict)
    _used: dict[str, dict[str, Count]] = field(init=False, default_factory=dict)

    def table(self, name: str) -> pd.DataFrame:
        """Return one of the tidy tables; empty, with its columns, where the analysis has none."""
        found = self.instead.get(name, getattr(self.analysis, name, None))
        if isinstance(found, pd.DataFrame) and len(found.columns):
            return found
        return pd.DataFrame({column.name: pd.Series(dtype=object) for column in schema.TABLES[name]})

    def rows(self, name: str, metric: str) -> pd.DataFrame:
        """Return the rows of a table that are of one metric."""
        if name not in self._by_metric:
            self._by_metric[name] = dict(iter(self.table(name).groupby("metric", sort=False)))
        return self._by_metric[name].get(metric, self.table(name).iloc[:0])

    def values_of(self, metric: str) -> pd.DataFrame:
        """Return the values of a metric that are compared: minutes held for a cook are of any setting for it."""
        rows = values_of(self.table("metrics"), metric)
        return rows if metric.startswith("band:") else rows[rows["burn"].isin(self.compared)]

    def has_values(self, metric: str) -> bool:
        """Return whether any burn that is compared has a value of a metric."""
        return bool(self.used(metric))

    def in_order(self, table: pd.DataFrame) -> pd.DataFrame:
        """Return rows in the order of the trial file, by column fuel or by a and b."""
        places = {player.id: player.place for player in self.cast}
        names = [name for name in ("fuel", "a", "b") if name in table]
        if not names:
            return table
        return table.sort_values(names, key=lambda ids: ids.map(places).fillna(len(places)), kind="stable")

    def of_declared_pairs(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Return the rows, by metric, a and b, of the comparisons that the trial declared."""
        named = ["metric", "a", "b"]
        declared = set(map(frozenset, self.table("comparisons")[named].to_numpy()))
        return rows.loc[[frozenset(each) in declared for each in rows[named].to_numpy()]]

    def of_primary(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Return the rows, by metric, of primary metrics; all of them where none was measured."""
        return rows[rows["metric"].isin(self.primary)] if self.primary else rows

    def brackets(self, metric: str, cast: Cast) -> list[list[str]]:
        """Return for each fuel of a cast the numbers of the brackets that join it with fuels it is not told from."""
        held = dict(self.rows("ladder", metric)[["fuel", "brackets"]].fillna("").itertuples(index=False))
        return [str(held.get(player.id, "")).split() for player in cast]

    def spec(self, metric: str) -> schema.Metric:
        """Return what a metric id stands for in this trial."""
        return self.trial.metric(metric)

    def label(self, metric: str) -> str:
        """Return a metric's name with its threshold in the units shown."""
        return label_of(self.spec(metric), self.units)

    def title(self, metric: str) -> str:
        """Return the same with a capital."""
        return capital(self.label(metric))

    def name(self, fuel: str) -> str:
        """Return a fuel's name; what is no fuel of the trial (a kind) is its own name."""
        return next((player.name for player in self.cast if player.id == fuel), str(fuel))

    def shown(self, values: Any, unit: str, *, difference: bool = False) -> Any:
        """Return numbers of the kit's unit in the unit of an axis: metric ones where both are shown."""
        return self.units.on_axis(values, unit, difference=difference)

    def as_shown(self, rows: pd.DataFrame, unit: str, *names: str, difference: bool = False) -> pd.DataFrame:
        """Return rows whose columns of these names are in the unit of an axis."""
        return rows.assign(**{name: self.shown(rows[name], unit, difference=difference) for name in names})

    def in_units(self, rows: pd.DataFrame, *names: str, difference: bool = False) -> pd.DataFrame:
        """Return rows, by metric, whose columns of these names are as shown; differences of ratios in per cent."""

        def told(spec: schema.Metric, own: pd.DataFrame) -> pd.DataFrame:
            if difference and spec.scale == "log":
                return own.assign(**100 * (own[list(names)].astype(float) - 1))
            return self.as_shown(own, spec.unit, *names, difference=difference)

        parts = [told(self.spec(str(metric)), own) for metric, own in rows.groupby("metric", sort=False)]
        return pd.concat(parts) if parts else rows

    def unit(self, unit: str, *, difference: bool = False) -> str:
        """Return the unit of an axis in words."""
        return self.units.of_axis(unit, difference=difference)

    def difference_unit(self, metric: str) -> str:
        """Return the unit of a metric's differences as shown: '%' on the log scale."""
        spec = self.spec(metric)
        return "%" if spec.scale == "log" else self.unit(spec.unit, difference=True)

    def margin_words(self, metric: str) -> str:
        """Return the smallest difference that matters, as declared: '15 °C (27 °F)', '10 %'; '' where none was."""
        margin = self.trial.margins.get(metric)
        return margin_words(margin.value, self.spec(metric), self.units) if margin else ""

    def said(self, key: str, /, **parts: object) -> str:
        """Return one of the shared paragraphs, with what is read of the analysis and further parts filled in."""
        return paragraph_of(key, data=self, **parts)

    def n_words(self, counts: Mapping[str, Count]) -> str:
        """Return burns and bags by fuel in words: 'six burns of each fuel, from three bags each', or each one's.

        Of many fuels that differ little it is 'four to six burns of each fuel, from two or three bags each'.
        """
        every = [*counts.values()]
        burns = [n.burns for n in every]
        are_near = max(burns, default=0) <= 2 * min(burns, default=0) and not any(n.unnoted for n in every)
        if len(every) > 1 and (alike(every) or (are_near and len(every) > MOST_NAMED)):
            bags = span_of([n.bags for n in every], "bag") if all(n.bags for n in every) else ""
            return f"{span_of(burns, 'burn')} of each fuel{f', from {bags} each' * bool(bags)}"
        return "; ".join(own.of(self.name(fuel)) for fuel, own in counts.items())

    def n_parts(self, counts: Mapping[str, Count]) -> dict[str, str]:
        """Return burns and bags by fuel for a figure: `burned` for its caption, `n` for the foot of its film."""
        return {"burned": self.n_words(counts), "n": n_note(list(counts.values()))}

    def axis(self, metric: str) -> Axis:
        """Return the axis of a metric's values: 'peak temperature, °C', with °F beside where both are shown."""
        unit = self.spec(metric).unit
        return Axis(with_unit_after(self.label(metric), self.unit(unit)), self.second_scale(unit))

    def second_scale(self, unit: str, *, difference: bool = False) -> str:
        """Return how an axis turns into the other system where both are shown: 'degrees', 'difference' or ''."""
        if self.units.show != "both" or unit not in ("°C", "K"):
            return ""
        return "difference" if difference or unit == "K" else "degrees"

    @cached_property
    def setting(self) -> str:
        """The setting whose burns are compared; '' where the trial knows one only."""
        return str(self.analysis.setting)

    @cached_property
    def compared(self) -> frozenset[str]:
        """The burns that are compared with one another: they count, and were run at one setting."""
        burns = self.table("metrics")["burn"]
        if not self.setting:
            return frozenset(burns)
        return frozenset(burns) & frozenset(self.sheet.loc[self.sheet["setting"] == self.setting, "burn"])

    def recorded(self, column: str) -> pd.Series:
        """Return the mean of a column of the burn sheet over the burns of each fuel that are compared, by fuel."""
        burns = self.sheet[self.sheet["burn"].isin(self.compared)]
        return pd.to_numeric(burns[column], errors="coerce").groupby(burns["fuel"]).mean()

    @cached_property
    def primary(self) -> tuple[str, ...]:
        """The primary metrics that were measured, in the order of the trial file."""
        measured = set(self.table("metrics")["metric"])
        return tuple(metric for metric in self.trial.primary if metric in measured)

    @cached_property
    def metrics(self) -> tuple[str, ...]:
        """Every metric with a value, the primary ones first, the others in the order measured."""
        table = self.table("metrics")
        valued = table[table["value"].notna() | (table["status"] == "never")]
        return tuple(dict.fromkeys([*self.primary, *valued["metric"]]))

    @property
    def level(self) -> float:
        """The confidence of the intervals that verdicts use, 0.95 for 95 %."""
        return float(self.analysis.level)

    @property
    def percent(self) -> str:
        """The confidence in words: '95 %'."""
        return f"{100 * self.level:.4g}\u00a0%"

    @property
    def basis(self) -> str:
        """What was equal between charges, in words."""
        return called("basis", self.trial.charge.by)

    @property
    def done(self) -> int:
        """Burns that were done and count."""
        return int(self.table("metrics")["burn"].nunique())

    @property
    def left_out(self) -> int:
        """Burns that were made and that the sheet leaves out."""
        return len(self.analysis.run.in_state("excluded"))

    @property
    def all_left_out(self) -> bool:
        """Whether burns were made of which none counts."""
        return self.left_out > 0 and not self.done

    @property
    def begun(self) -> bool:
        """Whether some burn of the sheet is done, be it one that was left out."""
        return len(self.analysis.run.in_state("planned")) < len(self.sheet)

    @property
    def planned(self) -> int:
        """Burns of the sheet that count, done or still to be done."""
        return self.done + len(self.analysis.run.in_state("planned"))

    @property
    def interim(self) -> bool:
        """Whether planned burns are still to be done, and this is no look that the plan declared."""
        return bool(self.analysis.interim)

    @property
    def days(self) -> int:
        """Days on which the burns that count were made; 0 where no day is known."""
        return int(self.table("metrics")["day"].replace("", None).nunique())

    @property
    def dated(self) -> int:
        """Burns that count and whose day is known."""
        table = self.table("metrics")
        return int(table.loc[table["day"].replace("", None).notna(), "burn"].nunique())

    @property
    def on_days(self) -> str:
        """On how many days the burns were made: ' on six days', ', six of them on six days'; '' where none is known."""
        return self.said("on_days", all_dated=self.dated == self.done)

    @property
    def several_fuels(self) -> bool:
        """Whether there is a second fuel to compare with."""
        return len(self.cast) > 1

    @property
    def many_fuels(self) -> bool:
        """Whether there are three fuels or more, so that one can be the best of them."""
        return len(self.cast) > 2

    @property
    def singles(self) -> bool:
        """Whether every fuel was burned once, so that nothing has an error bar of its own."""
        return max((n.burns for n in self.burned.values()), default=0) == 1

    @property
    def barred(self) -> bool:
        """Whether some fuel's mean has an error bar."""
        return bool(self.table("means")[["low", "high"]].notna().all(axis=1).any())

    @property
    def borrowed(self) -> bool:
        """Whether single burns have intervals, from repeatability that came from somewhere else."""
        return self.singles and self.barred

    @property
    def bare(self) -> bool:
        """Whether nothing here has an error bar: single burns, and nothing borrowed."""
        return self.singles and not self.borrowed

    def family(self, multiplicity: str) -> str:
        """Return the name of a family by how it was adjusted; pairs asked beforehand are held as Dunnett's are."""
        return "asked" if multiplicity == "dunnett" and self.trial.pairs else multiplicity

    @property
    def families(self) -> list[str]:
        """How comparisons were adjusted for one another, by name; none while no verdict is given."""
        compared = self.table("comparisons")
        alone = compared.groupby("metric")["metric"].transform("size") == 1
        names = compared["multiplicity"].mask(alone, "only two" if self.many_fuels else "one")
        names = names[compared["low"].notna()].dropna()
        return [] if self.interim else list(dict.fromkeys(self.family(str(name)) for name in names))

    @property
    def further_pairs(self) -> bool:
        """Whether pairs beside those that were asked about were judged, by a family of their own."""
        return not self.interim and bool(self.table("pairs")["multiplicity"].nunique() > 1)

    @property
    def bests(self) -> bool:
        """Whether it was asked which fuel can be the best of a measure."""
        return not self.interim and bool(self.table("best")["low"].notna().any())

    @cached_property
    def lenders(self) -> list[str]:
        """The folders, by name, that repeatability is borrowed from."""
        return [*self.analysis.lenders]

    @property
    def banded(self) -> bool:
        """Whether some difference of curves has a band."""
        return bool(self.table("difference_curves")["band_low"].notna().any())

    @property
    def simulated(self) -> bool:
        """Whether the burns came from a computer: such a folder carries a note that says so."""
        return (Path(self.analysis.run.folder) / SIMULATED).is_file()

    @property
    def here(self) -> str:
        """The cooker or cookers that what was found holds for."""
        return "these cookers" if self.cookers > 1 else "this cooker"

    @property
    def cookers(self) -> int:
        """Cookers that the burn sheet names."""
        return int(self.sheet["cooker"].replace("", None).nunique())

    @property
    def of_fuels(self) -> str:
        """How many fuels were burned, in words: 'five fuels', 'four of five fuels' where burns of one are to come."""
        fuels = sum(n.burns > 0 for n in self.burned.values())
        return self.said("of_fuels", fuels=fuels, unburned=len(self.cast) - fuels)

    @property
    def control(self) -> str:
        """The control fuel's name, where it was burned; else ''."""
        fuel = self.trial.control_fuel or ""
        return next((player.name for player in self.cast if player.id == fuel), "")

    @property
    def bags(self) -> int:
        """Bags that were burned, at whatever setting."""
        table = self.table("metrics")
        return len(table.loc[table["bag"] != "", ["fuel", "bag"]].drop_duplicates())

    @property
    def from_bags(self) -> str:
        """The bags that were burned, at whatever setting, in words; '' of none."""
        return Count(bags=self.bags, unnoted=sum(n.unnoted for n in self.burned.values())).from_bags

    @cached_property
    def these_bags(self) -> str:
        """What verdicts are about where nothing says how far bags differ: 'these bags', or 'these charges'; else ''."""
        judged = self.table("comparisons")
        if not ((judged["scope"] == schema.THESE_BAGS) & judged["low"].notna()).any():
            return ""
        return self.bags_or_charges

    @property
    def bags_or_charges(self) -> str:
        """What was burned: 'these bags', or 'these charges' where bags are not all noted."""
        all_noted = self.bags and not any(n.unnoted for n in self.burned.values())
        return "these bags" if all_noted else "these charges"

    @cached_property
    def burned(self) -> dict[str, Count]:
        """For each fuel of the cast how many burns and bags are compared."""
        table = self.table("metrics")
        n = counts_of(table[table["burn"].isin(self.compared)])
        return {player.id: n.get(player.id, Count()) for player in self.cast}

    @cached_property
    def break_even(self) -> pd.DataFrame:
        """The rows of `kit.judge.kitchen.value_compared` that have a finite break-even price; none while interim."""
        worth = value_compared(self.table("comparisons"), self.trial)
        low, high = (worth[f"break_even_{end}"].astype(float) for end in ("low", "high"))
        known = (worth["metric"] == price_metric(self)) & (low > 0) & (high < math.inf)
        return self.in_order(worth[known & (not self.interim)])

    def used(self, metric: str) -> dict[str, Count]:
        """Return for each fuel how many burns and bags have a value of a metric that counts."""
        if metric not in self._used:
            rows = self.values_of(metric)
            self._used[metric] = counts_of(rows[rows["value"].notna() & rows["status"].isin(KNOWN)])
        return self._used[metric]

    def noted(self, metric: str, fuel: str, burns: int, bags: int) -> Count:
        """Return burns and bags that the model counted, as a page does: blanks are one bag to it, none here."""
        used = self.used(metric).get(fuel, Count())
        return Count(int(burns), used.bags if used.unnoted else min(int(bags), used.bags), used.unnoted)


@lru_cache(maxsize=1)
def report_data(analysis: Any) -> ReportData:
    """Return an analysis as the pages read it: the same object for each part of a page, so that all share its work."""
    trial, sheet = analysis.run.trial, analysis.run.burns
    burned = [str(fuel) for fuel in dict.fromkeys([*analysis.metrics["fuel"], *sheet["fuel"]]) if str(fuel)]
    cast = cast_of([(fuel.id, fuel.label, fuel.kind) for fuel in trial.fuels], burned)
    return ReportData(analysis, trial, sheet, Units(trial.show, trial.currency), cast)


def counts_of(rows: pd.DataFrame) -> dict[str, Count]:
    """Return for each fuel of rows with burn, fuel and bag how many burns, and noted bags, there are."""
    found = {}
    for fuel, own in rows.drop_duplicates("burn").groupby("fuel"):
        bags = own["bag"].replace("", None)
        unnoted = int(bags.isna().sum()) if bags.notna().any() else 0
        found[str(fuel)] = Count(len(own), bags.nunique(), unnoted)
    return found


def span_of(counts: Sequence[int], one: str) -> str:
    """Return 'six burns', 'two or three bags', 'four to six burns'."""
    least, most = min(counts), max(counts)
    if least == most:
        return counted(most, one)
    return f"{number_word(least)} {'or' if most - least == 1 else 'to'} {counted(most, one)}"


def n_note(counts: Sequence[Count]) -> str:
    """Return burns and bags for the foot of a film picture: '3 bags, 6 burns each', or the totals."""
    if not counts:
        return ""
    each = alike(counts)
    burns, bags, unnoted = each or map(sum, zip(*counts, strict=True))
    told = f"{burns} burn{'s' * (burns != 1)}{' each' * (each is not None and len(counts) > 1)}"
    return f"{bags} bag{'s' * (bags != 1)}, {told}" if bags and not unnoted else told


def prices_per_kg(data: ReportData) -> dict[str, float]:
    """Return the price paid per kilogram of each fuel that has one, 0 of what cost nothing."""
    paid = {fuel.id: price_per_kg(data.trial, fuel.id) for fuel in data.trial.fuels}
    return {fuel: price for fuel, price in paid.items() if price >= 0}


def price_metric(data: ReportData) -> str:
    """Return the comparison that break-even prices rest on: cost, else time above of charges said to be of equal mass.

    The temperature is that of a primary measure if one is compared: of two fuels alone, costs above it may not be.
    """
    compared = list(dict.fromkeys(data.table("comparisons")["metric"]))
    costs = [metric for metric in compared if metric.startswith("cost:") and prices_per_kg(data)]
    times = [metric for metric in compared if metric.startswith("time_above:")]
    return _primary_first(data, [*costs, *(times if data.trial.charge.of_equal_mass else [])])


def cost_metric(data: ReportData) -> str:
    """Return the cost per useful hour that the first table shows; '' where none was measured."""
    chosen = price_metric(data)
    costs = [metric for metric in data.metrics if metric.startswith("cost:") and data.has_values(metric)]
    return chosen if chosen.startswith("cost:") else _primary_first(data, costs)


def _primary_first(data: ReportData, metrics: list[str]) -> str:
    """Return the first of these at a temperature whose time above is a primary measure; else the first of all."""
    primary = {metric.partition(":")[2] for metric in data.primary if metric.startswith("time_above:")}
    return min(metrics, key=lambda metric: metric.partition(":")[2] not in primary, default="")


_SWAPPED = (("a", "b"), ("n_a", "n_b"), ("bags_a", "bags_b"))
_LOW = ("low", "low_equivalence", "low_alone", "band_low")


def narrowed(data: ReportData, a: str, b: str) -> ReportData:
    """Return data whose only comparisons are those of a with b, metric by metric from the declared family if there.

    Each row keeps the size of its family in the column family: its interval is as wide as in the whole report.
    """
    tables = data.table("comparisons"), stacked(data.table("pairs"), _costs_compared(data))
    sized = (
        table.assign(family=table.groupby("metric")["a"].transform("size") if len(table) else 0)
        for table in tables
    )
    declared, every = (pair_rows(table, a, b) for table in sized)
    rows = stacked(declared, every[~every["metric"].isin(declared["metric"])])
    others = {name: data.table(name) for name in ("chances", "influence")}
    own = {name: table[table["a"].isin((a, b)) & table["b"].isin((a, b))] for name, table in others.items()}
    return replace(data, instead={"comparisons": rows, "pairs": rows, **own})


def _costs_compared(data: ReportData) -> pd.DataFrame:
    """Return every pair's cost of a useful hour, which a report with a control fuel compares with that alone."""
    metric = cost_metric(data)
    fit = data.analysis.fits.get(metric)
    if data.interim or fit is None or not fit.has_spread or len(fit.labels) < 2:
        return data.table("pairs").iloc[:0]
    found = compare_fuels(fit, level=data.level).assign(metric=metric, unit=data.spec(metric).unit)
    return found.reindex(columns=data.table("pairs").columns)


def pair_rows(table: pd.DataFrame, a: str, b: str) -> pd.DataFrame:
    """Return the rows of a table by a and b that are of two fuels, told from the first one's side."""
    straight, other = (table[(table["a"] == one) & (table["b"] == two)] for one, two in ((a, b), (b, a)))
    return stacked(straight, turned_round(other))


def stacked(*tables: pd.DataFrame) -> pd.DataFrame:
    """Return tables under one another, those without rows left out; the first of them where none has any."""
    return pd.concat([table for table in tables if len(table)] or tables[:1])


def turned_round(rows: pd.DataFrame) -> pd.DataFrame:
    """Return comparisons told from the other side: differences change their sign, ratios turn over."""
    sides, turned = {"a": "b", "b": "a"}, {"difference": -rows["difference"].astype(float)}
    for one, other in _SWAPPED:
        if one in rows:
            turned |= {one: rows[other], other: rows[one]}
    for low in _LOW:
        high = low.replace("low", "high")
        if low in rows:
            turned |= {low: -rows[high].astype(float), high: -rows[low].astype(float)}
            if "scale" in rows:
                log = rows["scale"] == "log"
                turned |= {end: turned[end].where(~log, -1 / turned[end]) for end in (low, high)}
    if "ratio" in rows:
        turned["ratio"] = 1 / rows["ratio"].astype(float)
        turned["direction"] = rows["direction"].map(lambda side: sides.get(side, side))
    return rows.assign(**turned)
