"""Whole simulated trials, said to be simulated throughout: run folders as a tester and a logger would leave them.

Among them a rehearsal of the tester's own plan, and the demo, a cookery school's choice of fuel.
"""

import re
import sys
import tomllib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd

from kit.data_file import data_text
from kit.errors import Faults, KitError
from kit.plan import burning, schedule
from kit.plan.answers import obstacle, trial_alone, trial_path
from kit.plan.planned import RULES, make_plan
from kit.readings.calibration import Correction, correction_of
from kit.runtime.atomic_write import locked_folder
from kit.schema import BURNS, SCORES
from kit.trial import Trial, open_run, plan_of, read_plan, write_plan
from kit.trial.cells import is_number
from kit.trial.decode import read_text
from kit.trial.models import ALL_ALIKE
from kit.trial.trial_file import TRIAL

NOTE = "SIMULATED readings, made by the repeatburn kit: no fuel was burnt"
PROBES = ("grate", "lid")
HOURS, STEP_S = 5.0, 10.0
USUAL_G = 400.0
COLD_K = 20.0
"""A burn is over when the grate is back so near the air."""
REMARKS = burning.KNOWN["remarks"]
FIRST_LIT = time(8, 0)
FEWEST_FOR_FAULTS = 8
"""Burns of a rehearsal from which on some go wrong."""
NEEDED = ("burn", "fuel", "bag", "day")
"""Columns of what is planned that every burn fills."""
FaultKind = Literal["battery", "spike", "stuck", "lid open", "wind"]


@dataclass(frozen=True)
class Fault:
    """Something that goes wrong in one simulated burn.

    Attributes
    ----------
    kind
        'battery' ends the log; 'spike' and 'stuck' touch one probe; 'lid open' and 'wind' touch the burn.
    burn
        Id of the burn.
    after_min, minutes
        From lid on to the fault, and how long it lasts (for 'wind' neither is used).
    probe
        Id of the probe.
    value
        Height of the spike in K; the wind in m/s.
    """

    kind: FaultKind
    burn: str
    after_min: float = 0.0
    minutes: float = 0.0
    probe: str = "grate"
    value: float = 0.0


def simulate_trial(
    folder: str | Path,
    trial: str,
    planned: pd.DataFrame,
    seed: int = 1,
    recipes: Mapping[str, burning.Recipe] | None = None,
    faults: Sequence[Fault] = (),
    comma_days: Sequence[str] = (),
    interval_s: float = 20.0,
    tasters: Sequence[str] = (),
) -> Path:
    """Write a whole run folder of simulated burns; nothing at all where it can not be whole.

    Columns that the trial declares are filled with invented numbers, which differ by fuel, bag and burn.

    Parameters
    ----------
    folder
        To be made; must not exist yet.
    trial
        Text of trial.toml, written as it is.
    planned
        burn, fuel, bag, day, order, and where they are known charge_g, setting, cooker.
    seed
        Of bags, charges, weather, handling and readings.
    recipes
        By fuel id; a fuel without one is made of its kind.
    faults
        What goes wrong.
    comma_days
        Days logged by another logger, in one file a day with semicolons and decimal commas.
    interval_s
        Of the readings.
    tasters
        Who scores smoke and smell; nobody, and there is no scores.csv.

    Raises
    ------
    KitError
        With every fault of what is planned, of the faults, seed and interval, and of the trial file; where the folder
        exists, or a burn's fuel is not in the trial file.
    """
    folder = Path(folder)
    _check(folder, planned, seed, faults, interval_s)
    folder.parent.mkdir(parents=True, exist_ok=True)
    with locked_folder(folder.parent, ".simulating-") as work:
        (work / "logs").mkdir(parents=True)
        (work / TRIAL).write_text(trial, encoding="utf-8", newline="\n")
        (work / "SIMULATED.txt").write_text(NOTE + ".\n", encoding="utf-8", newline="\n")
        tested, rng = trial_alone(work / TRIAL)[0], np.random.default_rng([seed, 51])
        unknown = Faults()
        for fuel in sorted(set(planned["fuel"].astype(str)) - {each.id for each in tested.fuels}):
            unknown.refuse("order of burns", f"fuel '{fuel}'", "a fuel of trial.toml", "Mend one of the two.")
        unknown.settle()
        burns = _burn(tested, planned, recipes or {}, faults, seed, rng)
        declared = {probe.id: correction_of(probe) for probe in tested.probes}
        probes = declared or dict.fromkeys(PROBES, Correction())
        main_first = dict(sorted(probes.items(), key=lambda item: item[0] != tested.probe))
        logs = _logged(burns, main_first, faults, seed, interval_s)
        sheet = _sheet(burns, faults, rng).assign(**_declared(tested, planned, seed))
        sheet["log"] = _write_logs(work / "logs", logs, sheet, comma_days)
        names = dict.fromkeys([*(column.name for column in BURNS), *sheet])
        _save(work / "burns.csv", sheet.reindex(columns=list(names)))
        _save(work / "events.csv", _events(burns))
        _save(work / "scores.csv", _scores(burns, tasters, seed))
        work.rename(folder)
    return folder


def _check(
    folder: Path, planned: pd.DataFrame, seed: int, mishaps: Sequence[Fault], interval_s: float
) -> None:
    """Refuse what cannot be simulated, all of it at once."""
    faults, where = Faults(), "order of burns"
    if folder.exists():
        faults.refuse(str(folder), "a folder already there", "a new one", "Name another folder.")
    schedule.refuse_no_count(faults, "simulation, seed", seed, least=0)
    if not (is_number(interval_s) and interval_s > 0):
        faults.refuse("simulation, interval_s", f"'{interval_s}'", "seconds above zero", "Mend it.")
    if not len(planned):
        faults.refuse(where, "no burns", "a row a burn", "Draw the order with run_order.")
    for name in (name for name in NEEDED if name not in planned):
        faults.refuse(where, f"no column {name}", ", ".join(NEEDED), "Add it.")
    faults.settle()
    for burn_id, times in Counter(planned["burn"]).items():
        if times > 1:
            faults.refuse(where, f"burn '{burn_id}' {times} times", "each burn once", "Number them anew.")
    for day in planned["day"].unique():
        with faults.gathering():
            schedule.as_date(day, f"{where}, day")
    for mishap in mishaps:
        if mishap.kind not in get_args(FaultKind):
            expected = ", ".join(get_args(FaultKind))
            faults.refuse("simulation, faults", f"'{mishap.kind}'", expected, "Name one of them.")
        if mishap.burn not in set(planned["burn"]):
            found = f"burn '{mishap.burn}'"
            faults.refuse("simulation, faults", found, "a burn of the order", "Mend one of the two.")
    faults.settle()


@dataclass(frozen=True)
class _Burns:
    """Simulated burns with what went on around them; a row a burn in each."""

    planned: pd.DataFrame
    burnt: burning.Burnt
    charges: burning.Charges
    recipes: Sequence[burning.Recipe]
    around: burning.Conditions
    stops: burning.Floats
    lit: Sequence[datetime]

    def clock(self, row: int, second: float) -> str:
        """Return a clock cell; with its date where it falls on another day than the row's; '' where it never did."""
        if second != second:
            return ""
        at, day = self.lit[row] + timedelta(seconds=float(second)), str(self.planned["day"].iloc[row])
        return at.strftime("%H:%M:%S" if at.date().isoformat() == day else "%Y-%m-%dT%H:%M:%S")


def _burn(
    trial: Trial,
    planned: pd.DataFrame,
    given: Mapping[str, burning.Recipe],
    faults: Sequence[Fault],
    seed: int,
    rng: np.random.Generator,
) -> _Burns:
    """Burn what is planned in its weather, as the trial file says; lids that a fault opens are opened."""
    sky, row_of = weather_of(planned["day"].tolist(), seed), planned["burn"].tolist().index
    for fault in faults:
        if fault.kind == "wind":
            sky.wind_m_s[row_of(fault.burn)] = fault.value
    recipes = dict(given)  # a fuel without one has its kind's, a little moved by its place
    for place, fuel in enumerate(trial.fuels):
        kind = burning.kind_named(fuel.kind)
        recipes.setdefault(fuel.id, replace(kind, flux=kind.flux * (0.94 + 0.04 * (place % 4))))
    of_burn = [recipes[fuel] for fuel in planned["fuel"]]
    bags = np.unique(planned["fuel"] + "/" + planned["bag"].astype(str), return_inverse=True)[1]
    charge = trial.charge
    if "charge_g" in planned and planned["charge_g"].notna().all():
        aim = planned["charge_g"].to_numpy(dtype=float)
    elif charge.by == "mass" or charge.litres is None:
        aim = np.full(len(planned), charge.grams or USUAL_G)
    else:  # a measured volume
        loose = np.array([recipe.density * recipe.bulk for recipe in of_burn])
        aim = charge.litres * loose * np.exp(0.03 * rng.standard_normal(len(planned)))
    strayed = 0.004 * aim * np.clip(rng.standard_normal(len(planned)), -2, 2)  # within one percent
    mass = np.round(aim + strayed)
    charges = burning.charges_of(of_burn, bags.tolist(), mass, sky.humidity_pct, seed)
    delay = np.round(rng.uniform(40, 90, len(planned)) / STEP_S) * STEP_S
    around = replace(sky, vents=_vents(planned, trial), lid_delay_s=delay)
    burnt = burning.burn(charges, around, burning.cooker_named(trial.cooker), HOURS, STEP_S, seed)
    lids = [fault for fault in faults if fault.kind == "lid open"]
    for fault in lids:
        row = row_of(fault.burn)
        around.open_from_s[row] = burnt.lid_on_s[row] + 60 * fault.after_min
        around.open_until_s[row] = around.open_from_s[row] + 60 * fault.minutes
    if lids:
        burnt = burning.burn(charges, around, burning.cooker_named(trial.cooker), HOURS, STEP_S, seed)
    stops = stop_times(burnt, around.ambient_c)
    cool_h = schedule.ASSUMED_COOL_H if trial.plan.cool_h is None else trial.plan.cool_h
    return _Burns(planned, burnt, charges, of_burn, around, stops, _lighting_times(planned, stops, cool_h))


def weather_of(days: Sequence[str], seed: int) -> burning.Conditions:
    """Draw weather for burns on these days: each day its own, the burns of a day somewhat alike."""
    rng = np.random.default_rng([seed, 41])
    dates = sorted(set(days))
    of_day = dict(zip(dates, rng.standard_normal((len(dates), 3)), strict=True))
    common = np.array([of_day[day] for day in days])
    own = rng.standard_normal((len(days), 3))
    ambient = 13.0 + 3.0 * common[:, 0] + 1.5 * own[:, 0]
    wind = 1.5 * np.exp(0.25 * common[:, 1] + 0.20 * own[:, 1])
    humidity = np.clip(62 + 10 * common[:, 2] + 4 * own[:, 2], 30, 98)
    means = {"ambient_c": ambient.round(1), "wind_m_s": wind.round(1), "humidity_pct": humidity.round()}
    return replace(burning.conditions(len(days)), **means)


def _vents(planned: pd.DataFrame, trial: Trial) -> burning.Floats:
    """Return how far the vents of each burn are open by its setting's words; full where they do not say."""
    opening = {"": 1.0}
    for setting in trial.settings:
        share = re.search(r"(\d+(?:\.\d+)?)\s*%", setting.vents)
        said = set(re.findall(r"[a-z]+", setting.vents.lower()))
        in_words = next((opened for word, opened in burning.KNOWN["vents"].items() if word in said), 1.0)
        opening[setting.id] = float(share[1]) / 100 if share else in_words
    settings = planned["setting"] if "setting" in planned else [""] * len(planned)
    return np.array([opening.get(setting, 1.0) for setting in settings])


def stop_times(burnt: burning.Burnt, ambient_c: burning.Floats) -> burning.Floats:
    """Return seconds from lighting to the stop: grate back near the air, or four hours after lid on."""
    after = burnt.time_s > burnt.time_s[burnt.grate_c.argmax(axis=1)][:, None]
    cold = (burnt.grate_c < (ambient_c + COLD_K)[:, None]) & after
    limit = np.minimum(burnt.lid_on_s + 4 * 3600, burnt.time_s[-1])
    first = np.where(cold.any(axis=1), burnt.time_s[cold.argmax(axis=1)], np.inf)
    return np.fmin(first, np.where(np.isnan(limit), 3600.0, limit))


def _lighting_times(planned: pd.DataFrame, stops: burning.Floats, cool_h: float) -> list[datetime]:
    """Light the first of a day at eight, each next one when the one before has stopped.

    In a cooker that burned that day already only once it has cooled for `cool_h` hours.
    """
    cookers = planned["cooker"] if "cooker" in planned else pd.Series("", index=planned.index)
    lit: list[datetime] = []
    for row, day in enumerate(planned["day"]):
        begin = datetime.combine(date.fromisoformat(day), FIRST_LIT)
        for n in (n for n in range(row) if planned["day"].iloc[n] == day):
            cooling = timedelta(hours=cool_h if cookers.iloc[n] == cookers.iloc[row] else 0)
            ready = lit[n] + timedelta(seconds=float(stops[n])) + cooling
            begin = max(begin, ready.replace(minute=ready.minute // 5 * 5, second=0) + timedelta(minutes=10))
        lit.append(begin)
    return lit


def _sheet(burns: _Burns, faults: Sequence[Fault], rng: np.random.Generator) -> pd.DataFrame:
    """Return the burn sheet as a careful tester would keep it: what was planned, the weather, clock times, weights.

    Weighed cold: the charge, its volume, coals left over, ash in the pan.
    """
    planned, burnt, charges, around = burns.planned, burns.burnt, burns.charges, burns.around
    rows = range(len(planned))
    scale, recovered = np.transpose([(rng.standard_normal(), rng.uniform(0.93, 0.99)) for _ in rows])
    mass = charges.mass_g.sum(axis=1)
    loose = charges.density * [recipe.bulk for recipe in burns.recipes] * np.exp(0.02 * scale)
    left = burnt.left_g[rows, np.searchsorted(burnt.time_s, burns.stops)]
    ash = burnt.ash_g * (1 - left / burnt.left_g[:, 0]) * recovered
    coals = left / (1 - charges.ash)
    numbers = {
        "charge_g": (mass, 0), "charge_l": (mass / loose, 2), "leftover_g": (coals, 0), "ash_g": (ash, 1),
        "ambient_c": (around.ambient_c, 1), "wind_m_s": (around.wind_m_s, 1), "humidity_pct": (around.humidity_pct, 0),
    }  # fmt: skip
    seconds = {"lit": 0 * mass, "tipped": burnt.tipped_s, "lid_on": burnt.lid_on_s, "stopped": burns.stops}
    remarks = [
        "; ".join(["simulated", *(REMARKS[f.kind] for f in faults if f.burn == each and f.kind in REMARKS)])
        for each in planned["burn"]
    ]
    return planned.map(_cell).assign(
        **{name: [f"{value:.{places}f}" for value in values] for name, (values, places) in numbers.items()},
        **{name: [burns.clock(row, at[row]) for row in rows] for name, at in seconds.items()},
        operator="simulator",
        notes=remarks,
    )


def _cell(value: object) -> str:
    return "" if pd.isna(value) else f"{value:g}" if isinstance(value, float) else str(value)


def _declared(trial: Trial, planned: pd.DataFrame, seed: int) -> dict[str, list[str]]:
    """Return the tester's own declared columns with invented numbers, which differ by fuel, bag and burn."""
    known, rng = {column.name for column in BURNS} | set(planned), np.random.default_rng([seed, 91])
    invented = {}
    for declared in (each for each in trial.declared if each.column not in known):
        effect = 0.1 * rng.standard_normal(len(planned))
        for sd, labels in ((0.15, planned["fuel"]), (0.08, planned["fuel"] + "/" + planned["bag"])):
            codes, names = pd.factorize(labels)
            effect += sd * rng.standard_normal(len(names))[codes]
        places = 0 if declared.scale == "count" else 2
        invented[declared.column] = [f"{value:.{places}f}" for value in 5 * np.exp(effect)]
    return invented


def _events(burns: _Burns) -> pd.DataFrame:
    """Return events.csv: the lids that were opened, in the order of the burns."""
    ends = burns.around.open_from_s, burns.around.open_until_s
    rows = np.flatnonzero(np.isfinite(ends[0])).tolist()
    at, until = ([burns.clock(row, end[row]) for row in rows] for end in ends)
    named = {"burn": burns.planned["burn"].iloc[rows], "at": at, "until": until}
    return pd.DataFrame(named).assign(event="lid open", probes="", notes="simulated")


def _scores(burns: _Burns, tasters: Sequence[str], seed: int) -> pd.DataFrame:
    """Score smoke and smell from 0 to 10: both grow with volatile matter and moisture, tasters differ."""
    rng, scored = np.random.default_rng([seed, 61]), []
    habit = rng.normal(0, 0.6, (len(tasters), 2))
    strength = 25 * burns.charges.volatile + 20 * (burns.charges.moisture - 0.03)
    for number, burn_id in enumerate(burns.planned["burn"]):
        code = f"S{(number + 1) * 7 % 97:02d}"
        for taster, order in enumerate(rng.permutation(len(tasters))):
            for own, attribute, share in zip(habit[taster], ("smoke", "smell"), (1.0, 0.7), strict=True):
                score = f"{np.clip(strength[number] * share + own + rng.normal(0, 0.7), 0, 10):.0f}"
                scored.append((burn_id, tasters[taster], code, attribute, score, order + 1, "simulated"))
    return pd.DataFrame(scored, columns=[column.name for column in SCORES])


def _logged(
    burns: _Burns, probes: Mapping[str, Correction], faults: Sequence[Fault], seed: int, interval_s: float
) -> list[pd.DataFrame]:
    """Return a log of each burn: noise, of which the turbulence of hot gas is part, and what its faults spoil."""
    logs = []
    for row, burn_id in enumerate(burns.planned["burn"]):
        rng = np.random.default_rng([seed * 1000 + row, 31])
        at = np.arange(0.0, burns.stops[row] + 240 + 1, interval_s)
        grate, lid = burns.burnt.grate_c[row], burns.burnt.lid_c[row]
        # at the grate, at the lid, then in between; each as far off as its ice and boiling-water readings say
        shares = [0.0, 1.0, *(0.5 + 0.1 * n for n in range(len(probes)))]
        true = (grate + share * (lid - grate) for share in shares)
        read = (c.offset + each / c.gain for c, each in zip(probes.values(), true, strict=False))
        temps = np.column_stack([np.interp(at, burns.burnt.time_s, each) for each in read])
        swirl = 0.004 * (temps - temps[:1]) * rng.standard_normal(temps.shape)
        temps = np.round(temps + swirl + 0.1 * rng.standard_normal(temps.shape), 1)
        for fault in (fault for fault in faults if fault.burn == burn_id):
            probe = list(probes).index(fault.probe) if fault.probe in probes else 0
            begin = burns.burnt.lid_on_s[row] + 60 * fault.after_min
            first, last = np.searchsorted(at, [begin, begin + 60 * fault.minutes])
            if fault.kind == "battery":
                temps, at = temps[:first], at[:first]
            elif fault.kind == "spike":
                temps[first, probe] += fault.value
            elif fault.kind == "stuck":
                temps[first:last, probe] = temps[first, probe]
        stamps = pd.Timestamp(burns.lit[row]) + pd.to_timedelta(at, unit="s")
        logs.append(pd.DataFrame(temps, stamps, list(probes)))
    return logs


def _write_logs(
    folder: Path, logs: Sequence[pd.DataFrame], sheet: pd.DataFrame, comma_days: Sequence[str]
) -> list[str]:
    """Write a file a burn, of a day of the other logger one for the day; return the name of each burn's."""
    named: list[str] = []
    parts: dict[str, list[pd.DataFrame]] = {}
    loggers = [burning.KNOWN["logger"]["spare" if day in comma_days else "bench"] for day in sheet["day"]]
    for row, log, logger in zip(sheet.to_dict("records"), logs, loggers, strict=True):
        named.append(logger["name"].format(**row))
        parts.setdefault(named[-1], []).append(log)
    for name, logger in dict(zip(named, loggers, strict=True)).items():
        (folder / name).write_bytes(_log_text(pd.concat(parts[name]), **logger["file"]))
    return named


def _log_text(log: pd.DataFrame, encoding: str, above: str, time: str, probe: str, **written: str) -> bytes:
    """Return a logger's file: what stands above, headings, readings; the rest as for `DataFrame.to_csv`."""
    headings = written["sep"].join([time, *(probe.format(probe=name) for name in log)])
    rows = log.to_csv(header=False, float_format="%.1f", **written)
    return written["lineterminator"].join([above.format(note=NOTE), headings, rows]).encode(encoding)


def _save(path: Path, table: pd.DataFrame) -> None:
    """Write a table, none where it has no rows."""
    if len(table):
        table.to_csv(path, index=False, lineterminator="\n")


def rehearse(run_folder: str | Path, seed: int = 1) -> Path:
    """Simulate a whole trial of a run folder's plan in FOLDER/rehearsal-SEED/ and return its path.

    The tester's own fuels, margins, settings, probes and order; the fuels' behaviour is that of their kinds,
    drawn from the seed. From eight burns on a spike, an opened lid, a stuck probe and a log cut short are in
    it, so that their treatment can be seen. Every file says that it is simulated.

    Raises
    ------
    KitError
        Where the folder has no trial file or a fault in it, that rehearsal is there already, or the seed is none.
    """
    faults = Faults()
    schedule.refuse_no_count(faults, "rehearsal, seed", seed, least=0)
    faults.settle()
    folder = Path(run_folder).absolute()
    target = folder / f"rehearsal-{seed}"
    if target.exists():
        raise KitError.refuse(str(target), *obstacle("rehearsed"))
    text = rehearsal_text(read_text(trial_path(folder), "trial.toml")[0], seed)
    plan = read_plan(folder)
    order = (plan or make_plan(folder).plan).table.copy()
    order["order"] = order["order"].fillna(pd.Series(range(1, len(order) + 1), index=order.index))
    order = order.sort_values("order", kind="stable", ignore_index=True)
    if (order["day"] == "").any():  # one a day from tomorrow on
        order["day"] = [(date.today() + timedelta(days=1 + n)).isoformat() for n in range(len(order))]
    kinds = burning.KNOWN["rehearsal_fault"] if len(order) >= FEWEST_FOR_FAULTS else []
    drawn = np.random.default_rng([seed, 81]).choice(len(order), len(kinds), replace=False)
    mishaps = [Fault(burn=str(order["burn"].iloc[n]), **kind) for n, kind in zip(drawn, kinds, strict=True)]
    with locked_folder(folder, ".rehearsal-") as work:
        work.rmdir()  # made anew there, as deep as it will stand: earlier folders are named relative to it
        simulate_trial(work, text, order, seed, faults=mishaps)
        write_simulated_plan(work, order, plan.written if plan else min(order["day"]))
        work.rename(target)
    return target


def rehearsal_text(text: str, seed: int) -> str:
    """Return the trial file of a rehearsal: the tester's own, titled as simulated, with the kit's logger."""
    import tomli_w

    table: dict[str, Any] = tomllib.loads(text)
    about = table.setdefault("trial", {})
    about["title"] = f"Simulated rehearsal: {about.get('title') or 'trial'}"
    about["interests"] = "None: every burn is simulated."
    named = list(dict.fromkeys((about.get("probe") or PROBES[0], *PROBES)))
    probes = [probe["id"] for probe in table.get("probe", [])] or named[: len(PROBES)]
    if not table.get("probe"):
        table["probe"] = [{"id": probe} for probe in probes]
        about["probe"] = probes[0]
    columns = {probe: f"{probe} (°C)" for probe in probes}
    table["logger"] = [{"id": "simulated", "columns": columns}]
    borrowed = table.get("model", {}).get("borrow_from")
    if borrowed:
        listed = [borrowed] if isinstance(borrowed, str) else borrowed
        names = [name for name in listed if name != ALL_ALIKE]  # beside a rehearsal stand none but rehearsals
        table["model"]["borrow_from"] = [name if Path(name).is_absolute() else f"../{name}" for name in names]
    return str(schedule.WORDS["rehearsal"]).format(seed=seed) + tomli_w.dumps(table)


def write_simulated_plan(folder: Path, order: pd.DataFrame, written: str) -> None:
    """Write plan.toml, sheets and key for burns that were simulated, so that they can be held against it."""
    trial = open_run(folder).trial
    spare = order.attrs.get("spare_days", [])
    plan = write_plan(folder, plan_of(trial, order, written, spare_days=spare, exclusions=RULES))
    place = folder / "plan" / "plan.toml"
    place.write_text(f"# {NOTE}.\n" + place.read_text(encoding="utf-8"), encoding="utf-8", newline="\n")
    sheets = schedule.Sheets(trial, plan, schedule.workday_of(trial), simulated=True)
    for name, page in schedule.plan_pages(sheets).items():
        (folder / name).write_text(page, encoding="utf-8", newline="\n")


DEMO_SEED = 1  # fixed before the first run; never chosen for its results
BAGS, BURNS_A_BAG = 3, 2
OVENS = ("drum oven 1", "drum oven 2")
TASTERS = ("P", "R", "T")
PLANNED_ON = "2026-02-27"
SPARE_LOGGER_DAYS = ("2026-03-12", "2026-03-13")

RECIPES: dict[str, burning.Recipe] = {
    fuel: replace(
        burning.KINDS[own["kind"]], **{name: value for name, value in own.items() if name != "kind"}
    )
    for fuel, own in burning.KNOWN["demo"].items()
}

FAULTS = tuple(Fault(**own) for own in burning.KNOWN["demo_fault"])

DEMO_TRIAL = data_text(__file__, "demo.toml")


def demo_order() -> pd.DataFrame:
    """Return the order of the demo's 36 burns: two a day on eighteen weekdays, one in each oven."""
    return schedule.run_order(
        list(RECIPES), BAGS, BURNS_A_BAG, len(OVENS), DEMO_SEED,
        first_day="2026-03-02", weekdays=range(5), cookers=OVENS,
    )  # fmt: skip


def make_demo(folder: str | Path) -> Path:
    """Write the demo run folder, the same bytes each time.

    Raises
    ------
    KitError
        Where the folder exists.
    """
    order = demo_order()
    target = simulate_trial(
        folder, DEMO_TRIAL, order, DEMO_SEED, RECIPES, FAULTS, comma_days=SPARE_LOGGER_DAYS, tasters=TASTERS
    )
    write_simulated_plan(target, order, PLANNED_ON)
    return target


if __name__ == "__main__":
    make_demo(sys.argv[1])
