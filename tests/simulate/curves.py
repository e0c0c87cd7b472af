"""How often the bands of mean and difference curves hold the whole true curve: python -m tests.simulate.curves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kit.burns import Curves
from kit.judge.curves import difference_curves, drawn_curves, mean_curves
from tests.simulate.scenes import run, spread_over
from tests.simulate.trials import SECTION_3, Sizes, even

POINTS = 60
LOWEST, HIGHEST = 0.93, 0.97
"""Between which shares bands hold as whole curves, also where burns end at unequal times."""


@dataclass(frozen=True)
class Scene:
    """A design and a way in which burns wander.

    Attributes
    ----------
    name
        For the table.
    bags
        Burns of each bag, fuel by fuel.
    bag_sd, burn_sd
        Spread between bags and between burns of a bag, K.
    bag_length, burn_length
        Share of the burn over which each wanders.
    rough
        SD of what differs from one time to the next without memory, K.
    ends
        'together', 'apart' (each burn anywhere in the last 40 %) or 'bags' (the burns of a bag together).
    grows
        Whether the spread grows fourfold over the burn.
    days
        Days over which the burns are spread, in an order drawn once; 1 where days do not differ.
    day_sd
        Spread between days, K, wandering as slowly as bags do.
    jitter
        Of fires that rise fast, burn and cool: SD of the logarithm of time between bags, and as much between burns of
        a bag; heights differ by four fifths of it. 0 for curves about zero.
    later
        Minutes by which each fuel burns out after the one before.
    banded
        Whether coverage must lie in the band, or is reported only.
    """

    name: str
    bags: Sizes
    bag_sd: float = 5.0
    burn_sd: float = 5.0
    bag_length: float = 0.3
    burn_length: float = 0.1
    rough: float = 0.0
    ends: str = "together"
    grows: bool = False
    days: int = 1
    day_sd: float = 0.0
    jitter: float = 0.0
    later: float = 0.0
    banded: bool = True


SCENES = (
    Scene("2 fuels x 3 bags x 2", even(2, 3, 2)),
    Scene("2 x 3 x 2, bags alike", even(2, 3, 2), bag_sd=0.0),
    Scene("2 x 3 x 2, bags differ most", even(2, 3, 2), bag_sd=15.0),
    Scene("2 x 3 x 3, restless and rough", even(2, 3, 3), 2.5, 5.0, 0.2, 0.05, 1.0),
    Scene("4 x 3 x 3, spread grows", even(4, 3, 3), grows=True),
    Scene("6 x 3 x 2", even(6, 3, 2)),
    Scene("3 x 2 x 2", even(3, 2, 2)),
    Scene("2 x 6 x 1, no bags twice", even(2, 6, 1)),
    Scene("uneven bags", SECTION_3),
    Scene("uneven bags, bags alike", SECTION_3, bag_sd=0.0),
    Scene("2 x 3 x 2, ends apart", even(2, 3, 2), ends="apart"),
    Scene("4 x 3 x 3, ends apart", even(4, 3, 3), ends="apart"),
    Scene("6 x 3 x 2, ends apart, spread grows", even(6, 3, 2), ends="apart", grows=True),
    Scene("6 x 3 x 2, bags alike, ends apart", even(6, 3, 2), bag_sd=0.0, ends="apart"),
    Scene("4 x 3 x 2, bags end together", even(4, 3, 2), ends="bags"),
    Scene("uneven bags, ends apart", SECTION_3, ends="apart"),
    Scene("uneven bags, bags differ most, ends apart", SECTION_3, bag_sd=15.0, ends="apart"),
    Scene("6 x 3 x 2 on 12 days", even(6, 3, 2), days=12, day_sd=5.0),
    Scene("6 x 3 x 2 on 12 alike days", even(6, 3, 2), days=12),
    Scene(
        "4 x 3 x 3 on 9 days that differ most, ends apart", even(4, 3, 3), days=9, day_sd=15.0, ends="apart"
    ),
    Scene("2 x 3 x 3 on 6 days", even(2, 3, 3), days=6, day_sd=5.0),
    Scene("2 x 6 x 1 on 4 days", even(2, 6, 1), days=4, day_sd=5.0),
    Scene("uneven bags on 6 days", SECTION_3, days=6, day_sd=10.0),
    Scene("3 x 3 x 2 fires of uneven pace", even(3, 3, 2), jitter=0.05),
    Scene("3 x 3 x 2 fires of uneven pace, ends apart", even(3, 3, 2), jitter=0.05, ends="apart"),
    Scene("3 x 3 x 2 fires that burn out 45 min apart", even(3, 3, 2), jitter=0.05, later=45.0, banded=False),
)


def fires(fuel: int, stretch: np.ndarray, lift: np.ndarray, later: float) -> np.ndarray:
    """Return (n, times) curves of one fuel in °C: each at its own pace and height."""
    at = np.linspace(0, 150, POINTS) * stretch[:, None]
    out = 58.0 + later * (fuel - 1)
    burning = 1 / (1 + np.exp((at - out) / 12))
    return 20 + (180 + 15 * fuel) * lift[:, None] * (1 - np.exp(-at / 4)) * burning


def truth_of(scene: Scene) -> np.ndarray:
    """Return the true mean curve of each fuel (fuels, times)."""
    if not scene.jitter:
        return np.zeros((len(scene.bags), POINTS))
    rng, spread = np.random.default_rng(7), scene.jitter * np.sqrt(2)
    draws = np.exp(spread * np.array([[1.0], [0.8]]) * rng.standard_normal((2, 20_000)))
    return np.array([fires(fuel, *draws, scene.later).mean(axis=0) for fuel in range(len(scene.bags))])


def wander(rng: np.random.Generator, n: int, length: float) -> np.ndarray:
    """Draw n smooth Gaussian curves of SD 1."""
    return rng.standard_normal((n, POINTS)) @ _root(length).T


_ROOTS: dict[float, np.ndarray] = {}


def _root(length: float) -> np.ndarray:
    if length not in _ROOTS:
        at = np.linspace(0, 1, POINTS)
        within = np.exp(-(((at[:, None] - at) / length) ** 2) / 2)
        _ROOTS[length] = np.linalg.cholesky(within + 1e-8 * np.eye(POINTS))
    return _ROOTS[length]


def simulate(scene: Scene, rng: np.random.Generator) -> Curves:
    """Draw the curves of one trial; every fuel's true curve is zero, or that of its fires."""
    sizes = [size for fuel in scene.bags for size in fuel]
    bag_of = np.repeat(np.arange(len(sizes)), sizes)
    fuel_of_bag = np.repeat(np.arange(len(scene.bags)), [len(fuel) for fuel in scene.bags])
    n = len(bag_of)
    celsius = scene.bag_sd * wander(rng, len(sizes), scene.bag_length)[bag_of]
    celsius += scene.burn_sd * wander(rng, n, scene.burn_length)
    celsius += scene.rough * rng.standard_normal((n, POINTS))
    day_of = spread_over(scene.days, n)
    if scene.day_sd:
        celsius += scene.day_sd * wander(rng, scene.days, scene.bag_length)[day_of]
    if scene.jitter:
        factors = rng.standard_normal((2, len(sizes)))[:, bag_of] + rng.standard_normal((2, n))
        stretch, lift = np.exp(scene.jitter * np.array([[1.0], [0.8]]) * factors)
        fuels = fuel_of_bag[bag_of]
        celsius = np.concatenate(
            [fires(f, stretch[fuels == f], lift[fuels == f], scene.later) for f in range(len(scene.bags))]
        ) + 0.3 * rng.standard_normal((n, POINTS))
    if scene.grows:
        celsius *= np.linspace(1, 4, POINTS)
    last = rng.integers(int(0.6 * POINTS), POINTS + 1, n)
    if scene.ends == "bags":
        last = last[np.searchsorted(bag_of, bag_of)]
    if scene.ends != "together":
        celsius[np.arange(POINTS) >= last[:, None]] = np.nan
    return Curves(
        np.arange(POINTS) * 60.0,
        celsius,
        tuple(str(k) for k in range(n)),
        tuple(f"fuel {fuel_of_bag[bag]}" for bag in bag_of),
        tuple(f"bag {bag}" for bag in bag_of),
        tuple(f"day {day}" if scene.days > 1 else "" for day in day_of),
        np.ones(n, dtype=bool),
        "grate",
        20.0 if scene.jitter else np.nan,
    )


def coverage(scene: Scene, trials: int, seed: int) -> dict[str, float | str]:
    """Return the share of trials in which the bands, and pointwise limits at one time, held the truth."""
    rng = np.random.default_rng(seed)
    held = {"difference": 0, "mean": 0, "half time": 0}
    widths, truth = [], truth_of(scene)
    for trial in range(trials):
        drawn = drawn_curves(simulate(scene, rng), seed=trial)
        pair = difference_curves(drawn, [("fuel 0", "fuel 1")])
        one = mean_curves(drawn)
        one = one[one["fuel"] == "fuel 0"]
        for name, table, true in (("difference", pair, truth[0] - truth[1]), ("mean", one, truth[0])):
            at = true[(table["elapsed_s"] / 60).round().astype(int)]
            inside = (table["band_low"] <= at) & (table["band_high"] >= at)
            held[name] += bool(inside[table["band_low"].notna()].all())
        middle, half = pair.iloc[int(0.5 * POINTS)], int(0.5 * POINTS)
        held["half time"] += bool(middle["low"] <= truth[0, half] - truth[1, half] <= middle["high"])
        first = pair.iloc[0]
        widths.append((first["band_high"] - first["band_low"]) / (first["high"] - first["low"]))
    shares: dict[str, float | str] = {name: count / trials for name, count in held.items()}
    return {
        "scene": scene.name if scene.banded else f"({scene.name})",
        **shares,
        "wider": float(np.median(widths)),
        "trials": trials,
        "seed": seed,
    }


def outside(row: dict[str, float | str]) -> list[str]:
    """Return which bands held the whole curve more or less often than they may, by three Monte-Carlo errors.

    Scenes in brackets are reported, not banded.
    """
    if str(row["scene"]).startswith("("):
        return []
    slack = 3 * np.sqrt(0.05 * 0.95 / float(row["trials"]))
    return [
        name for name in ("difference", "mean") if not LOWEST - slack <= float(row[name]) <= HIGHEST + slack
    ]


if __name__ == "__main__":
    raise SystemExit(run("curves", SCENES, coverage, outside))
