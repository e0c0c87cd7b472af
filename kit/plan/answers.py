"""The tester's answers: what trial file, burn sheet and earlier folders say of fuels, margins, spread and hours."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from kit.data_file import data_file
from kit.errors import Faults, KitError
from kit.judge.judging import planned_question
from kit.judge.question import Question
from kit.lenders import lenders_of
from kit.page.shown_numbers import METRIC, Units, quantity
from kit.plan.power import Designed, Precision, precision, sds_of
from kit.plan.schedule import WORDS, Workday, workday_of
from kit.results_file import newest_results
from kit.schema import Metric
from kit.trial import Trial, open_run
from kit.trial.run import lender_folders
from kit.trial.sheet import sheet_path, sheet_rows
from kit.trial.trial_file import read_trial

SHEET = "burns.csv"
ASSUMED = data_file(__file__, "assumed_spreads.toml")
NUMBERS = ["sd", "high", "level", "df", "n", "bags"]
"""What is read of the tables of an earlier folder's report."""
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
        Names of the folders they come from; '' where they are assumed.
    df
        Degrees of freedom by which the earlier folders know them, at half weight; 0 where they are assumed.
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
        What the tester should know, a sentence each.
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
        has a margin, or an earlier folder has no report that can be read, or is borrowed from and measured otherwise.
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
    lenders: Sequence[str | Path] = earlier
    if not earlier:
        borrowed, unlike = lenders_of(folder, trial)
        lenders, notes = [each.folder for each in borrowed], [*notes, *unlike]
    goals, question = [], planned_question(trial)
    for metric_id in trial.primary:
        metric, margin = trial.metric(metric_id), trial.margins.get(metric_id)
        spread = from_earlier(lenders, metric) or assumed(metric, Units(trial.show))
        if margin is None:
            notes.append(WORDS["note"]["no_margin"].format(metric=metric.label))
        elif spread is None:
            notes.append(WORDS["note"]["no_spread"].format(metric=metric.label))
        else:
            goals.append(Goal(metric, margin.written, replace(question, margin=margin.value), spread))
    if not all(goal.spread.earlier for goal in goals):
        notes.append(WORDS["note"]["assumed"])
    named = [place.resolve() for place in lender_folders(folder, trial.model.borrow_from)]
    unnamed = [place.name for place in map(Path.resolve, map(Path, earlier)) if place not in named]
    if unnamed and any(goal.spread.df for goal in goals):
        notes.append(WORDS["note"]["not_borrowed"].format(names=", ".join(unnamed)))
    if not goals:
        faults.ask("trial.toml, [margins]", *obstacle("margins", primary=", ".join(trial.primary)))
    faults.settle()
    workday = workday_of(trial, *_burn_h(lenders))
    return Answers(trial, sheet, None if rows else tuple(headings), tuple(goals), workday, tuple(notes))


def obstacle(name: str, **parts: object) -> list[str]:
    """Return what words.toml says of why a plan cannot be carried out: what was found, expected, what to do."""
    return [words.format(**parts) for words in WORDS["obstacle"][name]]


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
        faults.ask(path.name, *obstacle("no rows", sheet=SHEET))
    faults.settle()
    return rows or [[]]


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
    """Return the upper 80 % limits that the newest reports of these folders support, None without any.

    Those of several folders are pooled as variances by the folders' degrees of freedom, one at least, which add up.

    Raises
    ------
    KitError
        Where a folder has no report, or its results cannot be read.
    """
    found = [spread for folder in folders if (spread := _found_in(folder, metric)) is not None]
    if not found:
        return None
    weights = [max(spread.df, 1.0) for spread in found]
    variances = np.square(pd.DataFrame([spread.sds for spread in found]))
    sds = {name: math.sqrt(np.average(each, weights=weights)) for name, each in variances.items()}
    names = ", ".join(spread.earlier for spread in found)
    source = WORDS["earlier"]["pooled" if len(found) > 1 else "found"].format(names=names)
    source += max(spread.source for spread in found)
    return Spread(sds, source, names, sum(spread.df for spread in found))


def _found_in(folder: str | Path, metric: Metric) -> Spread | None:
    """Return the upper 80 % limits that one folder supports, `source` saying only how bags were taken; None without."""
    known, means = (_rows_of(folder, table, metric.id) for table in ("components", "means"))
    known = known.dropna(subset=["sd"])
    if not known["component"].str.startswith("burn").any():
        return None
    sds, bags = sds_of(known, upper=True), ""
    if "bag" not in set(known["component"]):
        usual = ASSUMED.get(metric.base, ASSUMED[metric.scale])
        ratio = usual["bag"] / usual["burn"]
        if means["n"].equals(means["bags"]):  # what burns were found to spread holds what bags do
            sds["burn"] /= math.hypot(1.0, ratio)
        sds["bag"] = ratio * sds["burn"]
        bags = WORDS["earlier"]["bags"]
    name, df = Path(folder).resolve().name, means["df"].replace(math.inf, math.nan).min()
    return Spread(sds, bags, name, 0.0 if math.isnan(df) else EARLIER_POWER * float(df))


def _rows_of(folder: str | Path, name: str, metric: str) -> pd.DataFrame:
    """Return the rows of a metric in a table of a folder's newest report that has one."""
    table = pd.DataFrame(newest_results(folder, name)[1].get(name, []))
    table = table.reindex(columns=["metric", "component", *NUMBERS])
    table[NUMBERS] = table[NUMBERS].apply(pd.to_numeric, errors="coerce")
    return table[table["metric"] == metric]


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
