"""Where what was done differs from the plan as written: shown in the report, never blocked."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Collection, Iterator, Mapping
from contextlib import suppress
from typing import Any, NamedTuple

import pandas as pd

from kit.metrics.measuring import Measuring
from kit.schema import DEVIATIONS
from kit.trial.cleaning import Cleaning
from kit.trial.clocks import relative_times
from kit.trial.key_types import QuantityError, parse_difference, parse_percent
from kit.trial.plan_file import NAME, Plan, PlannedBurn, settings_of
from kit.trial.run import Run
from kit.trial.run_sheets import has_times
from kit.trial.trial_file import Trial

OWN_TOLERANCE = 0.01
"""Share of the charge that it may differ by where no tolerance was planned (DEVELOPERS.md, practice: within 1 %)."""


class _Row(NamedTuple):
    what: str
    where: str
    planned: str
    done: str


def deviations(run: Run) -> pd.DataFrame:
    """Return every difference between the plan as written and what was done.

    Returns
    -------
    DataFrame
        Columns of schema.DEVIATIONS (what, where, planned, done); without rows where no plan was written.
    """
    plan = run.plan
    rows = (
        [] if plan is None else [*_of_the_plan(plan), *_of_settings(plan, run.trial), *_of_burns(plan, run)]
    )
    return pd.DataFrame(rows, columns=[column.name for column in DEVIATIONS]).astype("str")


def _of_the_plan(plan: Plan) -> Iterator[_Row]:
    now = f"sha256 {plan.hash_now[:12]}"
    if plan.is_changed:
        planned = f"sha256 {plan.sha256[:12]}" if plan.sha256 else "a recorded hash"
        yield _Row("plan changed after it was written", NAME, planned, now)
    if plan.replaces:
        done = f"{now}, written {plan.written}"
        yield _Row("plan written anew", NAME, f"sha256 {plan.replaces[:12]}", done)


_WORDS = {
    "charge_by": "basis of the charge",
    "tolerance_g": "tolerance of the charge, g",
    "time_zero": "time zero",
    "stop_rule": "stop rule",
    "control_fuel": "control fuel",
    "spread": "spread",
    "confidence": "confidence",
}


_LISTS = {"thresholds": "threshold", "primary": "primary metric", "covariates": "covariate"}
_LIMITS = {"cleaning": ("cleaning limit", Cleaning()), "measuring": ("measuring", Measuring())}


def _of_settings(plan: Plan, trial: Trial) -> Iterator[_Row]:
    then, now = plan.model_dump(mode="json"), settings_of(trial)
    for key, words in _WORDS.items():
        if (then[key] or "") != (now[key] or ""):
            yield _Row(words, key, _shown(then[key]), _shown(now[key]))
    for key, words in _LISTS.items():
        yield from (
            _Row(words, _shown(each), "planned", "dropped") for each in then[key] if each not in now[key]
        )
        yield from (
            _Row(words, _shown(each), "not planned", "added") for each in now[key] if each not in then[key]
        )
    for table, (words, usual) in _LIMITS.items():
        default = usual.model_dump(mode="json", exclude_none=True)
        yield from _of_table(words, default | then[table], default | now[table])
    for row in _of_table("margin", then["margins"], now["margins"]):
        if _size(row.planned) != _size(row.done):  # 15 °C and 27 °F are one margin
            yield row


def _of_table(words: str, then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[_Row]:
    for key in {**then, **now}:
        if then.get(key) != now.get(key):
            yield _Row(words, key, _shown(then.get(key)), _shown(now.get(key)))


def _size(written: str) -> object:
    for read in (parse_percent, parse_difference):
        with suppress(QuantityError):
            return read, read(written)
    return written


def _shown(value: object) -> str:
    if isinstance(value, list):
        return ", ".join(map(_shown, value)) or "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else "none" if value in (None, "") else str(value)


def _of_burns(plan: Plan, run: Run) -> Iterator[_Row]:
    rows: dict[str, dict[str, Any]] = {str(row["burn"]): row for row in run.burns.to_dict("records")}
    done = {
        burn: row
        for burn, row in rows.items()
        if row["state"] == "done" or (row["state"] == "excluded" and (row["log"] or has_times(row)))
    }
    in_order = sorted(plan.burns, key=lambda burn: (burn.order is None, burn.order or 0))
    planned = [burn.burn for burn in in_order]
    yield from _of_numbers(planned, done, plan.stages)
    yield from _of_order([burn for burn in planned if burn in done], done)
    moved: dict[tuple[str, str], list[str]] = {}
    for burn in (burn for burn in plan.burns if burn.day and burn.burn in done):
        moved.setdefault((burn.day, str(done[burn.burn]["day"])), []).append(burn.burn)
    for (then, day), burns in moved.items():
        if day and day != then:
            yield _Row("day", ", ".join(burns), then, day)
    for burn in (burn for burn in plan.burns if burn.burn in done):
        yield from _of_one(burn, done[burn.burn], plan.tolerance_g)
    for name, row in rows.items():
        if row["state"] == "excluded":
            yield _Row("burn left out", name, "counted", str(row["excluded"]))


def _of_numbers(planned: list[str], done: Collection[str], stages: Collection[int]) -> Iterator[_Row]:
    last = max((place for place, burn in enumerate(planned) if burn in done), default=-1)
    for burn in planned[: max(last, 0)]:
        if burn not in done:
            yield _Row("burn missing", burn, "a burn", "none")
    count = sum(burn in done for burn in planned)
    if planned and last < len(planned) - 1 and count not in stages:
        yield _Row("stopped early", "all burns", f"{len(planned)} burns", f"{count} burns")
    for burn in done:
        if burn not in planned:
            yield _Row("burn beyond the plan", burn, "none", "a burn")


def _of_order(planned: list[str], done: Mapping[str, Mapping[str, Any]]) -> Iterator[_Row]:
    """Yield the fewest burns that would have to be moved to turn the order done into the order planned."""
    for moment in (_when, _numbered):
        moments = {burn: at for burn in planned if (at := moment(done[burn])) is not None}
        if len(moments) == len(planned):
            break
    else:
        return
    actual = sorted(planned, key=moments.__getitem__)
    ranks = {burn: place for place, burn in enumerate(planned)}
    in_place = _longest_rising([ranks[burn] for burn in actual])
    for place, burn in enumerate(actual):
        if ranks[burn] not in in_place:
            yield _Row("order", burn, f"place {ranks[burn] + 1}", f"place {place + 1}")


def _when(row: Mapping[str, Any]) -> tuple[float, ...] | None:
    times = relative_times(row)
    if times.day is None or not times.seconds:
        return None
    return (times.day.toordinal(), min(times.seconds.values()))


def _numbered(row: Mapping[str, Any]) -> tuple[float, ...] | None:
    return None if row["order"] != row["order"] else (float(row["order"]),)


def _longest_rising(ranks: list[int]) -> set[int]:
    """Return the members of a longest rising subsequence of distinct numbers (patience sorting)."""
    tails: list[int] = []
    before: dict[int, int | None] = {}
    for rank in ranks:
        place = bisect_left(tails, rank)
        before[rank] = tails[place - 1] if place else None
        tails[place : place + 1] = [rank]
    chain: set[int] = set()
    last = tails[-1] if tails else None
    while last is not None:
        chain.add(last)
        last = before[last]
    return chain


def _of_one(planned: PlannedBurn, row: Mapping[str, Any], tolerance_g: float | None) -> Iterator[_Row]:
    for key in ("fuel", "bag", "setting", "cooker"):
        then = getattr(planned, key)
        if then and row[key] != then:
            yield _Row(key, planned.burn, then, str(row[key]) or "blank")
    target, charge = planned.charge_g, row["charge_g"]
    if target is not None and charge == charge:
        allowed = target * OWN_TOLERANCE if tolerance_g is None else tolerance_g
        if abs(charge - target) > allowed + 1e-9:
            yield _Row("charge", planned.burn, f"{target:g} ± {allowed:g} g", f"{charge:g} g")
