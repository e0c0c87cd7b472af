"""What was measured differently from season to season, and so what may be compared with what."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from kit.history.seasons import Season

DIRECTLY: Final = "comparable directly"
BY_CONTROL: Final = "only as a difference from the control fuel"
NOT: Final = "not comparable"

RULES: Final = frozenset({"balance_division_g", "balance_linearity_g", "balance_repeatability_g"})
"""Keys of the way of measuring that say how well, not how."""


def conditions(season: Season) -> dict[str, str]:
    """Return in words what must be alike before values of two seasons are put together, by name."""
    trial = season.trial
    charge = trial.get("charge") or {}
    return {
        "charge": _charge(charge),
        "time zero": str(trial.get("time_zero") or ""),
        "cooker": season.where[0] or ", ".join(trial.get("cookers") or ()),
        "vents": _vents(season),
        "probe place": main_probe(season).get("place") or "",
    }


def _charge(charge: Mapping[str, Any]) -> str:
    size = {"mass": ("grams", "g"), "volume": ("litres", "L")}.get(str(charge.get("by")))
    amount = charge.get(size[0]) if size else None
    return f"{amount:g} {size[1]}" if size and amount else str(charge.get("by") or "")


def _vents(season: Season) -> str:
    settings = season.trial.get("settings") or ()
    found: Mapping[str, Any] = next((each for each in settings if each.get("id") == season.where[1]), {})
    return ", ".join(str(found[key]) for key in ("vents", "target") if found.get(key)) or season.where[1]


def main_probe(season: Season) -> Mapping[str, Any]:
    """Return the main probe as declared, empty where none is."""
    probes = season.trial.get("probes") or ()
    main = season.trial.get("probe")
    return next((each for each in probes if each.get("id") == main), probes[0] if probes else {})


def differences(season: Season, reference: Season) -> list[str]:
    """Return in words every difference in the way of measuring that forbids pooling; none where alike."""
    theirs, ours = conditions(season), conditions(reference)
    told = [
        f"{name} ({theirs[name] or 'not stated'}, not {ours[name] or 'stated'})"
        for name in ours
        if theirs[name] != ours[name]
    ]
    then, now = (each.trial.get("measuring") or {} for each in (season, reference))
    for key in sorted({*then, *now} - RULES):
        if then.get(key) != now.get(key):
            told.append(f"smoothing ({key} {then.get(key)}, not {now.get(key)})")
    return told


def missing_metric(season: Season, metric: str, reference: Season) -> list[str]:
    """Return in words why a season does not know a metric; none where it does."""
    if season.knows(metric):
        currency = season.trial.get("currency"), reference.trial.get("currency")
        if metric.startswith("cost:") and currency[0] != currency[1]:
            return [f"currency ({currency[0] or 'not stated'}, not {currency[1] or 'stated'})"]
        return []
    if ":" in metric:
        return [f"threshold (it did not measure at {metric.partition(':')[2]})"]
    return ["it did not measure this"]


def other_probe(season: Season, reference: Season) -> bool:
    """Return whether another kind of probe sat in the same place: values shift, differences do not."""
    kept = ("id", "tolerance_class", "time_constant_s")
    return [main_probe(season).get(key) for key in kept] != [main_probe(reference).get(key) for key in kept]
