"""The plan as written before the first burn: plan/plan.toml and its hash; and where what was done differs from it."""

import hashlib
import json
import tomllib
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any

import pandas as pd
from pydantic import BaseModel, BeforeValidator, model_validator

from kit.errors import Faults, disk_faults
from kit.runtime.atomic_write import write_atomically
from kit.schema import DEVIATIONS
from kit.trial.cells import QuantityError, parse_difference, parse_percent
from kit.trial.clocks import CLOCK_COLUMNS, relative_times
from kit.trial.decode import MESSAGES, read_text
from kit.trial.models import Trial
from kit.trial.toml_reader import TomlFile

SCHEMA = "repeatburn-plan/1"
NAME = "plan/plan.toml"
Day = Annotated[str, BeforeValidator(lambda value: value.isoformat() if isinstance(value, date) else value)]


class PlannedBurn(BaseModel, frozen=True, coerce_numbers_to_str=True):
    """One burn as planned; blank or None where the plan leaves it open."""

    burn: str
    fuel: str
    bag: str = ""
    day: Day = ""
    order: float | None = None
    setting: str = ""
    cooker: str = ""
    charge_g: float | None = None

    @model_validator(mode="before")
    @classmethod
    def _without_blanks(cls, cells: dict[str, Any]) -> dict[str, Any]:
        return {name: cell for name, cell in cells.items() if cell not in (None, "") and cell == cell}


class Plan(BaseModel, frozen=True):
    """What was planned; what the kit does not know of it stays in the file and in its hash.

    Attributes
    ----------
    written
        The day it was written, yyyy-mm-dd.
    seed, stages, spare_days
        Seed of the order; numbers of burns after which a look was planned; days kept for weather.
    exclusions
        Rules, in words, by which a burn would be left out.
    charge_by, tolerance_g, time_zero, stop_rule, control_fuel
        As in the trial file.
    fuels
        Ids of the fuels.
    thresholds, primary, margins, spread, covariates, confidence, cleaning, measuring
        As in the trial file; margins as written.
    burns
        The burns in their order.
    replaces
        Hash of an earlier plan that this one took the place of, '' if none.
    sha256
        The hash that was recorded when the plan was written, '' if none stands in the file.
    hash_now
        The hash of what stands in the file now.
    """

    schema_: str = SCHEMA
    written: Day = ""
    seed: int | None = None
    stages: tuple[int, ...] = ()
    spare_days: tuple[Day, ...] = ()
    exclusions: tuple[str, ...] = ()
    charge_by: str = "mass"
    tolerance_g: float | None = None
    time_zero: str = "lit"
    stop_rule: str = ""
    control_fuel: str = ""
    fuels: tuple[str, ...] = ()
    thresholds: tuple[float, ...] = ()
    primary: tuple[str, ...] = ()
    margins: dict[str, str] = {}
    spread: str = ""
    covariates: tuple[str, ...] = ()
    confidence: float = 0.95
    cleaning: dict[str, Any] = {}
    measuring: dict[str, Any] = {}
    burns: tuple[PlannedBurn, ...] = ()
    replaces: str = ""
    sha256: str = ""
    hash_now: str = ""

    @model_validator(mode="before")
    @classmethod
    def _with_hash(cls, content: dict[str, Any]) -> dict[str, Any]:
        plain = {key: value for key, value in content.items() if value is not None}
        return {"hash_now": plan_hash(plain), **plain}

    @property
    def is_changed(self) -> bool:
        """Whether the file was changed after its hash was taken, or its hash was taken away."""
        return self.sha256 != self.hash_now

    @cached_property
    def table(self) -> pd.DataFrame:
        """The planned burns: burn, fuel, bag, day, order, setting, cooker, charge_g."""
        columns = list(PlannedBurn.model_fields)
        return pd.DataFrame([burn.model_dump() for burn in self.burns], columns=columns)

    @property
    def line(self) -> str:
        """The dated line to post where others see it before the first burn."""
        fuels, burns = len(self.fuels), len(self.burns)
        return f"{self.written} repeatburn plan: {fuels} fuels, {burns} burns, sha256 {self.hash_now}"


def plan_of(
    trial: Trial,
    burns: pd.DataFrame,
    written: date | str,
    seed: int | None = None,
    spare_days: Iterable[str] = (),
    exclusions: Iterable[str] = (),
) -> Plan:
    """Return the plan of a trial file and an order of burns.

    Parameters
    ----------
    trial
        Margins, thresholds, primary metrics, model and limits as they stand now.
    burns
        burn, fuel and, where planned, bag, day, order, setting, cooker, charge_g; one row a burn.
    written
        Today.
    seed, spare_days, exclusions
        As the attributes of `Plan`; the seed defaults to the trial file's.
    """
    usual = {} if trial.charge.grams is None else {"charge_g": trial.charge.grams}
    rows: list[dict[str, Any]] = [
        usual | PlannedBurn.model_validate(row).model_dump(exclude_defaults=True)
        for row in burns.to_dict("records")
    ]
    content = {
        "schema": SCHEMA,
        "written": str(written),
        "seed": trial.plan.seed if seed is None else seed,
        "stages": list(trial.plan.stages),
        "spare_days": list(spare_days),
        "exclusions": list(exclusions),
        **settings_of(trial),
        "fuels": [fuel.id for fuel in trial.fuels] or list(dict.fromkeys(row["fuel"] for row in rows)),
        "burns": rows,
    }
    return Plan.model_validate(content)


def settings_of(trial: Trial) -> dict[str, Any]:
    """Return what a plan fixes of the trial file, as plain values."""
    limits = {"cleaning": trial.cleaning, "measuring": trial.measuring}
    return {
        **{key: getattr(trial, key) for key in ("time_zero", "stop_rule", "thresholds", "primary")},
        **{key: getattr(trial.model, key) for key in ("spread", "covariates", "confidence")},
        **{key: each.model_dump(mode="json", exclude_none=True) for key, each in limits.items()},
        "charge_by": trial.charge.by,
        "tolerance_g": trial.charge.tolerance_g,
        "control_fuel": trial.control_fuel or "",
        "margins": {metric: margin.written for metric, margin in trial.margins.items()},
    }


def plan_hash(content: Mapping[str, Any]) -> str:
    """Return the SHA-256 of a plan's content: its canonical JSON, without the key sha256.

    Canonical: keys sorted, text composed (NFC), whole numbers without a point, dates yyyy-mm-dd, no blanks.
    """
    bare = {key: value for key, value in content.items() if key != "sha256"}
    text = json.dumps(bare, ensure_ascii=False, default=lambda moment: moment.isoformat())
    plain = json.loads(unicodedata.normalize("NFC", text), parse_float=_number)
    canonical = json.dumps(plain, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(canonical.encode()).hexdigest()


def _number(text: str) -> float:
    value = float(text)
    return int(value) if value.is_integer() and abs(value) < 2**53 else value


def write_plan(folder: str | Path, plan: Plan) -> Plan:
    """Write a plan into a run folder with its hash, and return it as `read_plan` will.

    An earlier plan is kept beside it under its own hash, and named in the new one as replaced.

    Raises
    ------
    KitError
        Where the folder cannot be written.
    """
    import tomli_w

    place = Path(folder) / NAME
    # what the plan leaves open is left out, and not hashed
    fields = plan.model_dump(mode="json", exclude={"sha256", "hash_now", "schema_"}, exclude_none=True)
    content = {"schema": SCHEMA} | {key: value for key, value in fields.items() if value not in ("", [], {})}
    content["burns"] = [{k: v for k, v in burn.items() if v != ""} for burn in content.get("burns", ())]
    earlier: dict[str, Any] = {}
    with disk_faults(Path(NAME)):
        place.parent.mkdir(parents=True, exist_ok=True)
        with suppress(OSError, ValueError, RecursionError):  # none is there, or none that can be read
            earlier = tomllib.loads(place.read_text(encoding="utf-8"))
        apart = {"replaces": "", "sha256": ""}  # what two plans of one content may differ in
        if earlier.get("sha256") and earlier | apart == content | apart:
            return Plan.model_validate(earlier)
        if place.is_file():
            written = place.read_bytes()
            content["replaces"] = plan_hash(earlier) if earlier else hashlib.sha256(written).hexdigest()
            kept = place.with_name(f"plan-{content['replaces'][:12]}.toml")
            if not kept.exists():
                write_atomically(kept, written)
        content |= {"sha256": plan_hash(content), "burns": content.pop("burns")}  # the burns last
        write_atomically(place, MESSAGES["plan"]["head"] + tomli_w.dumps(content))
    return Plan.model_validate(content)


def read_plan(folder: str | Path) -> Plan | None:
    """Return the plan of a run folder, None where none was written.

    Raises
    ------
    KitError
        Where plan/plan.toml cannot be read; a plan that was changed is no fault (`Plan.is_changed`).
    """
    place = Path(folder) / NAME
    if not place.is_file():
        return None
    text, _ = read_text(place, NAME)
    file, faults = TomlFile(NAME, text, Plan), Faults()
    plan = file.read()
    file.hand_to(faults)
    faults.settle()
    return plan


WRITTEN_LATE = "plan written after the first burn"
OWN_TOLERANCE = 0.01
"""Share of the charge that it may differ by where no tolerance was planned (DEVELOPERS.md, practice: within 1 %)."""


_Row = tuple[str, str, str, str]
"""What differs, where, how it was planned, and how it was done."""


def deviations(plan: Plan | None, trial: Trial, burns: pd.DataFrame) -> pd.DataFrame:
    """Return every difference between the plan as written and what was done: shown in the report, never blocked.

    Parameters
    ----------
    plan, trial, burns
        Those of the run folder.

    Returns
    -------
    DataFrame
        Columns of schema.DEVIATIONS (what, where, planned, done); without rows where no plan was written.
    """
    rows: list[_Row] = []
    if plan is not None:
        rows = [*_of_the_plan(plan, burns), *_of_settings(plan, trial), *_of_burns(plan, burns)]
    return pd.DataFrame(rows, columns=[column.name for column in DEVIATIONS]).astype("str")


def _of_the_plan(plan: Plan, burns: pd.DataFrame) -> Iterator[_Row]:
    now = f"sha256 {plan.hash_now[:12]}"
    if plan.is_changed:
        planned = f"sha256 {plan.sha256[:12]}" if plan.sha256 else "a recorded hash"
        yield "plan changed after it was written", NAME, planned, now
    if plan.replaces:
        done = f"{now}, written {plan.written}"
        yield "plan written anew", NAME, f"sha256 {plan.replaces[:12]}", done
    days = burns.loc[burns["state"] == "done", "day"].astype(str)
    first = min(filter(None, days), default="")
    if first and plan.written > first:
        yield WRITTEN_LATE, NAME, f"before {first}", plan.written


_USUAL = settings_of(Trial())


def _of_settings(plan: Plan, trial: Trial) -> Iterator[_Row]:
    then, now = plan.model_dump(mode="json"), settings_of(trial)
    for key, words in MESSAGES["setting"].items():
        was, holds = then[key], now[key]
        if isinstance(was, list):
            yield from ((words, _shown(each), "planned", "dropped") for each in was if each not in holds)
            yield from ((words, _shown(each), "not planned", "added") for each in holds if each not in was)
        elif isinstance(was, dict):  # what an older plan does not name had its default
            was, holds = _USUAL[key] | was, _USUAL[key] | holds
            for part in (part for part in was | holds if _size(was.get(part)) != _size(holds.get(part))):
                yield words, part, _shown(was.get(part)), _shown(holds.get(part))
        elif (was or "") != (holds or ""):
            yield words, key, _shown(was), _shown(holds)


def _size(written: object) -> object:
    """Return what a margin amounts to: 15 °C and 27 °F are one; anything else as it is."""
    for read in (parse_percent, parse_difference):
        with suppress(QuantityError):
            return read, read(written if isinstance(written, str) else None)
    return written


def _shown(value: object) -> str:
    if isinstance(value, list):
        return ", ".join(map(_shown, value)) or "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else "none" if value in (None, "") else str(value)


def _of_burns(plan: Plan, burns: pd.DataFrame) -> Iterator[_Row]:
    left_out, is_logged = burns["state"] == "excluded", burns["log"] != ""
    is_lit = is_logged | (burns[[*CLOCK_COLUMNS]] != "").any(axis=1)
    done = burns[(burns["state"] == "done") | (left_out & is_lit)]
    by_name: dict[str, dict[str, Any]] = {row["burn"]: row for row in done.to_dict("records")}
    planned = plan.table.astype({"order": float, "charge_g": float})
    in_order = planned.sort_values("order", kind="stable")["burn"].tolist()
    last = max((place for place, burn in enumerate(in_order) if burn in by_name), default=-1)
    for burn in in_order[: max(last, 0)]:
        if burn not in by_name:
            yield "burn missing", burn, "a burn", "none"
    count = sum(burn in by_name for burn in in_order)
    if in_order and last < len(in_order) - 1 and count not in plan.stages:
        yield "stopped early", "all burns", f"{len(in_order)} burns", f"{count} burns"
    for burn in by_name:
        if burn not in in_order:
            yield "burn beyond the plan", burn, "none", "a burn"
    yield from _of_order([burn for burn in in_order if burn in by_name], by_name)
    both = planned.merge(done, on="burn", suffixes=("_then", ""))
    moved = both[(both["day_then"] != "") & (both["day"] != "") & (both["day"] != both["day_then"])]
    for (then, day), names in moved.groupby(["day_then", "day"], sort=False)["burn"]:
        yield "day", ", ".join(names), then, day
    for row in both.to_dict("records"):
        for key in ("fuel", "bag", "setting", "cooker"):
            if row[f"{key}_then"] not in ("", row[key]):
                yield key, row["burn"], row[f"{key}_then"], row[key] or "blank"
        target, charge = row["charge_g_then"], row["charge_g"]
        allowed = target * OWN_TOLERANCE if plan.tolerance_g is None else plan.tolerance_g
        if abs(charge - target) > allowed + 1e-9:
            yield "charge", row["burn"], f"{target:g} ± {allowed:g} g", f"{charge:g} g"
    for burn, reason in zip(burns.loc[left_out, "burn"], burns.loc[left_out, "excluded"], strict=True):
        yield "burn left out", burn, "counted", reason


def _of_order(planned: list[str], done: Mapping[str, Mapping[str, Any]]) -> Iterator[_Row]:
    """Yield the fewest burns that would have to be moved to turn the order done into the order planned."""
    began: dict[str, Any] = {}
    for burn in planned:  # the first of its times; None where its day or all its times are blank
        times = relative_times(done[burn])
        began[burn] = min((at for column in times.seconds if (at := times.at(column))), default=None)
    moments = began if all(began.values()) else {burn: done[burn]["order"] for burn in planned}
    if any(moment != moment for moment in moments.values()):  # neither a time nor a number of every burn
        return
    actual = sorted(planned, key=moments.__getitem__)
    ranks = {burn: place for place, burn in enumerate(planned)}
    in_place = _longest_rising([ranks[burn] for burn in actual])
    for place, burn in enumerate(actual):
        if ranks[burn] not in in_place:
            yield "order", burn, f"place {ranks[burn] + 1}", f"place {place + 1}"


def _longest_rising(ranks: list[int]) -> set[int]:
    """Return the members of a longest rising subsequence of distinct numbers."""
    longest: dict[int, set[int]] = {}  # by its last member
    for rank in ranks:
        before = (chain for last, chain in longest.items() if last < rank)
        longest[rank] = {*max(before, key=len, default=()), rank}
    return max(longest.values(), key=len, default=set())
