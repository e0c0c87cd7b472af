"""trial.toml to a checked Trial: every fault of the file at once, each with its line."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Set
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from kit.errors import Faults, KitError, Problem, did_you_mean
from kit.metrics.measuring import Measuring
from kit.schema import COLUMNS, METRIC_BASES, Metric, metric
from kit.trial.decode import read_text, shown
from kit.trial.key_types import (
    QuantityError,
    parse_difference,
    parse_percent,
    parse_temperature,
    split_quantity,
)
from kit.trial.keys import note_fault, prune
from kit.trial.models import TrialFile, threshold_id
from kit.trial.toml_reader import KeyPath, Places, parse_toml
from kit.trial.trial import Margin, Trial, declared_metric

NAME = "trial.toml"
ROUNDS = 12
"""Faulty keys are left out and the rest is read again, at most so often."""


def read_trial(path: Path, faults: Faults, notes: list[str]) -> tuple[Trial | None, frozenset[str]]:
    """Return the trial, with what could be read of it where there are faults; None where nothing could.

    Beside it stand the tables that lost keys to faults: what is missing in them may still have been written.

    Faults are gathered in `faults`; a remark on an odd encoding in `notes`.
    """
    try:
        text, encoding = read_text(path, NAME)
    except KitError as error:
        faults.take(error)
        return None, frozenset()
    if encoding not in ("utf-8", "utf-16", "utf-32"):
        notes.append(f"{NAME} is not UTF-8; it was read as {encoding}: look at its accents and degree signs.")
    raw = parse_toml(text, NAME, faults)
    return (None, frozenset()) if raw is None else _read_tables(raw, text, faults)


def _read_tables(raw: Mapping[str, Any], text: str, faults: Faults) -> tuple[Trial, frozenset[str]]:
    places = Places(NAME, text)
    own = Faults()
    lost: set[str] = set()
    noted: set[tuple[int | str, ...]] = set()
    pruned: dict[str, Any] = dict(raw)
    for _ in range(ROUNDS):
        try:
            trial = checked_trial(TrialFile.model_validate(pruned), places, own, lost)
            break
        except ValidationError as error:
            errors = error.errors(include_url=False)
            for each in errors:
                if each["loc"] not in noted:  # a key left out is not missing
                    note_fault(each, places, own)
            noted |= {each["loc"] for each in errors}
            lost |= {str(each["loc"][0]) for each in errors}
            pruned = prune(pruned, [each["loc"] for each in errors])
    else:
        trial = Trial()
    for problem in sorted(own, key=_line):
        faults.take(KitError(problem))
    return trial, frozenset(lost)


def _line(problem: Problem) -> int:
    match = re.search("line ([0-9]+)", problem.where)
    return int(match[1]) if match else 0


def checked_trial(file: TrialFile, places: Places, faults: Faults, lost: Set[str] = frozenset()) -> Trial:
    """Return the trial of a file whose tables were read, noting where they disagree.

    `lost` names the tables of which keys were left out: nothing that may be among them is called unknown.
    """
    about = file.trial.model_dump(exclude={"cooker"})
    trial = Trial(
        **about,
        cookers=file.trial.cooker,
        charge=file.charge,
        thresholds=file.metrics.thresholds,
        declared=file.metrics.declared,
        measuring=Measuring(
            **{
                key: getattr(file.metrics, key)
                for key in Measuring.model_fields
                if key in file.metrics.model_fields_set
            }
        ),
        model=file.model,
        cleaning=file.cleaning,
        plan=file.plan,
        fuels=file.fuel,
        bags=file.bag,
        settings=file.setting,
        cooks=file.cook,
        probes=file.probe,
        loggers=file.logger,
    )
    trial = _without_guesses(trial, places, faults)
    for check in (_ids_are_unique, _declared_columns, _references, _targets):
        check(trial, places, faults, lost)
    return _with_metrics(trial, file, places, faults, lost)


def _without_guesses(trial: Trial, places: Places, faults: Faults) -> Trial:
    """Return the trial with guessed headings ('Kanal 1?') taken at their word, and ask for each."""
    loggers = []
    for place, logger in enumerate(trial.loggers):
        columns = {probe: heading.rstrip("? ") or heading for probe, heading in logger.columns.items()}
        for probe, heading in logger.columns.items():
            if heading != columns[probe]:
                where = places.where(("logger", place, "columns", probe))
                found = f"{shown(heading)}, a guess: more than one column of these files saw the fire"
                remedy = f"Correct it, or take the ? away if {columns[probe]} is probe {probe}."
                faults.ask(where, found, "the heading of that probe", remedy)
        loggers.append(
            logger.model_copy(update={"columns": columns}) if columns != logger.columns else logger
        )
    return replace(trial, loggers=tuple(loggers))


def _note_unknown(faults: Faults, where: str, word: str, what: str, known: Iterable[str]) -> None:
    faults.refuse(where, shown(word), what, did_you_mean(word, known))


def _ids_are_unique(trial: Trial, places: Places, faults: Faults, lost: Set[str]) -> None:
    labels: dict[str, list[str]] = {
        "fuel": [each.id for each in trial.fuels],
        "bag": [f"{each.id} of {each.fuel}" for each in trial.bags],
        "setting": [each.id for each in trial.settings],
        "cook": [each.name for each in trial.cooks],
        "probe": [each.id for each in trial.probes],
        "logger": [each.id for each in trial.loggers],
    }
    for table, names in labels.items():
        for place, name in enumerate(names):
            if name in names[:place]:
                first = places.where((table, names.index(name), "id"))
                faults.refuse(
                    places.where((table, place, "name" if table == "cook" else "id")),
                    f"'{name}' a second time",
                    f"an id once; it stands already at {first}",
                    "Rename one of them, or delete it.",
                )


def _declared_columns(trial: Trial, places: Places, faults: Faults, lost: Set[str]) -> None:
    for place, declared in enumerate(trial.declared):
        loc: KeyPath = ("metrics", "declared", place, "column")
        if declared.column in METRIC_BASES:
            words = "a column name of your own"
            remedy = "The kit has a metric of that name: rename the column."
            faults.refuse(places.where(loc), shown(declared.column), words, remedy)
        elif declared.column in COLUMNS and COLUMNS[declared.column].kind != "number":
            faults.refuse(
                places.where(loc), shown(declared.column), "a column of numbers", "Name another column."
            )
        elif declared.column in [each.column for each in trial.declared[:place]]:
            faults.refuse(
                places.where(loc), shown(declared.column), "each column once", "Delete one of the two."
            )


def _references(trial: Trial, places: Places, faults: Faults, lost: Set[str]) -> None:
    """Refuse every word that should be the id of a fuel or of a probe and is none."""
    known = {"fuel": [each.id for each in trial.fuels], "probe": [each.id for each in trial.probes]}
    named: list[tuple[KeyPath, str | None, str]] = [
        (("trial", "control_fuel"), trial.control_fuel, "fuel"),
        (("trial", "probe"), trial.probe, "probe"),
    ]
    named += [(("bag", n, "fuel"), bag.fuel, "fuel") for n, bag in enumerate(trial.bags)]
    pairs = [(n, side, fuel) for n, pair in enumerate(trial.pairs) for side, fuel in enumerate(pair)]
    named += [(("trial", "pairs", n, side), fuel, "fuel") for n, side, fuel in pairs]
    columns = [(n, probe) for n, logger in enumerate(trial.loggers) for probe in logger.columns]
    named += [(("logger", n, "columns", probe), probe, "probe") for n, probe in columns]
    for loc, word, table in named:
        if word is not None and known[table] and word not in known[table] and table not in lost:
            what = f"the id of a [[{table}]]" + " before the =" * (loc[0] == "logger")
            _note_unknown(faults, places.where(loc), word, what, known[table])


def _targets(trial: Trial, places: Places, faults: Faults, lost: Set[str]) -> None:
    cooks = [cook.name for cook in trial.cooks]
    for place, setting in enumerate(trial.settings):
        if setting.target and setting.target_c is None and setting.target not in cooks and "cook" not in lost:
            where = places.where(("setting", place, "target"))
            expected = 'a temperature, as "120 °C", or the name of a [[cook]]'
            remedy = did_you_mean(setting.target, cooks) if cooks else "Write the temperature that was held."
            faults.refuse(where, shown(setting.target), expected, remedy)


def _with_metrics(trial: Trial, file: TrialFile, places: Places, faults: Faults, lost: Set[str]) -> Trial:
    _thresholds_are_fit(trial, places, faults)
    written = "primary" in file.metrics.model_fields_set
    primary = []
    for place, word in enumerate(file.metrics.primary if written else ()):
        spec = _metric_of(trial, word, places.where(("metrics", "primary", place)), faults, lost)
        primary += [spec.id] if spec else []
    if not written:
        primary = _default_primary(trial)
    margins: dict[str, Margin] = {}
    for word, value in file.margins.items():
        where = places.where(("margins", word))
        spec = _metric_of(trial, word, where, faults, lost)
        margin = margin_as_written(spec, value, where, faults) if spec else None
        if margin and margin.metric in margins:
            remedy = "Delete one of the two."
            faults.refuse(where, f"a second margin of {margin.metric}", "a margin once", remedy)
        elif margin:
            margins[margin.metric] = margin
    return replace(trial, primary=tuple(primary), margins=margins)


def _default_primary(trial: Trial) -> list[str]:
    lowest = [f"time_above:{threshold_id(min(trial.thresholds))}"] if trial.thresholds else []
    return ["peak", *lowest]


def _thresholds_are_fit(trial: Trial, places: Places, faults: Faults) -> None:
    for place, celsius in enumerate(trial.thresholds):
        if threshold_id(celsius) in trial.threshold_ids[:place]:
            where = places.where(("metrics", "thresholds", place))
            faults.refuse(where, f"{threshold_id(celsius)} °C twice", "each threshold once", "Delete one.")


def _metric_of(trial: Trial, word: str, where: str, faults: Faults, lost: Set[str]) -> Metric | None:
    """Return the metric of an id as written, its threshold in °C, or None with the fault noted."""
    stem, at, probe = word.partition("@")
    base, colon, argument = stem.partition(":")
    if argument and base in METRIC_BASES and METRIC_BASES[base].takes == "threshold":
        try:
            celsius = parse_temperature(_number_or_text(argument))
        except QuantityError as error:
            faults.refuse(where, error.found, error.expected, f"Write '{base}:110', say.")
            return None
        if threshold_id(celsius) not in trial.threshold_ids and "metrics" not in lost:
            remedy = f"Add {threshold_id(celsius)} to thresholds, or use one that stands there."
            known = ", ".join(trial.threshold_ids) or "none"
            faults.refuse(where, shown(word), f"a threshold of [metrics] thresholds ({known})", remedy)
            return None
        argument = threshold_id(celsius)
    try:
        spec = metric(base + colon + argument + at + probe, map(declared_metric, trial.declared))
    except KitError as error:
        for problem in error.problems:
            faults.take(KitError(replace(problem, where=where)))
        return None
    return spec if _argument_is_known(trial, spec, where, faults, lost) else None


def _number_or_text(text: str) -> float | str:
    parts = split_quantity(text)
    return parts[0] if parts and not parts[1] else text


def _argument_is_known(trial: Trial, spec: Metric, where: str, faults: Faults, lost: Set[str]) -> bool:
    probes, cooks = [each.id for each in trial.probes], [each.name for each in trial.cooks]
    if spec.base == "band" and spec.argument not in cooks and "cook" not in lost:
        remedy = did_you_mean(spec.argument, cooks) if cooks else "Declare it: [[cook]] name, low, high."
        faults.refuse(where, shown(spec.argument), "the name of a [[cook]]", remedy)
        return False
    if spec.probe and probes and spec.probe not in probes and "probe" not in lost:
        _note_unknown(faults, where, spec.probe, "the id of a [[probe]] after the @", probes)
        return False
    return True


def margin_as_written(spec: Metric, value: object, where: str, faults: Faults) -> Margin | None:
    """Return a margin on the scale its metric is analysed on, None where it cannot be read."""
    try:
        size, unit = _margin_reader(spec)(value)
    except QuantityError as error:
        words = "is analysed as a ratio" if spec.scale == "log" else "is analysed as a difference"
        faults.refuse(where, error.found, error.expected, f"'{spec.id}' {words}: write its margin so.")
        return None
    if not size > 0:
        faults.refuse(
            where, shown(value), "a margin above zero", "Write the smallest difference that matters."
        )
        return None
    return Margin(spec.id, value if isinstance(value, str) else f"{value} {spec.unit}".strip(), size, unit)


def _margin_reader(spec: Metric) -> Callable[[object], tuple[float, str]]:
    if spec.scale == "log":
        return lambda value: (math.log1p(max(parse_percent(value), -0.5)), "ln")  # Δ = ln 1.10 for 10 %
    if spec.unit in ("°C", "K"):
        return lambda value: (_difference(value), spec.unit)
    return lambda value: (_in_unit(value, spec.unit), spec.unit)


def _difference(value: object) -> float:
    if not isinstance(value, str):
        raise QuantityError(value, 'a difference with its unit, as "15 °C" or "27 °F"')
    return parse_difference(value)


def _in_unit(value: object, unit: str) -> float:
    expected = f'a number of {unit}, as "2 {unit}"' if unit else "a number"
    if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
        return float(value)
    parts = split_quantity(value) if isinstance(value, str) else None
    if parts is None or parts[1] not in ("", unit):
        raise QuantityError(value, expected)
    return parts[0]
