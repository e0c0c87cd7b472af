"""Every metric of a trial judged as the trial file declares it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import pandas as pd

from kit.errors import KitError, Problem
from kit.judge.earlier_trials import borrowed_spread, earlier_fits, lenders_of
from kit.judge.inclusion import Counted
from kit.judge.interim_looks import is_planned_look, look_level
from kit.judge.judged import Judged, judge_metric
from kit.judge.question import MOST_FUELS, Question, resources_of
from kit.runtime.worker import Worker, side_by_side
from kit.schema import Metric
from kit.trial import Run, Trial
from kit.variance import RepeatFit, fit_repeats

NO_VERDICT = ""
OF_VERDICTS = ("influence", "further", "censored", "overall", "best", "value", "comparisons_alone")


def judge_trial(
    counted: Counted,
    run: Run,
    seed: int,
    say: Callable[[str], None] = lambda _: None,
    beside: Worker | None = None,
) -> dict[str, Judged]:
    """Judge every metric that was measured, in the order measured.

    While planned burns are still to come no verdict is given (an interim report).

    Parameters
    ----------
    beside
        A second process that shares the work.
    """
    base, lenders, resources = question_of(run, seed), lenders_of(run), resources_of(run)
    metrics = list(dict.fromkeys(counted.metrics["metric"]))
    first = [name for name in metrics if name in run.trial.primary]  # they take longest
    order = [*first, *(name for name in metrics if name not in first)]
    jobs = []
    for metric_id in order:
        spec = run.trial.metric(metric_id)
        question = replace(
            base,
            resources=resources,
            margin=margin_of(run.trial, metric_id),
            better=spec.better,
            primary=metric_id in run.trial.primary,
            borrowed=borrowed_spread(lenders, metric_id),
        )
        if lenders and (question.primary or question.margin is not None):
            fits, unused = earlier_fits(lenders, spec, partial(_fit_alone, spec=spec, question=question))
            question = replace(question, earlier=fits, unused=unused)
        jobs.append((counted.compared(metric_id), spec, question))
    made = side_by_side(judge_metric, jobs, beside, lambda job: say(f"judging {job[1].label}"))
    found = dict(zip(order, made, strict=True))
    done = without_verdicts if is_open(run) else lambda judged: judged
    return {name: done(found[name]) for name in metrics}


def _fit_alone(rows: pd.DataFrame, spec: Metric, question: Question) -> RepeatFit:
    """Fit the burns of an earlier trial as this one's are, as far as their columns go."""
    known = replace(question, covariates=[name for name in question.covariates if name in rows])
    counted, why_not = known.countable(rows, fewest=1)
    if why_not:
        raise KitError(
            Problem("refuse", "earlier trial", why_not, "fuels that can be compared", "Leave it out.")
        )
    return fit_repeats(counted, scale=spec.scale, **known.roles(counted))


def is_open(run: Run) -> bool:
    """Return whether planned burns are still to come and this is no look that the plan declared: no verdict then."""
    return run.is_interim and not is_planned_look(run.trial.plan.stages, _done(run))


def question_of(run: Run, seed: int) -> Question:
    """Return what the trial file asks of every metric."""
    trial = run.trial
    return Question(
        level=judging_level(run),
        control=trial.control_fuel,
        pairs=trial.pairs,
        spread=trial.model.spread,
        covariates=tuple(dict.fromkeys((*trial.model.covariates, "cooker"))),
        kind_of={fuel.id: fuel.kind for fuel in trial.fuels},
        primaries=len(trial.primary),
        others=len(set(trial.margins) - set(trial.primary)),
        seed=seed,
    )


def margin_of(trial: Trial, metric_id: str) -> float | None:
    """Return a metric's declared margin on the analysis scale, or None."""
    margin = trial.margins.get(metric_id)
    return margin.value if margin else None


def judging_level(run: Run) -> float:
    """Return the confidence of verdicts with the burns that are done: planned looks share out the error."""
    return look_level(run.trial.plan.stages, _done(run), run.trial.model.confidence)


def planned_level(trial: Trial) -> float:
    """Return the confidence of verdicts once all planned burns are done."""
    stages = trial.plan.stages
    return look_level(stages, max(stages, default=0), trial.model.confidence)


def many_words(run: Run) -> tuple[str, ...]:
    """Return what is not asked of a trial of very many fuels."""
    fuels = run.in_state("done")["fuel"].nunique()
    if fuels <= MOST_FUELS:
        return ()
    control = run.trial.control_fuel
    against = f"the control fuel, {control}" if control else "the fuel of the best mean"
    return (
        f"There are {fuels} fuels. Above {MOST_FUELS} they are compared with {against} alone; which can be best is "
        "told of all; pairs, brackets, chances, further burns, the self-check, differences of curves and what "
        "verdicts hang on are left out, and curves have no bands.",
    )


def look_words(run: Run) -> tuple[str, ...]:
    """Return which of the declared looks this is, and what it spends; nothing where none was declared."""
    looks = sorted(set(run.trial.plan.stages))
    if len(looks) < 2 or is_open(run):
        return ()
    place = max(1, sum(stage <= _done(run) for stage in looks))
    return (
        f"Look {place} of {len(looks)} that the plan declared, after {_done(run)} of {looks[-1]} burns: intervals hold "
        f"at {100 * judging_level(run):.2f} %, so that all looks together err no more than "
        f"{100 * (1 - run.trial.model.confidence):.0f} % (Lan & DeMets 1983, O'Brien–Fleming type).",
    )


def _done(run: Run) -> int:
    return int((run.burns["state"] == "done").sum())


def without_verdicts(judged: Judged) -> Judged:
    """Take the verdicts out of a metric's tables, and the tables that are about verdicts alone."""
    tables = {name: _blanked(table) for name, table in judged.tables.items() if name not in OF_VERDICTS}
    return replace(judged, tables=tables)


def _blanked(table: pd.DataFrame) -> pd.DataFrame:
    blank = {name: NO_VERDICT for name in ("verdict", "direction") if name in table}
    return table.assign(**blank)
