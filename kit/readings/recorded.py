"""The log files of a run folder, each read once: their probes, and their clock as the burn sheet's."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from kit.errors import Faults, KitError
from kit.readings.celsius import Sentinels
from kit.readings.log import Log
from kit.readings.read import read_log
from kit.readings.roles import column_of
from kit.readings.sequence import to_utc
from kit.readings.stamps import SECOND
from kit.trial import Logger, Run, log_names
from kit.trial.logs import LOGS

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Recorded:
    """One log file, ready to be cut.

    Attributes
    ----------
    name
        As the burn sheet names it.
    log
        What was read.
    probes
        Heading of each probe.
    wall
        Clock time of each row on the burn sheet's clock, nanoseconds; None without a clock.
    """

    name: str
    log: Log
    probes: Mapping[str, str]
    wall: Ints | None


def files_of(run: Run) -> dict[str, list[str]]:
    """Return every log file that burns done or excluded name, and the burns that name it, in the sheet's order."""
    files: dict[str, list[str]] = {}
    for row in run.burns.to_dict("records"):
        if row["state"] != "planned":
            for name in log_names(str(row["log"] or "")):
                files.setdefault(name, []).append(str(row["burn"]))
    return files


def read_files(
    run: Run, faults: Faults, notes: list[str], tell: Callable[[int, int, str], None] | None = None
) -> dict[str, Recorded]:
    """Read every log file of a run once; all their faults are noted, a broken file is left out.

    A file that excluded burns alone name may hold nothing: that is noted and no fault.
    """
    recorded: dict[str, Recorded] = {}
    files = files_of(run)
    excluded = set(run.burns.loc[run.burns["state"] == "excluded", "burn"].astype(str))
    cleaning = run.trial.cleaning
    sentinels = Sentinels(tuple(cleaning.sentinels), cleaning.sentinel_jump_k)
    for place, name in enumerate(files):
        if tell:
            tell(place, len(files), name)
        logger = run.trial.logger_of(name)
        try:
            log = read_log(
                run.folder / LOGS / name,
                logger.declared() if logger else None,
                sentinels=sentinels,
                name=f"{LOGS}/{name}",
            )
        except KitError as error:
            if all(burn in excluded for burn in files[name]):
                notes.append(f"{LOGS}/{name}: nothing to be read, as the exclusion of its burn says")
            else:
                faults.take(error)
            continue
        known = len(faults)
        probes, wall = _probes(run, logger, log, name, faults), _wall(run, logger, log, name, faults)
        if len(faults) == known:
            recorded[name] = Recorded(name, log, probes, wall)
    return recorded


def _probes(run: Run, logger: Logger | None, log: Log, name: str, faults: Faults) -> dict[str, str]:
    """Return the heading of each probe: as declared, else by the probes' ids, else the headings themselves."""
    if logger is not None and logger.columns:
        found = {probe: _heading(heading, log) for probe, heading in logger.columns.items()}
        return {probe: heading for probe, heading in found.items() if heading}
    ids = [probe.id for probe in run.trial.probes]
    headings = log.probes
    by_id = {probe: headings[place] for probe in ids if (place := column_of(probe, headings)) is not None}
    if by_id or not ids:
        return by_id or {heading: heading for heading in headings}
    containing = {
        probe: fitting[0]
        for probe in ids
        if len(fitting := [h for h in headings if h.casefold().startswith(probe.casefold())]) == 1
    }
    if len(set(containing.values())) == len(containing) == len(ids):
        return containing
    if len(ids) == len(headings) == 1:
        return {ids[0]: headings[0]}
    shown = ", ".join(f"'{heading}'" for heading in headings)
    faults.ask(
        f"{LOGS}/{name}",
        f"temperatures {shown}, and no word which of them is probe {' and '.join(ids)}",
        "the column of each probe",
        f'Add a [[logger]] table with columns = {{ {ids[0]} = "{headings[0]}" }} and so on.',
    )
    return {}


def _heading(heading: str, log: Log) -> str:
    place = column_of(heading, log.probes)
    return log.probes[place] if place is not None else ""


def _wall(run: Run, logger: Logger | None, log: Log, name: str, faults: Faults) -> Ints | None:
    """Return the log's clock on the sheet's: stamps in UTC are brought to the trial's zone."""
    if not log.has_clock:
        return None
    clock = log.table["clock"].to_numpy("datetime64[ns]").astype(np.int64)
    zone = run.trial.timezone
    own = logger.timezone if logger else None
    if log.dialect.offset_min == 0 and (zone or own):
        return _to_local(clock, zone or str(own))
    if log.dialect.offset_min == 0 and _needs_clock(run, name):
        faults.ask(
            f"{LOGS}/{name}",
            "stamps in UTC, and clock times on the burn sheet",
            "the zone of the burn sheet's clock",
            'Add timezone = "Europe/Berlin" (or what it was, or "UTC") to the [trial] table.',
        )
    if own and zone and own != zone and log.dialect.offset_min is None and log.dialect.dated:
        return _to_local(to_utc(clock, own), zone)
    return np.asarray(clock, np.int64)


def _needs_clock(run: Run, name: str) -> bool:
    rows = run.burns[run.burns["log"].map(lambda cell: name in log_names(str(cell or ""))).astype(bool)]
    return bool((rows[["lit", "tipped", "lid_on", "stopped"]].fillna("") != "").any().any())


def _to_local(utc: Ints, zone: str) -> Ints:
    """Return local clock times of UTC nanoseconds, by quarter hours."""
    from datetime import UTC, datetime, timedelta
    from zoneinfo import ZoneInfo

    slots, inverse = np.unique(np.floor_divide(utc, 900 * SECOND), return_inverse=True)
    info = ZoneInfo(zone)
    starts = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=int(slot) * 900) for slot in slots)
    offsets = [int((moment.astimezone(info).utcoffset() or timedelta()).total_seconds()) for moment in starts]
    return np.asarray(utc + np.array(offsets, np.int64)[inverse] * SECOND)
