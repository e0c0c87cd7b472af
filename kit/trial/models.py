"""The tables of trial.toml, one frozen model each; °C unless a value carries a unit."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date, datetime
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, Strict, model_validator

from kit.errors import did_you_mean
from kit.trial.cleaning import Cleaning
from kit.trial.decode import clean_id, clean_text
from kit.trial.measuring import Measuring
from kit.trial.units import QuantityError, parse_difference, parse_temperature

DEFAULT_THRESHOLDS = (110.0, 180.0, 260.0)
DEFAULT_PRIMARY = ("peak", "time_above:110")
SPREADS = ("common", "by fuel", "by kind")


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


def _plain_id(text: str) -> str:
    name = _identified(text)
    if re.search("[@:;,+]", name):
        raise QuantityError(
            text, "a name without @ : ; , or +, which have a meaning in metric ids and sheets"
        )
    return name


def _dated(value: object) -> date:
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    expected = "a date as 2026-05-14 (year-month-day)"
    if isinstance(value, str) and re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value.strip()):
        try:
            return date.fromisoformat(value.strip())
        except ValueError:
            raise QuantityError(value, expected + " that the calendar has") from None
    raise QuantityError(value, expected)


def _zone(text: str) -> str:
    from zoneinfo import ZoneInfo, available_timezones

    try:
        return ZoneInfo(text).key
    except (ValueError, OSError, KeyError):
        near = did_you_mean(text, available_timezones())
        near = near if near.startswith("Did") else ""
        raise QuantityError(text, f"a time zone as 'Europe/Berlin'. {near}".strip()) from None


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _number_as_text(value: object) -> object:
    return str(value) if _is_number(value) else value


def _listed(value: object) -> object:
    return [value] if isinstance(value, str | int) and not isinstance(value, bool) else value


def _column_names(value: object) -> object:
    listed = _listed(value)
    return [_number_as_text(each) for each in listed] if isinstance(listed, list) else listed


def threshold_id(celsius: float) -> str:
    """Return a threshold as it stands in a metric id: 110 for 110.0, 148.89 for 300 °F."""
    return f"{round(celsius, 2):.10g}"


Text = Annotated[str, Strict(), AfterValidator(_cleaned)]
Name = Annotated[str, Strict(), AfterValidator(_identified)]
PlainName = Annotated[str, Strict(), AfterValidator(_plain_id)]
Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
Positive = Annotated[float, Strict(), Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Strict(), Field(ge=0, allow_inf_nan=False)]
Count = Annotated[int, Strict(), Field(ge=1)]
Temperature = Annotated[float, BeforeValidator(parse_temperature)]
Difference = Annotated[float, BeforeValidator(parse_difference), Field(gt=0)]
Date = Annotated[date, BeforeValidator(_dated)]
Zone = Annotated[str, Strict(), AfterValidator(_zone)]
Yes = Annotated[bool, Strict()]
Columns = Annotated[tuple[Name, ...], BeforeValidator(_column_names)]
"""Headings of a logger's file, or places counted from 1."""
Names = Annotated[tuple[Name, ...], BeforeValidator(_listed)]


class Table(BaseModel):
    """A table of the trial file: unknown keys are faults, values never change."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


class About(Table):
    """[trial]: what is tested, by whom, and how a burn is timed."""

    title: Text = ""
    question: Text = ""
    operator: Text = ""
    place: Text = ""
    interests: Text = ""
    cooker: Names = ()
    probe: Name | None = None
    time_zero: Literal["lit", "tipped", "lid on"] = "lit"
    stop_rule: Text = ""
    timezone: Zone | None = None
    currency: Text = ""
    show: Literal["metric", "us", "both"] = "metric"
    control_fuel: Name | None = None
    corrects: Text = ""


class Charge(Table):
    """[charge]: what is equal between burns: mass, volume or a full starter."""

    by: Literal["mass", "volume", "full starter"] = "mass"
    grams: Positive | None = None
    tolerance_g: NotNegative | None = None
    litres: Positive | None = None


class Declared(Table):
    """One column of the burn sheet that the trial declares as a metric."""

    column: PlainName
    unit: Text = ""
    scale: Literal["plain", "log", "count"] = "plain"
    better: Literal["more", "less", ""] = ""


class Metrics(Measuring):
    """[metrics]: thresholds in °C, primary metrics, declared columns, and how all are measured."""

    thresholds: tuple[Temperature, ...] = DEFAULT_THRESHOLDS
    primary: tuple[Name, ...] = DEFAULT_PRIMARY
    declared: tuple[Declared, ...] = ()


class Modelling(Table):
    """[model]: the variance model."""

    spread: Literal["common", "by fuel", "by kind"] = "common"
    covariates: Names = ()
    confidence: Annotated[float, Strict(), Field(ge=0.5, lt=1, allow_inf_nan=False)] = 0.95
    borrow_from: Names = ()


class Planning(Table):
    """[plan]: what there is to spend, and the seed of the order."""

    bags: Count | None = None
    burns: Count | None = None
    days: Count | None = None
    hours: Positive | None = None
    budget: Positive | None = None
    seed: Annotated[int, Strict(), Field(ge=0)] | None = None
    stages: Annotated[tuple[Count, ...], BeforeValidator(_listed)] = ()


class Lab(Table):
    """What a laboratory found of a fuel, in per cent of its mass."""

    moisture: NotNegative | None = None
    ash: NotNegative | None = None
    fixed_carbon: NotNegative | None = None
    method: Text = ""


class Fuel(Table):
    """[[fuel]]: one product of one brand."""

    id: Name
    name: Text = ""
    brand: Text = ""
    kind: Text = ""
    wood: Text = ""
    additives: Text = ""
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
    """[[bag]]: one bag of one fuel; labels are unique, or anew in each fuel."""

    id: Name
    fuel: Name
    lot: Text = ""
    bought: Date | None = None
    price: NotNegative | None = None
    weighed_kg: Positive | None = None
    fines_g: NotNegative | None = None


class Setting(Table):
    """[[setting]]: how the cooker was run; target is a temperature or the name of a cook."""

    id: Name
    vents: Text = ""
    target: Annotated[str, BeforeValidator(_number_as_text)] = ""

    @property
    def target_c(self) -> float | None:
        """The target in °C, where it is a temperature."""
        try:
            return parse_temperature(float(self.target) if _NUMBER.fullmatch(self.target) else self.target)
        except QuantityError:
            return None


class Cook(Table):
    """[[cook]]: a band of cooker temperatures to judge by."""

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
    tolerance_class: Annotated[str, BeforeValidator(_number_as_text)] = Field("", alias="class")
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
    """[[logger]]: what cannot be seen from a logger's files."""

    id: Name = "A"
    files: Names = ("*",)
    columns: dict[PlainName, Annotated[str, Strict()]] = {}
    clock_offset_s: Number = 0.0
    delimiter: Annotated[str, Strict()] | None = None
    decimal: Literal[".", ","] | None = None
    encoding: Annotated[str, Strict()] | None = None
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

    def declared(self) -> dict[str, object]:
        """Return the keys that were written, as `read_log` takes them."""
        written = self.model_dump(exclude_unset=True, exclude_none=True)
        if len(self.time_column or ()) == 1:
            written["time_column"] = (self.time_column or ("",))[0]
        return written


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


_NUMBER = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?")


def duplicates(names: Iterable[str]) -> list[str]:
    """Return the names that occur more than once, in order of their second occurrence."""
    seen: set[str] = set()
    return [name for name in names if name in seen or seen.add(name)]  # type: ignore[func-returns-value]
