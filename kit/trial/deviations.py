"""Where what was done differs from the plan as written: shown in the report, never blocked."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

import pandas as pd

from kit.metrics.measuring import Measuring
from kit.schema import DEVIATIONS
from kit.trial.cleaning import Cleaning
from kit.trial.clocks import relative_times
from kit.trial.key_types import QuantityError, parse_difference, parse_percent
from kit.trial.logs import has_times
from kit.trial.plan_file import NAME, Plan, settings_of
from kit.trial.run import Run
from kit.trial.trial import Trial

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
    rows: list[_Row] = []
    if plan is not None:
        rows += _of_the_plan(plan)
        rows += _of_settings(plan, run.trial)
        rows += _of_burns(plan, run)
    table = pd.DataFrame(rows, columns=[column.name for column in DEVIATIONS])
    return table.astype("str")


def _of_the_plan(plan: Plan) -> Iterable[_Row]:
    if plan.is_changed:
        planned = f"sha256 {plan.sha256[:12]}" if plan.sha256 else "a recorded hash"
        yield _Row("plan changed after it was written", NAME, planned, f"sha256 {plan.hash_now[:12]}")
    if plan.replaces:
        done = f"sha256 {plan.hash_now[:12]}, written {plan.written}"
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


def _of_settings(plan: Plan, trial: Trial) -> Iterable[_Row]:
    then, now = plan.model_dump(mode="json"), settings_of(trial)
    for key, words in _WORDS.items():
        if (then[key] or "") != (now[key] or ""):
            yield _Row(words, key, _shown(then[key]), _shown(now[key]))
    yield from _of_lists(then, now)
    limits = (("cleaning", "cleaning limit", Cleaning()), ("measuring", "measuring", Measuring()))
    for table, words, usual in limits:
        default = usual.model_dump(mode="json", exclude_none=True)
        yield from _of_table(words, default | then[table], default | now[table])
    yield from _of_margins(then["margins"], now["margins"])


def _of_margins(then: Mapping[str, str], now: Mapping[str, str]) -> Iterable[_Row]:
    for row in _of_table("margin", then, now):
        if _size(row.planned) != _size(row.done):  # 15 °C and 27 °F are one margin
            yield row


def _size(written: str) -> object:
    for read in (parse_percent, parse_difference):
        try:
            return read.__name__, read(written)
        except QuantityError:
            continue
    return written


def _of_lists(then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterable[_Row]:
    for key, words in (
        ("thresholds", "threshold"),
        ("primary", "primary metric"),
        ("covariates", "covariate"),
    ):
        for each in [value for value in then[key] if value not in now[key]]:
            yield _Row(words, _shown(each), "planned", "dropped")
        for each in [value for value in now[key] if value not in then[key]]:
            yield _Row(words, _shown(each), "not planned", "added")


def _of_table(words: str, then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterable[_Row]:
    for key in dict.fromkeys((*then, *now)):
        if then.get(key) != now.get(key):
            planned, done = _shown(then.get(key)), _shown(now.get(key))
            yield _Row(words, key, planned, done)


def _shown(value: object) -> str:
    if value is None or value == "":
        return "none"
    if isinstance(value, list | tuple):
        return ", ".join(map(_shown, value)) or "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _of_burns(plan: Plan, run: Run) -> Iterable[_Row]:
    rows: dict[str, dict[str, Any]] = {str(row["burn"]): dict(row) for row in _records(run.burns)}
    done = {burn: row for burn, row in rows.items() if row["state"] == "done" or _was_burned(row)}
    yield from _of_numbers(plan, done)
    yield from _of_order(plan, done)
    yield from _of_days(plan, done)
    for planned in plan.burns:
        if planned.burn in done:
            yield from _of_one(planned.model_dump(), done[planned.burn], plan)
    for burn, row in rows.items():
        if row["state"] == "excluded":
            yield _Row("burn left out", burn, "counted", str(row["excluded"]))


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(key): value for key, value in row.items()} for row in table.to_dict("records")]


def _was_burned(row: Mapping[str, Any]) -> bool:
    return row["state"] == "excluded" and (bool(row["log"]) or has_times(row))


def _of_numbers(plan: Plan, done: Mapping[str, object]) -> Iterable[_Row]:
    planned = [burn.burn for burn in _in_order(plan)]
    last = max((place for place, burn in enumerate(planned) if burn in done), default=-1)
    for burn in planned[:last]:
        if burn not in done:
            yield _Row("burn missing", burn, "a burn", "none")
    count = sum(burn in done for burn in planned)
    if planned and last < len(planned) - 1 and count not in plan.stages:
        yield _Row("stopped early", "all burns", f"{len(planned)} burns", f"{count} burns")
    for burn in done:
        if burn not in planned:
            yield _Row("burn beyond the plan", burn, "none", "a burn")


def _in_order(plan: Plan) -> list[Any]:
    numbered = list(enumerate(plan.burns))
    return [
        b for _, b in sorted(numbered, key=lambda each: (each[1].order is None, each[1].order or 0, each[0]))
    ]


def _of_order(plan: Plan, done: Mapping[str, Mapping[str, Any]]) -> Iterable[_Row]:
    """Yield the fewest burns that would have to be moved to turn the order done into the order planned."""
    planned = [burn.burn for burn in _in_order(plan) if burn.burn in done]
    keys = {burn: _when(done[burn]) for burn in planned}
    if any(key is None for key in keys.values()):
        keys = {burn: _numbered(done[burn]) for burn in planned}
    if any(key is None for key in keys.values()):
        return
    actual = sorted(planned, key=lambda burn: keys[burn] or ())
    in_place = _longest_rising([planned.index(burn) for burn in actual])
    for place, burn in enumerate(actual):
        if planned.index(burn) not in in_place:
            yield _Row("order", burn, f"place {planned.index(burn) + 1}", f"place {place + 1}")


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
    rank = tails[-1] if tails else None  # type: ignore[assignment]
    while rank is not None:
        chain.add(rank)
        rank = before[rank]  # type: ignore[assignment]
    return chain


def _of_days(plan: Plan, done: Mapping[str, Mapping[str, Any]]) -> Iterable[_Row]:
    moved: dict[tuple[str, str], list[str]] = {}
    for burn in plan.burns:
        day = str(done[burn.burn]["day"]) if burn.burn in done else ""
        if day and burn.day and day != burn.day:
            moved.setdefault((burn.day, day), []).append(burn.burn)
    for (planned, day), burns in moved.items():
        yield _Row("day", ", ".join(burns), planned, day)


def _of_one(planned: Mapping[str, Any], row: Mapping[str, Any], plan: Plan) -> Iterable[_Row]:
    for key in ("fuel", "bag", "setting", "cooker"):
        if planned[key] and row[key] != planned[key]:
            yield _Row(key, str(planned["burn"]), str(planned[key]), str(row[key]) or "blank")
    target, charge = planned["charge_g"], row["charge_g"]
    if target is None or charge != charge:
        return
    allowed = target * OWN_TOLERANCE if plan.tolerance_g is None else plan.tolerance_g
    if abs(charge - target) > allowed + 1e-9:
        yield _Row("charge", str(planned["burn"]), f"{target:g} ± {allowed:g} g", f"{charge:g} g")
