"""When to burn: how many burns fit in a day, when each is lit, and when ash is cold enough to weigh."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import pandas as pd

BURN_H, COOLING_H, DAY_H = 2.5, 0.75, 9.0
FIRST_HOUR = 8.0
TIMETABLE_COLUMNS = ("day", "weekday", "what", "burn", "light", "cold", "weigh")


@dataclass(frozen=True)
class Hours:
    """Hours of one burn from lighting to the stop, of cooling before the next, and of a day at the cooker."""

    burn: float = BURN_H
    cooling: float = COOLING_H
    day: float = DAY_H

    @property
    def per_day(self) -> int:
        """Burns that fit in a day, one at the least; the last may cool after the day's end."""
        return max(1, int((self.day + self.cooling + 1e-9) // (self.burn + self.cooling)))


def timetable(burns: pd.DataFrame, spare: Sequence[str], hours: Hours) -> pd.DataFrame:
    """Return the calendar: every burn, the spare days, and the mornings on which ash is weighed.

    Parameters
    ----------
    burns
        burn, day, order: in their order.
    spare
        Days kept for weather.

    Returns
    -------
    DataFrame
        day, weekday, what ('burn', 'spare day', 'weigh only'), burn, light and cold (clock times), weigh (ids
        of the burns whose ash and leftovers are weighed that morning, before anything is lit).
    """
    rows: list[dict[str, str]] = []
    of_day = {day: part["burn"].tolist() for day, part in burns.groupby("day", sort=True)}
    days = sorted({*of_day, *spare} - {""})
    waiting: list[str] = []
    for day in days:
        weigh, waiting = ", ".join(waiting), list(of_day.get(day, []))
        if day not in of_day:
            rows.append(_row(day, "spare day", weigh=weigh))
        for place, burn in enumerate(of_day.get(day, [])):
            light = FIRST_HOUR + place * (hours.burn + hours.cooling)
            cold = light + hours.burn + hours.cooling
            rows.append(_row(day, "burn", burn, _clock(light), _clock(cold), "" if place else weigh))
    if waiting and days:
        morning = (date.fromisoformat(days[-1]) + timedelta(days=1)).isoformat()
        rows.append(_row(morning, "weigh only", weigh=", ".join(waiting)))
    return pd.DataFrame(rows, columns=list(TIMETABLE_COLUMNS))


def _row(
    day: str, what: str, burn: str = "", light: str = "", cold: str = "", weigh: str = ""
) -> dict[str, str]:
    weekday = date.fromisoformat(day).strftime("%A")
    return dict(zip(TIMETABLE_COLUMNS, (day, weekday, what, burn, light, cold, weigh), strict=True))


def _clock(hour: float) -> str:
    minutes = round(hour * 60 / 5) * 5
    return f"{minutes // 60 % 24:02d}:{minutes % 60:02d}"
