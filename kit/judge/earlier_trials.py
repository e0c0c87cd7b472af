"""What earlier run folders know: folders measured alike, and their burns fitted again to stand beside this trial's."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from pydantic_core import to_jsonable_python

from kit.errors import Faults
from kit.judge.question import WORDS, Question, refused
from kit.metrics.measuring import WINDOWS
from kit.results_file import able_lenders, conditions, differences, newest_results, sha256_of
from kit.schema import Metric
from kit.trial import Run, Trial
from kit.trial.models import ALL_ALIKE
from kit.trial.run import lender_folders
from kit.trial.run_sheets import LOGS
from kit.variance import RepeatFit

SAID = WORDS["earlier"]
SAME = ("time_zero", "cookers", "measuring", "charge", "probe", "probes")
"""What of a trial must be known, to see whether it was measured alike."""
TABLES = ("metrics", "components", "next_bag")
"""Tables of an earlier trial that are used."""
MOST_HALVINGS = 12
"""Of the windows, for burns of minutes."""
OF_BURNS, OF_FUELS = ("burn", "cooker", "setting"), ("id", "kind")
"""What of its burns and of its fuels is used."""


@dataclass(frozen=True)
class Lender:
    """One earlier trial: its run folder and its newest results."""

    folder: Path
    results: Mapping[str, Any]

    @property
    def name(self) -> str:
        """The folder's name."""
        return self.folder.name

    @property
    def logs(self) -> dict[str, int]:
        """Hash and size of each of its logs."""
        inputs = self.results.get("inputs", ())
        return {each["sha256"]: each["bytes"] for each in inputs if str(each["name"]).startswith(f"{LOGS}/")}

    def rows_of(self, table: str, metric_id: str) -> list[Mapping[str, Any]]:
        """Return the rows of a metric in one of its tables."""
        return [row for row in self.results.get(table, ()) if row["metric"] == metric_id]

    def burns_of(self, metric_id: str) -> pd.DataFrame:
        """Return its exact values of a metric, at the setting most of its burns were run at, as `Counted` has them."""
        rows = pd.DataFrame(self.rows_of("metrics", metric_id))
        if rows.empty:
            return rows
        sheet = pd.DataFrame(self.results.get("burns", ())).reindex(columns=list(OF_BURNS))
        rows = rows.merge(sheet, on="burn", how="left").fillna({"bag": "", "day": "", "setting": ""})
        kinds = {fuel["id"]: fuel.get("kind", "") for fuel in self.results.get("trial", {}).get("fuels", ())}
        rows["kind"] = [kinds.get(fuel, "") for fuel in rows["fuel"]]
        usual = rows["setting"] == rows["setting"].value_counts().idxmax()
        return rows[usual & rows["status"].isin(["exact", "never"])].reset_index(drop=True)


def lenders_of(folder: Path, trial: Trial) -> tuple[tuple[Lender, ...], tuple[str, ...]]:
    """Return the earlier trials that the trial file of a run folder borrows from, and why others lend nothing.

    Of "all alike" those that were measured alike lend; of the others it is said how they were not. A copy, half of
    whose logs are this folder's or a lender's before it, does not lend. Windows that are left to the kit may have been
    shortened there, for burns of minutes: whether they are here the logs tell.

    Raises
    ------
    KitError
        Where one that is named has no report or logs that count already, or measured in another way, with every
        difference.
    """
    faults, lenders, unlike = Faults(), [], []
    every = trial.model.borrow_from == (ALL_ALIKE,)
    stated = {key: getattr(trial, key) for key in SAME}
    places = able_lenders(folder, lender_folders(folder, trial.model.borrow_from))
    found = [Lender(place, newest_results(place, "metrics")[1]) for place in places]
    sizes = {size for lender in found for size in lender.logs.values()}
    own = (path for path in (folder / LOGS).rglob("*") if path.is_file() and path.stat().st_size in sizes)
    whose = {sha256_of(path): "this folder" for path in own}
    for lender in found:
        name, then = lender.name, lender.results.get("trial", {})
        owners = [whose[log] for log in lender.logs if log in whose]
        # one log that is here too makes no copy: a day's may hold fires of two trials
        is_copy = bool(owners) and 2 * len(owners) >= len(lender.logs)
        if not is_copy:
            whose |= dict.fromkeys(lender.logs, name)
        there = then.get("measuring") or {}
        ways = (trial.measuring.shortened(2**halvings) for halvings in range(MOST_HALVINGS))
        same = (way for way in ways if all(there.get(window) == getattr(way, window) for window in WINDOWS))
        stated["measuring"] = next(same, trial.measuring)
        others = differences(conditions(then), conditions(to_jsonable_python(stated, by_alias=False)))
        if every and (others or is_copy):
            why = {"name": name, "whose": "".join(owners[:1]), "why": ", ".join(others)}
            unlike.append(SAID["unlike" if others else "copy"].format(**why))
            continue
        if is_copy:
            faults.take(refused("copy", name=name, whose=owners[0]))
        for key, (before, now) in others.items():
            faults.take(refused("pooled", name=name, key=key, then=before or "none", now=now or "none"))
        lenders.append(lender)
    faults.settle()
    return tuple(lenders), tuple(unlike)


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
            row = {"folder": lender.name, "burns": len(rows), "power": 0.0, "used": False, "note": note}
            unused.append(row)
    return replace(question, earlier=fits, unused=unused)


def prior_table(fit: RepeatFit, unused: Sequence[dict[str, object]]) -> pd.DataFrame:
    """Return what each earlier trial gives (schema.PRIOR without metric)."""
    used = fit.prior["used"] == "yes"
    conflicts = [SAID["conflict"].format(p=p) for p in fit.prior["p_conflict"]]
    table = fit.prior.assign(used=used, note=np.where(used, "", conflicts))
    parts = [part for part in (table, pd.DataFrame(unused)) if len(part)]
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
