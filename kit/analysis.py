"""From a run folder to every number of its report: read this first.

The stages, in their order: the run folder is opened (`kit.trial`), its logs become readings in which odd ones are
flagged (`kit.readings`), readings become metrics and curves of each burn (`kit.burns`), repeats become a variance
model of each metric (`kit.variance`), and the model becomes judgements (`kit.judge`). Nothing flows back.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from kit import schema
from kit.burns import Curves, common_grid, lid_effect, measure, uncertainty_budget, window_words, windows_for
from kit.judge.better_value import value_compared
from kit.judge.borrowed import borrowed_words
from kit.judge.cooks import judge_cooks
from kit.judge.counted import Counted, counted_burns
from kit.judge.curves import judge_curves
from kit.judge.judged import Judged, joined
from kit.judge.reached import reached_compared, share_reached
from kit.judge.scores import judge_scores
from kit.judge.trial import is_open, judge_trial, judging_level, look_words, question_of
from kit.readings import RunReadings, read_run, with_log_days
from kit.runtime.worker import Worker, outcome, shared_worker
from kit.trial import Run, deviations, open_run
from kit.variance import RepeatFit

Progress = Callable[[str], None]

FEWEST_FOR_TWO = 12
"""With fewer burns a second process costs more than it saves."""

JUDGED = {
    "components": schema.COMPONENTS,
    "shares": schema.SHARES,
    "means": schema.MEANS,
    "comparisons": schema.COMPARISONS,
    "pairs": schema.COMPARISONS,
    "comparisons_alone": schema.COMPARISONS,
    "overall": schema.OVERALL,
    "best": schema.BEST,
    "prior": schema.PRIOR,
    "ladder": schema.LADDER,
    "kinds": schema.KINDS,
    "next_bag": schema.NEXT_BAG,
    "chances": schema.CHANCES,
    "odd_burns": schema.ODD_BURNS,
    "influence": schema.INFLUENCE,
    "further": schema.FURTHER,
    "censored": schema.CENSORED,
    "second_opinion": schema.SECOND_OPINION,
    "self_check": schema.SELF_CHECK,
}
"""Tables made metric by metric, with the columns they have in the analysis."""


@dataclass(frozen=True, eq=False)
class Analysis:
    """Everything a report says, as tidy tables of `kit.schema`; pages and results.json are made of it alone.

    Attributes
    ----------
    run
        The run folder as it was found.
    readings, spans, flag_counts, files, log_notes
        What the logs held, and how they were read.
    metrics
        Metrics of the burns that count.
    excluded
        Metrics of the burns that were left out, shown and not counted.
    reasons
        Why metrics are bounds or blank.
    lid_open
        Metrics that are other without the readings during which the lid was open.
    curves, mean_curves, difference_curves, apart
        Curves of the burns on one grid; means and differences with their bands; from when to when two differ.
    fits, why_not
        The model of each metric, or why it has none.
    components, shares, means, comparisons, pairs, ladder, kinds, next_bag, chances, odd_burns, influence, further,
    censored, second_opinion, self_check
        What was judged. `comparisons` holds the declared family, `pairs` every pair, `further` what would settle
        the open ones.
    overall, best, value
        Whether the fuels differ at all; which can be the best; which is the better value at the prices paid.
    prior, comparisons_alone
        What earlier folders gave, and the comparisons without them.
    cooks, reached, reached_pairs
        What the burns say of each declared cook; how many burns reached each threshold, and fuels compared by that.
    scores, score_pairs, tasters
        What people scored, fuel by fuel and compared; how far the tasters differ.
    uncertainty, deviations
        Uncertainty budget of the fuel means; what differs from the plan as written.
    setting
        The declared setting whose burns are compared; '' where the trial knows one setting only.
    interim
        '14 of 36 burns' where planned burns are still to come: then no verdict is given; else ''.
    level, seed
        Confidence of the verdicts' intervals; seed of everything simulated.
    notes
        What a reader should know of the folder, the basis of comparison and the model.
    """

    run: Run
    readings: pd.DataFrame
    spans: pd.DataFrame
    flag_counts: pd.DataFrame
    files: pd.DataFrame
    log_notes: pd.DataFrame
    metrics: pd.DataFrame
    excluded: pd.DataFrame
    reasons: pd.DataFrame
    lid_open: pd.DataFrame
    curves: Curves
    mean_curves: pd.DataFrame
    difference_curves: pd.DataFrame
    apart: pd.DataFrame
    fits: Mapping[str, RepeatFit]
    why_not: Mapping[str, str]
    components: pd.DataFrame
    shares: pd.DataFrame
    means: pd.DataFrame
    comparisons: pd.DataFrame
    pairs: pd.DataFrame
    comparisons_alone: pd.DataFrame
    overall: pd.DataFrame
    best: pd.DataFrame
    prior: pd.DataFrame
    value: pd.DataFrame
    ladder: pd.DataFrame
    kinds: pd.DataFrame
    next_bag: pd.DataFrame
    chances: pd.DataFrame
    odd_burns: pd.DataFrame
    influence: pd.DataFrame
    further: pd.DataFrame
    censored: pd.DataFrame
    second_opinion: pd.DataFrame
    self_check: pd.DataFrame
    cooks: pd.DataFrame
    reached: pd.DataFrame
    reached_pairs: pd.DataFrame
    scores: pd.DataFrame
    score_pairs: pd.DataFrame
    tasters: pd.DataFrame
    uncertainty: pd.DataFrame
    deviations: pd.DataFrame
    setting: str
    interim: str
    level: float
    seed: int
    notes: tuple[str, ...]


def analyse(run_folder: str | Path, seed: int = 1, progress: Progress | None = None) -> Analysis:
    """Analyse a run folder.

    Parameters
    ----------
    run_folder
        The folder with trial.toml, burns.csv and logs/.
    seed
        Of every simulated number: bands, chances, the self-check.
    progress
        Told in words what begins.

    Raises
    ------
    KitError
        With every fault of the folder.
    """
    say = progress or (lambda _: None)
    say("reading the run folder")
    run = open_run(run_folder)
    # it loads what judging needs while the logs are read here
    beside = shared_worker("kit.judge.judged") if len(run.burns) >= FEWEST_FOR_TWO else None
    logs = read_run(run)
    run = with_log_days(run, logs.readings)
    say("measuring the burns")
    measured = measure(logs.readings, run)
    counted = counted_burns(measured.metrics, run)
    judged = judge_trial(counted, run, seed, say, beside)
    say("laying the curves over each other")
    return _analysis(run, logs, measured.reasons, counted, judged, seed, beside)


def _analysis(
    run: Run,
    logs: RunReadings,
    reasons: pd.DataFrame,
    counted: Counted,
    judged: Mapping[str, Judged],
    seed: int,
    beside: Worker | None,
) -> Analysis:
    tables = {name: joined(judged, name, _names(spec)) for name, spec in JUDGED.items()}
    budget = (counted.metrics, logs.readings, run, tables["means"])
    begun = beside.begin(uncertainty_budget, budget) if beside else None
    curves = common_grid(logs.readings, run)
    drawn = judge_curves(curves, counted, run, seed)
    scored = judge_scores(run, counted, question_of(run, seed))
    windows = windows_for(logs.readings, run)
    return Analysis(
        run=replace(run, trial=replace(run.trial, measuring=windows)),
        readings=logs.readings,
        spans=logs.spans,
        flag_counts=logs.flags,
        files=logs.files,
        log_notes=logs.notes,
        metrics=counted.metrics[_names(schema.METRICS)],
        excluded=counted.excluded,
        reasons=reasons,
        lid_open=lid_effect(logs.readings, run),
        curves=curves,
        mean_curves=drawn.means,
        difference_curves=drawn.differences,
        apart=drawn.apart,
        fits={name: each.fit for name, each in judged.items() if each.fit is not None},
        why_not={name: each.why_not for name, each in judged.items() if each.fit is None},
        **tables,
        cooks=judge_cooks(counted, run),
        reached=share_reached(counted, judging_level(run)),
        reached_pairs=reached_compared(counted, question_of(run, seed)),
        value=value_compared(
            tables["comparisons"] if not is_open(run) else tables["comparisons"].iloc[:0], run.trial
        ),
        scores=scored.fuels,
        score_pairs=scored.pairs,
        tasters=scored.tasters,
        uncertainty=outcome(begun, uncertainty_budget, budget),
        deviations=deviations(run),
        setting=counted.setting,
        interim=interim_words(run) if is_open(run) else "",
        level=judging_level(run),
        seed=seed,
        notes=(
            *run.notes,
            *counted.notes,
            *look_words(run),
            *drawn.notes,
            *window_words(run, windows),
            *borrowed_words(run),
        ),
    )


def _names(table: tuple[schema.Column, ...]) -> list[str]:
    return [column.name for column in table]


def interim_words(run: Run) -> str:
    """Return '14 of 36 burns' while planned burns are still to come, else ''."""
    counts = run.burns["state"].value_counts()
    done, planned = int(counts.get("done", 0)), int(counts.get("planned", 0))
    return f"{done} of {done + planned} burns" if planned else ""
