"""What people scored: smoke, smell, taste. Places in a taster's own order: each may use the scale as they like.

A taster's scores become ridits, mid-ranks over their number (Bross 1958): 0.5 is that taster's middle, and the mean
over a fuel's burns is the chance that a score of this fuel lies above one that the same taster gave to any burn. A burn
has one value, the mean over its tasters, so that n counts burns; bags and days enter as for any measure. How far
tasters differ, and how far one agrees with the others on a burn, is told apart from it on the scale as scored.
"""

from __future__ import annotations

import pandas as pd

from kit.errors import KitError
from kit.judge.judging import judge_metric, laid_out
from kit.judge.question import Counted, Question
from kit.schema import Metric
from kit.trial import Run
from kit.variance import fit_repeats
from kit.variance.sd_limits import component_limits

SOURCES = {"day": "between tasters", "burn": "one taster, one burn"}


def judge_scores(run: Run, counted: Counted, question: Question) -> dict[str, pd.DataFrame]:
    """Judge every attribute of scores.csv, of the burns that are compared: scores, score_pairs and tasters, by name.

    Parameters
    ----------
    question
        What the trial file asks: level, control fuel, covariates.
    """
    conditions = [name for name in counted.metrics if name not in ("metric", "value", "unit", "u", "status")]
    burns = counted.metrics[conditions].drop_duplicates("burn")
    burns = burns[burns["burn"].isin(counted.burns)]
    known = run.scores.dropna(subset=["score"])[["burn", "taster", "attribute", "score"]]
    fuels, pairs, tasters = [], [], []
    for name, rows in known.merge(burns, on="burn").groupby("attribute", sort=False):
        attribute = str(name)
        own = rows.groupby("taster")["score"]
        # a score's place within the taster's own: (mid-rank − ½)/n
        rows = rows.assign(ridit=(own.rank() - 0.5) / own.transform("size"))
        value = rows.groupby("burn")["ridit"].mean()
        burned = rows.drop_duplicates("burn").assign(status="exact")
        spec = Metric(f"score:{attribute}", "score", attribute, "", "plain", "declared")
        tables = judge_metric(burned.assign(value=burned["burn"].map(value)), spec, question).tables
        if "means" in tables:
            fuels.append(_fuels(attribute, rows, tables["means"]))
            pairs.append(tables["comparisons"].assign(attribute=attribute))
        tasters.append(_spread_of_tasters(rows, question.level).assign(attribute=attribute))
    tables = {"scores": fuels, "score_pairs": pairs, "tasters": tasters}
    return {name: laid_out(parts, name) for name, parts in tables.items()}


def _fuels(attribute: str, rows: pd.DataFrame, means: pd.DataFrame) -> pd.DataFrame:
    plain = rows.groupby("fuel")["score"].agg(score="median", scores="size")
    tasters = rows.groupby("fuel")["taster"].nunique()
    limits = {name: means[name].clip(0, 1) for name in ("low", "high")}
    table = means.assign(attribute=attribute, chance=means["mean"].clip(0, 1), **limits)
    return table.join(plain, on="fuel").join(tasters.rename("tasters"), on="fuel")


def _spread_of_tasters(rows: pd.DataFrame, level: float) -> pd.DataFrame:
    """Return the SD between tasters and that of one taster on one burn, burns taken out, on the scale as scored."""
    burns, tasters = rows.groupby("burn")["taster"].nunique(), rows["taster"].nunique()
    shared = rows[rows["burn"].isin(burns.index[burns > 1])]
    if tasters < 3 or shared["burn"].nunique() < 2:
        return pd.DataFrame()
    try:
        fit = fit_repeats(shared, "score", "burn", bag=None, day="taster")
        limits = component_limits(fit, level=level)
    except KitError:  # tasters who all agree leave no spread to tell of
        return pd.DataFrame()
    return limits.assign(source=limits["component"].map(SOURCES)).dropna(subset=["source"])
