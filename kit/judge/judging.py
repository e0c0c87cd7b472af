"""Every metric of a trial judged as the trial file declares it: the model fitted, and every table made of it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import pandas as pd

from kit import schema
from kit.judge import comparisons
from kit.judge.earlier_trials import borrowed_spread, prior_table, with_earlier
from kit.judge.next_bag import chances, further, next_bag
from kit.judge.odd_burns import NO_ANSWER, influence, judged_again, odd_burns
from kit.judge.question import MOST_FUELS, WORDS, Counted, Question, look_level, resources_of
from kit.judge.self_check import second_opinion, self_check
from kit.lenders import Lender
from kit.runtime.processes import Worker, side_by_side
from kit.schema import JUDGED, PRODUCT, Metric
from kit.trial import Run, Trial
from kit.variance import RepeatFit
from kit.variance.bootstrap import variance_shares
from kit.variance.families import Family
from kit.variance.sd_limits import component_limits

Tables = dict[str, pd.DataFrame]

OF_VERDICTS = ("influence", "further", "censored", "overall", "best", "value", "comparisons_alone")


@dataclass(frozen=True)
class Judged:
    """One metric of a trial, judged.

    Attributes
    ----------
    fit
        The fitted model; None where the burns support none.
    why_not
        Why there is no fit, or '' where there is one.
    tables
        By the names that `kit.analysis.Analysis` has for them, with the column metric.
    """

    fit: RepeatFit | None
    why_not: str
    tables: Tables


def judge_metric(rows: pd.DataFrame, spec: Metric, question: Question) -> Judged:
    """Fit the model of one metric and make every table from it.

    Parameters
    ----------
    rows
        The burns that count: burn, fuel, bag, day, value, status, and the covariates by name.
    spec
        The metric.
    question
        What is asked of it.
    """
    fit, why_not = question.fit_of(rows, spec)
    if fit is None:
        return Judged(None, why_not, {})
    tables = _of_each_fuel(fit, spec, question)
    if len(fit.labels) > 1:
        tables |= _of_pairs(fit, spec, question, tables["means"])
    unit = {"components": "ln"} if spec.scale == "log" else {}
    made = {name: table for name, table in tables.items() if len(table)}
    for name, table in made.items():
        made[name] = table.assign(metric=spec.id, unit=unit.get(name, spec.unit))
    return Judged(fit, "", made)


def _of_each_fuel(fit: RepeatFit, spec: Metric, question: Question) -> Tables:
    """Return what needs no second fuel: what every metric has, then those asked about, then the primary ones."""
    level = question.level
    tables = {"means": _from_least(comparisons.fuel_means(fit, level=level), spec)}
    if not fit.has_spread:
        return tables
    tables["components"] = component_limits(fit, level=level)
    if comparisons.scope_of(fit) == PRODUCT:
        tables["next_bag"] = _from_least(next_bag(fit, level), spec)
    if question.is_asked_about:
        exact = fit.left_out or fit
        tables |= {"prior": prior_table(fit, question.unused), "odd_burns": odd_burns(exact, question)}
    if question.primary:
        tables["shares"] = variance_shares(fit, level, question.seed)
        tables["second_opinion"] = second_opinion(fit)
        if len(fit.labels) <= MOST_FUELS:
            tables["self_check"] = self_check(fit, question.seed, margin=question.margin, level=level)
    return tables


def _of_pairs(fit: RepeatFit, spec: Metric, question: Question, means: pd.DataFrame) -> Tables:
    """Return what is said of fuels compared: of every metric, then of those asked about, then of the primary ones."""
    level, margin = question.level, question.margin
    declared, multiplicity = question.family(fit)
    few = len(fit.labels) <= MOST_FUELS
    asked_about = fit.has_spread and question.is_asked_about
    others: list[tuple[Any, Any]] = []
    if asked_about and few:  # the pairs outside the declared family: each has one verdict
        places = comparisons.places_of(fit.labels, declared).tolist()
        known = [{fit.labels[a], fit.labels[b]} for a, b in places]
        others = [pair for pair in combinations(fit.labels, 2) if set(pair) not in known]
    differences = comparisons.Differences.of(fit, [declared, *([others] if others else [])], level=level)
    family = differences.family_against(declared)  # one for all refits
    answers = differences.compared(declared, multiplicity, margin, family)
    tables = {"comparisons": answers}
    if fit.censored is not None:
        tables["censored"] = _left_out_beside(fit, answers, question, family)
    if fit.has_spread and spec.better and (asked_about or spec.base == "cost"):
        every = differences if asked_about and few else None  # the better value is told of every price
        tables["best"] = comparisons.best_fuels(fit, spec.better, level, every)
    if not asked_about:
        return tables
    plain = fit.left_out or fit  # of the burns measured exactly, where that can be had
    outside = [differences.compared(others, "tukey", margin)] if others else []
    pairs = pd.concat([answers, *outside], ignore_index=True)
    tables |= {"pairs": pairs, "overall": comparisons.fuels_differ(fit, differences if few else None)}
    if fit.earlier:
        tables["comparisons_alone"] = compare(fit.alone, question)
    if not question.primary:
        return tables
    tables["kinds"] = comparisons.kinds_compared(fit, question)
    if not few:
        return tables
    tables["influence"] = influence(fit, pairs, spec, question, family)
    tables["ladder"] = comparisons.ladder(means, pairs)
    drawn = chances(plain, level, question.seed)
    if len(drawn):  # beside the verdict on the means: of fuels not told apart a chance finds nothing
        verdicts = pairs[["a", "b", "verdict"]].astype(str)
        turned = verdicts.rename(columns={"a": "b", "b": "a"})
        tables["chances"] = drawn.merge(pd.concat([verdicts, turned]), "left", ["a", "b"])
    if comparisons.scope_of(fit) == PRODUCT:
        tables["further"] = further(plain, pairs, question)
    return tables


def _from_least(table: pd.DataFrame, spec: Metric) -> pd.DataFrame:
    """Return means or predictions none of which lies below what any value can be: a count below none."""
    return table.assign(**{name: table[name].clip(lower=spec.least) for name in ("mean", "low", "high")})


def compare(fit: RepeatFit, question: Question) -> pd.DataFrame:
    """Compare the fuels in the family the trial declared."""
    return comparisons.compare_fuels(fit, *question.family(fit), question.margin, level=question.level)


def _left_out_beside(
    fit: RepeatFit, answers: pd.DataFrame, question: Question, family: Family | None
) -> pd.DataFrame:
    """Return, for each pair that a bound touches, the verdict and that without those burns (schema.CENSORED)."""
    refits = {"": fit.left_out} if fit.left_out else {}
    without = judged_again(refits, answers, question, family)[["a", "b", "verdict_without"]]
    bounds = fit.table.loc[fit.table["status"] != "exact", "fuel"].value_counts()
    touched = sum(answers[name].map(bounds).fillna(0).astype(int) for name in ("a", "b"))
    table = answers[["a", "b", "verdict"]].assign(bounds=touched).query("bounds > 0")
    table = table.merge(without, "left", ["a", "b"]).rename(columns={"verdict_without": "verdict_left_out"})
    table = table.fillna({"verdict_left_out": NO_ANSWER})
    return table.assign(agrees=table["verdict"] == table["verdict_left_out"])


def joined(parts: Mapping[str, Judged]) -> Tables:
    """Return the tables of all metrics (schema.JUDGED), those of one name as one."""
    made = [each.tables for each in parts.values()]
    return {name: laid_out([each[name] for each in made if name in each], name) for name in JUDGED}


def laid_out(tables: Sequence[pd.DataFrame], name: str) -> pd.DataFrame:
    """Return tables one below the other, with just the columns of their specification, blank where a table has none."""
    columns = schema.names(name)
    if not tables:
        return pd.DataFrame({column: pd.Series(dtype=object) for column in columns})
    return pd.concat(tables, ignore_index=True).reindex(columns=columns)


def judge_trial(
    counted: Counted, run: Run, seed: int, lenders: Sequence[Lender] = (), beside: Worker | None = None
) -> dict[str, Judged]:
    """Judge every metric that was measured, in the order measured.

    While planned burns are still to come no verdict is given (an interim report).

    Parameters
    ----------
    lenders
        The earlier trials that it borrows from.
    beside
        A second process that shares the work.
    """
    base = replace(question_of(run, seed), resources=resources_of(run))
    metrics = list(dict.fromkeys(counted.metrics["metric"]))
    order = sorted(metrics, key=lambda name: name not in run.trial.primary)  # the primary ones take longest

    asked = (asked_of(name, run, base, lenders) for name in order)
    jobs = zip(map(counted.compared, order), map(run.trial.metric, order), asked, strict=True)
    found = dict(zip(order, side_by_side(judge_metric, list(jobs), beside), strict=True))
    if is_open(run):
        for name, judged in found.items():
            tables = {table: rows for table, rows in judged.tables.items() if table not in OF_VERDICTS}
            for table, rows in tables.items():
                blank = {column: "" for column in ("verdict", "direction") if column in rows}
                tables[table] = rows.assign(**blank)
            found[name] = replace(judged, tables=tables)
    return {name: found[name] for name in metrics}


def asked_of(metric_id: str, run: Run, base: Question, lenders: Sequence[Lender]) -> Question:
    """Return what is asked of one metric, with what earlier trials know of it."""
    spec = run.trial.metric(metric_id)
    question = replace(
        base,
        margin=margin_of(run.trial, metric_id),
        better=spec.better,
        primary=metric_id in run.trial.primary,
        borrowed=borrowed_spread(lenders, metric_id),
    )
    return with_earlier(question, lenders, spec) if question.is_asked_about else question


def is_open(run: Run) -> bool:
    """Return whether planned burns are still to come and this is no look that the plan declared: no verdict then.

    Examples
    --------
    >>> is_open(run)
    False
    """
    return run.is_interim and len(run.in_state("done")) not in sorted(set(run.trial.plan.stages))[:-1]


def question_of(run: Run, seed: int) -> Question:
    """Return what the trial file asks of every metric, with the burns that are done."""
    return replace(planned_question(run.trial, seed), level=judging_level(run))


def planned_question(trial: Trial, seed: int = 1) -> Question:
    """Return what the trial file asks of every metric once all planned burns are done."""
    stages = trial.plan.stages
    return Question(
        level=look_level(stages, max(stages, default=0), trial.model.confidence),
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
    """Return a metric's declared margin on the analysis scale, or None.

    Examples
    --------
    >>> margin_of(run.trial, "peak")
    15.0
    """
    margin = trial.margins.get(metric_id)
    return margin.value if margin else None


def declared_family(run: Run, metric_id: str, fit: RepeatFit) -> dict[str, Any]:
    """Return what the trial file asks of the fuels of a fit: `pairs` and `multiplicity` as `compare_fuels` takes them.

    Examples
    --------
    >>> declared_family(run, "peak", fit)
    {'pairs': ('control', 'pressed'), 'multiplicity': 'dunnett'}
    """
    question = replace(question_of(run, seed=1), better=run.trial.metric(metric_id).better)
    return dict(zip(("pairs", "multiplicity"), question.family(fit), strict=True))


def judging_level(run: Run) -> float:
    """Return the confidence of verdicts with the burns that are done: planned looks share out the error.

    Examples
    --------
    >>> judging_level(run)
    0.95
    """
    return look_level(run.trial.plan.stages, len(run.in_state("done")), run.trial.model.confidence)


def many_words(run: Run) -> tuple[str, ...]:
    """Return what is not asked of a trial of very many fuels."""
    burned, control = set(run.in_state("done")["fuel"]), run.trial.control_fuel
    if len(burned) <= MOST_FUELS:
        return ()
    against = f"the control fuel, {control}" if control in burned else "the fuel of the best mean"
    return (WORDS["many"].format(fuels=len(burned), most=MOST_FUELS, against=against),)


def look_words(run: Run) -> tuple[str, ...]:
    """Return which of the declared looks this is, and what it spends; nothing where none was declared."""
    looks, done = sorted(set(run.trial.plan.stages)), len(run.in_state("done"))
    if len(looks) < 2 or is_open(run):
        return ()
    place = max(1, sum(stage <= done for stage in looks))
    level, error = 100 * judging_level(run), 100 * (1 - run.trial.model.confidence)
    parts = {"place": place, "looks": len(looks), "done": done, "planned": looks[-1]}
    return (WORDS["look"].format(**parts, level=level, error=error),)
