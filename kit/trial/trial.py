"""The trial as the rest of the kit sees it: the trial file's tables, checked against each other."""

from __future__ import annotations

import fnmatch
from dataclasses import dataclass, field
from typing import Literal

from kit.metrics.measuring import Measuring
from kit.schema import COLUMNS, Metric, Scale, metric
from kit.trial.cleaning import Cleaning
from kit.trial.models import (
    DEFAULT_PRIMARY,
    DEFAULT_THRESHOLDS,
    Bag,
    Charge,
    Cook,
    Declared,
    Fuel,
    Logger,
    Modelling,
    Planning,
    Probe,
    Setting,
    threshold_id,
)


@dataclass(frozen=True)
class Margin:
    """The smallest difference that matters to a cook.

    Attributes
    ----------
    metric
        The metric's id.
    written
        As it stands in the trial file, '15 °C' or '10 %'.
    value, unit
        On the analysis scale: 15 with '°C', or ln 1.10 with 'ln'.
    """

    metric: str
    written: str
    value: float
    unit: str


@dataclass(frozen=True)
class Trial:
    """What is tested and how; the keys of [trial] are attributes of the trial itself.

    Attributes
    ----------
    cookers
        The cookers named, none or one or several.
    thresholds
        In °C, as they stand in metric ids (`threshold_ids`).
    pairs
        Pairs of fuels, by id, that were asked about beforehand.
    primary
        Ids of the metrics the verdicts are about, thresholds in them in °C.
    declared
        Columns of the burn sheet that the trial declares as metrics.
    margins
        By metric id.
    fuels, bags, settings, cooks, probes, loggers
        The tables [[fuel]] and so on, in their order.
    """

    title: str = ""
    question: str = ""
    operator: str = ""
    place: str = ""
    interests: str = ""
    cookers: tuple[str, ...] = ()
    probe: str | None = None
    time_zero: Literal["lit", "tipped", "lid on"] = "lit"
    stop_rule: str = ""
    timezone: str | None = None
    currency: str = ""
    show: Literal["metric", "us", "both"] = "metric"
    control_fuel: str | None = None
    pairs: tuple[tuple[str, str], ...] = ()
    corrects: str = ""
    charge: Charge = field(default_factory=Charge)
    thresholds: tuple[float, ...] = DEFAULT_THRESHOLDS
    primary: tuple[str, ...] = DEFAULT_PRIMARY
    declared: tuple[Declared, ...] = ()
    measuring: Measuring = field(default_factory=Measuring)
    margins: dict[str, Margin] = field(default_factory=dict)
    model: Modelling = field(default_factory=Modelling)
    cleaning: Cleaning = field(default_factory=Cleaning)
    plan: Planning = field(default_factory=Planning)
    fuels: tuple[Fuel, ...] = ()
    bags: tuple[Bag, ...] = ()
    settings: tuple[Setting, ...] = ()
    cooks: tuple[Cook, ...] = ()
    probes: tuple[Probe, ...] = ()
    loggers: tuple[Logger, ...] = ()

    @property
    def cooker(self) -> str:
        """The cooker, or the cookers in a row, as a person reads them."""
        return ", ".join(self.cookers)

    @property
    def time_zero_column(self) -> str:
        """The column of the burn sheet that holds time zero."""
        return self.time_zero.replace(" ", "_")

    @property
    def threshold_ids(self) -> tuple[str, ...]:
        """The thresholds as they stand in metric ids: '110'."""
        return tuple(map(threshold_id, self.thresholds))

    @property
    def main_probe(self) -> str | None:
        """The probe that metrics are of: the declared one, else the first listed; None where none is."""
        return self.probe or next((probe.id for probe in self.probes), None)

    @property
    def declared_metrics(self) -> tuple[Metric, ...]:
        """The declared columns as metrics."""
        return tuple(map(declared_metric, self.declared))

    def metric(self, metric_id: str) -> Metric:
        """Return what a metric id stands for in this trial."""
        return metric(metric_id, self.declared_metrics)

    def fuel(self, fuel_id: str) -> Fuel:
        """Return a fuel by its id; KeyError where it is not declared."""
        for fuel in self.fuels:
            if fuel.id == fuel_id:
                return fuel
        raise KeyError(fuel_id)

    def kind_of(self, fuel_id: str) -> str:
        """Return the kind of a fuel, '' where none is given."""
        return next((fuel.kind for fuel in self.fuels if fuel.id == fuel_id), "")

    def find_probe(self, probe_id: str) -> Probe | None:
        """Return what is declared of a probe, or None."""
        return next((probe for probe in self.probes if probe.id == probe_id), None)

    def logger_of(self, file_name: str) -> Logger | None:
        """Return the logger whose `files` fit a log's name: a named pattern before a bare '*'."""
        name = file_name.rsplit("/", 1)[-1]
        fitting = [each for each in self.loggers if any(fnmatch.fnmatch(name, glob) for glob in each.files)]
        return min(fitting, key=lambda each: "*" in each.files, default=None)


def declared_metric(declared: Declared) -> Metric:
    """Return a declared column of the burn sheet as a metric."""
    name, is_count = declared.column, declared.scale == "count"
    unit = declared.unit or (COLUMNS[name].unit if name in COLUMNS else "")
    scale: Scale = "plain" if declared.scale == "plain" else "log"
    label = name.replace("_", " ")
    return Metric(name, name, label, unit, scale, "declared", declared.better, counted=is_count)
