"""What earlier trials know of how bags, days and burns differ, to stand beside this trial's."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from kit.judge.question import WORDS, Question
from kit.lenders import Lender
from kit.schema import Metric
from kit.trial import Run
from kit.variance import RepeatFit

SAID = WORDS["earlier"]


def earlier_words(run: Run, lenders: Sequence[Lender]) -> tuple[str, ...]:
    """Return a sentence on the earlier trials that stand behind the error bars; none without any."""
    if not lenders:
        return ()
    names = ", ".join(lender.name for lender in lenders)
    if run.in_state("done")["fuel"].duplicated().any():
        return (SAID["repeated"].format(names=names),)
    known = []
    for metric_id in run.trial.primary:
        spec, spread = run.trial.metric(metric_id), borrowed_spread(lenders, metric_id)
        if spread:
            sd, df = spread
            size = f"{100 * sd:.1f} %" if spec.scale == "log" else f"{sd:.1f} {spec.unit}"
            known.append(SAID["known"].format(metric=spec.label, size=size, df=df))
    return (SAID["single"].format(names=names, known="; ".join(known)),)


def with_earlier(question: Question, lenders: Sequence[Lender], spec: Metric) -> Question:
    """Return the question of a metric with its model in each earlier trial that has burns enough.

    They are fitted as this trial's burns are, as far as their columns go.
    """
    fits: dict[str, RepeatFit] = {}
    unused: list[dict[str, object]] = []
    for lender in lenders:
        rows = lender.burns_of(spec.id)
        fit, why_not = None, SAID["not_measured"]
        if len(rows):
            known = replace(question, covariates=[name for name in question.covariates if name in rows])
            fit, why_not = known.fit_of(rows, spec, fewest=1)
        if fit is not None and fit.has_spread:
            fits[lender.name] = fit
        else:
            note = why_not or SAID["no_repeats"]
            unused.append({"folder": lender.name, "burns": len(rows), "note": note})
    return replace(question, earlier=fits, unused=unused)


def prior_table(fit: RepeatFit, unused: Sequence[dict[str, object]]) -> pd.DataFrame:
    """Return what each earlier trial gives (schema.PRIOR without metric)."""
    used = fit.prior["used"] == "yes"
    conflicts = [SAID["conflict"].format(p=p) for p in fit.prior["p_conflict"]]
    table = fit.prior.assign(used=used, note=np.where(used, "", conflicts))
    parts = [part for part in (table, pd.DataFrame(unused).assign(power=0.0, used=False)) if len(part)]
    return pd.concat(parts, ignore_index=True) if parts else table


def borrowed_spread(lenders: Sequence[Lender], metric_id: str) -> tuple[float, float] | None:
    """Return the pooled SD of one burn from a new bag, and its degrees of freedom, or None.

    Of each trial the variances of bags, days and burns are added, on the degrees of freedom of its prediction
    for the next bag; trials are pooled by those.
    """
    squares = freedom = 0.0
    for lender in lenders:
        components = lender.rows_of("components", metric_id)
        sds = [row["sd"] for row in components if row["component"] in ("bag", "day", "burn")]
        variances = [sd**2 for sd in sds if sd is not None]
        ahead = [row["df"] for row in lender.rows_of("next_bag", metric_id) if row["df"] is not None]
        if variances and ahead:
            squares, freedom = squares + sum(variances) * min(ahead), freedom + min(ahead)
    return (math.sqrt(squares / freedom), freedom) if freedom else None
