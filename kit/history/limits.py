"""Limits of a control chart set for the chart as a whole, by drawing charts in which nothing changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
FALSE_ALARMS: Final = 0.05
SHARES: Final = {"drift": 0.3, "step": 0.5, "season": 0.1, "day": 0.1}
"""How the chart's false alarms are divided among its rules, before what two rules see together is counted once."""
DRAWS, CHUNK, SEED = 20_000, 2_000, 1


@dataclass(frozen=True)
class Limits:
    """Limit of each rule in standard errors of its own statistic, and how often it alone errs."""

    limits: Mapping[str, float]
    rates: Mapping[str, float]


def steps(m: Array, phi: Array) -> tuple[Array, Array]:
    """Return for each place between seasons how far the means after lie above those before, and its variance.

    Parameters
    ----------
    m
        (…, S): means of the seasons, one row a drawing.
    phi
        (S,): their variances.
    """
    w = 1 / phi
    before, total = np.cumsum(w)[:-1], w.sum()
    sums = np.cumsum(w * m, axis=-1)
    first = sums[..., :-1] / before
    after = (sums[..., -1:] - sums[..., :-1]) / (total - before)
    return after - first, 1 / before + 1 / (total - before)


def line(m: Array, phi: Array, times: Array) -> tuple[Array, float]:
    """Return the slope of the weighted straight line through the seasons, and its variance."""
    w = 1 / phi
    centred = times - np.average(times, weights=w)
    information = float(w @ centred**2)
    return (m @ (w * centred)) / information, 1 / information


def from_centre(m: Array, phi: Array) -> tuple[Array, Array]:
    """Return each season's distance from the weighted mean of all, itself among them, and its variance."""
    w = 1 / phi
    centre = (m @ w) / w.sum()
    return m - np.expand_dims(centre, -1), np.maximum(phi - 1 / w.sum(), 0.0)


def limits_of(phi: Array, times: Array, days: int, df: float) -> Limits:
    """Return the limits with which five of a hundred charts without any change show a signal.

    Days are taken as independent of one another and of the seasons' rules, which errs on the safe side.

    Parameters
    ----------
    phi
        (S,): variances of the control fuel's season means.
    times
        (S,): years since the first season.
    days
        Days on which the control fuel was burned.
    df
        Degrees of freedom of the variances.
    """
    from scipy.special import stdtrit

    drawn = _drawn(phi, times, df)
    share = SHARES["day"] if drawn else 1.0
    day = 1 - (1 - FALSE_ALARMS * share) ** (1 / max(days, 1))
    limits = {"day": float(stdtrit(min(df, 1e9), 1 - day / 2))}
    rates = {"day": FALSE_ALARMS * share}
    if drawn:
        rest = 1 - (1 - FALSE_ALARMS) / (1 - rates["day"])
        alone = {rule: _tail(each) / SHARES[rule] for rule, each in drawn.items()}
        scale = float(np.quantile(np.min(list(alone.values()), axis=0), rest))
        for rule, each in drawn.items():
            rates[rule] = min(1.0, scale * SHARES[rule])
            limits[rule] = float(np.quantile(each, 1 - rates[rule]))
    return Limits(limits, rates)


def _tail(statistic: Array) -> Array:
    """Return for each drawing the share of drawings with as large a statistic."""
    order = np.argsort(-statistic, kind="stable")
    ranks = np.empty(len(statistic))
    ranks[order] = np.arange(1, len(statistic) + 1)
    return ranks / len(statistic)


def _drawn(phi: Array, times: Array, df: float) -> dict[str, Array]:
    """Draw seasons in which nothing changed; return the statistic of each rule that so many seasons allow."""
    if len(phi) < 2:
        return {}
    rng = np.random.default_rng(SEED)
    parts = [_statistics(rng.normal(size=(CHUNK, len(phi))) * np.sqrt(phi), phi, times)
             for _ in range(DRAWS // CHUNK)]  # fmt: skip
    scale = np.sqrt(rng.chisquare(df, DRAWS) / df) if np.isfinite(df) else np.ones(DRAWS)
    return {rule: np.concatenate([part[rule] for part in parts]) / scale for rule in parts[0]}


def _statistics(m: Array, phi: Array, times: Array) -> dict[str, Array]:
    size, variance = steps(m, phi)
    away, own = from_centre(m, phi)
    found = {
        "step": np.abs(size / np.sqrt(variance)).max(axis=-1),
        "season": np.abs(away / np.sqrt(own)).max(axis=-1),
    }
    if can_drift(times):
        slope, of_slope = line(m, phi, times)
        found["drift"] = np.abs(slope) / np.sqrt(of_slope)
    return found


def can_drift(times: Array) -> bool:
    """Return whether there are seasons enough for a straight line: three, at different times."""
    return len(times) > 2 and float(np.ptp(times)) > 0
