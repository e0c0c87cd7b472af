"""How simulated burns are handled: weather, charge, vents, lid, stop rule and the day's timetable."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from typing import Any

import numpy as np
import pandas as pd

from kit.plan.burning import BOWL, CERAMIC, DRUM, Burnt, Conditions, Cooker, Floats
from kit.plan.loggers import Fault
from kit.plan.recipes import Recipe

STEP_S = 10.0
FIRST_LIT = time(8, 0)
VENTS: Mapping[str, float] = {"full": 1.0, "half": 0.5, "quarter": 0.25}
COOKERS: Mapping[str, Cooker] = {"ceramic": CERAMIC, "clay": CERAMIC, "bowl": BOWL, "drum": DRUM}


@dataclass(frozen=True)
class Weather:
    """Mean weather of each burn."""

    ambient_c: Floats
    wind_m_s: Floats
    humidity_pct: Floats


def weather_of(days: Sequence[str], seed: int) -> Weather:
    """Draw weather for burns on these days: each day its own, the burns of a day somewhat alike."""
    rng = np.random.default_rng([seed, 41])
    dates = sorted(set(days))
    of_day = dict(zip(dates, rng.standard_normal((len(dates), 3)), strict=True))
    common = np.array([of_day[day] for day in days])
    own = rng.standard_normal((len(days), 3))
    ambient = 13.0 + 3.0 * common[:, 0] + 1.5 * own[:, 0]
    wind = 1.5 * np.exp(0.25 * common[:, 1] + 0.20 * own[:, 1])
    humidity = np.clip(62 + 10 * common[:, 2] + 4 * own[:, 2], 30, 98)
    return Weather(np.round(ambient, 1), np.round(wind, 1), np.round(humidity))


def blown(weather: Weather, planned: pd.DataFrame, faults: Sequence[Fault]) -> Weather:
    """Return the weather with the wind of its faults."""
    wind = weather.wind_m_s.copy()
    for fault in faults:
        if fault.kind == "wind":
            wind[_row(planned, fault.burn)] = fault.value
    return replace(weather, wind_m_s=wind)


def _row(planned: pd.DataFrame, burn_id: str) -> int:
    return int(planned["burn"].tolist().index(burn_id))


def charge_g(
    planned: pd.DataFrame, table: Mapping[str, Any], recipes: Sequence[Recipe], rng: np.random.Generator
) -> Floats:
    """Return what the tester loads: within one percent of the declared mass, or a measured volume of it."""
    declared = table.get("charge", {})
    if "charge_g" in planned and planned["charge_g"].notna().all():
        aim = planned["charge_g"].to_numpy(dtype=float)
    elif declared.get("by", "mass") == "mass" or "litres" not in declared:
        aim = np.full(len(planned), float(declared.get("grams", 400.0)))
    else:
        loose = np.array([recipe.density * recipe.bulk for recipe in recipes])
        aim = float(declared["litres"]) * loose * np.exp(0.03 * rng.standard_normal(len(planned)))
    strayed = 0.004 * aim * np.clip(rng.standard_normal(len(planned)), -2, 2)
    loaded: Floats = np.round(aim + strayed)
    return loaded


def handling(
    planned: pd.DataFrame, table: Mapping[str, Any], weather: Weather, rng: np.random.Generator
) -> Conditions:
    """Return vents and lid delay of each burn in its weather; no lid is opened yet."""
    burns = len(planned)
    declared = {entry["id"]: str(entry.get("vents", "full")) for entry in table.get("setting", [])}
    settings = planned["setting"].tolist() if "setting" in planned else [""] * burns
    vents = np.array([_opening(declared.get(setting, "full")) for setting in settings])
    never = np.full(burns, np.inf)
    delay = np.round(rng.uniform(40, 90, burns) / STEP_S) * STEP_S
    return Conditions(weather.ambient_c, weather.wind_m_s, vents, delay, never, never.copy())


def _opening(words: str) -> float:
    """Return how far vents described in words are open; full where the words do not say."""
    share = re.search(r"(\d+(?:\.\d+)?)\s*%", words)
    if share:
        return float(share[1]) / 100
    said = set(re.findall(r"[a-z]+", words.lower()))
    return next((opening for word, opening in VENTS.items() if word in said), 1.0)


def open_lids(around: Conditions, burnt: Burnt, planned: pd.DataFrame, faults: Sequence[Fault]) -> Conditions:
    """Return the conditions with the lids that its faults open, counted from lid on."""
    lids = [fault for fault in faults if fault.kind == "lid open"]
    if not lids:
        return around
    begin, end = around.open_from_s.copy(), around.open_until_s.copy()
    for fault in lids:
        row = _row(planned, fault.burn)
        begin[row] = burnt.lid_on_s[row] + 60 * fault.after_min
        end[row] = begin[row] + 60 * fault.minutes
    return replace(around, open_from_s=begin, open_until_s=end)


def stop_times(burnt: Burnt, ambient_c: Floats, margin_c: float = 20.0) -> Floats:
    """Return seconds from lighting to the stop: grate back near the air, or four hours after lid on."""
    times = burnt.time_s[None, :]
    hottest = burnt.grate_c.argmax(axis=1)
    cold = (burnt.grate_c < (ambient_c + margin_c)[:, None]) & (times > burnt.time_s[hottest][:, None])
    limit = np.minimum(burnt.lid_on_s + 4 * 3600, burnt.time_s[-1])
    first = np.where(cold.any(axis=1), burnt.time_s[cold.argmax(axis=1)], np.inf)
    return np.fmin(first, np.where(np.isnan(limit), 3600.0, limit))


def lighting_times(planned: pd.DataFrame, stops: Floats, cool_h: float) -> list[datetime]:
    """Light the first of a day at eight, each next one when the one before has stopped.

    In a cooker that burned that day already only once it has cooled for `cool_h` hours.
    """
    cookers = planned["cooker"] if "cooker" in planned else pd.Series("", index=planned.index)
    lit: list[datetime] = []
    for row, day in enumerate(planned["day"]):
        begin = datetime.combine(date.fromisoformat(day), FIRST_LIT)
        same_day = [n for n in range(row) if planned["day"].iloc[n] == day]
        ends = {n: lit[n] + timedelta(seconds=float(stops[n])) for n in same_day}
        for n, end in ends.items():
            ready = end + (timedelta(hours=cool_h) if cookers.iloc[n] == cookers.iloc[row] else timedelta())
            begin = max(begin, ready.replace(minute=ready.minute // 5 * 5, second=0) + timedelta(minutes=10))
        lit.append(begin)
    return lit


def cooker_of(table: Mapping[str, Any]) -> Cooker:
    """Return the simulated cooker that the trial file's words name, else a steel drum oven."""
    named = table.get("trial", {}).get("cooker", "")
    words = (named if isinstance(named, str) else " ".join(named)).lower()
    return next((cooker for word, cooker in COOKERS.items() if word in words), DRUM)
