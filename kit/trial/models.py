"""The tables of trial.toml, one frozen model each; °C unless a value carries a unit."""

from __future__ import annotations

from contextlib import suppress
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, Strict, model_validator

from kit.metrics.measuring import Finite, Measuring, NotNegative, Positive
from kit.schema import COLUMNS, METRIC_BASES
from kit.trial.cleaning import Cleaning
from kit.trial.key_types import (
    Columns,
    Count,
    Date,
    Difference,
    Hours,
    Money,
    Name,
    Names,
    PlainName,
    QuantityError,
    Share,
    Temperature,
    Text,
    TimeOfDay,
    Unit,
    Weekday,
    Yes,
    Zone,
    listed,
    number_as_text,
    parse_threshold,
)

DEFAULT_THRESHOLDS = (110.0, 180.0, 260.0)
DEFAULT_PRIMARY = ("peak", "time_above:110")
ALL_ALIKE = "all alike"
"""What `borrow_from` says to take every earlier folder beside this one."""


def threshold_id(celsius: float) -> str:
    """Return a threshold as it stands in a metric id: 110 for 110.0, 148.89 for 300 °F."""
    return f"{round(celsius, 2):.10g}"


class Table(BaseModel):
    """A table of the trial file: unknown keys are faults, values never change; a docstring explains its key."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", populate_by_name=True, use_attribute_docstrings=True
    )


def _two(pair: tuple[str, str]) -> tuple[str, str]:
    if pair[0] == pair[1]:
        raise QuantityError(list(pair), "two different fuels")
    return pair


class About(Table):
    """[trial]: what is tested, by whom, and how a burn is timed."""

    title: Text = ""
    """What the report is called."""

    question: Text = ""
    """What you want to know, in one sentence."""

    operator: Text = ""
    """Who lights and measures."""

    place: Text = ""
    """Where the burns are done."""

    interests: Text = ""
    """Who paid and who gave the fuel: readers will ask."""

    cookers: Names = Field(default=(), alias="cooker")
    """The cooker; several as ["A", "B"], and then the burn sheet's column cooker says which."""

    probe: Name | None = None
    """Id of the main probe, the one metrics are of. Left out: the first [[probe]]."""

    time_zero: Literal["lit", "tipped", "lid on"] = "lit"
    """When the clock of a burn starts; the burn sheet's column of that name holds it."""

    stop_rule: Text = ""
    """When a burn is stopped, as "grate below 60 °C"."""

    timezone: Zone | None = None
    """Zone of the burn sheet's clock, as "Europe/Berlin"; needed only where a logger writes another zone."""

    currency: Text = ""
    """Of every price and of the budget, as "EUR"."""

    show: Literal["metric", "us", "both"] = "metric"
    """Units of the pages: °C and grams, °F and ounces, or both; the analysis is the same."""

    control_fuel: Name | None = None
    """Id of the fuel that every other one is compared with. Left out: all pairs are compared."""

    pairs: tuple[Annotated[tuple[Name, Name], AfterValidator(_two)], ...] = ()
    """Pairs of fuels asked about before the first burn, as [["alder", "olive"]]."""

    corrects: Text = ""
    """Name of the earlier report that this one corrects."""


class Charge(Table):
    """[charge]: what is kept the same in every burn: mass, volume or a full starter."""

    by: Literal["mass", "volume", "full starter"] = "mass"
    """Basis of the comparison: every result holds for it alone."""

    grams: Annotated[Positive, Unit("g")] | None = None
    """Mass of a charge, as planned."""

    tolerance_g: NotNegative | None = None
    """How far a charge may be off; farther is named in the report."""

    litres: Annotated[Positive, Unit("L")] | None = None
    """Volume of a charge, as planned."""

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
    """Heading of the column in burns.csv."""

    unit: Text = ""
    """Unit of its numbers, as people read it."""

    scale: Literal["plain", "log", "count"] = "plain"
    """How it is compared: "plain" as differences, "log" as ratios, "count" as ratios of numbers of things."""

    better: Literal["more", "less", ""] = ""
    """Which direction is better for a cook, if either."""


class Metrics(Measuring):
    """[metrics]: thresholds, primary metrics, declared columns, and how all are measured."""

    thresholds: tuple[Temperature, ...] = DEFAULT_THRESHOLDS
    """Temperatures that times to, times above and costs are of; a unit may be written, as "230 °F"."""

    primary: tuple[Name, ...] = DEFAULT_PRIMARY
    """The few metrics that verdicts are about. Ids: {every metric}, and declared columns; of another
    probe "peak@lid"."""

    declared: tuple[Declared, ...] = ()
    """Columns of the burn sheet that are metrics of your own, as
    [{ column = "sparks", unit = "", scale = "count", better = "less" }]."""


class Modelling(Table):
    """[model]: how repeats are modelled."""

    spread: Literal["", "common", "by fuel", "by kind"] = ""
    """Whether all fuels are taken to vary alike, or each fuel or kind in its own way."""

    covariates: Names = ()
    """Columns of the burn sheet that comparisons allow for, as ["wind_m_s"]."""

    confidence: Annotated[float, Strict(), Field(ge=0.5, lt=1, allow_inf_nan=False)] = 0.95
    """Confidence of every interval."""

    borrow_from: Names = ()
    """Earlier run folders that were measured alike and strengthen the error bars, as ["../last-autumn"];
    "all alike" takes every one beside this folder."""

    @model_validator(mode="after")
    def _all_or_named(self) -> Self:
        if ALL_ALIKE in self.borrow_from and len(self.borrow_from) > 1:
            raise QuantityError(", ".join(self.borrow_from), f'folders by name, or "{ALL_ALIKE}" alone')
        return self


class Planning(Table):
    """[plan]: what there is to spend, for `repeatburn plan`, and the seed of the order."""

    bags: Count | None = None
    """Bags of each fuel."""

    burns: Count | None = None
    """Burns of each bag."""

    days: Count | None = None
    """Days there are for burning."""

    hours: Hours | None = None
    """Length of a working day."""

    budget: Money | None = None
    """What may be spent on fuel."""

    seed: Annotated[int, Strict(), Field(ge=0)] | None = None
    """Seed of the random order."""

    stages: Annotated[tuple[Count, ...], BeforeValidator(listed)] = ()
    """Numbers of burns after which the results are looked at, and at no other time, as [12, 24, 36]."""

    burn_h: Positive | None = None
    """How long a burn takes, from lit to stopped, in this cooker. Left out: as in the earlier folders."""

    cool_h: NotNegative | None = None
    """How long the cooker then takes until it is cold right through and can be emptied."""

    first_day: Date | None = None
    """First day of burning, as 2026-05-14. Left out: tomorrow."""

    weekdays: Annotated[tuple[Weekday, ...], BeforeValidator(listed)] = ()
    """Days of the week on which you can burn, as ["Sat", "Sun"]. Left out: every day."""

    earliest: TimeOfDay | None = None
    """Time of day before which nothing is lit, as "08:00"."""

    latest: TimeOfDay | None = None
    """Time of day by which the last burn of a day has to be stopped, as "19:30"."""

    cookers: Count | None = None
    """Cookers of one make that can burn on the same day, a block each. Left out: those named, or one."""

    weigh_ash: Yes = True
    """Whether ash and leftovers are weighed: a cooker then burns once a day and is emptied cold, next morning.
    false leaves both blank, and a cooker may be lit again on the same day once it was checked cold and emptied."""

    @model_validator(mode="after")
    def _day_in_order(self) -> Self:
        if self.earliest and self.latest and self.earliest >= self.latest:
            found = f"earliest {self.earliest:%H:%M}, latest {self.latest:%H:%M}"
            raise QuantityError(found, "an earliest before the latest")
        return self


class Lab(Table):
    """What a laboratory found of a fuel."""

    moisture: Share | None = None
    """Moisture content."""

    ash: Share | None = None
    """Ash of a furnace, which is not the ash of a cooker's pan."""

    fixed_carbon: Share | None = None
    """Fixed carbon."""

    method: Text = ""
    """The standard it was found by, and who found it."""


class Fuel(Table):
    """[[fuel]]: one product of one brand, a table each."""

    id: Name
    """The word in the burn sheet's column fuel; all else can wait."""

    name: Text = ""
    """As people read it, as "alder lump"."""

    brand: Text = ""
    """Who sells it."""

    kind: Text = ""
    """Type, as "lump", "briquette" or "white charcoal": types are compared with types."""

    wood: Text = ""
    """What it was made of."""

    additives: Text = ""
    """Binders and lighting aids, as "starch"; every sheet then carries the handling they ask for."""

    hazards: Names = ()
    """What it is known to do, as ["bursts", "sparks"]; then every sheet carries that handling, coded or not."""

    price: Money | None = None
    """Of a bag."""

    price_date: Date | None = None
    """Day of that price, as 2026-02-20."""

    shop: Text = ""
    """Where it was bought."""

    bag_kg: Positive | None = None
    """What a bag should weigh."""

    obtained: Literal["bought", "given"] | None = None
    """Whether it was bought or given: readers will ask."""

    lab: Lab = Lab()
    """A laboratory's findings, as { moisture = 6.1, ash = 3.0, fixed_carbon = 80, method = "…" }."""

    @property
    def label(self) -> str:
        """The name a person reads; the id where none is given."""
        return self.name or self.id


class Bag(Table):
    """[[bag]]: one bag of one fuel, where more is known of it than the burn sheet says."""

    id: Name
    """The word in the burn sheet's column bag: unique, or anew in each fuel."""

    fuel: Name
    """Id of its fuel."""

    lot: Text = ""
    """Lot printed on the bag."""

    bought: Date | None = None
    """Day it was bought, as 2026-02-20."""

    price: Money | None = None
    """What this bag cost."""

    weighed_kg: Positive | None = None
    """What it weighed."""

    fines_g: NotNegative | None = None
    """Fines sieved out of it."""


class Setting(Table):
    """[[setting]]: how the cooker was run, if in more than one way; the burn sheet's column says which."""

    id: Name
    """The word in the burn sheet's column setting."""

    vents: Text = ""
    """How the vents stood."""

    target: Annotated[str, BeforeValidator(number_as_text)] = ""
    """What was aimed at: a temperature, or the name of a [[cook]]."""

    @property
    def target_c(self) -> float | None:
        """The target in °C, where it is a temperature."""
        with suppress(QuantityError):
            return parse_threshold(self.target)
        return None


class Cook(Table):
    """[[cook]]: a band of cooker temperatures to judge by, for burns that were run to hold it."""

    name: PlainName
    """As people call it, as "low and slow"."""

    low: Temperature
    """Lower end of the band."""

    high: Temperature
    """Upper end of the band."""

    hours: Hours | None = None
    """How long such a cook takes."""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.low >= self.high:
            raise QuantityError(f"low {self.low:g} °C, high {self.high:g} °C", "a low below the high")
        return self


class Probe(Table):
    """[[probe]]: where a thermometer sits and what is known of it; the first is the main one."""

    id: PlainName
    """The probe's name in tables, metrics and events."""

    place: Text = ""
    """Where it sits, as "grate level, centre, shielded from the coals"."""

    tolerance_class: Annotated[str, BeforeValidator(number_as_text)] = Field("", alias="class")
    """Tolerance class of the thermocouple: 1 or 2."""

    resolution: Difference | None = None
    """Smallest step it shows."""

    time_constant_s: Positive | None = None
    """Its slowness in moving air, only if it was measured."""

    ice_reads: Temperature | None = None
    """What it reads in melting ice."""

    boil_reads: Temperature | None = None
    """What it reads in boiling water."""

    altitude_m: Annotated[float, Strict(), Field(ge=-450, le=9000)] | None = None
    """Where that water boiled …"""

    pressure_hpa: Annotated[float, Strict(), Field(ge=300, le=1100)] | None = None
    """… or the pressure there and then, the station's own, not reduced to sea level."""

    @model_validator(mode="after")
    def _one_pressure(self) -> Self:
        if self.altitude_m is not None and self.pressure_hpa is not None:
            raise QuantityError("altitude_m and pressure_hpa", "one of the two")
        return self


class Logger(Table):
    """[[logger]]: what cannot be seen from a logger's files; leave a key out unless `check` asks for it."""

    id: Name = "A"
    """A name for messages."""

    files: Names = ("*",)
    """Which files of logs/ are this logger's, as ["bench*.csv"]."""

    columns: dict[PlainName, Annotated[str, Strict()]] = {}
    """Which heading of its files is which probe, as { grate = "Temperature 1" }."""

    clock_offset_s: Finite = 0.0
    """How much its clock was behind the burn sheet's."""

    delimiter: Annotated[str, Strict()] | None = None
    """The mark between cells, as ";"."""

    decimal: Literal[".", ","] | None = None
    """The decimal mark."""

    encoding: Annotated[str, Strict()] | None = None
    """How its text is encoded, as "utf-8" or "cp1252"."""

    sheet: Text | None = None
    """Which sheet of a spreadsheet's file holds the readings."""

    header_row: Annotated[int, Strict(), Field(ge=0)] | None = None
    """The line with the headings, counted from 1; 0 where there is none."""

    time_column: Columns | None = None
    """Heading or place of the time, several as ["Date", "Time"]."""

    time_unit: Text | None = None
    """Unit of a column of elapsed time, as "s" or "min"."""

    time_format: Text | None = None
    """How its stamps are written, as "%d/%m/%Y %H:%M"."""

    day_first: Yes | None = None
    """Whether 05/06 is the fifth of June (true) or the sixth of May (false)."""

    step_s: Positive | None = None
    """Time between rows, for a log without times."""

    timezone: Zone | None = None
    """Zone of its clock, where it is not the burn sheet's."""

    unit: Text | None = None
    """Unit of its temperatures: "°C", "°F" or "K"."""

    unit_per_row: Yes | None = None
    """Whether every row says its own unit."""

    split_by: Text | None = None
    """Heading of the column that parts several burns in one file."""

    clock_change: Literal["dst", "restart"] | None = None
    """Why its clock jumps back: summer time, or a logger that was started again."""


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
