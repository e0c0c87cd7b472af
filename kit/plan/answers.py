"""The tester's answers: what trial file, burn sheet and earlier folders say of fuels, margins, spread and hours."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from kit.data_file import data_file
from kit.errors import Faults, KitError
from kit.judge.judging import planned_question
from kit.judge.question import Question
from kit.page.shown_numbers import METRIC, Units, quantity
from kit.plan.power import Designed, Precision, precision, sds_of
from kit.plan.schedule import WORDS, Workday, workday_of
from kit.results_file import newest_results
from kit.schema import COMPONENTS, Metric
from kit.trial import Trial, open_run
from kit.trial.run import lender_folders
from kit.trial.sheet import sheet_path, sheet_rows
from kit.trial.trial_file import read_trial

SHEET = "burns.csv"
ASSUMED = data_file(__file__, "assumed_spreads.toml")
EARLIER_POWER = 0.5
"""An earlier folder's degrees of freedom count half: it was another season."""


@dataclass(frozen=True)
class Spread:
    """Standard deviations to plan with.

    Attributes
    ----------
    sds
        bag, burn and day, on the analysis scale: upper 80 % limits where they come from an earlier trial.
    source
        In words, for the tester.
    earlier
        Folder they come from; '' where they are assumed.
    df
        Degrees of freedom by which the earlier folder knows them, at half weight; 0 where they are assumed.
    """

    sds: dict[str, float]
    source: str
    earlier: str = ""
    df: float = 0.0


@dataclass(frozen=True)
class Goal:
    """What burns are to settle: a primary metric, the margin as it is written, how it is judged, the spread."""

    metric: Metric
    written: str
    question: Question
    spread: Spread

    @property
    def margin(self) -> float:
        """The smallest difference that matters, on the analysis scale."""
        return self.question.margin or 0.0

    def precision(self, burns: Designed) -> Precision:
        """Return how well burns will know the differences that the report is about, earlier folders beside them."""
        return precision(burns, self.spread.sds, self.question).with_earlier(self.spread.df)

    def chances(self, known: Precision) -> pd.DataFrame:
        """Return the chance of each verdict at no difference, at the margin and at twice the margin."""
        margin = self.margin
        return known.chances((0.0, margin, 2 * margin), margin, self.question.level)


@dataclass(frozen=True, eq=False)
class Answers:
    """What a plan is made from.

    Attributes
    ----------
    trial, sheet, headings
        The trial file; the burns of the sheet, no rows where none is filled in, and then its headings.
    metrics
        What is to be settled of the primary metrics that have a margin and a spread to plan with.
    workday
        What a day at the cooker holds.
    notes
        What the tester should know of the answers, a sentence each.
    """

    trial: Trial
    sheet: pd.DataFrame
    headings: tuple[str, ...] | None
    metrics: tuple[Goal, ...]
    workday: Workday
    notes: tuple[str, ...]


def read_answers(folder: Path, earlier: Sequence[str | Path] = ()) -> Answers:
    """Return the answers of a run folder; earlier folders are those given, else those it borrows from.

    Raises
    ------
    KitError
        With every fault of trial.toml and burns.csv; where fewer than two fuels are named, no primary metric
        has a margin, or an earlier folder has no report that can be read.
    """
    path, (headings, *rows) = trial_path(folder), sheet_cells(folder)
    if rows:
        run = open_run(folder)
        trial, sheet, notes = run.trial, run.burns, list(run.notes)
    else:
        trial, notes = trial_alone(path)
        sheet = pd.DataFrame(columns=["burn", "fuel", "bag", "day", "order"])
    faults = Faults()
    if len(trial.fuels) < 2:
        faults.ask("trial.toml, [[fuel]]", "one fuel" if trial.fuels else "no fuel", *WORDS["ask"]["fuels"])
    lenders = list(earlier) or lender_folders(folder, trial.model.borrow_from)
    metrics = _goals(trial, lenders, notes)
    if not metrics:
        expected = f"one of {', '.join(trial.primary)}"
        faults.ask("trial.toml, [margins]", "none to plan for", expected, *WORDS["ask"]["margins"])
    faults.settle()
    workday = workday_of(trial, *_burn_h(lenders))
    return Answers(trial, sheet, None if rows else tuple(headings), metrics, workday, tuple(notes))


def trial_path(folder: Path) -> Path:
    """Return where the trial file of a run folder stands.

    Raises
    ------
    KitError
        Where there is none.
    """
    path = folder / "trial.toml"
    if not path.is_file():
        remedy = "`repeatburn start` makes a run folder."
        raise KitError.refuse(str(path), "no trial file", "a run folder with trial.toml", remedy)
    return path


def trial_alone(path: Path) -> tuple[Trial, list[str]]:
    """Return the trial of a trial file, whatever the burn sheet beside it, and what is to know of how it was read.

    Raises
    ------
    KitError
        With every fault of the file.
    """
    faults = Faults()
    trial = read_trial(path, faults)
    faults.settle()
    assert trial is not None
    return trial, faults.notes


def sheet_cells(folder: Path) -> list[list[str]]:
    """Return the rows of the burn sheet that are not blank, the headings first; one blank row without a sheet."""
    faults = Faults()
    path = sheet_path(folder, "burns", faults)
    rows = [row for row in sheet_rows(path)[0] if any(map(str.strip, row))] if path.is_file() else []
    if len(rows) < 2 and path.suffix != ".csv":
        remedy = f"Put it elsewhere: {SHEET} is written."
        faults.ask(path.name, "headings and no burns", "rows, or no such file", remedy)
    faults.settle()
    return rows or [[]]


def _goals(trial: Trial, lenders: Sequence[str | Path], notes: list[str]) -> tuple[Goal, ...]:
    """Return a goal for each primary metric with a margin and a spread to plan with; notes say which have not."""
    found, question = [], planned_question(trial)
    for metric_id in trial.primary:
        metric, margin = trial.metric(metric_id), trial.margins.get(metric_id)
        spread = from_earlier(lenders, metric) or assumed(metric, Units(trial.show))
        if margin is None:
            notes.append(WORDS["note"]["no_margin"].format(metric=metric.label))
        elif spread is None:
            notes.append(WORDS["note"]["no_spread"].format(metric=metric.label))
        else:
            found.append(Goal(metric, margin.written, replace(question, margin=margin.value), spread))
    if not all(each.spread.earlier for each in found):
        notes.append(WORDS["note"]["assumed"])
    return tuple(found)


def assumed(metric: Metric, units: Units = METRIC) -> Spread | None:
    """Return assumptions for a metric; None for one on the plain scale that is no temperature."""
    if metric.scale == "plain" and metric.unit not in ("°C", "K"):
        return None
    sds = ASSUMED.get(metric.base, ASSUMED[metric.scale])
    log = metric.scale == "log"
    words = ", ".join(
        f"{name} {f'{100 * sd:.0f} %' if log else quantity(sd, metric.unit, units, decimals=0, difference=True)}"
        for name, sd in sds.items()
    )
    return Spread(dict(sds), f"assumed (the usual range of the trade, not measured by you): {words}")


def from_earlier(folders: Sequence[str | Path], metric: Metric) -> Spread | None:
    """Return the upper 80 % limits that the newest report of these folders supports, None without any.

    Of several folders that know the metric the one with the largest burn SD counts.

    Raises
    ------
    KitError
        Where a folder has no report, or its results cannot be read.
    """
    found = []
    for folder in folders:
        table = _rows_of(folder, "components", metric.id)
        numbers = ["sd", "low", "high", "level"]
        table[numbers] = table[numbers].apply(pd.to_numeric, errors="coerce")
        known = table.dropna(subset=["sd"])
        if known["component"].str.startswith("burn").any():
            means = _rows_of(folder, "means", metric.id)
            dfs = pd.to_numeric(means["df"], errors="coerce").replace(math.inf, math.nan).dropna()
            sds, words = sds_of(known, upper=True), f"upper 80 % limits of what {Path(folder).name} found"
            if "bag" not in set(known["component"]):
                usual = ASSUMED.get(metric.base, ASSUMED[metric.scale])
                ratio = usual["bag"] / usual["burn"]
                if means["n"].equals(means["bags"]):  # what burns were found to spread holds what bags do
                    sds["burn"] /= math.hypot(1.0, ratio)
                sds["bag"] = ratio * sds["burn"]
                words += ", bags taken to differ as they usually do: it could not tell them from burns"
            df = EARLIER_POWER * float(dfs.min()) if len(dfs) else 0.0
            found.append(Spread(sds, words, str(folder), df))
    return max(found, key=lambda spread: spread.sds["burn"], default=None)


def _rows_of(folder: str | Path, name: str, metric: str) -> pd.DataFrame:
    """Return the rows of a metric in a table of a folder's newest report that has one."""
    columns = [*(column.name for column in COMPONENTS), "df", "n", "bags"]
    table = pd.DataFrame(newest_results(folder, name)[1].get(name, []))
    table = table.reindex(columns=list(dict.fromkeys([*columns, *table.columns])))
    return table[table["metric"] == metric].copy()


def _burn_h(lenders: Sequence[str | Path]) -> tuple[float | None, str]:
    """Return how long nine in ten burns of the earlier folders lasted, to a quarter of an hour, and whose."""
    lasted: list[tuple[float, str]] = []
    for lender in lenders:
        burns = pd.DataFrame(newest_results(lender, "burns")[1].get("burns", []), dtype=str)
        # a burn over midnight has a date before its stop
        clocks = burns.reindex(columns=["lit", "stopped"]).replace(r".*(?=\b\d+:\d\d:\d\d$)", "", regex=True)
        lit, stopped = (pd.to_timedelta(clocks[name], errors="coerce") for name in clocks)
        hours = float(((stopped - lit).dt.total_seconds() / 3600 % 24).quantile(0.9))
        if hours == hours:
            lasted.append((math.ceil(4 * hours) / 4, Path(lender).name))
    return max(lasted, default=(None, ""))


def times(burns: int) -> str:
    """Return 'one burn', 'two burns', '4 burns'."""
    return {1: "one burn", 2: "two burns", 3: "three burns"}.get(burns, f"{burns} burns")
