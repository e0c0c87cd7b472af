"""What a tester would have written and logged of simulated burns: sheet rows, events, scores, recordings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from kit.plan.burning import Burnt, Charges, Conditions, Floats
from kit.plan.handling import Weather, lighting_times, stop_times
from kit.plan.loggers import Fault, Recording, record
from kit.plan.recipes import Recipe
from kit.readings.calibration import Correction


@dataclass(frozen=True)
class Made:
    """Everything a simulated run folder is written from."""

    rows: list[dict[str, str]]
    events: list[dict[str, str]]
    recordings: list[Recording]
    charges: Charges


@dataclass(frozen=True)
class Afternoon:
    """Simulated burns with what went on around them; a row a burn in each."""

    planned: pd.DataFrame
    burnt: Burnt
    charges: Charges
    recipes: Sequence[Recipe]
    weather: Weather
    around: Conditions
    cool_h: float


def tell(
    done: Afternoon, faults: Sequence[Fault], probes: Mapping[str, Correction], interval_s: float, seed: int,
    rng: np.random.Generator,
) -> Made:  # fmt: skip
    """Return sheet rows, events and recordings of simulated burns, as a careful tester would keep them."""
    stops = stop_times(done.burnt, done.weather.ambient_c)
    lit = lighting_times(done.planned, stops, done.cool_h)
    made = Made([], [], [], done.charges)
    for row, plan in enumerate(done.planned.to_dict("records")):
        mine = [fault for fault in faults if fault.burn == plan["burn"]]
        made.recordings.append(
            record(
                plan["burn"], lit[row], done.burnt.time_s, _read_c(done.burnt, row, list(probes.values())),
                stops[row] + 240, done.burnt.lid_on_s[row], seed * 1000 + row, mine, interval_s, list(probes),
            )
        )  # fmt: skip
        said = {str(key): _cell(value) for key, value in plan.items() if pd.notna(value)}
        notes = "; ".join(["simulated", *(_said(fault) for fault in mine if _said(fault))])
        weighed = _weighed(done, row, stops[row], rng)
        about = {"operator": "simulator", "notes": notes}
        made.rows.append(
            {**said, **weighed, **_clocks(done, lit[row], stops[row], row), **_sky(done, row), **about}
        )
        made.events.extend(_event(done, lit[row], row) for fault in mine if fault.kind == "lid open")
    return made


def _read_c(burnt: Burnt, row: int, corrections: Sequence[Correction]) -> Floats:
    """Return what as many probes as there are read: at the grate, at the lid, then in between.

    Each is as far off as its ice and boiling-water readings say, so that its correction puts it right.
    """
    grate, lid = burnt.grate_c[row], burnt.lid_c[row]
    shares = [0.0, 1.0, *(0.5 + 0.1 * n for n in range(len(corrections)))]
    true = (grate + share * (lid - grate) for share in shares)
    return np.column_stack([c.offset + each / c.gain for c, each in zip(corrections, true, strict=False)])


def _cell(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _sky(done: Afternoon, row: int) -> dict[str, str]:
    return {
        "ambient_c": f"{done.weather.ambient_c[row]:.1f}",
        "wind_m_s": f"{done.weather.wind_m_s[row]:.1f}",
        "humidity_pct": f"{done.weather.humidity_pct[row]:.0f}",
    }


def _clocks(done: Afternoon, lit: datetime, stop_s: float, row: int) -> dict[str, str]:
    burnt, day = done.burnt, str(done.planned["day"].iloc[row])
    seconds = {"lit": 0.0, "tipped": burnt.tipped_s[row], "lid_on": burnt.lid_on_s[row], "stopped": stop_s}
    return {
        name: _clock(lit + timedelta(seconds=float(second)), day)
        for name, second in seconds.items()
        if not np.isnan(second)
    }


def _clock(at: datetime, day: str) -> str:
    """Return a clock cell; with its date where it falls on another day than the row's."""
    return at.strftime("%H:%M:%S" if at.date().isoformat() == day else "%Y-%m-%dT%H:%M:%S")


def _weighed(done: Afternoon, row: int, stop_s: float, rng: np.random.Generator) -> dict[str, str]:
    """Weigh what a careful tester weighs, cold: charge, its volume, coals left over, ash in the pan."""
    burnt, charges = done.burnt, done.charges
    mass = float(charges.mass_g[row].sum())
    loose = charges.density[row] * done.recipes[row].bulk * np.exp(0.02 * rng.standard_normal())
    left = float(burnt.left_g[row, int(np.searchsorted(burnt.time_s, stop_s))])
    coals = left / (1 - float(charges.ash[row]))
    ash = float(burnt.ash_g[row]) * (1 - left / float(burnt.left_g[row, 0])) * rng.uniform(0.93, 0.99)
    return {
        "charge_g": f"{mass:.0f}",
        "charge_l": f"{mass / loose:.2f}",
        "leftover_g": f"{coals:.0f}",
        "ash_g": f"{ash:.1f}",
    }


def _said(fault: Fault) -> str:
    return {
        "battery": "logger dark when I looked: battery",
        "wind": "wind rose after lighting, far above the rest of the day",
        "stuck": "lid display did not move for a while",
        "lid open": "lid lifted to look at the probe",
    }.get(fault.kind, "")


def _event(done: Afternoon, lit: datetime, row: int) -> dict[str, str]:
    burn_id, day = (str(done.planned[name].iloc[row]) for name in ("burn", "day"))
    at, until = (
        _clock(lit + timedelta(seconds=float(when[row])), day)
        for when in (done.around.open_from_s, done.around.open_until_s)
    )
    return {
        "burn": burn_id,
        "at": at,
        "until": until,
        "event": "lid open",
        "probes": "",
        "notes": "simulated",
    }


def scores(made: Made, tasters: Sequence[str], seed: int) -> list[dict[str, str]]:
    """Score smoke and smell from 0 to 10: both grow with volatile matter and moisture, tasters differ."""
    rng = np.random.default_rng([seed, 61])
    habit = rng.normal(0, 0.6, (len(tasters), 2))
    rows = []
    for number, row in enumerate(made.rows):
        strength = 25 * made.charges.volatile[number] + 20 * (made.charges.moisture[number] - 0.03)
        for taster, order in zip(range(len(tasters)), rng.permutation(len(tasters)), strict=True):
            for which, attribute in enumerate(("smoke", "smell")):
                raw = strength * (1.0, 0.7)[which] + habit[taster, which] + rng.normal(0, 0.7)
                rows.append(
                    {
                        "burn": row["burn"], "taster": tasters[taster],
                        "code": f"S{(number + 1) * 7 % 97:02d}",
                        "attribute": attribute, "score": f"{min(max(raw, 0.0), 10.0):.0f}",
                        "order": str(order + 1), "note": "simulated",
                    }
                )  # fmt: skip
    return rows
