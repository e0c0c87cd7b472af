"""From a run folder to every number of its report: read this first.

The stages, in their order: the run folder is opened (`kit.trial`), its logs become readings in which odd ones are
flagged (`kit.readings`), readings become metrics and curves of each burn (`kit.burns`), repeats become a variance
model of each metric (`kit.variance`), and the model becomes judgements (`kit.judge`). Nothing flows back.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import pandas as pd

from kit import burns, schema
from kit.check import charge_notes, price_notes, quality_notes, uncounted, uncounted_words
from kit.errors import KitError, did_you_mean
from kit.judge import judging
from kit.judge.curves import judge_curves
from kit.judge.earlier_trials import earlier_words
from kit.judge.kitchen import judge_cooks, judge_scores, reached_compared, share_reached, value_compared
from kit.judge.question import counted_burns
from kit.lenders import lenders_of
from kit.page.html_tables import as_table
from kit.page.text import element, join
from kit.readings import RunReadings, read_run, with_log_days
from kit.runtime.processes import outcome, shared_worker
from kit.trial import Run, deviations, open_run
from kit.variance import RepeatFit

FEWEST_FOR_TWO: Final = 12
"""With fewer burns a second process costs more than it saves."""


def analyse(run_folder: str | Path, seed: int = 1) -> Analysis:
    """Analyse a run folder.

    Parameters
    ----------
    run_folder
        The folder with trial.toml, burns.csv and logs/.
    seed
        Of every simulated number: bands, chances, the self-check.

    Raises
    ------
    KitError
        With every fault of the folder.

    Examples
    --------
    >>> analysis = analyse(demo)
    >>> analysis.table("comparisons", metric="peak", a="vine")["verdict"].item()
    'different, by more than the margin'
    """
    run = open_run(run_folder)
    _helped(run)  # it loads what judging needs while the logs are read here
    logs = read_run(run)
    run = with_log_days(run, logs.readings)
    metrics = burns.burn_metrics(logs.readings, run)
    return analysis_of(run, logs, metrics, seed)


def analysis_of(run: Run, logs: RunReadings, metrics: pd.DataFrame, seed: int = 1) -> Analysis:
    """Judge what was measured: the last stage of `analyse`, of the very objects of the stages before it.

    Parameters
    ----------
    run
        As `open_run` gives it, or changed: `run.without("07", "why")`, `run.with_margin("peak", "20 °C")`.
    logs
        As `read_run` gives them.
    metrics
        As `burn_metrics` gives them, or a part: a burn that has no row left is left out of everything.
    seed
        As for `analyse`.

    Examples
    --------
    >>> without = run.without("16", "wind of 12 m/s")
    >>> fewer = analysis_of(without, logs, metrics)
    >>> fewer.excluded["burn"].unique().tolist()
    ['16']
    """
    run = _as_measured(run, metrics)
    quality = quality_notes(run, logs)
    helper = _helped(run)
    counted, windows = counted_burns(metrics, run), burns.windows_for(logs.readings, run)
    measured = replace(run, trial=replace(run.trial, measuring=windows))
    lenders, unlike = lenders_of(run.folder, measured.trial)
    judged = judging.judge_trial(counted, measured, seed, lenders, helper)
    tables = judging.joined(judged)
    budget = (counted.metrics, logs.readings, run, tables["means"])
    begun = helper.begin(burns.uncertainty_budget, budget) if helper else None
    curves = burns.common_grid(logs.readings, run)
    of_curves, curve_notes = judge_curves(curves, counted, run, seed)
    level = judging.judging_level(run)
    reasons = burns.measure(logs.readings, run).reasons
    left_out, departed = uncounted(run, metrics, reasons), deviations(run.plan, run.trial, run.burns)
    is_open, done = judging.is_open(run), len(run.in_state("done"))
    settled = tables["comparisons"].iloc[:0] if is_open else tables["comparisons"]
    return Analysis(
        run=measured,
        logs=logs,
        curves=curves,
        fits={name: each.fit for name, each in judged.items() if each.fit is not None},
        why_not={name: each.why_not for name, each in judged.items() if each.fit is None},
        tables={
            "readings": logs.readings,
            "spans": logs.spans,
            "flag_counts": logs.flags,
            "files": logs.files,
            "log_notes": logs.notes,
            "metrics": counted.metrics[schema.names("metrics")],
            "excluded": counted.excluded,
            "reasons": reasons,
            "lid_open": burns.lid_effect(logs.readings, run),
            **tables,
            **of_curves,
            "cooks": judge_cooks(counted, run),
            "reached": share_reached(counted, level),
            "reached_pairs": reached_compared(counted, judging.question_of(run, seed)),
            "value": value_compared(settled, run.trial),
            **judge_scores(run, counted, judging.question_of(run, seed)),
            "uncertainty": outcome(begun, burns.uncertainty_budget, budget),
            "uncounted": left_out,
            "deviations": departed,
        },
        setting=counted.setting,
        interim=f"{done} of {done + len(run.in_state('planned'))} burns" if is_open else "",
        level=level,
        seed=seed,
        notes=(
            *run.notes,
            *counted.notes,
            *uncounted_words(left_out),
            *charge_notes(run, departed.loc[departed["what"] == "charge", "where"]),
            *(price_notes(run) if run.trial.is_priced else ()),
            *quality,
            *judging.look_words(run),
            *judging.many_words(run),
            *curve_notes,
            *burns.window_words(run, windows),
            *unlike,
            *earlier_words(measured, lenders),
        ),
        lenders=tuple(lender.name for lender in lenders),
    )


@dataclass(frozen=True, eq=False, repr=False)
class Analysis:
    """Everything a report says; pages and results.json are made of it alone.

    Attributes
    ----------
    run, logs
        The run folder and what its logs held.
    curves
        Curves of the burns on one grid.
    fits, why_not
        The model of each metric, or why it has none.
    tables
        The tidy tables of `kit.schema.TABLES`, and `files`, `log_notes` and `apart`; each is an attribute too:
        `analysis.means`. `comparisons` holds the declared family, `pairs` every pair, `comparisons_alone` those
        without earlier folders, `further` what would settle the open ones, `excluded` the metrics of burns left out.
    setting
        The declared setting whose burns are compared; '' where the trial knows one setting only.
    interim
        '14 of 36 burns' where planned burns are still to come: then no verdict is given; else ''.
    level, seed
        Confidence of the verdicts' intervals; seed of everything simulated.
    notes
        What a reader should know of the folder, the basis of comparison and the model.
    lenders
        The earlier folders, by name, that repeatability is borrowed from.
    """

    run: Run
    logs: RunReadings
    curves: burns.Curves
    fits: Mapping[str, RepeatFit]
    why_not: Mapping[str, str]
    tables: Mapping[str, pd.DataFrame]
    setting: str
    interim: str
    level: float
    seed: int
    notes: tuple[str, ...]
    lenders: tuple[str, ...] = ()

    def __getattr__(self, name: str) -> pd.DataFrame:
        if name.startswith("_") or name == "tables" or name not in self.tables:
            raise AttributeError(f"an Analysis has no {name!r}")
        return self.tables[name]

    def __dir__(self) -> list[str]:
        return [*super().__dir__(), *self.tables]

    def __repr__(self) -> str:
        asked = ", ".join(self.run.trial.primary)
        return (
            f"<Analysis of '{self.run.trial.title or self.run.folder.name}': {self.metrics['burn'].nunique()} burns, "
            f"{len(self.fits)} metrics with a model, verdicts on {asked}; {len(self.tables)} tables>"
        )

    def _repr_html_(self) -> str:
        columns = ["a", "b", "difference", "ratio", "low", "high", "verdict", "n_a", "n_b"]
        told = []
        for metric in map(self.run.trial.metric, self.run.trial.primary):
            rows = self.table("comparisons", metric=metric.id)
            families = ", ".join(rows["multiplicity"].astype(str).str.title().unique())
            rows = rows[columns].dropna(axis=1, how="all")
            scale = "ratios" if metric.scale == "log" else f"differences, {metric.unit}".rstrip(", ")
            if len(rows):
                label = f"{metric.label[:1].upper()}{metric.label[1:]}"
                note = f"low, high: simultaneous {100 * self.level:.4g} % intervals ({families})."
                told.append(as_table(rows, f"{label}, {scale}", note=note, rows=15))
        sizes = pd.DataFrame({"table": [*self.tables], "rows": [*map(len, self.tables.values())]})
        every = element("summary", "Every table"), as_table(sizes, "Tables of the analysis")
        return str(join([element("p", f"{repr(self)[1:-1]}."), *told, element("details", *every)]))

    def table(self, name: str, **where: object) -> pd.DataFrame:
        """Return a table by its name, or its rows in which these columns hold these values.

        Raises
        ------
        KeyError
            With the nearest name, where there is no such table or column.

        Examples
        --------
        >>> analysis.table("comparisons", metric="peak")  # doctest: +SKIP
        """
        if name not in self.tables:
            raise KeyError(f"no table '{name}'. {did_you_mean(name, self.tables)}")
        rows = self.tables[name]
        for column, value in where.items():
            if column not in rows:
                raise KeyError(f"no column '{column}' in {name}. {did_you_mean(column, list(rows))}")
            rows = rows[rows[column] == value]
        return rows.reset_index(drop=True)

    def with_tables(self, **tables: pd.DataFrame) -> Analysis:
        """Return the analysis with other tables in place of its own."""
        return replace(self, tables={**self.tables, **tables})


def declared_model(metrics: pd.DataFrame, run: Run, metric: str) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Return the burns of a metric that are compared, and the arguments that `fit_repeats` takes of trial.toml.

    Parameters
    ----------
    metrics, run
        As for `analysis_of`.
    metric
        Its id.

    Returns
    -------
    rows
        burn, fuel, bag, day, value, status and the conditions of each burn.
    model
        Such as {'scale': 'log', 'bag': 'bag', 'day': 'day', …}; empty where these burns support no model.

    Examples
    --------
    >>> rows, model = declared_model(metrics, run, "peak")
    >>> fit_repeats(rows, **model).converged
    True
    """
    question = judging.asked_of(
        metric, run, judging.question_of(run, seed=1), lenders_of(run.folder, run.trial)[0]
    )
    counted = counted_burns(metrics, _as_measured(run, metrics))
    rows, why_not = question.countable(counted.compared(metric))
    if why_not:
        return rows, {}
    model = {"scale": run.trial.metric(metric).scale, "status": "status", **question.roles(rows)}
    try:
        fit = question.fit(rows, run.trial.metric(metric))
    except KitError:
        return rows, {}
    return rows, model | ({"earlier": question.earlier} if fit.earlier else {})


def _helped(run: Run) -> Any:
    return shared_worker("kit.judge.judging") if len(run.burns) >= FEWEST_FOR_TWO else None


def _as_measured(run: Run, metrics: pd.DataFrame) -> Run:
    """Leave out, with a reason, each burn that was done and has no metric left."""
    gone = sorted(set(run.in_state("done")["burn"]) - set(metrics["burn"]))
    for burn in gone:
        run = run.without(burn, "taken out of the metrics in the notebook")
    return run
