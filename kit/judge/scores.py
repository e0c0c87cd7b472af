"""What people scored: smoke, smell, taste. Places in a taster's own order: each may use the scale as they like.

A taster's scores become ridits, mid-ranks over their number (Bross 1958): 0.5 is that taster's middle, and the mean
over a fuel's burns is the chance that a score of this fuel lies above one that the same taster gave to any burn. A burn
has one value, the mean over its tasters, so that n counts burns; bags and days enter as for any measure. How far
tasters differ, and how far one agrees with the others on a burn, is told apart from it on the scale as scored.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit import schema
from kit.errors import KitError
from kit.judge.judging import judge_metric
from kit.judge.question import Counted, Question
from kit.schema import Metric
from kit.trial import Run
from kit.variance import fit_repeats
from kit.variance.sd_limits import component_limits

SOURCES = {"day": "between tasters", "burn": "one taster, one burn"}


@dataclass(frozen=True)
class Scored:
    """Tables of what was scored: fuels (schema.SCORED), pairs (schema.SCORE_PAIRS), tasters (schema.TASTERS)."""

    fuels: pd.DataFrame
    pairs: pd.DataFrame
    tasters: pd.DataFrame


def judge_scores(run: Run, counted: Counted, question: Question) -> Scored:
    """Judge every attribute of scores.csv, of the burns that are compared with one another.

    Parameters
    ----------
    question
        What the trial file asks: level, control fuel, covariates.
    """
    scores = _of_counted(run.scores, counted)
    fuels, pairs, tasters = [], [], []
    for attribute, rows in scores.groupby("attribute", sort=False):
        ridits = _ridits(rows)
        tables = judge_metric(_burns(ridits), _metric(str(attribute)), question).tables
        if "means" in tables:
            fuels.append(_fuels(str(attribute), ridits, tables["means"]))
            pairs.append(tables["comparisons"].assign(attribute=attribute))
        tasters += [(attribute, *each, question.level) for each in _spread_of_tasters(rows, question.level)]
    return Scored(
        _laid_out(fuels, schema.SCORED),
        _laid_out(pairs, schema.SCORE_PAIRS),
        pd.DataFrame(tasters, columns=[column.name for column in schema.TASTERS]),
    )


def _of_counted(scores: pd.DataFrame, counted: Counted) -> pd.DataFrame:
    conditions = [name for name in counted.metrics if name not in ("metric", "value", "unit", "u", "status")]
    burns = counted.metrics[conditions].drop_duplicates("burn")
    burns = burns[burns["burn"].isin(counted.burns)]
    known = scores.dropna(subset=["score"])[["burn", "taster", "attribute", "score"]]
    return known.merge(burns, on="burn")


def _metric(attribute: str) -> Metric:
    return Metric(f"score:{attribute}", "score", attribute, "", "plain", "declared")


def _ridits(rows: pd.DataFrame) -> pd.DataFrame:
    """Add each score's place within the taster's own: (mid-rank − ½)/n."""
    by_taster = rows.groupby("taster")["score"]
    return rows.assign(ridit=(by_taster.rank() - 0.5) / by_taster.transform("size"))


def _burns(ridits: pd.DataFrame) -> pd.DataFrame:
    """Return one row a burn: its mean ridit, and what the model needs to know of it."""
    value = ridits.groupby("burn")["ridit"].mean()
    return ridits.drop_duplicates("burn").assign(value=lambda rows: rows["burn"].map(value), status="exact")


def _fuels(attribute: str, ridits: pd.DataFrame, means: pd.DataFrame) -> pd.DataFrame:
    plain = ridits.groupby("fuel")["score"].agg(score="median", scores="size")
    tasters = ridits.groupby("fuel")["taster"].nunique()
    limits = {name: means[name].clip(0, 1) for name in ("low", "high")}
    table = means.assign(attribute=attribute, chance=means["mean"].clip(0, 1), **limits)
    return table.join(plain, on="fuel").join(tasters.rename("tasters"), on="fuel")


def _spread_of_tasters(rows: pd.DataFrame, level: float) -> Iterator[tuple[str, float, float, float]]:
    """Give the SD between tasters and that of one taster on one burn, burns taken out, on the scale as scored."""
    burns, tasters = rows.groupby("burn")["taster"].nunique(), rows["taster"].nunique()
    if tasters < 3 or (burns > 1).sum() < 2:
        return
    try:
        fit = fit_repeats(
            rows[rows["burn"].isin(burns.index[burns > 1])], "score", "burn", bag=None, day="taster"
        )
        limits = component_limits(fit, level=level).set_index("component")
    except KitError:  # tasters who all agree leave no spread to tell of
        return
    for component, source in SOURCES.items():
        if component in limits.index:
            sd, low, high = (float(limits.loc[component, name]) for name in ("sd", "low", "high"))
            yield source, sd, low, high


def _laid_out(parts: list[pd.DataFrame], columns: tuple[schema.Column, ...]) -> pd.DataFrame:
    names = [column.name for column in columns]
    if not parts:
        return pd.DataFrame({name: pd.Series(dtype=object) for name in names})
    return pd.concat(parts, ignore_index=True).reindex(columns=names, fill_value=np.nan)
