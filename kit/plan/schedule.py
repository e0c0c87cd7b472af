"""In what order to burn, and when: day blocks drawn from a recorded seed, the calendar, and burn sheets to print."""

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import cache, cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.data_file import data_file, data_text
from kit.errors import Faults, KitError
from kit.page.document import POLICY, cautions_html, cautions_short, escaping_template
from kit.page.text import Html
from kit.schema import BURNS
from kit.trial import Plan, Trial
from kit.trial.cells import is_number

Numbers = npt.NDArray[np.int_]
WORDS = data_file(__file__, "words.toml")

ORDER_COLUMNS = ("burn", "fuel", "bag", "day", "order")
ROUNDS = 60  # sweeps of the search for even blocks; it settles long before
SWAPS = 4000  # tried in a sweep
TWICE_IN_A_BLOCK, FUELS_BEFORE_BAGS = 1e3, 10  # weights of unevenness
MORE_FOR_CONTROL = 4 / 3
"""Of the days without, what a control fuel on every day may take where no days are set."""

ASSUMED_BURN_H, ASSUMED_COOL_H = 5.0, 3.0
EARLIEST_H, LATEST_H = 8.0, 18.0
STAGGER_H = 0.5
"""Cookers side by side are lit at least this far apart, so that one person can light both."""
BETWEEN_H = 0.25
DAY_NAMES = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
ALL_WEEK = tuple(range(7))
SHEETS, KEY = "plan/sheets.html", "plan/key.html"
LETTERS = "ACEFHJKLMNPRTUVWXY"  # none that is taken for a digit or another letter
DIGITS = "34679"
CALENDAR: dict[str, str] = WORDS["calendar"]
"""Columns of the calendar, and their headings."""

TIMETABLE_COLUMNS = ("day", "weekday", "what", "burn", "cooker", "light", "after", "next", "weigh")


def run_order(
    fuels: Sequence[str],
    bags: int,
    burns: int,
    per_day: int,
    seed: int,
    control: str | None = None,
    first_day: str | date = "2026-03-02",
    weekdays: Sequence[int] = ALL_WEEK,
    spare_every: int = 0,
    cookers: Sequence[str] = (),
) -> pd.DataFrame:
    """Draw the order of burns: each day a block, each fuel at most once a block where it fits.

    Where a day is one burn, so many days as there are fuels hold each fuel once: what changes with the season falls
    on all of them alike.

    Parameters
    ----------
    fuels
        Ids; the control fuel among them.
    bags, burns
        Bags a fuel and burns a bag.
    per_day
        Burns a day.
    seed
        Of the draw; the same seed gives the same order.
    control
        A fuel that burns on every day, with further burns from its bags where its share does not reach.
    first_day, weekdays
        Where the calendar begins, and which weekdays (0 Monday) are burned on.
    spare_every
        Keep a spare day after so many days, for weather; 0 for none.
    cookers
        Cookers of one make, a block each; the burns of a day take them in turn, and each fuel and bag meets
        them as evenly as goes.

    Returns
    -------
    DataFrame
        burn, fuel, bag ('FUEL-1'), day (yyyy-mm-dd), order (place in the whole order), and cooker where there
        are several; spare days stand in the frame's attrs['spare_days'], the seed in attrs['seed'].

    Raises
    ------
    KitError
        Where a number, a day or a name is none; where the blocks cannot link all fuels, so that some could never be
        compared.

    Examples
    --------
    >>> order = run_order(["lump", "pressed"], bags=2, burns=1, per_day=2, seed=1)
    >>> order[["burn", "fuel", "bag", "day"]].values.tolist()[:2]
    [['01', 'pressed', 'pressed-1', '2026-03-02'], ['02', 'lump', 'lump-2', '2026-03-02']]
    """
    counts = {"bags": bags, "burns": burns, "per_day": per_day, "seed": seed, "spare_every": spare_every}
    faults, known, burned_on = Faults(), set(fuels), set() < set(weekdays) <= set(ALL_WEEK)
    for name, value in counts.items():
        refuse_no_count(faults, f"run order, {name}", value, least=int(name not in ("seed", "spare_every")))
    given = [
        ("run order, fuels", ", ".join(map(str, fuels)) or "none", 0 < len(fuels) == len(known)),
        ("run order, control", f"'{control}'", control is None or control in known),
        ("run order, weekdays", ", ".join(map(str, weekdays)) or "none", burned_on),
        ("run order, cookers", ", ".join(map(str, cookers)), len(set(cookers)) == len(cookers)),
    ]
    refuse_misfits(faults, given)
    faults.settle()
    begin = as_date(first_day, "run order, first_day")
    rng = np.random.default_rng([seed, 21])
    place = None if control is None else list(fuels).index(control)
    blocks = _blocks(len(fuels), bags * burns, per_day, place, rng)
    if per_day > 1 and not connected(blocks):
        remedy = "Burn at least two fuels a day, or more burns a fuel: else fuel and day cannot be separated."
        found = f"{per_day} burns a day for {len(fuels)} fuels"
        raise KitError.refuse("run order", found, "days that link every fuel with every other", remedy)
    spares = (len(blocks) - 1) // spare_every if spare_every else 0
    dates = (begin + timedelta(days=n) for n in itertools.count())
    burned = (each.isoformat() for each in dates if each.weekday() in weekdays)
    calendar = list(itertools.islice(burned, len(blocks) + spares))
    spare = calendar[spare_every :: spare_every + 1] if spares else []
    days = [each for each in calendar if each not in spare]
    rows = [(days[d], fuels[f]) for d, block in enumerate(blocks) for f in block]
    table = pd.DataFrame(rows, columns=["day", "fuel"])
    # bags in rounds, each round in a new order, so that a bag's burns lie days apart
    rounds = -(-len(table) // bags)
    turns = {fuel: iter([b for _ in range(rounds) for b in rng.permutation(bags)]) for fuel in fuels}
    table["bag"] = [f"{fuel}-{next(turns[fuel]) + 1}" for fuel in table["fuel"]]
    if len(cookers) > 1:
        table = _into_cookers(table, cookers, rng)
    table["order"] = range(1, len(table) + 1)
    width = max(2, len(str(len(table))))
    table["burn"] = [f"{n:0{width}d}" for n in table["order"]]
    table.attrs.update(seed=seed, spare_days=spare)
    return table[[*ORDER_COLUMNS, *(["cooker"] if len(cookers) > 1 else [])]]


def connected(blocks: Sequence[Sequence[int]]) -> bool:
    """Return whether every fuel is linked to every other through shared blocks."""
    groups: list[set[int]] = []
    for block in map(set, blocks):
        touching = [group for group in groups if group & block]
        groups = [*(group for group in groups if not group & block), block.union(*touching)]
    return len(groups) == 1


def refuse_misfits(faults: Faults, given: Iterable[tuple[str, object, bool]]) -> None:
    """Note a fault, as words.toml has it, of each of these arguments that does not fit: where, what was found, fits."""
    for where, found, fits in given:
        if not fits:
            faults.refuse(where, str(found), *WORDS["refused"][where])


def refuse_no_count(faults: Faults, where: str, value: object, least: int) -> None:
    """Note a fault where a value is no whole number, or lies below the least."""
    if isinstance(value, bool) or not isinstance(value, int | np.integer) or value < least:
        too_small = is_number(value) and value < least
        expected = f"at least {least}" if too_small else "a whole number"
        faults.refuse(where, str(value), expected, "Raise it." if too_small else "Round it.")


def as_date(day: object, where: str) -> date:
    """Return a day that was given as a date or as its text, yyyy-mm-dd.

    Raises
    ------
    KitError
        Where it is none.
    """
    if isinstance(day, date):
        return day.date() if isinstance(day, datetime) else day
    try:
        return date.fromisoformat(str(day))
    except ValueError:
        raise KitError.refuse(where, f"'{day}'", "a day, as 2026-03-02", "Mend it.") from None


def days_of(fuels: int, each: int, per_day: int, with_control: bool = False) -> int:
    """Return the days that so many burns of each fuel take, or of each but the control fuel, which burns on all."""
    others, room, least = (fuels - 1, max(per_day - 1, 1), each) if with_control else (fuels, per_day, 1)
    return max(-(-others * each // room), least)


def daily_control(
    fuels: Sequence[str], each: int, per_day: int, control: str | None, days: int | None
) -> str | None:
    """Return the control fuel where it burns on every day: `days` reach for it, or it takes a third more at most."""
    needed = days_with_control(fuels, each, per_day, control)
    most = MORE_FOR_CONTROL * days_of(len(fuels), each, per_day) if days is None else days
    return control if needed and needed <= most else None


def days_with_control(fuels: Sequence[str], each: int, per_day: int, control: str | None) -> int | None:
    """Return the days with the control fuel on each, None where it is no question: one burn a day, or all fuels."""
    is_open = control in fuels and 1 < per_day < len(fuels)
    return days_of(len(fuels), each, per_day, with_control=True) if is_open else None


def _blocks(
    fuels: int, each: int, per_day: int, control: int | None, rng: np.random.Generator
) -> list[list[int]]:
    """Deal burns into day blocks, even out who meets whom, and shuffle within and between days.

    Of one burn a day there is nothing to even out: all the fuels burn, in a new order, before one burns again.
    """
    if per_day == 1 and control is None:
        return [[int(f)] for _ in range(each) for f in rng.permutation(fuels)]
    pack = np.repeat([f for f in range(fuels) if f != control], each)
    count = days_of(fuels, each, per_day, control is not None)
    sizes = np.full(count, len(pack) // count)
    sizes[: len(pack) % count] += 1
    block_of = np.repeat(np.arange(count), sizes)
    dealt = _even(rng.permutation(pack), block_of, fuels, rng)
    daily = [] if control is None else [control]
    blocks = [[*dealt[block_of == b], *daily] for b in range(count)]
    return [list(map(int, rng.permutation(blocks[b]))) for b in rng.permutation(count)]


def _even(dealt: Numbers, block_of: Numbers, fuels: int, rng: np.random.Generator) -> Numbers:
    """Swap burns between blocks while that evens out how often each pair of fuels meets."""
    score = _unevenness(dealt, block_of, fuels)
    pairs = list(itertools.combinations(range(len(dealt)), 2))
    for _ in range(ROUNDS):
        before = score
        for i, j in rng.permutation(pairs)[:SWAPS]:
            if block_of[i] == block_of[j] or dealt[i] == dealt[j]:
                continue
            swapped = dealt.copy()
            swapped[[i, j]] = dealt[[j, i]]
            if (trial := _unevenness(swapped, block_of, fuels)) <= score:
                dealt, score = swapped, trial
        if score == before:
            break
    return dealt


def _unevenness(dealt: Numbers, block_of: Numbers, fuels: int) -> float:
    """Sum of squared meetings of pairs; a fuel meeting itself weighs most."""
    counts = np.zeros((block_of[-1] + 1, fuels))
    np.add.at(counts, (block_of, dealt), 1)
    meetings = counts.T @ counts
    np.fill_diagonal(meetings, 0.0)
    return float((meetings**2).sum() + TWICE_IN_A_BLOCK * (counts * (counts - 1)).sum())


def _into_cookers(table: pd.DataFrame, cookers: Sequence[str], rng: np.random.Generator) -> pd.DataFrame:
    """Turn the burns of each day so that fuels, and then bags, meet the cookers as evenly as goes.

    A day's burns take the cookers in turn; which burn comes first is what is searched, day by day, until no
    day's turning makes the counts more even.
    """
    days = [part.index.to_numpy() for _, part in table.groupby("day", sort=True)]
    place = np.concatenate([np.arange(len(day)) % len(cookers) for day in days])
    weights = ((pd.factorize(table["fuel"])[0], FUELS_BEFORE_BAGS), (pd.factorize(table["bag"])[0], 1))
    order = np.concatenate(days)

    def unevenness(at: Numbers) -> float:
        total = 0.0
        for codes, weight in weights:
            count = np.zeros((codes.max() + 1, len(cookers)))
            np.add.at(count, (codes[at], place), 1)
            total += weight * float((count**2).sum())
        return total

    best, starts = unevenness(order), np.cumsum([0, *map(len, days)])
    for sweep in range(ROUNDS):
        before = best
        for d in rng.permutation(len(days)):
            turned = order.copy()
            turned[starts[d] : starts[d + 1]] = rng.permutation(order[starts[d] : starts[d + 1]])
            if (score := unevenness(turned)) <= best:
                order, best = turned, score
        if best == before and sweep > ROUNDS // 2:
            break
    table = table.loc[order].reset_index(drop=True)
    table["cooker"] = [cookers[p] for p in place]
    return table


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
    def room_h(self) -> float:
        """Hours from the lighting of the last cooker, where all are lit together, to the end of the day."""
        return self.latest_h - self.earliest_h - STAGGER_H * (len(self.cookers) - 1) + 1e-9

    @property
    def in_one_cooker(self) -> int:
        """Burns a day in one cooker."""
        if self.weighed:
            return 1
        return max(1, int((self.room_h + self.cool_h) // (self.burn_h + self.cool_h)))

    @property
    def per_day(self) -> int:
        """Burns a day in all cookers together."""
        return self.in_one_cooker * len(self.cookers)

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
    source = "assumed: time one burn from lit to stopped and write it as burn_h in [plan]"
    if earlier_burn_h:
        source = f"as nine in ten burns of {earlier} lasted at most"
    count = plan.cookers or max(len(trial.cookers), 1)
    names = [*trial.cookers, *(f"cooker {n + 1}" for n in range(len(trial.cookers), count))]
    earliest = _hour(plan.earliest, EARLIEST_H)
    return Workday(
        burn_h=plan.burn_h or earlier_burn_h or ASSUMED_BURN_H,
        cool_h=ASSUMED_COOL_H if plan.cool_h is None else plan.cool_h,
        earliest_h=earliest,
        latest_h=_hour(plan.latest, earliest + plan.hours if plan.hours else max(LATEST_H, earliest)),
        weekdays=tuple(DAY_NAMES.index(day[:3]) for day in plan.weekdays) or ALL_WEEK,
        cookers=tuple(names[:count]) if count > 1 else ("",),
        weighed=plan.weigh_ash,
        source="burn_h of [plan]" if plan.burn_h else source,
    )


def _hour(at: time | None, otherwise: float) -> float:
    return otherwise if at is None else at.hour + at.minute / 60


def timetable(burns: pd.DataFrame, spare: Sequence[str], workday: Workday) -> pd.DataFrame:
    """Return the calendar: every burn, the spare days, and the mornings on which ash is weighed.

    Parameters
    ----------
    burns
        burn, day, order and, where there are several, cooker, and lit of those that were made: in their order.
    spare
        Days kept for weather.
    workday
        What a day holds.

    Returns
    -------
    DataFrame
        day, weekday, what ('burn', 'spare day', 'weigh only'), burn, cooker, light (clock time), after (the burn before
        in that cooker on that day), next (when the cooker may be lit again at the earliest, if it was checked and is
        cold and emptied), weigh (ids of the burns whose ash and leftovers are weighed that morning if cold, before
        anything is lit).
    """
    rows: list[tuple[str, ...]] = []
    waiting, blank, count = "", ("",) * 5, len(workday.cookers)
    for day in sorted({*burns["day"], *spare} - {""}):
        today, weekday = burns[burns["day"] == day], date.fromisoformat(day).strftime("%A")
        names, blanks = today["burn"].tolist(), today["burn"].str[:0]
        cookers, lit = today.get("cooker", blanks).tolist(), today.get("lit", blanks).tolist()
        if not names:
            rows.append((day, weekday, "spare day", *blank, waiting))
        for place, burn in enumerate(names):
            begun = lit[place][-8:-3]  # of a burn that was made it is known
            light = (
                pd.to_timedelta(f"{begun}:00") / pd.Timedelta(hours=1) if begun else workday.lighting(place)
            )
            after = names[place - count] if place >= count else ""
            over = _clock(light + workday.burn_h + workday.cool_h)
            following = over if place + count < len(names) else "another day"
            weigh = "" if place else waiting
            rows.append(
                (day, weekday, "burn", burn, cookers[place], begun or _clock(light), after, following, weigh)
            )
        waiting = ", ".join(names) if workday.weighed else ""
    if waiting:
        morning = date.fromisoformat(rows[-1][0]) + timedelta(days=1)
        rows.append((morning.isoformat(), morning.strftime("%A"), "weigh only", *blank, waiting))
    return pd.DataFrame(rows, columns=list(TIMETABLE_COLUMNS))


def _clock(hour: float) -> str:
    """Return an hour as a clock time, to the next five minutes: never earlier than the hour itself."""
    minutes = math.ceil(round(hour * 12, 6)) * 5
    return f"{minutes // 60 % 24:02d}:{minutes % 60:02d}"


@dataclass(frozen=True, eq=False)
class Sheets:
    """What burn sheets are printed from.

    Attributes
    ----------
    trial, plan
        The trial file and the plan as written.
    workday
        What a day at the cooker holds.
    simulated
        Whether every sheet says that nothing is burned by it.
    """

    trial: Trial
    plan: Plan
    workday: Workday
    simulated: bool = False

    @cached_property
    def calendar(self) -> pd.DataFrame:
        """The days of the planned burns."""
        return timetable(self.plan.table, self.plan.spare_days, self.workday)

    @property
    def own_boxes(self) -> list[str]:
        """Columns of the trial's own that have a box on every sheet."""
        known = {column.name for column in BURNS}
        return [name for name in dict.fromkeys(self.trial.own_columns) if name not in known]

    @cached_property
    def codes(self) -> dict[str, str]:
        """The code of each burn's charge."""
        return codes(self.plan.table["burn"].tolist(), self.plan.seed or 1)

    @property
    def calendar_rows(self) -> list[tuple[str, ...]]:
        """Day, burn with its code, and the columns of CALENDAR."""
        rows = []
        for row in self.calendar.to_dict("records"):
            cooker = f", {row['cooker']}" if row["cooker"] else ""
            what = f"{row['burn']}: {self.codes[row['burn']]}{cooker}" if row["burn"] else row["what"]
            rows.append((f"{row['weekday'][:3]} {row['day']}", what, *(row[name] for name in CALENDAR)))
        return rows

    @property
    def key_rows(self) -> list[tuple[str, ...]]:
        """Code, burn, fuel, bag and day of each charge."""
        labels = {fuel.id: fuel.label for fuel in self.trial.fuels}
        burns = self.plan.table[["burn", "fuel", "bag", "day"]].to_numpy()
        return [(self.codes[burn], burn, labels.get(fuel, fuel), *where) for burn, fuel, *where in burns]

    @property
    def burns(self) -> list[dict[str, Any]]:
        """Of each burn what was planned of it, its code, the weekday, when it is lit and when the next may be."""
        times = self.calendar[["burn", "weekday", "light", "after", "next"]]
        table = self.plan.table.merge(times, how="left", on="burn").assign(code=self.codes.values())
        return [
            {name: "" if cell != cell else cell for name, cell in row.items()}
            for row in table.to_dict("records")
        ]


def plan_pages(sheets: Sheets) -> dict[str, str]:
    """Return the text of the burn sheets and of the key, by their place in the run folder."""
    made = _template()
    pages = {SHEETS: made.sheets_page(sheets), KEY: made.key_page(sheets)}
    return {name: f"<!doctype html>\n{page}\n" for name, page in pages.items()}


@cache
def _template() -> Any:
    """Return the macros of sheets.html."""
    return escaping_template(
        "".join(line.strip() for line in data_text(__file__, "sheets.html").splitlines()),
        policy=POLICY,
        style=Html(data_text(__file__, "sheets.css")),
        words=WORDS,
        calendar_headings=list(CALENDAR.values()),
        cautions_short=cautions_short,
        cautions_html=cautions_html,
    ).module


def codes(burns: Sequence[str], seed: int) -> dict[str, str]:
    """Return a code for each burn: a letter and two digits that tell nothing of fuel or order."""
    known = [f"{letter}{a}{b}" for letter in LETTERS for a in DIGITS for b in DIGITS]
    drawn = np.random.default_rng([seed, 71]).permutation(len(known))
    return {
        burn: known[drawn[n % len(known)]] + ("" if n < len(known) else str(n // len(known)))
        for n, burn in enumerate(burns)
    }
