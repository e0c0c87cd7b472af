"""Whether two trials were measured alike: what must be so before their values or spreads are put together."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

HOW_WELL: Final = frozenset({"balance_division_g", "balance_linearity_g", "balance_repeatability_g"})
"""Keys of the way of measuring that say how well, not how."""

Record = Mapping[str, Any]
"""A trial as a report records it."""


def conditions(trial: Record, cooker: str = "", setting: str = "") -> dict[str, str]:
    """Return in words what must be alike, by name; '' where it is not stated.

    A probe without a place is known by its id.

    Parameters
    ----------
    trial
        As results.json has it under 'trial'.
    cooker, setting
        Where the burns in question were made, if at one of several.
    """
    charge: Record = trial.get("charge") or {}
    key, unit = {"mass": ("grams", "g"), "volume": ("litres", "L")}.get(str(charge.get("by")), ("", ""))
    settings = (each for each in trial.get("settings") or () if each.get("id") == setting)
    declared: Record = next(settings, {})
    vents = ", ".join(str(declared[name]) for name in ("vents", "target") if declared.get(name))
    windows: Record = trial.get("measuring") or {}
    probe = main_probe(trial)
    return {
        "charge": f"{charge[key]:g} {unit}" if charge.get(key) else str(charge.get("by") or ""),
        "time zero": str(trial.get("time_zero") or ""),
        "cooker": cooker or ", ".join(trial.get("cookers") or ()),
        "vents": vents or setting,
        "probe place": str(probe.get("place") or probe.get("id") or trial.get("probe") or ""),
        **{
            f"smoothing {name}": "" if value is None else str(value)
            for name, value in windows.items()
            if name not in HOW_WELL
        },
    }


def main_probe(trial: Record) -> Record:
    """Return the main probe as declared, empty where none is."""
    probes, main = trial.get("probes") or (), trial.get("probe")
    return next((each for each in probes if each.get("id") == main), probes[0] if probes else {})


def differences(then: Mapping[str, str], now: Mapping[str, str]) -> dict[str, tuple[str, str]]:
    """Return each of the `conditions` that are not alike, as it was then and as it is now."""
    both = {name: (then.get(name, ""), now.get(name, "")) for name in {**now, **then}}
    return {name: each for name, each in both.items() if each[0] != each[1]}
