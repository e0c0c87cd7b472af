"""The plan as written before the first burn: plan/plan.toml, its hash, and whether it was changed since."""

from __future__ import annotations

import hashlib
import json
import tomllib
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any

import pandas as pd
from pydantic import BaseModel, BeforeValidator, ConfigDict, model_validator

from kit.errors import Faults, disk_faults
from kit.runtime.atomic_write import write_atomically
from kit.trial.decode import read_text
from kit.trial.models import Trial
from kit.trial.toml_reader import TomlFile

SCHEMA = "repeatburn-plan/1"
NAME = "plan/plan.toml"
_REMARK = """\
# The plan as it was written before the first burn. A report compares what was done with it and shows every
# difference. A change of this file is seen by its hash; it stops nothing. Remarks as this one do not count.

"""

Day = Annotated[str, BeforeValidator(lambda value: value.isoformat() if isinstance(value, date) else value)]


class _Lenient(BaseModel):
    """A table of the plan: what the kit does not know stays in the file and in its hash."""

    model_config = ConfigDict(frozen=True, extra="ignore")


class PlannedBurn(_Lenient):
    """One burn as planned; blank or None where the plan leaves it open."""

    model_config = ConfigDict(coerce_numbers_to_str=True)

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


class Plan(_Lenient):
    """What was planned.

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
    stages: Sequence[int] | None = None,
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
    seed, stages, spare_days, exclusions
        As the attributes of `Plan`; seed and stages default to the trial file's.
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
        "stages": list(trial.plan.stages if stages is None else stages),
        "spare_days": list(spare_days),
        "exclusions": list(exclusions),
        **settings_of(trial),
        "fuels": [fuel.id for fuel in trial.fuels] or list(dict.fromkeys(row["fuel"] for row in rows)),
        "burns": rows,
    }
    return Plan.model_validate(content)


def settings_of(trial: Trial) -> dict[str, Any]:
    """Return what a plan fixes of the trial file, as plain values."""
    return {
        "charge_by": trial.charge.by,
        "tolerance_g": trial.charge.tolerance_g,
        "time_zero": trial.time_zero,
        "stop_rule": trial.stop_rule,
        "control_fuel": trial.control_fuel or "",
        "thresholds": list(trial.thresholds),
        "primary": list(trial.primary),
        "margins": {metric: margin.written for metric, margin in trial.margins.items()},
        "spread": trial.model.spread or "",
        "covariates": list(trial.model.covariates),
        "confidence": trial.model.confidence,
        "cleaning": trial.cleaning.model_dump(mode="json", exclude_none=True),
        "measuring": trial.measuring.model_dump(mode="json", exclude_none=True),
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


def _content(plan: Plan) -> dict[str, Any]:
    """Return what is written of a plan, and hashed; what the plan leaves open is left out."""
    fields = plan.model_dump(mode="json", exclude={"sha256", "hash_now", "schema_"}, exclude_none=True)
    content = {"schema": SCHEMA} | {key: value for key, value in fields.items() if value not in ("", [], {})}
    content["burns"] = [{k: v for k, v in burn.items() if v != ""} for burn in content.get("burns", ())]
    return content


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
    with disk_faults(Path(NAME)):
        place.parent.mkdir(parents=True, exist_ok=True)
        content, earlier = _content(plan), _earlier(place)
        apart = {"replaces": "", "sha256": ""}  # what two plans of one content may differ in
        if earlier.get("sha256") and earlier | apart == content | apart:
            return Plan.model_validate(earlier)
        content |= {"replaces": _keep(place)} if place.is_file() else {}
        content |= {"sha256": plan_hash(content), "burns": content.pop("burns")}  # the burns last
        write_atomically(place, _REMARK + tomli_w.dumps(content))
    return Plan.model_validate(content)


def _earlier(place: Path) -> dict[str, Any]:
    """Return what stands in the plan that is there, {} where there is none that can be read."""
    try:
        return tomllib.loads(place.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}


def _keep(place: Path) -> str:
    """Keep a copy of the plan that is there under its hash, and return the hash."""
    content = _earlier(place)
    mark = plan_hash(content) if content else hashlib.sha256(place.read_bytes()).hexdigest()
    kept = place.with_name(f"plan-{mark[:12]}.toml")
    if not kept.exists():
        write_atomically(kept, place.read_bytes())
    return mark


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
