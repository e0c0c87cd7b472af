"""Units that cannot be right: a log that begins at the air's temperature only if its numbers are in another unit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from kit.errors import Faults
from kit.readings.celsius import UNITS, to_celsius
from kit.readings.recorded import Recorded
from kit.readings.traces import Trace
from kit.trial import Run
from kit.trial.logs import LOGS

_FAR_K, _NEAR_K = 15.0, 4.0
_FIRST = 3


def check_units(
    run: Run,
    recorded: Mapping[str, Recorded],
    traces: Sequence[Trace],
    air: Mapping[str, float],
    faults: Faults,
) -> None:
    """Ask about a probe whose burns begin far from the air, and at the air if its unit were another.

    Asked only of units that the file states: a declared one is taken as it is. Kelvin read as °C is asked of
    one burn, °F of two, since one warm cooker may begin anywhere.
    """
    for (name, probe), firsts in _first_readings(traces, air).items():
        each = recorded[name]
        logger = run.trial.logger_of(name)
        unit = each.log.dialect.units.get(each.probes.get(probe, ""), "")
        if unit not in UNITS.values() or (logger is not None and logger.unit):
            continue
        celsius, around = np.array(firsts).T
        if (np.abs(celsius - around) <= _FAR_K).any():
            continue
        written = _as_written(celsius, unit)
        for other, least in (("K", 1), ("degF", 2), ("degC", 2)):
            if other == unit or len(celsius) < least:
                continue
            if (np.abs(to_celsius(written, other) - around) <= _NEAR_K).all():
                _ask(name, each.probes[probe], unit, other, written[0], around[0], faults)


def _first_readings(
    traces: Sequence[Trace], air: Mapping[str, float]
) -> dict[tuple[str, str], list[tuple[float, float]]]:
    found: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for trace in traces:
        first = trace.celsius[np.isfinite(trace.celsius)][:_FIRST]
        if len(first) and np.isfinite(air[trace.burn]):
            pair = float(np.median(first)), air[trace.burn]
            found.setdefault((trace.files[0], trace.probe), []).append(pair)
    return found


def _as_written(
    celsius: np.ndarray[tuple[int], np.dtype[np.float64]], unit: str
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return celsius * 1.8 + 32 if unit == "degF" else celsius + 273.15 if unit == "K" else celsius


def _ask(name: str, heading: str, unit: str, other: str, written: float, air: float, faults: Faults) -> None:
    here, there = (float(to_celsius(np.array([written]), each)[0]) for each in (unit, other))
    faults.ask(
        f"{LOGS}/{name}, column {heading}",
        f"a log that begins at {written:g}: as {unit}, which the file says, that is {here:.1f} °C, as {other} "
        f"{there:.1f} °C, and the burn sheet has air of {air:g} °C",
        "the unit of that column",
        f'Add unit = "{other}" or unit = "{unit}" to the [[logger]] table, or mend ambient_c.',
    )
