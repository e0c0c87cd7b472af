"""When to burn: how many burns a day holds, when each may be lit, and on which morning ash is weighed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import pandas as pd

from kit.trial import Trial

ASSUMED_BURN_H, ASSUMED_COOL_H = 5.0, 3.0
EARLIEST_H, LATEST_H = 8.0, 18.0
STAGGER_H = 0.5
"""Cookers side by side are lit at least this far apart, so that one person can light both."""
BETWEEN_H = 0.25
TIMETABLE_COLUMNS = ("day", "weekday", "what", "burn", "cooker", "light", "next", "weigh")
ALL_WEEK = tuple(range(7))


@dataclass(frozen=True)
class Workday:
    """What a day at the cooker holds.

    Attributes
    ----------
    burn_h, cool_h
        Hours from lighting to the stop, and from there until the cooker is likely to be cold.
    earliest_h, latest_h
        Hours of the clock before which nothing is lit and by which the last burn is to be stopped.
    weekdays
        Weekdays (0 Monday) that are burned on.
    cookers
        Cookers of one make; '' for the only one.
    weighed
        Whether ash and leftovers are weighed: a cooker then burns once a day and is emptied cold, next morning.
    source
        Where burn_h comes from, in words.
    """

    burn_h: float = ASSUMED_BURN_H
    cool_h: float = ASSUMED_COOL_H
    earliest_h: float = EARLIEST_H
    latest_h: float = LATEST_H
    weekdays: tuple[int, ...] = ALL_WEEK
    cookers: tuple[str, ...] = ("",)
    weighed: bool = True
    source: str = ""

    @property
    def in_one_cooker(self) -> int:
        """Burns a day in one cooker."""
        if self.weighed:
            return 1
        room = self.latest_h - self.earliest_h + self.cool_h
        return max(1, int((room + 1e-9) // (self.burn_h + self.cool_h)))

    @property
    def per_day(self) -> int:
        """Burns a day in all cookers together."""
        return self.in_one_cooker * len(self.cookers)

    @property
    def overruns(self) -> bool:
        """Whether not even one burn ends by the end of the day."""
        return self.burn_h > self.latest_h - self.earliest_h + 1e-9

    def lighting(self, place: int) -> float:
        """Return the hour at which the day's burn of that place is to be lit.

        Cookers follow one another where the day is long enough, so that nobody tends two fires at once;
        else they are lit half an hour apart.
        """
        turn, cooker = divmod(place, len(self.cookers))
        room = self.latest_h - self.earliest_h
        in_turn = len(self.cookers) * (self.burn_h + BETWEEN_H) - BETWEEN_H <= room + 1e-9
        apart = self.burn_h + BETWEEN_H if in_turn and self.in_one_cooker == 1 else STAGGER_H
        return self.earliest_h + turn * (self.burn_h + self.cool_h) + cooker * apart


def workday_of(trial: Trial, earlier_burn_h: float | None = None, earlier: str = "") -> Workday:
    """Return the day that the trial file's [plan] describes.

    Parameters
    ----------
    trial
        The trial.
    earlier_burn_h, earlier
        How long nine in ten burns of an earlier folder lasted, and its name.
    """
    plan = trial.plan
    burn_h = plan.burn_h or earlier_burn_h or ASSUMED_BURN_H
    source = "burn_h of [plan]" if plan.burn_h else f"as nine in ten burns of {earlier} lasted at most"
    if not plan.burn_h and not earlier_burn_h:
        source = "assumed: time one burn from lit to stopped and write it as burn_h in [plan]"
    earliest = _hour(plan.earliest, EARLIEST_H)
    latest = _hour(plan.latest, earliest + plan.hours if plan.hours else max(LATEST_H, earliest))
    return Workday(
        burn_h,
        ASSUMED_COOL_H if plan.cool_h is None else plan.cool_h,
        earliest,
        latest,
        tuple(DAY_NAMES.index(day[:3]) for day in plan.weekdays) or ALL_WEEK,
        _cookers(trial),
        plan.weigh_ash,
        source,
    )


DAY_NAMES = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def _hour(at: object, otherwise: float) -> float:
    return otherwise if at is None else at.hour + at.minute / 60  # type: ignore[attr-defined]


def _cookers(trial: Trial) -> tuple[str, ...]:
    """Return the cookers a day's burns are spread over: those named, or as many as [plan] says."""
    count = trial.plan.cookers or max(len(trial.cookers), 1)
    if count == 1:
        return ("",)
    names = [*trial.cookers, *(f"cooker {n + 1}" for n in range(len(trial.cookers), count))]
    return tuple(names[:count])


def timetable(burns: pd.DataFrame, spare: Sequence[str], workday: Workday) -> pd.DataFrame:
    """Return the calendar: every burn, the spare days, and the mornings on which ash is weighed.

    Parameters
    ----------
    burns
        burn, day, order and, where there are several, cooker: in their order.
    spare
        Days kept for weather.
    workday
        What a day holds.

    Returns
    -------
    DataFrame
        day, weekday, what ('burn', 'spare day', 'weigh only'), burn, cooker, light (clock time), next (when the
        cooker may be lit again at the earliest, if it was checked and is cold and emptied), weigh (ids of the
        burns whose ash and leftovers are weighed that morning if cold, before anything is lit).
    """
    rows: list[dict[str, str]] = []
    cookers = burns["cooker"] if "cooker" in burns else pd.Series("", index=burns.index)
    of_day = {
        day: list(zip(part["burn"], cookers[part.index], strict=True))
        for day, part in burns.groupby("day", sort=True)
    }
    days = sorted({*of_day, *spare} - {""})
    waiting: list[str] = []
    for day in days:
        weigh, waiting = ", ".join(waiting), [burn for burn, _ in of_day.get(day, []) if workday.weighed]
        if day not in of_day:
            rows.append(_row(day, "spare day", weigh=weigh))
        for place, (burn, cooker) in enumerate(of_day.get(day, [])):
            light = workday.lighting(place)
            again = _clock(light + workday.burn_h + workday.cool_h)
            following = "another day" if place + len(workday.cookers) >= len(of_day[day]) else again
            rows.append(
                _row(day, "burn", burn, str(cooker), _clock(light), following, "" if place else weigh)
            )
    if waiting and days:
        morning = (date.fromisoformat(days[-1]) + timedelta(days=1)).isoformat()
        rows.append(_row(morning, "weigh only", weigh=", ".join(waiting)))
    return pd.DataFrame(rows, columns=list(TIMETABLE_COLUMNS))


def _row(
    day: str,
    what: str,
    burn: str = "",
    cooker: str = "",
    light: str = "",
    following: str = "",
    weigh: str = "",
) -> dict[str, str]:
    weekday = date.fromisoformat(day).strftime("%A")
    cells = (day, weekday, what, burn, cooker, light, following, weigh)
    return dict(zip(TIMETABLE_COLUMNS, cells, strict=True))


def _clock(hour: float) -> str:
    minutes = round(hour * 60 / 5) * 5
    return f"{minutes // 60 % 24:02d}:{minutes % 60:02d}"
