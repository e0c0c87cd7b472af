"""What sections, claims and cards read of an analysis: its tables by name, its fuels as drawn, its units as shown."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from kit import schema
from kit.page.numbers import Units
from kit.publish.figures.look import Cast, cast_of

if TYPE_CHECKING:
    import pandas as pd

    from kit.trial.trial import Trial

SIMULATED: Final = "SIMULATED.txt"

UNDECIDED: Final = ("not settled", "no repeats", "cannot be separated")
"""Verdicts that leave the question open."""


@dataclass(frozen=True, eq=False)
class Facts:
    """An analysis as the pages read it.

    Attributes
    ----------
    analysis
        The analysis itself.
    trial
        The trial as declared.
    sheet
        The burn sheet.
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

    def table(self, name: str) -> pd.DataFrame:
        """Return one of the tidy tables; empty, with its columns, where the analysis has none."""
        import pandas as pd

        found = self.instead.get(name, getattr(self.analysis, name, None))
        if isinstance(found, pd.DataFrame) and len(found.columns):
            return found
        return pd.DataFrame({column.name: pd.Series(dtype=object) for column in schema.TABLES[name]})

    def extra(self, name: str, otherwise: Any) -> Any:
        """Return what else the analysis holds under a name, or the other thing where it has none."""
        found = getattr(self.analysis, name, None)
        return otherwise if found is None else found

    def rows(self, name: str, metric: str) -> pd.DataFrame:
        """Return the rows of a table that are of one metric."""
        return self._parts(name).get(metric, self.table(name).iloc[:0])

    def values_of(self, metric: str) -> pd.DataFrame:
        """Return the values of a metric that are compared: minutes held for a cook are of any setting for it."""
        rows = self.rows("metrics", metric)
        return rows if metric.startswith("band:") else rows[rows["burn"].isin(self.compared)]

    @cached_property
    def setting(self) -> str:
        """The setting whose burns are compared; '' where the trial knows one only."""
        return str(self.extra("setting", ""))

    @cached_property
    def compared(self) -> frozenset[str]:
        """The burns that are compared with one another: they count, and were run at one setting."""
        burns = self.table("metrics")["burn"]
        if not self.setting:
            return frozenset(burns)
        return frozenset(burns) & frozenset(self.sheet.loc[self.sheet["setting"] == self.setting, "burn"])

    @property
    def banded(self) -> bool:
        """Whether some difference of curves has a band."""
        return bool(self.table("difference_curves")["band_low"].notna().any())

    def _parts(self, name: str) -> Mapping[Any, pd.DataFrame]:
        if name not in self._parted:
            self._parted[name] = dict(iter(self.table(name).groupby("metric", sort=False)))
        return self._parted[name]

    @cached_property
    def _parted(self) -> dict[str, Mapping[Any, pd.DataFrame]]:
        return {}

    def in_order(self, table: pd.DataFrame) -> pd.DataFrame:
        """Return rows in the order of the trial file, by column fuel or by a and b."""
        places = {player.id: player.place for player in self.cast}
        names = [name for name in ("fuel", "a", "b") if name in table]
        keys = zip(*([places.get(fuel, len(places)) for fuel in table[name]] for name in names), strict=True)
        order = [row for row, _ in sorted(enumerate(keys), key=lambda found: found[1])]
        return table.iloc[order] if names else table

    def spec(self, metric: str) -> schema.Metric:
        """Return what a metric id stands for in this trial."""
        return self.trial.metric(metric)

    def name(self, fuel: str) -> str:
        """Return a fuel's name; what is no fuel of the trial (a kind) is its own name."""
        return next((player.name for player in self.cast if player.id == fuel), str(fuel))

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
        return float(self.extra("level", self.trial.model.confidence))

    @property
    def percent(self) -> str:
        """The confidence in words: '95 %'."""
        return f"{100 * self.level:.4g}\u00a0%"

    @property
    def done(self) -> int:
        """Burns that were done and count."""
        return int(self.table("metrics")["burn"].nunique())

    def in_state(self, state: str) -> pd.DataFrame:
        """Return the rows of the burn sheet that are 'done', 'planned' or 'excluded'."""
        if "state" in self.sheet:
            return self.sheet[self.sheet["state"] == state]
        excluded = self.sheet["excluded"].fillna("").astype(str).str.strip() != ""
        burned = self.sheet["burn"].isin(self.table("metrics")["burn"])
        return self.sheet[
            {"excluded": excluded, "done": ~excluded & burned, "planned": ~excluded & ~burned}[state]
        ]

    @property
    def planned(self) -> int:
        """Burns of the sheet that count, done or still to be done."""
        return self.done + len(self.in_state("planned"))

    @property
    def interim(self) -> bool:
        """Whether planned burns are still to be done."""
        return len(self.in_state("planned")) > 0

    @property
    def singles(self) -> bool:
        """Whether every fuel was burned once, so that nothing has an error bar of its own."""
        return max(self._burns.values(), default=0) == 1

    @property
    def borrowed(self) -> bool:
        """Whether single burns have intervals, from repeatability that came from somewhere else."""
        return self.singles and bool(self.table("comparisons")["low"].notna().any())

    @property
    def bare(self) -> bool:
        """Whether nothing here has an error bar: single burns, and nothing borrowed."""
        return self.singles and not self.borrowed

    @property
    def simulated(self) -> bool:
        """Whether the burns came from a computer: such a folder carries a note that says so."""
        return (Path(self.analysis.run.folder) / SIMULATED).is_file()

    @property
    def bags(self) -> int:
        """Bags that were burned, at whatever setting."""
        table = self.table("metrics")
        return len(table.loc[table["bag"] != "", ["fuel", "bag"]].drop_duplicates())

    def bags_of(self, fuel: str) -> int:
        """Return how many bags of a fuel are compared."""
        return int(self._bags.get(fuel, 0))

    def burns_of(self, fuel: str) -> int:
        """Return how many burns of a fuel are compared."""
        return int(self._burns.get(fuel, 0))

    @cached_property
    def _comparable(self) -> pd.DataFrame:
        table = self.table("metrics")
        return table.loc[table["burn"].isin(self.compared), ["fuel", "bag", "burn"]]

    @cached_property
    def _burns(self) -> Mapping[Any, int]:
        return dict(self._comparable.groupby("fuel")["burn"].nunique())

    @cached_property
    def _bags(self) -> Mapping[Any, int]:
        table = self._comparable
        return dict(table[table["bag"] != ""].groupby("fuel")["bag"].nunique())


def facts_of(analysis: Any) -> Facts:
    """Return an analysis as the pages read it."""
    trial, sheet = analysis.run.trial, analysis.run.burns
    units = Units(trial.show, trial.currency)
    return Facts(analysis, trial, sheet, units, _cast(trial, _burned(analysis, sheet)))


def _burned(analysis: Any, sheet: pd.DataFrame) -> Sequence[str]:
    return [str(fuel) for fuel in dict.fromkeys([*analysis.metrics["fuel"], *sheet["fuel"]]) if str(fuel)]


def _cast(trial: Trial, burned: Sequence[str]) -> Cast:
    declared = [(fuel.id, fuel.label, fuel.kind) for fuel in trial.fuels if fuel.id in burned]
    known = {fuel for fuel, _, _ in declared}
    return cast_of([*declared, *((fuel, fuel, "") for fuel in burned if fuel not in known)])
