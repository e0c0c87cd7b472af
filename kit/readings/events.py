"""Events of the burn sheet on the readings: the lid open, fuel added, and spans in which a jump is no fault."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from kit.errors import Faults
from kit.readings.recorded import Recorded
from kit.readings.stamps import SECOND
from kit.readings.windows import Window, elapsed_at
from kit.trial import Run, event_times, probe_names, relative_times
from kit.trial.cleaning import Cleaning

_HANDLING_S = 180.0


@dataclass(frozen=True)
class Happened:
    """An event of one burn.

    Attributes
    ----------
    event
        'lid open', 'top-up', …
    begin, end
        Seconds since time zero.
    probes
        The probes it touches, empty for all.
    """

    event: str
    begin: float
    end: float
    probes: tuple[str, ...]

    def touches(self, probe: str) -> bool:
        """Return whether it touches a probe."""
        return not self.probes or probe in self.probes


def happened(
    run: Run, row: Mapping[str, Any], window: Window | None, recorded: Recorded | None, faults: Faults
) -> list[Happened]:
    """Return the events of one burn on its own seconds."""
    burn = relative_times(row)
    zero_at = burn.seconds.get(run.trial.time_zero_column)
    zero_at = min(burn.seconds.values()) if zero_at is None and burn.seconds else zero_at
    found = []
    for event in run.events[run.events["burn"] == row["burn"]].to_dict("records"):
        times = event_times(event, burn)
        if "at" not in times.seconds:
            continue
        if zero_at is None:
            faults.ask(
                f"events.csv, burn {row['burn']}, {event['event']}",
                "a clock time, and a burn without one",
                "a clock time of time zero",
                f"Fill in {run.trial.time_zero_column} on the burn sheet.",
            )
            continue
        begin = _seconds(times.seconds["at"], zero_at, window, recorded)
        until = times.seconds.get("until")
        end = (
            begin + _lasting(str(event["event"]), run.trial.cleaning)
            if until is None
            else _seconds(until, zero_at, window, recorded)
        )
        found.append(
            Happened(
                str(event["event"]),
                begin,
                max(begin, end),
                tuple(probe_names(str(event.get("probes") or ""))),
            )
        )
    return found


def _lasting(event: str, cleaning: Cleaning) -> float:
    return cleaning.lid_open_s if event == "lid open" else 0.0


def _seconds(at: float, zero_at: float, window: Window | None, recorded: Recorded | None) -> float:
    """Return seconds since time zero of a clock time; by the log, where its clock was changed within the burn."""
    if window is None or window.day_ns is None or recorded is None or recorded.wall is None:
        return at - zero_at
    places = elapsed_at(recorded, window.day_ns + round(at * SECOND), window.group)
    return places[0] - window.zero


def handling(row: Mapping[str, Any], run: Run, events: list[Happened]) -> list[tuple[float, float]]:
    """Return the spans in which a probe may jump for a reason: tipping, lid on, and every event."""
    times = relative_times(row)
    zero = times.seconds.get(run.trial.time_zero_column)
    spans = [
        (event.begin - _HANDLING_S, event.end + _HANDLING_S) for event in events if event.event != "rain"
    ]
    if zero is not None:
        for column in ("lit", "tipped", "lid_on"):
            if column in times.seconds:
                at = times.seconds[column] - zero
                spans.append((at - _HANDLING_S, at + _HANDLING_S))
    return spans
