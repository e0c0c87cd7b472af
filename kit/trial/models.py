"""What may stand for a key of trial.toml, and its tables, a frozen model each; and the trial that they make.

Temperatures are in °C unless a value carries a unit.
"""

import fnmatch
import re
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, Strict, model_validator

from kit.errors import nearest
from kit.metrics.measuring import Finite, Measuring, NotNegative, Positive, Share
from kit.schema import COLUMNS, METRIC_BASES, Metric, Scale, metric
from kit.trial.cells import QuantityError, parse_difference, parse_temperature, parse_threshold
from kit.trial.clocks import read_time
from kit.trial.decode import clean_id, clean_text

DEFAULT_THRESHOLDS = (110.0, 180.0, 260.0)
DEFAULT_PRIMARY = ("peak", "time_above:110")
ALL_ALIKE = "all alike"
"""What `borrow_from` says to take every earlier folder beside this one."""
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


def _cleaned(text: str) -> str:
    cleaned, unseen = clean_text(text)
    if unseen:
        raise QuantityError(text, "text without control or hidden characters")
    return cleaned


def _identified(text: str) -> str:
    cleaned, unseen = clean_id(text)
    if unseen or not cleaned:
        raise QuantityError(text, "a short name without control or hidden characters")
    return cleaned


def _dated(value: object) -> date:
    if isinstance(value, str) and re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value.strip()):
        with suppress(ValueError):
            value = date.fromisoformat(value.strip())
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    raise QuantityError(value, "a date of the calendar as 2026-05-14 (year-month-day)")


def _time_of_day(value: object) -> time:
    if isinstance(value, time):
        return value
    seconds = read_time(value.strip()) if isinstance(value, str) else None
    if seconds is None:
        raise QuantityError(value, 'a time of day, as "08:30"')
    return time(int(seconds // 3600), int(seconds // 60 % 60), int(seconds % 60))


def _weekday(value: object) -> str:
    word = value.strip().capitalize() if isinstance(value, str) else ""
    full = next((day for day in WEEKDAYS if len(word) > 1 and day.startswith(word)), None)
    if full is None:
        raise QuantityError(value, 'days of the week, as ["Sat", "Sun"]')
    return full


def _zone(text: str) -> str:
    from zoneinfo import ZoneInfo, available_timezones

    with suppress(ValueError, OSError, KeyError):
        return ZoneInfo(text).key
    raise QuantityError(text, "a time zone as 'Europe/Berlin'", nearest(text, available_timezones()))


def _listed(value: object) -> object:
    """Return a single text or whole number as a list of one."""
    return [value] if isinstance(value, str | int) and not isinstance(value, bool) else value


Text = Annotated[str, Strict(), AfterValidator(_cleaned)]
Name = Annotated[str, Strict(), AfterValidator(_identified)]
PlainName = Annotated[str, Strict(), Field(pattern="^[^@:;,+]*$"), AfterValidator(_identified)]
Count = Annotated[int, Strict(), Field(ge=1)]
Several = Annotated[int, Strict(), Field(ge=3)]
Temperature = Annotated[float, BeforeValidator(parse_temperature)]
Difference = Annotated[float, BeforeValidator(parse_difference), Field(gt=0)]
Date = Annotated[date, BeforeValidator(_dated)]
TimeOfDay = Annotated[time, BeforeValidator(_time_of_day)]
Weekday = Annotated[str, BeforeValidator(_weekday)]
Zone = Annotated[str, Strict(), AfterValidator(_zone)]
Yes = Annotated[bool, Strict()]
Word = Annotated[str, Field(coerce_numbers_to_str=True)]
"""A text, or a number taken for one: `class = 1` is as good as "1"."""
Columns = Annotated[tuple[Annotated[Word, AfterValidator(_identified)], ...], BeforeValidator(_listed)]
"""Headings of a logger's file, or places counted from 1."""
Names = Annotated[tuple[Name, ...], BeforeValidator(_listed)]


def threshold_id(celsius: float) -> str:
    """Return a threshold as it stands in a metric id: 110 for 110.0, 148.89 for 300 °F."""
    return f"{round(celsius, 2):.10g}"


class Table(BaseModel):
    """A table of the trial file: unknown keys are faults, values never change; keys.toml explains its keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


def _two(pair: tuple[str, str]) -> tuple[str, str]:
    if pair[0] == pair[1]:
        raise QuantityError(list(pair), "two different fuels")
    return pair


@dataclass(frozen=True)
class About:
    """[trial]: what is tested, by whom, and how a burn is timed."""

    __pydantic_config__ = Table.model_config

    title: Text = ""
    question: Text = ""
    operator: Text = ""
    place: Text = ""
    interests: Text = ""
    cookers: Annotated[Names, Field(alias="cooker")] = ()
    probe: Name | None = None
    time_zero: Literal["lit", "tipped", "lid on"] = "lit"
    stop_rule: Text = ""
    timezone: Zone | None = None
    currency: Text = ""
    show: Literal["metric", "us", "both"] = "metric"
    control_fuel: Name | None = None
    pairs: tuple[Annotated[tuple[Name, Name], AfterValidator(_two)], ...] = ()
    corrects: Text = ""


class Charge(Table):
    """[charge]: what is kept the same in every burn: mass, volume or a full starter."""

    by: Literal["mass", "volume", "full starter"] = "mass"
    grams: Positive | None = None
    tolerance_g: NotNegative | None = None
    litres: Positive | None = None

    @property
    def of_equal_mass(self) -> bool:
        """Whether the trial file says that charges are of equal mass."""
        return self.by == "mass" and bool(self.model_fields_set)


def _column_of_ones_own(name: str) -> str:
    if name in METRIC_BASES:
        remedy = "The kit has a metric of that name: rename the column."
        raise QuantityError(name, "a column name of your own", remedy)
    if name in COLUMNS and COLUMNS[name].kind != "number":
        raise QuantityError(name, "a column of numbers", "Name another column.")
    return name


class Declared(Table):
    """One column of the burn sheet that the trial declares as a metric."""

    column: Annotated[PlainName, AfterValidator(_column_of_ones_own)]
    unit: Text = ""
    scale: Literal["plain", "log", "count"] = "plain"
    better: Literal["more", "less", ""] = ""


class Metrics(Measuring):
    """[metrics]: thresholds, primary metrics, declared columns, and how all are measured."""

    thresholds: tuple[Temperature, ...] = DEFAULT_THRESHOLDS
    primary: tuple[Name, ...] = DEFAULT_PRIMARY
    declared: tuple[Declared, ...] = ()


class Modelling(Table):
    """[model]: how repeats are modelled."""

    spread: Literal["", "common", "by fuel", "by kind"] = ""
    covariates: Names = ()
    confidence: Annotated[float, Strict(), Field(ge=0.5, lt=1, allow_inf_nan=False)] = 0.95
    borrow_from: Names = ()

    @model_validator(mode="after")
    def _all_or_named(self) -> Self:
        if ALL_ALIKE in self.borrow_from and len(self.borrow_from) > 1:
            raise QuantityError(", ".join(self.borrow_from), f'folders by name, or "{ALL_ALIKE}" alone')
        return self


class Cleaning(Table):
    """Every limit of the cleaning rules; a rule marks readings and never deletes one.

    The defaults belong to edition 1 of the rules and suit a cooker with thermocouples read every
    second to every minute. Temperatures and differences of them are in °C and K, times in seconds.
    Write a limit down before the first burn: a limit chosen after the curves are seen is no limit.
    """

    spike_k: Positive = 30.0
    spike_k_per_s: NotNegative = 3.0
    spike_mads: Positive = 8.0
    spike_window: Several = 15
    sentinels: tuple[Finite, ...] = (1372.0, 2000.0, -200.0)
    sentinel_jump_k: Positive = 100.0
    lowest_c: Finite = -60.0
    highest_c: Finite = 1372.0
    stuck_s: Positive = 600.0
    stuck_n: Several = 20
    stuck_jump_k: Positive = 8.0
    saturated_n: Several = 5
    saturated_s: NotNegative = 15.0
    saturated_steps: Positive = 3.0
    reversed_k: Positive = 30.0
    stepped_k: Positive = 80.0
    stepped_s: Positive = 30.0
    stepped_stays_s: Positive = 300.0
    lid_open_s: NotNegative = 120.0
    lid_recovery_s: NotNegative = 0.0
    bridge_gap_s: NotNegative = 120.0
    clock_tolerance_s: NotNegative = 1.0
    most_lost: Share = 0.05
    lag_correction: Yes = False
    lag_window_s: Positive = 30.0


class Planning(Table):
    """[plan]: what there is to spend, for `repeatburn plan`, and the seed of the order."""

    bags: Count | None = None
    burns: Count | None = None
    days: Count | None = None
    hours: Positive | None = None
    budget: NotNegative | None = None
    seed: Annotated[int, Strict(), Field(ge=0)] | None = None
    stages: Annotated[tuple[Count, ...], BeforeValidator(_listed)] = ()
    burn_h: Positive | None = None
    cool_h: NotNegative | None = None
    first_day: Date | None = None
    weekdays: Annotated[tuple[Weekday, ...], BeforeValidator(_listed)] = ()
    earliest: TimeOfDay | None = None
    latest: TimeOfDay | None = None
    cookers: Count | None = None
    weigh_ash: Yes = True

    @model_validator(mode="after")
    def _day_in_order(self) -> Self:
        if self.earliest and self.latest and self.earliest >= self.latest:
            found = f"earliest {self.earliest:%H:%M}, latest {self.latest:%H:%M}"
            raise QuantityError(found, "an earliest before the latest")
        return self


class Lab(Table):
    """What a laboratory found of a fuel."""

    moisture: NotNegative | None = None
    ash: NotNegative | None = None
    fixed_carbon: NotNegative | None = None
    method: Text = ""


class Fuel(Table):
    """[[fuel]]: one product of one brand, a table each."""

    id: Name
    name: Text = ""
    brand: Text = ""
    kind: Text = ""
    wood: Text = ""
    additives: Text = ""
    hazards: Names = ()
    price: NotNegative | None = None
    price_date: Date | None = None
    shop: Text = ""
    bag_kg: Positive | None = None
    obtained: Literal["bought", "given"] | None = None
    lab: Lab = Lab()

    @property
    def label(self) -> str:
        """The name a person reads; the id where none is given."""
        return self.name or self.id


class Bag(Table):
    """[[bag]]: one bag of one fuel, where more is known of it than the burn sheet says."""

    id: Name
    fuel: Name
    lot: Text = ""
    bought: Date | None = None
    price: NotNegative | None = None
    weighed_kg: Positive | None = None
    fines_g: NotNegative | None = None


class Setting(Table):
    """[[setting]]: how the cooker was run, if in more than one way; the burn sheet's column says which."""

    id: Name
    vents: Text = ""
    target: Word = ""

    @property
    def target_c(self) -> float | None:
        """The target in °C, where it is a temperature."""
        with suppress(QuantityError):
            return parse_threshold(self.target)
        return None


class Cook(Table):
    """[[cook]]: a band of cooker temperatures to judge by, for burns that were run to hold it."""

    name: PlainName
    low: Temperature
    high: Temperature
    hours: Positive | None = None

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.low >= self.high:
            raise QuantityError(f"low {self.low:g} °C, high {self.high:g} °C", "a low below the high")
        return self


class Probe(Table):
    """[[probe]]: where a thermometer sits and what is known of it; the first is the main one."""

    id: PlainName
    place: Text = ""
    tolerance_class: Word = Field("", alias="class")
    resolution: Difference | None = None
    time_constant_s: Positive | None = None
    ice_reads: Temperature | None = None
    boil_reads: Temperature | None = None
    altitude_m: Annotated[float, Strict(), Field(ge=-450, le=9000)] | None = None
    pressure_hpa: Annotated[float, Strict(), Field(ge=300, le=1100)] | None = None

    @model_validator(mode="after")
    def _one_pressure(self) -> Self:
        if self.altitude_m is not None and self.pressure_hpa is not None:
            raise QuantityError("altitude_m and pressure_hpa", "one of the two")
        return self


class Logger(Table):
    """[[logger]]: what cannot be seen from a logger's files; leave a key out unless `check` asks for it."""

    id: Name = "A"
    files: Names = ("*",)
    columns: dict[PlainName, Annotated[str, Strict()]] = {}
    clock_offset_s: Finite = 0.0
    delimiter: Annotated[str, Strict()] | None = None
    decimal: Literal[".", ","] | None = None
    encoding: Annotated[str, Strict()] | None = None
    sheet: Text | None = None
    header_row: Annotated[int, Strict(), Field(ge=0)] | None = None
    time_column: Columns | None = None
    time_unit: Text | None = None
    time_format: Text | None = None
    day_first: Yes | None = None
    step_s: Positive | None = None
    timezone: Zone | None = None
    unit: Text | None = None
    unit_per_row: Yes | None = None
    split_by: Text | None = None
    clock_change: Literal["dst", "restart"] | None = None


class TrialFile(Table):
    """The whole of trial.toml, table by table."""

    trial: About = About()
    charge: Charge = Charge()
    metrics: Metrics = Metrics()
    margins: dict[str, object] = {}
    model: Modelling = Modelling()
    cleaning: Cleaning = Cleaning()
    plan: Planning = Planning()
    fuel: tuple[Fuel, ...] = ()
    bag: tuple[Bag, ...] = ()
    setting: tuple[Setting, ...] = ()
    cook: tuple[Cook, ...] = ()
    probe: tuple[Probe, ...] = ()
    logger: tuple[Logger, ...] = ()


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
class Trial(About):
    """What is tested and how, as the rest of the kit sees it; the keys of [trial] are attributes of the trial itself.

    Attributes
    ----------
    cookers
        The cookers named, none or one or several.
    pairs
        Pairs of fuels, by id, that were asked about beforehand.
    thresholds
        In °C, as they stand in metric ids (`threshold_ids`).
    primary
        Ids of the metrics the verdicts are about, thresholds in them in °C.
    declared
        Columns of the burn sheet that the trial declares as metrics.
    margins
        By metric id.
    fuels, bags, settings, cooks, probes, loggers
        The tables [[fuel]] and so on, in their order.
    """

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
    def own_columns(self) -> list[str]:
        """Columns of the burn sheet that the trial itself names: as metrics, then as covariates."""
        return [*(each.column for each in self.declared), *self.model.covariates]

    @property
    def is_priced(self) -> bool:
        """Whether any fuel or bag has a price."""
        prices = [fuel.price for fuel in self.fuels] + [bag.price for bag in self.bags]
        return any(price is not None for price in prices)

    def metric(self, metric_id: str) -> Metric:
        """Return what a metric id stands for in this trial."""
        return metric(metric_id, map(declared_metric, self.declared))

    def fuel(self, fuel_id: str) -> Fuel:
        """Return a fuel by its id; KeyError where it is not declared."""
        return {fuel.id: fuel for fuel in self.fuels}[fuel_id]

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
