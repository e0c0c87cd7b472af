"""What earlier run folders know: folders measured alike, and their burns fitted again to stand beside this trial's."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from kit.errors import Faults, KitError
from kit.judge.question import WORDS as EVERY
from kit.judge.question import Question
from kit.results_file import newest_results
from kit.schema import Metric
from kit.trial import Run, Trial
from kit.trial.models import ALL_ALIKE
from kit.trial.run import lender_folders
from kit.variance import RepeatFit, fit_repeats

WORDS = EVERY["earlier"]
SAME = ("time_zero", "cookers", "measuring", "charge", "probe", "probes")
"""What of an earlier trial must be known, to see whether it was measured alike."""
TABLES = ("metrics", "components", "next_bag")
"""Tables of an earlier trial that are used."""
OF_BURNS, OF_FUELS = ("burn", "cooker", "setting"), ("id", "kind")
"""What of its burns and of its fuels is used."""


@dataclass(frozen=True)
class Lender:
    """One earlier trial: the folder's name and its newest results."""

    name: str
    results: Mapping[str, Any]

    def burns_of(self, metric_id: str) -> pd.DataFrame:
        """Return its exact values of a metric, at the setting most of its burns were run at, as `Counted` has them."""
        rows = pd.DataFrame([row for row in self.results.get("metrics", ()) if row["metric"] == metric_id])
        if rows.empty:
            return rows
        sheet = pd.DataFrame(self.results.get("burns", ())).reindex(columns=list(OF_BURNS))
        rows = rows.merge(sheet, on="burn", how="left").fillna({"bag": "", "day": "", "setting": ""})
        kinds = {fuel["id"]: fuel.get("kind", "") for fuel in self.results.get("trial", {}).get("fuels", ())}
        rows["kind"] = [kinds.get(fuel, "") for fuel in rows["fuel"]]
        usual = rows["setting"] == rows["setting"].value_counts().idxmax()
        return rows[usual & rows["status"].isin(["exact", "never"])].reset_index(drop=True)


def lenders_of(run: Run) -> tuple[tuple[Lender, ...], tuple[str, ...]]:
    """Return the earlier trials that the trial file borrows from, and why others lend nothing.

    Of "all alike" those that were measured alike lend; of the others it is said how they were not.

    Raises
    ------
    KitError
        Where one that is named has no report, or measured in another way, with every difference.
    """
    faults, lenders, unlike = Faults(), [], []
    every = run.trial.model.borrow_from == (ALL_ALIKE,)
    for folder in lender_folders(run.folder, run.trial.model.borrow_from):
        results, name = newest_results(folder, "metrics")[1], folder.resolve().name
        differences = _differences(results.get("trial", {}), run.trial)
        if every and differences:
            why = ", ".join(key for key, _, _ in differences)
            unlike.append(WORDS["unlike"].format(name=name, why=why))
            continue
        for key, then, now in differences:
            faults.refuse(f"{name}: {key}", repr(then), f"{now!r}, as in this trial", WORDS["pooled"])
        lenders.append(Lender(name, results))
    faults.settle()
    return tuple(lenders), tuple(unlike)


def earlier_words(run: Run) -> tuple[str, ...]:
    """Return which earlier trials stand behind the error bars, and which beside this one were not measured alike."""
    lenders, unlike = lenders_of(run)
    if not lenders:
        return unlike
    names = ", ".join(lender.name for lender in lenders)
    if run.in_state("done")["fuel"].duplicated().any():
        return (*unlike, WORDS["repeated"].format(names=names))
    known = []
    for metric_id in run.trial.primary:
        spec, spread = run.trial.metric(metric_id), borrowed_spread(lenders, metric_id)
        if spread:
            sd, df = spread
            size = f"{100 * sd:.1f} %" if spec.scale == "log" else f"{sd:.1f} {spec.unit}"
            known.append(WORDS["known"].format(metric=spec.label, size=size, df=df))
    return (*unlike, WORDS["single"].format(names=names, known="; ".join(known)))


def earlier_fits(
    lenders: Sequence[Lender], spec: Metric, question: Question
) -> tuple[dict[str, RepeatFit], list[dict[str, object]]]:
    """Return the model of a metric in each earlier trial that has burns enough, and a row for each that has not.

    They are fitted as this trial's burns are, as far as their columns go.
    """
    fits: dict[str, RepeatFit] = {}
    refused = []
    for lender in lenders:
        rows = lender.burns_of(spec.id)
        try:
            if rows.empty:
                raise KitError.refuse(lender.name, "no burns with this metric", "some", "Measure it.")
            known = replace(question, covariates=[name for name in question.covariates if name in rows])
            counted, why_not = known.countable(rows, fewest=1)
            if why_not:
                raise KitError.refuse(lender.name, why_not, "fuels that can be compared", "Leave it out.")
            fit = fit_repeats(counted, scale=spec.scale, **known.roles(counted))
            if not fit.has_spread:
                raise KitError.refuse(lender.name, "no fuel was burned twice", "repeats", "Burn more.")
        except KitError as error:
            note = " ".join(problem.found for problem in error.problems)
            refused.append(
                {"folder": lender.name, "burns": len(rows), "power": 0.0, "used": False, "note": note}
            )
            continue
        fits[lender.name] = fit
    return fits, refused


def prior_table(fit: RepeatFit, refused: Sequence[dict[str, object]]) -> pd.DataFrame:
    """Return what each earlier trial gives (schema.PRIOR without metric)."""
    if not (fit.earlier or refused):
        return pd.DataFrame()
    table = fit.prior.copy()
    table["used"] = table["used"] == "yes"
    table["note"] = [
        "" if used else WORDS["conflict"].format(p=p)
        for used, p in zip(table["used"], table["p_conflict"], strict=True)
    ]
    return pd.concat([part for part in (table, pd.DataFrame(refused)) if len(part)], ignore_index=True)


def _differences(theirs: Mapping[str, Any], ours: Trial) -> list[tuple[str, Any, Any]]:
    """Return what was measured in another way: the word for it, theirs and ours."""
    here = {key: _plain(getattr(ours, key)) for key in SAME}
    found: list[tuple[str, Any, Any]] = [
        (key, theirs.get(key), here[key]) for key in ("time_zero", "cookers", "measuring", "probe")
    ]
    charge = theirs.get("charge") or {}
    found += [
        (f"charge {key}", charge.get(key), here["charge"].get(key)) for key in ("by", "grams", "litres")
    ]
    places = [_place(trial.get("probes") or (), trial.get("probe")) for trial in (theirs, here)]
    if all(places):
        found.append(("place of the probe", places[0], places[1]))
    return [(key, then, now) for key, then, now in found if then != now]


def _place(probes: Sequence[Mapping[str, Any]], probe: Any) -> str:
    return next((str(each.get("place") or "") for each in probes if each.get("id") == probe), "")


def _plain(value: Any) -> Any:
    if hasattr(value, "model_dump"):
        return value.model_dump()
    return [_plain(each) for each in value] if isinstance(value, tuple | list) else value


def borrowed_spread(lenders: Sequence[Lender], metric_id: str) -> tuple[float, float] | None:
    """Return the pooled SD of one burn from a new bag, and its degrees of freedom, or None.

    Of each trial the variances of bags, days and burns are added, on the degrees of freedom of its prediction
    for the next bag; trials are pooled by those.
    """
    squares = freedom = 0.0
    for lender in lenders:
        components, ahead = (
            [
                row
                for row in lender.results.get(name, ())
                if row["metric"] == metric_id and row[column] is not None
            ]
            for name, column in (("components", "sd"), ("next_bag", "df"))
        )
        variances = [row["sd"] ** 2 for row in components if row["component"] in ("bag", "day", "burn")]
        if variances and ahead:
            df = min(row["df"] for row in ahead)
            squares, freedom = squares + sum(variances) * df, freedom + df
    return (math.sqrt(squares / freedom), freedom) if freedom else None
