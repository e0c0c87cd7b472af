"""Where what was done differs from the plan as written: shown in the report, never blocked."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from contextlib import suppress
from datetime import datetime
from typing import Any, NamedTuple

import pandas as pd

from kit.schema import DEVIATIONS
from kit.trial.clocks import relative_times
from kit.trial.messages import MESSAGES
from kit.trial.models import Trial
from kit.trial.plan_file import NAME, Plan, PlannedBurn, settings_of
from kit.trial.quantities import QuantityError, parse_difference, parse_percent
from kit.trial.run import Run
from kit.trial.run_sheets import has_times

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


_USUAL = settings_of(Trial())


def _of_settings(plan: Plan, trial: Trial) -> Iterator[_Row]:
    then, now = plan.model_dump(mode="json"), settings_of(trial)
    for key, words in MESSAGES["setting"].items():
        was, holds = then[key], now[key]
        if isinstance(was, list):
            yield from (_Row(words, _shown(each), "planned", "dropped") for each in was if each not in holds)
            yield from (
                _Row(words, _shown(each), "not planned", "added") for each in holds if each not in was
            )
        elif isinstance(was, dict):  # what an older plan does not name had its default
            was, holds = _USUAL[key] | was, _USUAL[key] | holds
            for part in (part for part in was | holds if _size(was.get(part)) != _size(holds.get(part))):
                yield _Row(words, part, _shown(was.get(part)), _shown(holds.get(part)))
        elif (was or "") != (holds or ""):
            yield _Row(words, key, _shown(was), _shown(holds))


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
    began: dict[str, Any] = {burn: _began(done[burn]) for burn in planned}
    moments = began if all(began.values()) else {burn: done[burn]["order"] for burn in planned}
    if any(moment != moment for moment in moments.values()):  # neither a time nor a number of every burn
        return
    actual = sorted(planned, key=moments.__getitem__)
    ranks = {burn: place for place, burn in enumerate(planned)}
    in_place = _longest_rising([ranks[burn] for burn in actual])
    for place, burn in enumerate(actual):
        if ranks[burn] not in in_place:
            yield _Row("order", burn, f"place {ranks[burn] + 1}", f"place {place + 1}")


def _began(row: Mapping[str, Any]) -> datetime | None:
    """Return the first time of a burn, None where its day or all its times are blank."""
    times = relative_times(row)
    return min((at for column in times.seconds if (at := times.at(column))), default=None)


def _longest_rising(ranks: list[int]) -> set[int]:
    """Return the members of a longest rising subsequence of distinct numbers."""
    longest: dict[int, set[int]] = {}  # by its last member
    for rank in ranks:
        before = (chain for last, chain in longest.items() if last < rank)
        longest[rank] = {*max(before, key=len, default=()), rank}
    return max(longest.values(), key=len, default=set())


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
