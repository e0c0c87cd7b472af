"""Next bag, chances and odd burns in simulated trials: python -m tests.simulate.judging [--trials N] [--scene TEXT].

Every fuel's true mean, bags, days and burns are known, so that a new bag can be drawn too. Printed for each design:
how often the prediction interval held a burn of a new bag, how far the chance that a new bag of A beats one of B was
from the truth on average and how often its interval held the truth, and in how many trials a burn was called odd
though none was; 'promise' is the share of open comparisons settled by as many further bags as were said to settle
them, drawn from the very estimates the number was made from.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from kit.judge.comparisons import compare_fuels
from kit.judge.next_bag import chance_better, further, next_bag, with_further
from kit.judge.odd_burns import odd_burns
from kit.judge.question import Question
from kit.variance import RepeatFit, fit_repeats
from tests.simulate.scenes import run, spread_over
from tests.simulate.trials import SECTION_3, Sizes, even, places

LIMITS = {
    "prediction": (0.93, 0.97),
    "off": (-0.03, 0.03),
    "interval": (0.92, 0.98),
    "false alarms": (0.0, 0.05),
    "promise": (0.75, 1.0),
}
METRICS = 2
"""Primary metrics of a trial: odd burns are looked for in each."""


@dataclass(frozen=True)
class Scene:
    """A design and its true spreads.

    Attributes
    ----------
    name
        For the table.
    bags
        Burns of each bag, fuel by fuel.
    bag_sd, burn_sd, day_sd
        True standard deviations.
    days
        Days over which the burns are spread; 1 where days do not differ.
    step
        Difference of the means of neighbouring fuels.
    """

    name: str
    bags: Sizes
    bag_sd: float = 0.5
    burn_sd: float = 1.0
    day_sd: float = 0.0
    days: int = 1
    step: float = 1.0


SCENES = (
    Scene("4 fuels x 3 bags x 3 burns", even(4, 3, 3)),
    Scene("4 x 3 x 3, bags alike", even(4, 3, 3), bag_sd=0.0),
    Scene("4 x 3 x 3, bags differ most", even(4, 3, 3), bag_sd=2.0, step=3.0),
    Scene("2 x 3 x 2", even(2, 3, 2), bag_sd=0.7),
    Scene("3 x 2 x 2", even(3, 2, 2), bag_sd=1.0, step=2.0),
    Scene("6 x 3 x 2 on 12 days", even(6, 3, 2), day_sd=0.5, days=12, step=0.5),
    Scene("uneven bags", SECTION_3),
    Scene("3 x 6 x 1, no bag twice", even(3, 6, 1), step=0.2),
)


def table_of(scene: Scene) -> pd.DataFrame:
    """Return the burns of a design, days run through in turn."""
    rows = [(f"fuel {f}", f"bag {f}.{b}") for f, b in places(scene.bags)]
    table = pd.DataFrame(rows, columns=["fuel", "bag"])
    day = spread_over(scene.days, len(table))
    return table.assign(
        burn=[f"{n:03}" for n in range(len(table))],
        day=[f"day {n:02}" for n in day] if scene.days > 1 else "",
        status="exact",
    )


def draw(scene: Scene, table: pd.DataFrame, rng: np.random.Generator) -> np.ndarray:
    """Draw the values of one trial."""
    fuel, bag, day = (pd.factorize(table[name])[0] for name in ("fuel", "bag", "day"))
    value = scene.step * fuel + scene.bag_sd * rng.standard_normal(bag.max() + 1)[bag]
    value += scene.day_sd * rng.standard_normal(day.max() + 1)[day]
    return value + scene.burn_sd * rng.standard_normal(len(table))


def one_trial(scene: Scene, table: pd.DataFrame, rng: np.random.Generator, seed: int) -> dict[str, float]:
    """Return what one trial's interval, chance and odd burns were worth."""
    question = Question(primary=True, primaries=METRICS)
    burns = table.assign(value=draw(scene, table, rng))
    fit = fit_repeats(burns, status="status", **question.roles(burns))
    alarms = [odd_burns(fit, question)["odd"].any()]
    for _ in range(METRICS - 1):
        other = table.assign(value=draw(scene, table, rng))
        alarms.append(
            odd_burns(fit_repeats(other, status="status", **question.roles(other)), question)["odd"].any()
        )
    chance = chance_better(fit, "fuel 1", "fuel 0", seed=seed)
    truth = true_chance(scene)
    return {
        "prediction": _held(scene, fit, rng),
        "off": chance.chance - truth,
        "interval": float(chance.low <= truth <= chance.high),
        "below": float(truth < chance.low),
        "false alarms": float(any(alarms)),
        "promise": _promise(fit, question, rng),
    }


def _promise(fit: RepeatFit, question: Question, rng: np.random.Generator) -> float:
    """Return whether as many further bags as were said to settle the first open pair settle it; NaN without one.

    A whole trial with those bags is drawn from the estimates that the number was made from.
    """
    told = further(fit, compare_fuels(fit), question).dropna(subset=["bags"])
    if told.empty:
        return np.nan
    row = told.iloc[0]
    table = with_further(fit.table, (row["a"], row["b"]), int(row["bags"]), int(row["burns"]))
    sds = dict(zip(fit.names, np.sqrt(fit.variances[0]), strict=True))
    value = table["fuel"].map(dict(zip(fit.labels, fit.estimate.beta[0], strict=False))).to_numpy(dtype=float)
    for name, sd in sds.items():
        codes = np.arange(len(table)) if name == "burn" else pd.factorize(table[name])[0]
        value = value + sd * rng.standard_normal(codes.max() + 1)[codes]
    burns = table.assign(value=value)
    again = compare_fuels(fit_repeats(burns, **question.roles(burns)), [(row["a"], row["b"])], "tukey")
    return float(again["verdict"].iloc[0] != "not settled")


def true_chance(scene: Scene) -> float:
    """Return the chance that a burn of a new bag of fuel 1 exceeds one of fuel 0 on the same day."""
    return float(special.ndtr(scene.step / np.sqrt(2 * (scene.bag_sd**2 + scene.burn_sd**2))))


def _held(scene: Scene, fit: RepeatFit, rng: np.random.Generator) -> float:
    """Return the share of fuels whose interval held a burn of a new bag on another day."""
    spread = np.sqrt(scene.bag_sd**2 + scene.burn_sd**2 + scene.day_sd**2)
    rows = next_bag(fit)
    places = rows["fuel"].str.removeprefix("fuel ").astype(int)
    new = scene.step * places + spread * rng.standard_normal(len(rows))
    return float(((rows["low"] <= new) & (new <= rows["high"])).mean())


def simulate(scene: Scene, trials: int, seed: int) -> dict[str, float | str]:
    """Return the means over simulated trials of one design, and the seed."""
    rng = np.random.default_rng(seed)
    table = table_of(scene)
    found = pd.DataFrame([one_trial(scene, table, rng, seed + trial) for trial in range(trials)])
    asked = int(found["promise"].notna().sum())
    return {"scene": scene.name, **found.mean().to_dict(), "asked": asked, "trials": trials, "seed": seed}


def outside(row: dict[str, float | str]) -> list[str]:
    """Return which means lie outside their limits by more than three Monte-Carlo standard errors."""
    slack = dict.fromkeys(LIMITS, 3 * np.sqrt(0.05 * 0.95 / float(row["trials"])))
    slack |= {"off": 0.0, "promise": 3 * np.sqrt(0.75 * 0.25 / max(float(row["asked"]), 1))}
    return [
        name
        for name, (low, high) in LIMITS.items()
        if float(row[name]) < low - slack[name] or float(row[name]) > high + slack[name]
    ]


if __name__ == "__main__":
    raise SystemExit(run("judging", SCENES, simulate, outside))
